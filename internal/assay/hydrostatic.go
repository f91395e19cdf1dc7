package assay

import (
	"math"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// HydrostaticResult is what weighings in air and in water say. With D dry, S suspended, W soaked, ρ the water's density (the relations of ASTM C20 and
// C373 for porous ceramics; two-weight form where a stone does not drink):
//
//	exterior volume           V = (W − S)/ρ        or (D − S)/ρ
//	apparent porosity         P = (W − D)/(W − S)
//	water absorption          A = (W − D)/D
//	apparent specific gravity T = D/(D − S)        of the solid part, as far as water reaches the pores
//	bulk density              B = D/V              of the stone with its pores
//
// No air buoyancy is allowed for: it changes these by a tenth of a percent of what the air weighs, below 0.002.
type HydrostaticResult struct {
	ExteriorVolumeCm3       Value
	ApparentPorosity        *Value // with three weights only
	WaterAbsorption         *Value // the same
	ApparentSpecificGravity Value
	BulkDensity             Value // g/cm³
	Outcome                 opal.Outcome
	Range                   string
	Says, Silent, Cautions  []string
}

// HydrostaticVersion names the computation.
const HydrostaticVersion = "hydrostatic/1"

// Hydrostatic computes it.
func Hydrostatic(r *opal.HydrostaticReading, kind opal.MaterialKind) (*HydrostaticResult, *fault.Error) {
	for _, x := range [...]struct {
		name string
		mass opal.Mass
	}{{"dryMass", r.DryMass}, {"suspendedMass", r.SuspendedMass}} {
		if x.mass.Weight().Micrograms <= 0 {
			return nil, fault.New(fault.InvalidField, x.name, "found %q, accepted is a mass such as 3.412 ct", string(x.mass))
		}
	}
	rho, uRho, stated, f := water(r.WaterTemperatureCelsius)
	if f != nil {
		return nil, f
	}
	d, uD := grams(r.DryMass)
	s, uS := grams(r.SuspendedMass)
	if s >= d {
		return nil, fault.New(fault.InvalidField, "suspendedMass", "found %s, accepted is less than the dry mass, %s: a stone in water weighs less by the water that it displaces", r.SuspendedMass, r.DryMass)
	}
	w, uW, three := d, 0.0, r.SoakedMass != ""
	if three {
		if r.SoakedMass.Weight().Micrograms <= 0 {
			return nil, fault.New(fault.InvalidField, "soakedMass", "found %q, accepted is a mass such as 3.655 ct", string(r.SoakedMass))
		}
		if w, uW = grams(r.SoakedMass); w < d-3*root(uW, uD) {
			return nil, fault.New(fault.InvalidField, "soakedMass", "found %s, accepted is no less than the dry mass, %s: a soaked stone holds water", r.SoakedMass, r.DryMass)
		}
	}
	solid, bulk := d-s, w-s
	out := &HydrostaticResult{ApparentSpecificGravity: Value{d / solid, root(s/(solid*solid)*uD, d/(solid*solid)*uS)}}
	if three {
		out.ExteriorVolumeCm3 = Value{bulk / rho, root(uW/rho, uS/rho, bulk/(rho*rho)*uRho)}
		out.BulkDensity = Value{d * rho / bulk, root(rho/bulk*uD, d*rho/(bulk*bulk)*uW, d*rho/(bulk*bulk)*uS, d/bulk*uRho)}
		out.ApparentPorosity = &Value{(w - d) / bulk, root(solid/(bulk*bulk)*uW, uD/bulk, (w-d)/(bulk*bulk)*uS)}
		out.WaterAbsorption = &Value{(w - d) / d, root(uW/d, w/(d*d)*uD)}
	} else {
		out.ExteriorVolumeCm3 = Value{solid / rho, root(uD/rho, uS/rho, solid/(rho*rho)*uRho)}
		out.BulkDensity = Value{d * rho / solid, root(s*rho/(solid*solid)*uD, d*rho/(solid*solid)*uS, d/solid*uRho)}
	}
	usual := densities(kind)
	out.Outcome, out.Range = usual.place(out.BulkDensity), usual.source
	out.words(usual, three, stated)
	return out, nil
}

func (r *HydrostaticResult) words(usual span, three, stated bool) {
	figure := "The bulk density is " + written(r.BulkDensity.Value, 3) + " ± " + written(2*r.BulkDensity.Uncertainty, 3) + " g/cm³"
	edges := written(usual.low, 2) + " to " + written(usual.high, 2)
	switch r.Outcome {
	case withinRange:
		r.Says = append(r.Says, figure+", within the usual range of the material, "+edges+".")
	case belowRange:
		r.Says = append(r.Says, figure+", below the usual range of the material, "+edges+".")
	case aboveRange:
		r.Says = append(r.Says, figure+", above the usual range of the material, "+edges+".")
	default:
		r.Says = append(r.Says, figure+": with that uncertainty it cannot be told on which side of an edge of the usual range it lies, "+edges+". A larger stone or a finer scale would tell.")
	}
	if three {
		r.Says = append(r.Says, "The pores that water reaches make "+written(100*r.ApparentPorosity.Value, 1)+" % of its volume, and it took up "+written(100*r.WaterAbsorption.Value, 2)+" % of its dry mass.")
	} else {
		r.Says = append(r.Says, "Two weights only: this holds for a stone that did not drink while it hung in the water. For one that does, weigh it soaked too.")
	}
	if !stated {
		r.Says = append(r.Says, "The water's temperature was not stated; 20 °C was taken, within 5 °C.")
	}
	r.Silent = []string{
		"A density, low or high, says nothing of a treatment by itself: opal of one deposit varies more than a filling changes it.",
		"A hydrophane has three densities, by what fills its pores; only figures of the same kind can be compared.",
	}
	r.Cautions = []string{"Water gets into hydrophane, changes its look for days, and can crack it. Let it dry slowly, away from heat."}
}

// Computed is the form that is stored.
func (r *HydrostaticResult) Computed() *opal.Computed {
	c := &opal.Computed{Algorithm: HydrostaticVersion, Outcome: r.Outcome, Says: r.Says, Silent: r.Silent, Cautions: r.Cautions}
	c.Figures = append(c.Figures, r.ExteriorVolumeCm3.figure("exteriorVolumeCm3", "cm³"))
	if r.ApparentPorosity != nil {
		c.Figures = append(c.Figures, r.ApparentPorosity.figure("apparentPorosity", ""), r.WaterAbsorption.figure("waterAbsorption", ""))
	}
	c.Figures = append(c.Figures, r.ApparentSpecificGravity.figure("apparentSpecificGravity", ""), r.BulkDensity.figure("bulkDensity", "g/cm³"))
	return c
}

// RefractometerVersion names the computation.
const RefractometerVersion = "refractometer/1"

// indexUncertainty is that of one reading of a hand refractometer by the distant-vision method, whose scale is read to 0.01 (common practice, no
// published source).
const indexUncertainty = 0.005

// Refractometer places refractive indices in the usual range of the material. Readings that differ by more than three uncertainties are two: a coat,
// or two materials.
func Refractometer(r *opal.RefractometerReading, kind opal.MaterialKind) (*opal.Computed, *fault.Error) {
	if len(r.Indices) == 0 {
		return nil, fault.New(fault.InvalidField, "indices", "found none, accepted are 1 to %d refractive indices", opal.MaxIndices)
	}
	low, high, sum := math.Inf(1), math.Inf(-1), 0.0
	for _, n := range r.Indices {
		low, high = min(low, n), max(high, n)
		sum += n
	}
	mean := Value{sum / float64(len(r.Indices)), indexUncertainty}
	usual := indices(kind)
	c := &opal.Computed{
		Algorithm: RefractometerVersion, Figures: []opal.Figure{mean.figure("refractiveIndex", "")},
		Silent:   []string{"A low index says nothing: opal that holds little water has one.", "An index says nothing of a dye, of smoke or of oil in the pores."},
		Cautions: []string{"Contact liquid gets into hydrophane and stains it for good: read porous stones dry, or not at all. The liquid is harmful; wear gloves and wash the hands."},
	}
	edges := written(usual.low, 2) + " to " + written(usual.high, 2) + " (" + usual.source + ")"
	if high-low > 3*indexUncertainty*math.Sqrt2 {
		c.Outcome = "TWO_READINGS"
		c.Says = []string{"Readings from " + written(low, 3) + " to " + written(high, 3) + ": more than one material was touched, such as a coat and what is under it."}
		return c, nil
	}
	c.Outcome = usual.place(mean)
	where := map[opal.Outcome]string{withinRange: "within", belowRange: "below", aboveRange: "above", unreadable: "at an edge of"}[c.Outcome]
	c.Says = []string{"The refractive index is " + written(mean.Value, 3) + " ± 0.01, " + where + " the usual range of the material, " + edges + "."}
	return c, nil
}
