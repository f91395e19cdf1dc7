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
	r.weaker()
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

// weakerBy is how many times as strong the stretching bands of C–H are at least as other bands of the same groups in the same stone (bending: three times and more,
// combinations and overtones: ten and more; from memory).
var weakerBy = map[string]float64{"chBending": 1.5, "chCombination": 5, "chOvertone": 5}

// weaker takes back what was seen of the bending, the combinations and overtones of C–H where their stretching bands would have shown and did not: it was something else, or
// noise.
func (r *Result) weaker() {
	stretching := r.band("chStretching")
	if !stretching.Readable || stretching.Seen {
		return
	}
	for _, s := range r.sections {
		for _, b := range s.bands {
			if b.name != stretching.Name {
				continue
			}
			limit := s.limit(b, bandSigma)
			for i := range r.Bands {
				w := &r.Bands[i]
				if times := weakerBy[w.Name]; w.Seen && times > 0 && float64(times*r.tallestIn(w.Name)) >= limit {
					w.Seen = false
					r.say(upper(w.What) + ": what stands out there does not count, because the stretching bands, which are many times as strong, do not show.")
				}
			}
		}
	}
}

// tallestIn is how far the highest peak of a band stands out.
func (r *Result) tallestIn(name string) float64 {
	out := 0.0
	for _, s := range r.sections {
		for _, b := range s.bands {
			if b.name == name {
				for _, p := range s.inBand(b) {
					out = max(out, p.Prominence)
				}
			}
		}
	}
	return out
}

// nothingOrganic says what a spectrum without organic bands says: something only if it could have shown one.
func (r *Result) nothingOrganic(missing []gap) {
	r.Outcome = unreadable
	type stretch struct {
		*section
		band band
	}
	var usable []stretch
	for _, s := range r.sections {
		for _, b := range s.bands {
			if (b.name == "chStretching" || b.name == "chCombination") && r.band(b.name).Readable {
				usable = append(usable, stretch{s, b})
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
	allowed, by := blindAlone, "accepted is 0.01 where no band of opal can be measured"
	if len(standards) > 0 {
		tallest := 0.0
		for _, x := range standards {
			tallest = max(tallest, r.tallestIn(x.Name))
		}
		allowed = blind * tallest
		by = "accepted is a twentieth of opal's own band, " + significant(allowed)
	}
	// A stretch in which a band could have hidden says nothing, and takes nothing from what the other says.
	for _, u := range usable {
		where := u.band.what + " (" + span(u.band.low, u.band.high) + ")"
		switch limit := u.section.limit(u.band, bandSigma); {
		case math.IsInf(limit, 1):
			r.say("Nothing follows from " + where + ": even a high band would not stand out there.")
		case limit > allowed:
			r.say("Nothing follows from " + where + ": a band 24 cm⁻¹ wide would have to be " + significant(limit) + " high to be seen for certain; " + by + ".")
		default:
			r.Outcome = noneSeen
			r.say("No band of " + where + " stands out; one 24 cm⁻¹ wide would have been seen from a height of " + significant(limit) + ".")
		}
	}
	r.unread(missing)
	if r.Outcome == unreadable {
		return
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
	var above, open, unsure []family
	add := func(list *[]family, f family) {
		if !slices.Contains(*list, f) {
			*list = append(*list, f)
		}
	}
	for i := range r.Bands {
		b := &r.Bands[i]
		if b.Opal || !b.Seen && !b.Readable {
			continue
		}
		if b.Readable {
			r.score(b, alike)
		}
		if !b.Seen {
			continue
		}
		compared := ""
		if b.Z != nil {
			compared = upper(b.What) + ", measured by " + r.band(b.Standard).What + ", is " + significant(b.Ratio.Value)
		}
		switch {
		case b.Z == nil:
			add(&open, b.family)
		case *b.Z > beyond:
			add(&above, b.family)
			r.say(compared + ": " + written(*b.Z, 1) + " robust standard deviations above the median of " + count(b.Of, "untreated stone", "untreated stones") +
				" (beyond " + written(beyond, 1) + ").")
		case b.capped:
			add(&unsure, b.family)
			r.say(compared + " or more, too strong to be measured and so to be compared.")
		case !b.within:
			add(&unsure, b.family)
			r.say(compared + ", too uncertain (" + significant(b.Ratio.Uncertainty) + ") to tell whether it lies within what " + count(b.Of, "untreated stone", "untreated stones") + " show.")
		default:
			r.say(compared + ", within what " + count(b.Of, "untreated stone", "untreated stones") + " show.")
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
	case len(unsure) > 0:
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
// where MAD is the median distance from the median and u the standard uncertainty of x. Within what they show is only what would lie there even if it were
// two uncertainties more: x + 2u − median ≤ 3.5 · 1.4826 · MAD.
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
		b.within = v.Value+float64(2*v.Uncertainty)-middle <= float64(beyond*spread)
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
