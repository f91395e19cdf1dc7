package eventlog

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/cockroachdb/pebble/v2/vfs/errorfs"
	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// smallLog has records of all kinds but tiles, made of nothing that differs from run to run.
func smallLog(t *testing.T) *book {
	b := newBook(t, vfs.NewMem())
	b.append(b.mined("harrow-gully.a"), b.described("harrow-gully.a"))
	return b
}

// The records of a store stay as they are: a store that was written by this version is read by every later one. The file has the
// records of a small log, in hexadecimal, key and value.
func TestRecordsAreAsTheyWere(t *testing.T) {
	b := smallLog(t)
	defer b.close()
	var got bytes.Buffer
	err := b.log.scan([]byte{0}, []byte{0xff}, func(key, value []byte) (bool, error) {
		fmt.Fprintf(&got, "%x %x\n", key, value)
		return true, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join("testdata", "records.hex")
	if *update {
		if err := errors.Join(os.MkdirAll("testdata", 0o755), os.WriteFile(name, got.Bytes(), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	gotLines, wantLines := bytes.Split(got.Bytes(), []byte("\n")), bytes.Split(want, []byte("\n"))
	if len(gotLines) != len(wantLines) {
		t.Errorf("found %d records, there were %d", len(gotLines)-1, len(wantLines)-1)
	}
	for i := range min(len(gotLines), len(wantLines)) {
		if !bytes.Equal(gotLines[i], wantLines[i]) {
			t.Errorf("record %d\n found %s\n  want %s", i, gotLines[i], wantLines[i])
		}
	}
}

func FuzzEventRecord(f *testing.F) {
	c := newCodecs()
	b := newBook(f, vfs.NewMem())
	s := b.append(b.mined("harrow-gully.a"), b.described("harrow-gully.a"))
	for _, e := range s.Draft.events {
		e.Recorded.Findings = append(e.Recorded.Findings, opal.Finding{Code: opal.FindLineGain, Micrograms: -7})
		e.Outcome = []byte("some outcome")
		record, err := appendEvent(nil, c, e)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(record)
	}
	b.close()
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := decodeEvent(bytes.Clone(data), c, 9)
		if err != nil {
			return
		}
		again, err := appendEvent(nil, c, e)
		if err != nil {
			t.Fatal(err)
		}
		// A number may be written in more bytes than it takes; nothing of this package does so, and fsck compares bytes.
		e2, err := decodeEvent(again, c, 9)
		if err != nil {
			t.Fatal(err)
		}
		last, err := appendEvent(nil, c, e2)
		if err != nil || !bytes.Equal(again, last) {
			t.Errorf("written %x, read and written again %x, %v", again, last, err)
		}
	})
}

func FuzzPostedRecord(f *testing.F) {
	f.Add(appendPosted(nil, Posted{RequestHash: [32]byte{1}, Position: 300, Lot: "harrow-gully.a"}))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := decodePosted(data)
		if err != nil {
			return
		}
		p2, err := decodePosted(appendPosted(nil, *p))
		if err != nil || *p2 != *p {
			t.Errorf("found %+v, %v, want %+v", p2, err, p)
		}
	})
}

// Keys order as they should: a lot's events stand together, by position, and no other lot's are between them.
func TestKeysKeepLotsTogether(t *testing.T) {
	lot := rapid.StringMatching(`[a-z][a-z0-9-]{1,6}\.[a-z0-9][a-z0-9-]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := lot.Draw(t, "a"), lot.Draw(t, "b")
		p, q, r := rapid.Uint64().Draw(t, "p"), rapid.Uint64().Draw(t, "q"), rapid.Uint64().Draw(t, "r")
		if p > q {
			p, q = q, p
		}
		low, high := eventKey(a, p), eventKey(a, q)
		if p < q && bytes.Compare(low, high) >= 0 {
			t.Errorf("%d does not stand before %d", p, q)
		}
		if between := eventKey(b, r); a != b && bytes.Compare(low, between) < 0 && bytes.Compare(between, high) < 0 {
			t.Errorf("an event of %s stands between those of %s", b, a)
		}
		if after(low[:1+len(a)]) == nil || bytes.Compare(after(low[:1+len(a)]), high) <= 0 {
			t.Errorf("%q does not end the lot", after(low[:1+len(a)]))
		}
	})
}

// TestChaosFailingWrites lets the store's writes to the file system fail: in each round another one, alone or with the thirty behind
// it. The process lives on, nothing that is said to be applied is lost, and once the disk works again the log is whole.
func TestChaosFailingWrites(t *testing.T) {
	rounds := 60
	if *chaosRounds > 0 {
		rounds = 10 * *chaosRounds
	}
	if testing.Short() {
		rounds = 10
	}
	n, reached := 0, true
	for ; n < rounds && reached; n++ { // until n is past the last write
		reached = false
		for _, burst := range []int64{1, 30} {
			reached = failingWrites(t, int64(n), burst) || reached
			if t.Failed() {
				t.Fatalf("write %d and the %d behind it", n, burst-1)
			}
		}
	}
	if n < min(rounds, 60) {
		t.Errorf("only %d writes could fail", n)
	}
}

func failingWrites(t *testing.T, n, burst int64) (failed bool) {
	t.Helper()
	mem := vfs.NewCrashableMem()
	b := newBook(t, mem)
	b.fill(2)
	b.close()
	var writes atomic.Int64
	var closing atomic.Bool
	fs := errorfs.Wrap(mem, errorfs.InjectorFunc(func(op errorfs.Op) error {
		// A folder that cannot be synced ends the process, on purpose: after that nobody knows what is on the disk, and the next start
		// finds out. So does a log of writes that cannot be ended when its store is closed: what it holds was synced before.
		if closing.Load() && strings.HasPrefix(op.Path, "data/openings/") && strings.HasSuffix(op.Path, ".log") {
			return nil
		}
		folder := op.Path == "data/log" || op.Path == "data/openings"
		if op.Kind.ReadOrWrite() != errorfs.OpIsWrite || folder && op.Kind == errorfs.OpFileSync {
			return nil
		}
		if at := writes.Add(1) - 1; at < n || at >= n+burst {
			return nil
		}
		return errorfs.ErrInjected
	}))
	var private []*Event // events whose private values are said to be on disk
	log, err := Open(Options{Dir: "data", FS: fs, FlushEvery: -1, MemTableBytes: 1 << 20, CacheBytes: 1 << 20})
	if err == nil {
		b.log = log
		for range 4 {
			ev := b.mined(fmt.Sprintf("harrow-gully.w%d", b.n))
			ev.Remark = "from the second bench"
			s := b.seal(ev)
			e := s.Draft.events[0]
			sealed, err := envelope.Seal(ev, envelope.Salts(b.keys.SaltSecret[:], ev.Party, ev.RequestID))
			if err != nil {
				t.Fatal(err)
			}
			if log.PutOpenings(EventOpenings{ev.Party, ev.RequestID, e.StatementHash, sealed.Openings}) == nil {
				private = append(private, e)
			}
			st, err := log.Stage(s)
			if err != nil {
				break
			}
			b.journal.blocks = append(b.journal.blocks, s.Bytes) // acknowledged: from here it must not be lost
			if log.Commit(st) != nil {
				break
			}
			_ = log.Flush() // what fails is said by the log, or mended by the next
		}
		closing.Store(true)
		_ = log.Close()
	}
	// A store that has died holds its lock until the process ends; what comes after sees what was synced.
	b.log = openTestLog(t, mem.CrashClone(vfs.CrashCloneCfg{}))
	defer b.close()
	if _, err := b.log.CatchUp(t.Context(), b.journal); err != nil {
		t.Errorf("when the disk works again: %v", err)
		return true
	}
	if got, want := b.log.Head().Seq, uint64(len(b.journal.blocks)); got != want {
		t.Errorf("found %d blocks, want %d", got, want)
	}
	for _, e := range private {
		if list, _, err := b.log.OpeningsOf(e); err != nil || len(list) != 1 {
			t.Errorf("event %s has lost its private values: %v", e.ID(), err)
		}
	}
	b.fsck()
	return writes.Load() > n
}
