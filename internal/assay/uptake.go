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
// is fitted by least squares, each reading weighted by its scale. Before 60 % of w∞ the uptake of a capillary grows with √t (Lucas 1918, Washburn 1921),
// and its slope is given. The classes are conventions of this service: below 0.5 % NEGLIGIBLE, below 2 % SLIGHT, below 6 % MODERATE, else STRONG. A figure
// that may lie on either side of an edge has no class.
type UptakeResult struct {
	Points []UptakePoint
	// Fit is nil where the readings determine no curve; Says then tells why.
	Fit *UptakeFit
	// RootSlope is dw/d√t at the beginning, per √min; nil: too few early readings.
	RootSlope *Value
	// Class is the word of the uptake, UNREADABLE if it was not watched long enough or the scale cannot tell.
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

// UptakeVersion names the computation.
const UptakeVersion = "uptake/1"

// longEnough is how long a series must be for a class, in minutes: most stones are soaked through within two hours (common practice, no published
// source).
const longEnough = 120

// tooMuch is an uptake that no opal is known to reach: water is said to make up to 21 % of its mass, and the most porous published hydrophane takes up
// some 15 %. Beyond half the dry mass a slip of a digit or a unit is likelier than a stone.
const tooMuch = 0.5

// Uptake computes it.
func Uptake(r *opal.UptakeReadings, material opal.Material) (*UptakeResult, *fault.Error) {
	if f := opal.CheckUptake(r); f != nil {
		return nil, f
	}
	if _, _, _, f := water(r.WaterTemperatureCelsius); f != nil {
		return nil, f
	}
	dry, uDry, f := weighed("dryMass", r.DryMass)
	if f != nil {
		return nil, f
	}
	out := &UptakeResult{}
	var s series
	for _, x := range r.Readings {
		m, u, f := weighed("readings", x.Mass)
		if f != nil {
			return nil, f
		}
		w := (m - dry) / dry
		out.Points = append(out.Points, UptakePoint{x.Minutes, Value{w, root(u/dry, m/(dry*dry)*uDry)}})
		if x.Minutes > 0 {
			s.t, s.w, s.u = append(s.t, x.Minutes), append(s.w, w), append(s.u, u/dry)
			s.shift = append(s.shift, -m/(dry*dry)*uDry)
		}
	}
	c, why := s.fit()
	if c != nil && out.tookUp() {
		out.Fit = c.public()
		out.RootSlope = s.rootSlope(c.saturation)
	}
	out.classify()
	out.course(s, why)
	out.look(r.TransparencyBefore, r.TransparencyAfter)
	out.silences(material.Look, r.TransparencyBefore)
	if r.DriedMass != "" {
		m, u, f := weighed("driedMass", r.DriedMass)
		if f != nil {
			return nil, f
		}
		out.dryBack(dry, uDry, m, u)
	}
	out.Cautions = append(warmWater(r.WaterTemperatureCelsius),
		"Soaking can crack a stone and changes its look for days; it is no neutral test. Let it dry slowly, away from heat and sun.",
		"Do not touch rough of unknown treatment with the tongue: what it was treated with can be toxic. A drop of water tells the same.",
	)
	return out, nil
}

// last is the last reading.
func (r *UptakeResult) last() UptakePoint { return r.Points[len(r.Points)-1] }

// tookUp tells whether any reading shows an uptake that the scale can tell from none.
func (r *UptakeResult) tookUp() bool {
	for _, p := range r.Points {
		if p.Uptake.Value > 3*p.Uptake.Uncertainty {
			return true
		}
	}
	return false
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

// classOf gives the class of a figure, and of twice its uncertainty to each side; they differ where it cannot be told.
func classOf(v Value) (low, high opal.Outcome) {
	return class(v.Value - 2*v.Uncertainty), class(v.Value + 2*v.Uncertainty)
}

// classify finds the class and says how much it drank. Where the curve's end may lie in two classes, the last reading speaks: it was weighed.
func (r *UptakeResult) classify() {
	last := r.last()
	minutes := written(last.Minutes, 0) + " minutes"
	took := "It took up " + written(100*last.Uptake.Value, 2) + " ± " + written(200*last.Uptake.Uncertainty, 2) + " % of its dry mass in " + minutes
	r.Class = unreadable
	switch {
	case last.Uptake.Value < -3*last.Uptake.Uncertainty:
		r.Says = append(r.Says, "After "+minutes+" in water it weighs "+written(-100*last.Uptake.Value, 2)+" ± "+written(200*last.Uptake.Uncertainty, 2)+
			" % less than dry: something came off it or went into the water, so how much it drank is not known.")
		return
	case last.Uptake.Value > tooMuch:
		r.Says = append(r.Says, took+". No opal is known to take up so much: look for a slip in a digit or a unit.")
		return
	case last.Minutes < longEnough:
		r.Says = append(r.Says, took+". It was watched for less than two hours, which is too short for a class.")
		return
	}
	r.Says = append(r.Says, took+".")
	w := last.Uptake
	if r.Fit.settled(last.Minutes) {
		if low, high := classOf(r.Fit.Saturation); low == high {
			w = r.Fit.Saturation
		}
	}
	low, high := classOf(w)
	if low != high {
		r.Says = append(r.Says, "With that uncertainty it may be "+spoken(low)+" or "+spoken(high)+", so it has no class. A larger stone or a finer scale would tell.")
		return
	}
	most := r.most()
	if least, _ := classOf(most.Uptake); least != low && most.Uptake.Value > w.Value {
		r.Says = append(r.Says, "At "+written(most.Minutes, 0)+" minutes it had taken up more, "+written(100*most.Uptake.Value, 2)+" %, so the readings contradict each other, and it has no class.")
		return
	}
	r.Class = low
}

// most is the reading with the largest uptake.
func (r *UptakeResult) most() UptakePoint {
	m := r.Points[0]
	for _, p := range r.Points {
		if p.Uptake.Value > m.Uptake.Value {
			m = p
		}
	}
	return m
}

// spoken is a class within a sentence.
func spoken(o opal.Outcome) string {
	switch o {
	case "NEGLIGIBLE":
		return "negligible"
	case "SLIGHT":
		return "slight"
	case "MODERATE":
		return "moderate"
	}
	return "strong"
}

// course says how the uptake went on, as far as readings tell, and what is odd about them.
func (r *UptakeResult) course(s series, why noFit) {
	last := r.last()
	say := func(sentence string) { r.Says = append(r.Says, sentence) }
	switch f := r.Fit; {
	case last.Uptake.Value > tooMuch: // said already; a curve through slips is no curve
	case f.settled(last.Minutes):
		say("The curve settles at " + written(100*f.Saturation.Value, 2) + " ± " + written(200*f.Saturation.Uncertainty, 2) + " %, 95 % of it within " + written(f.To95Minutes.Value, 0) + " minutes.")
		if f.Residual > 0.05*f.Saturation.Value {
			say("Readings lie off the curve by " + written(100*f.Residual, 2) + " %, far for what it took up: water wiped off unevenly, or a stone that drinks in another way.")
		}
	case f != nil:
		if last.Minutes < float64(3*f.TauMinutes.Value) {
			say("It was still drinking at the last reading, so where it ends is not known.")
		} else {
			say("The readings are too uneven to say where it ends.")
		}
	case why == tooFew:
		say("No curve is fitted: that takes three readings in the water or more.")
	case !r.tookUp():
		if last.Uptake.Value >= -3*last.Uptake.Uncertainty {
			say("That is no more than the scale can tell from nothing.")
		}
	case why == onTheWay:
		say("It was still drinking at the last reading, so where it ends is not known.")
	case why == atOnce:
		say("It had drunk most of it by the first reading, at " + written(s.t[0], 0) + " minutes; how fast is not known.")
	default:
		say("The readings follow no curve that rises and settles, so where it ends is not known.")
	}
	for i := 1; i < len(s.t); i++ {
		if s.w[i-1]-s.w[i] > float64(3*root(s.u[i-1], s.u[i])) {
			say("Its mass fell between " + written(s.t[i-1], 0) + " and " + written(s.t[i], 0) + " minutes: surface water wiped off unevenly, a chip lost, or something washed out.")
			break
		}
	}
}

// look says how the transparency changed.
func (r *UptakeResult) look(before, after opal.Look) {
	switch {
	case before == "" || after == "":
	case before == after:
		r.Says = append(r.Says, "Its look stayed "+plain(after)+".")
	default:
		r.Says = append(r.Says, "Its look changed from "+plain(before)+" to "+plain(after)+".")
	}
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

// silences says what does not follow. A low uptake of a stone whose look nobody stated may be that of a caramel one too.
func (r *UptakeResult) silences(stated, before opal.Look) {
	clear := func(l opal.Look) bool { return l == opal.Transparent || l == opal.Translucent }
	switch r.Class {
	case "MODERATE", "STRONG":
		r.Silent = append(r.Silent, "It shows that the pores are open: not that they were always empty, nor what is in them, nor that the cracks are free of resin.")
	case "NEGLIGIBLE", "SLIGHT":
		s := "A low uptake alone says nothing of resin: it counts only against an earlier, higher one of the same stone."
		if !clear(stated) && !clear(before) || stated == opal.SemiOpaque || stated == opal.Opaque || before == opal.SemiOpaque || before == opal.Opaque {
			s += " Semi-opaque, caramel-coloured stones hardly drink though nothing was done to them."
		}
		r.Silent = append(r.Silent, s, "Water left on the surface counts as drunk, and weighs most on a small stone: so little may be a film that was not wiped off.")
	}
	r.Silent = append(r.Silent, "That a stone drinks says that it could have been dyed, not that it was.")
}

// dryBack compares what the stone weighed once it was dry again.
func (r *UptakeResult) dryBack(dry, uDry, m, u float64) {
	diff, allowed := m-dry, 3*root(u, uDry)
	share := written(100*math.Abs(diff)/dry, 2) + " %"
	switch {
	case diff > allowed:
		r.Also = append(r.Also, "RESIDUE_LEFT")
		r.Says = append(r.Says, "Dry again it weighs "+share+" more than before: it is not dry yet, or something of the water stayed.")
	case diff < -allowed:
		r.Also = append(r.Also, "LOST_MASS")
		r.Says = append(r.Says, "Dry again it weighs "+share+" less than before: it had held moisture, or something was washed out of it.")
	case allowed > 0.005*dry:
		r.Says = append(r.Says, "Dry again it weighs what it weighed before, to within the "+written(100*allowed/dry, 1)+" % that the scale can tell.")
	default:
		r.Says = append(r.Says, "Dry again it weighs what it weighed before.")
	}
}

// Computed is the form that is stored.
func (r *UptakeResult) Computed() *opal.Computed {
	c := &opal.Computed{Algorithm: UptakeVersion, Outcome: r.Class, Also: r.Also, Says: r.Says, Silent: r.Silent, Cautions: r.Cautions}
	c.Figures = append(c.Figures, r.last().Uptake.figure("lastUptake", "g/g"))
	if f := r.Fit; f != nil {
		c.Figures = append(c.Figures, f.Saturation.figure("saturation", "g/g"), f.TauMinutes.figure("tauMinutes", "min"), f.To95Minutes.figure("to95Minutes", "min"))
	}
	if r.RootSlope != nil {
		c.Figures = append(c.Figures, r.RootSlope.figure("rootSlope", "1/√min"))
	}
	return c
}
