package ledger

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/bloom"
	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/opal"
)

const benchParty = "harrow-gully"

// benchSubmissions makes submissions of size events each, ready signed: a quarter opens lots, the rest describes them.
func benchSubmissions(tb testing.TB, keys *envelope.Keys, count, size int) []*bus.Submission {
	p := newPoster(tb, keys, 99)
	list := make([]*bus.Submission, count)
	n := 0
	for i := range list {
		events := make([]*opal.Event, size)
		for k := range events {
			lot := fmt.Sprintf("%s.r%d", benchParty, n/4)
			if n%4 == 0 {
				events[k] = p.mined(lot, 40)
			} else {
				events[k] = p.described(lot)
			}
			n++
		}
		list[i] = p.alone(events...)
	}
	return list
}

// benchLedger is a whole ledger on the disk, with the embedded bus.
type benchLedger struct {
	bus    *bus.Bus
	log    *eventlog.Log
	ledger *Ledger
}

func newBenchLedger(tb testing.TB, dir string, keys *envelope.Keys) *benchLedger {
	tb.Helper()
	ctx := context.Background()
	b, err := bus.Open(ctx, bus.Config{Dir: filepath.Join(dir, "journal")})
	if err != nil {
		tb.Fatal(err)
	}
	log, err := eventlog.Open(eventlog.Options{Dir: dir})
	if err != nil {
		tb.Fatal(err)
	}
	j, err := b.Journal(ctx, logName, true)
	if err != nil {
		tb.Fatal(err)
	}
	cfg := testConfig(log, j, keys)
	cfg.Clock, cfg.Conn, cfg.Codec, cfg.AuditShare = time.Now, b.Conn(), b.Codec, 0.05
	l := start(tb, cfg)
	p := newPoster(tb, keys, 3)
	accept(tb, l, p.alone(p.enrolled(benchParty, opal.Miner)))
	return &benchLedger{b, log, l}
}

func (b *benchLedger) close(tb testing.TB) {
	b.ledger.Stop()
	closeLog(tb, b.log)
	b.bus.Close()
}

// cpu is the time that this process has computed so far.
func cpu(tb testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// feed sends the submissions over the bus, callers of them at a time, and gives the events per second.
func (b *benchLedger) feed(tb testing.TB, list []*bus.Submission, callers int) float64 {
	tb.Helper()
	encoded := make([][]byte, len(list))
	events := 0
	for i, s := range list {
		var err error
		if encoded[i], err = b.bus.Codec.EncodeSubmission(s); err != nil {
			tb.Fatal(err)
		}
		events += len(s.Envelopes[0].Statements)
	}
	work := make(chan []byte, len(list))
	for _, e := range encoded {
		work <- e
	}
	close(work)
	var wg sync.WaitGroup
	began := time.Now()
	for range callers {
		wg.Go(func() {
			for e := range work {
				m, err := b.bus.Conn().Request(bus.SubjectAppend(logName), e, time.Minute)
				if err != nil {
					tb.Error(err)
					return
				}
				a, err := b.bus.Codec.DecodeAnswer(m.Data)
				if err != nil {
					tb.Error(err)
					return
				}
				for _, r := range a.Results {
					if r.Refusal != nil {
						tb.Error(r.Refusal.Fault())
						return
					}
				}
			}
		})
	}
	wg.Wait()
	return float64(events) / time.Since(began).Seconds()
}

// rawRecords gives the records that the log keeps for the same events in blocks of that size.
func rawRecords(tb testing.TB, keys *envelope.Keys, list []*bus.Submission) [][][2][]byte {
	tb.Helper()
	log := openLog(tb, vfs.NewMem())
	defer closeLog(tb, log)
	j := &memoryJournal{}
	l := start(tb, testConfig(log, j, keys))
	p := newPoster(tb, keys, 3)
	accept(tb, l, p.alone(p.enrolled(benchParty, opal.Miner)))
	first := len(j.messages)
	for _, s := range list {
		accept(tb, l, s)
	}
	l.Stop()
	// Applied once more beside, block by block, the records can be looked at.
	copyLog := openLog(tb, vfs.NewMem())
	defer closeLog(tb, copyLog)
	var blocks [][][2][]byte
	for i, data := range j.messages {
		var records [][2][]byte
		err := copyLog.FollowWith(uint64(i)+1, data, func(key, value []byte) error {
			records = append(records, [2][]byte{append([]byte(nil), key...), append([]byte(nil), value...)})
			return nil
		})
		if err != nil {
			tb.Fatal(err)
		}
		if i >= first {
			blocks = append(blocks, records)
		}
	}
	return blocks
}

// rawPebble commits the records block by block, each synced, and gives the events per second.
func rawPebble(tb testing.TB, dir string, blocks [][][2][]byte, size int) float64 {
	tb.Helper()
	o := &pebble.Options{
		Cache: pebble.NewCache(64 << 20), Logger: quiet{}, FormatMajorVersion: pebble.FormatValueSeparation,
		MemTableSize: 32 << 20, MemTableStopWritesThreshold: 2, L0StopWritesThreshold: 24,
	}
	for i := range o.Levels {
		o.Levels[i] = pebble.LevelOptions{BlockSize: 8 << 10, IndexBlockSize: 256 << 10, FilterPolicy: bloom.FilterPolicy(10)}
	}
	db, err := pebble.Open(dir, o)
	if err != nil {
		tb.Fatal(err)
	}
	began := time.Now()
	for _, records := range blocks {
		batch := db.NewBatch()
		for _, r := range records {
			if err := batch.Set(r[0], r[1], nil); err != nil {
				tb.Fatal(err)
			}
		}
		if err := batch.Commit(pebble.Sync); err != nil {
			tb.Fatal(err)
		}
	}
	rate := float64(len(blocks)*size) / time.Since(began).Seconds()
	if err := db.Close(); err != nil {
		tb.Fatal(err)
	}
	o.Cache.Unref()
	return rate
}

type quiet struct{}

func (quiet) Infof(string, ...any)  {}
func (quiet) Errorf(string, ...any) {}
func (quiet) Fatalf(f string, a ...any) {
	panic(fmt.Sprintf(f, a...))
}

// BenchmarkAppend compares the ledger, fed over the bus, with a Pebble store that syncs batches of the same size with the same
// records: the share of what the disk and the store alone could do.
func BenchmarkAppend(b *testing.B) {
	keys := newKeys(b)
	for _, c := range []struct {
		block, submission, callers, count int
	}{
		{64, 64, 1, 800}, {64, 32, 2, 1600}, {64, 16, 4, 3200},
		{1000, 1000, 1, 120}, {1000, 500, 2, 240}, {960, 240, 4, 500}, {1024, 16, 64, 7680},
	} {
		raws := rawRecords(b, keys, benchSubmissions(b, keys, c.count*c.submission/min(c.block, 1000), min(c.block, 1000)))
		b.Run(fmt.Sprintf("%dx%d", c.callers, c.submission), func(b *testing.B) {
			list := benchSubmissions(b, keys, c.count, c.submission)
			events := float64(c.count * c.submission)
			var raw, got, blocks, rawCPU, gotCPU, rounds float64
			for b.Loop() {
				began := cpu(b)
				raw += 1 / rawPebble(b, b.TempDir(), raws, min(c.block, 1000))
				rawCPU += (cpu(b) - began).Seconds()
				l := newBenchLedger(b, b.TempDir(), keys)
				began = cpu(b)
				got += 1 / l.feed(b, list, c.callers)
				gotCPU += (cpu(b) - began).Seconds()
				blocks += float64(l.log.Head().Seq - 2)
				l.close(b)
				rounds++
			}
			b.ReportMetric(raw/got, "ratio")
			b.ReportMetric(rounds/got, "events/s")
			b.ReportMetric(rounds/raw, "raw-events/s")
			b.ReportMetric(events*rounds/blocks, "events/block")
			b.ReportMetric(gotCPU/events/rounds*1e6, "cpu-µs/event")
			b.ReportMetric(rawCPU/events/rounds*1e6, "raw-cpu-µs/event")
		})
	}
}

// BenchmarkFeed is the ledger's part of BenchmarkAppend alone, to be profiled.
func BenchmarkFeed(b *testing.B) {
	keys := newKeys(b)
	for _, c := range []struct{ callers, submission, count int }{{1, 64, 1600}, {2, 500, 480}, {64, 16, 7680}} {
		b.Run(fmt.Sprintf("%dx%d", c.callers, c.submission), func(b *testing.B) {
			list := benchSubmissions(b, keys, c.count, c.submission)
			for b.Loop() {
				l := newBenchLedger(b, b.TempDir(), keys)
				b.ReportMetric(l.feed(b, list, c.callers), "events/s")
				l.close(b)
			}
		})
	}
}

// BenchmarkMemory appends a million events and says what the process holds when it has come to rest.
func BenchmarkMemory(b *testing.B) {
	keys := newKeys(b)
	for b.Loop() {
		l := newBenchLedger(b, b.TempDir(), keys)
		p := newPoster(b, keys, 98)
		n := 0
		for range 100 {
			list := make([]*bus.Submission, 20)
			for i := range list {
				events := make([]*opal.Event, 500)
				for k := range events {
					lot := fmt.Sprintf("%s.m%d", benchParty, n/4)
					if n%4 == 0 {
						events[k] = p.mined(lot, 40)
					} else {
						events[k] = p.described(lot)
					}
					n++
				}
				list[i] = p.alone(events...)
			}
			l.feed(b, list, 2)
		}
		b.ReportMetric(resident(b), "busy-MiB")
		time.Sleep(40 * time.Second)
		b.ReportMetric(resident(b), "settled-MiB")
		l.close(b)
	}
}

func resident(tb testing.TB) float64 {
	tb.Helper()
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		tb.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		var kib float64
		if _, err := fmt.Sscanf(line, "VmRSS: %f kB", &kib); err == nil {
			return kib / 1024
		}
	}
	tb.Fatal("the system does not say how much memory is in use")
	return 0
}
