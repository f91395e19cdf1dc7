package bench

import (
	"context"
	"crypto/rand"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/bloom"
	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/services/ledger"
)

// record is a key with its value, as a node keeps it.
type record struct{ key, value []byte }

// recordsOf runs the stories through a ledger whose journal and store lie in memory, and gives the records that a node keeps for
// them, block by block, each block holding exactly size events.
func recordsOf(ctx context.Context, dir string, stories, size int) (blocks [][]record, err error) {
	keys, err := envelope.LoadOrCreateKeys(dir, rand.Reader)
	if err != nil {
		return nil, err
	}
	journal := &memoryJournal{}
	log, err := eventlog.Open(eventlog.Options{Dir: "live", FS: vfs.NewMem(), FlushEvery: -1})
	if err != nil {
		return nil, err
	}
	defer log.Close()
	led, err := ledger.Start(ctx, ledger.Config{
		LogName: "bench", Sequencer: "bench", Keys: keys, Policy: opal.DefaultPolicy(), AdminToken: [32]byte{1}, Log: log, Journal: journal, AuditShare: -1,
	})
	if err != nil {
		return nil, err
	}
	enrol := &opal.Event{OccurredAt: "2025-01-01", Enrolled: &opal.Enrolled{Party: benchParties[0], Roles: []opal.Role{opal.Miner}, TokenHash: [32]byte{2}}}
	enrol.RequestID[0] = 1
	if err := submit(ctx, led, keys, opal.Admin, []*opal.Event{enrol}); err != nil {
		led.Stop()
		return nil, err
	}
	head := len(journal.messages)
	var events []*opal.Event
	for n := range stories {
		events = append(events, story(benchParties[0], n)...)
	}
	for from := 0; from+size <= len(events); from += size {
		// A batch is at most 1,000 events, and a submission's batches go into one block where they fit.
		if err := submit(ctx, led, keys, benchParties[0], events[from:from+size]); err != nil {
			led.Stop()
			return nil, err
		}
	}
	led.Stop()
	beside, err := eventlog.Open(eventlog.Options{Dir: "beside", FS: vfs.NewMem(), FlushEvery: -1})
	if err != nil {
		return nil, err
	}
	defer beside.Close()
	for i, m := range journal.messages {
		var records []record
		err := beside.FollowWith(uint64(i)+1, m, func(k, v []byte) error {
			records = append(records, record{append([]byte(nil), k...), append([]byte(nil), v...)})
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("apply block %d once more: %w", i, err)
		}
		if i >= head {
			blocks = append(blocks, records)
		}
	}
	if want := len(events) / size; len(blocks) != want {
		return nil, fmt.Errorf("made %d blocks of %d events, wanted %d", len(blocks), size, want)
	}
	return blocks, nil
}

// submit hands events to a ledger in one submission, in batches of the size of a story.
func submit(ctx context.Context, led *ledger.Ledger, keys *envelope.Keys, party string, events []*opal.Event) error {
	e := bus.SubmittedEnvelope{}
	var hashes [][32]byte
	for _, ev := range events {
		sealed, err := envelope.Seal(ev, envelope.Salts(keys.SaltSecret[:], party, ev.RequestID))
		if err != nil {
			return err
		}
		e.Statements = append(e.Statements, sealed.Bytes)
		hashes = append(hashes, sealed.Hash)
	}
	for left := len(events); left > 0; left -= storyLength {
		e.Groups = append(e.Groups, min(left, storyLength))
	}
	var out []bus.SubmittedEnvelope
	const most = 1000 // statements of one envelope
	for len(hashes) > 0 {
		n := min(len(hashes), most-most%storyLength)
		env, err := envelope.Wrap(envelope.Payload{Version: 1, LogName: "bench", Party: party, Statements: hashes[:n]}, envelope.NewSigner(keys.Intake))
		if err != nil {
			return err
		}
		groups := (n + storyLength - 1) / storyLength
		out = append(out, bus.SubmittedEnvelope{Envelope: env, Statements: e.Statements[:n], Groups: e.Groups[:groups]})
		hashes, e.Statements, e.Groups = hashes[n:], e.Statements[n:], e.Groups[groups:]
	}
	answer, err := led.Submit(ctx, &bus.Submission{Envelopes: out})
	if err != nil {
		return err
	}
	if answer.Refusal != nil {
		return answer.Refusal.Fault()
	}
	for _, r := range answer.Results {
		if r.Refusal != nil {
			return r.Refusal.Fault()
		}
	}
	return nil
}

// writeRaw commits blocks of records to a bare Pebble, each synced, and gives the events per second.
func writeRaw(dir string, blocks [][]record, size int) (perSecond float64, err error) {
	o := &pebble.Options{
		Cache: pebble.NewCache(64 << 20), Logger: silent{}, FormatMajorVersion: pebble.FormatNewest,
		MemTableSize: 32 << 20, MemTableStopWritesThreshold: 2, L0StopWritesThreshold: 24,
	}
	defer o.Cache.Unref()
	for i := range o.Levels { // as in a node
		o.Levels[i] = pebble.LevelOptions{BlockSize: 8 << 10, IndexBlockSize: 256 << 10, FilterPolicy: bloom.FilterPolicy(10)}
	}
	db, err := pebble.Open(filepath.Join(dir, "raw"), o)
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(filepath.Join(dir, "raw"))
	began := time.Now()
	for _, records := range blocks {
		batch := db.NewBatch()
		for _, r := range records {
			if err := batch.Set(r.key, r.value, nil); err != nil {
				return 0, err
			}
		}
		if err := batch.Commit(pebble.Sync); err != nil {
			return 0, err
		}
	}
	perSecond = float64(len(blocks)*size) / time.Since(began).Seconds()
	return perSecond, db.Close()
}

// memoryJournal is a journal that forgets everything with the process.
type memoryJournal struct {
	mu       sync.Mutex
	messages [][]byte // guarded by mu
}

func (j *memoryJournal) Publish(_ context.Context, expected uint64, data []byte) (uint64, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if uint64(len(j.messages)) != expected {
		return 0, bus.ErrFenced
	}
	j.messages = append(j.messages, append([]byte(nil), data...))
	return expected + 1, nil
}

func (j *memoryJournal) Read(_ context.Context, seq uint64) ([]byte, bool, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if seq < 1 || seq > uint64(len(j.messages)) {
		return nil, false, nil
	}
	return j.messages[seq-1], true, nil
}

func (j *memoryJournal) Span(context.Context) (first, last, count uint64, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	n := uint64(len(j.messages))
	return 1, n, n, nil
}

type silent struct{}

func (silent) Infof(string, ...any)           {}
func (silent) Errorf(string, ...any)          {}
func (silent) Fatalf(format string, a ...any) { panic(fmt.Sprintf(format, a...)) }
