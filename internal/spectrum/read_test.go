package spectrum

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

var update = flag.Bool("update", false, "write the expected pictures anew")

// thick is a stone of some millimetres, thin one as powder or by reflectance: both through the whole range.
var (
	thick = synth.Recipe{Title: "made", First: 7000, Last: 2000, Step: -2, Seed: 3, Noise: 0.0004, Thick: true}
	thin  = synth.Recipe{Title: "made", First: 4000, Last: 600, Step: -1.93, Seed: 5, Noise: 0.0004}
	shift = synth.Recipe{Title: "made", First: 100, Last: 3800, Step: 1, Seed: 5, Noise: 1, Glow: 0.5}
)

func with(r synth.Recipe, change func(*synth.Recipe)) synth.Recipe {
	change(&r)
	return r
}

var white = opal.Material{Kind: opal.Hydrophane, Look: opal.SemiOpaque}

func mustSay(t *testing.T, s synth.Spectrum, known []Reference) *Result {
	t.Helper()
	kind, factor := Infrared, 1e-6
	switch {
	case s.Raman:
		kind, factor = Raman, 1
	case s.Transmittance:
		factor = 1e-4
	}
	c, f := Parse([]byte(s.JCAMP(synth.DIFDUP, factor)))
	if f != nil {
		t.Fatal(f)
	}
	r, f := Read(c, kind, white, known)
	if f != nil {
		t.Fatal(f)
	}
	return r
}

// What was put in is found, where it was put, and nothing else. The stones are made (package synth): no open spectra of opals were found to check against.
func TestOutcomes(t *testing.T) {
	for name, c := range map[string]struct {
		spectrum synth.Spectrum
		want     opal.Outcome
		reason   string
		peaks    []float64 // among others
	}{
		"a thick clean stone":            {synth.Infrared(thick), "NONE", "would have been seen", []float64{4510, 5190}},
		"its light, not its absorbance":  {synth.Infrared(thick).Through(), "NONE", "would have been seen", []float64{4510, 5190}},
		"organics in a thick stone":      {synth.Infrared(with(thick, func(r *synth.Recipe) { r.Organics = 1 })).Through(), "ORGANICS_PRESENT", "C–H stretching: peaks stand out", []float64{2855, 2926, 2957}},
		"a little on the wing of water":  {synth.Infrared(with(thick, func(r *synth.Recipe) { r.Organics = 0.2 })), "ORGANICS_PRESENT", "C–H stretching", []float64{2926}},
		"a thin clean stone":             {synth.Infrared(thin), "NONE", "would have been seen", []float64{800, 1870}},
		"resin and ester in a thin one":  {synth.Infrared(with(thin, func(r *synth.Recipe) { r.Organics, r.Ring, r.Ester = 1, 1, 1 })), "ORGANICS_PRESENT", "Carbonyl: peaks stand out at 1738", []float64{1460, 1509, 1738, 2926}},
		"noise that hides everything":    {synth.Infrared(with(thick, func(r *synth.Recipe) { r.Noise = 0.02 })), "UNREADABLE", "Nothing follows", nil},
		"no stone in the beam":           {synth.Infrared(with(thin, func(r *synth.Recipe) { r.Water, r.Silica = 1e-9, 1e-9 })), "UNREADABLE", "whether a stone was in the beam", nil},
		"only the stretch below 2500":    {synth.Infrared(with(thin, func(r *synth.Recipe) { r.First, r.Last = 2500, 600 })), "UNREADABLE", "nothing organic could show", []float64{800}},
		"a window without opal":          {synth.Infrared(with(thin, func(r *synth.Recipe) { r.First, r.Last = 3120, 2700 })), "UNREADABLE", "whether a stone was in the beam", nil},
		"points too far apart":           {synth.Infrared(with(thin, func(r *synth.Recipe) { r.Step = -10 })), "UNREADABLE", "cm⁻¹ apart", nil},
		"a black stone":                  {synth.Infrared(with(thick, func(r *synth.Recipe) { r.Silica, r.Water = 40, 40 })), "UNREADABLE", "next to no light came through", nil},
		"a clean Raman spectrum":         {synth.RamanShift(shift), "ONLY_OPAL_BANDS", "no other", []float64{420, 785, 965, 1070}},
		"carbon":                         {synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Carbon = 0.6 })), "CARBON_BANDS", "1350", []float64{1346, 1588}},
		"an invented dye":                {synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Dye = 0.4 })), "", "at 1145, 1382, 152", []float64{1145, 1382, 1520}},
		"C–H in a Raman spectrum":        {synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Organics = 0.4 })), "ORGANICS_PRESENT", "C–H stretching", []float64{2933}},
		"luminescence":                   {synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Glow = 2000 })), "SWAMPED", "Luminescence covers", nil},
		"half a Raman spectrum":          {synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Last = 1800 })), "UNREADABLE", "2700 to 3120 cm⁻¹ are needed", nil},
		"a Raman spectrum full of noise": {synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Noise = 12 })), "UNREADABLE", "Too noisy for", nil},
	} {
		t.Run(name, func(t *testing.T) {
			r := mustSay(t, c.spectrum, nil)
			if r.Outcome != c.want || !strings.Contains(strings.Join(r.Reasons, " "), c.reason) {
				t.Errorf("%q, want %q because of %q: %q", r.Outcome, c.want, c.reason, r.Reasons)
			}
			for _, p := range c.peaks {
				if !slices.ContainsFunc(r.Peaks, func(k Peak) bool { return math.Abs(k.Position-p) < 8 }) {
					t.Errorf("no peak at %v among %+v", p, r.Peaks)
				}
			}
			if len(r.Reasons) == 0 {
				t.Error("no reasons")
			}
			kind := opal.Infrared
			if r.Kind == Raman {
				kind = opal.Raman
			}
			if r.Outcome != "" && !kind.KnowsOutcome(r.Outcome) {
				t.Errorf("%s does not know %s", kind, r.Outcome)
			}
		})
	}
}

// Water vapour in the air and single points are no bands, whatever the smoothing makes of them.
func TestLinesAreNoBands(t *testing.T) {
	add := func(s synth.Spectrum, width float64, height float64, at ...float64) synth.Spectrum {
		s.Y = slices.Clone(s.Y)
		for i := range s.Y {
			x := s.First + float64(i)*s.Step
			for _, c := range at {
				if width == 0 && math.Abs(x-c) <= math.Abs(s.Step)/2 {
					s.Y[i] += height
				} else if width > 0 {
					s.Y[i] += height * math.Exp(-(x-c)*(x-c)/(2*width*width))
				}
			}
		}
		return s
	}
	fine := with(thin, func(r *synth.Recipe) { r.Step = -1 })
	vapour := []float64{1700.5, 1717.5, 1734, 1739.5, 1750, 1762, 1436.5, 1448, 1457.5, 1473, 1507, 1521}
	for name, s := range map[string]synth.Spectrum{
		"vapour":              add(synth.Infrared(fine), 1, 0.02, vapour...),
		"strong vapour":       add(synth.Infrared(fine), 1, 0.2, vapour...),
		"vapour, coarser":     add(synth.Infrared(thin), 1.3, 0.05, vapour...),
		"single points":       add(synth.Infrared(thin), 0, 0.05, 2850, 2925, 2960, 1735),
		"single points above": add(synth.Infrared(thick), 0, 0.5, 2925, 4260, 5700),
	} {
		r := mustSay(t, s, nil)
		if r.Outcome != "NONE" || !strings.Contains(strings.Join(r.Reasons, " "), "Lines narrower than any band") {
			t.Errorf("%s: %s %q", name, r.Outcome, r.Reasons)
		}
	}
	if r := mustSay(t, add(synth.RamanShift(shift), 0, 5000, 1450, 2900, 1200), nil); r.Outcome != "ONLY_OPAL_BANDS" {
		t.Errorf("cosmic rays: %s %q", r.Outcome, r.Reasons)
	}
	// One that two coarse points share is as wide as smoothing makes it, and no band of C–H is.
	coarseShift := with(shift, func(r *synth.Recipe) { r.Step = 4 })
	for _, at := range []float64{1450, 1608, 2900, 3050} {
		ray := add(add(synth.RamanShift(coarseShift), 0, 5000, at), 0, 3000, at+4)
		if r := mustSay(t, ray, nil); r.Outcome == "ORGANICS_PRESENT" || r.Outcome == "" {
			t.Errorf("a cosmic ray at %v: %s %q", at, r.Outcome, r.Reasons)
		}
	}
	// What is as narrow as the sharpest band that is looked for, of wax, is one.
	wax := synth.Infrared(fine)
	if r := mustSay(t, add(wax, 4, 0.05, 2849, 2918), nil); r.Outcome != "ORGANICS_PRESENT" {
		t.Errorf("wax: %s %q", r.Outcome, r.Reasons)
	}
}

// A stone whose figure is uncertain is not said to be as the untreated ones: it is, only if it would be with two uncertainties more.
func TestTooUncertainToCompare(t *testing.T) {
	known := references(t, 7, white, thin)
	said := map[opal.Outcome]int{}
	for seed := range uint64(20) {
		r := mustSay(t, synth.Infrared(with(thin, func(r *synth.Recipe) { r.Organics, r.Noise, r.Seed = 0.55, 0.004, 70+seed })), known)
		said[r.Outcome]++
		b := r.band("chStretching")
		if b.Seen && r.Outcome == organics && !strings.Contains(strings.Join(r.Reasons, " "), "too uncertain") {
			t.Errorf("seed %d: %q", seed, r.Reasons)
		}
	}
	if said[organics] == 0 || said[asUntreated] > 0 {
		t.Errorf("%v", said)
	}
}

// What was put in comes out in proportion: twice the organics, twice the ratio to the opal's own band, to within what the wing of water takes off.
func TestProportion(t *testing.T) {
	last := -1.0
	for _, scale := range []float64{0, 0.25, 0.5, 1, 2, 4} {
		r := mustSay(t, synth.Infrared(with(thin, func(r *synth.Recipe) { r.Organics = scale })), nil)
		v := r.band("chStretching").Ratio
		// The sum of the bands' areas, √(2π) σ times height each, by that of silica's at 800 cm⁻¹.
		put := scale * 0.06 * (0.6*9 + 11 + 0.35*9 + 0.6*8) / (0.60 * 16)
		// The line between the band's ends lies over part of the silica's wings.
		put /= 0.67
		if v == nil || math.Abs(v.Value-put) > 0.2*put+3*v.Uncertainty || v.Value < last {
			t.Errorf("%v: %+v, put in %v", scale, v, put)
		}
		last = v.Value
	}
}

// references are known stones with a little of what they drank.
func references(t *testing.T, n int, material opal.Material, base synth.Recipe) (list []Reference) {
	for i := range n {
		r := mustSay(t, synth.Infrared(with(base, func(r *synth.Recipe) {
			r.Seed, r.Organics, r.Ester = uint64(100+i), 0.15+0.05*float64(i%4), 0.1
		})), nil)
		list = append(list, Reference{Material: material, Figures: r.Figures()})
	}
	return list
}

func TestComparing(t *testing.T) {
	known := references(t, 7, white, thin)
	other := opal.Material{Kind: opal.Hydrophane, Look: opal.Transparent}
	stone := func(organics, ester, ring float64) synth.Spectrum {
		return synth.Infrared(with(thin, func(r *synth.Recipe) { r.Organics, r.Ester, r.Ring = organics, ester, ring }))
	}
	for name, c := range map[string]struct {
		spectrum synth.Spectrum
		known    []Reference
		want     opal.Outcome
		reason   string
	}{
		"as they are":             {stone(0.2, 0.1, 0), known, "AS_UNTREATED", "within what 7 untreated stones show"},
		"less than they":          {stone(0.1, 0.1, 0), known, "AS_UNTREATED", "within"},
		"nothing at all":          {stone(0, 0, 0), known, "NONE", "No band of C–H stretching"},
		"more of one":             {stone(2, 0.1, 0), known, "RAISED", "robust standard deviations above the median of 7 untreated stones"},
		"more of two":             {stone(2, 2, 0), known, "MANY", "robust standard deviations"},
		"with rings":              {stone(2, 2, 1), known, "MANY", "Aromatic ring, 1510"},
		"four known stones":       {stone(0.2, 0.1, 0), known[:4], "ORGANICS_PRESENT", "Of 4 stones known to be untreated 4 are of the same material and look; comparing takes 5"},
		"stones of another look":  {stone(0.2, 0.1, 0), references(t, 7, other, thin), "ORGANICS_PRESENT", "0 are of the same material and look"},
		"those measured thick":    {stone(0.2, 0.1, 0), references(t, 7, white, thick), "ORGANICS_PRESENT", "too few of the known stones can be compared"},
		"some of them of another": {stone(2, 0.1, 0), append(references(t, 2, other, thin), known...), "RAISED", "2 known stones of another material or look did not count"},
		"none is known":           {stone(0.2, 0.1, 0), nil, "ORGANICS_PRESENT", "There are no spectra of stones known to be untreated"},
	} {
		r := mustSay(t, c.spectrum, c.known)
		if r.Outcome != c.want || !strings.Contains(strings.Join(r.Reasons, " "), c.reason) {
			t.Errorf("%s: %q, want %q because of %q: %q", name, r.Outcome, c.want, c.reason, r.Reasons)
		}
	}
}

// The score is that of the definition, by hand: five figures 1, 2, 3, 4, 10 have the median 3 and the median distance 1; a figure 3 + k·1.4826 without
// uncertainty stands k robust deviations above.
func TestScore(t *testing.T) {
	r := mustSay(t, synth.Infrared(with(thin, func(r *synth.Recipe) { r.Organics = 1 })), nil)
	b := *r.band("chStretching")
	x := b.Ratio.Value
	var known []Reference
	for _, v := range []float64{1, 2, 3, 4, 10} {
		known = append(known, Reference{Figures: []opal.Figure{{Name: ratioName(b.Name, "silica800"), Value: v * x / 3}}})
	}
	r.score(&b, known)
	if b.Z == nil || math.Abs(*b.Z) > 1e-9 || b.Of != 5 {
		t.Errorf("at the median: %v of %d", b.Z, b.Of)
	}
	for i := range known {
		known[i].Figures[0].Value = []float64{1, 2, 3, 4, 10}[i] * x / 20
	}
	r.score(&b, known)
	scale := math.Hypot(1.4826*x/20, b.Ratio.Uncertainty)
	if want := (x - 3*x/20) / scale; math.Abs(*b.Z-want) > 1e-9*want {
		t.Errorf("%v, want %v", *b.Z, want)
	}
}

// The stored form keeps to its limit, even with as many peaks as there can be: the figures of all bands by all of opal's, and 60 peaks.
func TestStoredForm(t *testing.T) {
	s := synth.Infrared(with(thin, func(r *synth.Recipe) { r.First, r.Organics, r.Ring, r.Ester = 7000, 1, 1, 1 }))
	r := mustSay(t, s, references(t, 6, white, thin))
	for i := range 100 {
		r.Peaks = append(r.Peaks, Peak{Position: 1000.123456 + float64(i), Height: 1.0 / 3, Prominence: float64(i%7) / 7, Width: 10.0 / 3, Area: 1.0 / 7})
	}
	r.Peaks = strongest(r.Peaks, keptPeaks)
	c := r.Computed()
	text, err := json.Marshal(c)
	if err != nil || len(text) > 16<<10 || len(c.Figures) < 30 || len(c.Peaks) != keptPeaks || c.Algorithm != Version {
		t.Errorf("%d bytes, %d figures, %d peaks, %s, %v", len(text), len(c.Figures), len(c.Peaks), c.Algorithm, err)
	}
	for i, p := range c.Peaks {
		if i > 0 && p.Position < c.Peaks[i-1].Position {
			t.Error("peaks are not in order")
		}
	}
}

func TestMismatches(t *testing.T) {
	raman := synth.RamanShift(shift).JCAMP(synth.AFFN, 1)
	infrared := synth.Infrared(thin).JCAMP(synth.AFFN, 1e-5)
	for name, c := range map[string]struct {
		text string
		kind Kind
		want string
	}{
		"a Raman file as infrared":   {raman, Infrared, "of kind RAMAN"},
		"an infrared file as Raman":  {infrared, Raman, "of kind INFRARED"},
		"light in a Raman spectrum":  {"%T\n1 2\n2 3\n", Raman, "TRANSMITTANCE"},
		"no word of the ordinates":   {"4000 0.1\n3990 0.2\n", Infrared, "absorbance and shares of light look alike"},
		"arbitrary infrared figures": {strings.Replace(infrared, "ABSORBANCE", "ARBITRARY UNITS", 1), Infrared, "arbitrary units"},
	} {
		curve, f := Parse([]byte(c.text))
		if f == nil {
			_, f = Read(curve, c.kind, white, nil)
		}
		if f == nil || !strings.Contains(f.Message, c.want) || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %v", name, f)
		}
	}
	if _, f := Parse(make([]byte, MaxBytes+1)); f == nil || f.Reason != "TOO_LARGE" {
		t.Errorf("too large: %v", f)
	}
}

// The pictures are as they were when somebody last looked at them.
func TestPictures(t *testing.T) {
	for name, s := range map[string]synth.Spectrum{
		"infrared": synth.Infrared(with(thin, func(r *synth.Recipe) { r.Organics, r.Ring, r.Ester = 1, 0.6, 0.8 })),
		"thick":    synth.Infrared(with(thick, func(r *synth.Recipe) { r.Organics = 0.6 })).Through(),
		"raman":    synth.RamanShift(with(shift, func(r *synth.Recipe) { r.Carbon = 0.4 })),
	} {
		got := mustSay(t, s, nil).SVG()
		path := "testdata/" + name + ".svg"
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s is drawn in another way; -update, and look at it", path)
		}
	}
}

// Percents are percents however small they are, where the file says so; where only their size tells, a note says it. A logarithm is taken once.
func TestUnits(t *testing.T) {
	for name, c := range map[string]struct {
		head string
		y    [2]float64
		want [2]float64 // as signals
		note string
	}{
		"percents":         {"cm-1 %T", [2]float64{1, 0.5}, [2]float64{2, 2 - math.Log10(0.5)}, ""},
		"in words":         {"transmittance (percent)", [2]float64{1, 0.5}, [2]float64{2, 2 - math.Log10(0.5)}, ""},
		"shares":           {"transmittance", [2]float64{1, 0.5}, [2]float64{0, -math.Log10(0.5)}, ""},
		"by size":          {"transmittance", [2]float64{100, 50}, [2]float64{0, -math.Log10(0.5)}, "read as percents"},
		"reflected light":  {"%R", [2]float64{10, 1}, [2]float64{1, 2}, "apparent absorbance"},
		"its logarithm":    {"log(1/Reflectance)", [2]float64{0.7, 1.5}, [2]float64{0.7, 1.5}, "apparent absorbance"},
		"log(1/T)":         {"log(1/T)", [2]float64{0.7, 1.5}, [2]float64{0.7, 1.5}, ""},
		"nothing but size": {"spectrum", [2]float64{0.7, 1.5}, [2]float64{0.7, 1.5}, "read as absorbance"},
		"nothing, large":   {"spectrum", [2]float64{100, 10}, [2]float64{0, 1}, "read as transmittance in percent"},
	} {
		for _, jcamp := range []bool{false, true} {
			text := fmt.Sprintf("%s\n4000 %v\n4001 %v\n", c.head, c.y[0], c.y[1])
			if jcamp {
				head := strings.TrimPrefix(c.head, "cm-1 ")
				if head == "spectrum" {
					head = ""
				}
				text = fmt.Sprintf("$$ made\n\n##TITLE=a\n##DATA TYPE=FT-IR SPECTRUM\n##YUNITS=%s\n##XYPOINTS=(XY..XY)\n4000 %v\n4001 %v\n##PEAK TABLE=(XY..XY)\n4000 1\n##END=\n\x1a", head, c.y[0], c.y[1])
			}
			curve, f := Parse([]byte(text))
			if f == nil {
				f = curve.settle(Infrared)
			}
			if f != nil {
				t.Errorf("%s: %v", name, f)
				continue
			}
			for i, want := range c.want {
				if got := curve.signal(curve.Y[i]); math.Abs(got-want) > 1e-9 {
					t.Errorf("%s: %v, want %v", name, got, want)
				}
			}
			if notes := strings.Join(curve.Notes, " "); c.note == "" && notes != "" || !strings.Contains(notes, c.note) {
				t.Errorf("%s: %q", name, notes)
			}
		}
	}
}
