//go:build !js

package eventlog

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/block"
)

// tileWidth is the number of hashes in a full tile, and tileBits its logarithm, as in the tlog-tiles format of C2SP.
const (
	tileWidth = 256
	tileBits  = 8
)

// edge is the right edge of the tree in tiles: the hashes of each level that do not fill a tile yet. Level 0 has leaf hashes,
// level n+1 the roots of level n's full tiles.
type edge struct {
	levels [][][32]byte
	counts []uint64 // full tiles so far, by level
}

func (e *edge) clone() *edge {
	c := &edge{levels: make([][][32]byte, len(e.levels)), counts: append([]uint64(nil), e.counts...)}
	for i, l := range e.levels {
		c.levels[i] = append(make([][32]byte, 0, tileWidth), l...)
	}
	return c
}

// add appends a hash to a level and reports the tiles that it fills.
func (e *edge) add(level int, hash [32]byte, full func(level uint8, n uint64, hashes [][32]byte) error) error {
	if level == len(e.levels) {
		e.levels = append(e.levels, nil)
		e.counts = append(e.counts, 0)
	}
	e.levels[level] = append(e.levels[level], hash)
	if len(e.levels[level]) < tileWidth {
		return nil
	}
	hashes := e.levels[level]
	if err := full(uint8(level), e.counts[level], hashes); err != nil {
		return err
	}
	root := tileRoot(hashes)
	e.counts[level]++
	e.levels[level] = e.levels[level][:0]
	return e.add(level+1, root, full)
}

func tileRoot(hashes [][32]byte) [32]byte {
	t := block.NewTree()
	for _, h := range hashes {
		t.AppendHash(h)
	}
	return t.Root()
}

func joinHashes(hashes [][32]byte) []byte {
	b := make([]byte, 0, 32*len(hashes))
	for i := range hashes {
		b = append(b, hashes[i][:]...)
	}
	return b
}

func splitHashes(b []byte) ([][32]byte, error) {
	if len(b)%32 != 0 {
		return nil, fmt.Errorf("found %d bytes of hashes, accepted is a multiple of 32", len(b))
	}
	list := make([][32]byte, len(b)/32)
	for i := range list {
		list[i] = [32]byte(b[32*i:])
	}
	return list, nil
}

// loadEdge makes the edge of a tree of that size from the full tiles and the leaf hashes in the block records.
func (l *Log) loadEdge(size uint64) (*edge, error) {
	e := &edge{}
	for level, n := 0, size; n > 0; level, n = level+1, n/tileWidth {
		e.levels = append(e.levels, nil)
		e.counts = append(e.counts, n/tileWidth)
		first := n / tileWidth * tileWidth
		if level == 0 {
			var err error
			if e.levels[0], err = l.LeafHashes(first, size); err != nil {
				return nil, err
			}
			continue
		}
		for i := first; i < n; i++ {
			hashes, err := l.Tile(uint8(level-1), i)
			if err != nil {
				return nil, err
			}
			e.levels[level] = append(e.levels[level], tileRoot(hashes))
		}
	}
	return e, nil
}

// Tile gives the 256 hashes of a full tile of the tree; one that is not full yet is nil.
func (l *Log) Tile(level uint8, n uint64) ([][32]byte, error) {
	b, err := l.get(tileKey(level, n))
	if err != nil || b == nil {
		return nil, err
	}
	hashes, err := splitHashes(b)
	if err != nil || len(hashes) != tileWidth {
		return nil, l.bad(tileKey(level, n), fmt.Errorf("found %d bytes, accepted are %d", len(b), 32*tileWidth))
	}
	return hashes, nil
}

// LeafHashes gives the leaf hashes of the events from (inclusive) to (exclusive).
func (l *Log) LeafHashes(from, to uint64) ([][32]byte, error) {
	var out [][32]byte
	if from >= to {
		return nil, nil
	}
	err := l.blockRecords(from, func(first uint64, r *blockRecord) (bool, error) {
		leaves, err := splitHashes(r.Leaves)
		if err != nil || len(leaves) != len(r.Lots) {
			return false, l.bad(blockKey(first), fmt.Errorf("found %d leaf hashes for %d events", len(leaves), len(r.Lots)))
		}
		for i, h := range leaves {
			if p := first + uint64(i); p >= from && p < to {
				out = append(out, h)
			}
		}
		return first+uint64(len(leaves)) < to, nil
	})
	if err == nil && uint64(len(out)) != to-from {
		err = l.bad(blockKey(from), fmt.Errorf("found leaf hashes of %d events, there should be %d", len(out), to-from))
	}
	return out, err
}

// growTiles writes the full tiles that new leaves make and answers the edge behind them.
func (l *Log) growTiles(w *writer, leaves [][32]byte) (*edge, error) {
	e := l.edge.clone()
	for _, h := range leaves {
		err := e.add(0, h, func(level uint8, n uint64, hashes [][32]byte) error {
			w.set(tileKey(level, n), joinHashes(hashes))
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return e, nil
}
