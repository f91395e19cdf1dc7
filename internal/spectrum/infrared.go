package spectrum

import (
	"math"
	"slices"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// infrared finds the outcome of an infrared spectrum.
func (r *Result) infrared(material opal.Material, known []Reference, missing []gap) {
	r.caution("Solvents for cleaning are flammable: ventilate, and keep in mind that hydrophane opal drinks them, as it does oil and grease.")
	seen := r.families(aliphatic, aromatic, carbonyl)
	if len(seen) == 0 {
		r.nothingOrganic(missing)
		return
	}
	r.seenIn(aliphatic, aromatic, carbonyl)
	r.unread(missing)
	r.compare(material, known, seen)
	r.silent("Organic matter is not resin or oil as such: skin grease, cutting oil, polish and cement of the dop show the same bands. Clean the stone and measure again.")
	r.silent("The reading names no substance. Which one it is takes a person with reference spectra.")
}

// nothingOrganic says what a spectrum without organic bands says: something only if it could have shown one.
func (r *Result) nothingOrganic(missing []gap) {
	r.Outcome = unreadable
	var usable []*section
	for _, s := range r.sections {
		for _, b := range s.bands {
			if (b.name == "chStretching" || b.name == "chCombination") && r.band(b.name).Readable {
				usable = append(usable, s)
			}
		}
	}
	if len(usable) == 0 {
		r.say("Neither the stretching bands of C–H (2820 to 3000 cm⁻¹) nor their combinations (4200 to 4365 cm⁻¹) can be read, so nothing organic could show.")
		r.unread(missing)
		return
	}
	standards := r.standards()
	if len(standards) == 0 && !r.curve.dark(3200, 3600) {
		r.say("No band of opal shows in it, neither silica nor water: whether a stone was in the beam cannot be told.")
		return
	}
	for _, s := range usable {
		limit, allowed, by := s.least(), blindAlone, "accepted is 0.01 where no band of opal can be measured"
		if len(standards) > 0 {
			tallest := 0.0
			for _, t := range r.sections {
				for _, b := range t.bands {
					if slices.ContainsFunc(standards, func(x Band) bool { return x.Name == b.name }) {
						for _, p := range t.inBand(b) {
							tallest = max(tallest, p.Prominence)
						}
					}
				}
			}
			allowed = blind * tallest
			by = "accepted is a twentieth of opal's own band, " + significant(allowed)
		}
		if limit > allowed {
			r.say("Too noisy from " + span(s.low, s.high) + ": a band would have to stand out by " + significant(limit) + " to be seen; " + by + ".")
			return
		}
	}
	r.Outcome = noneSeen
	for _, s := range usable {
		r.say("No organic band stands out from " + span(s.low, s.high) + "; one of " + significant(s.least()) + " or more would have been seen.")
	}
	r.silent("What absorbs less than that is not seen, and smoke, carbon and heat do not show in the infrared at all.")
	if r.band("carbonyl").Readable {
		return
	}
	r.silent("Below 2500 cm⁻¹ nothing was read, so it says nothing of carbonyl and ring bands.")
}

// dark tells whether most of a stretch lets no light through.
func (c *Curve) dark(low, high float64) bool {
	lo, hi := c.index(low), c.index(high)
	all, out := 0, 0
	for i := lo; i < hi; i++ {
		all++
		if math.IsNaN(c.signal(c.Y[i])) {
			out++
		}
	}
	return all >= 10 && 2*out > all
}

// compare holds what was seen against stones that are known to be untreated.
func (r *Result) compare(material opal.Material, known []Reference, seen []family) {
	r.Outcome = organics
	same := 0
	var alike []Reference
	for _, k := range known {
		if k.Material.Kind == material.Kind && k.Material.Look == material.Look && material.Look != "" {
			same++
			alike = append(alike, k)
		}
	}
	switch {
	case len(known) == 0:
		r.say("There are no spectra of stones known to be untreated to compare with, so it is not known whether untreated stones show as much.")
		return
	case material.Look == "":
		r.say("The stone's look is not stated, so it cannot be compared with known stones of the same look.")
		return
	case same < LeastReferences:
		r.say("Of " + count(len(known), "stone", "stones") + " known to be untreated " + strconv.Itoa(same) + " are of the same material and look; comparing takes " + strconv.Itoa(LeastReferences) + ".")
		return
	}
	var above, open []family
	for i := range r.Bands {
		b := &r.Bands[i]
		if b.Opal || !b.Readable {
			continue
		}
		r.score(b, alike)
		if !b.Seen {
			continue
		}
		switch {
		case b.Z == nil:
			if !slices.Contains(open, b.family) {
				open = append(open, b.family)
			}
		case *b.Z > beyond:
			if !slices.Contains(above, b.family) {
				above = append(above, b.family)
			}
			r.say(upper(b.What) + ", measured by " + r.band(b.Standard).What + ", is " + significant(b.Ratio.Value) + ": " + written(*b.Z, 1) + " robust standard deviations above the median of " +
				count(b.Of, "untreated stone", "untreated stones") + " (beyond " + written(beyond, 1) + ").")
		default:
			r.say(upper(b.What) + ", measured by " + r.band(b.Standard).What + ", is " + significant(b.Ratio.Value) + ", within what " + count(b.Of, "untreated stone", "untreated stones") + " show.")
		}
		if b.Z != nil && r.band(b.Standard).moist {
			r.say("It was measured by a band of water, which changes with the moisture of the stone.")
		}
	}
	// A family is settled by any of its bands.
	open = slices.DeleteFunc(open, func(f family) bool {
		return slices.ContainsFunc(r.Bands, func(b Band) bool { return b.family == f && b.Seen && b.Z != nil })
	})
	switch {
	case len(above) > 1:
		r.Outcome = many
	case len(above) == 1:
		r.Outcome = raised
	case len(open) > 0:
		r.say("For " + names(open) + " too few of the known stones can be compared.")
	default:
		r.Outcome = asUntreated
		r.silent("Within what untreated stones show is not untreated: a filling may hide among what they drank.")
	}
	if len(seen) > 0 && len(known) > same {
		r.say(count(len(known)-same, "known stone", "known stones") + " of another material or look did not count.")
	}
}

// score finds how far a band's ratio lies above those of the known stones: by the first band of opal that enough of them have too,
//
//	z = (x − median) / √((1.4826 · MAD)² + u²)
//
// where MAD is the median distance from the median and u the standard uncertainty of x.
func (r *Result) score(b *Band, alike []Reference) {
	for _, s := range r.standards() {
		name := ratioName(b.Name, s.Name)
		var list []float64
		for _, k := range alike {
			if i := slices.IndexFunc(k.Figures, func(f opal.Figure) bool { return f.Name == name }); i >= 0 {
				list = append(list, k.Figures[i].Value)
			}
		}
		if len(list) < LeastReferences {
			continue
		}
		v := ratio(b.Area, s.Area)
		middle := median(list)
		away := make([]float64, len(list))
		for i, x := range list {
			away[i] = math.Abs(x - middle)
		}
		spread := 1.4826 * median(away)
		scale := math.Sqrt(float64(spread*spread) + float64(v.Uncertainty*v.Uncertainty))
		z := 0.0
		switch {
		case scale > 0:
			z = (v.Value - middle) / scale
		case v.Value > middle: // figures without any scatter are made, not measured
			z = 2 * beyond
		}
		b.Ratio, b.Standard, b.Z, b.Of = &v, s.Name, &z, len(list)
		return
	}
}

func names(list []family) string {
	s := string(list[0])
	for _, f := range list[1:] {
		s += " and " + string(f)
	}
	return s
}

func count(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + more
}

// significant writes a figure with three digits, and a large one whole.
func significant(v float64) string {
	if v >= 1000 {
		return written(v, 0)
	}
	return strconv.FormatFloat(v, 'g', 3, 64)
}
