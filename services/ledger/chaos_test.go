package ledger

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

var chaosRounds = flag.Int("chaos.rounds", 0, "rounds of the tests that crash; 0: as many as the ordinary run makes")

// acknowledgements is what posters were told.
type acknowledgements struct {
	mu        sync.Mutex
	positions map[string]uint64 // by event id
}

func (a *acknowledgements) note(t *testing.T, id string, position uint64) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if before, ok := a.positions[id]; ok && before != position {
		t.Errorf("event %s was acknowledged at %d and at %d", id, before, position)
	}
	a.positions[id] = position
}

func (a *acknowledgements) snapshot() map[string]uint64 {
	a.mu.Lock()
	defer a.mu.Unlock()
	out := make(map[string]uint64, len(a.positions))
	for k, v := range a.positions {
		out[k] = v
	}
	return out
}

// verify fails the test unless each acknowledged event is in the log once, where it was said to be.
func (a *acknowledgements) verify(t *testing.T, log *eventlog.Log, want map[string]uint64) {
	t.Helper()
	got := map[string]uint64{}
	next := uint64(0)
	err := log.Tail(0, func(b *eventlog.Applied) error {
		for _, r := range b.Events {
			if r.Position != next {
				t.Errorf("position %d follows %d", r.Position, next)
			}
			next++
			if first, twice := got[r.Event.ID()]; twice {
				t.Errorf("event %s is at %d and at %d", r.Event.ID(), first, r.Position)
			}
			got[r.Event.ID()] = r.Position
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for id, position := range want {
		if at, ok := got[id]; !ok || at != position {
			t.Errorf("event %s was acknowledged at %d; found %v at %d", id, position, ok, at)
		}
	}
}

// post sends a submission until it is answered, as a poster does that was told to try again.
func post(ctx context.Context, t *testing.T, l *Ledger, s *bus.Submission, ids []string, acks *acknowledgements) bool {
	for ctx.Err() == nil {
		a, err := l.Submit(ctx, s)
		if err != nil {
			return false
		}
		again, n := false, 0
		for _, r := range a.Results {
			switch {
			case r.Refusal == nil:
				for _, e := range r.Events {
					acks.note(t, ids[n], e.Position)
					n++
				}
			case r.Refusal.Reason == string(fault.NoSequencer):
				again = true
				n++
			default:
				t.Errorf("event %s: %v", ids[n], r.Refusal.Fault())
				return false
			}
		}
		if !again {
			return true
		}
		select {
		case <-ctx.Done():
		case <-time.After(2 * time.Millisecond):
		}
	}
	return false
}

// TestChaosJournal lets each of the first publishes go wrong in every way. Posters send again until they are acknowledged; then
// everything acknowledged is in the log once, and a second node that reads the journal from its beginning has the same log.
func TestChaosJournal(t *testing.T) {
	mishaps := map[string]mishap{
		"lost": lost, "written, no answer": ambiguousWritten, "arrives late": ambiguousLate, "refused": refusedOutright,
		"written, no answer, not readable for a while": ambiguousBlind,
	}
	for name, m := range mishaps {
		for n := 1; n <= 7; n++ {
			t.Run(fmt.Sprintf("%s/%d", name, n), func(t *testing.T) {
				t.Parallel()
				// The one that goes wrong, and, every other time, the one after it as well.
				j := &memoryJournal{plan: map[int]mishap{n + 1: m}}
				if n%2 == 0 {
					j.plan[n+2] = m
				}
				chaosJournal(t, j)
			})
		}
	}
}

func chaosJournal(t *testing.T, j *memoryJournal) {
	fs, keys := vfs.NewMem(), newKeys(t)
	log := openLog(t, fs)
	l := start(t, testConfig(log, j, keys))
	acks := &acknowledgements{positions: map[string]uint64{}}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	p := newPoster(t, keys, 1)
	enrolled := p.enrolled("harrow-gully", opal.Miner)
	if !post(ctx, t, l, p.alone(enrolled), []string{enrolled.ID()}, acks) {
		t.Fatal("the party is not enrolled")
	}
	var wg sync.WaitGroup
	for k := range 4 {
		wg.Go(func() {
			p := newPoster(t, keys, uint64(10+k))
			for i := range 6 {
				lot := fmt.Sprintf("harrow-gully.c%d-%d", k, i)
				events := []*opal.Event{p.mined(lot, 3), p.described(lot), p.described(lot)}
				s := p.alone(events...)
				if i%2 == 0 {
					s = p.together(events...)
				}
				if !post(ctx, t, l, s, []string{events[0].ID(), events[1].ID(), events[2].ID()}, acks) {
					t.Errorf("lot %s is not acknowledged", lot)
				}
			}
		})
	}
	wg.Wait()
	all := acks.snapshot()
	if len(all) != 4*6*3+1 {
		t.Errorf("%d events are acknowledged", len(all))
	}
	acks.verify(t, log, all)
	check(t, log, j)
	l.Stop()
	closeLog(t, log)
	other := openLog(t, vfs.NewMem())
	defer closeLog(t, other)
	l = start(t, testConfig(other, j, keys))
	defer l.Stop()
	acks.verify(t, other, all)
}

// TestChaosCrash cuts the power again and again, at any moment and with any part of what was not synced lost, while posters are at
// work and the journal is in bad shape too. What was acknowledged before the cut is there after it, once, with its private values.
func TestChaosCrash(t *testing.T) {
	rounds := 300
	if *chaosRounds > 0 {
		rounds = 6 * *chaosRounds
	}
	if testing.Short() {
		rounds = 30
	}
	keys := newKeys(t)
	for worker := range 2 {
		t.Run(fmt.Sprint(worker), func(t *testing.T) {
			t.Parallel()
			c := &crasher{t: t, keys: keys, journal: &memoryJournal{plan: map[int]mishap{}}, fs: vfs.NewCrashableMem(),
				acks: &acknowledgements{positions: map[string]uint64{}}, rng: rand.New(rand.NewPCG(uint64(worker), 5))}
			for round := range rounds / 2 {
				c.round(round)
				if t.Failed() {
					t.Fatalf("in round %d", round)
				}
			}
		})
	}
}

type crasher struct {
	t       *testing.T
	keys    *envelope.Keys
	journal *memoryJournal
	fs      *vfs.MemFS
	acks    *acknowledgements
	rng     *rand.Rand
	private []string // ids of acknowledged events with private values, newest last
	// restarted every so often, so that a log of a thousand rounds need not be checked in each.
	began int
}

// round opens what the last cut has left, checks it, lets posters work, and cuts.
func (c *crasher) round(round int) {
	t := c.t
	if round-c.began > 25 {
		c.began, c.fs, c.private = round, vfs.NewCrashableMem(), nil
		c.journal, c.acks = &memoryJournal{plan: map[int]mishap{}}, &acknowledgements{positions: map[string]uint64{}}
	}
	log := openLog(t, c.fs)
	l := start(t, testConfig(log, c.journal, c.keys))
	if f := log.ReadOnly(); f != nil {
		t.Fatalf("read only after a cut: %v", f)
	}
	c.acks.verify(t, log, c.acks.snapshot())
	c.verifyPrivate(log)
	if c.rng.IntN(5) == 0 {
		check(t, log, c.journal)
	}
	c.mishaps()
	ctx, stop := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	if round == c.began {
		p := newPoster(t, c.keys, uint64(round))
		e := p.enrolled("harrow-gully", opal.Miner)
		if !post(ctx, t, l, p.alone(e), []string{e.ID()}, c.acks) {
			t.Fatal("the party is not enrolled")
		}
	}
	for k := range 3 {
		wg.Go(func() { c.work(ctx, log, l, round, k) })
	}
	wg.Go(func() {
		for ctx.Err() == nil {
			if err := log.Flush(); err != nil {
				t.Error(err)
			}
			time.Sleep(700 * time.Microsecond)
		}
	})
	time.Sleep(time.Duration(c.rng.IntN(6000)) * time.Microsecond)
	// What is acknowledged after the cut is taken is in the journal, but its private values were synced to what the cut leaves behind.
	c.acks.mu.Lock()
	private := c.private[:len(c.private):len(c.private)]
	c.acks.mu.Unlock()
	crashed := c.cut()
	stop()
	wg.Wait()
	l.Stop()
	closeLog(t, log)
	c.fs, c.private = crashed, private
}

// cut takes the file system as a power cut at this moment could leave it. Acknowledgements go on being given while it is
// taken; the journal, which is synced before each, has what they are for.
func (c *crasher) cut() *vfs.MemFS {
	return c.fs.CrashClone(vfs.CrashCloneCfg{
		UnsyncedDataPercent: []int{0, 10, 50, 90}[c.rng.IntN(4)], RNG: rand.New(rand.NewPCG(c.rng.Uint64(), 0)),
	})
}

// mishaps makes some of the next publishes go wrong.
func (c *crasher) mishaps() {
	c.journal.mu.Lock()
	defer c.journal.mu.Unlock()
	clear(c.journal.plan)
	for range c.rng.IntN(4) {
		c.journal.plan[c.journal.publishes+1+c.rng.IntN(8)] = []mishap{lost, ambiguousWritten, ambiguousLate, refusedOutright}[c.rng.IntN(4)]
	}
}

// work posts lots until it is stopped.
func (c *crasher) work(ctx context.Context, log *eventlog.Log, l *Ledger, round, k int) {
	p := newPoster(c.t, c.keys, uint64(round*10+k))
	for i := 0; ctx.Err() == nil; i++ {
		lot := fmt.Sprintf("harrow-gully.x%d-%d-%d", round, k, i)
		mined, described := p.mined(lot, 3), p.described(lot)
		mined.Mined.Origin.Deposit = fmt.Sprintf("bench %d", i)
		s := p.alone(mined, described)
		sealed, err := envelope.Seal(mined, envelope.Salts(p.keys.SaltSecret[:], mined.Party, mined.RequestID))
		if err != nil {
			c.t.Error(err)
			return
		}
		err = log.PutOpenings(eventlog.EventOpenings{Party: mined.Party, RequestID: mined.RequestID, StatementHash: sealed.Hash, Openings: sealed.Openings})
		if err != nil {
			c.t.Error(err)
			return
		}
		if post(ctx, c.t, l, s, []string{mined.ID(), described.ID()}, c.acks) {
			c.acks.mu.Lock()
			c.private = append(c.private, mined.ID())
			c.acks.mu.Unlock()
		}
	}
}

// verifyPrivate looks at the private values of the last acknowledged events.
func (c *crasher) verifyPrivate(log *eventlog.Log) {
	for _, id := range c.private[max(0, len(c.private)-50):] {
		e, err := log.Event(id)
		if err != nil || e == nil {
			c.t.Errorf("event %s: %v, %v", id, e, err)
			continue
		}
		shown, err := log.Show(e, e.Recorded.Event.Party)
		if err != nil || shown.Recorded.Event.Mined.Origin.Deposit == "" {
			c.t.Errorf("event %s has lost its private values: %v", id, err)
		}
	}
}
