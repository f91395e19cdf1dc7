//go:build !js

package eventlog

import (
	"bytes"
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// EventOpenings are the private values of one event.
type EventOpenings struct {
	Party     string
	RequestID opal.RequestID
	// StatementHash is that of the statement which commits to the values. It is part of the key: an id that is used again for other
	// content is refused later, and by then must not have replaced what belongs to the event that has the id.
	StatementHash [32]byte
	Openings      []envelope.Opening
}

// sealedOpenings is what is stored of one statement's private values, a CBOR map in the encoding of internal/canon:
//
//	1: version, unsigned integer, 2 (1 is the plain record of internal/envelope, which a start seals)
//	2: values, an array of maps
//	   {1: path, text; 2: place of its key in openings.keys, unsigned integer, left out once it is erased; 3: sealed, a byte string, left out once it is erased}
//
// sealed is AES-256-GCM (NIST SP 800-38D) of the opening's CBOR map under a key that seals nothing else, with a nonce of zeros, and "lotpaper/sealed-opening/v1", the
// record's key in the store and the path as what it is bound to.
type sealedOpenings struct {
	Version uint64          `cbor:"1,keyasint"`
	Values  []sealedOpening `cbor:"2,keyasint"`
}

type sealedOpening struct {
	Path   string `cbor:"1,keyasint"`
	Place  uint64 `cbor:"2,keyasint,omitempty"`
	Sealed []byte `cbor:"3,keyasint,omitempty"`
}

const sealedVersion = 2

var (
	sealedRecords = canon.For[sealedOpenings]()
	openingRecord = canon.For[envelope.Opening]()
)

func openingsKey(party string, id opal.RequestID, statement [32]byte) []byte {
	k := append(make([]byte, 0, len(party)+49), party...)
	k = append(append(k, 0), id[:]...)
	return append(k, statement[:]...)
}

func keyOfEvent(e *Event) []byte {
	ev := &e.Recorded.Event
	return openingsKey(ev.Party, ev.RequestID, e.StatementHash)
}

// shownKey is the key under which it stands that a private value is shown to a party: 1, the party, 0, the record's key, 0, the path. No record's key begins with 1.
func shownKey(party string, record []byte, path string) []byte {
	k := append([]byte{shownPrefix}, party...)
	k = append(append(k, 0), record...)
	return append(append(k, 0), path...)
}

const shownPrefix = 1

// PutOpenings stores private values, sealed each under a key of its own; they are on disk when it returns. It is called before the events' envelope goes to the
// ledger, so that an event that is acknowledged has its values; values of an event that was refused then lie there, unread. What is stored already stays as it
// is: a request that is sent again brings no erased value back.
func (l *Log) PutOpenings(list ...EventOpenings) error {
	const op = "store private values"
	// One after the other: a second key for the same values would open, once the first was destroyed, what an old file still holds of them.
	l.sealing.Lock()
	defer l.sealing.Unlock()
	var fresh []*EventOpenings
	seen := map[string]bool{}
	for i := range list {
		e := &list[i]
		if len(e.Openings) == 0 {
			continue
		}
		if _, err := envelope.EncodeOpenings(e.Openings); err != nil { // the limits hold for what is sealed, too
			return fmt.Errorf("store the private values of %s/%s: %w", e.Party, e.RequestID, err)
		}
		key := openingsKey(e.Party, e.RequestID, e.StatementHash)
		found, err := l.openingsRecord(key)
		if err != nil {
			return &StoreError{op, err}
		}
		if found == nil && !seen[string(key)] {
			seen[string(key)] = true
			fresh = append(fresh, e)
		}
	}
	if len(fresh) == 0 {
		return nil
	}
	return l.putSealed(fresh, op)
}

// putSealed seals values, and puts them in the place of whatever stands there.
func (l *Log) putSealed(list []*EventOpenings, op string) error {
	count := 0
	for _, e := range list {
		count += len(e.Openings)
	}
	keys := make([][keySize]byte, count)
	for i := range keys {
		if _, err := rand.Read(keys[i][:]); err != nil {
			return &StoreError{op, err}
		}
	}
	place, err := l.openingKeys.add(keys)
	if err != nil {
		l.guard.fail(err)
		return &StoreError{op, err}
	}
	batch := l.openings.NewBatch()
	defer batch.Close()
	n := 0
	for _, e := range list {
		record := sealedOpenings{Version: sealedVersion}
		key := openingsKey(e.Party, e.RequestID, e.StatementHash)
		for i := range e.Openings {
			sealed, err := seal(keys[n], key, &e.Openings[i])
			if err != nil {
				return &StoreError{op, err}
			}
			record.Values = append(record.Values, sealedOpening{e.Openings[i].Path, place + uint64(n), sealed})
			n++
		}
		if err := setOpenings(batch, key, &record); err != nil {
			return &StoreError{op, err}
		}
	}
	return l.commitOpenings(batch, op)
}

func setOpenings(batch *pebble.Batch, key []byte, record *sealedOpenings) error {
	value, err := sealedRecords.Append(nil, record)
	if err != nil {
		return err
	}
	return batch.Set(key, value, nil)
}

func (l *Log) commitOpenings(batch *pebble.Batch, op string) error {
	// An error of the write itself comes as one that the store does not survive, and not by way of Commit.
	if err := errors.Join(batch.Commit(pebble.Sync), l.guard.failed()); err != nil {
		return &StoreError{op, err}
	}
	return nil
}

func aead(key [keySize]byte) (cipher.AEAD, error) {
	b, err := aes.NewCipher(key[:])
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(b)
}

func boundTo(record []byte, path string) []byte {
	return append(append([]byte("lotpaper/sealed-opening/v1"), record...), path...)
}

// seal encrypts an opening. The key seals nothing else, so that the nonce may be zeros.
func seal(key [keySize]byte, record []byte, o *envelope.Opening) ([]byte, error) {
	plain, err := openingRecord.Append(nil, o)
	if err != nil {
		return nil, err
	}
	a, err := aead(key)
	if err != nil {
		return nil, err
	}
	return a.Seal(nil, make([]byte, a.NonceSize()), plain, boundTo(record, o.Path)), nil
}

// open decrypts an opening.
func open(key [keySize]byte, record []byte, s *sealedOpening) (o envelope.Opening, err error) {
	a, err := aead(key)
	if err != nil {
		return o, err
	}
	plain, err := a.Open(nil, make([]byte, a.NonceSize()), s.Sealed, boundTo(record, s.Path))
	if err != nil {
		return o, fmt.Errorf("found a sealed value of %s that its key does not open: one of the two is damaged", s.Path)
	}
	err = openingRecord.Decode(plain, &o)
	if err == nil && o.Path != s.Path {
		err = fmt.Errorf("found the value of %s sealed as that of %s", o.Path, s.Path)
	}
	return o, err
}

// openingsRecord reads what is stored of a statement's private values; nil: nothing.
func (l *Log) openingsRecord(key []byte) (*sealedOpenings, error) {
	v, closer, err := l.openings.Get(key)
	if errors.Is(err, pebble.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	own := bytes.Clone(v) // what is decoded shares its memory
	if err := closer.Close(); err != nil {
		return nil, err
	}
	r := new(sealedOpenings)
	if err := sealedRecords.Decode(own, r); err != nil {
		return nil, err
	}
	if r.Version != sealedVersion {
		return nil, fmt.Errorf("found openings version %d, accepted is %d", r.Version, sealedVersion)
	}
	return r, nil
}

// OpeningsOf gives the private values of an event that is in the log, as far as they are kept here, and the paths of those that were erased. Whether they fit the
// event's commitments envelope.Statement.Reveal tells.
func (l *Log) OpeningsOf(e *Event) (list []envelope.Opening, erased []string, err error) {
	op := "read the private values of " + e.ID()
	key := keyOfEvent(e)
	r, err := l.openingsRecord(key)
	if err != nil {
		return nil, nil, &StoreError{op, err}
	}
	if r == nil {
		return nil, nil, nil
	}
	for i := range r.Values {
		s := &r.Values[i]
		if s.Place == 0 {
			erased = append(erased, s.Path)
			continue
		}
		k, ok, err := l.openingKeys.get(s.Place)
		if err == nil && !ok { // the key was destroyed, and the end came before the record said so
			erased = append(erased, s.Path)
			continue
		}
		var o envelope.Opening
		if err == nil {
			o, err = open(k, key, s)
		}
		if err != nil {
			return nil, nil, &StoreError{op, err}
		}
		list = append(list, o)
	}
	return list, erased, nil
}

// Shown is an event as one party may see it.
type Shown struct {
	Recorded *opal.Recorded
	// Withheld are the paths of private values that this party may not see or that are not kept here, Erased those that nobody can see any more.
	Withheld, Erased []string
}

// Show gives an event with the private values that a party may see: its own, and those that were shown to it. The event itself is left as it is.
func (l *Log) Show(e *Event, party string) (*Shown, error) {
	s, err := envelope.DecodeStatement(e.Statement)
	if err != nil {
		return nil, fmt.Errorf("read the statement of %s: %w", e.ID(), err)
	}
	out := &Shown{Recorded: e.Recorded}
	if len(s.Commitments) == 0 {
		return out, nil
	}
	list, erased, err := l.OpeningsOf(e)
	if err != nil {
		return nil, err
	}
	var seen []envelope.Opening
	for i := range list {
		ok := party == e.Recorded.Event.Party
		if !ok && party != "" {
			if ok, err = l.isShown(e, list[i].Path, party); err != nil {
				return nil, err
			}
		}
		if ok {
			seen = append(seen, list[i])
		}
	}
	for _, c := range s.Commitments {
		switch {
		case slices.Contains(erased, c.Path):
			out.Erased = append(out.Erased, c.Path)
		case !slices.ContainsFunc(seen, func(o envelope.Opening) bool { return o.Path == c.Path }):
			out.Withheld = append(out.Withheld, c.Path)
		}
	}
	if len(seen) == 0 {
		return out, nil
	}
	if err := s.Reveal(seen); err != nil {
		return nil, &StoreError{"read the private values of " + e.ID(), err}
	}
	r := *e.Recorded
	r.Event = s.Event
	r.Event.Party = e.Recorded.Event.Party
	out.Recorded = &r
	return out, nil
}

func (l *Log) isShown(e *Event, path, party string) (bool, error) {
	_, closer, err := l.openings.Get(shownKey(party, keyOfEvent(e), path))
	if errors.Is(err, pebble.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, &StoreError{"read who may see the private values of " + e.ID(), err}
	}
	return true, closer.Close()
}

// Reveal lets a party see one private value of an event from now on. It is on disk when it returns.
func (l *Log) Reveal(e *Event, path, party string) error {
	list, erased, err := l.OpeningsOf(e)
	switch {
	case err != nil:
		return err
	case slices.Contains(erased, path):
		return fault.New(fault.InvalidField, "path", "found %q, which was erased; accepted is a private value that is kept", path)
	case !slices.ContainsFunc(list, func(o envelope.Opening) bool { return o.Path == path }):
		return fault.New(fault.InvalidField, "path", "found %q, accepted is one of the event's private values%s", path, listed(list))
	}
	batch := l.openings.NewBatch()
	defer batch.Close()
	const op = "note who may see a private value"
	if err := batch.Set(shownKey(party, keyOfEvent(e), path), nil, nil); err != nil {
		return &StoreError{op, err}
	}
	return l.commitOpenings(batch, op)
}

func listed(list []envelope.Opening) string {
	text := ""
	for i := range list {
		if text += ", "; i == 0 {
			text = ": "
		}
		text += list[i].Path
	}
	return text
}

// Erase destroys the keys of private values of an event; none named: of all. What the log itself holds of them is a commitment, which stays. The keys are gone from
// the disk when it returns, and it answers the paths that were erased now or before.
func (l *Log) Erase(e *Event, paths []string) ([]string, error) {
	const op = "erase private values"
	l.sealing.Lock()
	defer l.sealing.Unlock()
	key := keyOfEvent(e)
	r, err := l.openingsRecord(key)
	if err != nil {
		return nil, &StoreError{op, err}
	}
	if r == nil {
		r = &sealedOpenings{Version: sealedVersion}
	}
	for i, p := range paths {
		if !slices.ContainsFunc(r.Values, func(s sealedOpening) bool { return s.Path == p }) {
			return nil, fault.New(fault.InvalidField, fmt.Sprintf("paths[%d]", i), "found %q, accepted is one of the event's private values that are kept here", p)
		}
	}
	var places []uint64
	var erased []string
	for i := range r.Values {
		s := &r.Values[i]
		if len(paths) > 0 && !slices.Contains(paths, s.Path) {
			continue
		}
		if erased = append(erased, s.Path); s.Place != 0 {
			places = append(places, s.Place)
		}
		s.Place, s.Sealed = 0, nil
	}
	if len(places) == 0 {
		return erased, nil
	}
	if err := l.openingKeys.destroy(places); err != nil {
		l.guard.fail(err)
		return nil, &StoreError{op, err}
	}
	batch := l.openings.NewBatch()
	defer batch.Close()
	if err := setOpenings(batch, key, r); err != nil {
		return nil, &StoreError{op, err}
	}
	return erased, l.commitOpenings(batch, op)
}

// sealPlain seals the records of an older version, in which values stood as they were, and clears the old bytes out of the store.
func (l *Log) sealPlain() error {
	const op = "seal private values"
	var plain []*EventOpenings
	it, err := l.openings.NewIter(&pebble.IterOptions{LowerBound: []byte{shownPrefix + 1}})
	if err != nil {
		return &StoreError{op, err}
	}
	for ok := it.First(); ok; ok = it.Next() {
		key := it.Key()
		list, err := envelope.DecodeOpenings(bytes.Clone(it.Value()))
		if err != nil {
			continue // sealed, or damaged, which is found when it is read
		}
		if n := len(key) - 49; n > 0 {
			plain = append(plain, &EventOpenings{string(key[:n]), opal.RequestID(key[n+1 : n+17]), [32]byte(key[n+17:]), list})
		}
	}
	if err := errors.Join(it.Error(), it.Close()); err != nil {
		return &StoreError{op, err}
	}
	if len(plain) == 0 {
		return nil
	}
	if err := l.putSealed(plain, op); err != nil {
		return err
	}
	if err := l.flush(l.openings); err != nil {
		return err
	}
	if err := l.openings.Compact(context.Background(), []byte{0}, []byte{0xff}, false); err != nil {
		return &StoreError{op, err}
	}
	return nil
}
