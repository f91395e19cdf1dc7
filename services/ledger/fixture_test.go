package ledger

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"
	"go.uber.org/goleak"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m)
}

const logName = "opal.example"

// memoryJournal is a journal in memory whose n-th publish can go wrong in every way in which a real one can. It keeps what is written
// for good: what is lost is lost before it was written.
type memoryJournal struct {
	mu       sync.Mutex
	messages [][]byte
	// plan says how a publish goes, by its number from 1 on; what is not in it goes well.
	plan      map[int]mishap
	publishes int
	// delayed are messages that are on their way still: they arrive with the next operation.
	delayed []delayed
	// unreadable makes that many reads fail.
	unreadable int
}

type delayed struct {
	expected uint64
	data     []byte
}

// mishap is a way in which a publish goes wrong.
type mishap uint8

const (
	fine             mishap = iota
	lost                    // not written, no answer
	ambiguousWritten        // written, no answer
	ambiguousLate           // no answer, and written after all, later
	refusedOutright         // not written, and the error says so
	ambiguousBlind          // written, no answer, and the next reads fail too
	takenByAnother          // somebody else's message stands there
)

var errNoAnswer = fmt.Errorf("%w: no answer in time", bus.ErrAmbiguous)

func (j *memoryJournal) Publish(_ context.Context, expected uint64, data []byte) (uint64, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.arrive()
	j.publishes++
	switch j.plan[j.publishes] {
	case lost:
		return 0, errNoAnswer
	case ambiguousWritten:
		if err := j.write(expected, data); err != nil {
			return 0, err
		}
		return 0, errNoAnswer
	case ambiguousLate:
		j.delayed = append(j.delayed, delayed{expected, append([]byte(nil), data...)})
		return 0, errNoAnswer
	case refusedOutright:
		return 0, errors.New("the journal refuses the message")
	case ambiguousBlind:
		j.unreadable = 3
		if err := j.write(expected, data); err != nil {
			return 0, err
		}
		return 0, errNoAnswer
	}
	if err := j.write(expected, data); err != nil {
		return 0, err
	}
	return expected + 1, nil
}

// arrive lets late messages come in: each stands before the fence like any other.
func (j *memoryJournal) arrive() {
	for _, d := range j.delayed {
		_ = j.write(d.expected, d.data) // one that is fenced is gone, and nobody hears of it
	}
	j.delayed = nil
}

func (j *memoryJournal) write(expected uint64, data []byte) error {
	if uint64(len(j.messages)) != expected {
		return fmt.Errorf("%w: it is at %d", bus.ErrFenced, len(j.messages))
	}
	j.messages = append(j.messages, append([]byte(nil), data...))
	return nil
}

func (j *memoryJournal) Read(_ context.Context, seq uint64) ([]byte, bool, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.unreadable > 0 {
		j.unreadable--
		return nil, false, errors.New("the journal cannot be reached")
	}
	if seq < 1 || seq > uint64(len(j.messages)) {
		return nil, false, nil
	}
	return append([]byte(nil), j.messages[seq-1]...), true, nil
}

func (j *memoryJournal) Span(context.Context) (first, last, count uint64, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return 1, uint64(len(j.messages)), uint64(len(j.messages)), nil
}

// clock is a time that only moves forward, a microsecond with each look.
func clock() func() time.Time {
	var mu sync.Mutex
	now := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	return func() time.Time {
		mu.Lock()
		defer mu.Unlock()
		now = now.Add(time.Microsecond)
		return now
	}
}

// source is randomness that is the same each time.
type source struct{ rng *rand.Rand }

func (s source) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = byte(s.rng.Uint32())
	}
	return len(b), nil
}

func newSource(seed uint64) source { return source{rand.New(rand.NewPCG(seed, 0))} }

func newKeys(t testing.TB) *envelope.Keys {
	t.Helper()
	k, err := envelope.LoadOrCreateKeys(t.TempDir(), newSource(7))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func testConfig(log *eventlog.Log, j Journal, keys *envelope.Keys) Config {
	return Config{
		LogName: logName, Sequencer: "node-1", Keys: keys, Policy: opal.DefaultPolicy(), AdminToken: [32]byte{1}, Log: log, Journal: j,
		Clock: clock(), Rand: newSource(1), PublishWithin: time.Second, SettleWithin: 50 * time.Millisecond, AuditShare: -1,
	}
}

func openLog(t testing.TB, fs vfs.FS) *eventlog.Log {
	t.Helper()
	log, err := eventlog.Open(eventlog.Options{Dir: "data", FS: fs, FlushEvery: -1, MemTableBytes: 4 << 20, CacheBytes: 4 << 20})
	if err != nil {
		t.Fatal(err)
	}
	return log
}

func start(t testing.TB, cfg Config) *Ledger {
	t.Helper()
	l, err := Start(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// poster makes submissions.
type poster struct {
	t    testing.TB
	keys *envelope.Keys
	rng  *rand.Rand
	next uint64
}

func newPoster(t testing.TB, keys *envelope.Keys, seed uint64) *poster {
	return &poster{t: t, keys: keys, rng: rand.New(rand.NewPCG(seed, 1))}
}

func (p *poster) id() opal.RequestID {
	var id opal.RequestID
	p.next++
	binary.BigEndian.PutUint64(id[:], p.rng.Uint64())
	binary.BigEndian.PutUint64(id[8:], p.next)
	return id
}

func (p *poster) enrolled(party string, roles ...opal.Role) *opal.Event {
	return &opal.Event{Party: opal.Admin, RequestID: p.id(), OccurredAt: "2026-03-01T08:00:00Z", Enrolled: &opal.Enrolled{
		Party: party, Roles: roles, TokenHash: [32]byte(append([]byte(party), make([]byte, 32)...)),
	}}
}

func (p *poster) mined(lot string, pieces int64) *opal.Event {
	return &opal.Event{Party: opal.PartyOfLot(lot), Lot: lot, RequestID: p.id(), OccurredAt: "2026-03-02T08:00:00Z", Moisture: opal.Dry, Mined: &opal.Mined{
		Origin: opal.Origin{Country: "ET"}, Material: opal.Material{Kind: opal.Hydrophane}, Pieces: &pieces, Mass: "100.00 g",
	}}
}

func (p *poster) described(lot string) *opal.Event {
	return &opal.Event{Party: opal.PartyOfLot(lot), Lot: lot, RequestID: p.id(), OccurredAt: "2026-03-03T08:00:00Z", Described: &opal.Described{
		BodyTone: 7, BodyColour: "white", PlayOfColour: "broad flashes",
	}}
}

// envelope wraps the events, all of one party, in groups of these sizes; none: each alone.
func (p *poster) envelope(signer envelope.Signer, groups []int, events ...*opal.Event) bus.SubmittedEnvelope {
	p.t.Helper()
	sent := bus.SubmittedEnvelope{Groups: groups}
	payload := envelope.Payload{Version: envelope.PayloadVersion, LogName: logName, Party: events[0].Party}
	for _, e := range events {
		s, err := envelope.Seal(e, envelope.Salts(p.keys.SaltSecret[:], e.Party, e.RequestID))
		if err != nil {
			p.t.Fatal(err)
		}
		sent.Statements = append(sent.Statements, s.Bytes)
		payload.Statements = append(payload.Statements, s.Hash)
		if groups == nil {
			sent.Groups = append(sent.Groups, 1)
		}
	}
	b, err := envelope.Wrap(payload, signer)
	if err != nil {
		p.t.Fatal(err)
	}
	sent.Envelope = b
	return sent
}

func (p *poster) intake() envelope.Signer { return envelope.NewSigner(p.keys.Intake) }

// alone submits each event as a batch of its own, in one submission, one envelope per party.
func (p *poster) alone(events ...*opal.Event) *bus.Submission { return p.submission(false, events...) }

// together submits the events, all of one party, as one atomic batch.
func (p *poster) together(events ...*opal.Event) *bus.Submission {
	return p.submission(true, events...)
}

func (p *poster) submission(atomic bool, events ...*opal.Event) *bus.Submission {
	p.t.Helper()
	s := &bus.Submission{}
	for i := 0; i < len(events); {
		n := i
		for n < len(events) && events[n].Party == events[i].Party {
			n++
		}
		var groups []int
		if atomic {
			groups = []int{n - i}
		}
		s.Envelopes = append(s.Envelopes, p.envelope(p.intake(), groups, events[i:n]...))
		i = n
	}
	return s
}

func submit(t testing.TB, l *Ledger, s *bus.Submission) []bus.GroupResult {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	a, err := l.Submit(ctx, s)
	if err != nil {
		t.Fatal(err)
	}
	return a.Results
}

// accept submits and fails the test unless everything is accepted; it answers the positions.
func accept(t testing.TB, l *Ledger, s *bus.Submission) []uint64 {
	t.Helper()
	var positions []uint64
	for i, r := range submit(t, l, s) {
		if r.Refusal != nil {
			t.Fatalf("group %d: %v", i, r.Refusal.Fault())
		}
		for _, e := range r.Events {
			positions = append(positions, e.Position)
		}
	}
	return positions
}

// refuse submits and fails the test unless every group is refused for that reason.
func refuse(t testing.TB, l *Ledger, s *bus.Submission, reason fault.Reason) *bus.Refusal {
	t.Helper()
	var last *bus.Refusal
	for i, r := range submit(t, l, s) {
		if r.Refusal == nil {
			t.Fatalf("group %d is accepted, want %s", i, reason)
		}
		if r.Refusal.Reason != string(reason) {
			t.Fatalf("group %d: found %v, want %s", i, r.Refusal.Fault(), reason)
		}
		last = r.Refusal
	}
	return last
}

// check fails the test unless fsck finds nothing.
func check(t testing.TB, log *eventlog.Log, j Journal) *eventlog.Report {
	t.Helper()
	r, err := eventlog.Fsck(context.Background(), j, log, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range r.Problems {
		t.Errorf("fsck: %s", p)
	}
	return r
}

func closeLog(t testing.TB, log *eventlog.Log) {
	t.Helper()
	if err := log.Close(); err != nil {
		t.Error(err)
	}
}
