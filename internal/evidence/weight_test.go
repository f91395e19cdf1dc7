package evidence

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// validated answers with counts of the laboratory "lab" under "P-1".
func validated(list ...Validation) func(string, opal.Method, string, uint64) ([]Validation, error) {
	return func(party string, _ opal.Method, protocol string, _ uint64) ([]Validation, error) {
		if party != "lab" || protocol != "P-1" {
			return nil, nil
		}
		return list, nil
	}
}

func validation(event string, outcome opal.Outcome, t opal.Treatment, with, all, without, of int64, lots ...string) Validation {
	return Validation{Event: event, Lots: lots, Rows: []opal.ValidationRow{{Outcome: outcome, Treatment: t, TreatedWith: with, TreatedAll: all, UntreatedWith: without, UntreatedAll: of}}}
}

func under(protocol string, t *opal.Tested) *opal.Tested {
	t.Protocol = protocol
	return t
}

// Few known stones say little, and many say what they can: 1 of 1 treated and 0 of 3 untreated stones give a direction, 40 of 40 and 0 of 60 a
// ratio of 120.5 that is at least 24.2 (SciPy; see testdata/ratio_table.csv).
func TestCountsBehindAnOutcome(t *testing.T) {
	many := func(with, all, without, of int64) Validation {
		return validation("lab/v1", "MANY", opal.Resin, with, all, without, of)
	}
	none := func(with, all, without, of int64) Validation {
		return validation("lab/v2", "AS_UNTREATED", opal.Resin, with, all, without, of)
	}
	for name, x := range map[string]struct {
		outcome  opal.Outcome
		protocol string
		list     []Validation
		want     Verdict
		strength Strength
		says     string
	}{
		"no counts":                            {"MANY", "P-1", nil, Open, "", "points to it"},
		"one treated and three untreated":      {"MANY", "P-1", []Validation{many(1, 1, 0, 3)}, Open, "", "points to it"},
		"four of each":                         {"MANY", "P-1", []Validation{many(4, 4, 0, 4)}, Open, "", "points to it"},
		"five of each: not yet":                {"MANY", "P-1", []Validation{many(5, 5, 0, 5)}, Open, HardlyAny, "about 11 times more probable if the stone is treated"},
		"twenty of each":                       {"MANY", "P-1", []Validation{many(20, 20, 0, 20)}, Suspected, Weak, "about 41 times more probable if the stone is treated than if it is not (at least 8.4 times, 95 %)"},
		"forty and sixty":                      {"MANY", "P-1", []Validation{many(40, 40, 0, 60)}, Found, Moderate, "about 121 times more probable if the stone is treated"},
		"forty and sixty of another protocol":  {"MANY", "P-2", []Validation{many(40, 40, 0, 60)}, Open, "", "points to it"},
		"forty and sixty, no protocol":         {"MANY", "", []Validation{many(40, 40, 0, 60)}, Open, "", "points to it"},
		"as often on both":                     {"MANY", "P-1", []Validation{many(20, 40, 30, 60)}, Open, "", ""},
		"clean, no counts":                     {"AS_UNTREATED", "P-1", nil, Open, "", "does not rule it out"},
		"clean on few":                         {"AS_UNTREATED", "P-1", []Validation{none(0, 4, 4, 4)}, Open, "", "does not rule it out"},
		"clean on five":                        {"AS_UNTREATED", "P-1", []Validation{none(0, 5, 5, 5)}, Open, HardlyAny, "if the stone is not treated than if it is"},
		"clean on twenty":                      {"AS_UNTREATED", "P-1", []Validation{none(0, 20, 20, 20)}, NotFound, Weak, "looked for and not found: these findings are about 41 times more probable if the stone is not treated"},
		"clean, and seen as often on treated":  {"AS_UNTREATED", "P-1", []Validation{none(15, 20, 15, 20)}, Open, "", ""},
		"clean, and counts that say otherwise": {"AS_UNTREATED", "P-1", []Validation{none(20, 20, 0, 20)}, Suspected, Weak, ""},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.stone("mine.a")
			w.test("mine.a", "2026-02-01", under(x.protocol, tested(opal.Infrared, x.outcome, opal.Resin)))
			q := w.query("mine.a")
			q.Validated = validated(x.list...)
			got := wantVerdict(t, w.ask(q), opal.Resin, x.want)
			if got.Strength != x.strength || !strings.Contains(got.Statement, x.says) {
				t.Errorf("%s, %q", got.Strength, got.Statement)
			}
			if has := got.Log10LR != nil; has != (x.strength != "") || has && (got.LR == nil || math.Abs(*got.Log10LR-math.Log10(got.LR.Point)) > 1e-8 || got.Level < 0.95) {
				t.Errorf("ratio %+v at %v, logarithm %v", got.LR, got.Level, got.Log10LR)
			}
		})
	}
}

func TestTheNumbersCanBeFollowed(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.a")
	w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, "MANY", opal.Resin)))
	q := w.query("mine.a")
	q.Validated = validated(validation("lab/v1", "MANY", opal.Resin, 40, 40, 0, 60))
	x := w.ask(q).of(opal.Resin).Evidence[0]
	if x.CountedBy != "lab/v1" || x.Counted == nil || *x.Counted != (Counted{40, 40, 0, 60}) || x.Rule != "INFRARED/MANY/RESIN" || x.Group != Organics {
		t.Errorf("item %+v", x)
	}
	if lr := x.LR; lr == nil || math.Abs(lr.Point-120.512195) > 1e-6 || math.Abs(lr.Lower-24.1794) > 1e-4 {
		t.Errorf("ratio %+v", lr)
	}
	if want := "((40 + ½)/(40 + 1)) / ((0 + ½)/(60 + 1)); interval: exact quantiles of the ratio of Beta(40.5, 0.5) to Beta(0.5, 60.5)"; x.Formula != want {
		t.Errorf("formula %q, want %q", x.Formula, want)
	}
	if want := "on known stones it was seen on 40 of 40 treated and 0 of 60 untreated, so it is about 121 times more probable if the stone is treated than if it is not (at least 24 times, 95 %)"; !strings.Contains(x.Text, want) {
		t.Errorf("%q", x.Text)
	}
}

// Outcomes that sense the same thing are one witness; of different groups each is one.
func TestGroups(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.a")
	w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, "MANY", opal.Resin)))
	list := []Validation{validation("lab/v1", "MANY", opal.Resin, 20, 20, 0, 20), validation("lab/v2", "ORGANICS_PRESENT", opal.Resin, 20, 20, 0, 20)}
	ratio := func() *TreatmentStatus {
		q := w.query("mine.a")
		q.Validated = validated(list...)
		return w.ask(q).of(opal.Resin)
	}
	one := ratio()
	w.test("mine.a", "2026-02-02", under("P-1", tested(opal.Raman, "ORGANICS_PRESENT", opal.Resin)))
	if two := ratio(); *two.Log10LR != *one.Log10LR || two.Verdict != one.Verdict {
		t.Errorf("infrared and Raman together: %+v, infrared alone %+v", two.LR, one.LR)
	}
	// The product's interval is taken at a level that allows for every group that the table has for the treatment.
	if want := 1 - 0.05/float64(Latest().groups[opal.Resin]); one.Level != want || Latest().groups[opal.Resin] < 2 {
		t.Errorf("level %v, want %v", one.Level, want)
	}
}

// A stone is no witness in its own cause, and each known stone counts once.
func TestKnownStonesCountOnce(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.a")
	w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, "MANY", opal.Resin)))
	counts := func(list ...Validation) *Counted {
		q := w.query("mine.a")
		q.Validated = validated(list...)
		return w.ask(q).of(opal.Resin).Evidence[0].Counted
	}
	first := validation("lab/v1", "MANY", opal.Resin, 5, 6, 1, 7, "lab.k1", "lab.k2")
	for name, x := range map[string]struct {
		list []Validation
		want *Counted
	}{
		"one event":                    {[]Validation{first}, &Counted{5, 6, 1, 7}},
		"others are added":             {[]Validation{first, validation("lab/v2", "MANY", opal.Resin, 1, 1, 0, 2, "lab.k3")}, &Counted{6, 7, 1, 9}},
		"the same again":               {[]Validation{first, validation("lab/v2", "MANY", opal.Resin, 8, 9, 1, 9, "lab.k2", "lab.k4")}, &Counted{8, 9, 1, 9}},
		"without names they replace":   {[]Validation{first, validation("lab/v2", "MANY", opal.Resin, 8, 9, 1, 9)}, &Counted{8, 9, 1, 9}},
		"the stone itself is left out": {[]Validation{first, validation("lab/v2", "MANY", opal.Resin, 1, 1, 0, 2, "mine.a")}, &Counted{5, 6, 1, 7}},
		"of another outcome":           {[]Validation{validation("lab/v2", "RAISED", opal.Resin, 1, 1, 0, 2)}, nil},
	} {
		got := counts(x.list...)
		if (got == nil) != (x.want == nil) || got != nil && *got != *x.want {
			t.Errorf("%s: %+v, want %+v", name, got, x.want)
		}
	}
}

// Properties over counts of any kind: ultraviolet light never moves a verdict, an outcome whose interval holds 1 moves none, one more find never
// makes a verdict better, and withdrawing a test is never having had it.
func TestWeightProperties(t *testing.T) {
	var ratios Ratios
	rapid.Check(t, func(rt *rapid.T) {
		w := newWorld(t)
		w.stone("mine.a")
		var list []Validation
		outcomes := []struct {
			m opal.Method
			o opal.Outcome
		}{{opal.Infrared, "MANY"}, {opal.Infrared, "AS_UNTREATED"}, {opal.Raman, "ORGANICS_PRESENT"}, {opal.Raman, "ONLY_OPAL_BANDS"}, {opal.Microscope, "BUBBLES_IN_CRACKS"}, {opal.Hydrostatic, "ROSE_SINCE_LAST"}}
		for i, x := range outcomes {
			all, of := rapid.Int64Range(1, 80).Draw(rt, "treated"), rapid.Int64Range(1, 80).Draw(rt, "untreated")
			list = append(list, validation("lab/v"+string(rune('1'+i)), x.o, opal.Resin, rapid.Int64Range(0, all).Draw(rt, "with"), all, rapid.Int64Range(0, of).Draw(rt, "without"), of))
		}
		q := func() Query {
			q := w.query("mine.a")
			q.Validated, q.Ratios = validated(list...), &ratios
			return q
		}
		ask := func() *TreatmentStatus { return w.ask(q()).of(opal.Resin) }
		score := func(x *TreatmentStatus) int {
			points := slices.ContainsFunc(x.Evidence, func(i Item) bool {
				return i.Counts && (i.Stance == PointsTo || i.LR != nil && i.LR.Point > 1) && (i.LR == nil || i.LR.Says())
			})
			return rank(x.Verdict, points)
		}
		n := rapid.IntRange(0, 4).Draw(rt, "tests")
		for range n {
			x := rapid.SampledFrom(outcomes).Draw(rt, "outcome")
			w.test("mine.a", "2026-02-01", under("P-1", tested(x.m, x.o, opal.Resin)))
		}
		before := ask()
		uv := w.test("mine.a", "2026-02-02", under("P-1", tested(opal.UVLongWave, rapid.SampledFrom(opal.Outcomes(opal.UVLongWave)).Draw(rt, "uv"), opal.Resin)))
		if after := ask(); after.Verdict != before.Verdict || after.Strength != before.Strength {
			rt.Fatalf("ultraviolet moves %s to %s", before.Verdict, after.Verdict)
		}
		w.post("lab", "mine.a", "2026-02-02", &opal.Withdrawn{Event: uv, Because: "another stone"})
		x := rapid.SampledFrom(outcomes).Draw(rt, "one more")
		more := w.test("mine.a", "2026-02-03", under("P-1", tested(x.m, x.o, opal.Resin)))
		after := ask()
		for _, item := range after.Evidence {
			if item.Event != more {
				continue
			}
			if item.LR != nil && !item.LR.Says() && before.Verdict != NotTested && (after.Verdict != before.Verdict || after.Strength != before.Strength) {
				rt.Fatalf("%+v says nothing and moves %s to %s", item.LR, before.Verdict, after.Verdict)
			}
			if item.Counts && item.LR != nil && item.LR.Lower > 1 && score(after) > score(before) {
				rt.Fatalf("a find with %+v makes %s of %s", item.LR, after.Verdict, before.Verdict)
			}
		}
		w.post("lab", "mine.a", "2026-02-04", &opal.Withdrawn{Event: more, Because: "another stone"})
		if back := ask(); back.Verdict != before.Verdict || back.Strength != before.Strength {
			rt.Fatalf("withdrawn: %s %s, before %s %s", back.Verdict, back.Strength, before.Verdict, before.Strength)
		}
	})
}

// What a laboratory must at least have counted so that a clean outcome can deny a treatment, as the answer to a claim says: with one stone fewer of
// each it does not.
func TestFewestForAClaim(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.a")
	w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, "AS_UNTREATED", opal.OilWax)))
	walk, err := newWalker(w.query("mine.a"))
	if err != nil {
		t.Fatal(err)
	}
	n := walk.fewest(opal.OilWax)
	for all, want := range map[int64]ClaimVerdict{n - 1: Unsupported, n: Supported} {
		q := w.query("mine.a")
		q.Validated = validated(validation("lab/v1", "AS_UNTREATED", opal.OilWax, 0, all, all, all))
		r := w.claimOf(q, opal.Claim{Claim: opal.ClaimNoOilWax}, want)
		if says := "at least " + strconv.FormatInt(n, 10) + " treated"; want == Unsupported && !strings.Contains(strings.Join(r.Missing, " "), says) {
			t.Errorf("missing %q, want %q in it", r.Missing, says)
		}
	}
}

// The odds of no treatment at all, by hand: with ratios of 1/61 and 1/41, each even beforehand, 61/62 × 41/42 = 2501/2604, so 2501 to 103 or 24 to 1.
func TestJointOdds(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.a")
	w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, "AS_UNTREATED", opal.Resin, opal.OilWax)))
	q := w.query("mine.a")
	q.Validated = validated(validation("lab/v1", "AS_UNTREATED", opal.Resin, 0, 30, 30, 30), validation("lab/v2", "AS_UNTREATED", opal.OilWax, 0, 20, 20, 20))
	r := w.claimOf(q, opal.Claim{Claim: opal.ClaimUntreated}, Unsupported)
	if want := "If each had been as likely as not beforehand, the counts of known stones would make the odds that there is none of oil or wax, resin about 24 to 1."; !strings.Contains(r.Because, want) {
		t.Errorf("%q, want %q in it", r.Because, want)
	}
	w.post("mine", "mine.a", "2026-03-01", treated(opal.Smoke))
	q.KnownAt = w.next
	if r := w.claimOf(q, opal.Claim{Claim: opal.ClaimUntreated}, Contradicted); strings.Contains(r.Because, "odds") {
		t.Errorf("odds beside a declaration: %q", r.Because)
	}
}
