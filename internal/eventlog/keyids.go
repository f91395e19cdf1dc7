//go:build !js

package eventlog

import (
	"errors"
	"fmt"
	"slices"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/envelope"
)

// Signers answers the ids of the keys that signed the envelope of the event at a position; none: there is no such event.
func (l *Log) Signers(position uint64) (keyIDs []string, err error) {
	e, err := l.At(position)
	if e == nil || err != nil {
		return nil, err
	}
	err = l.blockRecords(position, func(_ uint64, r *blockRecord) (bool, error) {
		if int(e.Envelope) >= len(r.Envelopes) {
			return false, l.bad(blockKey(position), fmt.Errorf("the event at %d is of envelope %d, and there are %d", position, e.Envelope, len(r.Envelopes)))
		}
		signed, err := envelope.Decode(r.Envelopes[e.Envelope])
		if err != nil {
			return false, l.bad(blockKey(position), err)
		}
		for _, s := range signed.Signatures {
			keyIDs = append(keyIDs, s.KeyID)
		}
		return false, nil
	})
	return keyIDs, err
}

// blockSigners are the ids of the keys that signed each envelope of a block; those of the intake alone, as mostly, stand once for all.
type blockSigners struct {
	envelopes  int
	all        []string
	byEnvelope [][]string
}

func (b *blockSigners) of(envelope uint32) ([]string, bool) {
	switch {
	case int(envelope) >= b.envelopes:
		return nil, false
	case b.byEnvelope == nil:
		return b.all, true
	}
	return b.byEnvelope[envelope], true
}

// signersKept bounds the blocks whose signers are remembered, some hundred bytes each.
const signersKept = 1 << 16

// SignersOf answers a question for the ids of the keys that signed for an event, for whoever asks it of many; done must be called when all is asked. What was found of a
// block is remembered, since those who read one event of it mostly read others too.
func (l *Log) SignersOf() (of func(*Event) ([]string, error), done func() error, err error) {
	it, err := l.db.NewIter(&pebble.IterOptions{LowerBound: []byte{kindBlock}, UpperBound: after([]byte{kindBlock})})
	if err != nil {
		return nil, nil, l.bad([]byte{kindBlock}, err)
	}
	return func(e *Event) ([]string, error) {
		position := e.Recorded.Position
		if !it.SeekLT(blockKey(position + 1)) {
			return nil, l.bad(blockKey(position), errors.Join(it.Error(), errors.New("there is no block of it")))
		}
		id := string(it.Key())
		known, ticket := l.signed.get(id)
		if known == nil {
			value, err := it.ValueAndErr()
			if err == nil {
				known, err = l.signersIn(value)
			}
			if err != nil {
				return nil, l.bad([]byte(id), err)
			}
			l.signed.fill(id, known, ticket)
		}
		ids, ok := known.of(e.Envelope)
		if !ok {
			return nil, l.bad([]byte(id), fmt.Errorf("the event at %d is of envelope %d, and there are %d", position, e.Envelope, known.envelopes))
		}
		return ids, nil
	}, it.Close, nil
}

func (l *Log) signersIn(record []byte) (*blockSigners, error) {
	r := new(blockRecord)
	if err := l.codecs.block.Decode(record, r); err != nil {
		return nil, err
	}
	if len(r.Envelopes) == 0 {
		return nil, errors.New("it has no envelopes")
	}
	out := &blockSigners{envelopes: len(r.Envelopes)}
	for _, b := range r.Envelopes {
		signed, err := envelope.Decode(b)
		if err != nil {
			return nil, err
		}
		ids := make([]string, len(signed.Signatures))
		for i := range ids {
			ids[i] = signed.Signatures[i].KeyID
		}
		out.byEnvelope = append(out.byEnvelope, ids)
	}
	if first := out.byEnvelope[:1]; !slices.ContainsFunc(out.byEnvelope, func(ids []string) bool { return !slices.Equal(ids, first[0]) }) {
		out.all, out.byEnvelope = first[0], nil
	}
	return out, nil
}
