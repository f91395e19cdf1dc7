//go:build !js

package eventlog

import (
	"crypto/sha256"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
)

// Hashes gives the first hashes of a tile, as many as width says; nil: they are not there yet. What is there never changes, so that the partial tile of a smaller
// tree is a beginning of the tile of a larger one.
func (l *Log) Hashes(level uint8, n uint64, width int) ([][32]byte, error) {
	for range 2 { // a tile that fills up between the two looks is found the second time
		full, err := l.Tile(level, n)
		if err != nil {
			return nil, err
		}
		if full != nil {
			return full[:width], nil
		}
		l.mu.RLock()
		e := l.edge // it is replaced, never changed
		l.mu.RUnlock()
		if int(level) < len(e.levels) && e.counts[level] == n && len(e.levels[level]) >= width {
			return e.levels[level][:width], nil
		}
	}
	return nil, nil
}

// Leaves gives the leaves of the events from (inclusive) to (exclusive), which the log must hold.
func (l *Log) Leaves(from, to uint64) ([]block.Leaf, error) {
	var out []block.Leaf
	for from < to {
		a, err := l.remake(from)
		if err != nil {
			return nil, err
		}
		hashes := a.Block.EnvelopeHashes()
		for i := int(from - a.Block.First); i < len(a.Block.Events) && from < to; i++ {
			out = append(out, a.Block.Leaf(i, hashes))
			from++
		}
	}
	return out, nil
}

// Entry gives what the log holds of an event to be checked by others: its leaf, and the envelope in which it came.
func (l *Log) Entry(e *Event) (leaf block.Leaf, signed []byte, err error) {
	position := e.Recorded.Position
	state := l.state.Load()
	err = l.blockRecords(position, func(_ uint64, r *blockRecord) (bool, error) {
		if state == nil || int(e.Envelope) >= len(r.Envelopes) {
			return false, l.bad(blockKey(position), fmt.Errorf("the event at %d is of envelope %d, and there are %d", position, e.Envelope, len(r.Envelopes)))
		}
		signed = r.Envelopes[e.Envelope]
		leaf = block.Leaf{
			Epoch: state.Epoch, Position: position, RecordedAt: r.RecordedAt, EnvelopeHash: envelope.Hash(signed), Index: e.Index,
			StatementHash: sha256.Sum256(e.Statement), OutcomeHash: block.OutcomeHash(e.Recorded.Findings, e.Outcome),
		}
		return false, nil
	})
	return leaf, signed, err
}
