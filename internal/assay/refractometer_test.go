package assay

import (
	"math"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestRefractometer(t *testing.T) {
	many := make([]float64, 50) // of one material, read by a hand that scatters
	for i := range many {
		many[i] = 1.39 + 0.0005*float64(i%40)
	}
	for name, x := range map[string]struct {
		kind    opal.MaterialKind
		indices []float64
		want    opal.Outcome
		says    string
	}{
		"sedimentary":       {opal.Sedimentary, []float64{1.45}, withinRange, "1.44 to 1.46"},
		"hydrophane":        {opal.Hydrophane, []float64{1.39, 1.40}, withinRange, "1.36 to 1.43"},
		"low":               {opal.Hydrophane, []float64{1.30}, belowRange, "below"},
		"high":              {opal.UnknownKind, []float64{1.52}, aboveRange, "above"},
		"at an edge":        {opal.Hydrophane, []float64{1.43}, unreadable, "at an edge of"},
		"two materials":     {opal.Hydrophane, []float64{1.40, 1.50}, "TWO_READINGS", "1.400 to 1.500"},
		"two, read often":   {opal.Hydrophane, []float64{1.50, 1.40, 1.405, 1.495, 1.40}, "TWO_READINGS", "more than one material"},
		"read often":        {opal.Hydrophane, many, withinRange, "1.398"},
		"scattered":         {opal.Hydrophane, []float64{1.38, 1.395, 1.41, 1.425}, unreadable, "scatter too far"},
		"rock touched":      {opal.Boulder, []float64{1.54}, unreadable, "the rock"},
		"opal of a boulder": {opal.Boulder, []float64{1.44}, withinRange, "within"},
	} {
		t.Run(name, func(t *testing.T) {
			c, f := Refractometer(&opal.RefractometerReading{Indices: x.indices}, x.kind)
			if f != nil || c.Outcome != x.want || !strings.Contains(strings.Join(c.Says, " "), x.says) {
				t.Errorf("%+v, %v, want %s and %q", c, f, x.want, x.says)
			}
			if c != nil && (len(c.Figures) == 0) != (x.want == "TWO_READINGS") {
				t.Errorf("figures %v", c.Figures)
			}
		})
	}
}

func TestRefractometerRefusals(t *testing.T) {
	for name, x := range map[string]struct {
		indices []float64
		reason  fault.Reason
		field   string
	}{
		"not a number": {[]float64{1.4, math.NaN()}, fault.InvalidField, "indices[1]"},
		"below one":    {[]float64{0.9}, fault.InvalidField, "indices[0]"},
		"infinite":     {[]float64{math.Inf(1)}, fault.InvalidField, "indices[0]"},
		"none":         {nil, fault.InvalidField, "indices"},
		"too many":     {make([]float64, opal.MaxIndices+1), fault.TooLarge, "indices"},
	} {
		_, f := Refractometer(&opal.RefractometerReading{Indices: x.indices}, opal.Hydrophane)
		if f == nil || f.Reason != x.reason || f.Field != x.field || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %v", name, f)
		}
	}
}
