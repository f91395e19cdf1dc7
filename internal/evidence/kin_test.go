package evidence

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// mark marks a lot as filled and tests it.
func (w *world) mark(lots ...string) {
	w.t.Helper()
	for _, lot := range lots {
		w.reference(lot, opal.KnownTreated, opal.Resin)
		w.testedAs(lot, "lab", "P1", "2026-01-25", "MANY")
	}
}

func lotsOf(stones []ReferenceStone) (out []string) {
	for i := range stones {
		out = append(out, stones[i].Lot)
	}
	return out
}

// One stone is one witness, whatever was made of it; stones of one parcel are several.
func TestLotsOfOneStoneCountOnce(t *testing.T) {
	combined := func(w *world, lot string, n int64, of ...string) {
		w.post("mine", lot, "2026-01-08", &opal.Combined{Parents: of, Pieces: pieces(n), Mass: grams(n)})
	}
	for name, c := range map[string]struct {
		make func(w *world)
		ask  []string
		want []string
	}{
		"recut into one": {func(w *world) { w.stone("a"); w.post("mine", "a", "2026-01-05", cutInto("b")) }, []string{"b", "a"}, []string{"a"}},
		"recut, the first not asked for": {func(w *world) {
			w.stone("a")
			w.post("mine", "a", "2026-01-05", cutInto("b"))
			w.post("mine", "b", "2026-01-06", cutInto("c"))
		}, []string{"c", "b"}, []string{"b"}},
		"two halves": {func(w *world) { w.stone("a"); w.post("mine", "a", "2026-01-05", cutInto("b", "c")) }, []string{"c", "b"}, []string{"c"}},
		"halves of halves": {func(w *world) {
			w.stone("a")
			w.post("mine", "a", "2026-01-05", cutInto("b", "c"))
			w.post("mine", "b", "2026-01-06", cutInto("d", "e"))
			w.post("mine", "c", "2026-01-06", cutInto("f"))
		}, []string{"d", "e", "f"}, []string{"d"}},
		"sawn into a parcel and parted": {func(w *world) {
			w.stone("a")
			w.post("mine", "a", "2026-01-05", split(opal.Sawn, parts("p", 3)))
			w.post("mine", "p", "2026-01-06", split(opal.Unsorted, parts("b", 1, "c", 1, "d", 1)))
		}, []string{"b", "c", "d"}, []string{"b"}},
		"of one parcel": {func(w *world) {
			w.post("mine", "p", "2026-01-01", mined(3))
			w.post("mine", "p", "2026-01-05", split(opal.Unsorted, parts("b", 1, "c", 1, "d", 1)))
		}, []string{"b", "c", "d"}, []string{"b", "c", "d"}},
		"of a parcel that stones went into": {func(w *world) {
			w.stone("a")
			w.stone("b")
			w.stone("x")
			combined(w, "p", 2, "a", "b")
			w.post("mine", "p", "2026-01-09", split(opal.Unsorted, parts("c", 1, "d", 1)))
		}, []string{"c", "x", "a", "d"}, []string{"x", "a"}},
		"of a parcel that others went into": {func(w *world) {
			w.stone("a")
			w.stone("b")
			combined(w, "p", 2, "a", "b")
			w.post("mine", "p", "2026-01-09", split(opal.Unsorted, parts("c", 1, "d", 1)))
		}, []string{"c", "d"}, []string{"c", "d"}},
		"of a parcel that the other half went into": {func(w *world) {
			w.stone("a")
			w.stone("b")
			w.post("mine", "a", "2026-01-05", cutInto("h", "k"))
			combined(w, "p", 2, "h", "b")
			w.post("mine", "p", "2026-01-09", split(opal.Unsorted, parts("c", 1, "d", 1)))
		}, []string{"c", "k"}, []string{"k"}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			c.make(w)
			w.mark(c.ask...)
			got := w.stones(c.ask...)
			if !slices.Equal(lotsOf(got), c.want) {
				t.Errorf("%q count, want %q", lotsOf(got), c.want)
			}
		})
	}
}

// What was made of the stone asked about, however far down, what it was made of, and what was made of that, are no witnesses in its cause: by own tests and by
// stated counts.
func TestNoKinIsAWitness(t *testing.T) {
	w := newWorld(t)
	// r → a, b; a → c → d; b → e. And five stones of each kind that have nothing to do with it.
	w.stone("r")
	w.post("mine", "r", "2026-01-02", cutInto("a", "b"))
	w.post("mine", "a", "2026-01-03", cutInto("c"))
	w.post("mine", "c", "2026-01-04", cutInto("d"))
	w.post("mine", "b", "2026-01-03", cutInto("e"))
	var others []string
	for i := range 6 {
		treated, untreated := fmt.Sprintf("ref.t%d", i), fmt.Sprintf("ref.u%d", i)
		w.known(treated, opal.KnownTreated, opal.Resin, "MANY")
		w.known(untreated, opal.KnownUntreated, "", "NONE")
		others = append(others, treated, untreated)
	}
	family := []string{"r", "a", "b", "c", "d", "e"}
	w.mark(family...)
	w.stone("mine.x")
	w.testedAs("mine.x", "lab", "P1", "2026-02-01", "MANY")
	ask := func(lot string, list ...Validation) Counted {
		t.Helper()
		q := w.query(lot)
		q.Validated = func(string, opal.Method, string, uint64) ([]Validation, error) { return list, nil }
		c := w.ask(q).of(opal.Resin).Evidence[0].Counted
		if c == nil {
			return Counted{}
		}
		return *c
	}
	for _, named := range family {
		lots := append(slices.Clone(others), named)
		own := Validation{Event: "lab/own", Lots: lots, Stones: w.stones(lots...)}
		stated := validation("lab/stated", "MANY", opal.Resin, 7, 7, 0, 6, lots...)
		for _, list := range [][]Validation{{own}, {stated}} {
			if c := ask("mine.x", list...); c != (Counted{7, 7, 0, 6}) {
				t.Errorf("%s named, another stone: %+v by %s", named, c, list[0].Event)
			}
			for _, about := range family {
				if c := ask(about, list...); c != (Counted{6, 6, 0, 6}) {
					t.Errorf("%s named, about %s: %+v by %s", named, about, c, list[0].Event)
				}
			}
		}
		stones, err := Witnesses(w.get, "mine.x", own.Stones, w.next)
		if err != nil || len(stones) != 13 {
			t.Errorf("%s named: %d witnesses for another stone, %v", named, len(stones), err)
		}
		for _, about := range family {
			if stones, err = Witnesses(w.get, about, own.Stones, w.next); err != nil || len(stones) != 12 {
				t.Errorf("%s named: %d witnesses for %s, %v", named, len(stones), about, err)
			}
		}
	}
	// Named in one event and its offspring in another, a stone still counts once.
	first, second := append(slices.Clone(others), "c"), []string{"d"}
	for name, list := range map[string][]Validation{
		"own":          {{Event: "lab/1", Lots: first, Stones: w.stones(first...)}, {Event: "lab/2", Lots: second, Stones: w.stones(second...)}},
		"the younger":  {{Event: "lab/1", Lots: second, Stones: w.stones(second...)}, {Event: "lab/2", Lots: first, Stones: w.stones(first...)}},
		"stated later": {{Event: "lab/1", Lots: first, Stones: w.stones(first...)}, validation("lab/2", "MANY", opal.Resin, 1, 1, 0, 0, second...)},
	} {
		if c := ask("mine.x", list...); c != (Counted{7, 7, 0, 6}) {
			t.Errorf("in two events, %s: %+v", name, c)
		}
	}
	stated := []Validation{validation("lab/1", "MANY", opal.Resin, 7, 7, 0, 6, first...), validation("lab/2", "MANY", opal.Resin, 1, 1, 0, 0, second...)}
	if c := ask("mine.x", stated...); c != (Counted{1, 1, 0, 0}) {
		t.Errorf("stated in two events: %+v", c)
	}
}

// Over lines that part and meet as they like: a set of kin has what is of one stone with one of them and no other, being of one stone goes both ways, and of lots
// that are of one stone no two stay.
func TestKinSet(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := newWorld(t)
		open := []string{}
		var all []string
		add := func() string {
			lot := fmt.Sprintf("l%d", len(all))
			all = append(all, lot)
			open = append(open, lot)
			return lot
		}
		take := func() string {
			i := rapid.IntRange(0, len(open)-1).Draw(rt, "which")
			lot := open[i]
			open = slices.Delete(open, i, i+1)
			return lot
		}
		for day := range rapid.IntRange(4, 14).Draw(rt, "days") {
			date := fmt.Sprintf("2026-01-%02d", 1+day)
			switch what := rapid.IntRange(0, 3).Draw(rt, "what"); {
			case len(open) < 2 || what == 0:
				w.post("mine", add(), date, mined(rapid.Int64Range(1, 3).Draw(rt, "pieces")))
			case what == 1:
				w.post("mine", take(), date, cutInto(add(), add()))
			case what == 2:
				w.post("mine", take(), date, split(opal.Sawn, parts(add(), rapid.IntRange(1, 3).Draw(rt, "pieces"), add(), 1)))
			default:
				a, b := take(), take()
				w.post("mine", add(), date, &opal.Combined{Parents: []string{a, b}, Pieces: pieces(2), Mass: grams(2)})
			}
		}
		kins, _, err := Kins(w.get, all, w.next)
		if err != nil {
			rt.Fatal(err)
		}
		var set kinSet
		var in []*Kin
		for _, i := range rapid.Permutation(kins).Draw(rt, "order") {
			want := slices.ContainsFunc(in, func(k *Kin) bool { return k.one(&i) })
			if turned := slices.ContainsFunc(in, func(k *Kin) bool { return i.one(k) }); turned != want {
				rt.Fatalf("%+v is of one stone with one of %+v, or is not, as it is asked", i, in)
			}
			if got := set.has(&i); got != want {
				rt.Fatalf("%+v among %+v: %v, want %v", i, in, got, want)
			}
			if rapid.Bool().Draw(rt, "add") {
				set.add(&i)
				in = append(in, &i)
			}
		}
		var stones []ReferenceStone
		for _, k := range kins {
			stones = append(stones, ReferenceStone{Kin: k})
		}
		left := firsts(slices.Clone(stones))
		for i := range stones {
			k := &stones[i].Kin
			n := 0
			for j := range left {
				if left[j].Lot != k.Lot && k.one(&left[j].Kin) {
					n++
				}
			}
			if stays := slices.Contains(lotsOf(left), k.Lot); stays && n > 0 || !stays && n == 0 {
				rt.Fatalf("%s stays: %v, and of one stone with %d of %q", k.Lot, stays, n, lotsOf(left))
			}
		}
	})
}
