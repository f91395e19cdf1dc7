package ledger

import (
	"context"
	"errors"
	"time"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// sequencer is the one goroutine that judges.
//
// # Two at work, one block on its way
//
// While a block is on its way to the journal, the next is being judged above it: the sequencer fills a draft, the committer seals,
// publishes, applies and answers the one before. There is never more than one block on its way. The sync of the disk is what takes
// long, and two at a time take twice as long; but all that comes in meanwhile goes into the next block, so blocks grow with the
// load.
//
// The draft stands on the layer of the block that is on its way, and that on the store. When the committer has applied a block the
// draft moves down onto the store. When a block fails, the draft was judged on what never happened: it is dropped, whoever waits for
// either is told to try again, and the store is brought up to the journal before anything else is judged.
type sequencer struct {
	ledger  *Ledger
	log     *eventlog.Log
	flights chan *flight
	landed  chan landing

	draft    *eventlog.Draft
	spare    *eventlog.Draft // of a block that is applied, to be used again
	waiting  []*group        // groups whose events are on the draft, or that wait with them
	backlog  []*group        // groups that are not judged yet
	full     bool            // the draft has no room for the first of the backlog
	inFlight *flight
	// late are groups that repeat events of the block on its way.
	late []*group
	// directory counts the changes of keys and parties, so that an envelope's signers are looked at once.
	directory uint64

	// down is why nothing can be appended now; the log is then brought up to the journal at each tick of retry.
	down  *fault.Error
	retry *time.Ticker
	// follows is set when another node took the log over: this one goes on reading.
	follows bool

	// Reused from group to group.
	batch *eventlog.Layer
	fresh []int
	list  []*eventlog.Event
	seen  map[opal.RequestID]int
}

// flight is a block on its way to the journal, with the groups that wait for it.
type flight struct {
	draft  *eventlog.Draft
	groups []*group
}

// landing is what became of a flight.
type landing struct {
	flight *flight
	err    error
}

// goodSize is the number of events from which a block is not held back for more: there, the sync of the disk is a small part of
// what its events take anyway.
const goodSize = 256

// retryEvery is how often the sequencer tries to get back to work.
const retryEvery = 200 * time.Millisecond

func newSequencer(l *Ledger) *sequencer {
	s := &sequencer{
		ledger: l, log: l.log, flights: make(chan *flight), landed: make(chan landing), directory: 1,
		batch: eventlog.NewLayer(l.log, 0), seen: map[opal.RequestID]int{},
	}
	s.newDraft(l.log, l.log.Head().Next)
	return s
}

// newDraft begins an empty block. Its time is set with its first event.
func (s *sequencer) newDraft(below eventlog.State, first uint64) {
	if s.spare != nil {
		s.draft, s.spare = s.spare, nil
		s.draft.Reset(below, first)
	} else {
		s.draft = eventlog.NewDraft(below, first, 0, 0)
	}
	s.waiting, s.full = nil, false
}

// begin gives the draft the time and policy that its events are judged with.
func (s *sequencer) begin() error {
	state, err := s.draft.Log()
	if err != nil {
		return err
	}
	last := s.log.Head().RecordedAt
	if s.inFlight != nil {
		last = s.inFlight.draft.RecordedAt
	}
	s.draft.RecordedAt = max(last, opal.InstantOf(s.ledger.cfg.Clock()))
	s.draft.PolicyVersion = state.Policy.Version
	return nil
}

// run judges until the context ends and the queue is closed.
func (s *sequencer) run(ctx context.Context) {
	s.retry = time.NewTicker(retryEvery)
	defer s.retry.Stop()
	committing := make(chan struct{})
	go func() {
		defer close(committing)
		s.ledger.commitAll(ctx, s.flights, s.landed)
	}()
	for s.step(ctx) {
	}
	s.shutDown()
	close(s.flights)
	<-committing
}

// step judges what is there and then waits for whatever happens next; false: the queue is closed.
func (s *sequencer) step(ctx context.Context) bool {
	s.judgeBacklog()
	jobs := s.ledger.jobs
	if s.full {
		jobs = nil
	}
	var flights chan *flight
	var next *flight
	if s.inFlight == nil && len(s.draft.Events()) > 0 {
		flights, next = s.flights, &flight{s.draft, s.waiting}
		// What has arrived already goes into the same block, unless that has a good size: then it is better off on its way while
		// the rest is judged for the next. Callers that wait for one block all come back at once; two blocks, of which one is
		// judged while the other is written, keep both at work.
		if len(s.draft.Events()) < goodSize {
			select {
			case j, ok := <-jobs:
				return s.take(j, ok)
			default:
			}
		}
	}
	select {
	case j, ok := <-jobs:
		return s.take(j, ok)
	case flights <- next:
		s.inFlight = next
		s.newDraft(next.draft.Layer, next.draft.Next())
	case l := <-s.landed:
		s.land(ctx, l)
	case <-s.retry.C:
		s.tick(ctx)
	case <-ctx.Done():
		return false
	}
	return true
}

// take puts a submission's groups in line.
func (s *sequencer) take(j *job, ok bool) bool {
	if !ok {
		return false
	}
	s.ledger.queued.Add(-int64(j.size))
	s.backlog = append(s.backlog, j.groups...)
	return true
}

// judgeBacklog judges until the draft is full or nothing waits.
func (s *sequencer) judgeBacklog() {
	s.full = false
	done := 0
	for ; done < len(s.backlog); done++ {
		g := s.backlog[done]
		if f := s.closed(); f != nil {
			g.refuse(f, -1)
			continue
		}
		verdict := s.judge(g)
		if verdict == noRoom {
			s.full = true
			break
		}
		s.file(g, verdict)
	}
	n := copy(s.backlog, s.backlog[done:])
	clear(s.backlog[n:])
	s.backlog = s.backlog[:n]
}

func (s *sequencer) closed() *fault.Error {
	if s.down != nil {
		return s.down
	}
	return s.log.ReadOnly()
}

// file puts a judged group where it waits: with the draft if that has any of its events, with the block on its way if that has, and
// nowhere if all that it repeats is applied.
func (s *sequencer) file(g *group, v verdict) {
	switch v {
	case accepted:
		s.waiting = append(s.waiting, g)
	case repeated:
		last := uint64(0)
		for i := range g.results {
			last = max(last, g.results[i].Position)
		}
		switch {
		case last >= s.draft.First():
			s.waiting = append(s.waiting, g)
		case s.inFlight != nil && last >= s.inFlight.draft.First():
			s.late = append(s.late, g)
		default:
			g.confirm()
		}
	}
}

// land takes note of what became of the block on its way.
func (s *sequencer) land(ctx context.Context, l landing) {
	late := s.late
	s.late, s.inFlight = nil, nil
	if l.err == nil {
		for _, g := range late {
			g.confirm()
		}
		s.draft.StandOn(s.log)
		s.spare = l.flight.draft
		return
	}
	f := s.ledger.refusalOf(l.err)
	s.down = f
	for _, g := range append(late, s.waiting...) {
		g.refuse(f, -1)
	}
	s.newDraft(s.log, s.log.Head().Next)
	s.directory++
	s.tick(ctx)
}

// tick tries to get back to work after a block has failed: the journal says what is in the log, and the store is brought up to it.
func (s *sequencer) tick(ctx context.Context) {
	if s.down == nil || s.inFlight != nil || s.log.ReadOnly() != nil {
		return
	}
	within, cancel := context.WithTimeout(ctx, s.ledger.cfg.PublishWithin)
	defer cancel()
	before := s.log.Head()
	done, err := s.log.CatchUp(within, s.ledger.cfg.Journal)
	if err != nil {
		if _, ok := errors.AsType[*eventlog.Mismatch](err); !ok {
			s.ledger.cfg.Logger.WarnContext(ctx, "journal not reached", "error", err)
		}
		return
	}
	if done.Blocks > 0 {
		s.ledger.notify()
		s.follows = s.follows || s.ledger.othersSince(before.Next)
	}
	s.newDraft(s.log, s.log.Head().Next)
	if !s.follows {
		s.down = nil
	}
}

// shutDown refuses what waits and lets the block on its way land.
func (s *sequencer) shutDown() {
	if s.inFlight != nil {
		l := <-s.landed
		for _, g := range s.late {
			if l.err == nil {
				g.confirm()
			} else {
				g.refuse(s.ledger.refusalOf(l.err), -1)
			}
		}
	}
	for _, g := range append(s.waiting, s.backlog...) {
		g.refuse(errStopping(), -1)
	}
	for j := range s.ledger.jobs {
		for _, g := range j.groups {
			g.refuse(errStopping(), -1)
		}
	}
}
