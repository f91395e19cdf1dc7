package block_test

import (
	"fmt"
	"testing"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/rfc6962"

	"github.com/lotpaper/lotpaper/internal/block"
)

// full is a block of as many typical events as are allowed, from one envelope in 16 events.
func full(b *testing.B) *block.Block {
	b.Helper()
	blk := sample(b)
	statement := readGolden(b, "statement-mined")
	blk.Envelopes, blk.Events = nil, nil
	for i := range block.MaxEvents {
		if i%16 == 0 {
			blk.Envelopes = append(blk.Envelopes, wrap(b, "harrow-gully", statement))
		}
		blk.Events = append(blk.Events, block.Entry{Envelope: uint32(i / 16), Index: uint32(i % 16), Statement: statement[:400]})
	}
	return blk
}

func BenchmarkBlock(b *testing.B) {
	blk := full(b)
	data, err := blk.Encode()
	if err != nil {
		b.Fatal(err)
	}
	perEvent := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(blk.Events)), "ns/event")
		b.ReportAllocs()
	}
	b.Run("encode", func(b *testing.B) {
		for b.Loop() {
			if _, err := blk.Encode(); err != nil {
				b.Fatal(err)
			}
		}
		perEvent(b)
	})
	b.Run("decode", func(b *testing.B) {
		for b.Loop() {
			if _, err := block.Decode(data); err != nil {
				b.Fatal(err)
			}
		}
		perEvent(b)
	})
	b.Run("hash", func(b *testing.B) {
		for b.Loop() {
			block.Hash(data)
		}
		perEvent(b)
	})
	b.Run("leaves and root", func(b *testing.B) {
		tree := block.NewTree()
		var buf [block.LeafSize]byte
		for b.Loop() {
			t := tree.Clone()
			hashes := blk.EnvelopeHashes()
			for i := range blk.Events {
				t.Append(blk.Leaf(i, hashes).Append(buf[:0]))
			}
			t.Root()
		}
		perEvent(b)
	})
	b.Run("check envelopes", func(b *testing.B) {
		small := sample(b)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := small.CheckEnvelopes(); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func BenchmarkLeaf(b *testing.B) {
	blk := sample(b)
	hashes := blk.EnvelopeHashes()
	for i, name := range []string{"plain", "with findings"} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			buf := make([]byte, 0, block.LeafSize)
			for b.Loop() {
				buf = blk.Leaf(i, hashes).Append(buf[:0])
			}
		})
	}
}

func BenchmarkTree(b *testing.B) {
	leaf := readGolden(b, "leaf")
	for _, size := range []uint64{0, 1_000_003} {
		hashes := make([][32]byte, 64)
		start, err := block.LoadTree(size, hashes[:onesOf(size)])
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("append and root at %d", size), func(b *testing.B) {
			b.ReportAllocs()
			tree := start.Clone()
			for b.Loop() {
				tree.Append(leaf)
				tree.Root()
			}
		})
		b.Run(fmt.Sprintf("append at %d", size), func(b *testing.B) {
			b.ReportAllocs()
			tree := start.Clone()
			for b.Loop() {
				tree.Append(leaf)
			}
		})
	}
	b.Run("append in the library", func(b *testing.B) {
		b.ReportAllocs()
		tree := (&compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}).NewEmptyRange(0)
		for b.Loop() {
			if err := tree.Append(rfc6962.DefaultHasher.HashLeaf(leaf), nil); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func onesOf(n uint64) int {
	ones := 0
	for ; n > 0; n &= n - 1 {
		ones++
	}
	return ones
}
