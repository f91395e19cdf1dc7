package spectrum

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

// scattered changes a spectrum without noise: it adds what a detector or a program would.
func scattered(s synth.Spectrum, seed uint64, change func(y []float64, normal func() float64)) synth.Spectrum {
	s.Y = slices.Clone(s.Y)
	rng := synth.Random(seed*2 + 1)
	change(s.Y, rng.Normal)
	return s
}

// light adds noise of the detector: the same in the light, whatever passes, and so more in the absorbance the less passes.
func light(of float64) func([]float64, func() float64) {
	return func(y []float64, normal func() float64) {
		for i, a := range y {
			t := math.Pow(10, -a) + of*normal()
			y[i] = -math.Log10(math.Max(t, 1e-4))
		}
	}
}

// shared adds noise that so many neighbours have in common, as zero filling and broad resolution make it.
func sharedBy(points int, of float64) func([]float64, func() float64) {
	return func(y []float64, normal func() float64) {
		white := make([]float64, len(y)+points)
		for i := range white {
			white[i] = normal()
		}
		for i := range y {
			sum := 0.0
			for _, v := range white[i : i+points] {
				sum += v
			}
			y[i] += of * sum / math.Sqrt(float64(points))
		}
	}
}

// digits rounds the figures to whole multiples of a step, after some noise.
func digits(of, step float64) func([]float64, func() float64) {
	return func(y []float64, normal func() float64) {
		for i := range y {
			y[i] = step * math.Round((y[i]+of*normal())/step)
		}
	}
}

// Noise alone is never taken for something organic, whatever noise it is: many seeds of each.
func TestNoiseIsNothing(t *testing.T) {
	const seeds = 40 // 400 of each were tried once: none
	quiet := func(r synth.Recipe, step float64) synth.Recipe {
		return with(r, func(r *synth.Recipe) { r.Noise, r.Step = 0, step })
	}
	wide := with(thick, func(r *synth.Recipe) { r.Water = 0.55 })
	for name, c := range map[string]struct {
		recipe synth.Recipe
		change func([]float64, func() float64)
	}{
		"thick, little":          {quiet(thick, -2), sharedBy(1, 0.0004)},
		"thick, much":            {quiet(thick, -2), sharedBy(1, 0.003)},
		"thick, fine points":     {quiet(thick, -1), sharedBy(1, 0.002)},
		"thick, coarse points":   {quiet(thick, -4), sharedBy(1, 0.002)},
		"thin, much":             {quiet(thin, -1.93), sharedBy(1, 0.002)},
		"thin, coarse points":    {quiet(thin, -3.86), sharedBy(1, 0.002)},
		"thick, of the light":    {quiet(thick, -2), light(0.0005)},
		"thick, much less light": {quiet(wide, -2), light(0.002)},
		"thin, of the light":     {quiet(thin, -1), light(0.001)},
		"neighbours share it":    {quiet(thick, -1), sharedBy(8, 0.001)},
		"thin, neighbours share": {quiet(thin, -0.5), sharedBy(16, 0.001)},
		"few digits":             {quiet(thin, -1.93), digits(0.0004, 0.001)},
		"very few digits":        {quiet(thick, -2), digits(0.001, 0.01)},
	} {
		for seed := range uint64(seeds) {
			s := scattered(synth.Infrared(c.recipe), 1000+seed, c.change)
			if r := mustSay(t, s, nil); r.Outcome != "NONE" && r.Outcome != "UNREADABLE" {
				t.Errorf("%s, seed %d: %s %q", name, seed, r.Outcome, r.Reasons)
			}
		}
	}
	for name, glow := range map[string]float64{"little light": 0.1, "some luminescence": 3, "much luminescence": 30} {
		for seed := range uint64(seeds) {
			s := synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Seed, r.Glow = 1000+seed, glow }))
			// Luminescence falls off to both sides, so that the noise does.
			if r := mustSay(t, s, nil); r.Outcome != "ONLY_OPAL_BANDS" && r.Outcome != "UNREADABLE" && r.Outcome != "SWAMPED" {
				t.Errorf("%s, seed %d: %q %q", name, seed, r.Outcome, r.Reasons)
			}
		}
	}
}

// What is said to have been seen from some height would have been: a band of that height, laid over other noise of the same kind, is found nineteen times of
// twenty or more.
func TestLimitHolds(t *testing.T) {
	trials, seen := 0, 0
	for seed := range uint64(100) {
		clean := synth.Infrared(with(thick, func(r *synth.Recipe) { r.Seed, r.Noise = 500+seed, 0.001 }))
		r := mustSay(t, clean, nil)
		i := slices.IndexFunc(r.sections, func(s *section) bool { return s.name == "C–H stretching" })
		s := r.sections[i]
		height := s.limit(s.bands[0], bandSigma)
		if math.IsInf(height, 1) {
			t.Fatal("no limit")
		}
		other := synth.Infrared(with(thick, func(r *synth.Recipe) { r.Seed, r.Noise = 9000+seed, 0.001 }))
		at := 2840 + 1.4*float64(seed)
		for i := range other.Y {
			d := (other.First + float64(i)*other.Step - at) / bandSigma
			other.Y[i] += height * math.Exp(-d*d/2)
		}
		trials++
		if mustSay(t, other, nil).Outcome == organics {
			seen++
		}
	}
	if seen < trials*95/100 {
		t.Errorf("%d of %d were seen", seen, trials)
	}
}

// What cannot be measured is never taken for a stone without organics.
func TestNotMeasured(t *testing.T) {
	change := func(s synth.Spectrum, f func(x, y float64) float64) synth.Spectrum {
		s.Y = slices.Clone(s.Y)
		for i := range s.Y {
			s.Y[i] = f(s.First+float64(i)*s.Step, s.Y[i])
		}
		return s
	}
	within := func(low, high float64, f func(x, y float64) float64) func(x, y float64) float64 {
		return func(x, y float64) float64 {
			if x >= low && x <= high {
				return f(x, y)
			}
			return y
		}
	}
	thinClean, thickClean := synth.Infrared(thin), synth.Infrared(thick)
	for name, c := range map[string]struct {
		spectrum synth.Spectrum
		want     opal.Outcome
		reason   string
	}{
		"zeros where bands would be": {change(thinClean, within(2700, 3150, func(_, _ float64) float64 { return 0 })), "UNREADABLE", "filled in, not measured"},
		"a straight line there":      {change(thinClean, within(2800, 3020, func(x, _ float64) float64 { return 0.3 })), "UNREADABLE", "nothing organic could show"},
		"one value all through":      {change(thinClean, func(_, _ float64) float64 { return 0.25 }), "UNREADABLE", "filled in"},
		"a band too strong to see through": {change(thinClean, func(x, y float64) float64 {
			return math.Min(y+4*math.Exp(-(x-2926)*(x-2926)/(2*15*15)), 3.5)
		}), "ORGANICS_PRESENT", "stronger than what was measured"},
		"and one of a thick stone": {change(thickClean, func(x, y float64) float64 {
			return math.Min(y+5*math.Exp(-(x-2926)*(x-2926)/(2*15*15)), 6)
		}).Through(), "ORGANICS_PRESENT", "stronger than what was measured"},
		"clipped below that": {change(thinClean, func(x, y float64) float64 {
			return math.Min(y+4*math.Exp(-(x-2926)*(x-2926)/(2*15*15)), 2)
		}), "ORGANICS_PRESENT", ""},
	} {
		r := mustSay(t, c.spectrum, nil)
		if r.Outcome == "NONE" || r.Outcome != c.want || !strings.Contains(strings.Join(r.Reasons, " "), c.reason) {
			t.Errorf("%s: %q, want %q because of %q: %q", name, r.Outcome, c.want, c.reason, r.Reasons)
		}
	}
}

// What stands where neither opal nor organics has bands stands elsewhere too, and is no band there: drift, interference whose height varies, the crowded lines of vapour. Many of
// each; some are left open, and none may be found organic but for the few that chance makes.
func TestWhatStandsEverywhere(t *testing.T) {
	type spoil func(rng *synth.Random) func(x float64, i int) float64
	for name, make := range map[string]spoil{
		"drift": func(rng *synth.Random) func(float64, int) float64 {
			at := 0.0
			return func(float64, int) float64 { at += 0.0003 * rng.Normal(); return at }
		},
		"interference": func(rng *synth.Random) func(float64, int) float64 {
			length, phase := 15+200*rng.Float(), 6*rng.Float()
			return func(x float64, _ int) float64 { return 0.01 * math.Sin(2*math.Pi*x/length+phase) }
		},
		"interference that varies": func(rng *synth.Random) func(float64, int) float64 {
			length, phase := 20+120*rng.Float(), 6*rng.Float()
			return func(x float64, _ int) float64 {
				return 0.01 * (1 + 0.5*math.Sin(x/300)) * math.Sin(2*math.Pi*x/length+phase)
			}
		},
		"vapour": func(rng *synth.Random) func(float64, int) float64 {
			var at, height []float64
			for range 120 {
				at, height = append(at, 1400+600*rng.Float()), append(height, 0.03*rng.Float())
			}
			return func(x float64, _ int) (sum float64) {
				for k := range at {
					if d := x - at[k]; math.Abs(d) < 6 {
						sum += height[k] * math.Exp(-d*d/2)
					}
				}
				return sum
			}
		},
		"one jump": func(rng *synth.Random) func(float64, int) float64 {
			at := 2800 + 250*rng.Float()
			return func(x float64, _ int) float64 {
				if x > at {
					return 0.05
				}
				return 0
			}
		},
	} {
		found, trials := 0, 0
		for seed := range uint64(50) {
			for _, base := range []synth.Recipe{with(thin, func(r *synth.Recipe) { r.Step = -1 }), thick} {
				rng := synth.Random(seed*7919 + 13)
				s := synth.Infrared(with(base, func(r *synth.Recipe) { r.Seed, r.Noise = seed, 0.0005 }))
				add := make(&rng)
				s.Y = slices.Clone(s.Y)
				for i := range s.Y {
					s.Y[i] += add(s.First+float64(i)*s.Step, i)
				}
				trials++
				if r := mustSay(t, s, nil); r.Outcome == organics {
					found++
				}
			}
		}
		if found > trials/20 {
			t.Errorf("%s: %d of %d were found organic", name, found, trials)
		}
		t.Logf("%s: %d of %d", name, found, trials)
	}
}

// Waves of interference are not bands, and a band much higher than they are still is one.
func TestInterference(t *testing.T) {
	for _, length := range []float64{15, 25, 40, 60, 80, 100, 120} {
		waves := func(s synth.Spectrum) synth.Spectrum {
			s.Y = slices.Clone(s.Y)
			for i := range s.Y {
				s.Y[i] += 0.01 * math.Sin(2*math.Pi*(s.First+float64(i)*s.Step)/length)
			}
			return s
		}
		for _, base := range []synth.Recipe{thin, thick} {
			if r := mustSay(t, waves(synth.Infrared(base)), nil); r.Outcome != "NONE" && r.Outcome != "UNREADABLE" {
				t.Errorf("waves of %v: %s %q", length, r.Outcome, r.Reasons)
			}
		}
		r := mustSay(t, waves(synth.Infrared(with(thin, func(r *synth.Recipe) { r.Organics = 8 }))), nil)
		// Waves as narrow as the bands leave it open.
		if r.Outcome != "ORGANICS_PRESENT" && !(length < 30 && r.Outcome == "UNREADABLE") {
			t.Errorf("waves of %v and much organic: %s %q", length, r.Outcome, r.Reasons)
		}
	}
}
