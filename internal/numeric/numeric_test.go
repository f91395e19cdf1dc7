package numeric

import (
	"math"
	"testing"
)

// The rule is the one that it is named after: it integrates polynomials up to degree 31 exactly.
func TestPanels(t *testing.T) {
	for degree := range 32 {
		got := 0.0
		Panels(0, 1, 1, func(x, w float64) { got += w * math.Pow(x, float64(degree)) })
		if want := 1 / float64(degree+1); math.Abs(got-want) > 1e-14 {
			t.Errorf("x^%d: %v, want %v", degree, got, want)
		}
	}
	got := 0.0
	Panels(-1, 3, 5, func(x, w float64) { got += w * math.Exp(x) })
	if want := math.Exp(3) - math.Exp(-1); math.Abs(got-want) > 1e-12 {
		t.Errorf("eˣ from −1 to 3: %v, want %v", got, want)
	}
}

func TestNine(t *testing.T) {
	for in, want := range map[float64]float64{
		0: 0, 1.0 / 3: 0.333333333, -2.0 / 3: -0.666666667, 123456789.5: 123456790, 1e-300 / 3: 3.33333333e-301, math.MaxFloat64: 1.79769313e308, math.Inf(1): math.Inf(1),
	} {
		if got := Nine(in); got != want {
			t.Errorf("%v: %v, want %v", in, got, want)
		}
	}
	if !math.IsNaN(Nine(math.NaN())) {
		t.Error("what is no number becomes one")
	}
}
