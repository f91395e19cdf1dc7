package intake

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// retryAfter is told with every UNAVAILABLE.
const retryAfter = time.Second

// The largest submission: what fits into a message of the bus, and events for little more than one block.
const (
	maxSubmissionBytes  = bus.MaxMessage - 4<<10
	maxSubmissionEvents = 1_024
)

// coalescer gathers posts into submissions.
//
// # Why one sender
//
// While a submission waits for its answer, further posts gather; then one goroutine takes what has gathered, one post of each party in
// turn until the submission is full, so that no party waits behind all the posts of another. The same goroutine signs, stores
// the private values and sends: so the posts of one party, and the batches of one stream, reach the sequencer in the order in which they
// came, although several submissions are in flight at once. The posts of one party in a submission stand in one envelope, which is
// signed once. A post is never cut: it is one group of the envelope, and has its own answer.
//
// # When to send
//
// The sequencer has one block on its way to the disk at a time, so a second submission gains nothing but the time that the answer to
// the first takes to come and to call forth new posts. It is worth its signature and its block only if it is large: a small one waits
// for the answer, and grows.
type coalescer struct {
	cfg   Config
	ended chan struct{} // closed when the sender has ended

	// Guarded by mu:
	mu      sync.Mutex
	changed sync.Cond // of what the sender waits for
	turns   []*turn   // parties with posts, the one whose turn it is first
	parties map[string]*turn
	// queued and events are the bytes and events of the waiting posts.
	queued, events int
	inFlight       int
	closed         bool
	space          chan struct{} // closed and made anew when posts leave the queue
}

// turn holds the waiting posts of one party.
type turn struct {
	party string
	posts []*post
}

func newCoalescer(cfg Config) *coalescer {
	c := &coalescer{cfg: cfg, ended: make(chan struct{}), space: make(chan struct{}), parties: map[string]*turn{}}
	c.changed.L = &c.mu
	go c.send()
	return c
}

// post puts a post into the queue. If the queue is full, it waits for room or refuses.
func (c *coalescer) post(ctx context.Context, p *post, wait bool) *fault.Error {
	for {
		c.mu.Lock()
		switch {
		case c.closed:
			c.mu.Unlock()
			return fault.New(fault.NoSequencer, "", "this node is stopping; the same may be sent again, here or to another").Retry(retryAfter)
		case c.queued+p.size <= c.cfg.MaxQueued || c.queued == 0:
			c.add(p)
			c.mu.Unlock()
			c.changed.Signal()
			return nil
		case !wait:
			queued := c.queued
			c.mu.Unlock()
			return fault.New(fault.RateLimited, "", "found %d bytes of events that wait for the log, and room for %d; the same may be sent again", queued, c.cfg.MaxQueued).Retry(retryAfter)
		}
		space := c.space
		c.mu.Unlock()
		select {
		case <-space:
		case <-ctx.Done():
			return gaveUp()
		}
	}
}

// add is called with mu held.
func (c *coalescer) add(p *post) {
	t, ok := c.parties[p.party]
	if !ok {
		t = &turn{party: p.party}
		c.parties[p.party] = t
		c.turns = append(c.turns, t)
	}
	t.posts = append(t.posts, p)
	c.queued += p.size
	c.events += len(p.statements)
}

// worth tells whether what waits may be sent. Called with mu held.
func (c *coalescer) worth() bool {
	switch {
	case len(c.turns) == 0:
		return false
	case c.inFlight == 0:
		return true
	}
	return c.inFlight < c.cfg.InFlight && (c.events >= maxSubmissionEvents/2 || c.queued >= maxSubmissionBytes/2)
}

// take waits for what is worth sending and takes the posts of the next submission: one of each party in turn, until one does not fit. What does
// not fit is first next time. No posts: the queue is closed and empty, and every answer has come.
func (c *coalescer) take() (posts []*post) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for {
		for !c.worth() {
			if c.closed && len(c.turns) == 0 && c.inFlight == 0 {
				return nil
			}
			c.changed.Wait()
		}
		c.gather()
		if posts = c.takeFitting(); len(posts) > 0 {
			c.inFlight++
			return posts
		}
	}
}

// gather lets those run who are about to post: an answer wakes all posters of a submission at once, and the first to come back would
// else be sent alone, at the price of a signature and a block, while the others wait for it. Called with mu held.
func (c *coalescer) gather() {
	for before := 0; before < c.queued && c.queued < maxSubmissionBytes; {
		before = c.queued
		c.mu.Unlock()
		runtime.Gosched()
		c.mu.Lock()
	}
}

// takeFitting is called with mu held.
func (c *coalescer) takeFitting() (posts []*post) {
	size, events := 0, 0
	for len(c.turns) > 0 {
		t := c.turns[0]
		p := t.posts[0]
		if fits := size+p.size <= maxSubmissionBytes && events+len(p.statements) <= maxSubmissionEvents; !fits && len(posts) > 0 {
			break
		}
		t.posts[0], c.turns[0] = nil, nil
		t.posts, c.turns = t.posts[1:], c.turns[1:]
		if len(t.posts) > 0 {
			c.turns = append(c.turns, t)
		} else {
			delete(c.parties, t.party)
		}
		c.queued -= p.size
		c.events -= len(p.statements)
		select {
		case <-p.gone: // nobody waits for it, and it was never sent
			continue
		default:
		}
		posts = append(posts, p)
		size += p.size
		events += len(p.statements)
	}
	close(c.space)
	c.space = make(chan struct{})
	return posts
}

// send is the sender: it ends once the queue is closed and empty and every answer has come.
func (c *coalescer) send() {
	defer close(c.ended)
	for posts := c.take(); posts != nil; posts = c.take() {
		c.submit(posts)
	}
}

// answered frees the place of a submission, once its posts have their answers.
func (c *coalescer) answered() {
	c.mu.Lock()
	c.inFlight--
	c.mu.Unlock()
	c.changed.Signal()
}

// close takes no more posts and waits until those taken are answered.
func (c *coalescer) close() {
	c.mu.Lock()
	c.closed = true
	c.mu.Unlock()
	c.changed.Signal()
	<-c.ended
}

// submit sends posts as one submission.
func (c *coalescer) submit(posts []*post) {
	groups, submission, openings, err := c.assemble(posts)
	if err == nil && len(openings) > 0 {
		if err = c.cfg.Openings.PutOpenings(openings...); err != nil {
			err = fmt.Errorf("store private values: %w", err)
		}
	}
	if err != nil {
		refuse(posts, fault.New(fault.InternalError, "", "%v", err)) // whatever it is, it is not the posters'
		c.answered()
		return
	}
	c.cfg.Sequencer.Send(submission, func(a *bus.Answer, err error) {
		distribute(groups, a, err)
		c.answered()
	})
}

// assemble makes a submission of posts, and lists the posts in the order of its groups. The posts of one party share an envelope
// of the intake, up to the number that an envelope holds; one that the party signed itself stays as it is.
func (c *coalescer) assemble(posts []*post) (groups []*post, s *bus.Submission, openings []eventlog.EventOpenings, err error) {
	var shared [][]*post // of one party each
	last := make(map[string]int, 8)
	for _, p := range posts {
		openings = append(openings, p.openings...)
		i, ok := last[p.party]
		if ok && p.signed == nil && shared[i][0].signed == nil && countStatements(shared[i])+len(p.statements) <= envelope.MaxStatements {
			shared[i] = append(shared[i], p)
			continue
		}
		last[p.party] = len(shared)
		shared = append(shared, []*post{p})
	}
	groups = make([]*post, 0, len(posts))
	s = &bus.Submission{Envelopes: make([]bus.SubmittedEnvelope, 0, len(shared))}
	for _, list := range shared {
		groups = append(groups, list...)
		if p := list[0]; p.signed != nil {
			s.Envelopes = append(s.Envelopes, bus.SubmittedEnvelope{Envelope: p.signed, Statements: p.statements, Groups: []int{len(p.statements)}, Outcomes: p.outcomes})
			continue
		}
		e, err := c.attest(list)
		if err != nil {
			return nil, nil, nil, fmt.Errorf("sign the events of %s: %w", list[0].party, err)
		}
		s.Envelopes = append(s.Envelopes, e)
	}
	return groups, s, openings, nil
}

// attest puts posts of one party into one envelope that the intake signs.
func (c *coalescer) attest(list []*post) (e bus.SubmittedEnvelope, err error) {
	n := countStatements(list)
	e.Statements, e.Groups = make([][]byte, 0, n), make([]int, 0, len(list))
	payload := envelope.Payload{
		Version: envelope.PayloadVersion, LogName: c.cfg.LogName, Party: list[0].party, Statements: make([][32]byte, 0, n),
	}
	for _, p := range list {
		for _, o := range p.outcomes {
			e.Outcomes = append(e.Outcomes, bus.SubmittedOutcome{Index: uint32(len(e.Statements)) + o.Index, Outcome: o.Outcome})
		}
		e.Statements = append(e.Statements, p.statements...)
		e.Groups = append(e.Groups, len(p.statements))
		payload.Statements = append(payload.Statements, p.hashes...)
	}
	e.Envelope, err = envelope.Wrap(payload, c.cfg.Signer)
	return e, err
}

func countStatements(list []*post) int {
	n := 0
	for _, p := range list {
		n += len(p.statements)
	}
	return n
}

// refuse answers all posts with one fault.
func refuse(posts []*post, f *fault.Error) {
	for _, p := range posts {
		p.done <- outcome{refused: whole(f)}
	}
}

// distribute gives each post its part of the answer.
func distribute(groups []*post, a *bus.Answer, err error) {
	var f *fault.Error
	switch {
	case err != nil && errors.As(err, &f):
	case err != nil:
		f = unanswered(err)
	case a.Refusal != nil:
		f = a.Refusal.Fault()
	case len(a.Results) != len(groups):
		f = unanswered(fmt.Errorf("%d batches were sent and %d answered", len(groups), len(a.Results)))
	}
	if f != nil {
		refuse(groups, f)
		return
	}
	for i, p := range groups {
		r := &a.Results[i]
		switch {
		case r.Refusal != nil:
			p.done <- outcome{refused: &refusal{fromSequencer(r.Refusal), placeOf(r.Refusal, p)}}
		case len(r.Events) != len(p.statements):
			p.done <- outcome{refused: whole(unanswered(fmt.Errorf("%d events were sent and %d answered", len(p.statements), len(r.Events))))}
		default:
			p.done <- outcome{events: r.Events}
		}
	}
}

// placeOf gives the event that a refusal speaks of.
func placeOf(r *bus.Refusal, p *post) int {
	if r.Event < 0 || r.Event >= len(p.statements) {
		return bus.WholeGroup
	}
	return r.Event
}

// unanswered is told when nobody knows whether the events are in the log.
func unanswered(err error) *fault.Error {
	return fault.New(fault.NoSequencer, "", "the sequencer did not answer (%v), and the events may be in the log; sending them again with the same request ids is safe", err).
		Retry(retryAfter)
}
