package evidence

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func combined(n int64, parents ...string) *opal.Combined {
	return &opal.Combined{Parents: parents, Pieces: &n, Mass: grams(n)}
}

func TestCombining(t *testing.T) {
	const c = "mine.c"
	tests := map[string]struct {
		treatment opal.Treatment
		build     func(w *world) string
		want      Verdict
		share     int64
		says      string
	}{
		"one part declared": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.a", "2026-01-01", mined(9))
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.post("mine", "mine.b", "2026-01-15", treated(opal.Dye))
			w.post("mine", c, "2026-02-01", combined(10, "mine.a", "mine.b"))
			return c
		}, Declared, 100_000, "This holds for 10 % of the lot that it was combined into; which stones, is not known."},
		"one part declared, by mass where pieces are not counted": {opal.Dye, func(w *world) string {
			m := mined(3)
			m.Pieces = nil
			w.post("mine", "mine.a", "2026-01-01", m)
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.post("mine", "mine.b", "2026-01-15", treated(opal.Dye))
			w.post("mine", c, "2026-02-01", combined(10, "mine.a", "mine.b"))
			return c
		}, Declared, 250_000, "25 % of the lot"},
		"both parts declared": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.a", "2026-01-01", mined(9))
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.post("mine", "mine.a", "2026-01-15", treated(opal.Dye))
			w.post("mine", "mine.b", "2026-01-15", treated(opal.Dye))
			w.post("mine", c, "2026-02-01", combined(10, "mine.a", "mine.b"))
			return c
		}, Declared, 0, "Dyed on 2026-01-15, declared by mine."},
		"a stone made from it": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.a", "2026-01-01", mined(9))
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.post("mine", "mine.b", "2026-01-15", treated(opal.Dye))
			w.post("mine", "mine.x", "2026-02-01", combined(10, "mine.a", "mine.b"))
			w.post("mine", "mine.x", "2026-02-02", split(opal.Sorted, parts(c, 1, "mine.y", 9)))
			return c
		}, Declared, 100_000, "10 %"},
		"combined twice: the share of a share": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.a", "2026-01-01", mined(9))
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.post("mine", "mine.b", "2026-01-15", treated(opal.Dye))
			w.post("mine", "mine.x", "2026-02-01", combined(10, "mine.a", "mine.b"))
			w.post("mine", "mine.d", "2026-01-01", mined(10))
			w.post("mine", c, "2026-02-03", combined(20, "mine.x", "mine.d"))
			return c
		}, Declared, 50_000, "5 %"},
		"disclosed only after it was combined": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.a", "2026-01-01", mined(9))
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.post("mine", c, "2026-02-01", combined(10, "mine.a", "mine.b"))
			w.post("mine", "mine.b", "2026-01-15", treated(opal.Dye))
			return c
		}, Declared, 100_000, ""},
		"one part suspected": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.a", "2026-01-01", mined(9))
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.test("mine.a", "2026-01-15", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 2, 9, 1))
			w.post("mine", c, "2026-02-01", combined(10, "mine.a", "mine.b"))
			return c
		}, Suspected, 900_000, "1 of 2 stones tested showed it"},
		"one part suspected, the stone itself excluded: never better": {opal.Backing, func(w *world) string {
			w.post("mine", "mine.a", "2026-01-01", mined(9))
			w.post("mine", "mine.b", "2026-01-01", mined(1))
			w.test("mine.a", "2026-01-15", sampled(opal.SideView, "STRAIGHT_JOIN", 2, 9, 1))
			w.post("mine", "mine.x", "2026-02-01", combined(10, "mine.a", "mine.b"))
			w.post("mine", "mine.x", "2026-02-02", split(opal.Sorted, parts(c, 1, "mine.y", 9)))
			w.test(c, "2026-02-03", tested(opal.SideView, "NO_JOIN"))
			return c
		}, Suspected, 900_000, ""},
		"one part tested and one not": {opal.Backing, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.test("mine.a", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", c, "2026-02-01", combined(2, "mine.a", "mine.b"))
			return c
		}, NotTested, 500_000, "Not tested for a backing."},
		"each part tested": {opal.Backing, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.test("mine.a", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.test("mine.b", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", c, "2026-02-01", combined(2, "mine.a", "mine.b"))
			return c
		}, NotFound, 0, "looked for and not found"},
		"each part tested, then a gap": {opal.Backing, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.test("mine.a", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.test("mine.b", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", c, "2026-02-01", combined(2, "mine.a", "mine.b"))
			w.post("mine", c, "2026-02-05", &opal.Sold{To: opal.Outside})
			return c
		}, NotTested, 0, ""},
		"each part tested on its surface, then a cut": {opal.Backing, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.test("mine.a", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.test("mine.b", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", "mine.x", "2026-02-01", combined(2, "mine.a", "mine.b"))
			w.post("mine", "mine.x", "2026-02-05", cutInto(c, "mine.y"))
			return c
		}, NotTested, 0, ""},
		"each part tested, and a test of the whole that is too little": {opal.Backing, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.test("mine.a", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.test("mine.b", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", c, "2026-02-01", combined(2, "mine.a", "mine.b"))
			w.test(c, "2026-02-05", sampled(opal.SideView, "NO_JOIN", 1, 2, 0))
			return c
		}, NotFound, 0, "looked for and not found"},
		"no part tested, the stone itself excluded": {opal.Backing, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.post("mine", "mine.x", "2026-02-01", combined(2, "mine.a", "mine.b"))
			w.post("mine", "mine.x", "2026-02-02", split(opal.Sorted, parts(c, 1, "mine.y", 1)))
			w.test(c, "2026-02-03", tested(opal.SideView, "NO_JOIN"))
			return c
		}, NotFound, 0, "looked for and not found"},
		"parts clean, a sign on the stone": {opal.Backing, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.test("mine.a", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.test("mine.b", "2026-01-15", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", "mine.x", "2026-02-01", combined(2, "mine.a", "mine.b"))
			w.post("mine", "mine.x", "2026-02-02", split(opal.Sorted, parts(c, 1, "mine.y", 1)))
			w.test(c, "2026-02-03", tested(opal.SideView, "STRAIGHT_JOIN"))
			return c
		}, Found, 0, "A backing found"},
		"treated after the part had left its parcel": {opal.Dye, func(w *world) string {
			child := w.parcel("mine.p", 10, opal.Sorted)
			w.stone("mine.b")
			w.post("mine", c, "2026-03-05", combined(2, child, "mine.b"))
			w.post("mine", "mine.p", "2026-03-02", treated(opal.Dye))
			return c
		}, NotTested, 0, ""},
		"heat of one part": {opal.Heat, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.post("mine", "mine.a", "2026-01-15", treated(opal.Heat))
			w.post("mine", c, "2026-02-01", combined(2, "mine.a", "mine.b"))
			return c
		}, Declared, 500_000, "Heated"},
		"heat of none": {opal.Heat, func(w *world) string {
			w.stone("mine.a")
			w.stone("mine.b")
			w.post("mine", c, "2026-02-01", combined(2, "mine.a", "mine.b"))
			return c
		}, Undeterminable, 0, ""},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			lot := test.build(w)
			got := w.want(lot, test.treatment, test.want)
			if got.Share != test.share {
				t.Errorf("the share is %d, want %d", got.Share, test.share)
			}
			if !strings.Contains(got.Statement, test.says) {
				t.Errorf("the statement is %q, want %q in it", got.Statement, test.says)
			}
			w.checkWords(lot)
		})
	}
}

// Lots that part and meet again many times have very many ways up, and are judged once each.
func TestManyWaysUp(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.l0", "2026-01-01", mined(2))
	lot := "mine.l0"
	for i := range 60 {
		a, b, next := fmt.Sprintf("mine.a%d", i), fmt.Sprintf("mine.b%d", i), fmt.Sprintf("mine.l%d", i+1)
		at := fmt.Sprintf("2026-01-02T%02d:%02d:00Z", i/30, i%30*2)
		w.post("mine", lot, at, split(opal.Unsorted, parts(a, 1, b, 1)))
		w.post("mine", next, fmt.Sprintf("2026-01-02T%02d:%02d:00Z", i/30, i%30*2+1), combined(2, a, b))
		lot = next
	}
	w.post("mine", "mine.l0", "2026-01-01", treated(opal.Smoke))
	start := time.Now()
	s := w.status(lot)
	wantVerdict(t, s, opal.Smoke, Declared)
	if s.Lots != 181 {
		t.Errorf("the answer rests on %d lots, want 181", s.Lots)
	}
	if took := time.Since(start); took > 10*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestTooManyLots(t *testing.T) {
	w := newWorld(t)
	var tops []string
	for i := range 11 {
		var lots []string
		for j := range 1000 {
			lot := fmt.Sprintf("mine.r%d-%d", i, j)
			w.stone(lot)
			lots = append(lots, lot)
		}
		top := fmt.Sprintf("mine.t%d", i)
		w.post("mine", top, "2026-02-01", combined(1000, lots...))
		tops = append(tops, top)
	}
	w.post("mine", "mine.all", "2026-03-01", combined(11000, tops...))
	if _, err := Evaluate(w.query("mine.all")); fault.Of(err) != fault.TooDeep {
		t.Errorf("found %v, want TOO_DEEP", err)
	}
	if _, err := Evaluate(w.query("mine.t1")); err != nil {
		t.Errorf("1,001 lots: %v", err)
	}
}
