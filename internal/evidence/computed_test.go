package evidence

import (
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// What the service computes from a measurement is judged in place of the tester's word; where they differ, both are said.
func TestAComputedWordIsJudged(t *testing.T) {
	post := func(w *world, word opal.Outcome, c *opal.Computed) *Item {
		w.stone("mine.a")
		x := tested(opal.WaterUptake, word)
		ev := opal.Event{Lot: "mine.a", Party: "lab", OccurredAt: "2026-02-01", Tested: x, Moisture: opal.Dry}
		ev.RequestID[15] = 99
		when, _ := opal.ParseWhen(ev.OccurredAt, 0)
		rec := opal.Recorded{Event: ev, Position: w.next, When: when, Computed: c}
		w.next++
		changed, err := Fold(w.get, &rec)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range changed {
			w.summaries[s.Lot] = s
		}
		for i := range w.status("mine.a").of(opal.Resin).Evidence {
			if e := w.status("mine.a").of(opal.Resin).Evidence[i]; e.Method == opal.WaterUptake {
				return &e
			}
		}
		t.Fatal("no item")
		return nil
	}
	for name, x := range map[string]struct {
		word     opal.Outcome
		computed *opal.Computed
		outcome  opal.Outcome
		stance   Stance
		says     string
	}{
		"the tester's word alone": {"STRONG", nil, "STRONG", Excludes, "uptake"},
		"both the same":           {"STRONG", &opal.Computed{Outcome: "STRONG"}, "STRONG", Excludes, "(computed from its readings)"},
		"the tester says more":    {"STRONG", &opal.Computed{Outcome: "SLIGHT"}, "SLIGHT", Silent, "(computed from its readings; the tester's word was strong)"},
		"the tester says nothing": {"", &opal.Computed{Outcome: "STRONG"}, "STRONG", Excludes, "(computed from its readings)"},
		"not watched long enough": {"STRONG", &opal.Computed{Outcome: opal.Unreadable}, opal.Unreadable, Silent, "the tester's word was strong"},
	} {
		e := post(newWorld(t), x.word, x.computed)
		if e.Outcome != x.outcome || e.Stance != x.stance || !strings.Contains(e.Text, x.says) {
			t.Errorf("%s: %s %s %q", name, e.Outcome, e.Stance, e.Text)
		}
	}
	// TINTED_WATER beside it shows a dye.
	w := newWorld(t)
	post(w, "STRONG", &opal.Computed{Outcome: "STRONG", Also: []opal.Outcome{"TINTED_WATER"}})
	w.want("mine.a", opal.Dye, Found)
}
