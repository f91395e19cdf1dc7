package bundle

import (
	"fmt"
	"slices"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Log is what a bundle is gathered from.
type Log interface {
	At(position uint64) (*eventlog.Event, error)
	Events(lot string, from, to uint64, f func(*eventlog.Event) error) error
	Lot(id string) (*account.Lot, error)
	Party(id string) (*account.Party, error)
}

// Gather finds all events of a log of a size that it takes to judge some lots anew: their own, those of the lots that they were made of, the directory entries of
// the parties that they name, and whatever the events at the given positions say. They come in their order.
func Gather(log Log, lots []string, positions []uint64, size uint64) ([]*eventlog.Event, error) {
	g := &gathering{log: log, size: size, lots: map[string]bool{}, parties: map[string]bool{}, events: map[uint64]*eventlog.Event{}}
	if err := g.at(0); err != nil { // what opened the log
		return nil, err
	}
	for _, p := range positions {
		if err := g.at(p); err != nil {
			return nil, err
		}
	}
	for _, id := range lots {
		if err := g.lot(id); err != nil {
			return nil, err
		}
	}
	if err := g.party(opal.Admin); err != nil {
		return nil, err
	}
	// What judging asks for and does not find is added, until it finds all that there is.
	for range maxRounds {
		before := len(g.events)
		list := g.sorted()
		if err := g.judge(list); err != nil {
			return nil, err
		}
		if len(g.events) == before {
			return list, nil
		}
	}
	return nil, fault.New(fault.TooLarge, "lot", "found a record whose events name ever more lots, accepted is one that %d rounds of reading find whole", maxRounds)
}

const maxRounds = 64

type gathering struct {
	log     Log
	size    uint64
	lots    map[string]bool
	parties map[string]bool
	events  map[uint64]*eventlog.Event
}

func (g *gathering) at(position uint64) error {
	if position >= g.size || g.events[position] != nil {
		return nil
	}
	e, err := g.log.At(position)
	if err != nil {
		return fmt.Errorf("read the event at %d: %w", position, err)
	}
	if e == nil {
		return fmt.Errorf("the log has no event at %d", position)
	}
	return g.add(e)
}

func (g *gathering) add(e *eventlog.Event) error {
	g.events[e.Recorded.Position] = e
	if len(g.events) > MaxEvents {
		return fault.New(fault.TooLarge, "lot", "found a record of more than %d events, accepted are at most as many", MaxEvents)
	}
	return g.party(e.Recorded.Event.Party)
}

// lot adds a lot with those that it was made of.
func (g *gathering) lot(id string) error {
	for queue := []string{id}; len(queue) > 0; queue = queue[1:] {
		if g.lots[queue[0]] {
			continue
		}
		a, err := g.log.Lot(queue[0])
		if err != nil {
			return fmt.Errorf("read lot %s: %w", queue[0], err)
		}
		if a == nil || a.OpenedPos >= g.size {
			continue
		}
		g.lots[queue[0]] = true
		queue = append(queue, a.Parents...)
		if err := g.log.Events(queue[0], 0, g.size, g.add); err != nil {
			return fmt.Errorf("read the events of lot %s: %w", queue[0], err)
		}
		if err := g.at(a.OpenedPos); err != nil { // a lot that was split off stands in its parent's event
			return err
		}
	}
	return nil
}

// party adds a party's entry and keys.
func (g *gathering) party(id string) error {
	if g.parties[id] {
		return nil
	}
	g.parties[id] = true
	p, err := g.log.Party(id)
	if err != nil {
		return fmt.Errorf("read party %s: %w", id, err)
	}
	if p == nil {
		return nil
	}
	list := []uint64{p.EnrolledAt}
	for i := range p.Keys {
		list = append(list, p.Keys[i].AddedAt)
		if r := p.Keys[i].RevokedAt; r != nil {
			list = append(list, *r)
		}
	}
	for _, position := range list {
		if err := g.at(position); err != nil {
			return err
		}
	}
	return nil
}

func (g *gathering) sorted() []*eventlog.Event {
	list := make([]*eventlog.Event, 0, len(g.events))
	for _, e := range g.events {
		list = append(list, e)
	}
	slices.SortFunc(list, func(a, b *eventlog.Event) int {
		if a.Recorded.Position < b.Recorded.Position {
			return -1
		}
		return 1
	})
	return list
}

// judge adds the lots and parties that judging the events asks for.
func (g *gathering) judge(list []*eventlog.Event) error {
	b := newBooks()
	var parties, lots []string
	b.askedParty = func(id string) { parties = append(parties, id) }
	b.askedLot = func(id string) { lots = append(lots, id) }
	for _, e := range list {
		lots = lots[:0]
		_, refusal, err := b.judge(e)
		if err == nil {
			err = b.put(e)
		}
		// A lot that was there when the event came must be there again. What is missing may also be why the event does not fit the books.
		added := false
		for _, id := range lots {
			a, err := g.log.Lot(id)
			if err != nil {
				return fmt.Errorf("read lot %s: %w", id, err)
			}
			if a != nil && a.OpenedPos < e.Recorded.Position && !g.lots[id] {
				if known, _ := b.Memory.Lot(id); known == nil {
					if err := g.lot(id); err != nil {
						return err
					}
					added = true
				}
			}
		}
		for _, id := range parties {
			if err := g.party(id); err != nil {
				return err
			}
		}
		if added {
			return nil // another round
		}
		if parties = parties[:0]; err != nil || refusal != nil {
			// A party that was not here yet is here in the next round.
			return nil
		}
	}
	return nil
}
