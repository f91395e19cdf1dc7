package eventfile

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Each event stands behind what it needs, and otherwise where it stood.
func TestOrder(t *testing.T) {
	mined := func(lot string) *opal.Event { return &opal.Event{Lot: lot, Mined: &opal.Mined{}} }
	about := func(lot string) *opal.Event { return &opal.Event{Lot: lot, Described: &opal.Described{}} }
	split := func(lot string, children ...string) *opal.Event {
		e := &opal.Event{Lot: lot, Split: &opal.Split{}}
		for _, c := range children {
			e.Split.Children = append(e.Split.Children, opal.Part{Lot: c})
		}
		return e
	}
	withdrawn := func(id string) *opal.Event { return &opal.Event{Lot: "a.1", Withdrawn: &opal.Withdrawn{Event: id}} }
	named := func(n byte, e *opal.Event) *opal.Event {
		e.Party, e.RequestID = "a", opal.RequestID{15: n}
		return e
	}
	for name, c := range map[string]struct {
		events []*opal.Event
		want   []int
	}{
		"as it should be":     {[]*opal.Event{mined("a.1"), split("a.1", "a.2"), about("a.2")}, []int{0, 1, 2}},
		"turned round":        {[]*opal.Event{about("a.2"), split("a.1", "a.2"), mined("a.1")}, []int{2, 1, 0}},
		"lots of others":      {[]*opal.Event{about("b.1"), about("b.2")}, []int{0, 1}},
		"put together":        {[]*opal.Event{{Lot: "a.9", Combined: &opal.Combined{Parents: []string{"a.1", "a.2"}}}, mined("a.2"), mined("a.1")}, []int{2, 1, 0}},
		"an amendment":        {[]*opal.Event{withdrawn("a/00000000-0000-0000-0000-000000000007"), mined("a.1"), named(7, about("a.1"))}, []int{1, 2, 0}},
		"a slip that circles": {[]*opal.Event{split("a.1", "a.2"), split("a.2", "a.1")}, []int{1, 0}},
	} {
		if got := Order(c.events); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		// A tree of lots, each opened by a split of an earlier one, in any order.
		n := rapid.IntRange(1, 30).Draw(rt, "n")
		lot := func(i int) string { return "a." + string(rune('a'+i/26)) + string(rune('a'+i%26)) }
		events := []*opal.Event{mined(lot(0))}
		for i := 1; i < n; i++ {
			events = append(events, split(lot(rapid.IntRange(0, i-1).Draw(rt, "parent")), lot(i)))
		}
		events = rapid.Permutation(events).Draw(rt, "events")
		open := map[string]bool{}
		order := Order(events)
		for _, i := range order {
			if e := events[i]; e.Split != nil && !open[e.Lot] {
				rt.Fatalf("%v: lot %s is not there yet", order, e.Lot)
			}
			for _, l := range opal.NewLots(events[i]) {
				open[l] = true
			}
		}
		if slices.Sort(order); len(order) != n || order[n-1] != n-1 {
			rt.Fatalf("%v", order)
		}
	})
}
