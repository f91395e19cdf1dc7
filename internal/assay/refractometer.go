package assay

import (
	"math"
	"slices"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// RefractometerVersion names the computation.
const RefractometerVersion = "refractometer/1"

// indexUncertainty is that of one reading of a hand refractometer by the distant-vision method, whose scale is read to 0.01 (common practice, no
// published source). Most of it is common to all readings of one person and instrument, so a mean of many is no better.
const indexUncertainty = 0.005

// apart is by how much two readings differ that are not of one material: three uncertainties of a difference.
const apart = 3 * indexUncertainty * math.Sqrt2

// Indices that an instrument can show. The contact liquid ends a refractometer's scale well below the higher.
const leastIndex, largestIndex = 1.0, 4.0

// Refractometer places refractive indices in the usual range of the material. Two groups of readings with a gap between them are two materials, such as
// a coat; readings that only scatter far are no measurement.
func Refractometer(r *opal.RefractometerReading, kind opal.MaterialKind) (*opal.Computed, *fault.Error) {
	if len(r.Indices) == 0 {
		return nil, fault.New(fault.InvalidField, "indices", "found none, accepted are 1 to %d refractive indices", opal.MaxIndices)
	}
	if len(r.Indices) > opal.MaxIndices {
		return nil, fault.New(fault.TooLarge, "indices", "found %d, accepted are at most %d refractive indices", len(r.Indices), opal.MaxIndices)
	}
	sum := 0.0
	for i, n := range r.Indices {
		if !(n >= leastIndex && n <= largestIndex) { // so written, NaN is refused too
			return nil, fault.New(fault.InvalidField, "indices["+strconv.Itoa(i)+"]", "found %v, accepted is a number from %v to %v", n, leastIndex, largestIndex)
		}
		sum += n
	}
	ordered := slices.Sorted(slices.Values(r.Indices))
	low, high, gap := ordered[0], ordered[len(ordered)-1], 0.0
	for i := 1; i < len(ordered); i++ {
		gap = max(gap, ordered[i]-ordered[i-1])
	}
	mean := Value{sum / float64(len(r.Indices)), indexUncertainty}
	usual := indices(kind)
	c := &opal.Computed{
		Algorithm: RefractometerVersion, Figures: []opal.Figure{mean.figure("refractiveIndex", "")},
		Silent:   []string{"A low index says nothing: opal that holds little water has one.", "An index says nothing of a dye, of smoke or of oil in the pores."},
		Cautions: []string{"Contact liquid gets into hydrophane and stains it for good: read porous stones dry, or not at all. The liquid is harmful; wear gloves and wash the hands."},
	}
	from := "Readings from " + written(low, 3) + " to " + written(high, 3)
	switch {
	case gap > apart:
		c.Outcome = "TWO_READINGS"
		c.Figures = nil // a mean of two materials is an index of neither
		c.Says = []string{from + ": more than one material was touched, such as a coat and what is under it."}
		return c, nil
	case high-low > apart:
		c.Outcome = unreadable
		c.Says = []string{from + ", without a gap between them: they scatter too far for one material and do not part into two."}
		return c, nil
	}
	c.Outcome = usual.place(mean)
	figure := "The refractive index is " + written(mean.Value, 3) + " ± 0.01"
	if c.Outcome == aboveRange && usual.host {
		c.Outcome = unreadable
		c.Says = []string{figure + ", above the range of opal: the reading may be of the rock in which the opal sits."}
		return c, nil
	}
	where := map[opal.Outcome]string{withinRange: "within", belowRange: "below", aboveRange: "above", unreadable: "at an edge of"}[c.Outcome]
	c.Says = []string{figure + ", " + where + " the usual range of the material, " + usual.edges() + " (" + usual.source + ")."}
	return c, nil
}
