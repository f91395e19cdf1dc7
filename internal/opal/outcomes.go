package opal

import "strings"

// outcomeWords lists what a method can show, in the order in which tables and refusals name it; "" for an unknown method. Constants and
// not tables: nothing can change them, and a look-up allocates nothing.
func outcomeWords(m Method) string {
	const always = " UNREADABLE NOTHING_SEEN"
	switch m {
	case WaterUptake:
		return "NEGLIGIBLE SLIGHT MODERATE STRONG TINTED_WATER RESIDUE_LEFT LOST_MASS CRACKED" + always
	case WaterDrop:
		return "SOAKED_IN SOAKED_IN_SLOWLY STAYED_ON_TOP" + always
	case Hydrostatic:
		return "WITHIN_RANGE BELOW_RANGE ABOVE_RANGE ROSE_SINCE_LAST FELL_SINCE_LAST" + always
	case Refractometer:
		return "WITHIN_RANGE BELOW_RANGE ABOVE_RANGE TWO_READINGS NO_READING" + always
	case Microscope:
		return "COLOUR_IN_CRACKS COLOUR_UNEVEN CARBON_SPECKS CARBON_IN_SCRATCHES PALE_UNDER_DARK_SKIN PEPPER_SPECKS BUBBLES_IN_CRACKS" +
			" FLASH_IN_CRACKS SURFACE_FILM WORN_EDGES JOIN_LINE NATURAL_GROWTH CELL_NET_GROWTH" + always
	case Swab:
		return "COLOUR_ON_SWAB TACKY FILM_CAME_OFF CLEAN_AFTER_WIPE CLEAN_AFTER_LONG_CONTACT" + always
	case HotPoint:
		return "SWEATED MELTED SHARP_SMELL MARKED_ONLY NO_CHANGE" + always
	case UVShortWave, UVLongWave:
		return "INERT WEAK MODERATE STRONG PATCHY" + always
	case DeepUVImaging:
		return "LIKE_REFERENCE UNLIKE_REFERENCE FOLLOWS_CRACKS" + always
	case Infrared:
		return "NONE AS_UNTREATED ORGANICS_PRESENT RAISED MANY OIL_BANDS WAX_PAIR RESIN_BANDS DYE_BANDS" + always
	case Raman:
		return "ONLY_OPAL_BANDS CARBON_BANDS DYE_BANDS RESIN_BANDS ORGANICS_PRESENT SWAMPED" + always
	case UVVis:
		return "IRON_LIKE NOT_IRON_LIKE NARROW_COLOUR_BANDS FEATURELESS" + always
	case XRF:
		return "IRON_FITS_COLOUR IRON_TOO_LOW ODD_METAL BARIUM_HIGH BARIUM_LOW UNREMARKABLE" + always
	case Polariscope:
		return "STAYS_DARK STRAIN_SHADOWS STAYS_BRIGHT" + always
	case SideView:
		return "NO_JOIN STRAIGHT_JOIN NATURAL_SEAM PAINTED_BASE HIDDEN_BY_SETTING" + always
	}
	return ""
}

// Outcomes lists the outcome words of a method, the two that every method knows last; nil for an unknown method.
func Outcomes(m Method) []Outcome {
	var list []Outcome
	for w := range strings.FieldsSeq(outcomeWords(m)) {
		list = append(list, Outcome(w))
	}
	return list
}

// KnowsOutcome tells whether the method can have this outcome.
func (m Method) KnowsOutcome(o Outcome) bool {
	for words := outcomeWords(m); words != ""; {
		var w string
		if w, words, _ = strings.Cut(words, " "); w == string(o) {
			return true
		}
	}
	return false
}
