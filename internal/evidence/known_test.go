package evidence

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// reference marks a lot as a stone of known history.
func (w *world) reference(lot string, known opal.Known, treatment opal.Treatment) (event string) {
	w.t.Helper()
	return w.referenceBy("lab", lot, known, treatment)
}

func (w *world) referenceBy(party, lot string, known opal.Known, treatment opal.Treatment) (event string) {
	w.t.Helper()
	ev := opal.Event{Lot: lot, Party: party, OccurredAt: "2026-01-10", ReferenceSet: &opal.ReferenceSet{Known: known, Treatment: treatment, How: "bought with its history"}}
	ev.RequestID[15], ev.RequestID[14], ev.RequestID[0] = byte(w.next), byte(w.next>>8), 3
	return w.record(ev)
}

// A stone of known history is left out of the counts that it is compared with, and what it showed is taken from where it said most.
func TestAKnownStoneIsLeftOut(t *testing.T) {
	const stone = "lab.k1"
	for name, x := range map[string]struct {
		known     opal.Known
		treatment opal.Treatment
		outcome   opal.Outcome
		counts    Counted
		want      *Counted
	}{
		"not marked: the counts can't be used":   {"", "", "MANY", Counted{40, 40, 0, 60}, nil},
		"a treated stone, of those that show it": {opal.KnownTreated, opal.Resin, "MANY", Counted{40, 40, 0, 60}, &Counted{39, 39, 0, 60}},
		"an untreated stone, clean":              {opal.KnownUntreated, "", "MANY", Counted{40, 40, 0, 60}, &Counted{40, 40, 0, 59}},
		"an untreated stone, some show it":       {opal.KnownUntreated, opal.Resin, "MANY", Counted{40, 40, 3, 60}, &Counted{40, 40, 3, 59}},
		"a treated stone, for a clean outcome":   {opal.KnownTreated, opal.Resin, "AS_UNTREATED", Counted{2, 40, 60, 60}, &Counted{2, 39, 60, 60}},
		"an untreated one, for a clean outcome":  {opal.KnownUntreated, "", "AS_UNTREATED", Counted{0, 40, 60, 60}, &Counted{0, 40, 59, 59}},
		"treated in another way":                 {opal.KnownTreated, opal.Dye, "MANY", Counted{40, 40, 0, 60}, nil},
		"untreated as far as another goes":       {opal.KnownUntreated, opal.Dye, "MANY", Counted{40, 40, 0, 60}, nil},
		"by another's mark":                      {"", "", "MANY", Counted{40, 40, 0, 60}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.stone(stone)
			if name == "by another's mark" {
				w.referenceBy("mine", stone, opal.KnownUntreated, "")
			}
			if x.known != "" {
				w.reference(stone, x.known, x.treatment)
			}
			w.test(stone, "2026-02-01", under("P-1", tested(opal.Infrared, x.outcome, opal.Resin)))
			c := x.counts
			q := w.query(stone)
			q.Validated = validated(validation("lab/v1", x.outcome, opal.Resin, c.TreatedWith, c.TreatedAll, c.UntreatedWith, c.UntreatedAll, stone, "lab.k2"))
			got := w.ask(q).of(opal.Resin).Evidence[0].Counted
			if (got == nil) != (x.want == nil) || got != nil && *got != *x.want {
				t.Errorf("%+v, want %+v", got, x.want)
			}
			// Another stone is compared with all of them.
			w.stone("mine.a")
			w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, x.outcome, opal.Resin)))
			q.Lot, q.KnownAt = "mine.a", w.next
			if got := w.ask(q).of(opal.Resin).Evidence[0].Counted; got == nil || *got != c {
				t.Errorf("another stone: %+v", got)
			}
			// So is one that was cut from it, the other way round.
			w.post("lab", stone, "2026-03-01", cutInto("lab.c"))
			q.Lot, q.KnownAt = "lab.c", w.next
			if got := w.ask(q).of(opal.Resin).Evidence[0].Counted; (got == nil) != (x.want == nil) || got != nil && *got != *x.want {
				t.Errorf("a stone cut from it: %+v, want %+v", got, x.want)
			}
		})
	}
}

// Leaving a stone out never makes the counts say more.
func TestLeavingOutNeverSaysMore(t *testing.T) {
	var ratios Ratios
	rapid.Check(t, func(rt *rapid.T) {
		c := Counted{TreatedAll: rapid.Int64Range(6, 60).Draw(rt, "A"), UntreatedAll: rapid.Int64Range(6, 60).Draw(rt, "B")}
		c.TreatedWith, c.UntreatedWith = rapid.Int64Range(0, c.TreatedAll).Draw(rt, "a"), rapid.Int64Range(0, c.UntreatedAll).Draw(rt, "b")
		s := &Summary{Lot: "lab.k"}
		known := opal.KnownUntreated
		if rapid.Bool().Draw(rt, "treated") {
			known = opal.KnownTreated
		}
		s.Known = []KnownFact{{Known: known, Treatment: opal.Resin, Fact: Fact{Position: 1, Party: "lab"}}}
		l := &line{w: &walker{q: Query{KnownAt: 9, Get: func(string) (*Summary, error) { return s, nil }}}}
		less, itself := c, Kin{Lot: "lab.k", Stone: "lab.k"}
		if !l.leaveOut(&less, plainLab, &itself, []Kin{itself}, opal.Resin) {
			rt.Fatal("not left out")
		}
		if less.TreatedAll+less.UntreatedAll != c.TreatedAll+c.UntreatedAll-1 || less.TreatedWith > less.TreatedAll || less.UntreatedWith > less.UntreatedAll || less.TreatedWith < 0 || less.UntreatedWith < 0 {
			rt.Fatalf("%+v of %+v", less, c)
		}
		before, after := ratios.Of(c, 0.95), ratios.Of(less, 0.95)
		if before.Lower > 1 && after.Lower > before.Lower*(1+1e-9) || before.Upper < 1 && after.Upper < before.Upper*(1-1e-9) {
			rt.Fatalf("%+v gives %+v, without the stone %+v gives %+v", c, before, less, after)
		}
	})
}

// Counts that share stones with later ones give way to those, and no others do.
func TestOnlyRepeatedCountsGiveWay(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.a")
	w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, "MANY", opal.Resin)))
	q := w.query("mine.a")
	q.Validated = validated(
		validation("lab/v1", "MANY", opal.Resin, 5, 6, 1, 7, "lab.k1", "lab.k2"), validation("lab/v2", "MANY", opal.Resin, 2, 2, 0, 3, "lab.k3"),
		validation("lab/v3", "MANY", opal.Resin, 8, 9, 1, 9, "lab.k2", "lab.k4"), validation("lab/v4", "RAISED", opal.Resin, 8, 9, 1, 9, "lab.k3"))
	x := w.ask(q).of(opal.Resin).Evidence[0]
	if want := (Counted{10, 11, 1, 12}); x.Counted == nil || *x.Counted != want || x.CountedBy != "lab/v2, lab/v3" {
		t.Errorf("%+v by %q, want %+v by lab/v2, lab/v3", x.Counted, x.CountedBy, want)
	}
}

// witness is an outcome with the counts behind it.
type witness struct {
	m opal.Method
	o opal.Outcome
	c Counted
}

// weigh asks what witnesses on one stone make of resin together.
func weigh(t testing.TB, ratios *Ratios, list ...witness) *TreatmentStatus {
	w := newWorld(t)
	w.stone("mine.a")
	var rows []Validation
	for _, x := range list {
		w.test("mine.a", "2026-02-01", under("P-1", tested(x.m, x.o, opal.Resin)))
		rows = append(rows, validation("lab/v-"+string(x.m)+string(x.o), x.o, opal.Resin, x.c.TreatedWith, x.c.TreatedAll, x.c.UntreatedWith, x.c.UntreatedAll))
	}
	q := w.query("mine.a")
	q.Ratios = ratios
	q.Validated = func(_ string, m opal.Method, _ string, _ uint64) (out []Validation, _ error) {
		for i, x := range list {
			if x.m == m {
				out = append(out, rows[i])
			}
		}
		return out, nil
	}
	return w.ask(q).of(opal.Resin)
}

// What makes suspicious stays so, whatever else is found: a larger ratio of fewer stones does not hide a surer one.
func TestALargerRatioHidesNoSurerOne(t *testing.T) {
	var ratios Ratios
	sure, wide := Counted{20, 20, 1, 20}, Counted{6, 8, 0, 9}
	if s, w := ratios.Of(sure, 0.95), ratios.Of(wide, 0.95); !(s.Point < w.Point && s.suspects() == 1 && w.suspects() == 0 && w.Lower > 1) {
		t.Fatalf("the counts no longer make the case: %+v, %+v", s, w)
	}
	one := weigh(t, &ratios, witness{opal.Infrared, "MANY", sure})
	two := weigh(t, &ratios, witness{opal.Infrared, "MANY", sure}, witness{opal.Raman, "ORGANICS_PRESENT", wide})
	if one.Verdict != Suspected || two.Verdict != Suspected {
		t.Errorf("%s, with one more find %s", one.Verdict, two.Verdict)
	}
}

// Over counts of any kind, in several groups: one more outcome that points to the treatment never makes the verdict better, one more that points
// away never makes it suspicious, and the order does not matter.
func TestMoreWitnessesNeverTurnTheVerdict(t *testing.T) {
	var ratios Ratios
	words := []witness{
		{m: opal.Infrared, o: "MANY"}, {m: opal.Raman, o: "ORGANICS_PRESENT"}, {m: opal.Microscope, o: "BUBBLES_IN_CRACKS"}, {m: opal.HotPoint, o: "SHARP_SMELL"},
		{m: opal.WaterDrop, o: "SOAKED_IN_SLOWLY"}, {m: opal.DeepUVImaging, o: "FOLLOWS_CRACKS"}, {m: opal.Infrared, o: "AS_UNTREATED"}, {m: opal.Raman, o: "ONLY_OPAL_BANDS"},
	}
	rapid.Check(t, func(rt *rapid.T) {
		var list []witness
		for _, x := range rapid.SliceOfNDistinct(rapid.SampledFrom(words), 1, 5, func(x witness) string { return string(x.m + opal.Method(x.o)) }).Draw(rt, "words") {
			all, of := rapid.SampledFrom([]int64{5, 8, 20, 40, 60}).Draw(rt, "treated"), rapid.SampledFrom([]int64{5, 8, 20, 40, 60}).Draw(rt, "untreated")
			x.c = Counted{rapid.Int64Range(0, all).Draw(rt, "with"), all, rapid.Int64Range(0, of).Draw(rt, "without"), of}
			if rapid.Bool().Draw(rt, "tells well") {
				x.c.TreatedWith, x.c.UntreatedWith = all-all/10, of/20
			}
			list = append(list, x)
		}
		score := func(x *TreatmentStatus) int {
			return rank(x.Verdict, slices.ContainsFunc(x.Evidence, func(i Item) bool { return i.Counts && i.LR != nil && i.LR.Lower > 1 }))
		}
		last := list[len(list)-1]
		before, after := weigh(t, &ratios, list[:len(list)-1]...), weigh(t, &ratios, list...)
		lr := ratios.Of(last.c, ItemLevel)
		if lr.Lower > 1 && score(after) > score(before) && before.Verdict != NotTested {
			rt.Fatalf("%+v (%+v) makes %s of %s", last, lr, after.Verdict, before.Verdict)
		}
		if lr.Upper < 1 && score(after) < min(score(before), rank(Open, true)) {
			rt.Fatalf("%+v (%+v) makes %s of %s", last, lr, after.Verdict, before.Verdict)
		}
		if !lr.Says() && before.Verdict != NotTested && (after.Verdict != before.Verdict || after.Strength != before.Strength) {
			rt.Fatalf("%+v (%+v) says nothing and makes %s %s of %s %s", last, lr, after.Verdict, after.Strength, before.Verdict, before.Strength)
		}
		turned := slices.Clone(list)
		slices.Reverse(turned)
		if other := weigh(t, &ratios, turned...); other.Verdict != after.Verdict || other.Strength != after.Strength {
			rt.Fatalf("in another order %s %s, not %s %s", other.Verdict, other.Strength, after.Verdict, after.Strength)
		}
	})
}

// Where known stones were counted, the counts decide which way a clean outcome points, and so what ends it: an absence ends with a gap, a presence does not. A
// sign they can only take the weight from.
func TestCountsDecideWhichWayAnOutcomePoints(t *testing.T) {
	for name, x := range map[string]struct {
		outcome       opal.Outcome
		counts        Counted
		before, after Verdict
	}{
		"a sign that untreated stones show":     {"RAISED", Counted{0, 40, 60, 60}, NotTested, NotTested},
		"a clean word that treated stones show": {"AS_UNTREATED", Counted{40, 40, 0, 60}, Found, Found},
		"a sign":                                {"RAISED", Counted{40, 40, 0, 60}, Found, Found},
		"a clean word":                          {"AS_UNTREATED", Counted{0, 40, 60, 60}, NotFound, NotTested},
		"a sign that says nothing":              {"RAISED", Counted{30, 40, 45, 60}, Open, Open},
		"a clean word that says nothing":        {"AS_UNTREATED", Counted{30, 40, 45, 60}, Open, NotTested},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.stone("mine.a")
			w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, x.outcome, opal.Resin)))
			ask := func() *Status {
				q := w.query("mine.a")
				c := x.counts
				q.Validated = validated(validation("lab/v1", x.outcome, opal.Resin, c.TreatedWith, c.TreatedAll, c.UntreatedWith, c.UntreatedAll))
				return w.ask(q)
			}
			wantVerdict(t, ask(), opal.Resin, x.before)
			w.post("mine", "mine.a", "2026-02-02", &opal.Sold{To: opal.Outside})
			w.post("mine", "mine.a", "2026-02-20", &opal.Reopened{Why: opal.BoughtBack})
			wantVerdict(t, ask(), opal.Resin, x.after)
		})
	}
}

// What would be found on a stone itself is a find where it was seen on some stone of a sample; what would not be is none.
func TestAFindByCountsInASample(t *testing.T) {
	for name, x := range map[string]struct {
		counts   Counted
		positive int64
		want     Verdict
		strength Strength
	}{
		"counts that decide":         {Counted{40, 40, 0, 60}, 1, Suspected, Moderate},
		"none showed it":             {Counted{40, 40, 0, 60}, 0, Open, ""},
		"counts that say too little": {Counted{20, 20, 0, 20}, 1, Open, ""},
		"counts of few":              {Counted{4, 4, 0, 4}, 1, Open, ""},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.test("mine.p", "2026-02-01", under("P-1", sampled(opal.Infrared, "MANY", 5, 60, x.positive, opal.Resin)))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 59, parts("mine.s", 1)))
			q := w.query("mine.s")
			c := x.counts
			q.Validated = validated(validation("lab/v1", "MANY", opal.Resin, c.TreatedWith, c.TreatedAll, c.UntreatedWith, c.UntreatedAll))
			if got := wantVerdict(t, w.ask(q), opal.Resin, x.want); got.Strength != x.strength {
				t.Errorf("the strength is %q, want %q", got.Strength, x.strength)
			}
		})
	}
}

// Claims are weighed with counts too, whether or not anybody remembers ratios.
func TestClaimsByCounts(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.a")
	w.test("mine.a", "2026-02-01", under("P-1", tested(opal.Infrared, "AS_UNTREATED", opal.Resin, opal.OilWax)))
	q := w.query("mine.a")
	q.Validated = validated(validation("lab/v1", "AS_UNTREATED", opal.Resin, 0, 40, 60, 60), validation("lab/v2", "AS_UNTREATED", opal.OilWax, 4, 6, 1, 6))
	if r := w.claimOf(q, opal.Claim{Claim: opal.ClaimNoResin}, Supported); r.Strength != Moderate {
		t.Errorf("the strength is %q", r.Strength)
	}
	w.claimOf(q, opal.Claim{Claim: opal.ClaimNoOilWax}, Unsupported)
}

// A weak clean result of the surface, ended by a cut, does not let a strong one of the same group say more than it did before the cut. Withdrawing it
// does, because then it was never there.
func TestWhatEndedStillRestrains(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.n")
	weak := w.test("mine.n", "2026-02-01", under("P-1", tested(opal.Microscope, opal.NothingSeen, opal.Dye)))
	w.test("mine.n", "2026-02-01", under("P-1", tested(opal.UVVis, "IRON_LIKE", opal.Dye)))
	ask := func(lot string) *Status {
		q := w.query(lot)
		q.Validated = func(_ string, m opal.Method, _ string, _ uint64) ([]Validation, error) {
			if m == opal.UVVis {
				return []Validation{validation("lab/v1", "IRON_LIKE", opal.Dye, 0, 40, 60, 60)}, nil
			}
			return []Validation{validation("lab/v2", opal.NothingSeen, opal.Dye, 10, 40, 50, 60)}, nil
		}
		return w.ask(q)
	}
	before := wantVerdict(t, ask("mine.n"), opal.Dye, Open)
	w.post("mine", "mine.n", "2026-03-01", cutInto("mine.s"))
	after := wantVerdict(t, ask("mine.s"), opal.Dye, Open)
	if *after.LR != *before.LR || after.Strength != before.Strength {
		t.Errorf("before the cut %+v, after it %+v", before.LR, after.LR)
	}
	if x := after.Evidence[0]; x.Counts || x.SetAside != textSurfaceCut || !strings.Contains(x.Text, "still keeps others of its kind from saying more") {
		t.Errorf("%+v", x)
	}
	w.post("lab", "mine.n", "2026-03-02", &opal.Withdrawn{Event: weak, Because: "another stone"})
	wantVerdict(t, ask("mine.s"), opal.Dye, NotFound)
}

// A sign never speaks against its treatment, whoever counted it and however: by stated counts and by a laboratory's own tests it is shown with its counts, set aside,
// and takes nothing from what else there is.
func TestNoCountsTurnASignIntoAnAbsence(t *testing.T) {
	w := newWorld(t)
	var lots []string
	for i := range 12 {
		treated, untreated := fmt.Sprintf("ref.t%d", i), fmt.Sprintf("ref.u%d", i)
		w.known(treated, opal.KnownTreated, opal.Resin, "NONE")
		w.known(untreated, opal.KnownUntreated, "", "RAISED")
		lots = append(lots, treated, untreated)
	}
	stones := w.stones(lots...)
	for name, v := range map[string]Validation{
		"stated": validation("lab/v1", "RAISED", opal.Resin, 0, 12, 12, 12), "own": {Event: "lab/v1", Lots: lots, Stones: stones},
	} {
		w.stone("mine." + name)
		w.testedAs("mine."+name, "lab", "P1", "2026-02-01", "RAISED")
		q := w.query("mine." + name)
		q.Validated = func(string, opal.Method, string, uint64) ([]Validation, error) { return []Validation{v}, nil }
		got := wantVerdict(t, w.ask(q), opal.Resin, NotTested)
		x := got.Evidence[0]
		if x.Counts || x.Stance != PointsTo || x.Counted == nil || *x.Counted != (Counted{0, 12, 12, 12}) || x.SetAside != textSignAgainst || got.LR != nil {
			t.Errorf("%s: %+v", name, x)
		}
		// Nor does it hide that an outcome of the same kind denies it, or that another shows it.
		w.testedAs("mine."+name, "lab", "P2", "2026-02-02", "RESIN_BANDS")
		q.KnownAt = w.next
		wantVerdict(t, w.ask(q), opal.Resin, Found)
	}
}
