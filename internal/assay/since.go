package assay

import (
	"math"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Earlier is a weighing of the same stone before, with the moisture that it had then.
type Earlier struct {
	Reading  *opal.HydrostaticReading
	Moisture opal.Moisture
}

// sameMoisture is how far the mass of a stone may wander between two weighings that both say DRY, or both ROOM, as a share of it: the allowances that a
// mass balance makes too (conventions of this service), 2 % where the stone may be a hydrophane, else 1 %.
func sameMoisture(kind opal.MaterialKind) float64 {
	if kind == opal.Hydrophane || kind == opal.UnknownKind || kind == "" {
		return 0.02
	}
	return 0.01
}

// HydrostaticSince is Hydrostatic beside an earlier weighing of the same stone; nil: there was none. Where both were made of a DRY stone, or both of one
// at ROOM moisture, with the same number of weights, a bulk density that differs by more than three combined uncertainties and the allowance for
// moisture earns ROSE_SINCE_LAST or FELL_SINCE_LAST. Whatever stands in the way of comparing is said, and earns no word.
func HydrostaticSince(r *opal.HydrostaticReading, kind opal.MaterialKind, moisture opal.Moisture, earlier *Earlier) (*HydrostaticResult, *fault.Error) {
	now, f := Hydrostatic(r, kind)
	if f != nil || earlier == nil {
		return now, f
	}
	const compared = "It was not compared with the earlier weighing: "
	before, f := Hydrostatic(earlier.Reading, kind)
	switch {
	case f != nil:
		now.Says = append(now.Says, compared+"the readings of that one cannot be used.")
		return now, nil
	case moisture != earlier.Moisture || moisture != opal.Dry && moisture != opal.Room:
		now.Says = append(now.Says, compared+"the stone has to be dry, or at the moisture of the room, both times.")
		return now, nil
	case (now.ApparentPorosity == nil) != (before.ApparentPorosity == nil):
		now.Says = append(now.Says, compared+"one was made with two weights and the other with three.")
		return now, nil
	case now.drinks:
		now.Says = append(now.Says, compared+"with two weights, how much a stone drank while it hung decides the figure. Weigh it soaked too.")
		return now, nil
	}
	a, b := before.BulkDensity, now.BulkDensity
	diff := b.Value - a.Value
	allowed := float64(3*root(a.Uncertainty, b.Uncertainty)) + float64(sameMoisture(kind)*max(a.Value, b.Value))
	figures := written(a.Value, 3) + " to " + written(b.Value, 3) + " g/cm³"
	switch {
	case math.Abs(diff) <= allowed:
		now.Says = append(now.Says, "The earlier weighing gave "+written(a.Value, 3)+" g/cm³: no difference beyond what scales and moisture explain.")
	case diff > 0:
		now.Also = append(now.Also, "ROSE_SINCE_LAST")
		now.Says = append(now.Says, "Since the earlier weighing its bulk density rose, "+figures+", more than scales and moisture explain.")
		now.Silent = append(now.Silent, "A density that rose may come of a filling; recutting, a bubble on the stone or another stone make one too.")
	default:
		now.Also = append(now.Also, "FELL_SINCE_LAST")
		now.Says = append(now.Says, "Since the earlier weighing its bulk density fell, "+figures+", more than scales and moisture explain.")
		now.Silent = append(now.Silent, "A density that fell says of no treatment that it is there or gone; recutting, a bubble on the stone or another stone make it fall too.")
	}
	return now, nil
}
