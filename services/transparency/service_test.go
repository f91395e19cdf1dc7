package transparency

import (
	"crypto/ed25519"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// tall is a tree in memory: the hashes of its levels, each a tile's height above the one below.
type tall struct {
	Log    // what a proof of an event does not ask for
	size   uint64
	levels [][][32]byte
}

func grown(size uint64) *tall {
	t := &tall{size: size, levels: [][][32]byte{make([][32]byte, size)}}
	for i := range t.levels[0] {
		t.levels[0][i] = block.LeafHash([]byte{byte(i), byte(i >> 8), byte(i >> 16)})
	}
	for len(t.levels[len(t.levels)-1]) >= tileWidth {
		below := t.levels[len(t.levels)-1]
		var level [][32]byte
		for i := 0; i+tileWidth <= len(below); i += tileWidth {
			tree := block.NewTree()
			for _, h := range below[i : i+tileWidth] {
				tree.AppendHash(h)
			}
			level = append(level, tree.Root())
		}
		t.levels = append(t.levels, level)
	}
	return t
}

func (t *tall) Hashes(level uint8, n uint64, width int) ([][32]byte, error) {
	if int(level) >= len(t.levels) || n*tileWidth+uint64(width) > uint64(len(t.levels[level])) {
		return nil, nil
	}
	return t.levels[level][n*tileWidth:][:width], nil
}

func (t *tall) Head() eventlog.Head                          { return eventlog.Head{LogName: "log", Next: t.size} }
func (t *tall) Leaves(from, to uint64) ([]block.Leaf, error) { return make([]block.Leaf, to-from), nil }
func (t *tall) Recorded(string) (*opal.Recorded, error)      { return nil, nil }
func (t *tall) At(position uint64) (*eventlog.Event, error) {
	return &eventlog.Event{Recorded: &opal.Recorded{Position: position}}, nil
}

// For trees of all kinds of sizes the proofs made of tiles are what the library for them accepts.
func TestProofsOfManySizes(t *testing.T) {
	for _, size := range []uint64{1, 2, 3, 255, 256, 257, 511, 512, 513, 70_000} {
		log := grown(size)
		tree := block.NewTree()
		for _, h := range log.levels[0] {
			tree.AppendHash(h)
		}
		root := tlog.Hash(tree.Root())
		for _, index := range []uint64{0, size / 3, size / 2, size - 1} {
			p, err := tlog.ProveRecord(int64(size), int64(index), stored{log})
			if err != nil {
				t.Fatalf("%d of %d: %v", index, size, err)
			}
			if err := tlog.CheckRecord(p, int64(size), root, int64(index), tlog.Hash(log.levels[0][index])); err != nil {
				t.Errorf("%d of %d: %v", index, size, err)
			}
		}
	}
}

// The signer made of a key's seed is the library's own for that key, and its notes are verified by the verifier key that is told.
func TestSigner(t *testing.T) {
	private := ed25519.NewKeyFromSeed([]byte(strings.Repeat("k", 32)))
	const origin = "log/00112233445566778899aabbccddeeff"
	s, err := signer(origin, private)
	if err != nil {
		t.Fatal(err)
	}
	key, err := VerifierKey(origin, private.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	v, err := note.NewVerifier(key)
	if err != nil || v.KeyHash() != s.KeyHash() || v.Name() != s.Name() {
		t.Fatalf("%v, %v", v, err)
	}
	text, err := note.Sign(&note.Note{Text: "a\n"}, s)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := note.Open(text, note.VerifierList(v)); err != nil {
		t.Error(err)
	}
	if _, err := signer("a log", private); err == nil {
		t.Error("an origin with a blank")
	}
}

// BenchmarkProveInclusion is a proof in a log of a million events, with the checkpoint signed.
func BenchmarkProveInclusion(b *testing.B) {
	s := New(grown(1_000_000), ed25519.NewKeyFromSeed([]byte(strings.Repeat("k", 32))), nil, nil)
	for i := int64(0); b.Loop(); i++ {
		position := i * 7919 % 1_000_000
		if _, err := s.ProveInclusion(b.Context(), &pb.ProveInclusionRequest{Position: &position}); err != nil {
			b.Fatal(err)
		}
	}
}
