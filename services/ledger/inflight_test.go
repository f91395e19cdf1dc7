package ledger

import (
	"context"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// gatedJournal holds each publish until it is let through.
type gatedJournal struct {
	*memoryJournal
	entered chan struct{}
	through chan struct{}
}

func (j *gatedJournal) Publish(ctx context.Context, expected uint64, data []byte) (uint64, error) {
	j.entered <- struct{}{}
	<-j.through
	return j.memoryJournal.Publish(ctx, expected, data)
}

// gate puts a gate before the world's journal.
func (w *world) gate() *gatedJournal {
	w.t.Helper()
	w.close()
	j := &gatedJournal{w.journal, make(chan struct{}), make(chan struct{})}
	w.log = openLog(w.t, w.fs)
	w.cfg = testConfig(w.log, j, w.keys)
	w.ledger = start(w.t, w.cfg)
	return j
}

// send submits without waiting for the answer.
func (w *world) send(s *bus.Submission) <-chan []bus.GroupResult {
	answer := make(chan []bus.GroupResult, 1)
	go func() { answer <- submit(w.t, w.ledger, s) }()
	return answer
}

func notYet(t *testing.T, answer <-chan []bus.GroupResult) {
	t.Helper()
	select {
	case a := <-answer:
		t.Fatalf("answered before the journal has acknowledged: %+v", a)
	case <-time.After(30 * time.Millisecond):
	}
}

func TestNobodyIsAnsweredBeforeTheJournalIs(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	j := w.gate()
	before := w.log.Head().Next
	first := p.alone(p.mined("harrow-gully.a", 1))
	a := w.send(first)
	<-j.entered
	// Behind the block on its way: the same again, an event on the lot that it opens, the same id with other content, and a refusal.
	again := w.send(first)
	onTop := p.described("harrow-gully.a")
	b := w.send(p.alone(onTop))
	other := p.mined("harrow-gully.b", 1)
	other.RequestID = onTop.RequestID
	refuse(t, w.ledger, p.alone(p.mined("harrow-gully.a", 1)), fault.LotExists)
	notYet(t, a)
	notYet(t, again)
	notYet(t, b)
	refuse(t, w.ledger, p.alone(other), fault.RequestIDReused)
	if next := w.log.Head().Next; next != before {
		t.Errorf("the store is at %d before the journal has acknowledged", next)
	}
	if lot, err := w.log.Lot("harrow-gully.a"); lot != nil || err != nil {
		t.Errorf("found %v, %v", lot, err)
	}
	j.through <- struct{}{}
	if r := (<-a)[0]; r.Refusal != nil || r.Events[0].Position != before || r.Events[0].Duplicate {
		t.Errorf("found %+v", r)
	}
	if r := (<-again)[0]; r.Refusal != nil || r.Events[0].Position != before || !r.Events[0].Duplicate {
		t.Errorf("found %+v", r)
	}
	<-j.entered
	notYet(t, b)
	j.through <- struct{}{}
	if r := (<-b)[0]; r.Refusal != nil || r.Events[0].Position != before+1 {
		t.Errorf("found %+v", r)
	}
	check(t, w.log, w.journal)
}

func TestABlockThatFailsTakesWhatStandsOnItAlong(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	j := w.gate()
	j.plan = map[int]mishap{j.publishes + 1: refusedOutright}
	first, second := p.alone(p.mined("harrow-gully.a", 1)), p.alone(p.described("harrow-gully.a"))
	a := w.send(first)
	<-j.entered
	again, b := w.send(first), w.send(second)
	notYet(t, again)
	j.through <- struct{}{}
	for name, answer := range map[string]<-chan []bus.GroupResult{"the block's": a, "its repeat's": again, "the next block's": b} {
		if r := (<-answer)[0]; r.Refusal == nil || r.Refusal.Reason != string(fault.NoSequencer) || r.Refusal.RetryAfterMillis == 0 {
			t.Errorf("%s answer: found %+v", name, r)
		}
	}
	if n := len(j.messages); n != 2 {
		t.Errorf("%d blocks are in the journal", n)
	}
	// Sent again, all is well.
	a = w.send(first)
	<-j.entered
	j.through <- struct{}{}
	if r := (<-a)[0]; r.Refusal != nil || r.Events[0].Duplicate {
		t.Errorf("found %+v", r)
	}
	go func() {
		<-j.entered
		j.through <- struct{}{}
	}()
	accept(t, w.ledger, second)
	check(t, w.log, w.journal)
}

// A lost acknowledgement is looked up and not passed on: callers notice nothing but the time it takes.
func TestWhatTheJournalDoesNotSayIsLookedUp(t *testing.T) {
	for name, m := range map[string]mishap{"written": ambiguousWritten, "lost": lost, "late": ambiguousLate} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.journal.plan = map[int]mishap{w.journal.publishes + 1: m}
			at := accept(t, w.ledger, w.poster.alone(w.poster.mined("harrow-gully.a", 1)))
			if len(w.journal.messages) != 3 || at[0] != 2 {
				t.Errorf("found %d blocks, position %v", len(w.journal.messages), at)
			}
			check(t, w.log, w.journal)
		})
	}
}
