package ledger

import (
	"reflect"
	"testing"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func (p *poster) weighed(lot string) *opal.Event {
	return &opal.Event{Party: opal.PartyOfLot(lot), Lot: lot, RequestID: p.id(), OccurredAt: "2026-03-03T08:00:00Z", Tested: &opal.Tested{
		Method: opal.Hydrostatic, Sample: opal.Sample{Kind: opal.Whole},
		Measurement: &opal.Measurement{Hydrostatic: &opal.HydrostaticReading{DryMass: "100.00 g", SuspendedMass: "51.20 g"}},
	}}
}

// What was computed from a measurement stands beside its event for ever: read live, read again after a start, and made anew from the journal.
func TestAComputedOutcomeIsKept(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	accept(t, w.ledger, p.alone(p.mined("harrow-gully.a", 1)))
	want := &opal.Computed{Algorithm: "hydrostatic/1", Outcome: "WITHIN_RANGE", Figures: []opal.Figure{{Name: "bulkDensity", Value: 2.05, Unit: "g/cm³"}}}
	outcome, err := block.EncodeOutcome(want)
	if err != nil {
		t.Fatal(err)
	}
	ev := p.weighed("harrow-gully.a")
	s := p.alone(p.described("harrow-gully.a"), ev, p.described("harrow-gully.a"))
	s.Envelopes[0].Outcomes = []bus.SubmittedOutcome{{Index: 1, Outcome: outcome}}
	at := accept(t, w.ledger, s)[1]
	look := func() {
		t.Helper()
		e, err := w.log.Event(ev.ID())
		if err != nil || !reflect.DeepEqual(e.Recorded.Computed, want) {
			t.Errorf("found %+v, %v", e.Recorded.Computed, err)
		}
		seen := 0
		if err := w.log.Tail(at, func(a *eventlog.Applied) error {
			for _, r := range a.Events {
				if r.Computed != nil {
					seen++
					if r.Position != at || !reflect.DeepEqual(r.Computed, want) {
						t.Errorf("position %d: %+v", r.Position, r.Computed)
					}
				}
			}
			return nil
		}); err != nil || seen != 1 {
			t.Errorf("seen %d times, %v", seen, err)
		}
	}
	look()
	w.restart()
	look()
}

// A measurement and what was computed from it come together or not at all: whoever sends one without the other is no intake of this log.
func TestOutcomesThatDoNotFit(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	accept(t, w.ledger, p.alone(p.mined("harrow-gully.a", 1)))
	good, err := block.EncodeOutcome(&opal.Computed{Algorithm: "hydrostatic/1"})
	if err != nil {
		t.Fatal(err)
	}
	strange, err := block.EncodeOutcome(&opal.Computed{Algorithm: "hydrostatic/1", Also: []opal.Outcome{"STRONG"}})
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct {
		event    *opal.Event
		outcomes []bus.SubmittedOutcome
		reason   fault.Reason
	}{
		"none":                     {p.weighed("harrow-gully.a"), nil, fault.InternalError},
		"for no measurement":       {p.described("harrow-gully.a"), []bus.SubmittedOutcome{{Outcome: good}}, fault.InternalError},
		"no outcome at all":        {p.weighed("harrow-gully.a"), []bus.SubmittedOutcome{{Outcome: []byte{0xa0}}}, fault.InvalidField},
		"a word of another method": {p.weighed("harrow-gully.a"), []bus.SubmittedOutcome{{Outcome: strange}}, fault.InternalError},
	} {
		t.Run(name, func(t *testing.T) {
			s := p.alone(x.event)
			s.Envelopes[0].Outcomes = x.outcomes
			refuse(t, w.ledger, s, x.reason)
		})
	}
}
