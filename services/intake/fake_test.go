package intake

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const logName = "opal.example"

// seeded is a key that every run has the same.
func seeded(n byte) ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(bytes.Repeat([]byte{n}, ed25519.SeedSize))
}

// fakeLog is the log as intake sees it: a sequencer that takes whatever is well formed, and what this node has applied of it.
type fakeLog struct {
	mu      sync.Mutex
	parties map[string]*account.Party
	// order are the events in the log, by id; bytes are their statements.
	order []string
	bytes map[string][]byte
	known map[string]*opal.Recorded
	// openings are the stored private values by statement, and lots the lots of handles.
	openings map[[32]byte][]envelope.Opening
	lots     map[string]string

	// submissions are all that came.
	submissions []*bus.Submission
	// judge may refuse an event; nil: accepts all.
	judge func(ev *opal.Event) *fault.Error
	// hold and late, if set, are called for each submission before it is sequenced and before it is answered, outside the lock.
	hold, late func(*bus.Submission)
	// turn is closed when the submission before is sequenced.
	turn chan struct{}
	// fail answers a submission with an error.
	fail error
	// storeFails is what storing openings answers.
	storeFails error
	// problems are what a sequencer would not have taken.
	problems []string
}

func newFakeLog() *fakeLog {
	l := &fakeLog{
		parties: map[string]*account.Party{}, bytes: map[string][]byte{}, known: map[string]*opal.Recorded{},
		openings: map[[32]byte][]envelope.Opening{}, lots: map[string]string{"aaaaaaaaaaaaaaaaaaaaaaaaaa": "harrow-gully.r7"},
	}
	revoked := uint64(3)
	l.parties["harrow-gully"] = &account.Party{ID: "harrow-gully", Tokens: []account.Token{{Hash: envelope.TokenHash("miner")}}, Keys: []account.Key{
		keyFor(1, opal.UseSign), {ID: keyFor(2, opal.UseSign).ID, Public: keyFor(2, opal.UseSign).Public, Use: opal.UseSign, RevokedAt: &revoked}, keyFor(3, opal.UseCheckpoint),
	}}
	l.parties["moor-shop"] = &account.Party{ID: "moor-shop", Tokens: []account.Token{
		{Hash: envelope.TokenHash("shop")}, {Hash: envelope.TokenHash("poster"), Scopes: []opal.Scope{opal.ScopePost}},
		{Hash: envelope.TokenHash("young"), Expires: opal.InstantOf(time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC))},
	}, Keys: []account.Key{keyFor(4, opal.UseSign)}}
	l.parties[opal.Admin] = &account.Party{
		ID: opal.Admin, Tokens: []account.Token{{Hash: envelope.TokenHash("admin"), Scopes: []opal.Scope{opal.ScopeAdmin}}},
		Keys: []account.Key{keyFor(9, opal.UseIntake)},
	}
	return l
}

func keyFor(n byte, use opal.KeyUse) account.Key {
	public := envelope.PublicKey(seeded(n))
	return account.Key{ID: account.KeyID(public), Public: public, Use: use}
}

// inLog lists the events in the log, by id.
func (l *fakeLog) inLog() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.order)
}

// came lists the submissions that came.
func (l *fakeLog) came() []*bus.Submission {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.submissions)
}

func (l *fakeLog) Next() (uint64, [16]byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return uint64(len(l.order)), [16]byte{0xe0}
}

func (l *fakeLog) Wait(ctx context.Context, position uint64) error {
	if next, _ := l.Next(); position >= next {
		panic(fmt.Sprintf("waits for position %d of %d: never answered", position, next))
	}
	return nil
}

func (l *fakeLog) Recorded(id string) (*opal.Recorded, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.known[id], nil
}

func (l *fakeLog) Party(id string) (*account.Party, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.parties[id], nil
}

func (l *fakeLog) KeyHolder(id string) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for name, p := range l.parties {
		if slices.ContainsFunc(p.Keys, func(k account.Key) bool { return k.ID == id }) {
			return name, nil
		}
	}
	return "", nil
}

func (l *fakeLog) TokenParty(hash [32]byte) (*account.Party, *account.Token, bool, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, p := range l.parties {
		for i := range p.Tokens {
			if p.Tokens[i].Hash == hash {
				return p, &p.Tokens[i], true, nil
			}
		}
	}
	return nil, nil, false, nil
}

func (l *fakeLog) LotOf(handle string) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lots[handle], nil
}

func (l *fakeLog) PutOpenings(list ...eventlog.EventOpenings) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range list {
		l.openings[e.StatementHash] = e.Openings
	}
	return l.storeFails
}

// Send is the sequencer. It takes submissions in their order and answers each from a goroutine of its own.
func (l *fakeLog) Send(s *bus.Submission, answered func(*bus.Answer, error)) {
	l.mu.Lock()
	l.submissions = append(l.submissions, s)
	hold, late, fail := l.hold, l.late, l.fail
	before, mine := l.turn, make(chan struct{})
	l.turn = mine
	l.mu.Unlock()
	go func() {
		if hold != nil {
			hold(s)
		}
		if before != nil {
			<-before
		}
		var a *bus.Answer
		if fail == nil {
			a = l.sequence(s)
		}
		close(mine)
		if late != nil {
			late(s)
		}
		answered(a, fail)
	}()
}

func (l *fakeLog) sequence(s *bus.Submission) *bus.Answer {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := s.Check(); err != nil {
		l.problems = append(l.problems, err.Error())
	}
	a := &bus.Answer{}
	for i := range s.Envelopes {
		sent := &s.Envelopes[i]
		e, err := envelope.Decode(sent.Envelope)
		if err != nil {
			l.problems = append(l.problems, err.Error())
			return &bus.Answer{Refusal: bus.Refuse(asFault(err), bus.WholeGroup)}
		}
		if ok, err := e.Check(l.anyKey); err != nil || len(ok) == 0 {
			l.problems = append(l.problems, fmt.Sprint("signatures ", ok, err))
		}
		rest := sent.Statements
		for _, n := range sent.Groups {
			a.Results = append(a.Results, l.group(e.Payload.Party, rest[:n]))
			rest = rest[n:]
		}
	}
	return a
}

func (l *fakeLog) anyKey(id string) (ed25519.PublicKey, bool) {
	for _, p := range l.parties {
		for i := range p.Keys {
			if p.Keys[i].ID == id {
				return p.Keys[i].Public[:], true
			}
		}
	}
	return nil, false
}

func (l *fakeLog) group(party string, statements [][]byte) (r bus.GroupResult) {
	events := make([]*opal.Event, len(statements))
	for i, b := range statements {
		st, err := envelope.DecodeStatement(b)
		if err != nil {
			l.problems = append(l.problems, err.Error())
			return bus.GroupResult{Refusal: bus.Refuse(asFault(err), i)}
		}
		if len(st.Commitments) > 0 {
			if err := st.Reveal(l.openings[sha256.Sum256(b)]); err != nil || len(l.openings[sha256.Sum256(b)]) != len(st.Commitments) {
				l.problems = append(l.problems, fmt.Sprint("private values of ", st.Event.RequestID, " were not stored first: ", err))
			}
		}
		events[i] = &st.Event
		events[i].Party = party
		id := events[i].ID()
		if first, ok := l.bytes[id]; ok && !bytes.Equal(first, b) {
			return bus.GroupResult{Refusal: bus.Refuse(fault.New(fault.RequestIDReused, "requestId", "found %s, which was used for other content", id), i)}
		}
		if l.judge != nil {
			if f := l.judge(events[i]); f != nil {
				return bus.GroupResult{Refusal: bus.Refuse(f, i)}
			}
		}
	}
	for i, ev := range events {
		id := ev.ID()
		if _, ok := l.bytes[id]; ok {
			r.Events = append(r.Events, bus.EventResult{Position: l.known[id].Position, Duplicate: true, Findings: l.known[id].Findings})
			continue
		}
		rec := &opal.Recorded{Event: *ev, Position: uint64(len(l.order))}
		if ev.Counted != nil {
			rec.Findings = []opal.Finding{{Code: opal.FindCountChanged, Lot: ev.Lot, Pieces: -2}}
		}
		l.order, l.bytes[id], l.known[id] = append(l.order, id), statements[i], rec
		if n := ev.Enrolled; n != nil {
			l.parties[n.Party] = &account.Party{ID: n.Party, Roles: n.Roles, Tokens: []account.Token{{Hash: n.TokenHash}}}
		}
		r.Events = append(r.Events, bus.EventResult{Position: rec.Position, Findings: rec.Findings})
	}
	return r
}

// randomness gives bytes that differ from call to call and not from run to run.
type randomness struct {
	mu sync.Mutex
	n  byte
}

func (r *randomness) Read(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range b {
		r.n += 7
		b[i] = r.n
	}
	return len(b), nil
}

func configOf(l *fakeLog) Config {
	return Config{
		LogName: logName, Signer: envelope.NewSigner(seeded(9)), SaltSecret: bytes.Repeat([]byte{5}, 32),
		Log: l, Directory: l, Openings: l, Handles: l, Sequencer: l, Rand: &randomness{},
		Now: func() time.Time { return time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC) },
	}
}

// newService makes a service over a fake log; at the end nothing may have come to the log that it would not have taken.
func newService(t testing.TB, change func(*Config)) (*Service, *fakeLog) {
	t.Helper()
	l := newFakeLog()
	cfg := configOf(l)
	if change != nil {
		change(&cfg)
	}
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		for _, p := range l.problems {
			t.Error(p)
		}
	})
	return s, l
}

// system is a service behind the edge, and a client of it.
type system struct {
	*fakeLog
	service *Service
	pb.IntakeServiceClient
}

func start(t testing.TB, change func(*Config)) *system {
	t.Helper()
	s, l := newService(t, change)
	server, err := rpc.NewServer(rpc.Config{Directory: l, EventsPerSecond: 1e6, Burst: 1e6})
	if err != nil {
		t.Fatal(err)
	}
	pb.RegisterIntakeServiceServer(server, s)
	listener := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///test", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		conn.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		server.Stop(ctx)
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	return &system{fakeLog: l, service: s, IntakeServiceClient: pb.NewIntakeServiceClient(conn)}
}

func as(token string, headers ...string) context.Context {
	return metadata.AppendToOutgoingContext(context.Background(), append([]string{"authorization", "Bearer " + token}, headers...)...)
}

// event reads an event from JSON and gives it a time; a number gives it a request id.
func event(t testing.TB, id int, text string) *pb.Event {
	t.Helper()
	m := &pb.Event{}
	if err := protojson.Unmarshal([]byte(text), m); err != nil {
		t.Fatal(err)
	}
	if id > 0 {
		s := requestID(id).String()
		m.RequestId = &s
	}
	if m.OccurredAt == nil {
		at := "2026-03-04"
		m.OccurredAt = &at
	}
	return m
}

func requestID(n int) opal.RequestID {
	return opal.RequestID{0: 0x42, 6: 0x40, 8: 0x80, 13: byte(n >> 16), 14: byte(n >> 8), 15: byte(n)}
}

// described is a small event about the miner's lot.
func described(t testing.TB, id int) *pb.Event {
	t.Helper()
	return event(t, id, `{"lot": "harrow-gully.r7", "described": {"bodyColour": "milky"}}`)
}

// smallEvent is the same in the domain.
func smallEvent(id int) *opal.Event {
	return &opal.Event{RequestID: requestID(id), Lot: "harrow-gully.r7", OccurredAt: "2026-03-04", Described: &opal.Described{BodyColour: "milky"}}
}
