package status

import (
	"container/heap"
	"errors"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// line is a lot with its ancestors, each with the place up to which its events are also the lot's own history: the event that took
// this line off it. What an ancestor did later is its own, unless it reaches back: a treatment that is reported late but was done before.
type line struct {
	events  Events
	members map[string]*branch
	order   []string // the lot first, then the ancestors, nearest first
}

// branch is where a line left an ancestor. With several ways down, the latest counts.
type branch struct {
	whole    bool // the lot itself: all its events count
	position uint64
	when     opal.When
}

// lineOf finds a lot's line, as the log knew it before a position.
func lineOf(s *store, events Events, lot string, known uint64) (*line, error) {
	l := &line{events: events, members: map[string]*branch{lot: {whole: true}}, order: []string{lot}}
	for i := 0; i < len(l.order); i++ {
		id := l.order[i]
		r, err := s.lot(id)
		if err != nil {
			return nil, err
		}
		if r == nil {
			return nil, fmt.Errorf("lot %s is an ancestor of %s and not in the projection", id, lot)
		}
		opening := openingAt(&r.Summary, known)
		if opening == nil && len(r.Summary.Openings) > 0 {
			opening = &r.Summary.Openings[0] // withdrawn: its history still says where it came from
		}
		if opening == nil {
			continue
		}
		for j := range opening.Parents {
			l.join(opening.Parents[j].Lot, opening.Fact.Position, opening.Fact.At)
		}
	}
	return l, nil
}

func (l *line) join(parent string, position uint64, when opal.When) {
	b := l.members[parent]
	if b == nil {
		l.members[parent] = &branch{position: position, when: when}
		l.order = append(l.order, parent)
		return
	}
	if b.whole {
		return
	}
	b.position = max(b.position, position)
	if when.To > b.when.To {
		b.when = when
	}
}

// bears tells whether an event belongs to the history of the line's lot.
func (l *line) bears(rec *opal.Recorded) (bool, error) {
	ev := &rec.Event
	b := l.members[ev.Lot]
	if b == nil {
		// A combination stands under the lot that it makes, and ends the lots that it is made of.
		return ev.Combined != nil && l.endsWhole(ev.Combined.Parents), nil
	}
	if b.whole || rec.Position <= b.position {
		return true, nil
	}
	target := ""
	switch {
	case ev.Treated != nil, ev.Tested != nil, ev.Described != nil, ev.NothingDone != nil:
		return !b.when.Before(rec.When), nil
	case ev.Withdrawn != nil:
		target = ev.Withdrawn.Event
	case ev.Corrected != nil:
		target = ev.Corrected.Event
	default:
		return false, nil
	}
	amended, err := l.events.Recorded(target)
	if err != nil || amended == nil || amended.Position >= rec.Position {
		return false, err
	}
	return l.bears(amended)
}

func (l *line) endsWhole(parents []string) bool {
	for _, p := range parents {
		if b := l.members[p]; b != nil && b.whole {
			return true
		}
	}
	return false
}

// sourceChunk is how many events of one lot are read ahead.
const sourceChunk = 32

// source is the events of one member that have not been given out.
type source struct {
	lot   string
	next  uint64 // read on from here
	ahead []*eventlog.Event
	end   bool
}

var errEnough = errors.New("enough")

// fill reads ahead, if nothing is left.
func (s *source) fill(events Events, to uint64) error {
	if len(s.ahead) > 0 || s.end {
		return nil
	}
	err := events.Events(s.lot, s.next, to, func(e *eventlog.Event) error {
		s.ahead = append(s.ahead, e)
		if len(s.ahead) == sourceChunk {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return fmt.Errorf("read the events of lot %s: %w", s.lot, err)
	}
	s.end = err == nil
	if n := len(s.ahead); n > 0 {
		s.next = s.ahead[n-1].Recorded.Position + 1
	}
	return nil
}

// sources is a heap by the position of the next event.
type sources []*source

func (s sources) Len() int { return len(s) }
func (s sources) Less(i, j int) bool {
	return s[i].ahead[0].Recorded.Position < s[j].ahead[0].Recorded.Position
}
func (s sources) Swap(i, j int) { s[i], s[j] = s[j], s[i] }
func (s *sources) Push(x any)   { *s = append(*s, x.(*source)) }
func (s *sources) Pop() any {
	old := *s
	last := old[len(old)-1]
	*s = old[:len(old)-1]
	return last
}

// each calls fn with the events of the line's lot that bear on it, at positions from ≤ p < to in order, until fn answers false.
func (l *line) each(s *store, from, to uint64, fn func(*eventlog.Event) (bool, error)) error {
	h := make(sources, 0, len(l.order)+1)
	for _, id := range l.order {
		src := &source{lot: id, next: from}
		if err := src.fill(l.events, to); err != nil {
			return err
		}
		if len(src.ahead) > 0 {
			h = append(h, src)
		}
	}
	ending, err := l.ending(s, from, to)
	if err != nil {
		return err
	}
	if ending != nil {
		h = append(h, &source{ahead: []*eventlog.Event{ending}, end: true})
	}
	heap.Init(&h)
	for len(h) > 0 {
		src := h[0]
		e := src.ahead[0]
		src.ahead = src.ahead[1:]
		if err := src.fill(l.events, to); err != nil {
			return err
		}
		if len(src.ahead) == 0 {
			heap.Pop(&h)
		} else {
			heap.Fix(&h, 0)
		}
		bears, err := l.bears(e.Recorded)
		if err != nil {
			return err
		}
		if !bears {
			continue
		}
		if on, err := fn(e); err != nil || !on {
			return err
		}
	}
	return nil
}

// ending finds the combination that the line's lot went into, which stands under the new lot; nil: there is none in the range.
func (l *line) ending(s *store, from, to uint64) (*eventlog.Event, error) {
	r, err := s.lot(l.order[0])
	if err != nil || r == nil {
		return nil, err
	}
	for i := range r.Summary.Changes {
		c := &r.Summary.Changes[i]
		if c.Kind == opal.KindCombined && c.Fact.Position >= from && c.Fact.Position < to {
			e, err := l.events.At(c.Fact.Position)
			if err != nil || e == nil {
				return nil, err
			}
			if e.Recorded.Event.Combined != nil && e.Recorded.Event.Lot != l.order[0] {
				return e, nil
			}
		}
	}
	return nil, nil
}
