//go:build !js

package eventlog

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/canon"
)

// Staged is a block whose records are written out, ready to go into the store in one step. It is made while the journal is still
// writing the same block, and either committed or dropped.
type Staged struct {
	sealed *Sealed
	batch  *pebble.Batch
	edge   *edge
}

// Drop gives up a staged block that was not committed.
func (st *Staged) Drop() {
	if st.batch != nil {
		_ = st.batch.Close() // nothing was written
		st.batch = nil
	}
}

// Stage writes out the records of a block that follows the head. Nothing of it can be read before Commit.
func (l *Log) Stage(s *Sealed) (*Staged, error) {
	if h := l.Head(); s.Seq != h.Seq+1 || s.Block.First != h.Next {
		return nil, fmt.Errorf("stage %s behind block %d, position %d", s, h.Seq, h.Next)
	}
	st := &Staged{sealed: s, batch: l.db.NewBatchWithSize(len(s.Bytes)*3 + 4096)}
	if err := l.stage(st); err != nil {
		st.Drop()
		return nil, fmt.Errorf("stage %s: %w", s, err)
	}
	return st, nil
}

func (l *Log) stage(st *Staged) (err error) {
	s, d := st.sealed, st.sealed.Draft
	w := &l.writer
	w.reset()
	lots := make([]string, len(d.events))
	for i, e := range d.events {
		ev := &e.Recorded.Event
		lots[i] = ev.Lot
		w.begin()
		w.buf = appendEventKey(w.buf, ev.Lot, e.Recorded.Position)
		w.value()
		if w.buf, err = appendEvent(w.buf, l.codecs, e); err != nil {
			return err
		}
		w.begin()
		w.buf = appendPostedKey(w.buf, ev.Party, ev.RequestID)
		l.known.add(w.value())
		w.buf = appendPosted(w.buf, Posted{e.RequestHash, e.Recorded.Position, ev.Lot})
	}
	for id, v := range d.lots {
		l.known.add(setRecord(w, kindLot, id, l.codecs.lot, v))
	}
	for root, v := range d.lines {
		l.known.add(setRecord(w, kindLine, root, l.codecs.line, v))
	}
	for id, v := range d.parties {
		setRecord(w, kindParty, id, l.codecs.party, v)
		for i := range v.Tokens {
			w.set(tokenKey(v.Tokens[i].Hash), []byte(id))
		}
		for i := range v.Keys {
			w.set(textKey(kindKey, v.Keys[i].ID), []byte(id))
		}
	}
	if d.log != nil {
		setRecord(w, kindState, "", l.codecs.state, d.log)
	}
	b := s.Block
	setRecord(w, kindBlock, string(blockKey(b.First)[1:]), l.codecs.block, &blockRecord{
		Format: b.Format, LeastReader: b.LeastReader, Seq: s.Seq, Hash: s.Hash, Prev: b.Prev, Root: b.Root, RecordedAt: b.RecordedAt,
		PolicyVersion: b.PolicyVersion, Sequencer: b.Sequencer, Envelopes: b.Envelopes, Lots: lots, Leaves: joinHashes(s.leaves),
	})
	h := &s.After
	setRecord(w, kindHead, "", l.codecs.head, &headRecord{
		Seq: h.Seq, Hash: h.Hash, Next: h.Next, RecordedAt: h.RecordedAt, Epoch: h.Epoch, LogName: h.LogName, Frontier: h.tree.Hashes(),
	})
	if st.edge, err = l.growTiles(w, s.leaves); err != nil {
		return err
	}
	return w.into(st.batch)
}

// writer gathers the records of a block, one behind the other in one buffer, and puts them into a batch in the order of their keys:
// the store finds the place of a key much faster from that of a neighbour.
type writer struct {
	buf     []byte
	records []span
	err     error
}

// span is a record's place in the buffer: its key from at to key, its value from there to end.
type span struct{ at, key, end int }

func (w *writer) reset() {
	w.buf, w.records, w.err = w.buf[:0], w.records[:0], nil
}

// begin begins a record: what is appended to buf is its key until value, and its value until the next begin.
func (w *writer) begin() {
	w.end()
	w.records = append(w.records, span{at: len(w.buf)})
}

// value ends the key and lends it.
func (w *writer) value() []byte {
	r := &w.records[len(w.records)-1]
	r.key = len(w.buf)
	return w.buf[r.at:r.key]
}

func (w *writer) end() {
	if n := len(w.records); n > 0 && w.records[n-1].end == 0 {
		w.records[n-1].end = len(w.buf)
	}
}

func (w *writer) set(key, value []byte) {
	w.begin()
	w.buf = append(w.buf, key...)
	w.value()
	w.buf = append(w.buf, value...)
}

func (w *writer) into(batch *pebble.Batch) error {
	if w.err != nil {
		return w.err
	}
	w.end()
	slices.SortFunc(w.records, func(a, b span) int { return bytes.Compare(w.buf[a.at:a.key], w.buf[b.at:b.key]) })
	for _, r := range w.records {
		if err := batch.Set(w.buf[r.at:r.key], w.buf[r.key:r.end], nil); err != nil {
			return err
		}
	}
	return nil
}

// setRecord writes a record that is a structure, and lends its key.
func setRecord[T any](w *writer, kind byte, id string, codec *canon.Codec[T], v *T) []byte {
	w.begin()
	w.buf = appendTextKey(w.buf, kind, id)
	key := w.value()
	var err error
	if w.buf, err = codec.Append(w.buf, v); err != nil && w.err == nil {
		w.err = fmt.Errorf("encode the %s: %w", describeKey(key), err)
	}
	return key
}

// Commit puts a staged block into the store: all of it or, with an error, nothing. From then on it is read. An error is the
// store's, and fatal: the log takes no more events until it is opened again.
func (l *Log) Commit(st *Staged) error {
	err := l.guard.failed()
	if err == nil {
		err = st.batch.Commit(pebble.NoSync)
	}
	if err == nil {
		err = st.batch.Close()
		st.batch = nil
	}
	if err != nil {
		err = &StoreError{"write " + st.sealed.String(), err}
		l.guard.fail(err)
		return err
	}
	d := st.sealed.Draft
	l.lots.put(d.lots)
	l.lines.put(d.lines)
	if len(d.parties) > 0 {
		l.parties.put(d.parties)
	}
	if d.log != nil {
		l.state.Store(d.log)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.edge = st.edge
	l.head = st.sealed.After
	l.remember(st.sealed)
	close(l.grown)
	l.grown = make(chan struct{})
	return nil
}

// Records calls f for each record that the staged block puts into the store, in order. The slices are lent.
func (st *Staged) Records(f func(key, value []byte) error) error {
	for r := st.batch.Reader(); ; {
		_, key, value, ok, err := r.Next()
		if err != nil || !ok {
			return err
		}
		if err := f(key, value); err != nil {
			return err
		}
	}
}
