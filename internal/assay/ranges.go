package assay

import "github.com/lotpaper/lotpaper/internal/opal"

// span is the range of a constant for a material, with where it was read; without a high end there is none.
type span struct {
	low, high float64
	source    string
	// host is set where opal sits in a rock that an instrument may touch in its place.
	host bool
}

func (s span) known() bool { return s.high > 0 }

func (s span) edges() string { return written(s.low, 2) + " to " + written(s.high, 2) }

// densities are published ranges of specific gravity. Marks: V read in the source itself, V2 in texts that quote it, M from memory; they name what is
// usual and decide nothing. They are ratios to cold water, so they stand for g/cm³ to within 3 parts in a thousand.
func densities(kind opal.MaterialKind) span {
	switch kind {
	case opal.Hydrophane:
		return span{low: 1.74, high: 2.00, source: "Rondeau et al., Gems & Gemology 46(2), 2010: hydrophane 1.74 to 1.89 before soaking, to 2.00 after [M]"}
	case opal.Fire:
		return span{low: 1.97, high: 2.06, source: "textbook range for Mexican fire opal [M]"}
	case opal.Sedimentary:
		return span{low: 2.07, high: 2.30, source: "trade fact sheets and textbooks for Australian opal, 2.10 ± 0.03 to 2.30 [V2, M]"}
	case opal.Boulder:
		return span{low: 2.60, high: 2.80, source: "trade fact sheet for boulder opal with its ironstone [V2]", host: true}
	case opal.Matrix:
		return span{source: "no published range found: matrix opal weighs what its rock weighs", host: true}
	}
	return span{low: 1.25, high: 2.22, source: "open gemmology references for opal in general, 2.15 (+0.07, −0.90) [V2]"}
}

// solidOpal is the largest published specific gravity of opal without its rock, Italian opal at 2.07 to 2.33 (Caucia et al., Period. Mineral. 81, 2012
// [V]): the most that a porous stone can seem to have when water has reached all its pores.
const solidOpal = 2.33

// indices are published ranges of the refractive index (spot readings).
func indices(kind opal.MaterialKind) span {
	switch kind {
	case opal.Hydrophane:
		return span{low: 1.36, high: 1.43, source: "Rondeau et al., Gems & Gemology 46(2), 2010 [M]"}
	case opal.Fire:
		return span{low: 1.42, high: 1.46, source: "trade pages and textbooks for Mexican fire opal [V2, M]"}
	case opal.Sedimentary:
		return span{low: 1.44, high: 1.46, source: "trade fact sheets for Australian opal [V2]"}
	}
	return span{low: 1.37, high: 1.47, source: "open gemmology references for opal in general, 1.45 (+0.020, −0.080) [V2]", host: kind == opal.Boulder || kind == opal.Matrix}
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
	lo, hi := v.Value-2*v.Uncertainty, v.Value+2*v.Uncertainty // doubling is exact
	switch {
	case !s.known():
		return unreadable
	case lo >= s.low && hi <= s.high:
		return withinRange
	case hi < s.low:
		return belowRange
	case lo > s.high:
		return aboveRange
	}
	return unreadable
}
