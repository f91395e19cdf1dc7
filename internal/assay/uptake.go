package assay

import (
	"math"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// UptakeResult is what a stone that was weighed while it drank says. Its uptake is w(t) = (m(t) − m₀)/m₀, and
//
//	w(t) = w∞ · (1 − e^(−t/τ))
//
// is fitted by least squares. Before 60 % of w∞ the uptake of a capillary grows with √t (Lucas 1918, Washburn 1921), and its slope is given. The
// classes are conventions of this service: below 0.5 % NEGLIGIBLE, below 2 % SLIGHT, below 6 % MODERATE, else STRONG.
type UptakeResult struct {
	Points []UptakePoint
	// Fit is nil where there are too few readings for one.
	Fit *UptakeFit
	// RootSlope is dw/d√t at the beginning, per √min; nil: too few early readings.
	RootSlope *Value
	// Class is the word of the uptake, UNREADABLE if it was not watched long enough.
	Class opal.Outcome
	// Also are words that the drying-back earns.
	Also                   []opal.Outcome
	Says, Silent, Cautions []string
}

// UptakePoint is one weighing.
type UptakePoint struct {
	Minutes float64
	Uptake  Value // of the dry mass
}

// UptakeFit is the fitted curve.
type UptakeFit struct {
	Saturation Value // w∞
	TauMinutes Value
	// To95Minutes is how long it takes to 95 % of w∞: τ·ln 20.
	To95Minutes Value
	// Residual is the standard deviation of what the curve leaves.
	Residual float64
}

// UptakeVersion names the computation.
const UptakeVersion = "uptake/1"

// longEnough is how long a series must be for a class, in minutes: most stones are soaked through within two hours (common practice, no published
// source).
const longEnough = 120

// Uptake computes it.
func Uptake(r *opal.UptakeReadings, material opal.Material) (*UptakeResult, *fault.Error) {
	if r.DryMass.Weight().Micrograms <= 0 {
		return nil, fault.New(fault.InvalidField, "dryMass", "found %q, accepted is a mass such as 3.412 ct", string(r.DryMass))
	}
	if len(r.Readings) == 0 {
		return nil, fault.New(fault.InvalidField, "readings", "found none, accepted are 1 to %d readings of minutes and mass", opal.MaxReadings)
	}
	if _, _, _, f := water(r.WaterTemperatureCelsius); f != nil {
		return nil, f
	}
	dry, uDry := grams(r.DryMass)
	out := &UptakeResult{}
	for _, x := range r.Readings {
		m, u := grams(x.Mass)
		out.Points = append(out.Points, UptakePoint{x.Minutes, Value{(m - dry) / dry, root(u/dry, m/(dry*dry)*uDry)}})
	}
	out.Fit = fit(out.Points)
	out.RootSlope = rootSlope(out.Points, out.Fit)
	out.classify(material.Look, r)
	if r.DriedMass != "" {
		out.dryBack(dry, uDry, r.DriedMass)
	}
	out.Cautions = []string{
		"Soaking can crack a stone and changes its look for days; it is no neutral test. Let it dry slowly, away from heat and sun.",
		"Do not touch rough of unknown treatment with the tongue: what it was treated with can be toxic. A drop of water tells the same.",
	}
	return out, nil
}

// fit finds the curve; nil without three readings in the water that rise. For each τ the best w∞ follows; τ is found by a golden-section search on a
// logarithmic scale.
func fit(points []UptakePoint) *UptakeFit {
	var t, w []float64
	u := 0.0
	for _, p := range points {
		if p.Minutes > 0 {
			t, w = append(t, p.Minutes), append(w, p.Uptake.Value)
			u += float64(p.Uptake.Uncertainty * p.Uptake.Uncertainty)
		}
	}
	n := len(t)
	if n < 3 {
		return nil
	}
	u = math.Sqrt(u / float64(n))
	best := func(tau float64) (saturation, squares float64) {
		var fw, ff float64
		for i := range t {
			f := -math.Expm1(-t[i] / tau)
			fw += float64(f * w[i])
			ff += float64(f * f)
		}
		saturation = fw / ff
		for i := range t {
			e := w[i] + saturation*math.Expm1(-t[i]/tau)
			squares += float64(e * e)
		}
		return saturation, squares
	}
	lo, hi := math.Log(t[0]/50), math.Log(t[n-1]*20)
	const golden = 0.6180339887498949
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	_, fa := best(math.Exp(a))
	_, fb := best(math.Exp(b))
	for range 200 {
		if hi-lo < 1e-10 {
			break
		}
		if fa < fb {
			hi, b, fb = b, a, fa
			a = hi - golden*(hi-lo)
			_, fa = best(math.Exp(a))
		} else {
			lo, a, fa = a, b, fb
			b = lo + golden*(hi-lo)
			_, fb = best(math.Exp(b))
		}
	}
	tau := math.Exp((lo + hi) / 2)
	saturation, squares := best(tau)
	if saturation <= 0 {
		return nil
	}
	// Standard errors from the curvature at the minimum: σ² (JᵀJ)⁻¹, with σ from what the curve leaves, and no less than the scale allows.
	var jss, jst, jtt float64
	for i := range t {
		e := math.Exp(-t[i] / tau)
		ds, dt := 1-e, -saturation*t[i]/(tau*tau)*e
		jss += float64(ds * ds)
		jst += float64(ds * dt)
		jtt += float64(dt * dt)
	}
	residual := math.Sqrt(squares / float64(n-2))
	sigma := max(residual, u)
	det := jss*jtt - jst*jst
	if !(det > 0) {
		return nil
	}
	f := &UptakeFit{
		Saturation: Value{saturation, sigma * math.Sqrt(jtt/det)}, TauMinutes: Value{tau, sigma * math.Sqrt(jss/det)}, Residual: residual,
	}
	f.To95Minutes = Value{tau * math.Log(20), f.TauMinutes.Uncertainty * math.Log(20)}
	return f
}

// settled tells whether the curve had come to its end and is known well enough to be read there.
func (f *UptakeFit) settled(last float64) bool {
	return f != nil && last >= 3*f.TauMinutes.Value && f.Saturation.Uncertainty <= 0.1*f.Saturation.Value
}

// rootSlope fits w = s·√t to the readings before 60 % of w∞.
func rootSlope(points []UptakePoint, f *UptakeFit) *Value {
	if f == nil {
		return nil
	}
	var tw, tt, u float64
	n := 0
	for _, p := range points {
		if p.Minutes > 0 && p.Uptake.Value < 0.6*f.Saturation.Value {
			r := math.Sqrt(p.Minutes)
			tw += float64(r * p.Uptake.Value)
			tt += float64(r * r)
			u += float64(r * r * p.Uptake.Uncertainty * p.Uptake.Uncertainty)
			n++
		}
	}
	if n < 2 {
		return nil
	}
	return &Value{tw / tt, math.Sqrt(u) / tt}
}

func class(w float64) opal.Outcome {
	switch {
	case w < 0.005:
		return "NEGLIGIBLE"
	case w < 0.02:
		return "SLIGHT"
	case w < 0.06:
		return "MODERATE"
	}
	return "STRONG"
}

func (r *UptakeResult) classify(look opal.Look, readings *opal.UptakeReadings) {
	last := r.Points[len(r.Points)-1]
	took := "It took up " + written(100*last.Uptake.Value, 2) + " ± " + written(200*last.Uptake.Uncertainty, 2) + " % of its dry mass in " + written(last.Minutes, 0) + " minutes"
	if last.Minutes < longEnough {
		r.Class = unreadable
		r.Says = append(r.Says, took+". It was watched for less than two hours, which is too short for a class.")
	} else {
		w := last.Uptake.Value
		if r.Fit.settled(last.Minutes) {
			w = r.Fit.Saturation.Value
		}
		r.Class = class(w)
		r.Says = append(r.Says, took+".")
	}
	if f := r.Fit; f.settled(last.Minutes) {
		r.Says = append(r.Says, "The curve settles at "+written(100*f.Saturation.Value, 2)+" ± "+written(200*f.Saturation.Uncertainty, 2)+" %, 95 % of it within "+written(f.To95Minutes.Value, 0)+" minutes.")
	} else if f != nil {
		r.Says = append(r.Says, "It was still drinking at the last reading, or the readings are too uneven, so where it ends is not known.")
	}
	if readings.TransparencyBefore != "" && readings.TransparencyAfter != "" && readings.TransparencyBefore != readings.TransparencyAfter {
		r.Says = append(r.Says, "Its look changed from "+plain(readings.TransparencyBefore)+" to "+plain(readings.TransparencyAfter)+".")
	}
	switch r.Class {
	case "MODERATE", "STRONG":
		r.Silent = append(r.Silent, "It shows that the pores are open: not that they were always empty, nor what is in them, nor that the cracks are free of resin.")
	case "NEGLIGIBLE", "SLIGHT":
		s := "A low uptake alone says nothing of resin: it counts only against an earlier, higher one of the same stone."
		if look == opal.SemiOpaque || look == opal.Opaque || readings.TransparencyBefore == opal.SemiOpaque || readings.TransparencyBefore == opal.Opaque {
			s += " Semi-opaque, caramel-coloured stones hardly drink though nothing was done to them."
		}
		r.Silent = append(r.Silent, s)
	}
	r.Silent = append(r.Silent, "That a stone drinks says that it could have been dyed, not that it was.")
}

func plain(l opal.Look) string {
	switch l {
	case opal.Transparent:
		return "transparent"
	case opal.Translucent:
		return "translucent"
	case opal.SemiOpaque:
		return "semi-opaque"
	}
	return "opaque"
}

// dryBack compares what the stone weighed once it was dry again.
func (r *UptakeResult) dryBack(dry, uDry float64, mass opal.Mass) {
	m, u := grams(mass)
	diff, allowed := m-dry, 3*root(u, uDry)
	share := written(100*math.Abs(diff)/dry, 2) + " %"
	switch {
	case diff > allowed:
		r.Also = append(r.Also, "RESIDUE_LEFT")
		r.Says = append(r.Says, "Dry again it weighs "+share+" more than before: it is not dry yet, or something of the water stayed.")
	case diff < -allowed:
		r.Also = append(r.Also, "LOST_MASS")
		r.Says = append(r.Says, "Dry again it weighs "+share+" less than before: it had held moisture, or something was washed out of it.")
	default:
		r.Says = append(r.Says, "Dry again it weighs what it weighed before.")
	}
}

// Computed is the form that is stored.
func (r *UptakeResult) Computed() *opal.Computed {
	c := &opal.Computed{Algorithm: UptakeVersion, Outcome: r.Class, Also: r.Also, Says: r.Says, Silent: r.Silent, Cautions: r.Cautions}
	last := r.Points[len(r.Points)-1]
	c.Figures = append(c.Figures, last.Uptake.figure("lastUptake", "g/g"))
	if f := r.Fit; f != nil {
		c.Figures = append(c.Figures, f.Saturation.figure("saturation", "g/g"), f.TauMinutes.figure("tauMinutes", "min"), f.To95Minutes.figure("to95Minutes", "min"))
	}
	if r.RootSlope != nil {
		c.Figures = append(c.Figures, r.RootSlope.figure("rootSlope", "1/√min"))
	}
	return c
}
