package assay

import (
	"math"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Temperatures of water that are taken, in degrees Celsius.
const coldest, warmest = 0.0, 40.0

// WaterDensity is the density of air-free water in g/cm³ at a temperature in degrees Celsius, 0 to 40: G. S. Kell, J. Chem. Eng. Data 20:97 (1975).
// Later formulas (Jones & Harris 1992, CIPM 2001) differ by 6 parts in a million at most, and air dissolved in the water by 4, both far below what
// weighing a stone can see. One reprint of this formula has two digits of the denominator exchanged; 16.879850 is right.
func WaterDensity(celsius float64) float64 {
	t := celsius
	n := 999.83952 + t*(16.945176+t*(-7.9870401e-3+t*(-46.170461e-6+t*(105.56302e-9-t*280.54253e-12))))
	return n / (1 + 16.879850e-3*t) / 1000
}

// water gives density and its standard uncertainty at a stated temperature, which is taken as good to 0.5 °C; at one that nobody stated, 20 °C within
// 5 °C either way.
func water(celsius *float64) (density, u float64, stated bool, f *fault.Error) {
	t, ut := 20.0, 5/math.Sqrt(3)
	if celsius != nil {
		t, ut = *celsius, 0.5
		if !(t >= coldest && t <= warmest) {
			return 0, 0, false, fault.New(fault.InvalidField, "waterTemperatureCelsius", "found %v, accepted is a temperature from %v to %v °C", t, coldest, warmest)
		}
	}
	slope := (WaterDensity(min(t+0.5, warmest)) - WaterDensity(max(t-0.5, coldest))) / (min(t+0.5, warmest) - max(t-0.5, coldest))
	return WaterDensity(t), math.Abs(slope * ut), celsius != nil, nil
}

// span is the range of a constant for a material, with where it was read.
type span struct {
	low, high float64
	source    string
}

// densities are published ranges of specific gravity. Marks: V2 read in texts that quote them, M from memory; they name what is usual and decide
// nothing.
func densities(kind opal.MaterialKind) span {
	switch kind {
	case opal.Hydrophane:
		return span{1.74, 2.00, "Rondeau et al., Gems & Gemology 46(2), 2010: hydrophane 1.74 to 1.89 before soaking, to 2.00 after [M]"}
	case opal.Fire:
		return span{1.97, 2.06, "textbook range for Mexican fire opal [M]"}
	case opal.Sedimentary:
		return span{2.07, 2.30, "trade fact sheets and textbooks for Australian opal, 2.10 ± 0.03 to 2.30 [V2, M]"}
	case opal.Boulder:
		return span{2.60, 2.80, "trade fact sheet for boulder opal with its ironstone [V2]"}
	}
	return span{1.25, 2.22, "open gemmology references for opal in general, 2.15 (+0.07, −0.90) [V2]"}
}

// indices are published ranges of the refractive index (spot readings).
func indices(kind opal.MaterialKind) span {
	switch kind {
	case opal.Hydrophane:
		return span{1.36, 1.43, "Rondeau et al., Gems & Gemology 46(2), 2010 [M]"}
	case opal.Fire:
		return span{1.42, 1.46, "trade pages and textbooks for Mexican fire opal [V2, M]"}
	case opal.Sedimentary:
		return span{1.44, 1.46, "trade fact sheets for Australian opal [V2]"}
	}
	return span{1.37, 1.47, "open gemmology references for opal in general, 1.45 (+0.020, −0.080) [V2]"}
}

// Words that the methods share.
const (
	withinRange opal.Outcome = "WITHIN_RANGE"
	belowRange  opal.Outcome = "BELOW_RANGE"
	aboveRange  opal.Outcome = "ABOVE_RANGE"
	unreadable  opal.Outcome = "UNREADABLE"
)

// place says where a figure lies, with twice its uncertainty to each side. Where that reaches over an edge, nothing can be said.
func (s span) place(v Value) opal.Outcome {
	lo, hi := v.Value-2*v.Uncertainty, v.Value+2*v.Uncertainty
	switch {
	case lo >= s.low && hi <= s.high:
		return withinRange
	case hi < s.low:
		return belowRange
	case lo > s.high:
		return aboveRange
	}
	return unreadable
}
