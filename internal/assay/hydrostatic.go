package assay

import (
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
// The uncertainties are first-order propagation (GUM, JCGM 100:2008, 5.1) of the scale's steps and the water's temperature. The air's buoyancy is left
// out, as it is in published gravities: it makes a density read too high by ρ_air·(B/ρ − 1), some 0.0012 g/cm³ at 2.
type HydrostaticResult struct {
	ExteriorVolumeCm3       Value
	ApparentPorosity        *Value // with three weights only
	WaterAbsorption         *Value // the same
	ApparentSpecificGravity Value
	BulkDensity             Value // g/cm³
	Outcome                 opal.Outcome
	// Also are further words: how the density changed since an earlier weighing.
	Also                   []opal.Outcome
	Range                  string
	Says, Silent, Cautions []string

	drinks bool // it may have drunk while it hung, and nobody weighed how much
}

// HydrostaticVersion names the computation.
const HydrostaticVersion = "hydrostatic/1"

// coarse is the relative uncertainty of the displaced water beyond which the budget, which is linear, no longer holds.
const coarse = 0.1

// Hydrostatic computes it.
func Hydrostatic(r *opal.HydrostaticReading, kind opal.MaterialKind) (*HydrostaticResult, *fault.Error) {
	d, uD, f := weighed("dryMass", r.DryMass)
	if f != nil {
		return nil, f
	}
	s, uS, f := weighed("suspendedMass", r.SuspendedMass)
	if f != nil {
		return nil, f
	}
	rho, uRho, stated, f := water(r.WaterTemperatureCelsius)
	if f != nil {
		return nil, f
	}
	if s >= d {
		return nil, fault.New(fault.InvalidField, "suspendedMass", "found %s, accepted is less than the dry mass, %s: a stone in water weighs less by the water that it displaces", r.SuspendedMass, r.DryMass)
	}
	w, uW, three := d, 0.0, r.SoakedMass != ""
	if three {
		if w, uW, f = weighed("soakedMass", r.SoakedMass); f != nil {
			return nil, f
		}
		if w <= s {
			return nil, fault.New(fault.InvalidField, "soakedMass", "found %s, accepted is more than the suspended mass, %s", r.SoakedMass, r.SuspendedMass)
		}
		if w < d-float64(3*root(uW, uD)) {
			return nil, fault.New(fault.InvalidField, "soakedMass", "found %s, accepted is no less than the dry mass, %s: a soaked stone holds water", r.SoakedMass, r.DryMass)
		}
	}
	solid, bulk := d-s, w-s
	solid2, bulk2 := solid*solid, bulk*bulk
	out := &HydrostaticResult{
		ExteriorVolumeCm3:       Value{bulk / rho, root(uW/rho, uS/rho, bulk/(rho*rho)*uRho)},
		ApparentSpecificGravity: Value{d / solid, root(s/solid2*uD, d/solid2*uS)},
		BulkDensity:             Value{d * rho / bulk, root(rho/bulk*uD, d*rho/bulk2*uW, d*rho/bulk2*uS, d/bulk*uRho)},
	}
	displaced := root(uW, uS) / bulk
	if three {
		out.ApparentPorosity = &Value{(w - d) / bulk, root(solid/bulk2*uW, uD/bulk, (w-d)/bulk2*uS)}
		out.WaterAbsorption = &Value{(w - d) / d, root(uW/d, w/(d*d)*uD)}
	} else { // W is D, so one reading moves both
		out.ExteriorVolumeCm3.Uncertainty = root(uD/rho, uS/rho, solid/(rho*rho)*uRho)
		out.BulkDensity.Uncertainty = root(s*rho/solid2*uD, d*rho/solid2*uS, d/solid*uRho)
		displaced = root(uD, uS) / solid
		out.drinks = kind == opal.Hydrophane || kind == opal.UnknownKind || kind == ""
	}
	usual := densities(kind)
	out.Outcome, out.Range = usual.place(out.BulkDensity), usual.source
	tooHigh := out.drinks && out.Outcome == aboveRange && out.BulkDensity.Value-2*out.BulkDensity.Uncertainty <= solidOpal
	if displaced > coarse || tooHigh {
		out.Outcome = unreadable
	}
	out.words(usual, tooHigh, stated)
	out.Cautions = append(out.Cautions, warmWater(r.WaterTemperatureCelsius)...)
	if three && kind == opal.Hydrophane {
		out.Cautions = append(out.Cautions, "Hang a hydrophane for its suspended weight only when it has drunk its fill: one that still drinks gains weight on the hook, and its density comes out too low.")
	}
	return out, nil
}

func (r *HydrostaticResult) words(usual span, tooHigh, stated bool) {
	figure := "The bulk density is " + written(r.BulkDensity.Value, 3) + " ± " + written(2*r.BulkDensity.Uncertainty, 3) + " g/cm³"
	switch {
	case !usual.known():
		r.Says = append(r.Says, figure+". No range is published for the material: it weighs what its rock weighs.")
	case r.Outcome == withinRange:
		r.Says = append(r.Says, figure+", within the usual range of the material, "+usual.edges()+".")
	case r.Outcome == belowRange:
		r.Says = append(r.Says, figure+", below the usual range of the material, "+usual.edges()+".")
	case r.Outcome == aboveRange:
		r.Says = append(r.Says, figure+", above the usual range of the material, "+usual.edges()+".")
	case tooHigh:
		r.Says = append(r.Says, figure+", above the usual range, "+usual.edges()+", but a stone that drinks while it hangs in the water reads too high, up to the density of its solid part.")
	default:
		r.Says = append(r.Says, figure+": with that uncertainty it cannot be told on which side of an edge of the usual range it lies, "+usual.edges()+". A larger stone or a finer scale would tell.")
	}
	if r.ApparentPorosity != nil {
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
	c := &opal.Computed{Algorithm: HydrostaticVersion, Outcome: r.Outcome, Also: r.Also, Says: r.Says, Silent: r.Silent, Cautions: r.Cautions}
	c.Figures = append(c.Figures, r.ExteriorVolumeCm3.figure("exteriorVolumeCm3", "cm³"))
	if r.ApparentPorosity != nil {
		c.Figures = append(c.Figures, r.ApparentPorosity.figure("apparentPorosity", ""), r.WaterAbsorption.figure("waterAbsorption", ""))
	}
	c.Figures = append(c.Figures, r.ApparentSpecificGravity.figure("apparentSpecificGravity", ""), r.BulkDensity.figure("bulkDensity", "g/cm³"))
	return c
}
