package assay

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// readings puts minutes and masses together.
func readings(dry opal.Mass, minutes []float64, masses ...opal.Mass) *opal.UptakeReadings {
	r := &opal.UptakeReadings{DryMass: dry}
	for i, m := range minutes {
		r.Readings = append(r.Readings, opal.UptakeReading{Minutes: m, Mass: masses[i]})
	}
	return r
}

// uptakeOf fails the test where readings are refused.
func uptakeOf(t *testing.T, r *opal.UptakeReadings, material opal.Material) *UptakeResult {
	t.Helper()
	out, f := Uptake(r, material)
	if f != nil {
		t.Fatal(f)
	}
	return out
}

// The curve, its errors and the slope against √t are those of SciPy's curve_fit (Levenberg–Marquardt of MINPACK) and lstsq. The dry mass's share of the
// errors is made there by fitting again with the dry mass moved, here by propagation.
func TestFitAgainstSciPy(t *testing.T) {
	file, err := os.Open("testdata/scipy_fit.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil || len(rows) < 8 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		t.Run(row[0], func(t *testing.T) {
			number := func(s string) float64 {
				t.Helper()
				v, err := strconv.ParseFloat(s, 64)
				if err != nil {
					t.Fatal(err)
				}
				return v
			}
			var minutes []float64
			for _, m := range strings.Fields(row[2]) {
				minutes = append(minutes, number(m))
			}
			var masses []opal.Mass
			for _, m := range strings.Split(row[3], "; ") {
				masses = append(masses, opal.Mass(m))
			}
			r := uptakeOf(t, readings(opal.Mass(row[1]), minutes, masses...), opal.Material{})
			if r.Fit == nil {
				t.Fatalf("no fit: %q", r.Says)
			}
			near := func(what string, got, want, share float64) {
				t.Helper()
				if !(math.Abs(got-want) <= share*want) {
					t.Errorf("%s %v, SciPy has %v", what, got, want)
				}
			}
			near("w∞", r.Fit.Saturation.Value, number(row[4]), 1e-6)
			near("error of w∞", r.Fit.Saturation.Uncertainty, number(row[5]), 0.02)
			near("τ", r.Fit.TauMinutes.Value, number(row[6]), 1e-6)
			near("error of τ", r.Fit.TauMinutes.Uncertainty, number(row[7]), 0.02)
			if (row[9] == "") != (r.RootSlope == nil) {
				t.Fatalf("slope %v, SciPy has %q", r.RootSlope, row[9])
			}
			if r.RootSlope != nil {
				near("slope", r.RootSlope.Value, number(row[9]), 1e-5)
			}
		})
	}
}

// The table is what the script makes: Debian's python3-scipy, which .ci/test installs.
func TestTheTableIsSciPys(t *testing.T) {
	cmd := exec.Command("/usr/bin/python3", "testdata/scipy_fit.py")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	made, err := cmd.Output()
	if err != nil {
		t.Fatalf("apt-get install python3-scipy: %v: %s", err, stderr.String())
	}
	kept, err := os.ReadFile("testdata/scipy_fit.csv")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(made, kept) {
		t.Errorf("the script makes\n%s", made)
	}
}

// random is xorshift64*: numbers from 0 to 1, the same in each run.
type random uint64

func (r *random) next() float64 {
	*r ^= *r >> 12
	*r ^= *r << 25
	*r ^= *r >> 27
	return float64(uint64(*r)*2685821657736338717>>11) / (1 << 53)
}

// The standard errors are how far the answers scatter when each weighing, the dry one too, is thrown anew within its step.
func TestFitErrorsAgainstSimulation(t *testing.T) {
	const dry, saturation, tau, rounds = 2.0, 0.08, 25.0, 4000
	minutes := []float64{2, 5, 10, 20, 40, 60, 120, 240}
	rng := random(7)
	var sumS, sumS2, sumT, sumT2 float64
	for range rounds {
		off := func(step float64) float64 { return step * (rng.next() - 0.5) }
		m0 := dry + off(0.001)
		var s series
		for _, at := range minutes {
			m := dry*(1-saturation*math.Expm1(-at/tau)) + off(0.001)
			s.t, s.w = append(s.t, at), append(s.w, (m-m0)/m0)
			s.u, s.shift = append(s.u, 0.001/math.Sqrt(12)/m0), append(s.shift, 0)
		}
		c, why := s.fit()
		if c == nil {
			t.Fatal(why)
		}
		sumS, sumS2 = sumS+c.saturation-saturation, sumS2+(c.saturation-saturation)*(c.saturation-saturation)
		sumT, sumT2 = sumT+c.tau-tau, sumT2+(c.tau-tau)*(c.tau-tau)
	}
	sd := func(sum, squares float64) float64 { return math.Sqrt(squares/rounds - sum*sum/rounds/rounds) }

	masses := make([]opal.Mass, len(minutes))
	for i, at := range minutes {
		masses[i] = opal.Mass(strconv.FormatFloat(dry*(1-saturation*math.Expm1(-at/tau)), 'f', 3, 64) + " g")
	}
	f := uptakeOf(t, readings("2.000 g", minutes, masses...), opal.Material{}).Fit
	// Readings rounded once scatter about their step, so the budget is compared to within a quarter; were the dry mass left out, w∞ would miss by half.
	for what, pair := range map[string][2]float64{"w∞": {f.Saturation.Uncertainty, sd(sumS, sumS2)}, "τ": {f.TauMinutes.Uncertainty, sd(sumT, sumT2)}} {
		if math.Abs(pair[0]-pair[1]) > 0.25*pair[1] {
			t.Errorf("%s: stated %v, simulated %v", what, pair[0], pair[1])
		}
	}
}

// What the readings do not determine is not given, and why is said.
func TestNoCurve(t *testing.T) {
	ten := []float64{10, 20, 60, 240}
	for name, x := range map[string]struct {
		r     *opal.UptakeReadings
		class opal.Outcome
		says  string
	}{
		"two readings":          {readings("10.00 g", []float64{10, 150}, "10.30 g", "10.50 g"), "MODERATE", "three readings in the water or more"},
		"one of them at zero":   {readings("10.00 g", []float64{0, 10, 150}, "10.00 g", "10.30 g", "10.50 g"), "MODERATE", "three readings in the water or more"},
		"full at the first":     {readings("10.0000 g", ten, "10.5000 g", "10.5000 g", "10.5000 g", "10.5000 g"), "MODERATE", "by the first reading, at 10 minutes; how fast is not known"},
		"a straight line":       {readings("10.0000 g", []float64{60, 120, 180, 240}, "10.0600 g", "10.1200 g", "10.1800 g", "10.2400 g"), "MODERATE", "still drinking at the last reading"},
		"nothing":               {readings("10.00 g", ten, "10.00 g", "10.01 g", "10.00 g", "10.01 g"), "NEGLIGIBLE", "no more than the scale can tell from nothing"},
		"a scale that is blind": {readings("2 ct", ten, "2 ct", "2 ct", "2 ct", "2 ct"), unreadable, "it may be negligible or strong"},
		"less than dry":         {readings("10.000 g", ten, "9.950 g", "9.900 g", "9.800 g", "9.700 g"), unreadable, "3.00 ± 0.01 % less than dry"},
		"grams for carats":      {readings("6.123 ct", ten, "6.301 g", "6.420 g", "6.430 g", "6.444 g"), unreadable, "look for a slip"},
		"on an edge":            {readings("10.00 g", ten, "10.20 g", "10.20 g", "10.20 g", "10.20 g"), unreadable, "it may be slight or moderate"},
		"up and down":           {readings("10.000 g", ten, "10.500 g", "10.100 g", "10.500 g", "10.100 g"), unreadable, "so the readings contradict each other, and it has no class. The readings follow no curve that rises and settles, so where it ends is not known. Its mass fell between 10 and 20 minutes"},
	} {
		t.Run(name, func(t *testing.T) {
			r := uptakeOf(t, x.r, opal.Material{})
			if says := strings.Join(r.Says, " "); r.Class != x.class || !strings.Contains(says, x.says) {
				t.Errorf("%s %q, want %s and %q", r.Class, says, x.class, x.says)
			}
			if name != "grams for carats" && (r.Fit.settled(r.last().Minutes) || strings.Contains(strings.Join(r.Says, " "), "settles at")) {
				t.Errorf("settled: %+v %q", r.Fit, r.Says)
			}
			if name == "grams for carats" && strings.Contains(strings.Join(r.Says, " "), "settles") {
				t.Errorf("%q", r.Says)
			}
		})
	}
}

// A worse scale never gives a firmer answer: with each digit less, the class stays or becomes UNREADABLE.
func TestCoarserScalesSayLess(t *testing.T) {
	for _, saturation := range []float64{0.003, 0.012, 0.04, 0.09} {
		want := class(saturation)
		for digits := 5; digits >= 0; digits-- {
			g := func(w float64) opal.Mass { return opal.Mass(strconv.FormatFloat(1.0*(1+w), 'f', digits, 64) + " g") }
			r := readings(g(0), []float64{10, 60, 240}, g(-saturation*math.Expm1(-10/12.0)), g(-saturation*math.Expm1(-60/12.0)), g(saturation))
			if got := uptakeOf(t, r, opal.Material{}).Class; got != want && got != unreadable || digits == 5 && got != want || digits == 0 && got != unreadable {
				t.Errorf("%v with %d decimals: %s", saturation, digits, got)
			}
		}
	}
}

// The classes' edges, and that of two hours.
func TestClassEdges(t *testing.T) {
	for w, want := range map[float64]opal.Outcome{0.00499: "NEGLIGIBLE", 0.005: "SLIGHT", 0.01999: "SLIGHT", 0.02: "MODERATE", 0.05999: "MODERATE", 0.06: "STRONG", -0.01: "NEGLIGIBLE"} {
		if got := class(w); got != want {
			t.Errorf("%v: %s, want %s", w, got, want)
		}
	}
	for minutes, want := range map[float64]opal.Outcome{119.9: unreadable, 120: "MODERATE"} {
		if got := uptakeOf(t, readings("10.000 g", []float64{minutes}, "10.400 g"), opal.Material{}).Class; got != want {
			t.Errorf("%v minutes: %s, want %s", minutes, got, want)
		}
	}
}

// The caramel exception stands wherever the look does not rule it out.
func TestCaramelStones(t *testing.T) {
	low := func(before opal.Look) *opal.UptakeReadings {
		r := readings("10.0000 g", []float64{240}, "10.0200 g")
		r.TransparencyBefore = before
		return r
	}
	for name, x := range map[string]struct {
		r    *opal.UptakeReadings
		look opal.Look
		want bool
	}{
		"semi-opaque by the record": {low(""), opal.SemiOpaque, true}, "opaque when it was soaked": {low(opal.Opaque), opal.Translucent, true},
		"nobody said": {low(""), "", true}, "translucent": {low(""), opal.Translucent, false}, "transparent": {low(opal.Transparent), "", false},
	} {
		r := uptakeOf(t, x.r, opal.Material{Look: x.look})
		if got := strings.Contains(strings.Join(r.Silent, " "), "caramel"); got != x.want || r.Class != "NEGLIGIBLE" {
			t.Errorf("%s: %s %q", name, r.Class, r.Silent)
		}
	}
}

// A slip within readings is refused with its path.
func TestUptakeRefusals(t *testing.T) {
	minute := []float64{10, 60}
	for name, x := range map[string]struct {
		r     *opal.UptakeReadings
		field string
	}{
		"no mass":        {readings("10 g", minute, "10.1 g", ""), "uptake.readings[1].mass"},
		"not a mass":     {readings("10 g", minute, "10,1 g", "10.1 g"), "uptake.readings[0].mass"},
		"not a number":   {readings("10 g", []float64{10, math.NaN()}, "10.1 g", "10.2 g"), "uptake.readings[1].minutes"},
		"endless":        {readings("10 g", []float64{10, math.Inf(1)}, "10.1 g", "10.2 g"), "uptake.readings[1].minutes"},
		"before it went": {readings("10 g", []float64{-1, 10}, "10.1 g", "10.2 g"), "uptake.readings[0].minutes"},
		"out of order":   {readings("10 g", []float64{60, 10}, "10.1 g", "10.2 g"), "uptake.readings[1].minutes"},
		"twice at once":  {readings("10 g", []float64{10, 10}, "10.1 g", "10.2 g"), "uptake.readings[1].minutes"},
		"dry":            {readings("0 g", minute, "10.1 g", "10.2 g"), "uptake.dryMass"},
		"too many":       {&opal.UptakeReadings{DryMass: "10 g", Readings: make([]opal.UptakeReading, opal.MaxReadings+1)}, "uptake.readings"},
	} {
		_, f := Of(&opal.Measurement{Uptake: x.r}, opal.Material{})
		if f == nil || f.Field != x.field || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %v", name, f)
		}
	}
	hot := readings("10 g", minute, "10.1 g", "10.2 g")
	hot.WaterTemperatureCelsius = celsius(60)
	if _, f := Uptake(hot, opal.Material{}); f == nil || f.Field != "waterTemperatureCelsius" {
		t.Errorf("%v", f)
	}
}

// Where the curve's end straddles an edge, the last reading decides, if it does not; and where that does too, nothing.
func TestTheLastReadingSpeaks(t *testing.T) {
	minutes := []float64{5, 10, 20, 60, 240}
	r := uptakeOf(t, readings("10.0000 g", minutes, "10.2100 g", "10.3700 g", "10.4600 g", "10.6400 g", "10.6200 g"), opal.Material{})
	low, high := classOf(r.Fit.Saturation)
	if !r.Fit.settled(240) || low == high {
		t.Fatalf("the readings do not make the case: %+v", r.Fit)
	}
	if r.Class != "STRONG" {
		t.Errorf("%s %q", r.Class, r.Says)
	}
}

func TestDryAgain(t *testing.T) {
	for name, x := range map[string]struct {
		dry, wet, dried opal.Mass
		also            opal.Outcome
		says            string
	}{
		"as before":             {"10.000 g", "10.400 g", "10.000 g", "", "weighs what it weighed before."},
		"a step below":          {"10.000 g", "10.400 g", "9.999 g", "", "weighs what it weighed before."},
		"a step above":          {"10.000 g", "10.400 g", "10.001 g", "", "weighs what it weighed before."},
		"two steps below":       {"10.000 g", "10.400 g", "9.998 g", "LOST_MASS", "0.02 % less"},
		"two steps above":       {"10.000 g", "10.400 g", "10.002 g", "RESIDUE_LEFT", "0.02 % more"},
		"a scale that is blind": {"10 g", "15 g", "10 g", "", "to within the 12.2 %"},
	} {
		r := readings(x.dry, []float64{240}, x.wet)
		r.DriedMass = x.dried
		out := uptakeOf(t, r, opal.Material{})
		var also opal.Outcome
		if len(out.Also) > 0 {
			also = out.Also[0]
		}
		if says := strings.Join(out.Says, " "); also != x.also || !strings.Contains(says, x.says) {
			t.Errorf("%s: %q %q, want %q and %q", name, also, says, x.also, x.says)
		}
	}
}
