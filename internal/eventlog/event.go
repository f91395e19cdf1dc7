package eventlog

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// NewEvent reads a statement of a party; hash is the statement's, as it stands in the envelope.
func NewEvent(party string, statement []byte, hash [32]byte) (*Event, error) {
	e := NewEvents(1)[0]
	return e, e.Read(party, statement, hash)
}

// NewEvents makes room for n events. They lie together in memory: those that come together mostly stay together.
func NewEvents(n int) []*Event {
	events, recorded, list := make([]Event, n), make([]opal.Recorded, n), make([]*Event, n)
	for i := range list {
		events[i].Recorded = &recorded[i]
		list[i] = &events[i]
	}
	return list
}

// Read fills in an event from a statement, as NewEvent does.
func (e *Event) Read(party string, statement []byte, hash [32]byte) error {
	s, err := envelope.DecodeStatement(statement)
	if err != nil {
		return err
	}
	e.Recorded.Event = s.Event
	e.Recorded.Event.Party = party
	e.Statement, e.StatementHash, e.RequestHash = statement, hash, envelope.RequestHash(party, statement)
	return nil
}

// Place gives the event its position and time, and resolves the time it states in the zone that is in force.
func (e *Event) Place(v account.View, position uint64, recordedAt opal.Instant) error {
	log, err := v.Log()
	if err != nil {
		return err
	}
	var zone int64
	switch opened := e.Recorded.Event.LogOpened; {
	case log != nil:
		zone = log.Policy.ZoneMinutes
	case opened != nil:
		zone = opened.Policy.ZoneMinutes // the first event brings its own
	default:
		return fmt.Errorf("event %s stands before the log is opened", e.ID())
	}
	r := e.Recorded
	r.Position, r.RecordedAt = position, recordedAt
	r.When, err = opal.ParseWhen(r.Event.OccurredAt, zone)
	return err
}

// Apply makes the accounts that follow from an accepted event, with its findings set, and puts both on the layer. With an error the
// layer is as it was.
func (l *Layer) Apply(e *Event) error {
	changes, err := account.Apply(l, e.Recorded)
	if err != nil {
		return fmt.Errorf("apply event %s: %w", e.ID(), err)
	}
	return l.Add(e, changes)
}
