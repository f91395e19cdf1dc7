package status

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// world is a real log on a file system in memory, written as a sequencer writes it, without the journal, and a service over it.
type world struct {
	t       testing.TB
	fs      vfs.FS
	log     *eventlog.Log
	service *Service
	signer  envelope.Signer
	now     time.Time // of the log's clock
	seq     uint64
	epoch   [16]byte
}

const start = "2026-06-01T00:00:00Z"

// newWorld opens a log with parties of every role, and a service over it.
func newWorld(t testing.TB) *world {
	t.Helper()
	w := emptyWorld(t, [16]byte{1})
	w.open()
	return w
}

func emptyWorld(t testing.TB, epoch [16]byte) *world {
	t.Helper()
	seed := sha256.Sum256([]byte("a key for tests"))
	w := &world{t: t, fs: vfs.NewMem(), signer: envelope.NewSigner(ed25519.NewKeyFromSeed(seed[:])), epoch: epoch}
	w.now, _ = time.Parse(time.RFC3339, start)
	log, err := eventlog.Open(eventlog.Options{Dir: "data", FS: w.fs, FlushEvery: -1, CacheBytes: 64 << 20, MemTableBytes: 16 << 20})
	if err != nil {
		t.Fatal(err)
	}
	w.log = log
	t.Cleanup(func() {
		if err := log.Close(); err != nil {
			t.Errorf("close the log: %v", err)
		}
	})
	policy := opal.DefaultPolicy()
	policy.RuleTable = evidence.Latest().Hash
	w.post(opal.Event{Party: opal.Admin, OccurredAt: "2026-01-01", LogOpened: &opal.LogOpened{
		LogName: "opal.example/test", Epoch: w.epoch, AdminKey: [32]byte{1}, IntakeKey: [32]byte{2}, CheckpointKey: [32]byte{3},
		Policy: policy, AdminTokenHash: [32]byte{4}, HandleKeyHash: [32]byte{5},
	}})
	for _, n := range []struct {
		id   string
		role opal.Role
	}{
		{"mine", opal.Miner}, {"dealer", opal.Dealer}, {"cutter", opal.Cutter}, {"treater", opal.Treater}, {"lab", opal.Laboratory}, {"shop", opal.Retailer},
	} {
		w.post(opal.Event{Party: opal.Admin, OccurredAt: "2026-01-01", Enrolled: &opal.Enrolled{Party: n.id, Roles: []opal.Role{n.role}, TokenHash: envelope.TokenHash(tokenOf(n.id))}})
	}
	return w
}

// open opens the service.
func (w *world) open() {
	w.t.Helper()
	w.service = w.openIn("data", nil)
}

func (w *world) openIn(dir string, change func(*Config)) *Service {
	w.t.Helper()
	cfg := Config{
		Dir: dir, Log: w.log, Handle: handleOf, FS: w.fs, Now: func() time.Time { return w.now },
		Patience: 20 * time.Second, Heartbeat: time.Hour,
	}
	if change != nil {
		change(&cfg)
	}
	s, err := Open(cfg)
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() {
		if err := s.Close(); err != nil {
			w.t.Errorf("close the service: %v", err)
		}
	})
	return s
}

// handleOf stands for the log's keyed handles.
func handleOf(lot string) string {
	h := sha256.Sum256([]byte("a handle of " + lot))
	return opal.Handle([16]byte(h[:16]))
}

// tokenOf is a party's token.
func tokenOf(party string) string { return "lp_" + party }

// as is a call of a party's.
func as(party string) context.Context {
	return rpc.WithCaller(context.Background(), rpc.Caller{Party: party, Scopes: []opal.Scope{opal.ScopeRead, opal.ScopePost}})
}

// post appends events as one block and answers them as recorded. All must be accepted.
func (w *world) post(events ...opal.Event) []*opal.Recorded {
	w.t.Helper()
	recs, f := w.try(events...)
	if f != nil {
		w.t.Fatalf("refused: %v", f)
	}
	return recs
}

// one is post for one event.
func (w *world) one(ev opal.Event) *opal.Recorded {
	w.t.Helper()
	return w.post(ev)[0]
}

func (w *world) try(events ...opal.Event) ([]*opal.Recorded, *fault.Error) {
	w.t.Helper()
	must := func(err error) {
		w.t.Helper()
		if err != nil {
			w.t.Fatal(err)
		}
	}
	head := w.log.Head()
	if head.Next == 0 {
		head.Epoch, head.LogName = w.epoch, "opal.example/test"
	}
	version := uint64(1)
	draft := eventlog.NewDraft(w.log, head.Next, opal.InstantOf(w.now), version)
	var recs []*opal.Recorded
	for i := 0; i < len(events); {
		party := events[i].Party
		var sealed []*envelope.Sealed
		var ids []opal.RequestID
		for ; i < len(events) && events[i].Party == party; i++ {
			ev := events[i]
			if ev.RequestID.IsZero() {
				w.seq++
				binary.BigEndian.PutUint64(ev.RequestID[8:], w.seq)
			}
			if f := opal.Check(&ev, 0); f != nil {
				w.t.Fatalf("the test's event is not well formed: %v", f)
			}
			s, err := envelope.Seal(&ev, envelope.Salts([]byte("salt"), party, ev.RequestID))
			must(err)
			sealed, ids = append(sealed, s), append(ids, ev.RequestID)
		}
		payload := envelope.Payload{Version: 1, LogName: "opal.example/test", Party: party}
		for _, s := range sealed {
			payload.Statements = append(payload.Statements, s.Hash)
		}
		env, err := envelope.Wrap(payload, w.signer)
		must(err)
		hash := envelope.Hash(env)
		var list []*eventlog.Event
		for n, s := range sealed {
			must(w.log.PutOpenings(eventlog.EventOpenings{Party: party, RequestID: ids[n], StatementHash: s.Hash, Openings: s.Openings}))
			e, err := eventlog.NewEvent(party, s.Bytes, s.Hash)
			must(err)
			e.Envelope, e.Index = draft.EnvelopeNumber(hash), uint32(n)
			must(e.Place(draft, draft.Next(), draft.RecordedAt))
			found, f, err := account.Decide(draft, e.Recorded)
			must(err)
			if f != nil {
				return nil, f
			}
			e.Recorded.Findings = found
			must(draft.Apply(e))
			list, recs = append(list, e), append(recs, e.Recorded)
		}
		size, err := draft.SizeWith(env, hash, list)
		must(err)
		draft.Accept(env, hash, size)
	}
	block, err := draft.Seal(&head, "test")
	must(err)
	staged, err := w.log.Stage(block)
	must(err)
	must(w.log.Commit(staged))
	w.now = w.now.Add(time.Second)
	return recs, nil
}

// at sets the log's clock forward.
func (w *world) at(s string) {
	w.t.Helper()
	when, err := opal.ParseWhen(s, 0)
	if err != nil {
		w.t.Fatal(err)
	}
	if t := when.To.Time(); t.After(w.now) {
		w.now = t
	}
}

// settle waits until the projection has read everything and told all alerts.
func (w *world) settle(s *Service) {
	w.t.Helper()
	deadline := time.Now().Add(time.Minute)
	for {
		ready := s.Ready() == nil // first: what is folded after this may leave a job
		v, done := s.proj.read()
		_, waiting := v.jobs.oldest()
		done()
		if ready && !waiting {
			return
		}
		if time.Now().After(deadline) {
			w.t.Fatalf("the projection does not settle: %v", s.Ready())
		}
		time.Sleep(time.Millisecond)
	}
}

func pieces(n int64) *int64 { return &n }

// The events that the tests need most.

func mined(lot string, n int64, mass string) opal.Event {
	return opal.Event{Party: opal.PartyOfLot(lot), Lot: lot, OccurredAt: "2026-01-02", Moisture: opal.Dry, Mined: &opal.Mined{
		Origin: opal.Origin{Country: "ET", Region: "a region nobody else may see"}, Material: opal.Material{Kind: opal.Hydrophane, Look: opal.Translucent},
		Pieces: pieces(n), Mass: opal.Mass(mass),
	}}
}

// splits parts a lot into n children of one piece and 1 ct each, named prefix1, prefix2, …; what is left stays.
func splits(party, lot, on, prefix string, n int, rest string, restPieces int64) opal.Event {
	s := &opal.Split{Manner: opal.Unsorted}
	for i := range n {
		s.Children = append(s.Children, opal.Part{Lot: fmt.Sprintf("%s%d", prefix, i+1), Pieces: pieces(1), Mass: "1.00 ct", Moisture: opal.Dry})
	}
	if rest != "" {
		s.Rest = &opal.Rest{Pieces: pieces(restPieces), Mass: opal.Mass(rest), Moisture: opal.Dry}
	}
	return opal.Event{Party: party, Lot: lot, OccurredAt: on, Moisture: opal.Dry, Split: s}
}

func treated(party, lot, on string, t opal.Treatment) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: on, Treated: &opal.Treated{Treatment: t}}
}

func sold(party, lot, on, to string, claims ...opal.ClaimKind) opal.Event {
	s := &opal.Sold{To: to, Price: "120.00 EUR"}
	for _, c := range claims {
		s.Claims = append(s.Claims, opal.Claim{Claim: c})
	}
	return opal.Event{Party: party, Lot: lot, OccurredAt: on, Sold: s}
}

func handed(party, lot, on, to string, purpose opal.Purpose) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: on, HandedOver: &opal.HandedOver{To: to, Purpose: purpose}}
}

func received(party, lot, on string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: on, Received: &opal.Received{}}
}

func ruleTable() [32]byte { return evidence.Latest().Hash }

// storeOf gives the store that a service reads.
func storeOf(s *Service) *store {
	v, done := s.proj.read()
	defer done()
	return v.store
}
