package evidence

import (
	"encoding/json"
	"fmt"
	"runtime"
	"testing"
	"unsafe"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// dump writes a value with everything that it holds.
func dump(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return string(b)
}

func dumpAll(summaries map[string]*Summary) string { return dump(summaries) }

// story posts one event of nearly every kind.
func story(w *world) {
	w.post("mine", "mine.p", "2026-01-01", mined(60))
	w.post("mine", "mine.p", "2026-01-02", &opal.Described{BodyColour: "white", Transparency: opal.Translucent, MeasuredMass: "59.900 g"})
	w.post("mine", "mine.p", "2026-01-03", sampled(opal.Microscope, opal.NothingSeen, 5, 60, 0, opal.Smoke))
	w.post("mine", "mine.p", "2026-01-10", splitRest(opal.SampleSent, 50, parts("mine.t", 2, "mine.a", 8)))
	w.post("mine", "mine.t", "2026-01-11", split(opal.Unsorted, parts("mine.t1", 1, "mine.t2", 1)))
	w.post("lab", "mine.t1", "2026-01-20", tested(opal.Raman, "DYE_BANDS"))
	w.post("mine", "mine.p", "2026-02-01", &opal.Sold{To: "dealer", Claims: []opal.Claim{{Claim: opal.ClaimNoDye}},
		Part: &opal.PartOf{Lot: "mine.b", Pieces: pieces(10), Mass: "10.00 g"}})
	w.post("dealer", "mine.b", "2026-02-03", &opal.Received{Pieces: pieces(10), Mass: "9.99 g"})
	w.post("mine", "mine.p", "2026-02-04", &opal.HandedOver{To: "lab", Purpose: opal.ForTesting, Part: &opal.PartOf{Lot: "mine.c", Pieces: pieces(1), Mass: "1.00 g"}})
	w.post("dealer", "dealer.x", "2026-02-05", acquired(3))
	w.post("dealer", "dealer.y", "2026-02-06", &opal.Combined{Parents: []string{"mine.b", "dealer.x"}, Pieces: pieces(13), Mass: "13.000 g"})
	d := w.post("dealer", "dealer.y", "2026-02-07", treated(opal.OilWax))
	w.post("dealer", "dealer.y", "2026-02-08", &opal.NothingDone{From: "2026-02-06", To: "2026-02-08"})
	w.post("dealer", "dealer.y", "2026-02-09", &opal.Counted{Pieces: pieces(12), Why: opal.LostCount})
	w.post("dealer", "dealer.y", "2026-02-10", cutInto("dealer.s1", "dealer.s2"))
	w.post("dealer", "dealer.s1", "2026-02-11", &opal.Closed{Reason: opal.ClosedToAWearer})
	w.post("dealer", "dealer.s1", "2026-03-11", &opal.Reopened{Why: opal.BoughtBack})
	w.post("dealer", "dealer.y", "2026-03-12", &opal.Corrected{Event: d, Because: "typing", Replacement: &opal.Replacement{Treated: treated(opal.Resin)}})
	w.post("dealer", "dealer.y", "2026-03-13", &opal.Withdrawn{Event: d, Because: "never done"})
}

// Replaying the log from zero gives the same records, and nothing that get answered is ever changed.
func TestFoldReplaysAndKeepsOldValues(t *testing.T) {
	w := newWorld(t)
	story(w)
	live := dumpAll(w.summaries)

	replayed := map[string]*Summary{}
	for i := range w.events {
		before := dumpAll(replayed)
		changed, err := Fold(func(lot string) (*Summary, error) { return replayed[lot], nil }, &w.events[i])
		if err != nil {
			t.Fatal(err)
		}
		if after := dumpAll(replayed); after != before {
			t.Fatalf("event %d (%s) changed a summary in place", i, w.events[i].Event.Kind())
		}
		for _, s := range changed {
			if s.Revision != w.events[i].Position {
				t.Errorf("event %d: the revision of %s is %d, want %d", i, s.Lot, s.Revision, w.events[i].Position)
			}
			replayed[s.Lot] = s
		}
	}
	if got := dumpAll(replayed); got != live {
		t.Errorf("replayed\n%s\nlive\n%s", got, live)
	}
}

// Two events folded from the same summary, as a sequencer's refused batch and the next one, don't write into each other.
func TestFoldsFromOneBase(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.p", "2026-01-01", mined(60))
	for i := range 5 {
		w.post("mine", "mine.p", "2026-01-02", &opal.Counted{Pieces: pieces(int64(59 - i)), Why: opal.LostCount})
		w.post("mine", "mine.p", "2026-01-02", treated(opal.Dye))
		w.test("mine.p", "2026-01-02", tested(opal.UVLongWave, "WEAK"))
	}
	fold := func(body func(ev *opal.Event)) *Summary {
		ev := opal.Event{Party: "mine", Lot: "mine.p", OccurredAt: "2026-01-03"}
		body(&ev)
		changed, err := Fold(w.get, &opal.Recorded{Event: ev, Position: w.next})
		if err != nil {
			t.Fatal(err)
		}
		return changed[0]
	}
	bodies := map[string][2]func(ev *opal.Event){
		"counts": {
			func(ev *opal.Event) { ev.Counted = &opal.Counted{Pieces: pieces(1), Why: opal.LostCount} },
			func(ev *opal.Event) { ev.Counted = &opal.Counted{Pieces: pieces(2), Why: opal.LostCount} }},
		"treatments": {func(ev *opal.Event) { ev.Treated = treated(opal.Smoke) }, func(ev *opal.Event) { ev.Treated = treated(opal.Resin) }},
		"tests": {
			func(ev *opal.Event) { ev.Tested = tested(opal.UVLongWave, "STRONG") },
			func(ev *opal.Event) { ev.Tested = tested(opal.UVLongWave, "INERT") }},
	}
	for name, two := range bodies {
		one := fold(two[0])
		before := dump(one)
		fold(two[1])
		if after := dump(one); after != before {
			t.Errorf("%s: the second fold wrote into the first:\n%s\n%s", name, before, after)
		}
	}
}

// A folder answers what folding one by one does, and what it answered before still reads as it did.
func TestFolderFoldsAlike(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := newLife(t, r)
		l.lived(rapid.IntRange(0, 20).Draw(r, "steps"))
		story(l.world)
		live := map[string]*Summary{}
		get := func(lot string) (*Summary, error) { return live[lot], nil }
		f := NewFolder(get)
		group := rapid.IntRange(1, 30).Draw(r, "events a group")
		type answer struct {
			s    *Summary
			read string
		}
		var answers []answer
		for i := range l.events {
			if i%group == 0 {
				f = NewFolder(get)
			}
			changed, err := f.Fold(&l.events[i], 0)
			if err != nil {
				r.Fatal(err)
			}
			for _, s := range changed {
				live[s.Lot] = s
				answers = append(answers, answer{s, dump(s)})
			}
		}
		if got, want := dumpAll(live), dumpAll(l.summaries); got != want {
			r.Fatalf("in groups of %d\n%s\none by one\n%s", group, got, want)
		}
		for _, x := range answers {
			if now := dump(x.s); now != x.read {
				r.Fatalf("an answer changed from\n%s\nto\n%s", x.read, now)
			}
		}
	})
}

// Many events on one lot cost what they say: 12,000 tests take a few copies of the list and not one for each.
func TestFolderTakesManyEventsOnOneLot(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.p", "2026-01-01", mined(60))
	f := NewFolder(w.get)
	const events = 12_000
	x := tested(opal.UVLongWave, "WEAK")
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for i := range events {
		ev := opal.Event{Party: "lab", Lot: "mine.p", OccurredAt: "2026-01-02", Tested: x}
		changed, err := f.Fold(&opal.Recorded{Event: ev, Position: w.next + uint64(i)}, 0)
		if err != nil {
			t.Fatal(err)
		}
		w.summaries["mine.p"] = changed[0]
	}
	runtime.ReadMemStats(&after)
	s := w.summaries["mine.p"]
	if len(s.Tests) != events {
		t.Fatalf("%d tests", len(s.Tests))
	}
	// The list grows by a quarter at a time, so that all its copies together are five times as large; 2 kB a test are its own.
	list := uint64(events) * uint64(unsafe.Sizeof(TestFact{}))
	if took := after.TotalAlloc - before.TotalAlloc; took > 8*list+events*4096 {
		t.Errorf("%d bytes were allocated for a list of %d", took, list)
	}
}

// What a fold answers shares nothing with the event: the caller may use the event's memory again.
func TestFoldSharesNothingWithTheEvent(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	x := tested(opal.Microscope, "", opal.Smoke)
	x.Findings = []opal.TestFinding{{Outcome: "CARBON_SPECKS"}}
	x.Sample.Tested = pieces(1)
	w.test("mine.s", "2026-02-01", x)
	before := dumpAll(w.summaries)
	x.LookedFor[0], x.Findings[0].Outcome, *x.Sample.Tested, x.Conditions["spots"] = opal.Dye, "JOIN_LINE", 7, "9"
	if after := dumpAll(w.summaries); after != before {
		t.Errorf("the summary changed with the event:\n%s\n%s", before, after)
	}
}

// A lot with many descendants is no larger than one with few: they are listed in the children's own records.
func TestSummariesStaySmall(t *testing.T) {
	size := func(splits, children int) int {
		w := newWorld(t)
		w.post("mine", "mine.p", "2026-01-01", mined(1_000_000))
		for i := range splits {
			var list []opal.Part
			for j := range children {
				list = append(list, parts(fmt.Sprintf("mine.c%d-%d", i, j), 1)...)
			}
			w.post("mine", "mine.p", "2026-01-02", splitRest(opal.Sorted, int64(1_000_000-(i+1)*children), list))
		}
		return len(dump(w.summaries["mine.p"]))
	}
	few, many, more := size(3, 2), size(3, 1000), size(200, 1000)
	if many > few+50 {
		t.Errorf("3 splits into 1,000 take %d bytes, into 2 take %d", many, few)
	}
	if limit := few * (maxChanges + 1); more > limit {
		t.Errorf("200 splits into 1,000 take %d bytes, want at most %d", more, limit)
	}
}

// Changes that found no place in the list are boiled down, and what is known of the pieces stays right.
func TestOldChangesAreBoiledDown(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.p", "2026-01-01", mined(1000))
	for i := range 2 * maxChanges {
		w.post("mine", "mine.p", "2026-01-02", &opal.Sold{To: "shop", Part: &opal.PartOf{
			Lot: fmt.Sprintf("mine.c%d", i), Pieces: pieces(1), Mass: "1.000 g", Manner: opal.Unsorted}})
	}
	s := w.summaries["mine.p"]
	if len(s.Changes) != maxChanges || s.Older == nil || s.Older.Count != maxChanges {
		t.Fatalf("%d changes listed, older %+v", len(s.Changes), s.Older)
	}
	if n, want := s.pieces(), int64(1000-2*maxChanges); n == nil || *n != want {
		t.Errorf("%v pieces left, want %d", n, want)
	}
	if m, want := s.micrograms(), int64(1000-2*maxChanges)*1_000_000; m != want {
		t.Errorf("%d µg left, want %d", m, want)
	}
}

func TestPiecesAtATime(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.p", "2026-01-01", mined(60))
	w.post("mine", "mine.p", "2026-02-01", splitRest(opal.Sorted, 1, parts("mine.a", 59)))
	w.post("mine", "mine.p", "2026-03-01", &opal.Counted{Pieces: pieces(2), Why: opal.BrokenCount})
	tests := map[string]struct {
		at   string
		want string
	}{
		"before the split":         {"2026-01-15", "60"},
		"on the day of the split":  {"2026-02-01", "unknown"},
		"after the split":          {"2026-02-15", "1"},
		"on the day of the count":  {"2026-03-01", "unknown"},
		"after the count":          {"2026-03-02", "2"},
		"at a moment of the split": {"2026-02-01T10:00:00Z", "unknown"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			when, err := opal.ParseWhen(test.at, 0)
			if err != nil {
				t.Fatal(err)
			}
			got := "unknown"
			if n := w.summaries["mine.p"].piecesAt(when, w.next); n != nil {
				got = fmt.Sprint(*n)
			}
			if got != test.want {
				t.Errorf("%s pieces, want %s", got, test.want)
			}
		})
	}
}

// Withdrawing a correction brings the reading before it back, unless a later correction stands.
func TestWithdrawnCorrections(t *testing.T) {
	say := func(treatment opal.Treatment, event string) *opal.Corrected {
		return &opal.Corrected{Event: event, Because: "typing", Replacement: &opal.Replacement{Treated: treated(treatment)}}
	}
	take := func(event string) *opal.Withdrawn { return &opal.Withdrawn{Event: event, Because: "it was right"} }
	start := func(t *testing.T) (*world, string) {
		w := newWorld(t)
		w.stone("mine.s")
		return w, w.post("mine", "mine.s", "2026-02-01", treated(opal.Dye))
	}
	only := func(w *world, want opal.Treatment) {
		t.Helper()
		for _, x := range []opal.Treatment{opal.Dye, opal.Smoke, opal.Coating} {
			if x == want {
				w.want("mine.s", x, Declared)
			} else {
				w.want("mine.s", x, NotTested)
			}
		}
	}
	t.Run("the last one", func(t *testing.T) {
		w, d := start(t)
		c := w.post("mine", "mine.s", "2026-02-02", say(opal.Smoke, d))
		only(w, opal.Smoke)
		w.post("mine", "mine.s", "2026-02-03", take(c))
		only(w, opal.Dye)
		w.post("mine", "mine.s", "2026-02-04", take(d))
		only(w, "")
	})
	t.Run("the first of two", func(t *testing.T) {
		w, d := start(t)
		c1 := w.post("mine", "mine.s", "2026-02-02", say(opal.Smoke, d))
		c2 := w.post("mine", "mine.s", "2026-02-03", say(opal.Coating, d))
		w.post("mine", "mine.s", "2026-02-04", take(c1))
		only(w, opal.Coating)
		w.post("mine", "mine.s", "2026-02-05", take(c2))
		only(w, opal.Dye)
	})
	t.Run("the last of two, then the first", func(t *testing.T) {
		w, d := start(t)
		c1 := w.post("mine", "mine.s", "2026-02-02", say(opal.Smoke, d))
		c2 := w.post("mine", "mine.s", "2026-02-03", say(opal.Coating, d))
		w.post("mine", "mine.s", "2026-02-04", take(c2))
		only(w, opal.Smoke)
		w.post("mine", "mine.s", "2026-02-05", take(c1))
		only(w, opal.Dye)
	})
	t.Run("of a split", func(t *testing.T) {
		w := newWorld(t)
		w.post("mine", "mine.p", "2026-01-01", mined(10))
		x := w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 8, parts("mine.s", 2)))
		w.test("mine.s", "2026-03-02", tested(opal.SideView, "NO_JOIN"))
		w.want("mine.s", opal.Backing, NotTested) // Two pieces together.
		c := w.post("mine", "mine.p", "2026-03-03", &opal.Corrected{Event: x, Because: "miscounted", Replacement: &opal.Replacement{
			Split: splitRest(opal.Sorted, 9, parts("mine.s", 1))}})
		w.want("mine.s", opal.Backing, NotFound)
		w.post("mine", "mine.p", "2026-03-04", take(c))
		w.want("mine.s", opal.Backing, NotTested)
		if n := w.summaries["mine.p"].pieces(); n == nil || *n != 8 {
			t.Errorf("the rest has %v pieces, want 8", n)
		}
		if w.status("mine.s").Void {
			t.Error("withdrawing the correction made the child void")
		}
	})
}

func TestFoldOfAnUnknownLot(t *testing.T) {
	rec := opal.Recorded{Position: 9, Event: opal.Event{Lot: "mine.none", Party: "mine", OccurredAt: "2026-01-01", Treated: treated(opal.Dye)}}
	if _, err := Fold(func(string) (*Summary, error) { return nil, nil }, &rec); err == nil {
		t.Error("an event on a lot without a summary is no error")
	}
}

func TestFoldLeavesOtherEventsAlone(t *testing.T) {
	for name, ev := range map[string]opal.Event{
		"enrolled": {Party: opal.Admin, Enrolled: &opal.Enrolled{Party: "mine"}},
		"set":      {Party: "mine", Lot: "mine.s", Set: &opal.Set{Piece: "ring"}},
	} {
		changed, err := Fold(func(string) (*Summary, error) { return nil, nil }, &opal.Recorded{Event: ev})
		if err != nil || len(changed) != 0 {
			t.Errorf("%s: %v, %v", name, changed, err)
		}
	}
}
