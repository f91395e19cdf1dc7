//go:build !js

package eventlog

import (
	"encoding/binary"
	"errors"
	"fmt"
	"sort"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// lookUp reads a record through a memo.
func lookUp[T any](l *Log, m *memo[T], codec *canon.Codec[T], kind byte, id string) (*T, error) {
	v, ticket := m.get(id)
	if v != nil {
		return v, nil
	}
	key := textKey(kind, id)
	if kind != kindParty && !l.known.mayHold(key) {
		return nil, nil
	}
	b, err := l.get(key)
	if err != nil || b == nil {
		return nil, err
	}
	v = new(T)
	if err := codec.Decode(b, v); err != nil {
		return nil, l.bad(key, err)
	}
	m.fill(id, v, ticket)
	return v, nil
}

// Lot gives a lot's account; nil: there is none. What it answers must not be changed.
func (l *Log) Lot(id string) (*account.Lot, error) {
	return lookUp(l, l.lots, l.codecs.lot, kindLot, id)
}

// Line gives the balance of a root lot's line; nil: there is none.
func (l *Log) Line(root string) (*account.Line, error) {
	return lookUp(l, l.lines, l.codecs.line, kindLine, root)
}

// Party gives a directory entry; nil: there is none.
func (l *Log) Party(id string) (*account.Party, error) {
	return lookUp(l, l.parties, l.codecs.party, kindParty, id)
}

// Log gives what belongs to no lot; nil: the log is not opened.
func (l *Log) Log() (*account.Log, error) { return l.state.Load(), nil }

// KeyHolder names the party that a key is of; "": nobody.
func (l *Log) KeyHolder(keyID string) (string, error) {
	return l.owner(textKey(kindKey, keyID))
}

// owner finds the party under the key of a signing key or a token. Neither ever passes to another party, so what was found once stays true.
func (l *Log) owner(key []byte) (string, error) {
	p, ticket := l.owners.get(string(key))
	if p != nil {
		return *p, nil
	}
	b, err := l.get(key)
	if err != nil || b == nil {
		return "", err
	}
	party := string(b)
	l.owners.fill(string(key), &party, ticket)
	return party, nil
}

// TokenParty finds a token by its hash, with the party that it is of. Whether it is revoked or has expired is the caller's to judge.
func (l *Log) TokenParty(hash [32]byte) (*account.Party, *account.Token, bool, error) {
	id, err := l.owner(tokenKey(hash))
	if err != nil || id == "" {
		return nil, nil, false, err
	}
	p, err := l.Party(id)
	if err != nil {
		return nil, nil, false, err
	}
	if p != nil {
		for i := range p.Tokens {
			if p.Tokens[i].Hash == hash {
				return p, &p.Tokens[i], true, nil
			}
		}
	}
	return nil, nil, false, l.bad(tokenKey(hash), fmt.Errorf("the party %q has no such token", id))
}

// Posted says what is known of an event id; nil: nothing.
func (l *Log) Posted(party string, id opal.RequestID) (*Posted, error) {
	key := postedKey(party, id)
	if !l.known.mayHold(key) {
		return nil, nil
	}
	b, err := l.get(key)
	if err != nil || b == nil {
		return nil, err
	}
	p, err := decodePosted(b)
	if err != nil {
		return nil, l.bad(key, err)
	}
	return p, nil
}

// Event gives an event by its id "<party>/<requestId>"; nil: there is none. Private fields are empty: see OpeningsOf.
func (l *Log) Event(id string) (*Event, error) {
	party, request, err := opal.SplitEventID(id)
	if err != nil {
		return nil, nil // what is no id names no event
	}
	p, err := l.Posted(party, request)
	if err != nil || p == nil {
		return nil, err
	}
	return l.eventAt(p.Lot, p.Position)
}

// Recorded implements account.View.
func (l *Log) Recorded(id string) (*opal.Recorded, error) {
	e, err := l.Event(id)
	if err != nil || e == nil {
		return nil, err
	}
	return e.Recorded, nil
}

func (l *Log) eventAt(lot string, position uint64) (*Event, error) {
	key := eventKey(lot, position)
	b, err := l.get(key)
	if err != nil {
		return nil, err
	}
	if b == nil {
		return nil, l.bad(key, errors.New("there is none"))
	}
	return l.decodeEvent(key, b, position)
}

// decodeEvent decodes an event record whose bytes are the caller's.
func (l *Log) decodeEvent(key, b []byte, position uint64) (*Event, error) {
	e, err := decodeEvent(b, l.codecs, position)
	if err != nil {
		return nil, l.bad(key, err)
	}
	return e, nil
}

// At gives the event at a position; nil: there is none yet.
func (l *Log) At(position uint64) (*Event, error) {
	if next, _ := l.Next(); position >= next {
		return nil, nil
	}
	var lot string
	err := l.blockRecords(position, func(first uint64, r *blockRecord) (bool, error) {
		if i := position - first; position >= first && i < uint64(len(r.Lots)) {
			lot = r.Lots[i]
			return false, nil
		}
		return false, l.bad(blockKey(position), fmt.Errorf("no block has position %d, the nearest begins at %d", position, first))
	})
	if err != nil {
		return nil, err
	}
	return l.eventAt(lot, position)
}

// Events calls f for the events of one lot (those whose Event.Lot it is) with positions from (inclusive) to (exclusive), oldest
// first, until f answers an error, which it passes on.
func (l *Log) Events(lot string, from, to uint64, f func(*Event) error) error {
	lower, upper := eventKey(lot, from), eventKey(lot, to)
	return l.scan(lower, upper, func(key, value []byte) (bool, error) {
		position := binary.BigEndian.Uint64(key[len(key)-8:])
		e, err := l.decodeEvent(key, append([]byte(nil), value...), position)
		if err != nil {
			return false, err
		}
		return true, f(e)
	})
}

// History implements account.View.
func (l *Log) History(lot string) ([]opal.Recorded, error) {
	var list []opal.Recorded
	err := l.Events(lot, 0, Unbounded, func(e *Event) error {
		list = append(list, *e.Recorded)
		return nil
	})
	return list, err
}

// scan calls f for the records between two keys, in order, until it answers false. The slices are lent.
func (l *Log) scan(lower, upper []byte, f func(key, value []byte) (bool, error)) error {
	it, err := l.db.NewIter(&pebble.IterOptions{LowerBound: lower, UpperBound: upper})
	if err != nil {
		return l.bad(lower, err)
	}
	for ok := it.First(); ok; ok = it.Next() {
		value, err := it.ValueAndErr()
		if err != nil {
			_ = it.Close()
			return l.bad(it.Key(), err)
		}
		more, err := f(it.Key(), value)
		if err != nil || !more {
			return errors.Join(err, it.Close())
		}
	}
	if err := errors.Join(it.Error(), it.Close()); err != nil {
		return l.bad(lower, err)
	}
	return nil
}

// blockRecords calls f for the block that holds a position and those behind it, until it answers false.
func (l *Log) blockRecords(from uint64, f func(first uint64, r *blockRecord) (bool, error)) error {
	it, err := l.db.NewIter(&pebble.IterOptions{LowerBound: []byte{kindBlock}, UpperBound: after([]byte{kindBlock})})
	if err != nil {
		return l.bad(blockKey(from), err)
	}
	ok := it.SeekLT(blockKey(from + 1))
	if !ok && it.Error() == nil {
		ok = it.First()
	}
	for ; ok; ok = it.Next() {
		key := append([]byte(nil), it.Key()...)
		value, err := it.ValueAndErr()
		r := new(blockRecord)
		if err == nil {
			err = l.codecs.block.Decode(append([]byte(nil), value...), r)
		}
		if err == nil && len(key) != 9 {
			err = errors.New("the key is not one of a block")
		}
		if err != nil {
			_ = it.Close()
			return l.bad(key, err)
		}
		more, err := f(binary.BigEndian.Uint64(key[1:]), r)
		if err != nil || !more {
			return errors.Join(err, it.Close())
		}
	}
	if err := errors.Join(it.Error(), it.Close()); err != nil {
		return l.bad(blockKey(from), err)
	}
	return nil
}

// Tail calls f for the blocks from the one that holds a position on, in order, up to the head as it is when Tail is called; for
// those behind, Wait and call again. The newest blocks come from memory.
func (l *Log) Tail(from uint64, f func(*Applied) error) error {
	for {
		head := l.Head()
		if from >= head.Next {
			return nil
		}
		if recent := l.recentFrom(from); len(recent) > 0 {
			for _, a := range recent {
				if err := f(a); err != nil {
					return err
				}
			}
			return nil
		}
		a, err := l.remake(from)
		if err != nil {
			return err
		}
		if err := f(a); err != nil {
			return err
		}
		from = a.Block.First + uint64(len(a.Block.Events))
	}
}

// recentFrom gives the blocks in memory from the one that holds a position on; none if that one is not in memory.
func (l *Log) recentFrom(from uint64) []*Applied {
	l.mu.RLock()
	defer l.mu.RUnlock()
	if len(l.recent) == 0 || l.recent[0].Block.First > from {
		return nil
	}
	n := sort.Search(len(l.recent), func(i int) bool { return l.recent[i].Block.First > from })
	return append([]*Applied(nil), l.recent[n-1:]...)
}

// Blocks is Tail without the decoded events.
func (l *Log) Blocks(from uint64, f func(*block.Block) error) error {
	return l.Tail(from, func(a *Applied) error { return f(a.Block) })
}

// remake makes the block that holds a position anew, from the records of the store alone.
func (l *Log) remake(position uint64) (*Applied, error) {
	var first uint64
	var r *blockRecord
	err := l.blockRecords(position, func(at uint64, record *blockRecord) (bool, error) {
		first, r = at, record
		return false, nil
	})
	if err != nil {
		return nil, err
	}
	if r == nil || position < first || position-first >= uint64(len(r.Lots)) {
		return nil, l.bad(blockKey(position), fmt.Errorf("no block has position %d", position))
	}
	state := l.state.Load()
	if state == nil {
		return nil, l.bad(stateKey(), errors.New("there is none"))
	}
	a := &Applied{Seq: r.Seq, Hash: r.Hash, Events: make([]*opal.Recorded, len(r.Lots)), Block: &block.Block{
		Format: r.Format, LeastReader: r.LeastReader, Epoch: state.Epoch, LogName: state.Name, First: first, Prev: r.Prev, Root: r.Root,
		RecordedAt: r.RecordedAt, PolicyVersion: r.PolicyVersion, Sequencer: r.Sequencer, Envelopes: r.Envelopes,
		Events: make([]block.Entry, len(r.Lots)),
	}}
	for i, lot := range r.Lots {
		e, err := l.eventAt(lot, first+uint64(i))
		if err != nil {
			return nil, err
		}
		a.Events[i] = e.Recorded
		a.Block.Events[i] = block.Entry{
			Envelope: e.Envelope, Index: e.Index, Statement: e.Statement, Findings: e.Recorded.Findings, Outcome: e.Outcome,
		}
	}
	return a, nil
}

// BlockBytes makes the bytes of the block that holds a position anew from the store, as the journal holds them, and says at which
// sequence. It fails if they do not have the hash that the block had when it was applied.
func (l *Log) BlockBytes(position uint64) (seq uint64, data []byte, err error) {
	a, err := l.remake(position)
	if err != nil {
		return 0, nil, err
	}
	data, err = a.Block.Encode()
	if err != nil {
		return 0, nil, l.bad(blockKey(a.Block.First), err)
	}
	if block.Hash(data) != a.Hash {
		return 0, nil, l.bad(blockKey(a.Block.First), fmt.Errorf("the block made from it has the hash %x, it was %x", block.Hash(data), a.Hash))
	}
	return a.Seq, data, nil
}
