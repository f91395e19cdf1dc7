package status

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/lotpaper/lotpaper/internal/evidence"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// ownTest is an infrared test by the laboratory under its protocol.
func ownTest(lot, on string, outcome opal.Outcome) opal.Event {
	return opal.Event{Party: "lab", Lot: lot, OccurredAt: on, Tested: &opal.Tested{
		Method: opal.Infrared, Outcome: outcome, Protocol: "P-1", Sample: opal.Sample{Kind: opal.Whole}, Conditions: map[string]string{"cleaned": "yes"}, LookedFor: []opal.Treatment{opal.Resin},
	}}
}

// atTheLaboratory opens stones and brings them to the laboratory.
func (w *world) atTheLaboratory(lots ...string) {
	for _, lot := range lots {
		w.post(mined(lot, 1, "1.00 ct"), handed("mine", lot, "2026-01-03", "lab", opal.ForTesting), received("lab", lot, "2026-01-04"))
	}
}

func knownAs(lot string, known opal.Known, treatment opal.Treatment) opal.Event {
	return opal.Event{Party: "lab", Lot: lot, OccurredAt: "2026-01-05", ReferenceSet: &opal.ReferenceSet{Known: known, Treatment: treatment, How: "dug before our eyes"}}
}

// What is remembered of known stones never differs from what would be found anew, whatever happens to the stones, for readers at the same time, after a rebuild
// and for what was known earlier.
func TestRememberedReferences(t *testing.T) {
	w := newWorld(t)
	w.at("2026-06-01")
	var lots []string
	for i := range 6 {
		lots = append(lots, fmt.Sprintf("mine.k%d", i))
	}
	w.atTheLaboratory(append(lots, "mine.a")...)
	w.post(ownTest("mine.a", "2026-01-20", "MANY"))
	w.post(opal.Event{Party: "lab", OccurredAt: "2026-02-01", MethodValidated: &opal.MethodValidated{Method: opal.Infrared, Protocol: "P-1", Lots: lots}})
	rng := rand.New(rand.NewPCG(5, 6))
	marks, tests := map[string]string{}, []string{}
	counts := func(knownAt uint64) string {
		t.Helper()
		var at *string
		if knownAt != 0 {
			s := fmt.Sprint(knownAt - 1)
			at = &s
		}
		out := ask(t, "lab", w.service.GetStatus, &pb.GetStatusRequest{Lot: "mine.a", KnownAt: at})
		for _, tr := range out.Treatments {
			if tr.Treatment == string(opal.Resin) {
				return fmt.Sprint(tr.Evidence[0].GetKnown(), tr.Evidence[0].GetKnownBy(), tr.Verdict)
			}
		}
		return ""
	}
	anew := func(knownAt uint64) string {
		t.Helper()
		v := w.service.proj.live
		q := evidence.Query{Lot: "mine.a", Get: v.store.summary, AsOf: 1 << 62, KnownAt: knownAt, Rules: v.policies.rules,
			Validated: counting{list: v.counts.all(), get: v.store.summary}.validated, WithoutSales: true}
		s, err := evidence.Evaluate(q)
		if err != nil {
			t.Fatal(err)
		}
		for i := range s.Treatments {
			if r := &s.Treatments[i]; r.Treatment == opal.Resin {
				e := &r.Evidence[0]
				return fmt.Sprint(itemOut(e).GetKnown(), e.CountedBy, r.Verdict)
			}
		}
		return ""
	}
	said := map[string]bool{}
	for range 60 {
		lot := lots[rng.IntN(len(lots))]
		switch rng.IntN(5) {
		case 0, 1:
			outcome := opal.Outcome("NONE")
			if rng.IntN(2) == 0 {
				outcome = "MANY"
			}
			tests = append(tests, w.one(ownTest(lot, "2026-01-2"+fmt.Sprint(rng.IntN(9)), outcome)).Event.ID())
		case 2:
			if marks[lot] == "" {
				known, treatment := opal.KnownUntreated, opal.Treatment("")
				if rng.IntN(2) == 0 {
					known, treatment = opal.KnownTreated, opal.Resin
				}
				marks[lot] = w.one(knownAs(lot, known, treatment)).Event.ID()
			}
		case 3:
			if id := marks[lot]; id != "" {
				w.post(opal.Event{Party: "lab", Lot: lot, OccurredAt: "2026-02-02", Withdrawn: &opal.Withdrawn{Event: id, Because: "not so sure"}})
				delete(marks, lot)
			}
		case 4:
			w.post(treated("mine", lot, "2026-01-02", opal.Resin)) // told late
		}
		w.settle(w.service)
		next, _ := w.service.log.Next()
		var readers sync.WaitGroup
		for range 3 {
			readers.Go(func() {
				if got, want := counts(0), anew(next); got != want {
					t.Errorf("at %d: %s, anew %s", next, got, want)
				}
			})
		}
		readers.Wait()
		said[counts(0)] = true
		if early := 1 + rng.Uint64N(next-1); early > 30 {
			if got, want := counts(early), anew(early); got != want {
				t.Errorf("known before %d of %d: %s, anew %s", early, next, got, want)
			}
		}
	}
	if len(said) < 8 || len(tests) < 10 {
		t.Errorf("only %d answers of %d tests: the check says little", len(said), len(tests))
	}
	other := w.openIn("other", nil)
	w.settle(other)
	same(t, dump(t, storeOf(other)), dump(t, storeOf(w.service)))
}

// What is of one stone with the lot asked about is no reference for it, and is not among the counts behind it, by own tests and by stated counts.
func TestKinAreNoReferences(t *testing.T) {
	w := newWorld(t)
	w.at("2026-06-01")
	cut := func(lot, on string, into ...string) opal.Event {
		c := &opal.Cut{}
		for _, id := range into {
			c.Stones = append(c.Stones, opal.Stone{Lot: id, Pieces: pieces(1), Mass: "0.30 ct"})
		}
		return opal.Event{Party: "mine", Lot: lot, OccurredAt: on, Moisture: opal.Dry, Cut: c}
	}
	w.post(mined("mine.r", 1, "1.00 ct"), cut("mine.r", "2026-01-02", "mine.a", "mine.b"), cut("mine.a", "2026-01-02", "mine.c"))
	lots := []string{"mine.c"}
	for _, lot := range []string{"mine.b", "mine.c"} {
		w.post(handed("mine", lot, "2026-01-03", "lab", opal.ForTesting), received("lab", lot, "2026-01-04"))
	}
	for i := range 3 {
		lots = append(lots, fmt.Sprintf("mine.k%d", i))
	}
	w.atTheLaboratory(append(lots[1:], "mine.x")...)
	for _, lot := range lots {
		w.post(knownAs(lot, opal.KnownUntreated, ""), ownTest(lot, "2026-01-20", "NONE"))
	}
	w.post(ownTest("mine.b", "2026-02-02", "MANY"), ownTest("mine.x", "2026-02-02", "MANY"))
	known := func(lot string) string {
		t.Helper()
		for _, tr := range ask(t, "lab", w.service.GetStatus, &pb.GetStatusRequest{Lot: lot}).Treatments {
			if tr.Treatment == string(opal.Resin) {
				return fmt.Sprint(tr.Evidence[0].GetKnown().GetUntreatedAll())
			}
		}
		return ""
	}
	references := func(about string) int {
		t.Helper()
		list, err := w.service.References(t.Context(), "lab", opal.Infrared, "P-1", about)
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	named := w.one(opal.Event{Party: "lab", OccurredAt: "2026-02-01", MethodValidated: &opal.MethodValidated{Method: opal.Infrared, Protocol: "P-1", Lots: lots}})
	w.settle(w.service)
	for _, c := range []struct {
		about string
		want  int
	}{{"mine.x", 4}, {"mine.k0", 3}, {"mine.b", 3}, {"mine.c", 3}, {"mine.a", 3}, {"mine.r", 3}} {
		if got := references(c.about); got != c.want {
			t.Errorf("%d references for %s, want %d", got, c.about, c.want)
		}
	}
	if x, b := known("mine.x"), known("mine.b"); x != "4" || b != "3" {
		t.Errorf("own tests: another stone is held against %s, one of the same stone against %s", x, b)
	}
	w.post(opal.Event{Party: "lab", OccurredAt: "2026-02-03", Withdrawn: &opal.Withdrawn{Event: named.Event.ID(), Because: "counted by hand"}}, validated("2026-02-03", 0, 0, 0, 4, lots...))
	w.settle(w.service)
	for range 2 { // found, and remembered
		if x, b := known("mine.x"), known("mine.b"); x != "4" || b != "3" {
			t.Errorf("stated counts: another stone is held against %s, one of the same stone against %s", x, b)
		}
	}
}

// BenchmarkStatusOfManyItems asks for a stone with 12 ancestors and 40 tests, warm, with likelihood ratios: of counts that the laboratory states, and of its own
// tests of 60 known stones. Each test is an item of evidence about each treatment, more than 300 in all.
func BenchmarkStatusOfManyItems(b *testing.B) {
	for _, own := range []bool{false, true} {
		b.Run(map[bool]string{false: "stated", true: "own"}[own], func(b *testing.B) {
			w := newWorld(b)
			stone := deep(w, 1)[0]
			w.post(handed("mine", stone, "2026-01-13", "lab", opal.ForTesting), received("lab", stone, "2026-01-14"))
			validated := validation40(40, 40, 0, 60)
			if own {
				validated = &opal.MethodValidated{Method: opal.Infrared, Protocol: "P-1"}
				for i := range 60 {
					lot := fmt.Sprintf("mine.k%d", i)
					w.atTheLaboratory(lot)
					known, treatment, outcome := opal.KnownUntreated, opal.Treatment(""), opal.Outcome("NONE")
					if i%2 == 0 {
						known, treatment, outcome = opal.KnownTreated, opal.Resin, "MANY"
					}
					w.post(knownAs(lot, known, treatment), ownTest(lot, "2026-01-20", outcome))
					validated.Lots = append(validated.Lots, lot)
				}
			}
			w.post(opal.Event{Party: "lab", OccurredAt: "2026-02-01", MethodValidated: validated})
			for i := range 40 {
				w.post(ownTest(stone, fmt.Sprintf("2026-02-%02d", 1+i%28), "MANY"))
			}
			w.settle(w.service)
			in := &pb.GetStatusRequest{Lot: stone}
			out, err := w.service.GetStatus(as("lab"), in)
			if err != nil {
				b.Fatal(err)
			}
			items := 0
			for _, tr := range out.Treatments {
				if tr.Treatment == string(opal.Resin) {
					items = len(tr.Evidence)
				}
			}
			if items < 40 {
				b.Fatalf("%d items", items)
			}
			for b.Loop() {
				if _, err := w.service.GetStatus(as("lab"), in); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
