package status

import (
	"context"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// WeighedBefore answers the last weighing in water of the same stone before that of an event, as this node knows the log, with the moisture that it had then;
// nil: there was none. Also the moisture of the stone at the event, which a correction may leave as it was. Only a lot of one piece is compared with itself, and
// a stone that was cut anew is another lot.
func (s *Service) WeighedBefore(ctx context.Context, ev *opal.Event) (now opal.Moisture, reading *opal.HydrostaticReading, then opal.Moisture, err error) {
	m, done, err := s.begin(ctx, nil, nil, nil)
	if err != nil {
		return "", nil, "", err
	}
	defer done()
	lot, at, but := ev.Lot, ev.OccurredAt, ""
	now = ev.Moisture
	if c := ev.Corrected; c != nil {
		but = c.Event
		of, err := s.log.Recorded(c.Event)
		if err != nil || of == nil {
			return now, nil, "", err
		}
		lot, at, now = of.Event.Lot, of.Event.OccurredAt, of.Event.Moisture
		if c.Replacement.OccurredAt != "" {
			at = c.Replacement.OccurredAt
		}
		if c.Replacement.Moisture != "" {
			now = c.Replacement.Moisture
		}
	}
	when, err := opal.ParseWhen(at, m.view.policies.before(m.next).ZoneMinutes)
	if err != nil {
		return now, nil, "", nil // the event is refused for it
	}
	summary, err := m.view.store.summary(lot)
	if err != nil || summary == nil {
		return now, nil, "", err
	}
	t := evidence.LastTest(summary, opal.Hydrostatic, when, m.next, but)
	if t == nil {
		return now, nil, "", nil
	}
	e, err := s.log.At(t.Known())
	if err != nil {
		return now, nil, "", fmt.Errorf("read the weighing %s: %w", t.Fact.Event, err)
	}
	if x, _ := e.Recorded.Event.Test(); x != nil && x.Measurement != nil {
		reading = x.Measurement.Hydrostatic
	}
	return now, reading, t.Moisture, nil
}
