package evidence

import (
	"math"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/sampling"
)

// What a sample makes of a stone that was not in it: with a test that never errs (k+½)/(n+1), the mean of Beta(k+½, n−k+½); with counts the figure of
// internal/sampling, which integrates over them; and never surer than the same outcome on the stone itself.
func TestWhatASampleMakesOfAStone(t *testing.T) {
	even := func(lr float64) float64 { return lr / (1 + lr) }
	integrated := func(c sampling.Counts, n, k int64) float64 {
		t.Helper()
		a, f := sampling.Infer(sampling.Question{Parcel: 400, Tested: n, Positives: k, Confidence: 0.95, Test: sampling.Perfect(), Counts: &c})
		if f != nil {
			t.Fatal(f)
		}
		return a.Untested
	}
	for name, x := range map[string]struct {
		treatment opal.Treatment
		test      *opal.Tested
		want      float64
	}{
		"none of 52, an exclusion": {opal.Backing, drawnBlindly(opal.SideView, "NO_JOIN", 52, 0, opal.Backing), 0.5 / 53},
		"one of 25, a sign":        {opal.Backing, drawnBlindly(opal.SideView, "STRAIGHT_JOIN", 25, 1, opal.Backing), 1.5 / 26},
		"none of 25, counted": {opal.Resin, drawnBlindly(opal.Infrared, "AS_UNTREATED", 25, 0, opal.Resin),
			integrated(sampling.Counts{TreatedWith: 40, TreatedAll: 40, UntreatedWith: 0, UntreatedAll: 60}, 25, 0)},
		"none of 200, counted: not surer than on the stone itself": {opal.Resin, drawnBlindly(opal.Infrared, "AS_UNTREATED", 200, 0, opal.Resin), even(0.5 / 41 / (60.5 / 61))},
		"all of 399: a find by a sign":                             {opal.Resin, drawnBlindly(opal.Infrared, "RESIN_BANDS", 399, 399, opal.Resin), 399.5 / 400},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.post("mine", "mine.p", "2026-01-01", mined(400))
			w.test("mine.p", "2026-02-01", x.test)
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Unsorted, 399, parts("mine.s", 1)))
			got := w.ask(clean400(w.query("mine.s"))).of(x.treatment).Sample
			if got == nil || math.Abs(got.Untested-x.want) > 1e-6 {
				t.Errorf("%+v, want %v for a stone that nobody tested", got, x.want)
			}
		})
	}
}
