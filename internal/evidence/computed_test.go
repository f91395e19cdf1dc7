package evidence

import (
	"maps"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// computed records a test with what the service computed from its measurement.
func (w *world) computed(ev opal.Event, c *opal.Computed) {
	w.t.Helper()
	ev.RequestID[15] = 99
	when, err := opal.ParseWhen(ev.OccurredAt, 0)
	if err != nil {
		w.t.Fatal(err)
	}
	rec := opal.Recorded{Event: ev, Position: w.next, When: when, Computed: c}
	w.next++
	changed, err := Fold(w.get, &rec)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, s := range changed {
		w.summaries[s.Lot] = s
	}
}

// What the service computes from a measurement is judged in place of the tester's word; where they differ, both are said.
func TestAComputedWordIsJudged(t *testing.T) {
	post := func(w *world, word opal.Outcome, c *opal.Computed) *Item {
		w.stone("mine.a")
		x := tested(opal.WaterUptake, word)
		w.computed(opal.Event{Lot: "mine.a", Party: "lab", OccurredAt: "2026-02-01", Tested: x, Moisture: opal.Dry}, c)
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

// A spectrum that was read has the reading's word and the tester's. A tester may name what the reading only sees; what it does not see neither shows nor clears
// anything.
func TestAReadSpectrum(t *testing.T) {
	cleaned := map[string]string{"cleaned": "water"}
	for name, c := range map[string]struct {
		method   opal.Method
		word     opal.Outcome
		findings []opal.TestFinding
		computed opal.Outcome
		also     []opal.Outcome
		want     map[opal.Outcome]Stance // of resin, or of smoke for Raman
		says     string
	}{
		"organics, named resin":          {opal.Infrared, "RESIN_BANDS", nil, "ORGANICS_PRESENT", nil, map[opal.Outcome]Stance{"ORGANICS_PRESENT": PointsTo, "RESIN_BANDS": Shows}, "computed from its readings"},
		"organics, the tester saw none":  {opal.Infrared, "NONE", nil, "ORGANICS_PRESENT", nil, map[opal.Outcome]Stance{"ORGANICS_PRESENT": PointsTo}, "the tester's word was none"},
		"none, the tester saw resin":     {opal.Infrared, "RESIN_BANDS", nil, "NONE", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "its readings give none, the tester saw bands"},
		"none, resin in a finding":       {opal.Infrared, "", []opal.TestFinding{{Outcome: "RESIN_BANDS"}}, "NONE", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "the tester saw bands"},
		"none and none":                  {opal.Infrared, "NONE", nil, "NONE", nil, map[opal.Outcome]Stance{"NONE": PointsAway}, "computed from its readings"},
		"unreadable, the tester says so": {opal.Infrared, "RESIN_BANDS", nil, "UNREADABLE", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "the tester's word was resin bands"},
		"no word fits":                   {opal.Infrared, "RESIN_BANDS", nil, "", nil, map[opal.Outcome]Stance{"RESIN_BANDS": Shows}, "resin bands"},
		"carbon in the skin":             {opal.Raman, "", []opal.TestFinding{{Outcome: "CARBON_BANDS", Where: "SKIN"}}, "CARBON_BANDS", nil, map[opal.Outcome]Stance{"CARBON_BANDS": Shows}, "(skin)"},
		"carbon, nobody says where":      {opal.Raman, "", nil, "CARBON_BANDS", nil, map[opal.Outcome]Stance{"CARBON_BANDS": PointsTo}, "carbon bands"},
	} {
		t.Run(name, func(t *testing.T) {
			treatment := opal.Resin
			if c.method == opal.Raman {
				treatment = opal.Smoke
			}
			w := newWorld(t)
			w.stone("mine.a")
			ev := opal.Event{Party: "lab", Lot: "mine.a", OccurredAt: "2026-02-01", Tested: &opal.Tested{
				Method: c.method, Outcome: c.word, Findings: c.findings, Conditions: cleaned, LookedFor: []opal.Treatment{opal.Resin, opal.Smoke}, Sample: opal.Sample{Kind: opal.Whole},
			}}
			w.computed(ev, &opal.Computed{Outcome: c.computed, Also: c.also})
			got := map[opal.Outcome]Stance{}
			text := ""
			for _, i := range w.status("mine.a").of(treatment).Evidence {
				got[i.Outcome] = i.Stance
				text += i.Text
			}
			if !maps.Equal(got, c.want) || !strings.Contains(text, c.says) {
				t.Errorf("%v, want %v; %q, want %q in it", got, c.want, text, c.says)
			}
		})
	}
}
