package spectrum

import (
	"math"
	"slices"
)

// raman finds the outcome of a Raman spectrum.
func (r *Result) raman(missing []gap) {
	r.caution("A Raman instrument's laser can blind: work by its safety class. Dark and dyed stones can heat up or burn under it; begin with little power.")
	r.silent("It speaks of the spots that were measured, and of no more than the light reached.")
	tallest := 0.0
	for _, s := range r.sections {
		for _, b := range s.bands {
			if b.family == opalBand {
				for _, p := range s.inBand(b) {
					tallest = max(tallest, p.Prominence)
				}
			}
		}
	}
	carbon := len(r.families(carbonD, carbonG)) == 2
	organic := r.families(aliphatic, aromatic)
	others := r.foreign(tallest)
	if carbon {
		r.Outcome = carbonBands
		r.seenIn(carbonD, carbonG)
		r.silent("Untreated black opal may hold carbon of its own; where the carbon sits tells more.")
	}
	if len(organic) > 0 {
		if r.Outcome == "" {
			r.Outcome = organics
		} else {
			r.Also = append(r.Also, organics)
		}
		r.seenIn(aliphatic, aromatic)
		r.silent("Organic matter is not resin or oil as such: skin grease, cutting oil, polish and cement of the dop show the same bands.")
	}
	if len(others) > 0 {
		at := ""
		for i, p := range strongest(others, 8) {
			if i > 0 {
				at += ", "
			}
			at += written(p.Position, 0)
		}
		r.say("Peaks that are neither opal's nor among the bands looked for stand out at " + at + " cm⁻¹: a dye, a mineral or the glass of the holder. A person has to assign them.")
	}
	r.unread(missing)
	if carbon || len(organic) > 0 || len(others) > 0 {
		return
	}
	r.Outcome = unreadable
	top, flat := r.curve.clipped()
	switch {
	case flat:
		r.Outcome = swamped
		r.say("The detector was full (" + significant(top) + " at many points): bands cannot show there.")
	case len(missing) > 0:
		r.say("That no foreign band was seen says nothing while a stretch is missing: 180 to 1800 and 2700 to 3120 cm⁻¹ are needed.")
	case tallest == 0:
		r.say("No band of opal stands out of the noise.")
		for _, s := range r.sections {
			if base := finite(s.base); median(base) > 10*median(finite(s.noise)) {
				r.Outcome = swamped
				r.say("Luminescence covers them. Another laser may help.")
				break
			}
		}
	default:
		r.onlyOpal(tallest)
	}
}

// onlyOpal says what a spectrum without foreign bands says: something only if it could have shown one.
func (r *Result) onlyOpal(tallest float64) {
	worst := map[family]float64{}
	for _, s := range r.sections {
		for _, b := range s.bands {
			switch {
			case b.name == "chStretching":
				worst[b.family] = s.limit(b, bandSigma)
			case b.family == carbonD || b.family == carbonG:
				worst[b.family] = s.limit(b, carbonSigma)
			}
		}
	}
	ch, carbon := worst[aliphatic]/tallest, max(worst[carbonD], worst[carbonG])/tallest
	if ch > blindRaman || carbon > blindCarbon {
		what, of, accepted := "one of C–H stretching", ch, blindRaman
		if carbon/blindCarbon > ch/blindRaman {
			what, of, accepted = "those of carbon", carbon, blindCarbon
		}
		high := "even a high band would not stand out"
		if !math.IsInf(of, 1) {
			high = "a band would have to be " + significant(of*100) + " % as high as opal's highest to be seen for certain, and " + significant(100*accepted) + " % are accepted"
		}
		r.say("Too noisy for " + what + ": " + high + ".")
		return
	}
	r.Outcome = onlyOpal
	r.say("Opal's own bands stand out, and no other. Of opal's highest, a band of C–H stretching 24 cm⁻¹ wide would have been seen from " + significant(ch*100) +
		" %, carbon's, 94 cm⁻¹ wide, from " + significant(carbon*100) + " %, and others from " + significant(100*foreign) + " % where they stand out of the noise.")
}

// foreign are peaks that no band of the table accounts for.
func (r *Result) foreign(tallest float64) []Peak {
	var list []Peak
	for _, s := range r.sections {
		for _, p := range s.peaks {
			// Of the many places where one might stand noise finds one more often than in a band.
			if p.Prominence < float64((stands+spare)*s.quiet[p.at]) || p.Width < 5 || p.Width > 150 || tallest > 0 && p.Prominence < foreign*tallest {
				continue
			}
			if !slices.ContainsFunc(s.bands, func(b band) bool {
				own := b.family == opalBand && p.Position >= b.low-20 && p.Position <= b.high+20
				return own || slices.ContainsFunc(s.inBand(b), func(q Peak) bool { return q.at == p.at })
			}) {
				list = append(list, p)
			}
		}
	}
	return list
}

// clipped tells whether the curve stands at its very top for five points or more in a row.
func (c *Curve) clipped() (top float64, flat bool) {
	top = slices.Max(append(finite(c.Y), 0))
	run := 0
	for _, v := range c.Y {
		if run++; v != top {
			run = 0
		}
		if run >= 5 && top > 0 {
			return top, true
		}
	}
	return top, false
}
