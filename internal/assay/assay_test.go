package assay

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func celsius(t float64) *float64 { return &t }

// G. S. Kell, J. Chem. Eng. Data 20:97 (1975), values in kg/m³ by its formula; at 20 and 25 °C the common handbook table has 998.2071 and 997.0479.
func TestWaterDensity(t *testing.T) {
	for c, want := range map[float64]float64{4: 999.9720, 10: 999.6996, 15: 999.0996, 18: 998.5956, 20: 998.2041, 22: 997.7705, 25: 997.0449, 27: 996.5132, 30: 995.6473, 40: 992.2158} {
		if got := 1000 * WaterDensity(c); math.Abs(got-want) > 6e-5 {
			t.Errorf("%v °C: %.4f, want %.4f", c, got, want)
		}
	}
	for c, want := range map[float64]float64{10: 999.7026, 15: 999.1026, 20: 998.2071, 25: 997.0479, 30: 995.6502} {
		if got := 1000 * WaterDensity(c); math.Abs(got-want)/want > 6e-6 {
			t.Errorf("%v °C: %.4f, the handbook has %.4f", c, got, want)
		}
	}
}

// The relations of ASTM C20 and C373. Silicon carbide: D. R. Askeland, The Science and Engineering of Materials, chapter 15 example: dry 360, soaked 385,
// suspended 224; alumina: problem 15-21: 80, 92, 58; an opal-like stone made for this purpose. In the textbook the water's density is 1.
func TestHydrostaticWorkedExamples(t *testing.T) {
	for name, x := range map[string]struct {
		d, w, s                                   opal.Mass
		porosity, bulk, solid, absorption, volume float64
	}{
		"silicon carbide": {"360 g", "385 g", "224 g", 0.155280, 2.236025, 2.647059, 0.069444, 161},
		"alumina":         {"80 g", "92 g", "58 g", 0.352941, 2.352941, 3.636364, 0.15, 34},
		"opal-like":       {"10.000 g", "10.900 g", "5.357 g", 0.162367, 1.80085 / 0.99821, 2.15378, 0.09, 5.55294 * 0.99821},
	} {
		r, f := Hydrostatic(&opal.HydrostaticReading{DryMass: x.d, SuspendedMass: x.s, SoakedMass: x.w, WaterTemperatureCelsius: celsius(20)}, opal.Hydrophane)
		if f != nil {
			t.Fatal(f)
		}
		rho := WaterDensity(20)
		for what, pair := range map[string][2]float64{
			"porosity": {r.ApparentPorosity.Value, x.porosity}, "bulk density": {r.BulkDensity.Value / rho, x.bulk},
			"specific gravity": {r.ApparentSpecificGravity.Value, x.solid}, "absorption": {r.WaterAbsorption.Value, x.absorption},
			"volume": {r.ExteriorVolumeCm3.Value * rho, x.volume},
			// The identity P = A·B/ρ.
			"identity": {r.ApparentPorosity.Value, r.WaterAbsorption.Value * r.BulkDensity.Value / rho},
		} {
			if math.Abs(pair[0]-pair[1]) > 2e-5*math.Abs(pair[1]) {
				t.Errorf("%s: %s %v, want %v", name, what, pair[0], pair[1])
			}
		}
	}
}

// F. B. Wade, A Text-Book of Precious Stones (1918): 4.02 ct in air, 3.02 ct in water, specific gravity 4.02. And the error of a reading: 0.01 ct of a 2 ct
// stone of 4 make 0.08, as δ = δw·SG²/m; here the step of 0.01 ct counts as 0.01/√12 in each weighing.
func TestTwoWeights(t *testing.T) {
	r, f := Hydrostatic(&opal.HydrostaticReading{DryMass: "4.02 ct", SuspendedMass: "3.02 ct"}, opal.UnknownKind)
	if f != nil || math.Abs(r.ApparentSpecificGravity.Value-4.02) > 1e-9 || r.ApparentPorosity != nil || r.WaterAbsorption != nil {
		t.Fatalf("%+v, %v", r, f)
	}
	if r.Outcome != aboveRange || !strings.Contains(strings.Join(r.Says, " "), "20 °C was taken") {
		t.Errorf("%s, %q", r.Outcome, r.Says)
	}
	r, f = Hydrostatic(&opal.HydrostaticReading{DryMass: "2.00 ct", SuspendedMass: "1.50 ct", WaterTemperatureCelsius: celsius(20)}, opal.UnknownKind)
	if f != nil {
		t.Fatal(f)
	}
	u := 0.01 / math.Sqrt(12)
	if want := 4.0 * 4 / 2 * u * math.Hypot(1, 0.75); math.Abs(r.ApparentSpecificGravity.Uncertainty-want) > 1e-9 {
		t.Errorf("uncertainty %v, want %v", r.ApparentSpecificGravity.Uncertainty, want)
	}
}

// The budget holds against a simulation: readings thrown with the steps' rectangular distributions and a normal temperature.
func TestUncertaintyBudget(t *testing.T) {
	rng := random(42)
	uniform := func() float64 { return rng.next() }
	r, f := Hydrostatic(&opal.HydrostaticReading{DryMass: "3.41 ct", SuspendedMass: "1.70 ct", SoakedMass: "3.65 ct", WaterTemperatureCelsius: celsius(22)}, opal.Hydrophane)
	if f != nil {
		t.Fatal(f)
	}
	const n = 200_000
	var sums, squares [4]float64
	for range n {
		step := func(ct float64) float64 { return 0.2 * (ct + 0.01*(uniform()-0.5)) }
		d, s, w := step(3.41), step(1.70), step(3.65)
		rho := WaterDensity(22 + 0.5*math.Sqrt(-2*math.Log(uniform()+1e-300))*math.Cos(2*math.Pi*uniform()))
		for i, v := range [4]float64{(w - s) / rho, (w - d) / (w - s), d / (d - s), d * rho / (w - s)} {
			sums[i] += v
			squares[i] += v * v
		}
	}
	for i, u := range [4]float64{r.ExteriorVolumeCm3.Uncertainty, r.ApparentPorosity.Uncertainty, r.ApparentSpecificGravity.Uncertainty, r.BulkDensity.Uncertainty} {
		mean := sums[i] / n
		if sd := math.Sqrt(squares[i]/n - mean*mean); math.Abs(sd-u) > 0.02*sd {
			t.Errorf("figure %d: budget %v, simulated %v", i, u, sd)
		}
	}
}

func TestPlaces(t *testing.T) {
	s := span{low: 1.74, high: 2.00, source: "x"}
	for want, v := range map[opal.Outcome]Value{withinRange: {1.85, 0.02}, belowRange: {1.60, 0.05}, aboveRange: {2.10, 0.04}, unreadable: {1.99, 0.02}} {
		if got := s.place(v); got != want {
			t.Errorf("%+v: %s, want %s", v, got, want)
		}
	}
}

// Uptake of published bench notes: 6.243 ct to 6.474 ct is 3.700 %, 6.123 to 6.444 5.243 %, 8.719 to 8.793 0.849 %, 9.353 to 9.473 1.283 %; dyed stones after 48
// hours 10.508 and 15.108 %, and after a month of drying 1.69 and 2.16 % below where they began.
func TestUptakePublishedFigures(t *testing.T) {
	for _, x := range []struct {
		dry, wet, dried opal.Mass
		want            float64
		class           opal.Outcome
		also            string
	}{
		{"6.243 ct", "6.474 ct", "", 0.03700, "MODERATE", ""},
		{"6.123 ct", "6.444 ct", "", 0.05243, "MODERATE", ""},
		{"8.719 ct", "8.793 ct", "8.719 ct", 0.00849, "SLIGHT", ""},
		{"9.353 ct", "9.473 ct", "9.401 ct", 0.01283, "SLIGHT", "RESIDUE_LEFT"},
		{"1.475 ct", "1.63 ct", "1.45 ct", 0.10508, "STRONG", "LOST_MASS"},
		{"1.39 ct", "1.60 ct", "1.36 ct", 0.15108, "STRONG", "LOST_MASS"},
	} {
		r, f := Uptake(&opal.UptakeReadings{DryMass: x.dry, DriedMass: x.dried, Readings: []opal.UptakeReading{{Minutes: 2880, Mass: x.wet}}}, opal.Material{})
		if f != nil {
			t.Fatal(f)
		}
		also := ""
		if len(r.Also) > 0 {
			also = string(r.Also[0])
		}
		if got := r.Points[0].Uptake.Value; math.Abs(got-x.want) > 5e-6 || r.Class != x.class || also != x.also || r.Fit != nil {
			t.Errorf("%s to %s: %v %s %s, want %v %s %s", x.dry, x.wet, got, r.Class, also, x.want, x.class, x.also)
		}
	}
}

// curve makes readings of a stone of 10 g that drinks by the law, to 0.1 mg.
func curve(saturation, tau float64, minutes ...float64) *opal.UptakeReadings {
	r := &opal.UptakeReadings{DryMass: "10.0000 g", WaterTemperatureCelsius: celsius(20)}
	for _, m := range minutes {
		g := 10 * (1 - saturation*math.Expm1(-m/tau))
		r.Readings = append(r.Readings, opal.UptakeReading{Minutes: m, Mass: opal.Mass(strconv.FormatFloat(g, 'f', 4, 64) + " g")})
	}
	return r
}

// The fit finds what the readings were made with.
func TestFit(t *testing.T) {
	for _, x := range []struct{ saturation, tau float64 }{{0.08, 25}, {0.03, 8}, {0.12, 60}, {0.004, 30}} {
		r, f := Uptake(curve(x.saturation, x.tau, 1, 2, 5, 10, 20, 40, 60, 120, 240, 480), opal.Material{Look: opal.Translucent})
		if f != nil {
			t.Fatal(f)
		}
		if math.Abs(r.Fit.Saturation.Value-x.saturation) > 3e-5 || math.Abs(r.Fit.TauMinutes.Value-x.tau) > 0.02*x.tau {
			t.Errorf("%+v: %+v", x, r.Fit)
		}
		if d := math.Abs(r.Fit.TauMinutes.Value - x.tau); d > 4*r.Fit.TauMinutes.Uncertainty {
			t.Errorf("τ is off by %v, with an uncertainty of %v", d, r.Fit.TauMinutes.Uncertainty)
		}
		if want := r.Fit.TauMinutes.Value * math.Log(20); math.Abs(r.Fit.To95Minutes.Value-want) > 1e-9 {
			t.Errorf("to 95 %% %v, want %v", r.Fit.To95Minutes.Value, want)
		}
		if want := class(x.saturation); r.Class != want {
			t.Errorf("class %s, want %s", r.Class, want)
		}
	}
	// √t: a capillary of w = 0.01·√t up to the knee.
	r := &opal.UptakeReadings{DryMass: "10.0000 g"}
	for _, m := range []float64{1, 4, 9, 100, 144, 400} {
		r.Readings = append(r.Readings, opal.UptakeReading{Minutes: m, Mass: opal.Mass(strconv.FormatFloat(10*(1+min(0.01*math.Sqrt(m), 0.06)), 'f', 4, 64) + " g")})
	}
	if out, f := Uptake(r, opal.Material{}); f != nil || out.RootSlope == nil || math.Abs(out.RootSlope.Value-0.01) > 1e-4 {
		t.Errorf("%+v, %v", out, f)
	}
}

func TestUptakeSays(t *testing.T) {
	short, _ := Uptake(curve(0.08, 25, 5, 10, 20, 40, 60), opal.Material{})
	if short.Class != unreadable || !strings.Contains(strings.Join(short.Says, " "), "less than two hours") {
		t.Errorf("short: %s %q", short.Class, short.Says)
	}
	caramel, _ := Uptake(curve(0.004, 25, 5, 60, 240), opal.Material{Look: opal.SemiOpaque})
	if caramel.Class != "NEGLIGIBLE" || !strings.Contains(strings.Join(caramel.Silent, " "), "caramel") {
		t.Errorf("caramel: %s %q", caramel.Class, caramel.Silent)
	}
	slow, _ := Uptake(curve(0.2, 2000, 60, 120, 180, 240), opal.Material{})
	if slow.Class != class(slow.Points[3].Uptake.Value) || !strings.Contains(strings.Join(slow.Says, " "), "still drinking") {
		t.Errorf("slow: %s %q", slow.Class, slow.Says)
	}
}

func TestRefusals(t *testing.T) {
	h := func(d, s, w opal.Mass, t *float64) *opal.Measurement {
		return &opal.Measurement{Hydrostatic: &opal.HydrostaticReading{DryMass: d, SuspendedMass: s, SoakedMass: w, WaterTemperatureCelsius: t}}
	}
	for name, x := range map[string]struct {
		m     *opal.Measurement
		field string
		says  string
	}{
		"heavier in water":    {h("1.00 ct", "1.00 ct", "", nil), "hydrostatic.suspendedMass", "less than the dry mass"},
		"lighter when soaked": {h("2.00 ct", "1.00 ct", "1.90 ct", nil), "hydrostatic.soakedMass", "no less than the dry mass"},
		"no dry mass":         {h("", "1.00 ct", "", nil), "hydrostatic.dryMass", "accepted is a mass"},
		"boiling":             {h("2.00 ct", "1.00 ct", "", celsius(95)), "hydrostatic.waterTemperatureCelsius", "0 to 40"},
		"no temperature":      {h("2.00 ct", "1.00 ct", "", celsius(math.NaN())), "hydrostatic.waterTemperatureCelsius", "NaN"},
		"no readings":         {&opal.Measurement{Uptake: &opal.UptakeReadings{DryMass: "1 ct"}}, "uptake.readings", "found none"},
		"nothing dry":         {&opal.Measurement{Uptake: &opal.UptakeReadings{Readings: []opal.UptakeReading{{Minutes: 1, Mass: "1 ct"}}}}, "uptake.dryMass", "accepted"},
		"a spectrum":          {&opal.Measurement{Spectrum: &opal.SpectrumReading{}}, "", "a spectrum lies in a file"},
		"no index":            {&opal.Measurement{Refractometer: &opal.RefractometerReading{}}, "refractometer.indices", "found none"},
		"nothing at all":      {&opal.Measurement{}, "", "found no readings"},
	} {
		_, f := Of(x.m, opal.Material{})
		if f == nil || f.Reason != fault.InvalidField || f.Field != x.field || !strings.Contains(f.Message, x.says) || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %v", name, f)
		}
	}
}

// Whatever is measured gives a clear error or finite figures with words of the method, the same each time.
func TestAnyMeasurement(t *testing.T) {
	mass := func(t *rapid.T, name string) opal.Mass {
		return opal.Mass(strconv.FormatFloat(rapid.Float64Range(0.01, 2000).Draw(t, name), 'f', rapid.IntRange(0, 4).Draw(t, name+" digits"), 64) + " ct")
	}
	rapid.Check(t, func(t *rapid.T) {
		m, method := &opal.Measurement{}, opal.Hydrostatic
		if rapid.Bool().Draw(t, "uptake") {
			method = opal.WaterUptake
			m.Uptake = &opal.UptakeReadings{DryMass: mass(t, "dry"), DriedMass: mass(t, "dried")}
			at := 0.0
			for range rapid.IntRange(1, 30).Draw(t, "readings") {
				at += rapid.Float64Range(0.01, 3000).Draw(t, "minutes")
				m.Uptake.Readings = append(m.Uptake.Readings, opal.UptakeReading{Minutes: at, Mass: mass(t, "mass")})
			}
		} else {
			m.Hydrostatic = &opal.HydrostaticReading{DryMass: mass(t, "dry"), SuspendedMass: mass(t, "suspended"), SoakedMass: mass(t, "soaked"), WaterTemperatureCelsius: celsius(rapid.Float64Range(0, 40).Draw(t, "celsius"))}
		}
		c, f := Of(m, opal.Material{Kind: rapid.SampledFrom(opal.AllMaterialKinds()).Draw(t, "kind")})
		if f != nil {
			if f.Field == "" || !strings.Contains(f.Message, "accepted") {
				t.Fatal(f)
			}
			return
		}
		for _, o := range append([]opal.Outcome{c.Outcome}, c.Also...) {
			if !method.KnowsOutcome(o) {
				t.Fatalf("%s is no word of %s", o, method)
			}
		}
		for _, x := range c.Figures {
			if math.IsNaN(x.Value) || math.IsInf(x.Value, 0) || x.Uncertainty != nil && !(*x.Uncertainty >= 0 && !math.IsInf(*x.Uncertainty, 0)) {
				t.Fatalf("%+v", x)
			}
		}
		if len(c.Says) == 0 || len(c.Silent) == 0 || len(c.Cautions) == 0 {
			t.Fatalf("%+v", c)
		}
	})
}
