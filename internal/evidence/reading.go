package evidence

import (
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// A spectrum that was read by the service has two words: what the reading gives, and what the tester says. The reading names no substance, so a tester who
// names one says more, and may: where the reading shows a sign of the same kind, both are judged. Of a kind that the reading shows nothing of, the tester's
// word is not judged; and since one of the two errs, nothing counts as absent either.
//
// What is absent the reading alone says. A tester's word for that is never judged beside it: where the reading found bands, or could not be made, it would say
// more than there is.

// kind is what a word of a spectrum is a sign of.
type kind int

const (
	noSign kind = iota
	organicMatter
	carbonMatter
	dyeMatter
)

// kindOf is what a word of a spectrum says is there; noSign: nothing.
func kindOf(o opal.Outcome) kind {
	switch o {
	case "ORGANICS_PRESENT", "RAISED", "MANY", "OIL_BANDS", "WAX_PAIR", "RESIN_BANDS":
		return organicMatter
	case "CARBON_BANDS":
		return carbonMatter
	case "DYE_BANDS":
		return dyeMatter
	}
	return noSign
}

// saysAbsent tells whether a word of a spectrum is one for something that is not there.
func saysAbsent(o opal.Outcome) bool {
	switch o {
	case "NONE", "ONLY_OPAL_BANDS", "AS_UNTREATED", opal.NothingSeen:
		return true
	}
	return false
}

// read tells whether the service read the test's spectrum.
func (t *TestFact) read() bool {
	return t.Measured && (t.Method == opal.Infrared || t.Method == opal.Raman)
}

// unread tells whether the service could make nothing of the spectrum.
func (t *TestFact) unread() bool { return t.Computed == opal.Unreadable || t.Computed == "SWAMPED" }

// reveals tells whether the reading shows a sign of a kind. Bands like those of untreated stones are bands; and where a Raman spectrum has no word, peaks stand
// out that are neither opal's nor organic nor carbon's: a tester who sees a dye in them names what is there.
func (t *TestFact) reveals(k kind) bool {
	return kindOf(t.Computed) == k || slices.ContainsFunc(t.Also, func(o opal.Outcome) bool { return kindOf(o) == k }) ||
		k == organicMatter && t.Computed == "AS_UNTREATED" || k == dyeMatter && t.Computed == "" && t.Method == opal.Raman
}

// reading is what a test says, with the words of the tester that are not judged.
type reading struct {
	word     opal.Outcome       // that counts; UNREADABLE where nothing does
	findings []opal.TestFinding // beside it
	// unseen are the tester's words for something that the reading does not show.
	unseen []opal.Outcome
	// contested: the reading finds no more than untreated stones show, and the tester names a substance in it. Both stand, and what is as in untreated stones
	// is no absence.
	contested bool
}

// reading weighs the tester's words against what the service read; without that, they count as they are.
func (t *TestFact) reading() reading {
	if !t.read() {
		return reading{word: t.word(), findings: t.Findings}
	}
	r := reading{word: t.Computed}
	named := t.Findings
	if t.Outcome != t.Computed && kindOf(t.Outcome) != noSign && !slices.Contains(t.Also, t.Outcome) &&
		!slices.ContainsFunc(named, func(f opal.TestFinding) bool { return f.Outcome == t.Outcome }) {
		named = append([]opal.TestFinding{{Outcome: t.Outcome}}, named...)
	}
	for _, f := range named {
		switch k := kindOf(f.Outcome); {
		case f.Outcome == t.Computed:
		case k == noSign && saysAbsent(f.Outcome):
			continue
		case k != noSign && !t.reveals(k):
			if !slices.Contains(r.unseen, f.Outcome) {
				r.unseen = append(r.unseen, f.Outcome)
			}
			continue
		case k == organicMatter:
			r.contested = r.contested || t.Computed == "AS_UNTREATED"
		}
		r.findings = append(r.findings, f)
	}
	shown := slices.ContainsFunc(r.findings, func(f opal.TestFinding) bool { return kindOf(f.Outcome) != noSign })
	if !shown && (t.Computed == "" || len(r.unseen) > 0 && saysAbsent(t.Computed)) {
		r.word = opal.Unreadable
		r.findings = slices.DeleteFunc(r.findings, func(f opal.TestFinding) bool { return f.Outcome == t.Computed })
	}
	return r
}

// judged is the word that counts, and the findings beside it.
func (t *TestFact) judged() (opal.Outcome, []opal.TestFinding) {
	r := t.reading()
	return r.word, r.findings
}
