package spectrum

import (
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

// A file of 4 MiB, read and judged whole: in numbers as people write them, and packed, in which there are ten times as many points.
func BenchmarkRead4MiB(b *testing.B) {
	for _, form := range []synth.Form{synth.AFFN, synth.DIFDUP} {
		b.Run(string(form), func(b *testing.B) {
			step := map[synth.Form]float64{synth.AFFN: 0.0094, synth.DIFDUP: 0.0031}[form]
			text := []byte(synth.Infrared(synth.Recipe{Title: "made", First: 7000, Last: 600, Step: -step, Seed: 3, Noise: 0.0002, Organics: 1}).JCAMP(form, 1e-5))
			b.SetBytes(int64(len(text)))
			b.ReportAllocs()
			for b.Loop() {
				c, f := Parse(text)
				if f != nil {
					b.Fatal(f)
				}
				r, f := Read(c, Infrared, opal.Material{}, nil)
				if f != nil || r.Outcome != organics {
					b.Fatal(f, r.Outcome)
				}
			}
			b.ReportMetric(float64(len(text))/(1<<20), "MiB")
		})
	}
}
