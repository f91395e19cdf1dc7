package ledger

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// verdict is what became of a group.
type verdict uint8

const (
	accepted verdict = iota // its events are on the draft
	repeated                // all its events were posted before; it has its results
	refused                 // it has its answer
	noRoom                  // nothing happened: the block is full
)

// judge decides a group on the draft. An accepted or repeated group has its results, which wait for a block.
//
// The order of checks is the one that callers can rely on: what was posted before is answered before anything else is looked at; then who
// signed; then each event in turn, against all before it.
func (s *sequencer) judge(g *group) verdict {
	fresh, f, event, err := s.idempotency(g)
	if err == nil && f == nil && len(fresh) == 0 {
		return repeated
	}
	if err == nil && f == nil {
		f, err = s.level()
	}
	if err == nil && f == nil {
		f, err = s.signers(g.env)
	}
	var full bool
	if err == nil && f == nil {
		full, f, event, err = s.events(g, fresh)
	}
	switch {
	case err != nil:
		s.ledger.cfg.Logger.Error("judging failed", "event", g.events[0].ID(), "error", err)
		f := s.ledger.log.ReadOnly() // if the store could not be read, it has said so there
		if f == nil {
			f = fault.New(fault.InternalError, "", "the event could not be judged")
		}
		g.refuse(f, bus.WholeGroup)
		return refused
	case f != nil:
		g.refuse(f, event)
		return refused
	case full:
		return noRoom
	}
	return accepted
}

// idempotency answers the events that were posted before and gives the indices of the others. It looks at the whole group before
// anything is judged: an id that is used again for other content refuses the group, whatever its other events are.
func (s *sequencer) idempotency(g *group) (fresh []int, f *fault.Error, event int, err error) {
	clear(g.results)
	g.twins = g.twins[:0]
	fresh = s.fresh[:0]
	for i, e := range g.events {
		ev := &e.Recorded.Event
		known, err := s.draft.Posted(ev.Party, ev.RequestID)
		if err != nil {
			return nil, nil, bus.WholeGroup, err
		}
		if known == nil {
			fresh = append(fresh, i)
			continue
		}
		if known.RequestHash != e.RequestHash {
			return nil, fault.New(fault.RequestIDReused, "requestId",
				"found %s, which the event at position %d has with other content; accepted is an id that was not used, or the same content again", ev.RequestID, known.Position), i, nil
		}
		first, err := s.draft.Recorded(e.ID())
		if err != nil {
			return nil, nil, bus.WholeGroup, err
		}
		if first == nil {
			return nil, nil, bus.WholeGroup, fmt.Errorf("event %s is known by its id and cannot be found", e.ID())
		}
		g.results[i] = bus.EventResult{Position: known.Position, Duplicate: true, Findings: first.Findings}
	}
	s.fresh = fresh
	if len(fresh) < 2 {
		return fresh, nil, bus.WholeGroup, nil
	}
	return s.withoutTwins(g, fresh)
}

// withoutTwins finds ids that stand twice within the group: the second of two equal events is a repeat of the first.
func (s *sequencer) withoutTwins(g *group, fresh []int) ([]int, *fault.Error, int, error) {
	clear(s.seen)
	once := fresh[:0]
	for _, i := range fresh {
		e := g.events[i]
		id := e.Recorded.Event.RequestID
		first, twice := s.seen[id]
		switch {
		case !twice:
			s.seen[id] = i
			once = append(once, i)
		case g.events[first].RequestHash != e.RequestHash:
			return nil, fault.New(fault.RequestIDReused, "requestId",
				"found %s, which event %d of the batch has with other content; accepted is an id that was not used, or the same content again", id, first), i, nil
		default:
			g.twins = append(g.twins, twin{first, i})
		}
	}
	return once, nil, bus.WholeGroup, nil
}

// level refuses to write a log whose policy says that newer versions write it: what this one writes they might take for something else.
func (s *sequencer) level() (*fault.Error, error) {
	log, err := s.draft.Log()
	if err != nil {
		return nil, err
	}
	if known := s.ledger.cfg.Level; log.Policy.Level > known {
		return fault.New(fault.LogTooNew, "", "found a log that is written at level %d, and this version writes up to level %d; a newer version of lotpaper is needed", log.Policy.Level, known), nil
	}
	return nil, nil
}

// signers checks who signed the envelope; once per envelope, unless the directory has changed since.
func (s *sequencer) signers(env *sentEnvelope) (*fault.Error, error) {
	if env.vouched == s.directory {
		return nil, nil
	}
	party := env.Payload.Party
	p, err := s.draft.Party(party)
	if err != nil {
		return nil, err
	}
	if p == nil {
		return fault.InBody(fault.New(fault.UnknownParty, "party", "found %q, accepted is a party that is enrolled in this log", party)), nil
	}
	f, err := eventlog.CheckSigners(s.draft, env.Envelope, s.draft.Next())
	if f == nil && err == nil {
		env.vouched = s.directory
	}
	return f, err
}

// events judges the fresh events of a group, one on top of the other, and puts them on the draft if all are accepted.
func (s *sequencer) events(g *group, fresh []int) (full bool, f *fault.Error, event int, err error) {
	d := s.draft
	if len(d.Events()) == 0 {
		if err := s.begin(); err != nil {
			return false, nil, bus.WholeGroup, err
		}
	}
	if len(d.Events())+len(fresh) > block.MaxEvents {
		return true, nil, bus.WholeGroup, nil
	}
	// One event alone is judged on the draft itself: there is nothing to take back if it is refused.
	layer := d.Layer
	if len(fresh) > 1 {
		s.batch.Reset(d.Layer, d.Next())
		layer = s.batch
	}
	number := d.EnvelopeNumber(g.env.hash)
	batch := s.list[:0]
	for _, i := range fresh {
		e := g.events[i]
		e.Envelope = number
		batch = append(batch, e)
		if f, err := s.event(layer, g.env, e); f != nil || err != nil {
			return false, f, i, err
		}
		g.results[i] = bus.EventResult{Position: e.Recorded.Position, Findings: e.Recorded.Findings}
		if len(fresh) > 1 {
			if err := layer.Apply(e); err != nil {
				return false, nil, i, err
			}
		}
	}
	s.list = batch
	size, err := d.SizeWith(g.env.bytes, g.env.hash, batch)
	if err != nil {
		return false, nil, bus.WholeGroup, err
	}
	if size > block.MaxBytes {
		if len(d.Events()) == 0 {
			return false, fault.New(fault.TooLarge, "", "found a batch that makes a block of %d bytes, accepted are at most %d", size, block.MaxBytes), bus.WholeGroup, nil
		}
		return true, nil, bus.WholeGroup, nil
	}
	if len(fresh) == 1 {
		if err := d.Apply(batch[0]); err != nil {
			return false, nil, fresh[0], err
		}
	} else {
		d.Merge(s.batch)
	}
	d.Accept(g.env.bytes, g.env.hash, size)
	for _, t := range g.twins {
		g.results[t.second] = g.results[t.first]
		g.results[t.second].Duplicate = true
	}
	for _, e := range batch {
		if kind := e.Recorded.Event.Kind(); !kind.HasLot() {
			s.directory++ // keys may have come or gone: signers are looked at anew
			break
		}
	}
	return false, nil, bus.WholeGroup, nil
}

// event decides one event on a layer, and sets its place and findings.
func (s *sequencer) event(layer *eventlog.Layer, env *sentEnvelope, e *eventlog.Event) (*fault.Error, error) {
	log, err := layer.Log()
	if err != nil {
		return nil, err
	}
	r := e.Recorded
	if p := r.Event.PolicySet; p != nil && p.Policy.Level > s.ledger.cfg.Level {
		return fault.New(fault.InvalidField, "policySet.policy.level", "found %d, this version writes up to level %d; accepted is that level at most", p.Policy.Level, s.ledger.cfg.Level), nil
	}
	if zone := log.Policy.ZoneMinutes; zone != env.zone {
		if f := opal.Check(&r.Event, zone); f != nil {
			return f, nil
		}
	}
	if err := e.Place(layer, layer.Next(), s.draft.RecordedAt); err != nil {
		return nil, err
	}
	r.Findings = nil
	findings, f, err := account.Decide(layer, r)
	if f != nil || err != nil {
		return f, err
	}
	r.Findings = findings
	return nil, nil
}
