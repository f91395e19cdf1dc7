package eventlog

import (
	"context"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"
	"go.uber.org/goleak"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestMain(m *testing.M) {
	// A store that died of a failed write is left as it is, with its goroutines; see storeLog.
	goleak.VerifyTestMain(m,
		goleak.IgnoreAnyFunction("github.com/cockroachdb/pebble/v2.Open"),
		goleak.IgnoreAnyFunction("github.com/cockroachdb/pebble/v2.(*cleanupManager).mainLoop"),
		goleak.IgnoreAnyFunction("github.com/cockroachdb/pebble/v2.(*ConcurrencyLimitScheduler).periodicGranter"),
		goleak.IgnoreAnyFunction("github.com/cockroachdb/pebble/v2/record.(*LogWriter).flushLoop"),
		goleak.IgnoreAnyFunction("github.com/cockroachdb/pebble/v2.(*DB).flush"),
		goleak.IgnoreAnyFunction("github.com/cockroachdb/pebble/v2/internal/genericcache.(*shard[...]).releaseLoop"),
	)
}

var (
	chaosRounds = flag.Int("chaos.rounds", 0, "rounds of the tests that make writes fail; 0: as many as the ordinary run makes")
	_           = flag.String("chaos.flips", "", "taken for the sake of the packages that flip bytes; nothing is flipped here")
	update      = flag.Bool("update", false, "write the files of expected bytes anew")
)

const testLog = "opal.example"

// shelf is a journal in memory.
type shelf struct {
	blocks  [][]byte
	missing map[uint64]bool
	broken  map[uint64]bool
	first   uint64
}

func (s *shelf) Read(_ context.Context, seq uint64) ([]byte, bool, error) {
	if s.broken[seq] {
		return nil, false, errors.New("the journal cannot be reached")
	}
	if seq < max(1, s.first) || seq > uint64(len(s.blocks)) || s.missing[seq] {
		return nil, false, nil
	}
	return s.blocks[seq-1], true, nil
}

func (s *shelf) Span(context.Context) (first, last, count uint64, err error) {
	first, last = max(1, s.first), uint64(len(s.blocks))
	return first, last, last - first + 1 - uint64(len(s.missing)), nil
}

// book writes a log block by block, as the ledger does.
type book struct {
	t       testing.TB
	log     *Log
	journal *shelf
	keys    *envelope.Keys
	rng     *rand.Rand
	n       uint64
	now     opal.Instant
}

type source struct{ rng *rand.Rand }

func (s source) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = byte(s.rng.Uint32())
	}
	return len(b), nil
}

func openTestLog(t testing.TB, fs vfs.FS) *Log {
	t.Helper()
	l, err := Open(Options{Dir: "data", FS: fs, FlushEvery: -1, MemTableBytes: 1 << 20, CacheBytes: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// newBook opens a new log with one miner in it.
func newBook(t testing.TB, fs vfs.FS) *book {
	t.Helper()
	keys, err := envelope.LoadOrCreateKeys(t.TempDir(), source{rand.New(rand.NewPCG(1, 1))})
	if err != nil {
		t.Fatal(err)
	}
	b := &book{
		t: t, log: openTestLog(t, fs), journal: &shelf{}, keys: keys, rng: rand.New(rand.NewPCG(2, 2)),
		now: opal.InstantOf(time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)),
	}
	b.append(&opal.Event{Party: opal.Admin, OccurredAt: "2026-03-01T00:00:00Z", LogOpened: &opal.LogOpened{
		LogName: testLog, Epoch: [16]byte{4, 2}, AdminKey: envelope.PublicKey(keys.Admin), IntakeKey: envelope.PublicKey(keys.Intake),
		CheckpointKey: envelope.PublicKey(keys.Checkpoint), Policy: opal.DefaultPolicy(), AdminTokenHash: [32]byte{1}, HandleKeyHash: keys.HandleKeyHash(),
	}})
	b.append(&opal.Event{Party: opal.Admin, OccurredAt: "2026-03-01T08:00:00Z", Enrolled: &opal.Enrolled{
		Party: "harrow-gully", Roles: []opal.Role{opal.Miner}, TokenHash: [32]byte{2},
	}})
	return b
}

func (b *book) close() {
	b.t.Helper()
	if err := b.log.Close(); err != nil {
		b.t.Error(err)
	}
}

func (b *book) mined(lot string) *opal.Event {
	pieces := int64(12)
	return &opal.Event{Party: opal.PartyOfLot(lot), Lot: lot, OccurredAt: "2026-03-02T08:00:00Z", Moisture: opal.Dry, Mined: &opal.Mined{
		Origin: opal.Origin{Country: "ET"}, Material: opal.Material{Kind: opal.Hydrophane}, Pieces: &pieces, Mass: "10.00 g",
	}}
}

func (b *book) described(lot string) *opal.Event {
	return &opal.Event{Party: opal.PartyOfLot(lot), Lot: lot, OccurredAt: "2026-03-03", Described: &opal.Described{BodyTone: 7}}
}

// append puts events of one party into the log, as one block.
func (b *book) append(events ...*opal.Event) *Sealed {
	b.t.Helper()
	s := b.seal(events...)
	st, err := b.log.Stage(s)
	if err != nil {
		b.t.Fatal(err)
	}
	if err := b.log.Commit(st); err != nil {
		b.t.Fatal(err)
	}
	b.journal.blocks = append(b.journal.blocks, s.Bytes)
	return s
}

func (b *book) seal(events ...*opal.Event) *Sealed {
	b.t.Helper()
	payload := envelope.Payload{Version: envelope.PayloadVersion, LogName: testLog, Party: events[0].Party}
	var list []*Event
	for _, ev := range events {
		if ev.RequestID.IsZero() {
			b.n++
			binary.BigEndian.PutUint64(ev.RequestID[:], b.rng.Uint64())
			binary.BigEndian.PutUint64(ev.RequestID[8:], b.n)
		}
		s, err := envelope.Seal(ev, envelope.Salts(b.keys.SaltSecret[:], ev.Party, ev.RequestID))
		if err != nil {
			b.t.Fatal(err)
		}
		payload.Statements = append(payload.Statements, s.Hash)
		e, err := NewEvent(ev.Party, s.Bytes, s.Hash)
		if err != nil {
			b.t.Fatal(err)
		}
		e.Index = uint32(len(list))
		list = append(list, e)
	}
	signer := envelope.NewSigner(b.keys.Intake)
	if events[0].LogOpened != nil {
		signer = envelope.NewSigner(b.keys.Admin)
	}
	env, err := envelope.Wrap(payload, signer)
	if err != nil {
		b.t.Fatal(err)
	}
	head := b.log.Head()
	if head.Seq == 0 {
		head.LogName, head.Epoch = testLog, events[0].LogOpened.Epoch
	}
	b.now++
	d := NewDraft(b.log, head.Next, b.now, 1)
	for _, e := range list {
		if err := e.Place(d, d.Next(), b.now); err != nil {
			b.t.Fatal(err)
		}
		findings, f, err := account.Decide(d.Layer, e.Recorded)
		if err != nil || f != nil {
			b.t.Fatalf("event %s: %v, %v", e.ID(), f, err)
		}
		e.Recorded.Findings = findings
		if err := d.Apply(e); err != nil {
			b.t.Fatal(err)
		}
	}
	d.Accept(env, envelope.Hash(env), 0)
	s, err := d.Seal(&head, "node-1")
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// fill appends blocks of a few lots.
func (b *book) fill(blocks int) {
	b.t.Helper()
	for i := range blocks {
		lot := fmt.Sprintf("harrow-gully.r%d-%d", b.n, i)
		b.append(b.mined(lot), b.described(lot), b.described(lot))
	}
}

// fsck fails the test unless nothing is wrong.
func (b *book) fsck() *Report {
	b.t.Helper()
	r, err := Fsck(context.Background(), b.journal, b.log, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	for _, p := range r.Problems {
		b.t.Errorf("fsck: %s", p)
	}
	return r
}
