package bundle

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/receipt"
)

// Checked is a bundle whose every part held. It answers what services/status asks of a log, of its events alone.
type Checked struct {
	// VerifierKey is the log's key. Anchored: the caller brought it; else it is the one that the first event names, and anybody could have made that up.
	VerifierKey string
	Anchored    bool
	Checkpoint  *receipt.Checkpoint
	Epoch       [16]byte
	Lot, AsOf   string
	// Status is the answer as JSON, which is still to be computed anew.
	Status []byte
	// RuleTable is the SHA-256 of the rule table that came along.
	RuleTable [32]byte
	List      []*eventlog.Event
	// OwnKey counts the events that their party's own key signed; the others the service attests by the party's token.
	OwnKey int
	// Since is the size of the older log of which the bundle proves that it is the beginning; 0: of none.
	Since uint64

	hashes  [][]byte
	signers map[uint64][]string
	books   *books
	byID    map[string]*eventlog.Event
}

// Check checks a bundle. With verifierKey "" the key that the log's first event names is taken.
func Check(data []byte, verifierKey string) (*Checked, error) {
	parts, err := Read(data)
	if err != nil {
		return nil, err
	}
	k := &checking{out: &Checked{VerifierKey: verifierKey, Anchored: verifierKey != "", signers: map[uint64][]string{}, byID: map[string]*eventlog.Event{}, books: newBooks()}}
	if err := k.sort(parts); err != nil {
		return nil, err
	}
	if err := k.anchor(); err != nil {
		return nil, err
	}
	if err := k.index(parts); err != nil {
		return nil, err
	}
	if err := k.events(); err != nil {
		return nil, err
	}
	return k.out, k.closing()
}

// checking is a bundle being checked.
type checking struct {
	out                *Checked
	checkpoint, signed string
	envelopes          map[[32]byte]*sealed
	list               []record
}

// sealed is an envelope of the bundle.
type sealed struct {
	*envelope.Envelope
	used, verified bool
}

// record is one event's part.
type record struct {
	part string
	entry
	leaf  block.Leaf
	bytes []byte // of the leaf
}

// sort takes the parts by their names, which must stand in the order in which they are written.
func (k *checking) sort(parts []Part) error {
	k.envelopes = map[[32]byte]*sealed{}
	seen := map[string]bool{}
	for i := range parts {
		p := &parts[i]
		if seen[p.Name] {
			return flaw(p.Name, "it stands there twice")
		}
		seen[p.Name] = true
		if err := k.part(p); err != nil {
			return err
		}
	}
	for _, name := range [...]string{partCheckpoint, partRules, partStatus, partIndex} {
		if !seen[name] {
			return flaw(name, "it is not in the file")
		}
	}
	if len(k.list) == 0 || k.list[0].leaf.Position != 0 {
		return flaw(partEvent+"0", "the event that opened the log is not in the file")
	}
	if parts[len(parts)-1].Name != partIndex {
		return flaw(partIndex, "found parts behind it, accepted are none")
	}
	return nil
}

func (k *checking) part(p *Part) error {
	switch name := p.Name; {
	case name == partCheckpoint:
		k.checkpoint = string(p.Content)
	case name == partRules:
		k.out.RuleTable = sha256.Sum256(p.Content)
	case name == partStatus:
		k.out.Status = p.Content
	case name == partIndex:
		k.signed = string(p.Content)
	case strings.HasPrefix(name, partConsistency):
		return k.consistency(p)
	case strings.HasPrefix(name, partEnvelope):
		hash := sha256.Sum256(p.Content)
		if name != partEnvelope+hex.EncodeToString(hash[:]) {
			return flaw(name, "its SHA-256 is %x", short(hash))
		}
		e, err := envelope.Decode(p.Content)
		if err != nil {
			return flaw(name, "%v", err)
		}
		k.envelopes[hash] = &sealed{Envelope: e}
	case strings.HasPrefix(name, partEvent):
		return k.event(p)
	default:
		return flaw(name, "it is no part of a bundle of this version")
	}
	return nil
}

func (k *checking) consistency(p *Part) error {
	since, err := strconv.ParseUint(strings.TrimPrefix(p.Name, partConsistency), 10, 63)
	if err != nil || since < 1 || p.Name != partConsistency+strconv.FormatUint(since, 10) {
		return flaw(p.Name, "accepted is a name that ends with a size")
	}
	var c consistency
	if err := consistencies.Decode(p.Content, &c); err != nil {
		return flaw(p.Name, "%v", err)
	}
	if k.out.Since != 0 {
		return flaw(p.Name, "found a second proof of consistency, accepted is one")
	}
	k.out.Since = since
	for i := range c.Hashes {
		k.out.hashes = append(k.out.hashes, c.Hashes[i][:])
	}
	return nil
}

func (k *checking) event(p *Part) error {
	r := record{part: p.Name}
	if err := entries.Decode(p.Content, &r.entry); err != nil {
		return flaw(p.Name, "%v", err)
	}
	leaf, err := block.DecodeLeaf(r.Leaf)
	if err != nil {
		return flaw(p.Name, "its entry: %v", err)
	}
	r.leaf, r.bytes = leaf, r.Leaf
	if p.Name != partEvent+strconv.FormatUint(leaf.Position, 10) {
		return flaw(p.Name, "its entry is that of position %d", leaf.Position)
	}
	if n := len(k.list); n > 0 && k.list[n-1].leaf.Position >= leaf.Position {
		return flaw(p.Name, "it does not stand in its order")
	}
	if k.list = append(k.list, r); len(k.list) > MaxEvents {
		return flaw(p.Name, "found more than %d events, accepted are at most as many", MaxEvents)
	}
	return nil
}

// anchor finds the key by which the checkpoint is verified, and verifies it.
func (k *checking) anchor() error {
	keys := []string{k.out.VerifierKey}
	if !k.out.Anchored {
		var err error
		if keys, err = k.named(); err != nil {
			return err
		}
	}
	var first error
	for _, key := range keys {
		c, err := receipt.ReadCheckpoint(k.checkpoint, key)
		if err == nil {
			k.out.VerifierKey, k.out.Checkpoint = key, c
			return nil
		}
		if first == nil {
			first = err
		}
	}
	return first
}

// named are the checkpoint keys that the log's own events name.
func (k *checking) named() ([]string, error) {
	origin, _, _ := strings.Cut(k.checkpoint, "\n")
	var keys []string
	for i := range k.list {
		s, err := envelope.DecodeStatement(k.list[i].Statement)
		if err != nil {
			return nil, flaw(k.list[i].part, "%v", err)
		}
		var public [32]byte
		switch {
		case s.Event.LogOpened != nil:
			public = s.Event.LogOpened.CheckpointKey
		case s.Event.KeyAdded != nil && s.Event.KeyAdded.Use == opal.UseCheckpoint:
			public = s.Event.KeyAdded.PublicKey
		default:
			continue
		}
		key, err := note.NewEd25519VerifierKey(origin, public[:])
		if err != nil {
			return nil, flaw(partCheckpoint, "found the origin %q, accepted is a log's name and epoch", clip(origin))
		}
		keys = append(keys, key)
	}
	if len(keys) == 0 {
		return nil, flaw(partEvent+"0", "it names no checkpoint key")
	}
	return keys, nil
}

// index verifies the log's word that these parts are all there are.
func (k *checking) index(parts []Part) error {
	v, err := note.NewVerifier(k.out.VerifierKey)
	if err != nil {
		return fmt.Errorf("read the log key: %w", err)
	}
	signed, err := note.Open([]byte(k.signed), note.VerifierList(v))
	if err != nil {
		return flaw(partIndex, "its signature does not hold for the log key of %s: %v", v.Name(), err)
	}
	lines := strings.Split(signed.Text, "\n")
	if len(lines) != 8 {
		return flaw(partIndex, "found %d lines, accepted are 7", len(lines)-1)
	}
	c := k.out.Checkpoint
	k.out.Lot, k.out.AsOf = lines[3], lines[4]
	if want := IndexText(c.Origin, uint64(c.Tree.N), k.out.Lot, k.out.AsOf, parts[:len(parts)-1]); signed.Text != want {
		return flaw(partIndex, "it is not of the parts that stand before it, or not of the checkpoint's log and size")
	}
	return nil
}

// events checks each event: that it is in the log, that its party or the service for it signed it with a key that counted, and that the accounts accept it as they did.
func (k *checking) events() error {
	tree := k.out.Checkpoint.Tree
	k.out.Epoch = k.list[0].leaf.Epoch
	var last opal.Instant
	for i := range k.list {
		r := &k.list[i]
		if r.leaf.Position >= uint64(tree.N) {
			return flaw(r.part, "its position lies behind the checkpoint of %d events", tree.N)
		}
		proof := make(tlog.RecordProof, len(r.Proof))
		for j, h := range r.Proof {
			proof[j] = tlog.Hash(h)
		}
		if err := tlog.CheckRecord(proof, tree.N, tree.Hash, int64(r.leaf.Position), tlog.Hash(block.LeafHash(r.bytes))); err != nil {
			return flaw(r.part, "its hashes do not lead from its entry to the root of the checkpoint: %v", err)
		}
		if r.leaf.Epoch != k.out.Epoch {
			return flaw(r.part, "its entry is of another log than the first event's")
		}
		if r.leaf.RecordedAt < last {
			return flaw(r.part, "it was recorded before the one before it")
		}
		last = r.leaf.RecordedAt
		if err := k.one(r); err != nil {
			var f *receipt.Flaw
			if errors.As(err, &f) {
				return f
			}
			return flaw(r.part, "%v", err)
		}
	}
	for hash, e := range k.envelopes {
		if !e.used {
			return flaw(partEnvelope+hex.EncodeToString(hash[:]), "no event came in it")
		}
	}
	return nil
}

// one checks an event whose entry is in the log.
func (k *checking) one(r *record) error {
	env := k.envelopes[r.leaf.EnvelopeHash]
	if env == nil {
		return flaw(r.part, "the envelope %x in which it came is not in the file", short(r.leaf.EnvelopeHash))
	}
	env.used = true
	hash := sha256.Sum256(r.Statement)
	switch p := &env.Payload; {
	case hash != r.leaf.StatementHash:
		return flaw(r.part, "its statement is not the one that its entry names")
	case uint64(r.leaf.Index) >= uint64(len(p.Statements)) || p.Statements[r.leaf.Index] != hash:
		return flaw(r.part, "its statement is not the one that was signed")
	case block.OutcomeHash(r.Findings, r.Outcome) != r.leaf.OutcomeHash:
		return flaw(r.part, "its findings or its computed outcome are not those that its entry names")
	}
	e, err := eventlog.NewEvent(env.Payload.Party, r.Statement, hash)
	if err != nil {
		return err
	}
	e.Index = r.leaf.Index
	if err := e.SetOutcome(r.Outcome); err != nil {
		return err
	}
	b := k.out.books
	if err := e.Place(b, r.leaf.Position, r.leaf.RecordedAt); err != nil {
		return err
	}
	if k.out.byID[e.ID()] != nil {
		return flaw(r.part, "its id %s stands there twice", e.ID())
	}
	if err := k.signatures(env, e); err != nil {
		return err
	}
	e.Recorded.Findings = r.Findings
	findings, refusal, err := b.judge(e)
	switch {
	case err != nil:
		return err
	case refusal != nil:
		return flaw(r.part, "judged anew it is refused: %v", refusal)
	case !slices.Equal(withoutLine(findings), withoutLine(r.Findings)):
		return flaw(r.part, "judged anew it leads to other findings than the log noted")
	}
	if err := b.put(e); err != nil {
		return err
	}
	k.out.List = append(k.out.List, e)
	k.out.byID[e.ID()] = e
	return nil
}

// withoutLine leaves out the finding that rests on the events of all relatives.
func withoutLine(list []opal.Finding) []opal.Finding {
	return slices.DeleteFunc(slices.Clone(list), func(f opal.Finding) bool { return f.Code == opal.FindLineGain })
}

func (k *checking) signatures(env *sealed, e *eventlog.Event) error {
	part := partEvent + strconv.FormatUint(e.Recorded.Position, 10)
	b := k.out.books
	log, err := b.Log()
	if err != nil {
		return err
	}
	opened := e.Recorded.Event.LogOpened
	origin, _, _ := strings.Cut(k.out.Checkpoint.Text, "\n")
	switch {
	case opened != nil:
		if err := eventlog.CheckOpening(env.Envelope, opened); err != nil {
			return flaw(part, "its envelope: %v", err)
		}
		if want := opened.LogName + "/" + hex.EncodeToString(opened.Epoch[:]); origin != want || opened.Epoch != k.out.Epoch {
			return flaw(part, "it opened the log %s, and the checkpoint is of %s", want, origin)
		}
	case log == nil || env.Payload.LogName != log.Name:
		return flaw(part, "it was signed for the log %q", clip(env.Payload.LogName))
	default:
		refusal, err := eventlog.CheckSigners(b, env.Envelope, e.Recorded.Position)
		if err == nil && refusal != nil {
			err = refusal
		}
		if err == nil && !env.verified { // what was signed does not depend on the place
			err = eventlog.CheckSignatures(b, env.Envelope)
			env.verified = err == nil
		}
		if err != nil {
			return flaw(part, "its envelope: %v", err)
		}
		if b.own(env.Envelope) {
			k.out.OwnKey++
		}
	}
	for _, s := range env.Signatures {
		k.out.signers[e.Recorded.Position] = append(k.out.signers[e.Recorded.Position], s.KeyID)
	}
	return nil
}

// closing checks what can be said only once all events are on the books.
func (k *checking) closing() error {
	log, err := k.out.books.Log()
	if err != nil {
		return err
	}
	if t := log.Policy.RuleTable; t != ([32]byte{}) && t != k.out.RuleTable {
		return flaw(partRules, "it is not the rule table that the log's policy names")
	}
	if l, _ := k.out.books.Memory.Lot(k.out.Lot); l == nil {
		return flaw(partIndex, "it names the lot %q, which no event opens", clip(k.out.Lot))
	}
	if !k.out.Anchored { // the key must have counted when the checkpoint was signed
		admin, _ := k.out.books.Memory.Party(opal.Admin)
		for i := range admin.Keys {
			key := &admin.Keys[i]
			text, err := note.NewEd25519VerifierKey(k.out.Checkpoint.Origin, key.Public[:])
			if err == nil && text == k.out.VerifierKey && key.Use == opal.UseCheckpoint && key.RevokedAt == nil {
				return nil
			}
		}
		return flaw(partCheckpoint, "it is signed by a key that the log had revoked")
	}
	return nil
}

// Follows checks that the log of an older checkpoint is the beginning of the bundle's.
func (c *Checked) Follows(older *receipt.Checkpoint) error {
	n := uint64(older.Tree.N)
	if older.Origin == c.Checkpoint.Origin && n < uint64(c.Checkpoint.Tree.N) && n != c.Since {
		return fmt.Errorf("the bundle has no proof that the log of %d events is its beginning; ask for one with since=%d", n, n)
	}
	return receipt.Follows(older, c.Checkpoint, c.hashes)
}

// The answers about the events alone.

// Recorded finds an event by its id.
func (c *Checked) Recorded(id string) (*opal.Recorded, error) {
	if e := c.byID[id]; e != nil {
		return e.Recorded, nil
	}
	return nil, nil
}

// Event finds an event by its id.
func (c *Checked) Event(id string) (*eventlog.Event, error) { return c.byID[id], nil }

// At finds an event by its position.
func (c *Checked) At(position uint64) (*eventlog.Event, error) {
	i, ok := slices.BinarySearchFunc(c.List, position, func(e *eventlog.Event, p uint64) int {
		switch {
		case e.Recorded.Position < p:
			return -1
		case e.Recorded.Position > p:
			return 1
		}
		return 0
	})
	if !ok {
		return nil, nil
	}
	return c.List[i], nil
}

// Events calls f with the events of a lot at positions from ≤ p < to, in order.
func (c *Checked) Events(lot string, from, to uint64, f func(*eventlog.Event) error) error {
	for _, e := range c.List {
		if p := e.Recorded.Position; e.Recorded.Event.Lot == lot && p >= from && p < to {
			if err := f(e); err != nil {
				return err
			}
		}
	}
	return nil
}

// Signers answers the ids of the keys that signed for the event at a position.
func (c *Checked) Signers(position uint64) ([]string, error) { return c.signers[position], nil }

// SignersOf answers the same for events at hand.
func (c *Checked) SignersOf() (of func(*eventlog.Event) ([]string, error), done func() error, err error) {
	return func(e *eventlog.Event) ([]string, error) { return c.signers[e.Recorded.Position], nil }, func() error { return nil }, nil
}

// KeyHolder names the party of a key.
func (c *Checked) KeyHolder(id string) (string, error) { return c.books.KeyHolder(id) }
