package canon_test

import (
	"testing"

	"github.com/lotpaper/lotpaper/internal/canon"
)

func BenchmarkCodec(b *testing.B) {
	codec, v := canon.For[everything](), sample()
	data, err := codec.Append(nil, v)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("append", func(b *testing.B) {
		b.ReportAllocs()
		var buf []byte
		for b.Loop() {
			if buf, err = codec.Append(buf[:0], v); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("decode", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var v everything
			if err := codec.Decode(data, &v); err != nil {
				b.Fatal(err)
			}
		}
	})
	g := newGeneral(b)
	b.Run("decode with a general codec and compare", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			var v everything
			if !g.accepts(data, &v) {
				b.Fatal("refused")
			}
		}
	})
}
