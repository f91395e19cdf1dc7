//go:build !js

package eventlog

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/block"
)

// Auditor goes through the log once more, behind the ledger and at its own pace: block by block it holds the journal's bytes against
// what the store makes of its records, and verifies the signatures, which the ledger leaves to intake. It remembers how far it
// has come, so that over a node's life every block is looked at once in each copy, however often the node starts.
//
// It is for one goroutine.
type Auditor struct {
	log     *Log
	journal JournalReader
	// seq is the last block audited, next the position behind it.
	seq, next uint64
}

// NewAuditor goes on where the last one saved.
func (l *Log) NewAuditor(j JournalReader) (*Auditor, error) {
	a := &Auditor{log: l, journal: j}
	b, err := l.get(auditKey())
	if err != nil || b == nil {
		return a, err
	}
	if len(b) != 16 {
		return nil, l.bad(auditKey(), fmt.Errorf("found %d bytes, accepted are 16", len(b)))
	}
	a.seq, a.next = binary.BigEndian.Uint64(b), binary.BigEndian.Uint64(b[8:])
	if h := l.Head(); a.seq > h.Seq || a.next > h.Next {
		a.seq, a.next = 0, 0 // of a store that was longer: begin again
	}
	return a, nil
}

// Save remembers how far the audit has come.
func (a *Auditor) Save() error {
	v := binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint64(nil, a.seq), a.next)
	if err := a.log.db.Set(auditKey(), v, pebble.NoSync); err != nil {
		return &StoreError{"write the audit mark", err}
	}
	return nil
}

// Step audits the next block; more is false if there is none. A *Mismatch makes the log read only.
func (a *Auditor) Step(ctx context.Context) (more bool, err error) {
	if a.seq >= a.log.Head().Seq {
		return false, nil
	}
	events, err := a.block(ctx)
	if m, ok := errors.AsType[*Mismatch](err); ok {
		a.log.Refuse(m)
	}
	if err != nil {
		return false, err
	}
	a.seq++
	a.next += events
	return true, nil
}

func (a *Auditor) block(ctx context.Context) (events uint64, err error) {
	wrong := func(copyName string, b *block.Block, err error) error {
		m := &Mismatch{Copy: copyName, Seq: a.seq + 1, From: a.next, To: Unbounded, Err: err}
		if b != nil {
			m.To = b.First + uint64(len(b.Events)) - 1
		}
		return m
	}
	data, found, err := a.journal.Read(ctx, a.seq+1)
	if err != nil {
		return 0, err
	}
	if !found {
		return 0, wrong("journal", nil, errors.New("the block is missing"))
	}
	b, err := block.Decode(data)
	if err != nil {
		return 0, wrong("journal", nil, err)
	}
	_, ours, err := a.log.BlockBytes(a.next)
	if err != nil {
		return 0, err
	}
	if !bytes.Equal(data, ours) {
		return 0, wrong("journal", b, fmt.Errorf("it holds the block %x, the store %x", block.Hash(data), block.Hash(ours)))
	}
	envelopes, err := b.CheckEnvelopes()
	if err != nil {
		return 0, wrong("log", b, err)
	}
	for i, env := range envelopes {
		err := CheckSignatures(a.log, env)
		if _, ok := errors.AsType[*StoreError](err); ok {
			return 0, err
		}
		if err != nil {
			return 0, wrong("log", b, fmt.Errorf("envelope %d: %w", i, err))
		}
	}
	return uint64(len(b.Events)), nil
}
