package evidence

import (
	"math"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// now is a position after every event.
const now uint64 = math.MaxUint64

// account answers pieces and mass as the log knew them before knownAt; with a time, those before what happened then. Where a change
// of the pieces may have come before or after that time, the pieces are not known (nil), so that nothing is taken for a single stone
// that may have been one of several.
func (s *Summary) account(at *opal.When, knownAt uint64) (*int64, int64) {
	o := s.opening(knownAt)
	if o == nil {
		return nil, 0
	}
	pieces, mass := o.Pieces, o.Micrograms
	if older := s.Older; older != nil {
		if knownAt <= older.Position || at != nil && !older.Last.Before(*at) {
			return nil, mass
		}
		pieces, mass = older.Pieces, older.Micrograms
	}
	unclear := false
	for i := range s.Changes {
		c := &s.Changes[i]
		if !c.Fact.live(knownAt) || c.Ends && at == nil {
			continue
		}
		if at != nil && !c.Fact.At.Before(*at) {
			if !at.Before(c.Fact.At) && !c.Ends && !equal(pieces, first(c.after(pieces, mass))) {
				unclear = true
			}
			continue
		}
		if c.Ends {
			continue
		}
		pieces, mass = c.after(pieces, mass)
	}
	if unclear {
		return nil, mass
	}
	return number(pieces), mass
}

func first[A, B any](a A, _ B) A { return a }

func equal(a, b *int64) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }

// grewAfter tells whether pieces may have been added to the lot at or after a time.
func (s *Summary) grewAfter(at opal.When, knownAt uint64) bool {
	if s.Older != nil && !s.Older.Last.Before(at) {
		return true
	}
	o := s.opening(knownAt)
	if o == nil {
		return true
	}
	pieces, mass := o.Pieces, o.Micrograms
	if s.Older != nil {
		pieces, mass = s.Older.Pieces, s.Older.Micrograms
	}
	for i := range s.Changes {
		c := &s.Changes[i]
		if !c.Fact.live(knownAt) || c.Ends {
			continue
		}
		next, nextMass := c.after(pieces, mass)
		if !c.Fact.At.Before(at) && (pieces == nil || next == nil || *next > *pieces) {
			return true
		}
		pieces, mass = next, nextMass
	}
	return false
}

// opening is the reading of the opening that was valid before a position; nil: the lot was not known yet, or never came to be.
func (s *Summary) opening(knownAt uint64) *Opening {
	for i := len(s.Openings) - 1; i >= 0; i-- {
		if s.Openings[i].Fact.live(knownAt) {
			return &s.Openings[i]
		}
	}
	return nil
}

// known tells whether the log had heard of the lot before a position.
func (s *Summary) known(knownAt uint64) bool { return s.Openings[0].Fact.Position < knownAt }

// undone tells whether the event that made other lots of this one was withdrawn before a position.
func (s *Summary) undone(event string, knownAt uint64) bool {
	for i := range s.Undone {
		if s.Undone[i].Event == event && s.Undone[i].Position < knownAt {
			return true
		}
	}
	return false
}

// sawnAfter tells whether stones were sawn off the lot, the rest staying, at or after a time.
func (s *Summary) sawnAfter(at opal.When, knownAt uint64) bool {
	if s.Older != nil && s.Older.Sawn && !s.Older.Last.Before(at) {
		return true
	}
	for i := range s.Changes {
		c := &s.Changes[i]
		if c.Manner == opal.Sawn && !c.Ends && c.Fact.live(knownAt) && !c.Fact.At.Before(at) {
			return true
		}
	}
	return false
}
