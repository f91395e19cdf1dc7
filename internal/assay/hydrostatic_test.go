package assay

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The water's density over the whole range against another formula: M. Tanaka et al., Metrologia 38:301 (2001), equation 1, which the CIPM recommends for
// 0 to 40 °C; at 20 °C it gives the 998.2067 of its own table.
func TestWaterDensityAgainstTanaka(t *testing.T) {
	tanaka := func(c float64) float64 {
		return 999.974950 * (1 - (c-3.983035)*(c-3.983035)*(c+301.797)/(522528.9*(c+69.34881)))
	}
	if got := tanaka(20); math.Abs(got-998.2067) > 5e-5 {
		t.Fatalf("the formula is copied wrong: %.4f at 20 °C", got)
	}
	for c := 0.0; c <= 40; c += 0.5 {
		if got, want := 1000*WaterDensity(c), tanaka(c); math.Abs(got-want)/want > 6e-6 {
			t.Errorf("%v °C: %.4f, Tanaka has %.4f", c, got, want)
		}
	}
	for c := 5.0; c < 40; c++ {
		if !(WaterDensity(c) > WaterDensity(c+1)) {
			t.Errorf("water does not get lighter from %v °C on", c)
		}
	}
}

// An aquamarine on a tared beaker, 2.06 g that displace 0.76 g: 2.71 (a public page on gem testing, read second-hand). And 10.00 g that weigh 4.43 g in water:
// ratio 1.795332, density 1.791159 g/cm³ in air of 0.0012 g/cm³ (computed by hand); leaving the air out makes 0.001. Water's
// expansion at 20 °C is 0.000207 per °C (handbook value, from memory), its temperature good to 0.5 °C.
func TestTwoWeightExamples(t *testing.T) {
	for name, x := range map[string]struct {
		dry, suspended opal.Mass
		want, within   float64
	}{
		"aquamarine": {"2.06 g", "1.30 g", 2.710526, 1e-6},
		"buoyancy":   {"10.00 g", "4.43 g", 1.795332, 1e-6},
	} {
		r, f := Hydrostatic(&opal.HydrostaticReading{DryMass: x.dry, SuspendedMass: x.suspended, WaterTemperatureCelsius: celsius(20)}, opal.Sedimentary)
		if f != nil || math.Abs(r.ApparentSpecificGravity.Value-x.want) > x.within {
			t.Errorf("%s: %+v, %v, want %v", name, r, f, x.want)
		}
		// With two weights B = T·ρ, so its relative uncertainty is that of T and ρ together.
		if b := r.BulkDensity; math.Abs(b.Uncertainty/b.Value-math.Hypot(r.ApparentSpecificGravity.Uncertainty/r.ApparentSpecificGravity.Value, 0.5*0.000207)) > 1e-6 {
			t.Errorf("%s: bulk density %v", name, b)
		}
		if name == "buoyancy" {
			if high := r.BulkDensity.Value - 1.791159; !(high > 0.0009 && high < 0.0011) {
				t.Errorf("the air makes %v", high)
			}
		}
	}
}

// From published hydrophane figures (lab note, Gems & Gemology 52(1), 2016: five slices of one rough, bulk density 1.93, uptake 5 to 13 %): by P = A·B/ρ
// the porosity is 9.67 to 25.14 % (computed).
func TestPublishedSlices(t *testing.T) {
	for _, x := range []struct {
		soaked opal.Mass
		want   float64
	}{{"2.0265 g", 0.0967}, {"2.1809 g", 0.2514}} {
		// A slice of 1.93 g dry and 1 cm³: its suspended weight is its soaked mass less the water of 1 cm³.
		suspended := opal.Mass(written(float64(x.soaked.Weight().Micrograms)/1e6-WaterDensity(20), 4) + " g")
		r, f := Hydrostatic(&opal.HydrostaticReading{DryMass: "1.9300 g", SuspendedMass: suspended, SoakedMass: x.soaked, WaterTemperatureCelsius: celsius(20)}, opal.Hydrophane)
		if f != nil {
			t.Fatal(f)
		}
		if math.Abs(r.ApparentPorosity.Value-x.want) > 3e-4 || math.Abs(r.BulkDensity.Value-1.93) > 2e-4 || r.Outcome != withinRange {
			t.Errorf("%s: porosity %v, bulk density %v, %s", x.soaked, r.ApparentPorosity.Value, r.BulkDensity.Value, r.Outcome)
		}
	}
}

// A small stone's error, as published: 5 ct of 2.0 to 0.01 ct in the water make 0.008, 2 ct 0.020, 0.5 ct of 2.1 0.088 (δ = δw·SG²/m). Here the reading is
// good to 0.01/√12 ct, and the dry one, read a hundred times finer, adds nothing.
func TestErrorOfSmallStones(t *testing.T) {
	for _, x := range []struct {
		dry, suspended opal.Mass
		want           float64
	}{{"5.0000 ct", "2.50 ct", 0.008}, {"2.0000 ct", "1.00 ct", 0.020}, {"0.5000 ct", "0.26 ct", 0.088}} {
		r, f := Hydrostatic(&opal.HydrostaticReading{DryMass: x.dry, SuspendedMass: x.suspended, WaterTemperatureCelsius: celsius(20)}, opal.Sedimentary)
		if f != nil {
			t.Fatal(f)
		}
		if got := r.ApparentSpecificGravity.Uncertainty * math.Sqrt(12); math.Abs(got-x.want) > 0.03*x.want {
			t.Errorf("%s: %v, published %v", x.dry, got, x.want)
		}
	}
}

func TestHydrostaticDoesNotOverstate(t *testing.T) {
	for name, x := range map[string]struct {
		kind       opal.MaterialKind
		d, s, w    opal.Mass
		want       opal.Outcome
		says       string
		warns, not string
	}{
		"hydrophane that may have drunk": {opal.Hydrophane, "5.000 g", "2.700 g", "", unreadable, "a stone that drinks while it hangs", "", "gains weight on the hook"},
		"the same, weighed soaked":       {opal.Hydrophane, "5.000 g", "2.700 g", "5.300 g", withinRange, "The pores", "gains weight on the hook", ""},
		"heavier than any opal":          {opal.Hydrophane, "5.000 g", "3.000 g", "", aboveRange, "above the usual range", "", ""},
		"light all the same":             {opal.Hydrophane, "5.000 g", "1.900 g", "", belowRange, "below the usual range", "", ""},
		"a dense one, sedimentary":       {opal.Sedimentary, "5.000 g", "2.850 g", "", aboveRange, "above the usual range", "", ""},
		"matrix":                         {opal.Matrix, "5.000 g", "2.900 g", "", unreadable, "weighs what its rock weighs", "", ""},
		"boulder":                        {opal.Boulder, "5.000 g", "3.150 g", "", withinRange, "2.60 to 2.80", "", ""},
		"a scale that is blind":          {opal.Sedimentary, "3 ct", "1 ct", "", unreadable, "cannot be told", "", ""},
		"a speck":                        {opal.UnknownKind, "0.01 ct", "0.001 ct", "", unreadable, "cannot be told", "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			r, f := Hydrostatic(&opal.HydrostaticReading{DryMass: x.d, SuspendedMass: x.s, SoakedMass: x.w, WaterTemperatureCelsius: celsius(20)}, x.kind)
			if f != nil {
				t.Fatal(f)
			}
			cautions := strings.Join(r.Cautions, " ")
			if says := strings.Join(r.Says, " "); r.Outcome != x.want || !strings.Contains(says, x.says) || !strings.Contains(cautions, x.warns) ||
				x.not != "" && strings.Contains(cautions, x.not) {
				t.Errorf("%s %q %q, want %s and %q", r.Outcome, says, cautions, x.want, x.says)
			}
		})
	}
	hot, _ := Hydrostatic(&opal.HydrostaticReading{DryMass: "5 g", SuspendedMass: "2 g", WaterTemperatureCelsius: celsius(38)}, opal.Hydrophane)
	if !strings.Contains(strings.Join(hot.Cautions, " "), "Warm water") {
		t.Errorf("%q", hot.Cautions)
	}
}

// A soaked mass below the suspended one would give a volume below zero, however coarse the scale is.
func TestNoVolumeBelowZero(t *testing.T) {
	_, f := Hydrostatic(&opal.HydrostaticReading{DryMass: "2 ct", SuspendedMass: "1.99 ct", SoakedMass: "1 ct"}, opal.Hydrophane)
	if f == nil || f.Field != "soakedMass" || f.Reason != fault.InvalidField || !strings.Contains(f.Message, "more than the suspended mass") {
		t.Errorf("%v", f)
	}
}

func TestSinceAnEarlierWeighing(t *testing.T) {
	three := func(d, s, w opal.Mass) *opal.HydrostaticReading {
		return &opal.HydrostaticReading{DryMass: d, SuspendedMass: s, SoakedMass: w, WaterTemperatureCelsius: celsius(20)}
	}
	// The stone of 1.80085 g/cm³; filled, it has the same volume and weighs 6 % more.
	open, filled := three("10.000 g", "5.357 g", "10.900 g"), three("10.600 g", "5.377 g", "10.920 g")
	for name, x := range map[string]struct {
		now, before         *opal.HydrostaticReading
		kind                opal.MaterialKind
		moisture, wetBefore opal.Moisture
		want                opal.Outcome
		says                string
	}{
		"filled":                      {filled, open, opal.Hydrophane, opal.Dry, opal.Dry, "ROSE_SINCE_LAST", "rose, 1.801 to 1.909"},
		"filled, at room moisture":    {filled, open, opal.Hydrophane, opal.Room, opal.Room, "ROSE_SINCE_LAST", "rose"},
		"emptied":                     {open, filled, opal.Hydrophane, opal.Dry, opal.Dry, "FELL_SINCE_LAST", "fell, 1.909 to 1.801"},
		"the same":                    {open, open, opal.Hydrophane, opal.Dry, opal.Dry, "", "no difference"},
		"drier air":                   {three("10.150 g", "5.357 g", "10.900 g"), open, opal.Hydrophane, opal.Room, opal.Room, "", "no difference"},
		"as much, no hydrophane":      {three("10.150 g", "5.357 g", "10.900 g"), open, opal.Sedimentary, opal.Room, opal.Room, "ROSE_SINCE_LAST", "rose"},
		"within coarse scales":        {three("10.6 g", "5.3 g", "10.9 g"), three("10 g", "5 g", "11 g"), opal.Sedimentary, opal.Dry, opal.Dry, "", "no difference"},
		"dry against room":            {filled, open, opal.Hydrophane, opal.Dry, opal.Room, "", "has to be dry"},
		"soaked both times":           {filled, open, opal.Hydrophane, opal.Soaked, opal.Soaked, "", "has to be dry"},
		"nobody said":                 {filled, open, opal.Hydrophane, "", "", "", "has to be dry"},
		"two against three":           {three("10.600 g", "5.377 g", ""), open, opal.Hydrophane, opal.Dry, opal.Dry, "", "two weights and the other with three"},
		"two weights of one":          {three("10.600 g", "5.377 g", ""), three("10.000 g", "5.000 g", ""), opal.Hydrophane, opal.Dry, opal.Dry, "", "how much a stone drank"},
		"two, of a stone that cannot": {three("10.600 g", "5.600 g", ""), three("10.600 g", "5.377 g", ""), opal.Sedimentary, opal.Dry, opal.Dry, "ROSE_SINCE_LAST", "rose"},
		"an earlier one of no use":    {open, three("5 g", "6 g", ""), opal.Hydrophane, opal.Dry, opal.Dry, "", "cannot be used"},
	} {
		t.Run(name, func(t *testing.T) {
			m := &opal.Measurement{Hydrostatic: x.now}
			c, f := OfSince(m, opal.Material{Kind: x.kind}, x.moisture, &Earlier{x.before, x.wetBefore})
			if f != nil {
				t.Fatal(f)
			}
			var want []opal.Outcome
			if x.want != "" {
				want = []opal.Outcome{x.want}
			}
			if says := strings.Join(c.Says, " "); !slices.Equal(c.Also, want) || !strings.Contains(says, x.says) {
				t.Errorf("%v %q, want %v and %q", c.Also, says, want, x.says)
			}
			alone, _ := Of(m, opal.Material{Kind: x.kind})
			if alone.Outcome != c.Outcome || len(alone.Also) != 0 || !slices.EqualFunc(alone.Figures, c.Figures, sameFigure) {
				t.Errorf("the comparison changes the measurement: %+v, alone %+v", c, alone)
			}
		})
	}
}

func sameFigure(a, b opal.Figure) bool {
	return a.Name == b.Name && a.Value == b.Value && a.Unit == b.Unit && *a.Uncertainty == *b.Uncertainty
}
