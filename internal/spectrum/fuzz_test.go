package spectrum

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

// FuzzRead holds that any text ends in a refusal that says what is accepted, or in a reading of finite figures with a picture.
func FuzzRead(f *testing.F) {
	small := with(thin, func(r *synth.Recipe) { r.Step, r.Organics = -7, 1 })
	for _, form := range synth.Forms() {
		f.Add([]byte(synth.Infrared(small).JCAMP(form, 1e-4)), false)
	}
	f.Add([]byte(synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Step = 6 })).JCAMP(synth.DIF, 1)), true)
	f.Add([]byte(file(1000, 1e9, MaxPoints, "1", "1000A0s9999999")), false)
	f.Add([]byte("##TITLE=a\n##XYPOINTS=(XY..XY)\n1 2; 3 ?\n"), false)
	f.Add([]byte("cm-1;%T\n4000;0,1\n3998;0,2\n"), false)
	f.Add([]byte("4000 NaN\n"), true)
	f.Fuzz(func(t *testing.T, text []byte, raman bool) {
		kind := Infrared
		if raman {
			kind = Raman
		}
		c, fail := Parse(text)
		var r *Result
		if fail == nil {
			r, fail = Read(c, kind, white, nil)
		}
		if fail != nil {
			if fail.Reason != fault.InvalidField || fail.Message == "" || strings.ContainsAny(fail.Message, "\x00\n\r") {
				t.Fatalf("%s %q", fail.Reason, fail.Message)
			}
			return
		}
		for _, v := range r.figures {
			if math.IsNaN(v.Value) || math.IsInf(v.Value, 0) || math.IsNaN(*v.Uncertainty) || math.IsInf(*v.Uncertainty, 0) {
				t.Fatalf("%+v", v)
			}
		}
		for _, p := range r.Peaks {
			if math.IsNaN(p.Position + p.Height + p.Prominence + p.Width + p.Area) {
				t.Fatalf("%+v", p)
			}
		}
		for _, sentence := range slices.Concat(r.Reasons, r.Silent, r.Cautions) {
			if strings.Contains(sentence, "NaN") || strings.Contains(sentence, "Inf") && !strings.Contains(sentence, "Infrared") {
				t.Fatal(sentence)
			}
		}
		if svg := r.SVG(); strings.Contains(svg, "NaN") || strings.Contains(svg, "+Inf") || strings.Contains(svg, "-Inf") || len(svg) > 1<<20 {
			t.Fatalf("a picture of %d bytes: %.300s", len(svg), svg)
		}
	})
}
