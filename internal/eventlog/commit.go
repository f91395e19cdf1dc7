package eventlog

import (
	"fmt"

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
	s, d, batch := st.sealed, st.sealed.Draft, st.batch
	w := &writer{batch: batch}
	lots := make([]string, len(d.events))
	for i, e := range d.events {
		ev := &e.Recorded.Event
		lots[i] = ev.Lot
		if w.buf, err = appendEvent(w.buf[:0], l.codecs, e); err != nil {
			return err
		}
		w.set(eventKey(ev.Lot, e.Recorded.Position), w.buf)
		w.buf = appendPosted(w.buf[:0], Posted{e.RequestHash, e.Recorded.Position, ev.Lot})
		id := postedKey(ev.Party, ev.RequestID)
		l.known.add(id)
		w.set(id, w.buf)
	}
	for id, v := range d.lots {
		key := textKey(kindLot, id)
		l.known.add(key)
		setRecord(w, key, l.codecs.lot, v)
	}
	for root, v := range d.lines {
		key := textKey(kindLine, root)
		l.known.add(key)
		setRecord(w, key, l.codecs.line, v)
	}
	for id, v := range d.parties {
		setRecord(w, textKey(kindParty, id), l.codecs.party, v)
		for i := range v.Tokens {
			w.set(tokenKey(v.Tokens[i].Hash), []byte(id))
		}
		for i := range v.Keys {
			w.set(textKey(kindKey, v.Keys[i].ID), []byte(id))
		}
	}
	if d.log != nil {
		setRecord(w, stateKey(), l.codecs.state, d.log)
	}
	b := s.Block
	setRecord(w, blockKey(b.First), l.codecs.block, &blockRecord{
		Format: b.Format, LeastReader: b.LeastReader, Seq: s.Seq, Hash: s.Hash, Prev: b.Prev, Root: b.Root, RecordedAt: b.RecordedAt,
		PolicyVersion: b.PolicyVersion, Sequencer: b.Sequencer, Envelopes: b.Envelopes, Lots: lots, Leaves: joinHashes(s.leaves),
	})
	h := &s.After
	setRecord(w, headKey(), l.codecs.head, &headRecord{
		Seq: h.Seq, Hash: h.Hash, Next: h.Next, RecordedAt: h.RecordedAt, Epoch: h.Epoch, LogName: h.LogName, Frontier: h.tree.Hashes(),
	})
	if w.err != nil {
		return w.err
	}
	st.edge, err = l.setTiles(batch, s.leaves)
	return err
}

// writer fills a batch and keeps the first error.
type writer struct {
	batch *pebble.Batch
	buf   []byte
	err   error
}

func (w *writer) set(key, value []byte) {
	if w.err == nil {
		w.err = w.batch.Set(key, value, nil)
	}
}

func setRecord[T any](w *writer, key []byte, codec *canon.Codec[T], v *T) {
	if w.err != nil {
		return
	}
	if w.buf, w.err = codec.Append(w.buf[:0], v); w.err != nil {
		w.err = fmt.Errorf("encode the %s: %w", describeKey(key), w.err)
		return
	}
	w.set(key, w.buf)
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
	l.edge = st.edge
	l.mu.Lock()
	defer l.mu.Unlock()
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
