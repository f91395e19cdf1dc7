package assay

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// sound holds an answer to what each keeps: a refusal names field and what is accepted, figures are finite and to nine digits, words are the method's own,
// and the same comes again.
func sound(t *testing.T, m *opal.Measurement, method opal.Method, c *opal.Computed, f *fault.Error) {
	t.Helper()
	if f != nil {
		if c != nil || f.Field == "" || !strings.Contains(f.Message, "found") || !strings.Contains(f.Message, "accepted") {
			t.Fatalf("%+v, %v", c, f)
		}
		return
	}
	if len(c.Says) == 0 || len(c.Silent) == 0 || len(c.Cautions) == 0 || c.Algorithm == "" {
		t.Fatalf("%+v", c)
	}
	for _, o := range append([]opal.Outcome{c.Outcome}, c.Also...) {
		if !method.KnowsOutcome(o) {
			t.Fatalf("%s is no word of %s", o, method)
		}
	}
	for _, x := range c.Figures {
		if x.Value != numeric.Nine(x.Value) || math.IsInf(x.Value, 0) || x.Uncertainty != nil && !(*x.Uncertainty >= 0 && *x.Uncertainty == numeric.Nine(*x.Uncertainty) && !math.IsInf(*x.Uncertainty, 0)) {
			t.Fatalf("%+v", x)
		}
	}
	for _, s := range slices.Concat(c.Says, c.Silent, c.Cautions) {
		if !strings.HasSuffix(s, ".") || strings.Contains(s, "NaN") || strings.Contains(s, "Inf") {
			t.Fatalf("%q", s)
		}
	}
	first, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := Of(m, opal.Material{Kind: opal.Hydrophane})
	if second, err := json.Marshal(again); err != nil || string(first) != string(second) {
		t.Fatalf("%s, then %s, %v", first, second, err)
	}
}

// Readings are written "minutes mass; minutes mass".
func FuzzUptake(f *testing.F) {
	f.Add("6.123 ct", "10 6.301 ct; 40 6.420 ct; 150 6.444 ct", "6.124 ct", 20.0)
	f.Add("10.000 g", "0 10.000 g; 1 9.0 g; 2 11 g; 500000 10.1 g", "", 40.0)
	f.Add("0.000001 g", "NaN 100000 kg; 1 0.000001 g; 1 1 ct", "1 oz", math.NaN())
	f.Add("1 g", "1e-300 1.1 g; 2e-300 1.2 g; 3e-300 1.3 g; 527040 1.3 g", "x", 0.0)
	f.Add("1 g", "1 1.1 g; 1.0000000000000002 1.2 g; 1.0000000000000004 1.3 g; 300 1.3 g", "1.0 g", -1.0)
	f.Fuzz(func(t *testing.T, dry, text, dried string, degrees float64) {
		m := &opal.Measurement{Uptake: &opal.UptakeReadings{DryMass: opal.Mass(dry), DriedMass: opal.Mass(dried), WaterTemperatureCelsius: &degrees}}
		if text != "" {
			for part := range strings.SplitSeq(text, "; ") {
				minutes, mass, _ := strings.Cut(part, " ")
				at, err := strconv.ParseFloat(minutes, 64)
				if err != nil {
					at = float64(len(m.Uptake.Readings))
				}
				m.Uptake.Readings = append(m.Uptake.Readings, opal.UptakeReading{Minutes: at, Mass: opal.Mass(mass)})
			}
		}
		begun := time.Now()
		c, refused := Of(m, opal.Material{Kind: opal.Hydrophane})
		if took := time.Since(begun); took > 2*time.Second {
			t.Fatalf("%d readings took %v", len(m.Uptake.Readings), took)
		}
		sound(t, m, opal.WaterUptake, c, refused)
		if refused == nil {
			r := uptakeOf(t, m.Uptake, opal.Material{})
			elements(t, r.SVG())
		}
	})
}

func FuzzHydrostatic(f *testing.F) {
	f.Add("10.000 g", "5.357 g", "10.900 g", 20.0)
	f.Add("2 ct", "1.99 ct", "1 ct", 0.0)
	f.Add("100000 kg", "0.000001 g", "100000 kg", 40.0)
	f.Add("3.41 ct", "-1 ct", "", math.Inf(1))
	f.Fuzz(func(t *testing.T, dry, suspended, soaked string, degrees float64) {
		m := &opal.Measurement{Hydrostatic: &opal.HydrostaticReading{
			DryMass: opal.Mass(dry), SuspendedMass: opal.Mass(suspended), SoakedMass: opal.Mass(soaked), WaterTemperatureCelsius: &degrees,
		}}
		c, refused := Of(m, opal.Material{Kind: opal.Hydrophane})
		sound(t, m, opal.Hydrostatic, c, refused)
		if refused == nil && (c.Figures[0].Value <= 0 || c.Figures[len(c.Figures)-1].Value <= 0) {
			t.Fatalf("%+v", c.Figures)
		}
	})
}
