package evidence

import (
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// stone opens a lot of one piece.
func (w *world) stone(lot string) { w.post("mine", lot, "2026-01-01", mined(1)) }

// parcel opens a lot of many pieces and parts off one stone, lot+"s", on 2026-03-01; the rest stays.
func (w *world) parcel(lot string, n int64, manner opal.SplitManner) string {
	w.post("mine", lot, "2026-01-01", mined(n))
	w.post("mine", lot, "2026-03-01", splitRest(manner, n-1, parts(lot+"s", 1)))
	return lot + "s"
}

func (w *world) test(lot, at string, t *opal.Tested) string { return w.post("lab", lot, at, t) }

func ofLots(t *opal.Tested, positive int64, lots ...string) *opal.Tested {
	t.Sample = opal.Sample{Kind: opal.Pieces, Lots: lots, Positive: &positive}
	return t
}

func moist(m opal.Moisture) func(w *world, lot, at string, t *opal.Tested) {
	return func(w *world, lot, at string, t *opal.Tested) {
		ev := opal.Event{Lot: lot, Party: "lab", OccurredAt: at, Tested: t, Moisture: m}
		ev.RequestID[15], ev.RequestID[0] = byte(w.next), 2
		w.record(ev)
	}
}

// verdictCase names what happened and the verdict on one treatment that follows.
type verdictCase struct {
	treatment opal.Treatment
	build     func(w *world) (lot string)
	want      Verdict
	strength  Strength
	says      string // in the statement
}

func runVerdicts(t *testing.T, tests map[string]verdictCase) {
	t.Helper()
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			lot := test.build(w)
			got := w.want(lot, test.treatment, test.want)
			if got.Strength != test.strength {
				t.Errorf("the strength is %q, want %q", got.Strength, test.strength)
			}
			if !strings.Contains(got.Statement, test.says) {
				t.Errorf("the statement is %q, want %q in it", got.Statement, test.says)
			}
			w.checkWords(lot)
		})
	}
}

func TestVerdicts(t *testing.T) {
	const s = "mine.s"
	runVerdicts(t, map[string]verdictCase{
		// From the record.
		"declared": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Treated{Treatment: opal.Dye, Medium: "aniline"})
			return s
		}, Declared, ByRecord, "Dyed (aniline) on 2026-02-01, declared by mine."},
		"stated when acquired": {opal.Smoke, func(w *world) string {
			a := acquired(1)
			a.StatedTreatments = []opal.Treatment{opal.Smoke}
			w.post("dealer", s, "2026-02-01", a)
			return s
		}, Declared, ByRecord, "Smoked, as stated by dealer who acquired it on 2026-02-01."},
		"stated untreated is no evidence": {opal.Smoke, func(w *world) string {
			a := acquired(1)
			a.StatedUntreated = true
			w.post("dealer", s, "2026-02-01", a)
			return s
		}, NotTested, "", "Not tested for smoke."},
		"declared heat": {opal.Heat, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", treated(opal.Heat))
			return s
		}, Declared, ByRecord, "Heated on 2026-02-01"},
		"heat by no test": {opal.Heat, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.Infrared, "NONE", opal.Heat))
			return s
		}, Undeterminable, "", "Heat cannot be told by any test."},
		"a clean test takes no declaration back": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", treated(opal.Backing))
			w.test(s, "2026-02-02", tested(opal.SideView, "NO_JOIN"))
			return s
		}, Declared, ByRecord, "Backed"},
		"declared late": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-03", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-04", &opal.Received{})
			w.post("mine", s, "2026-02-01", treated(opal.Dye), opal.Finding{Code: opal.FindReportedLate, DelaySeconds: 63 * 24 * 3600})
			return s
		}, Declared, ByRecord, "declared by mine (held it from 2026-01-01 to 2026-02-04), 63 days later."},
		"withdrawn before anybody relied on it": {opal.Dye, func(w *world) string {
			w.stone(s)
			id := w.post("mine", s, "2026-02-01", treated(opal.Dye))
			w.post("mine", s, "2026-02-02", &opal.Withdrawn{Event: id, Because: "wrong lot"})
			return s
		}, NotTested, "", "Not tested for dye."},
		"withdrawn after a sale": {opal.Dye, func(w *world) string {
			w.stone(s)
			id := w.post("mine", s, "2026-02-01", treated(opal.Dye))
			w.post("mine", s, "2026-02-02", &opal.Sold{To: "shop"})
			w.post("mine", s, "2026-02-03", &opal.Withdrawn{Event: id, Because: "wrong lot"})
			return s
		}, Suspected, ByRecord, "declared by mine, then withdrawn by mine."},
		"withdrawn after a hand-over that brought it": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-01-02", &opal.HandedOver{To: "treater", Purpose: opal.ForTreatment})
			w.post("treater", s, "2026-01-03", &opal.Received{})
			id := w.post("treater", s, "2026-02-01", treated(opal.Dye))
			w.post("treater", s, "2026-02-02", &opal.Withdrawn{Event: id, Because: "wrong lot"})
			return s
		}, NotTested, "", "Not tested for dye."},
		"withdrawn after a split, asked of a child": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(10))
			id := w.post("mine", "mine.p", "2026-02-01", treated(opal.Dye))
			w.post("mine", "mine.p", "2026-02-02", split(opal.Unsorted, parts(s, 1, "mine.q", 9)))
			w.post("mine", "mine.p", "2026-02-03", &opal.Withdrawn{Event: id, Because: "wrong lot"})
			return s
		}, Suspected, ByRecord, "then withdrawn by mine."},
		"corrected into another treatment after a sale": {opal.Dye, func(w *world) string {
			w.stone(s)
			id := w.post("mine", s, "2026-02-01", treated(opal.Dye))
			w.post("mine", s, "2026-02-02", &opal.Sold{To: "shop"})
			w.post("mine", s, "2026-02-03", &opal.Corrected{Event: id, Because: "typing", Replacement: &opal.Replacement{Treated: treated(opal.OilWax)}})
			return s
		}, Suspected, ByRecord, "then corrected away by mine."},
		"corrected in another field": {opal.Dye, func(w *world) string {
			w.stone(s)
			id := w.post("mine", s, "2026-02-01", treated(opal.Dye))
			w.post("mine", s, "2026-02-03", &opal.Corrected{Event: id, Because: "typing", Replacement: &opal.Replacement{
				Treated: &opal.Treated{Treatment: opal.Dye, Medium: "madder"}}})
			return s
		}, Declared, ByRecord, "Dyed (madder)"},

		// From signs on the stone.
		"a sign on the stone": {opal.Smoke, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return s
		}, Found, BySign, "Smoke found by lab on 2026-02-01 (microscope: carbon in scratches)."},
		"a sign outlives a gap and a cut": {opal.Smoke, func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			w.post("mine", "mine.n", "2026-02-02", &opal.Sold{To: opal.Outside})
			w.post("mine", "mine.n", "2026-02-20", &opal.Reopened{Why: opal.BoughtBack})
			w.post("mine", "mine.n", "2026-03-01", cutInto(s))
			return s
		}, Found, BySign, "Smoke found"},
		"a coating found before a cut may be gone": {opal.Coating, func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.Microscope, "SURFACE_FILM"))
			w.post("mine", "mine.n", "2026-03-01", cutInto(s))
			return s
		}, Found, BySign, "It may be gone since the stone was cut."},
		"a sign against an exclusion": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			w.test(s, "2026-02-02", tested(opal.Microscope, "JOIN_LINE"))
			return s
		}, Conflicting, BySign, "Tests contradict each other on a backing"},
		"resin bands in a stone that drinks: not sealed through, but filled": {opal.Resin, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			w.test(s, "2026-02-02", tested(opal.Infrared, "RESIN_BANDS"))
			return s
		}, Found, BySign, "Resin found"},
		"an exclusion": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			return s
		}, NotFound, BySign, "A backing looked for and not found by lab on 2026-02-01 (side view: no join)."},
		"an exclusion with a contrary sign": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			w.test(s, "2026-02-02", tested(opal.Refractometer, "TWO_READINGS"))
			return s
		}, Open, "", "a sign that points to it"},
		"a stone that drinks, cracks not looked at": {opal.Resin, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			return s
		}, Open, "", "Not enough is known of resin"},
		"a stone that drinks, cracks looked at": {opal.Resin, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "MODERATE"))
			w.test(s, "2026-02-02", tested(opal.Microscope, opal.NothingSeen, opal.Resin))
			return s
		}, NotFound, BySign, "nor in its cracks"},
		"a stone that drinks, cracks looked at in an uncleaned stone": {opal.Resin, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "MODERATE"))
			x := tested(opal.Infrared, "NONE", opal.Resin)
			x.Conditions = nil
			w.test(s, "2026-02-02", x)
			return s
		}, Open, "", "Not enough is known of resin"},
		"low uptake after a higher one": {opal.Resin, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			w.test(s, "2026-03-01", tested(opal.WaterUptake, "SLIGHT"))
			return s
		}, Open, "", "a sign that points to it"},
		"density that rose at the same moisture": {opal.OilWax, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.Hydrostatic, "WITHIN_RANGE"))
			w.test(s, "2026-03-01", tested(opal.Hydrostatic, "ROSE_SINCE_LAST"))
			return s
		}, Open, "", "a sign that points to it"},
		"density that rose in a wetter stone": {opal.OilWax, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.Hydrostatic, "WITHIN_RANGE"))
			moist(opal.Wet)(w, s, "2026-03-01", tested(opal.Hydrostatic, "ROSE_SINCE_LAST"))
			return s
		}, NotTested, "", "cannot tell"},
		"a direction alone": {opal.Smoke, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.Microscope, "CARBON_SPECKS"))
			return s
		}, Open, "", "points to it, but does not decide"},
		"a negative alone": {opal.Smoke, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.Microscope, opal.NothingSeen, opal.Smoke))
			return s
		}, Open, "", "looked for and not seen"},
		"only what says nothing": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.UVLongWave, "WEAK"))
			return s
		}, NotTested, "", "What was seen by long-wave UV cannot tell."},
		"nothing at all": {opal.Dye, func(w *world) string {
			w.stone(s)
			return s
		}, NotTested, "", "Not tested for dye."},
		"white hydrophane needs no check for dye": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("lab", s, "2026-02-01", &opal.Described{BodyColour: "white"})
			return s
		}, NotApplicable, ByRecord, "White opal, as lab described it on 2026-02-01, needs no check for dye."},
		"white in the owner's own words": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Described{BodyColour: "white"})
			return s
		}, NotTested, "", "Not tested for dye."},
		"white only in its parcel's description": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(2))
			w.post("mine", "mine.p", "2026-01-02", &opal.Described{BodyColour: "white"})
			w.post("mine", "mine.p", "2026-01-03", split(opal.Sorted, parts(s, 1, "mine.q", 1)))
			return s
		}, NotTested, "", ""},
		"white now, described as brown before": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("lab", s, "2026-02-01", &opal.Described{BodyColour: "brown"})
			w.post("lab", s, "2026-02-03", &opal.Described{BodyColour: "white"})
			return s
		}, NotTested, "", ""},
		"white fire opal": {opal.Dye, func(w *world) string {
			w.post("mine", s, "2026-01-01", minedOf(opal.Fire, 1))
			w.post("lab", s, "2026-02-01", &opal.Described{BodyColour: "white"})
			return s
		}, NotTested, "", ""},
		"white, with a sign of dye": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("lab", s, "2026-02-01", &opal.Described{BodyColour: "white"})
			w.test(s, "2026-02-02", tested(opal.XRF, "ODD_METAL"))
			return s
		}, Open, "", ""},
	})
}

// checkWords checks what holds for every status: all treatments in their order, no word that says a stone is untreated, and sentences.
func (w *world) checkWords(lot string) {
	w.t.Helper()
	s := w.status(lot)
	for i, treatment := range opal.AllTreatments() {
		x := s.Treatments[i]
		if x.Treatment != treatment {
			w.t.Errorf("treatment %d is %s, want %s", i, x.Treatment, treatment)
		}
		if !strings.HasSuffix(x.Statement, ".") || strings.Contains(x.Statement, "  ") {
			w.t.Errorf("the statement on %s is no sentence: %q", treatment, x.Statement)
		}
		for _, sentence := range append([]string{x.Statement}, texts(x.Evidence)...) {
			if strings.Contains(sentence, "untreated") && !strings.HasPrefix(sentence, "Stated untreated by") {
				w.t.Errorf("%s of %s: %q", treatment, lot, sentence)
			}
		}
	}
	if strings.Contains(strings.ReplaceAll(s.Statement, textNotUntreated, ""), "untreated") || strings.Contains(s.Statement, "\n") {
		w.t.Errorf("the statement is %q", s.Statement)
	}
	for _, x := range s.Treatments {
		if (x.Verdict == NotTested) && !strings.Contains(s.Statement, textNotUntreated) {
			w.t.Errorf("the statement does not say that %s: %q", textNotUntreated, s.Statement)
		}
	}
}

func texts(items []Item) []string {
	var out []string
	for _, x := range items {
		out = append(out, x.Text)
	}
	return out
}

// The worst verdict stands for the whole; OPEN with nothing that points to treatment is better than NOT_TESTED.
func TestOverall(t *testing.T) {
	tests := map[string]struct {
		tests []*opal.Tested
		want  Verdict
	}{
		"nothing":              {nil, NotTested},
		"a negative alone":     {[]*opal.Tested{tested(opal.Microscope, opal.NothingSeen, opal.Smoke)}, NotTested},
		"a sign that points":   {[]*opal.Tested{tested(opal.Microscope, "CARBON_SPECKS")}, Open},
		"a sign":               {[]*opal.Tested{tested(opal.Microscope, "CARBON_SPECKS"), tested(opal.Swab, "COLOUR_ON_SWAB")}, Found},
		"a negative and a not": {[]*opal.Tested{tested(opal.SideView, "NO_JOIN")}, NotTested},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.stone("mine.s")
			for _, x := range test.tests {
				w.test("mine.s", "2026-02-01", x)
			}
			if got := w.status("mine.s").Overall; got != test.want {
				t.Errorf("overall is %s, want %s", got, test.want)
			}
		})
	}
}

func TestCoverageWords(t *testing.T) {
	cover := func(w *world, lot string) Coverage { return w.status(lot).of(opal.Smoke).Evidence[0].Coverage }
	tests := map[string]struct {
		build func(w *world) string
		want  Coverage
	}{
		"the stone itself": {func(w *world) string {
			w.stone("mine.s")
			w.test("mine.s", "2026-02-01", tested(opal.Microscope, "CARBON_SPECKS"))
			return "mine.s"
		}, ThisStone},
		"the piece that several were cut from": {func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.Microscope, "CARBON_SPECKS"))
			w.post("mine", "mine.n", "2026-03-01", cutInto("mine.s", "mine.t"))
			return "mine.s"
		}, SourcePiece},
		"one piece recut into one piece": {func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.Microscope, "CARBON_SPECKS"))
			w.post("mine", "mine.n", "2026-03-01", cutInto("mine.s"))
			return "mine.s"
		}, ThisStone},
		"the piece that a slice was sawn from": {func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.Microscope, "CARBON_SPECKS"))
			w.post("mine", "mine.n", "2026-03-01", splitRest(opal.Sawn, 1, parts("mine.s", 1)))
			return "mine.s"
		}, SourcePiece},
		"a parcel": {func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(9))
			w.test("mine.p", "2026-02-01", sampled(opal.Microscope, "CARBON_SPECKS", 3, 9, 3))
			w.post("mine", "mine.p", "2026-03-01", split(opal.Unsorted, parts("mine.s", 1, "mine.t", 8)))
			return "mine.s"
		}, SampleOf},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			if got := cover(w, test.build(w)); got != test.want {
				t.Errorf("coverage is %s, want %s", got, test.want)
			}
		})
	}
}
