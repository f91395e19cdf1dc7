package eventlog

import (
	"errors"
	"fmt"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// EventOpenings are the private values of one event.
type EventOpenings struct {
	Party     string
	RequestID opal.RequestID
	// StatementHash is that of the statement which commits to the values. It is part of the key: an id that is used again for other
	// content is refused later, and by then must not have replaced what belongs to the event that has the id.
	StatementHash [32]byte
	Openings      []envelope.Opening
}

func openingsKey(party string, id opal.RequestID, statement [32]byte) []byte {
	k := append(make([]byte, 0, len(party)+49), party...)
	k = append(append(k, 0), id[:]...)
	return append(k, statement[:]...)
}

// PutOpenings stores private values; they are on disk when it returns. It is called before the events' envelope goes to the
// ledger, so that an event that is acknowledged has its values; values of an event that was refused then lie there, unread.
func (l *Log) PutOpenings(list ...EventOpenings) error {
	batch := l.openings.NewBatch()
	defer batch.Close()
	for i := range list {
		e := &list[i]
		if len(e.Openings) == 0 {
			continue
		}
		value, err := envelope.EncodeOpenings(e.Openings)
		if err != nil {
			return fmt.Errorf("store the private values of %s/%s: %w", e.Party, e.RequestID, err)
		}
		if err := batch.Set(openingsKey(e.Party, e.RequestID, e.StatementHash), value, nil); err != nil {
			return &StoreError{"store private values", err}
		}
	}
	if batch.Empty() {
		return nil
	}
	// An error of the write itself comes as one that the store does not survive, and not by way of Commit.
	if err := errors.Join(batch.Commit(pebble.Sync), l.guard.failed()); err != nil {
		return &StoreError{"store private values", err}
	}
	return nil
}

// OpeningsOf gives the private values of an event that is in the log, as far as they are kept here. Whether they fit the event's
// commitments envelope.Statement.Reveal tells.
func (l *Log) OpeningsOf(e *Event) ([]envelope.Opening, error) {
	ev := &e.Recorded.Event
	v, closer, err := l.openings.Get(openingsKey(ev.Party, ev.RequestID, e.StatementHash))
	if errors.Is(err, pebble.ErrNotFound) {
		return nil, nil
	}
	op := "read the private values of " + e.ID()
	if err != nil {
		return nil, &StoreError{op, err}
	}
	defer closer.Close()
	list, err := envelope.DecodeOpenings(v)
	if err != nil {
		return nil, &StoreError{op, err}
	}
	return list, nil
}

// Revealed gives the event with its private values set, as far as they are kept here. The event itself is left as it is.
func (l *Log) Revealed(e *Event) (*opal.Recorded, error) {
	list, err := l.OpeningsOf(e)
	if err != nil || len(list) == 0 {
		return e.Recorded, err
	}
	s, err := envelope.DecodeStatement(e.Statement)
	if err != nil {
		return nil, fmt.Errorf("read the statement of %s: %w", e.ID(), err)
	}
	if err := s.Reveal(list); err != nil {
		return nil, &StoreError{"read the private values of " + e.ID(), err}
	}
	r := *e.Recorded
	party := r.Event.Party
	r.Event = s.Event
	r.Event.Party = party
	return &r, nil
}
