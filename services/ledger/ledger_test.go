package ledger

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"slices"
	"strings"
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

// world is a ledger on a memory file system and a memory journal, with one miner.
type world struct {
	t       *testing.T
	fs      *vfs.MemFS
	journal *memoryJournal
	keys    *envelope.Keys
	cfg     Config
	log     *eventlog.Log
	ledger  *Ledger
	poster  *poster
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, fs: vfs.NewMem(), journal: &memoryJournal{}, keys: newKeys(t)}
	w.poster = newPoster(t, w.keys, 1)
	w.open()
	accept(t, w.ledger, w.poster.alone(w.poster.enrolled("harrow-gully", opal.Miner)))
	t.Cleanup(w.close)
	return w
}

func (w *world) open() {
	w.t.Helper()
	w.log = openLog(w.t, w.fs)
	w.cfg = testConfig(w.log, w.journal, w.keys)
	w.ledger = start(w.t, w.cfg)
}

func (w *world) close() {
	w.t.Helper()
	if w.ledger != nil {
		w.ledger.Stop()
		closeLog(w.t, w.log)
		w.ledger = nil
	}
}

// restart closes everything, opens it again, and has fsck look at it.
func (w *world) restart() {
	w.t.Helper()
	w.close()
	w.open()
	check(w.t, w.log, w.journal)
}

// events gives the ids of all events in the log, in order, from the journal's bytes alone.
func (w *world) events() []string {
	w.t.Helper()
	var ids []string
	err := w.log.Tail(0, func(a *eventlog.Applied) error {
		for _, r := range a.Events {
			ids = append(ids, r.Event.ID())
		}
		return nil
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return ids
}

func TestAppendAndReadBack(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	for i := range 20 {
		lot := fmt.Sprintf("harrow-gully.r%d", i)
		got := accept(t, w.ledger, p.alone(p.mined(lot, 10), p.described(lot)))
		if want := uint64(2 + 2*i); got[0] != want || got[1] != want+1 {
			t.Fatalf("found positions %v, want %d and the next", got, want)
		}
	}
	lot, err := w.log.Lot("harrow-gully.r3")
	if err != nil || lot == nil || lot.Holder != "harrow-gully" || lot.Events != 2 {
		t.Fatalf("found %+v, %v", lot, err)
	}
	if r := check(t, w.log, w.journal); r.Events != 42 || r.Signatures == 0 || r.Records == 0 {
		t.Errorf("found %+v", r)
	}
	w.restart()
	if next, _ := w.log.Next(); next != 42 {
		t.Errorf("after a restart the next position is %d", next)
	}
}

func TestTheSameAgainIsTheFirstAnswerAgain(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	first := p.alone(p.mined("harrow-gully.a", 10), p.mined("harrow-gully.b", 20))
	want := accept(t, w.ledger, first)
	again := func() {
		t.Helper()
		for i, r := range submit(t, w.ledger, first) {
			if r.Refusal != nil || r.Events[0].Position != want[i] || !r.Events[0].Duplicate {
				t.Errorf("group %d: found %+v, want position %d and a duplicate", i, r, want[i])
			}
		}
	}
	again()
	w.restart()
	again()
	if n := len(w.events()); n != 4 {
		t.Errorf("found %d events, want 4", n)
	}
}

func TestAnIdWithOtherContentIsRefused(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	first := p.mined("harrow-gully.a", 10)
	accept(t, w.ledger, p.alone(first))
	other := p.mined("harrow-gully.b", 10)
	other.RequestID = first.RequestID
	r := refuse(t, w.ledger, p.alone(other), fault.RequestIDReused)
	if r.Field != "requestId" || r.Event != 0 {
		t.Errorf("found %+v", r)
	}
	// A private value is part of the content, by its commitment.
	remarked := *first
	remarked.Remark = "second thoughts"
	refuse(t, w.ledger, p.alone(&remarked), fault.RequestIDReused)
	// In a batch the whole is refused, whatever the other events are.
	refuse(t, w.ledger, p.together(p.mined("harrow-gully.c", 1), other), fault.RequestIDReused)
	if lot, _ := w.log.Lot("harrow-gully.c"); lot != nil {
		t.Error("part of a refused batch is in the log")
	}
}

func TestABatchIsWhollyInOrNotAtAll(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	before := len(w.events())
	r := refuse(t, w.ledger, p.together(p.mined("harrow-gully.a", 10), p.described("harrow-gully.a"), p.described("harrow-gully.none")), fault.UnknownLot)
	if r.Event != 2 {
		t.Errorf("the refusal names event %d, want 2", r.Event)
	}
	if n := len(w.events()); n != before {
		t.Errorf("found %d events, want %d", n, before)
	}
	// Later events of a batch see the earlier ones.
	got := accept(t, w.ledger, p.together(p.mined("harrow-gully.a", 10), p.described("harrow-gully.a")))
	if got[1] != got[0]+1 {
		t.Errorf("found %v", got)
	}
	check(t, w.log, w.journal)
}

func TestEventsThatStandTwiceInABatch(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	e := p.mined("harrow-gully.a", 10)
	results := submit(t, w.ledger, p.together(e, p.mined("harrow-gully.b", 1), e))
	got := results[0].Events
	if results[0].Refusal != nil || got[0].Duplicate || got[1].Duplicate || !got[2].Duplicate || got[2].Position != got[0].Position {
		t.Fatalf("found %+v", results[0])
	}
	other := *p.mined("harrow-gully.d", 1)
	other.RequestID = p.id()
	twin := other
	twin.OccurredAt = "2026-03-02T09:00:00Z"
	if r := refuse(t, w.ledger, p.together(&other, &twin), fault.RequestIDReused); r.Event != 1 {
		t.Errorf("found %+v", r)
	}
	check(t, w.log, w.journal)
}

func TestABatchWithSomeEventsAppendedBefore(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	old := p.mined("harrow-gully.a", 10)
	at := accept(t, w.ledger, p.alone(old))[0]
	results := submit(t, w.ledger, p.together(p.mined("harrow-gully.b", 1), old, p.described("harrow-gully.a")))
	got := results[0].Events
	if results[0].Refusal != nil || got[0].Position != at+1 || got[1].Position != at || !got[1].Duplicate || got[2].Position != at+2 {
		t.Fatalf("found %+v", results[0])
	}
	check(t, w.log, w.journal)
}

func TestRefusalsByTheDirectory(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	own, stranger := ed25519.NewKeyFromSeed(make([]byte, 32)), ed25519.NewKeyFromSeed(bytes.Repeat([]byte{9}, 32))
	send := func(s envelope.Signer, e *opal.Event) *bus.Submission {
		return &bus.Submission{Envelopes: []bus.SubmittedEnvelope{p.envelope(s, nil, e)}}
	}
	refuse(t, w.ledger, send(p.intake(), p.mined("nobody.a", 1)), fault.UnknownParty)
	if f := refuse(t, w.ledger, send(p.intake(), p.mined("nobody.a", 1)), fault.UnknownParty).Fault(); f.Kind != fault.Invalid {
		t.Errorf("found %+v", f)
	}
	refuse(t, w.ledger, send(envelope.NewSigner(stranger), p.mined("harrow-gully.a", 1)), fault.UnknownKey)
	refuse(t, w.ledger, send(envelope.NewSigner(w.keys.Checkpoint), p.mined("harrow-gully.a", 1)), fault.UnknownKey)
	refuse(t, w.ledger, send(envelope.NewSigner(w.keys.Admin), p.mined("harrow-gully.a", 1)), fault.UnknownKey)
	refuse(t, w.ledger, send(envelope.NewSigner(own), p.mined("harrow-gully.a", 1)), fault.UnknownKey)

	added := &opal.Event{Party: opal.Admin, RequestID: p.id(), OccurredAt: "2026-03-01T09:00:00Z", KeyAdded: &opal.KeyAdded{
		Party: "harrow-gully", PublicKey: envelope.PublicKey(own), Use: opal.UseSign,
	}}
	accept(t, w.ledger, p.alone(added))
	accept(t, w.ledger, send(envelope.NewSigner(own), p.mined("harrow-gully.a", 1)))
	accept(t, w.ledger, p.alone(p.enrolled("slow-light", opal.Dealer)))
	refuse(t, w.ledger, send(envelope.NewSigner(own), p.described("slow-light.a")), fault.UnknownKey) // another party's key
	revoked := &opal.Event{Party: opal.Admin, RequestID: p.id(), OccurredAt: "2026-03-01T10:00:00Z", KeyRevoked: &opal.KeyRevoked{
		Party: "harrow-gully", KeyID: envelope.NewSigner(own).KeyID, Because: "lost",
	}}
	accept(t, w.ledger, p.alone(revoked))
	refuse(t, w.ledger, send(envelope.NewSigner(own), p.described("harrow-gully.a")), fault.KeyRevoked)
	check(t, w.log, w.journal)
}

func TestRefusalsByShape(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	good := func() *bus.Submission { return p.alone(p.mined("harrow-gully.a", 1)) }
	tests := map[string]struct {
		change func(*bus.Submission)
		reason fault.Reason
		field  string
	}{
		"the log of another": {func(s *bus.Submission) { s.Envelopes[0] = p.otherLog() }, fault.InvalidField, "payload.logName"},
		"no envelope":        {func(s *bus.Submission) { s.Envelopes[0].Envelope = []byte{0xa0} }, fault.InvalidField, ""},
		"another statement":  {func(s *bus.Submission) { s.Envelopes[0].Statements[0] = []byte("x") }, fault.InvalidField, "statements[0]"},
		"a statement more": {func(s *bus.Submission) {
			s.Envelopes[0].Statements = append(s.Envelopes[0].Statements, []byte("x"))
			s.Envelopes[0].Groups = []int{2}
		}, fault.InvalidField, "statements"},
		"no statement":            {func(s *bus.Submission) { *s = *p.wrapped([]byte{0xa1, 1, 1}) }, fault.InvalidField, ""},
		"an event without a body": {func(s *bus.Submission) { e := p.mined("harrow-gully.a", 1); e.Mined = nil; *s = *p.alone(e) }, fault.InvalidField, ""},
		"a mass of nothing":       {func(s *bus.Submission) { e := p.mined("harrow-gully.a", 1); e.Mined.Mass = "0 g"; *s = *p.alone(e) }, fault.InvalidField, "mined.mass"},
		"the future": {func(s *bus.Submission) {
			e := p.mined("harrow-gully.a", 1)
			e.OccurredAt = "2026-03-04T13:00:00Z"
			*s = *p.alone(e)
		}, fault.FutureTime, "occurredAt"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			s := good()
			test.change(s)
			if r := refuse(t, w.ledger, s, test.reason); test.field != "" && r.Field != test.field {
				t.Errorf("found the field %q, want %q: %s", r.Field, test.field, r.Message)
			}
		})
	}
	if n := len(w.events()); n != 2 {
		t.Errorf("found %d events, want the 2 that were there", n)
	}
}

// otherLog is an envelope for another log.
func (p *poster) otherLog() bus.SubmittedEnvelope {
	e := p.mined("harrow-gully.a", 1)
	s, err := envelope.Seal(e, nil)
	if err != nil {
		p.t.Fatal(err)
	}
	b, err := envelope.Wrap(envelope.Payload{Version: 1, LogName: "other.example", Party: e.Party, Statements: [][32]byte{s.Hash}}, p.intake())
	if err != nil {
		p.t.Fatal(err)
	}
	return bus.SubmittedEnvelope{Envelope: b, Statements: [][]byte{s.Bytes}, Groups: []int{1}}
}

// wrapped signs bytes as if they were a statement.
func (p *poster) wrapped(statement []byte) *bus.Submission {
	b, err := envelope.Wrap(envelope.Payload{
		Version: 1, LogName: logName, Party: "harrow-gully", Statements: [][32]byte{envelope.Hash(statement)},
	}, p.intake())
	if err != nil {
		p.t.Fatal(err)
	}
	return &bus.Submission{Envelopes: []bus.SubmittedEnvelope{{Envelope: b, Statements: [][]byte{statement}, Groups: []int{1}}}}
}

func TestLargeBatches(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	var events []*opal.Event
	for i := range 1000 {
		events = append(events, p.mined(fmt.Sprintf("harrow-gully.k%d", i), 1))
	}
	// The largest batch, thrice at once with others between: no batch is cut, and each block keeps its limits.
	var wg sync.WaitGroup
	for k := range 3 {
		wg.Go(func() {
			q := newPoster(t, w.keys, uint64(100+k))
			var own []*opal.Event
			for i := range 1000 {
				own = append(own, q.described(fmt.Sprintf("harrow-gully.k%d", i)))
			}
			if k == 0 {
				own = events
			} else {
				for w.log.Wait(context.Background(), 900) != nil {
				}
			}
			got := accept(t, w.ledger, q.together(own...))
			for i := range got {
				if got[i] != got[0]+uint64(i) {
					t.Errorf("batch %d is cut at %d", k, i)
					return
				}
			}
		})
	}
	wg.Wait()
	long := p.described("harrow-gully.k1")
	long.Described.PlayOfColour = strings.Repeat("x", 200)
	var tooLarge []*opal.Event
	for range 1000 {
		e := *long
		e.RequestID = p.id()
		d := *long.Described
		d.BodyColour = strings.Repeat("y", 200)
		e.Described = &d
		tooLarge = append(tooLarge, &e)
	}
	refuse(t, w.ledger, p.together(tooLarge...), fault.TooLarge)
	check(t, w.log, w.journal)
}

func TestDiskReserve(t *testing.T) {
	w := newWorld(t)
	w.close()
	w.log = openLog(t, w.fs)
	w.cfg = testConfig(w.log, w.journal, w.keys)
	free := uint64(100 << 20)
	w.cfg.Free = func() (uint64, error) { return free, nil }
	w.ledger = start(t, w.cfg)
	r := refuse(t, w.ledger, w.poster.alone(w.poster.mined("harrow-gully.a", 1)), fault.DiskReserve)
	if r.RetryAfterMillis <= 0 {
		t.Errorf("found %+v", r)
	}
	free = 1 << 30
	w.ledger.checkDisk(context.Background())
	accept(t, w.ledger, w.poster.alone(w.poster.mined("harrow-gully.a", 1)))
}

// A policy raises the level that the log is written at. A version that does not know it takes nothing any more, still answers what was posted before, and reads on; nor can it
// raise the level beyond what it knows.
func TestLevels(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	raised := func(level uint64) *opal.Event {
		policy := opal.DefaultPolicy()
		policy.Version, policy.Level = 2, level
		return &opal.Event{Party: opal.Admin, RequestID: p.id(), OccurredAt: "2026-03-01T09:00:00Z", PolicySet: &opal.PolicySet{Policy: policy}}
	}
	r := refuse(t, w.ledger, p.alone(raised(opal.Level+1)), fault.InvalidField)
	if r.Field != "policySet.policy.level" {
		t.Errorf("%+v", r)
	}
	known := p.alone(p.mined("harrow-gully.a", 1))
	at := accept(t, w.ledger, known)
	restart := func(level uint64) {
		t.Helper()
		w.close()
		w.log = openLog(t, w.fs)
		w.cfg = testConfig(w.log, w.journal, w.keys)
		w.cfg.Level = level
		w.ledger = start(t, w.cfg)
	}
	restart(opal.Level + 1)
	accept(t, w.ledger, p.alone(raised(opal.Level+1)))
	accept(t, w.ledger, p.alone(p.mined("harrow-gully.b", 1)))
	restart(0)
	r = refuse(t, w.ledger, p.alone(p.mined("harrow-gully.c", 1)), fault.LogTooNew)
	if !strings.Contains(r.Message, "level 2") {
		t.Errorf("%s", r.Message)
	}
	if again := accept(t, w.ledger, known); !slices.Equal(again, at) {
		t.Errorf("what was posted before is at %v, want %v", again, at)
	}
	if lot, err := w.log.Lot("harrow-gully.b"); err != nil || lot == nil {
		t.Errorf("%v %v", lot, err)
	}
	restart(opal.Level + 1)
	accept(t, w.ledger, p.alone(p.mined("harrow-gully.c", 1)))
	check(t, w.log, w.journal)
}

func TestALogOfOtherKeysIsRefused(t *testing.T) {
	w := newWorld(t)
	w.close()
	other, err := envelope.LoadOrCreateKeys(t.TempDir(), newSource(8))
	if err != nil {
		t.Fatal(err)
	}
	log := openLog(t, w.fs)
	defer closeLog(t, log)
	if _, err := Start(context.Background(), testConfig(log, w.journal, other)); err == nil || !strings.Contains(err.Error(), "intake key") {
		t.Errorf("found %v", err)
	}
	cfg := testConfig(log, w.journal, w.keys)
	cfg.LogName = "other.example"
	if _, err := Start(context.Background(), cfg); err == nil || !strings.Contains(err.Error(), "other.example") {
		t.Errorf("found %v", err)
	}
}

func TestAJournalThatIsShorterMakesTheLogReadOnly(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	accept(t, w.ledger, p.alone(p.mined("harrow-gully.a", 1)))
	accept(t, w.ledger, p.alone(p.mined("harrow-gully.b", 1)))
	w.close()
	w.journal.messages = w.journal.messages[:2]
	w.open()
	r := refuse(t, w.ledger, p.alone(p.mined("harrow-gully.c", 1)), fault.LogReadOnly)
	if !strings.Contains(r.Message, "positions 2 to 3") {
		t.Errorf("the positions are not named: %s", r.Message)
	}
	if lot, err := w.log.Lot("harrow-gully.b"); err != nil || lot == nil {
		t.Errorf("what is there cannot be read: %v, %v", lot, err)
	}
}

func TestAnotherSequencerTakesOver(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	accept(t, w.ledger, p.alone(p.mined("harrow-gully.a", 1)))
	// A second node on the same journal appends: the first is fenced with its next block, and follows.
	log := openLog(t, vfs.NewMem())
	defer closeLog(t, log)
	cfg := testConfig(log, w.journal, w.keys)
	cfg.Sequencer = "node-2"
	second := start(t, cfg)
	defer second.Stop()
	accept(t, second, p.alone(p.mined("harrow-gully.b", 1)))
	r := refuse(t, w.ledger, p.alone(p.mined("harrow-gully.c", 1)), fault.NoSequencer)
	if r.RetryAfterMillis <= 0 {
		t.Errorf("no retry: %+v", r)
	}
	accept(t, second, p.alone(p.mined("harrow-gully.d", 1)))
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := w.log.Wait(ctx, 4); err != nil {
		t.Fatalf("the first node does not follow: %v", err)
	}
	refuse(t, w.ledger, p.alone(p.mined("harrow-gully.e", 1)), fault.NoSequencer)
	check(t, w.log, w.journal)
}

func TestStopRefusesAndWaits(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	const n = 200
	var submissions []*bus.Submission
	for i := range n {
		submissions = append(submissions, p.alone(p.mined(fmt.Sprintf("harrow-gully.s%d", i), 1)))
	}
	var mu sync.Mutex
	acknowledged := 0
	var wg sync.WaitGroup
	for _, s := range submissions {
		wg.Go(func() {
			a, err := w.ledger.Submit(context.Background(), s)
			if err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			defer mu.Unlock()
			switch r := a.Results[0]; {
			case r.Refusal == nil:
				acknowledged++
			case r.Refusal.Reason != string(fault.NoSequencer):
				t.Errorf("found %v", r.Refusal.Fault())
			}
		})
	}
	w.ledger.Stop()
	wg.Wait()
	if got := len(w.events()) - 2; got != acknowledged {
		t.Errorf("%d events are acknowledged, %d are in the log", acknowledged, got)
	}
	refuse(t, w.ledger, p.alone(p.mined("harrow-gully.late", 1)), fault.NoSequencer)
}

func TestSubmissionsOverTheBus(t *testing.T) {
	ctx := context.Background()
	keys := newKeys(t)
	l := newBenchLedger(t, t.TempDir(), keys)
	defer l.close(t)
	notices, err := l.bus.Conn().SubscribeSync(bus.SubjectNotice(logName))
	if err != nil {
		t.Fatal(err)
	}
	if err := l.bus.Conn().Flush(); err != nil {
		t.Fatal(err)
	}
	l.feed(t, benchSubmissions(t, keys, 8, 16), 4)
	if next, _ := l.log.Next(); next != 2+8*16 {
		t.Errorf("the next position is %d", next)
	}
	for told := uint64(0); told < 2+8*16; {
		m, err := notices.NextMsg(10 * time.Second)
		if err != nil {
			t.Fatalf("told of %d events: %v", told, err)
		}
		n, err := l.bus.Codec.DecodeNotice(m.Data)
		if err != nil || n.Next <= told && told > 0 {
			t.Fatalf("told of %d after %d: %v", n.Next, told, err)
		}
		told = n.Next
	}
	reply, err := l.bus.Conn().Request(bus.SubjectAppend(logName), []byte("what?"), 10*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	a, err := l.bus.Codec.DecodeAnswer(reply.Data)
	if err != nil || a.Refusal == nil || a.Refusal.Reason != string(fault.InvalidField) {
		t.Errorf("found %+v, %v", a, err)
	}
	j, err := l.bus.Journal(ctx, logName, false)
	if err != nil {
		t.Fatal(err)
	}
	check(t, l.log, j)
}

func TestTheAuditFindsAForgedSignature(t *testing.T) {
	w := newWorld(t)
	p := w.poster
	s := p.alone(p.mined("harrow-gully.a", 1))
	// The ledger leaves signatures to intake. One that a faulty intake let through is found behind.
	env, err := envelope.Decode(s.Envelopes[0].Envelope)
	if err != nil {
		t.Fatal(err)
	}
	env.Signatures[0].Sig[5] ^= 1
	if s.Envelopes[0].Envelope, err = env.Encode(); err != nil {
		t.Fatal(err)
	}
	accept(t, w.ledger, s)
	a, err := w.log.NewAuditor(w.journal)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if more, err := a.Step(context.Background()); err != nil || !more {
			t.Fatalf("sound blocks: %v, %v", more, err)
		}
	}
	_, err = a.Step(context.Background())
	if m, ok := errors.AsType[*eventlog.Mismatch](err); !ok || m.From != 2 || fault.Of(m.Err) != fault.BadSignature {
		t.Errorf("found %v", err)
	}
	refuse(t, w.ledger, p.alone(p.mined("harrow-gully.b", 1)), fault.LogReadOnly)
	r, err := eventlog.Fsck(context.Background(), w.journal, w.log, nil)
	if err != nil || len(r.Problems) != 1 || !strings.Contains(r.Problems[0].String(), "position 2") {
		t.Errorf("fsck: found %v, %v", r.Problems, err)
	}
}
