package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// drawn is a post of a property test.
type drawn struct {
	party  string
	events int
	large  bool // statements of some 5 KB
	signed bool // by the party itself
}

// Whatever comes, in whatever order answers arrive: a post is one group of one envelope of its party, whole; the posts of a party keep
// their order; no submission is larger than the bus takes; and each poster gets the answer to its own post.
func TestCoalescing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := newFakeLog()
		for _, name := range []string{"tarn-export", "wick-smoke"} {
			l.parties[name] = l.parties["harrow-gully"]
		}
		cfg := configOf(l)
		cfg.InFlight = rapid.IntRange(1, 3).Draw(t, "in flight")
		l.late = func(s *bus.Submission) {
			time.Sleep(time.Duration(len(s.Envelopes)%3) * 100 * time.Microsecond) // answers overtake each other
		}
		s, err := New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		posts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) drawn {
			return drawn{
				party:  rapid.SampledFrom([]string{"harrow-gully", "moor-shop", "tarn-export", "wick-smoke"}).Draw(t, "party"),
				events: rapid.SampledFrom([]int{1, 1, 2, 5, 60, 300, 1_000}).Draw(t, "events"),
				large:  rapid.IntRange(0, 5).Draw(t, "large") == 0,
				signed: rapid.IntRange(0, 5).Draw(t, "signed") == 0,
			}
		}), 1, 25).Draw(t, "posts")
		var made []*post
		refused := map[*post]bool{}
		next := 0
		for _, d := range posts {
			if d.large {
				d.events = min(d.events, 60)
			}
			p := newPost(context.Background(), d.party, d.events)
			for range d.events {
				next++
				ev := smallEvent(next)
				ev.Party = d.party
				if d.large {
					ev.Tested = &opal.Tested{Method: opal.Raman, Sample: opal.Sample{Kind: opal.Whole}}
					ev.Described = nil
					for i := range 60 {
						ev.Tested.Sample.Lots = append(ev.Tested.Sample.Lots, fmt.Sprintf("harrow-gully.%048d-%d", next, i)[:61])
					}
				}
				sealed, err := envelope.Seal(ev, nil)
				if err != nil {
					t.Fatal(err)
				}
				p.add(ev, sealed.Bytes, sealed.Hash, nil)
			}
			if d.signed {
				payload := envelope.Payload{Version: 1, LogName: logName, Party: d.party, Statements: p.hashes}
				if p.signed, err = envelope.Wrap(payload, envelope.NewSigner(seeded(1))); err != nil {
					t.Fatal(err)
				}
				p.size += len(p.signed)
			}
			if next%7 == 0 { // the last event of some posts is refused
				refused[p] = true
			}
			made = append(made, p)
		}
		last := map[string]bool{}
		for p := range refused {
			last[p.events[len(p.events)-1].ID()] = true
		}
		l.judge = func(ev *opal.Event) *fault.Error {
			if last[ev.ID()] {
				return fault.New(fault.OutOfOrder, "occurredAt", "%s", ev.ID())
			}
			return nil
		}
		for _, p := range made {
			if f := s.queue.post(context.Background(), p, true); f != nil {
				t.Fatal(f)
			}
		}
		for _, p := range made {
			out := <-p.done
			if refused[p] {
				if out.refused == nil || out.refused.event != len(p.events)-1 || out.refused.Message != p.events[len(p.events)-1].ID() {
					t.Fatalf("a post got the answer of another: %+v", out.refused)
				}
				continue
			}
			if out.refused != nil || len(out.events) != len(p.events) {
				t.Fatalf("got %v and %d events for %d", out.refused, len(out.events), len(p.events))
			}
			for i, e := range out.events {
				if l.inLog()[e.Position] != p.events[i].ID() {
					t.Fatalf("position %d is answered for %s, and is %s", e.Position, p.events[i].ID(), l.inLog()[e.Position])
				}
			}
		}
		s.Close()
		if len(l.problems) > 0 {
			t.Fatal(l.problems)
		}
		checkSubmissions(t, l.came(), made)
	})
}

// checkSubmissions looks at what was sent: every post in it once, whole, in the party's order, within the limits.
func checkSubmissions(t *rapid.T, submissions []*bus.Submission, made []*post) {
	t.Helper()
	codec := bus.NewCodec()
	waiting := map[string][]*post{}
	for _, p := range made {
		waiting[p.party] = append(waiting[p.party], p)
	}
	for _, s := range submissions {
		if _, err := codec.EncodeSubmission(s); err != nil {
			t.Fatal(err)
		}
		events := 0
		for _, sent := range s.Envelopes {
			e, err := envelope.Decode(sent.Envelope)
			if err != nil {
				t.Fatal(err)
			}
			rest := sent.Statements
			for _, n := range sent.Groups {
				party := e.Payload.Party
				if len(waiting[party]) == 0 {
					t.Fatalf("%s sent more than it posted", party)
				}
				p := waiting[party][0]
				waiting[party] = waiting[party][1:]
				if !slices.EqualFunc(p.statements, rest[:n], func(a, b []byte) bool { return string(a) == string(b) }) {
					t.Fatalf("a group of %d is not the post of %d that came next", n, len(p.statements))
				}
				if p.signed != nil && string(p.signed) != string(sent.Envelope) {
					t.Fatal("a signed envelope was changed")
				}
				rest = rest[n:]
				events += n
			}
		}
		if events > max(maxSubmissionEvents, MaxBatchEvents) {
			t.Fatalf("a submission of %d events", events)
		}
	}
	for party, left := range waiting {
		if len(left) > 0 {
			t.Fatalf("%d posts of %s were not sent", len(left), party)
		}
	}
}

// While a submission is in flight the posts of all parties gather, and those of one party share an envelope.
func TestGathering(t *testing.T) {
	s, l := newService(t, func(c *Config) { c.InFlight = 1 })
	open, held := make(chan struct{}), make(chan struct{}, 10)
	l.hold = func(*bus.Submission) {
		held <- struct{}{}
		<-open
	}
	var wg sync.WaitGroup
	submit := func(party string, ids ...int) {
		wg.Add(1)
		var events []*opal.Event
		for _, id := range ids {
			events = append(events, smallEvent(id))
		}
		go func() {
			defer wg.Done()
			if _, f := s.Submit(context.Background(), party, events); f != nil {
				t.Error(f)
			}
		}()
	}
	submit("harrow-gully", 1)
	<-held
	for i := range 20 {
		submit("harrow-gully", 100+i)
		submit("moor-shop", 200+2*i, 201+2*i)
	}
	waitFor(t, func() bool {
		s.queue.mu.Lock()
		defer s.queue.mu.Unlock()
		return len(s.queue.turns) == 2 && len(s.queue.turns[0].posts)+len(s.queue.turns[1].posts) == 40
	})
	close(open)
	wg.Wait()
	if len(l.came()) != 2 || len(l.came()[1].Envelopes) != 2 {
		t.Fatalf("%d submissions", len(l.came()))
	}
	for _, e := range l.came()[1].Envelopes {
		if len(e.Groups) != 20 {
			t.Errorf("%d groups in one envelope", len(e.Groups))
		}
	}
}

// A party that posts much does not keep one that posts little waiting.
func TestFairness(t *testing.T) {
	s, l := newService(t, func(c *Config) { c.InFlight = 1 })
	open, held := make(chan struct{}), make(chan struct{}, 100)
	l.hold = func(*bus.Submission) {
		held <- struct{}{}
		<-open
	}
	var made []*post
	add := func(party string, n, first int) {
		p := newPost(context.Background(), party, n)
		for i := range n {
			sealed, err := envelope.Seal(smallEvent(first+i), nil)
			if err != nil {
				t.Fatal(err)
			}
			p.add(smallEvent(first+i), sealed.Bytes, sealed.Hash, nil)
		}
		made = append(made, p)
		if f := s.queue.post(context.Background(), p, false); f != nil {
			t.Fatal(f)
		}
	}
	add("harrow-gully", 1, 1)
	<-held
	for i := range 10 {
		add("harrow-gully", 600, 10_000+1_000*i)
	}
	add("moor-shop", 1, 2)
	close(open)
	for _, p := range made {
		<-p.done
	}
	second := l.came()[1]
	if len(second.Envelopes) != 2 || len(second.Envelopes[0].Statements) != 600 || len(second.Envelopes[1].Statements) != 1 {
		t.Errorf("the second submission has %d envelopes", len(second.Envelopes))
	}
	if len(l.came()) != 11 {
		t.Errorf("%d submissions for one and ten posts", len(l.came()))
	}
}

// A queue that is full refuses whoever can come again, and keeps waiting whoever can wait.
func TestFullQueue(t *testing.T) {
	s, l := newService(t, func(c *Config) { c.InFlight, c.MaxQueued = 1, MaxBatchBytes })
	open, held := make(chan struct{}), make(chan struct{}, 100)
	l.hold = func(*bus.Submission) {
		held <- struct{}{}
		<-open
	}
	sized := func(id int, size int) *post {
		p := newPost(context.Background(), "harrow-gully", 1)
		sealed, err := envelope.Seal(smallEvent(id), nil)
		if err != nil {
			t.Fatal(err)
		}
		p.add(smallEvent(id), sealed.Bytes, sealed.Hash, nil)
		p.size = size
		return p
	}
	try := func(p *post) *fault.Error { return s.queue.post(context.Background(), p, false) }
	all := []*post{sized(1, 1_000), sized(2, MaxBatchBytes-500)}
	if f := try(all[0]); f != nil {
		t.Fatal(f)
	}
	<-held
	if f := try(all[1]); f != nil {
		t.Fatal(f)
	}
	f := try(sized(3, 1_000))
	if f == nil || f.Reason != fault.RateLimited || f.RetryAfter <= 0 || f.Message != "found 392716 bytes of events that wait for the log, and room for 393216; the same may be sent again" {
		t.Errorf("got %v", f)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if f := s.queue.post(ctx, sized(4, 1_000), true); f == nil || f.Reason != fault.NoSequencer {
		t.Errorf("who waits and goes: %v", f)
	}
	waited := make(chan *fault.Error, 1)
	last := sized(5, 1_000)
	go func() { waited <- s.queue.post(context.Background(), last, true) }()
	close(open)
	if f := <-waited; f != nil {
		t.Error(f)
	}
	for _, p := range append(all, last) {
		if out := <-p.done; out.refused != nil {
			t.Error(out.refused)
		}
	}
}

// Closing answers what was taken, refuses what comes, and ends everything that was started (goleak looks).
func TestClose(t *testing.T) {
	l := newFakeLog()
	s, err := New(configOf(l))
	if err != nil {
		t.Fatal(err)
	}
	l.hold = func(*bus.Submission) { time.Sleep(20 * time.Millisecond) }
	answers := make(chan *fault.Error, 100)
	for i := range cap(answers) {
		go func() {
			_, f := s.Submit(context.Background(), "harrow-gully", []*opal.Event{smallEvent(i + 1)})
			answers <- f
		}()
	}
	time.Sleep(5 * time.Millisecond)
	s.Close()
	taken := 0
	for range cap(answers) {
		switch f := <-answers; {
		case f == nil:
			taken++
		case f.Reason != fault.NoSequencer:
			t.Error(f)
		}
	}
	if taken != len(l.inLog()) {
		t.Errorf("%d were told that they are in the log, and %d are", taken, len(l.inLog()))
	}
}

// An answer that does not fit what was sent tells nobody that its events are in the log.
func TestAnswersThatDoNotFit(t *testing.T) {
	for name, answer := range map[string]*bus.Answer{
		"no results":       {},
		"too many results": {Results: []bus.GroupResult{{Events: []bus.EventResult{{}}}, {Events: []bus.EventResult{{}}}}},
		"no events":        {Results: []bus.GroupResult{{}}},
		"too many events":  {Results: []bus.GroupResult{{Events: []bus.EventResult{{}, {}}}}},
	} {
		t.Run(name, func(t *testing.T) {
			s, _ := newService(t, func(c *Config) { c.Sequencer = answers{answer} })
			_, f := s.Submit(context.Background(), "harrow-gully", []*opal.Event{smallEvent(1)})
			if f == nil || f.Reason != fault.NoSequencer || f.RetryAfter <= 0 {
				t.Errorf("got %v", f)
			}
		})
	}
	s, _ := newService(t, func(c *Config) {
		c.Sequencer = answers{&bus.Answer{Refusal: bus.Refuse(fault.New(fault.LogReadOnly, "", "the log is read only"), bus.WholeGroup)}}
	})
	if _, f := s.Submit(context.Background(), "harrow-gully", []*opal.Event{smallEvent(1)}); f == nil || f.Reason != fault.LogReadOnly || f.Field != "" {
		t.Errorf("got %v", f)
	}
	if !errors.Is(unanswered(errors.New("x")), &fault.Error{Reason: fault.NoSequencer}) {
		t.Error("no NO_SEQUENCER")
	}
}

// answers is a Sequencer that always says the same, before Send returns.
type answers struct{ a *bus.Answer }

func (a answers) Send(_ *bus.Submission, answered func(*bus.Answer, error)) { answered(a.a, nil) }
