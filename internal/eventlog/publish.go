package eventlog

import (
	"github.com/lotpaper/lotpaper/internal/block"
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
