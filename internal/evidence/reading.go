package evidence

import (
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// A spectrum that was read by the service has two words: what the reading gives, and what the tester says. The reading names no substance, so a tester who
// names one says more, and may: where the reading shows something of the kind, both are judged. Where the reading shows nothing, or could not be read, the
// tester's bands are not judged; and since one of the two errs, nothing of the kind counts as absent either.

// sign tells whether a word of a spectrum is one for something that is there.
func sign(o opal.Outcome) bool {
	switch o {
	case "ORGANICS_PRESENT", "RAISED", "MANY", "OIL_BANDS", "WAX_PAIR", "RESIN_BANDS", "DYE_BANDS", "CARBON_BANDS":
		return true
	}
	return false
}

// read tells whether the service read the test's spectrum.
func (t *TestFact) read() bool {
	return t.Computed != "" && (t.Method == opal.Infrared || t.Method == opal.Raman)
}

// doubted: the tester saw bands where the reading shows none.
func (t *TestFact) doubted() bool {
	return t.read() && !sign(t.Computed) && t.Computed != opal.Unreadable && t.Computed != "SWAMPED" &&
		(sign(t.Outcome) || slices.ContainsFunc(t.Findings, func(f opal.TestFinding) bool { return sign(f.Outcome) }))
}

// judged is the word that counts, and the findings beside it.
func (t *TestFact) judged() (opal.Outcome, []opal.TestFinding) {
	switch {
	case !t.read():
		return t.word(), t.Findings
	case sign(t.Computed):
		findings := t.Findings
		if sign(t.Outcome) && t.Outcome != t.Computed && !slices.ContainsFunc(findings, func(f opal.TestFinding) bool { return f.Outcome == t.Outcome }) {
			findings = append([]opal.TestFinding{{Outcome: t.Outcome}}, findings...)
		}
		return t.Computed, findings
	}
	findings := slices.DeleteFunc(slices.Clone(t.Findings), func(f opal.TestFinding) bool { return sign(f.Outcome) })
	if t.doubted() {
		return opal.Unreadable, findings
	}
	return t.Computed, findings
}
