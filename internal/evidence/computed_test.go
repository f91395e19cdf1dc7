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
// anything, and that nothing is there only the reading says.
func TestAReadSpectrum(t *testing.T) {
	cleaned := map[string]string{"cleaned": "water", "spots": "5"}
	seen := func(o opal.Outcome) []opal.TestFinding { return []opal.TestFinding{{Outcome: o}} }
	for name, c := range map[string]struct {
		method    opal.Method
		treatment opal.Treatment
		word      opal.Outcome
		findings  []opal.TestFinding
		computed  opal.Outcome
		also      []opal.Outcome
		want      map[opal.Outcome]Stance
		says      string
	}{
		"organics, named resin":         {opal.Infrared, opal.Resin, "RESIN_BANDS", nil, "ORGANICS_PRESENT", nil, map[opal.Outcome]Stance{"ORGANICS_PRESENT": PointsTo, "RESIN_BANDS": Shows}, "computed from its readings"},
		"organics, the tester saw none": {opal.Infrared, opal.Resin, "NONE", nil, "ORGANICS_PRESENT", nil, map[opal.Outcome]Stance{"ORGANICS_PRESENT": PointsTo}, "the tester's word was none"},
		"none, the tester saw resin": {opal.Infrared, opal.Resin, "RESIN_BANDS", nil, "NONE", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent},
			"its readings give none; the tester saw resin bands, of which they show nothing: one of the two errs, so neither is judged"},
		"none, resin in a finding":          {opal.Infrared, opal.Resin, "", seen("RESIN_BANDS"), "NONE", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "the tester saw resin bands"},
		"none and none":                     {opal.Infrared, opal.Resin, "NONE", nil, "NONE", nil, map[opal.Outcome]Stance{"NONE": PointsAway}, "computed from its readings"},
		"none, and none again":              {opal.Infrared, opal.Resin, "", seen("NONE"), "NONE", nil, map[opal.Outcome]Stance{"NONE": PointsAway}, "computed from its readings"},
		"unreadable, the tester says so":    {opal.Infrared, opal.Resin, "RESIN_BANDS", nil, "UNREADABLE", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "the tester saw resin bands, which is not judged where nothing could be read"},
		"only opal's, the tester saw a dye": {opal.Raman, opal.Smoke, "DYE_BANDS", nil, "ONLY_OPAL_BANDS", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "the tester saw dye bands, of which they show nothing"},

		"as untreated, the tester saw resin": {opal.Infrared, opal.Resin, "RESIN_BANDS", nil, "AS_UNTREATED", nil, map[opal.Outcome]Stance{"AS_UNTREATED": PointsAway, "RESIN_BANDS": Shows},
			"resin bands (the tester's word; its readings give like the reference stones)"},
		"as untreated, the tester saw resin, of oil": {opal.Infrared, opal.OilWax, "RESIN_BANDS", nil, "AS_UNTREATED", nil, map[opal.Outcome]Stance{"AS_UNTREATED": PointsAway},
			"set aside: the tester names what is in the same spectrum, so that like the reference stones does not count as absence"},
		"as untreated, the tester saw a dye": {opal.Infrared, opal.Resin, "DYE_BANDS", nil, "AS_UNTREATED", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "the tester saw dye bands, of which they show nothing"},

		"carbon in the skin":         {opal.Raman, opal.Smoke, "", []opal.TestFinding{{Outcome: "CARBON_BANDS", Where: "SKIN"}}, "CARBON_BANDS", nil, map[opal.Outcome]Stance{"CARBON_BANDS": Shows}, "(skin)"},
		"carbon, nobody says where":  {opal.Raman, opal.Smoke, "", nil, "CARBON_BANDS", nil, map[opal.Outcome]Stance{"CARBON_BANDS": PointsTo}, "carbon bands"},
		"carbon, the tester: resin":  {opal.Raman, opal.Resin, "RESIN_BANDS", nil, "CARBON_BANDS", nil, map[opal.Outcome]Stance{"CARBON_BANDS": Silent}, "(computed from its readings; the tester saw resin bands, of which they show nothing: one of the two errs, so that is not judged)"},
		"carbon and organics, resin": {opal.Raman, opal.Resin, "RESIN_BANDS", nil, "CARBON_BANDS", []opal.Outcome{"ORGANICS_PRESENT"}, map[opal.Outcome]Stance{"ORGANICS_PRESENT": PointsTo, "RESIN_BANDS": Shows}, "resin bands"},
		"organics, the tester: carbon in the skin": {opal.Raman, opal.Smoke, "", []opal.TestFinding{{Outcome: "CARBON_BANDS", Where: "SKIN"}}, "ORGANICS_PRESENT", nil,
			map[opal.Outcome]Stance{"ORGANICS_PRESENT": Silent}, "the tester saw carbon bands, of which they show nothing"},

		"peaks without a word, the tester: a dye":  {opal.Raman, opal.Dye, "DYE_BANDS", nil, "", nil, map[opal.Outcome]Stance{"DYE_BANDS": Shows}, "(the tester's word for peaks that its readings show and no word fits)"},
		"peaks without a word, the tester: resin":  {opal.Raman, opal.Resin, "RESIN_BANDS", nil, "", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "its readings show peaks that no word fits; the tester saw resin bands"},
		"peaks without a word, the tester: carbon": {opal.Raman, opal.Smoke, "", []opal.TestFinding{{Outcome: "CARBON_BANDS", Where: "SKIN"}}, "", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "the tester saw carbon bands"},
		"peaks without a word, nobody names them":  {opal.Raman, opal.Dye, "", nil, "", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent}, "(its readings show peaks that no word fits)"},
		"peaks without a word, the tester: only opal's": {opal.Raman, opal.Dye, "ONLY_OPAL_BANDS", nil, "", nil, map[opal.Outcome]Stance{"UNREADABLE": Silent},
			"its readings show peaks that no word fits; the tester's word was only opal bands"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.stone("mine.a")
			ev := opal.Event{Party: "lab", Lot: "mine.a", OccurredAt: "2026-02-01", Tested: &opal.Tested{
				Method: c.method, Outcome: c.word, Findings: c.findings, Conditions: cleaned, LookedFor: []opal.Treatment{opal.Resin, opal.OilWax, opal.Smoke, opal.Dye}, Sample: opal.Sample{Kind: opal.Whole},
			}}
			w.computed(ev, &opal.Computed{Outcome: c.computed, Also: c.also})
			got := map[opal.Outcome]Stance{}
			text := ""
			for _, i := range w.status("mine.a").of(c.treatment).Evidence {
				got[i.Outcome] = i.Stance
				text += i.Text
			}
			if !maps.Equal(got, c.want) || !strings.Contains(text, c.says) {
				t.Errorf("%v, want %v; %q, want %q in it", got, c.want, text, c.says)
			}
		})
	}
}

// spectrum is the status of a stone with one test, whose spectrum was read as computed; nil: it was not read.
func spectrum(t *testing.T, test *opal.Tested, computed *opal.Computed, ask func(q *Query)) *Status {
	t.Helper()
	w := newWorld(t)
	w.stone("mine.a")
	test.Protocol, test.Conditions = "P-1", map[string]string{"cleaned": "water", "spots": "5"}
	w.computed(opal.Event{Party: "lab", Lot: "mine.a", OccurredAt: "2026-02-01", Tested: test}, computed)
	q := w.query("mine.a")
	if ask != nil {
		ask(&q)
	}
	return w.ask(q)
}

// A tester's word that nothing is there, however it is said, changes nothing of what the reading says.
func TestATestersAbsenceIsNeverJudgedBesideAReading(t *testing.T) {
	ptr := func(n int64) *int64 { return &n }
	treatments := opal.AllTreatments()
	absent := []opal.Outcome{"NONE", "AS_UNTREATED", "ONLY_OPAL_BANDS", opal.NothingSeen}
	for _, method := range []opal.Method{opal.Infrared, opal.Raman} {
		counted := func(q *Query) {
			q.Validated = func(_ string, m opal.Method, _ string, _ uint64) (out []Validation, _ error) {
				for _, o := range absent {
					for _, x := range treatments {
						out = append(out, validation("lab/v-"+string(o)+string(x), o, x, 0, 40, 60, 60))
					}
				}
				return out, nil
			}
		}
		for _, computed := range append(opal.Outcomes(method), "") {
			if computed == opal.NothingSeen || saysAbsent(computed) {
				continue
			}
			c := &opal.Computed{Outcome: computed}
			want := ranks(spectrum(t, &opal.Tested{Method: method, LookedFor: treatments, Sample: opal.Sample{Kind: opal.Whole}}, c, counted))
			for _, o := range absent {
				if !method.KnowsOutcome(o) {
					continue
				}
				finding := opal.TestFinding{Outcome: o}
				for name, test := range map[string]*opal.Tested{
					"as the outcome":     {Outcome: o},
					"as a finding":       {Findings: []opal.TestFinding{finding}},
					"of a treatment":     {Findings: []opal.TestFinding{{Outcome: o, Treatment: opal.Resin}, {Outcome: o, Treatment: opal.Dye}}},
					"as both":            {Outcome: o, Findings: []opal.TestFinding{finding}},
					"as counted on none": {Sample: opal.Sample{Positive: ptr(0)}},
				} {
					test.Method, test.LookedFor, test.Sample.Kind = method, treatments, opal.Whole
					got := spectrum(t, test, c, counted)
					for i, r := range ranks(got) {
						if r > max(want[i], rank(NotTested, false)) || name != "as counted on none" && r != want[i] {
							t.Errorf("%s read as %q, %s %s: %s is %s", method, computed, o, name, got.Treatments[i].Treatment, got.Treatments[i].Verdict)
						}
					}
				}
			}
		}
	}
}

// A stone whose spectrum was found like untreated ones, and in which the tester saw something, is never better off than by the tester's word alone.
func TestAContestedReadingIsNeverBetterThanTheTester(t *testing.T) {
	counts := []Counted{{}, {0, 40, 60, 60}, {40, 40, 0, 60}, {20, 40, 30, 60}, {12, 20, 0, 20}}
	said := map[Verdict]bool{}
	for _, o := range []opal.Outcome{"ORGANICS_PRESENT", "RAISED", "MANY", "OIL_BANDS", "WAX_PAIR", "RESIN_BANDS"} {
		for _, of := range counts {
			for _, untreated := range counts {
				ask := func(q *Query) {
					var list []Validation
					for _, x := range []opal.Treatment{opal.Resin, opal.OilWax} {
						if of.TreatedAll > 0 {
							list = append(list, validation("lab/v1"+string(x), o, x, of.TreatedWith, of.TreatedAll, of.UntreatedWith, of.UntreatedAll))
						}
						if untreated.TreatedAll > 0 {
							list = append(list, validation("lab/v2"+string(x), "AS_UNTREATED", x, untreated.TreatedWith, untreated.TreatedAll, untreated.UntreatedWith, untreated.UntreatedAll))
						}
					}
					q.Validated = validated(list...)
				}
				test := func() *opal.Tested {
					return &opal.Tested{Method: opal.Infrared, Outcome: o, LookedFor: []opal.Treatment{opal.Resin, opal.OilWax}, Sample: opal.Sample{Kind: opal.Whole}}
				}
				alone := spectrum(t, test(), nil, ask)
				both := spectrum(t, test(), &opal.Computed{Outcome: "AS_UNTREATED"}, ask)
				was := ranks(alone)
				for i, r := range ranks(both) {
					said[both.Treatments[i].Verdict] = true
					if r > was[i] {
						t.Errorf("%s %+v, as untreated %+v: %s is %s, by the tester alone %s", o, of, untreated, both.Treatments[i].Treatment, both.Treatments[i].Verdict, alone.Treatments[i].Verdict)
					}
				}
			}
		}
	}
	if !said[Found] || !said[Open] {
		t.Errorf("only %v: the check says little", said)
	}
}
