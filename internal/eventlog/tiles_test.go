package eventlog

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"testing"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/google/go-cmp/cmp"
	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/rfc6962"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// rangeRoot is the root over the leaf hashes of a range, as github.com/transparency-dev/merkle computes it (RFC 6962, section 2.1).
func rangeRoot(t *testing.T, leaves [][32]byte) [32]byte {
	t.Helper()
	f := compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}
	r := f.NewEmptyRange(0)
	for i := range leaves {
		if err := r.Append(leaves[i][:], nil); err != nil {
			t.Fatal(err)
		}
	}
	root, err := r.GetRootHash(nil)
	if err != nil {
		t.Fatal(err)
	}
	return [32]byte(root)
}

// A tile at level L holds 256 roots, each of a complete subtree of 256^L leaves (C2SP tlog-tiles).
func TestTilesHoldTheTree(t *testing.T) {
	const size = 256*256 + 256*3 + 7
	leaves := make([][32]byte, size)
	for i := range leaves {
		leaves[i] = sha256.Sum256(binary.BigEndian.AppendUint64(nil, uint64(i)))
	}
	tiles := map[string][][32]byte{}
	e := &edge{}
	for _, h := range leaves {
		err := e.add(0, h, func(level uint8, n uint64, hashes [][32]byte) error {
			tiles[fmt.Sprint(level, " ", n)] = append([][32]byte(nil), hashes...)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if len(tiles) != 256+3+1 {
		t.Fatalf("found %d tiles", len(tiles))
	}
	for n := range 256 + 3 {
		if d := cmp.Diff(leaves[n*256:(n+1)*256], tiles[fmt.Sprint(0, " ", n)]); d != "" {
			t.Fatalf("tile 0/%d: %s", n, d)
		}
	}
	for i, h := range tiles["1 0"] {
		if h != rangeRoot(t, leaves[i*256:(i+1)*256]) {
			t.Fatalf("tile 1/0: hash %d is wrong", i)
		}
	}
	if len(e.levels[0]) != 7 || len(e.levels[1]) != 3 || len(e.levels[2]) != 1 || e.levels[2][0] != rangeRoot(t, leaves[:256*256]) {
		t.Errorf("the edge has %d, %d and %d hashes", len(e.levels[0]), len(e.levels[1]), len(e.levels[2]))
	}
}

func TestTheEdgeIsFoundAgain(t *testing.T) {
	fs := vfs.NewMem()
	b := newBook(t, fs)
	b.append(b.mined("harrow-gully.a"))
	for range 2 {
		var events []*opal.Event
		for range 300 {
			events = append(events, b.described("harrow-gully.a"))
		}
		b.append(events...)
	}
	live := b.log.edge
	b.close()
	b.log = openTestLog(t, fs)
	defer b.close()
	if d := cmp.Diff(live, b.log.edge, cmp.AllowUnexported(edge{})); d != "" {
		t.Errorf("live and loaded differ: %s", d)
	}
	size := b.log.Head().Next
	leaves, err := b.log.LeafHashes(0, size)
	if err != nil || uint64(len(leaves)) != size {
		t.Fatal(len(leaves), err)
	}
	head := b.log.Head()
	if got := rangeRoot(t, leaves); got != head.Root() {
		t.Errorf("the root is %x, over the leaves it is %x", head.Root(), got)
	}
	for n := range size / tileWidth {
		tile, err := b.log.Tile(0, n)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(leaves[n*256:(n+1)*256], tile); d != "" {
			t.Errorf("tile %d: %s", n, d)
		}
	}
	if tile, err := b.log.Tile(0, size/tileWidth); tile != nil || err != nil {
		t.Errorf("a tile that is not full is there: %v", err)
	}
	if part, err := b.log.LeafHashes(250, 262); err != nil || cmp.Diff(leaves[250:262], part) != "" {
		t.Errorf("found %d leaves, %v", len(part), err)
	}
}
