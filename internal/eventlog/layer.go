package eventlog

import (
	"fmt"
	"slices"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// State is what the log stands at between two events: the accounts, and what was posted under which id.
type State interface {
	account.View
	// Posted says what is known of an event id; nil: nothing. The id is taken apart already.
	Posted(party string, id opal.RequestID) (*Posted, error)
	// KeyHolder names the party whose key an id is; "": nobody's.
	KeyHolder(keyID string) (string, error)
}

var _ State = (*Layer)(nil)

// Layer is what some events make of a State, held above it and not in it: the overlay on which the sequencer judges.
//
// # Why layers
//
// An event is judged against all events before it, and most of those may not be in the store yet: the block before may be on its way to
// the journal, the block that the event will stand in is being filled, and an atomic batch may be refused after half of it was
// judged. Each of these is a layer, one above the other:
//
//	the batch's own events
//	the block being filled
//	the block on its way
//	the store: what is acknowledged and applied
//
// A question goes down until a layer knows the answer. A refused batch drops its layer, and nothing of it was ever seen; an accepted
// one is merged into the layer below. When the block on its way is acknowledged, its changes go to the store and the layer above
// moves down to stand on the store; when it fails, it is dropped with all above, and the store is as if they had never been.
//
// A layer covers a range of positions, from its first on. It asks those below only for what lies before that range, so the
// store may already hold the events of a layer that still stands on it: every key that they changed is found in the layer first.
//
// Values in a layer are never changed in place. A layer that is no longer added to may be read by many.
type Layer struct {
	below   State
	first   uint64
	lots    map[string]*account.Lot
	lines   map[string]*account.Line
	parties map[string]*account.Party
	keys    map[string]string
	log     *account.Log
	events  []*Event
	ids     map[postedID]int
	// last is the number of a lot's newest event of the layer, and before[n] that of the one before event n of the same lot; -1: none.
	last   map[string]int
	before []int
}

type postedID struct {
	party string
	id    opal.RequestID
}

// NewLayer makes an empty layer whose first event will have that position.
func NewLayer(below State, first uint64) *Layer {
	return &Layer{
		below: below, first: first,
		lots: map[string]*account.Lot{}, lines: map[string]*account.Line{}, parties: map[string]*account.Party{},
		keys: map[string]string{}, ids: map[postedID]int{}, last: map[string]int{},
	}
}

// Reset empties a layer for use again.
func (l *Layer) Reset(below State, first uint64) {
	l.below, l.first, l.log = below, first, nil
	clear(l.lots)
	clear(l.lines)
	clear(l.parties)
	clear(l.keys)
	clear(l.ids)
	clear(l.last)
	l.before = l.before[:0]
	clear(l.events)
	l.events = l.events[:0]
}

// StandOn moves a layer onto another state, which must hold what the one before held.
func (l *Layer) StandOn(below State) { l.below = below }

// First is the position of the layer's first event, Next that of the one to come.
func (l *Layer) First() uint64 { return l.first }

// Next is the position that the next event gets.
func (l *Layer) Next() uint64 { return l.first + uint64(len(l.events)) }

// Events are those of the layer, in order.
func (l *Layer) Events() []*Event { return l.events }

// Add puts an accepted event with its changes on the layer. The event's position must be Next.
func (l *Layer) Add(e *Event, c *account.Changes) error {
	if e.Recorded.Position != l.Next() {
		return fmt.Errorf("event %s has position %d, the layer is at %d", e.ID(), e.Recorded.Position, l.Next())
	}
	for _, v := range c.Lots {
		l.lots[v.ID] = v
	}
	for _, v := range c.Lines {
		l.lines[v.Root] = v
	}
	for _, v := range c.Parties {
		l.parties[v.ID] = v
		for i := range v.Keys {
			l.keys[v.Keys[i].ID] = v.ID
		}
	}
	if c.Log != nil {
		l.log = c.Log
	}
	l.index(e)
	return nil
}

func (l *Layer) index(e *Event) {
	ev := &e.Recorded.Event
	n := len(l.events)
	l.events = append(l.events, e)
	l.ids[postedID{ev.Party, ev.RequestID}] = n
	before, ok := l.last[ev.Lot]
	if !ok {
		before = -1
	}
	l.before = append(l.before, before)
	l.last[ev.Lot] = n
}

// Merge takes over all of a layer that stands on this one.
func (l *Layer) Merge(top *Layer) {
	for k, v := range top.lots {
		l.lots[k] = v
	}
	for k, v := range top.lines {
		l.lines[k] = v
	}
	for k, v := range top.parties {
		l.parties[k] = v
	}
	for k, v := range top.keys {
		l.keys[k] = v
	}
	if top.log != nil {
		l.log = top.log
	}
	for _, e := range top.events {
		l.index(e)
	}
}

// Lot implements account.View.
func (l *Layer) Lot(id string) (*account.Lot, error) {
	if v, ok := l.lots[id]; ok {
		return v, nil
	}
	return l.below.Lot(id)
}

// Line implements account.View.
func (l *Layer) Line(root string) (*account.Line, error) {
	if v, ok := l.lines[root]; ok {
		return v, nil
	}
	return l.below.Line(root)
}

// Party implements account.View.
func (l *Layer) Party(id string) (*account.Party, error) {
	if v, ok := l.parties[id]; ok {
		return v, nil
	}
	return l.below.Party(id)
}

// Log implements account.View.
func (l *Layer) Log() (*account.Log, error) {
	if l.log != nil {
		return l.log, nil
	}
	return l.below.Log()
}

// KeyHolder implements State.
func (l *Layer) KeyHolder(keyID string) (string, error) {
	if v, ok := l.keys[keyID]; ok {
		return v, nil
	}
	return l.below.KeyHolder(keyID)
}

// Posted implements State.
func (l *Layer) Posted(party string, id opal.RequestID) (*Posted, error) {
	if n, ok := l.ids[postedID{party, id}]; ok {
		e := l.events[n]
		return &Posted{e.RequestHash, e.Recorded.Position, e.Recorded.Event.Lot}, nil
	}
	return l.below.Posted(party, id)
}

// Recorded implements account.View.
func (l *Layer) Recorded(id string) (*opal.Recorded, error) {
	party, request, err := opal.SplitEventID(id)
	if err != nil {
		return nil, nil // what is no id names no event
	}
	if n, ok := l.ids[postedID{party, request}]; ok {
		return l.events[n].Recorded, nil
	}
	return l.below.Recorded(id)
}

// History implements account.View.
func (l *Layer) History(lot string) ([]opal.Recorded, error) {
	list, err := l.below.History(lot)
	if err != nil {
		return nil, err
	}
	for len(list) > 0 && list[len(list)-1].Position >= l.first {
		list = list[:len(list)-1]
	}
	n, ok := l.last[lot]
	if !ok {
		return list, nil
	}
	list = list[:len(list):len(list)]
	first := len(list)
	for ; n >= 0; n = l.before[n] {
		list = append(list, *l.events[n].Recorded)
	}
	slices.Reverse(list[first:])
	return list, nil
}
