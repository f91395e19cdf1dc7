package evidence

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

var plainLab = Laboratory{"lab", opal.Infrared, "P1"}

// known opens a stone, marks it and tests it.
func (w *world) known(lot string, known opal.Known, treatment opal.Treatment, outcome opal.Outcome) {
	w.t.Helper()
	w.stone(lot)
	w.reference(lot, known, treatment)
	w.testedAs(lot, "lab", "P1", "2026-01-20", outcome)
}

// testedAs adds an infrared test by a party under a protocol.
func (w *world) testedAs(lot, party, protocol, date string, outcome opal.Outcome) (event string) {
	w.t.Helper()
	return w.post(party, lot, date, under(protocol, tested(opal.Infrared, outcome, opal.Resin)))
}

func (w *world) withdraw(lot, event string) {
	w.t.Helper()
	w.post("lab", lot, "2026-02-10", &opal.Withdrawn{Event: event, Because: "a slip"})
}

func (w *world) stones(lots ...string) []ReferenceStone {
	w.t.Helper()
	list, _, err := ReferenceStones(w.get, plainLab, lots, w.next)
	if err != nil {
		w.t.Fatal(err)
	}
	return list
}

func TestReferenceStones(t *testing.T) {
	all := opal.AllTreatments()
	but := func(out opal.Treatment) []opal.Treatment {
		return slices.DeleteFunc(slices.Clone(all), func(t opal.Treatment) bool { return t == out })
	}
	const a = "mine.a"
	clean := func(w *world) { w.known(a, opal.KnownUntreated, "", "NONE") }
	filled := func(w *world) { w.known(a, opal.KnownTreated, opal.Resin, "MANY") }
	treat := func(w *world, date string, treatment opal.Treatment) {
		w.post("mine", a, date, &opal.Treated{Treatment: treatment})
	}
	marked := func(w *world) string { w.stone(a); return w.reference(a, opal.KnownUntreated, "") }
	resin, none, many := []opal.Treatment{opal.Resin}, []opal.Outcome{"NONE"}, []opal.Outcome{"MANY"}
	for name, c := range map[string]struct {
		make               func(w *world)
		treated, untreated []opal.Treatment // neither: it does not count
		words              []opal.Outcome
	}{
		"untreated":            {make: clean, untreated: all, words: none},
		"untreated in one way": {make: func(w *world) { w.known(a, opal.KnownUntreated, opal.Resin, "NONE") }, untreated: resin, words: none},
		"treated":              {make: filled, treated: resin, words: many},
		"both marks":           {make: func(w *world) { filled(w); w.reference(a, opal.KnownUntreated, "") }, untreated: but(opal.Resin), words: many},
		"marked by another": {make: func(w *world) {
			w.stone(a)
			w.referenceBy("mine", a, opal.KnownUntreated, "")
			w.testedAs(a, "lab", "P1", "2026-01-20", "NONE")
		}},
		"another says otherwise": {make: func(w *world) { clean(w); w.referenceBy("mine", a, opal.KnownTreated, opal.Resin) }, untreated: but(opal.Resin), words: none},
		"another says the same":  {make: func(w *world) { clean(w); w.referenceBy("mine", a, opal.KnownUntreated, "") }, untreated: all, words: none},
		"no mark":                {make: func(w *world) { w.stone(a); w.testedAs(a, "lab", "P1", "2026-01-20", "NONE") }},
		"no test":                {make: func(w *world) { marked(w) }},
		"another's test":         {make: func(w *world) { marked(w); w.testedAs(a, "other-lab", "P1", "2026-01-20", "NONE") }},
		"another protocol":       {make: func(w *world) { marked(w); w.testedAs(a, "lab", "P2", "2026-01-20", "NONE") }},
		"a parcel": {make: func(w *world) {
			w.post("mine", a, "2026-01-01", mined(5))
			w.reference(a, opal.KnownUntreated, "")
			w.testedAs(a, "lab", "P1", "2026-01-20", "NONE")
		}},
		"unreadable":                  {make: func(w *world) { w.known(a, opal.KnownUntreated, "", opal.Unreadable) }},
		"unreadable after a readable": {make: func(w *world) { clean(w); w.testedAs(a, "lab", "P1", "2026-01-25", opal.Unreadable) }, untreated: all, words: none},
		"tested twice":                {make: func(w *world) { clean(w); w.testedAs(a, "lab", "P1", "2026-01-25", "MANY") }, untreated: all, words: many},
		"an earlier test told late":   {make: func(w *world) { clean(w); w.testedAs(a, "lab", "P1", "2026-01-15", "MANY") }, untreated: all, words: none},
		"declared before its test":    {make: func(w *world) { clean(w); treat(w, "2026-01-12", opal.Dye) }, untreated: but(opal.Dye), words: none},
		"declared after its test":     {make: func(w *world) { clean(w); treat(w, "2026-01-28", opal.Dye) }, untreated: all, words: none},
		"treated, as the record says": {make: func(w *world) { filled(w); treat(w, "2026-01-12", opal.Resin) }, treated: resin, words: many},
		"treated only after its test": {make: func(w *world) { filled(w); treat(w, "2026-01-28", opal.Resin) }},
		"the mark was taken back":     {make: func(w *world) { m := marked(w); w.testedAs(a, "lab", "P1", "2026-01-20", "NONE"); w.withdraw(a, m) }},
		"the test was taken back":     {make: func(w *world) { marked(w); w.withdraw(a, w.testedAs(a, "lab", "P1", "2026-01-20", "NONE")) }},
		"bands that the tester named": {make: func(w *world) {
			w.stone(a)
			w.reference(a, opal.KnownTreated, opal.Resin)
			w.post("lab", a, "2026-01-20", &opal.Tested{Method: opal.Infrared, Outcome: "MANY", Protocol: "P1", Findings: []opal.TestFinding{{Outcome: "RESIN_BANDS"}}, Sample: opal.Sample{Kind: opal.Whole}})
		}, treated: resin, words: []opal.Outcome{"MANY", "RESIN_BANDS"}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			c.make(w)
			got := w.stones(a, a, "mine.unknown")
			if len(c.treated)+len(c.untreated) == 0 {
				if len(got) != 0 {
					t.Errorf("counts: %+v", got)
				}
				return
			}
			if len(got) != 1 || !slices.Equal(got[0].Treated, c.treated) || !slices.Equal(got[0].Untreated, c.untreated) || !slices.Equal(got[0].Words, c.words) || got[0].Lot != a {
				t.Errorf("%+v, want treated %v, untreated %v, %v", got, c.treated, c.untreated, c.words)
			}
		})
	}
}

// A laboratory that has its own tests counted gets the ratio of those counts, each stone once, without the stone asked about.
func TestOwnTestsCount(t *testing.T) {
	w := newWorld(t)
	var lots []string
	for i := range 8 {
		treated, untreated := fmt.Sprintf("ref.t%d", i), fmt.Sprintf("ref.u%d", i)
		outcome := opal.Outcome("MANY")
		if i == 0 {
			outcome = "AS_UNTREATED"
		}
		w.known(treated, opal.KnownTreated, opal.Resin, outcome)
		w.known(untreated, opal.KnownUntreated, "", "AS_UNTREATED")
		lots = append(lots, treated, untreated)
	}
	w.stone("mine.a")
	w.testedAs("mine.a", "lab", "P1", "2026-02-01", "MANY")
	ask := func(lot string) Item {
		t.Helper()
		q := w.query(lot)
		q.Validated = func(party string, method opal.Method, protocol string, knownAt uint64) ([]Validation, error) {
			if (Laboratory{party, method, protocol}) != plainLab {
				return nil, nil
			}
			stones, _, err := ReferenceStones(w.get, plainLab, lots, knownAt)
			older := validation("lab/older", "MANY", opal.Resin, 100, 100, 0, 100, lots[0])
			return []Validation{older, {Event: "lab/named", Lots: lots, Stones: stones}}, err
		}
		return w.ask(q).of(opal.Resin).Evidence[0]
	}
	e := ask("mine.a")
	// By hand: 7 of 8 treated and 0 of 8 untreated, (7.5/9)/(0.5/9) = 15.
	if e.Counted == nil || *e.Counted != (Counted{7, 8, 0, 8}) || e.LR == nil || e.LR.Point < 14.999 || e.LR.Point > 15.001 || e.CountedBy != "lab/named (16 of its own tests)" {
		t.Errorf("%+v %+v %q", e.Counted, e.LR, e.CountedBy)
	}
	// A known stone is no witness in its own cause.
	if e := ask("ref.t1"); *e.Counted != (Counted{6, 7, 0, 8}) {
		t.Errorf("its own set: %+v", e.Counted)
	}
	// Nor is one that was cut from the stone asked about, nor one for what it was cut from.
	w.post("lab", "ref.t2", "2026-01-22", cutInto("ref.c2"))
	w.reference("ref.c2", opal.KnownTreated, opal.Resin)
	w.testedAs("ref.c2", "lab", "P1", "2026-01-23", "MANY")
	lots = append(lots, "ref.c2")
	if e := ask("ref.t2"); *e.Counted != (Counted{6, 7, 0, 8}) {
		t.Errorf("with one cut from it: %+v", e.Counted)
	}
	if e := ask("ref.c2"); *e.Counted != (Counted{6, 7, 0, 8}) {
		t.Errorf("of what it was cut from: %+v", e.Counted)
	}
	if e := ask("mine.a"); *e.Counted != (Counted{7, 8, 0, 8}) {
		t.Errorf("a stone and one cut from it: %+v", e.Counted)
	}
	lots = lots[:len(lots)-1]
	// One more test of a named stone counts from its position on.
	before := w.next
	w.testedAs("ref.u1", "lab", "P1", "2026-02-02", "MANY")
	if e := ask("mine.a"); *e.Counted != (Counted{7, 8, 1, 8}) {
		t.Errorf("after another test: %+v", e.Counted)
	}
	stones, rests, err := ReferenceStones(w.get, plainLab, lots, before)
	if err != nil || slices.ContainsFunc(stones, func(s ReferenceStone) bool { return s.Lot == "ref.u1" && s.Words[0] == "MANY" }) || len(rests) != 16 {
		t.Errorf("known before: %+v, rests on %v, %v", stones, rests, err)
	}
}

// In whichever order marks, tests and treatments of several stones arrive, the same stones count, and a test that was taken back leaves what there was before.
func TestReferenceStonesInAnyOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var want []ReferenceStone
	for round := range 40 {
		w := newWorld(t)
		var steps []func()
		lots := []string{"mine.a", "mine.b", "mine.c"}
		for _, lot := range lots {
			w.stone(lot)
			steps = append(steps,
				func() { w.reference(lot, opal.KnownUntreated, "") },
				func() { w.testedAs(lot, "lab", "P1", "2026-01-20", "NONE") },
				func() { w.testedAs(lot, "lab", "P1", "2026-01-22", "MANY") },
				func() { w.post("mine", lot, "2026-01-21", &opal.Treated{Treatment: opal.Smoke}) })
		}
		rng.Shuffle(len(steps), func(i, j int) { steps[i], steps[j] = steps[j], steps[i] })
		for _, step := range steps {
			step()
		}
		got := w.stones(lots...)
		w.withdraw("mine.b", w.testedAs("mine.b", "lab", "P1", "2026-01-30", "RAISED"))
		for _, list := range [][]ReferenceStone{got, w.stones(lots...)} {
			for i := range list {
				list[i].Event, list[i].Position = "", 0
			}
			if round == 0 {
				want = list
			}
			if !reflect.DeepEqual(list, want) || len(list) != 3 || list[1].Words[0] != "MANY" {
				t.Fatalf("round %d: %+v, want %+v", round, list, want)
			}
		}
	}
}

// Bands that were compared with nothing are no witness for what a comparison gives, whichever stones were tested before there was anything to compare with.
func TestBandsThatWereNotComparedAreNoWitness(t *testing.T) {
	var both []Counted
	for _, first := range []opal.Known{opal.KnownUntreated, opal.KnownTreated} {
		w := newWorld(t)
		var lots []string
		add := func(known opal.Known, word opal.Outcome) {
			lot := fmt.Sprintf("ref.k%d", len(lots))
			treatment := opal.Treatment("")
			if known == opal.KnownTreated {
				treatment = opal.Resin
			}
			w.known(lot, known, treatment, word)
			lots = append(lots, lot)
		}
		later, compared := opal.KnownTreated, opal.Outcome("MANY")
		if first == opal.KnownTreated {
			later, compared = opal.KnownUntreated, "AS_UNTREATED"
		}
		for range 12 {
			add(first, "ORGANICS_PRESENT")
			add(later, compared)
		}
		ask := func(word opal.Outcome) *TreatmentStatus {
			lot := "mine." + string(word)
			if w.summaries[lot] == nil {
				w.stone(lot)
				w.testedAs(lot, "lab", "P1", "2026-02-01", word)
			}
			q := w.query(lot)
			stones := w.stones(lots...)
			q.Validated = func(string, opal.Method, string, uint64) ([]Validation, error) {
				return []Validation{{Event: "lab/named", Lots: lots, Stones: stones}}, nil
			}
			return w.ask(q).of(opal.Resin)
		}
		for _, word := range []opal.Outcome{"ORGANICS_PRESENT", "RAISED", "MANY", "AS_UNTREATED"} {
			if got := ask(word); got.Verdict != Open || got.LR != nil && got.LR.Says() {
				t.Errorf("%s first: %s is %s, %+v by %+v", first, word, got.Verdict, got.LR, got.Evidence[0].Counted)
			}
		}
		// Bands there were on all of them.
		if c := ask("ORGANICS_PRESENT").Evidence[0].Counted; c == nil || *c != (Counted{12, 12, 12, 12}) {
			t.Errorf("%s first: bands on %+v", first, c)
		}
		// A stone that showed none needs no comparison to be told from those.
		if got := ask("NONE"); got.Evidence[0].Counted == nil || *got.Evidence[0].Counted != (Counted{0, 12, 0, 12}) {
			t.Errorf("%s first: none on %+v", first, got.Evidence[0].Counted)
		}
		// Once they are tested again, with something to compare with, they count.
		for i := 0; i < len(lots); i += 2 {
			word := opal.Outcome("AS_UNTREATED")
			if first == opal.KnownTreated {
				word = "MANY"
			}
			w.testedAs(lots[i], "lab", "P1", "2026-02-03", word)
		}
		if c := ask("MANY").Evidence[0].Counted; c != nil {
			both = append(both, *c)
		}
	}
	if want := []Counted{{12, 12, 0, 12}, {12, 12, 0, 12}}; !slices.Equal(both, want) {
		t.Errorf("tested again: %+v, want %+v", both, want)
	}
}

// Counts that name no stones may be of any, so neither stated nor own older ones are added to them; nor are they added to newer ones that do.
func TestCountsWithoutNamesStandAlone(t *testing.T) {
	w := newWorld(t)
	var lots []string
	for i := range 6 {
		treated, untreated := fmt.Sprintf("ref.t%d", i), fmt.Sprintf("ref.u%d", i)
		w.known(treated, opal.KnownTreated, opal.Resin, "MANY")
		w.known(untreated, opal.KnownUntreated, "", "AS_UNTREATED")
		lots = append(lots, treated, untreated)
	}
	w.stone("mine.a")
	w.testedAs("mine.a", "lab", "P1", "2026-02-01", "MANY")
	own := Validation{Event: "lab/own", Lots: lots, Stones: w.stones(lots...)}
	unnamed := validation("lab/unnamed", "MANY", opal.Resin, 5, 6, 1, 7)
	named := validation("lab/named", "MANY", opal.Resin, 2, 2, 0, 3, "lab.k1")
	for name, x := range map[string]struct {
		list []Validation
		want Counted
	}{
		"own, then unnamed":        {[]Validation{own, unnamed}, Counted{5, 6, 1, 7}},
		"named, then unnamed":      {[]Validation{named, unnamed}, Counted{5, 6, 1, 7}},
		"unnamed, then own":        {[]Validation{unnamed, own}, Counted{6, 6, 0, 6}},
		"unnamed, own, then named": {[]Validation{unnamed, own, named}, Counted{8, 8, 0, 9}},
		"own, then named":          {[]Validation{own, named}, Counted{8, 8, 0, 9}},
	} {
		q := w.query("mine.a")
		q.Validated = func(string, opal.Method, string, uint64) ([]Validation, error) { return x.list, nil }
		if c := w.ask(q).of(opal.Resin).Evidence[0].Counted; c == nil || *c != x.want {
			t.Errorf("%s: %+v, want %+v", name, c, x.want)
		}
	}
}
