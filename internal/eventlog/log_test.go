package eventlog

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/google/go-cmp/cmp"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestBlocksAreMadeAgainByteForByte(t *testing.T) {
	fs := vfs.NewMem()
	b := newBook(t, fs)
	b.fill(30)
	check := func() {
		t.Helper()
		for position, next := uint64(0), b.log.Head().Next; position < next; position++ {
			seq, data, err := b.log.BlockBytes(position)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(data, b.journal.blocks[seq-1]) {
				t.Fatalf("the block at position %d differs", position)
			}
		}
	}
	check()
	b.close()
	b.log = openTestLog(t, fs)
	defer b.close()
	check()
	b.fsck()
}

// A log that is replayed has the same records, byte for byte, as the one that was written live: Fsck compares them all.
func TestReplayIsTheSameAsLive(t *testing.T) {
	b := newBook(t, vfs.NewMem())
	defer b.close()
	b.fill(10)
	other := openTestLog(t, vfs.NewMem())
	done, err := other.CatchUp(context.Background(), b.journal)
	if err != nil || done.Blocks != 12 || done.Events != 32 {
		t.Fatalf("found %+v, %v", done, err)
	}
	live := b.log
	b.log = other
	b.fsck()
	b.log = live
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	if a, o := live.Head(), other.Head(); a != o {
		t.Errorf("the heads differ: %+v, %+v", a, o)
	}
}

func TestReading(t *testing.T) {
	b := newBook(t, vfs.NewMem())
	defer b.close()
	l := b.log
	s := b.append(b.mined("harrow-gully.a"), b.mined("harrow-gully.b"), b.described("harrow-gully.a"))
	b.append(b.described("harrow-gully.a"))
	if next, epoch := l.Next(); next != 6 || epoch != [16]byte{4, 2} {
		t.Errorf("found %d, %x", next, epoch)
	}
	for position, lot := range []string{"", "", "harrow-gully.a", "harrow-gully.b", "harrow-gully.a", "harrow-gully.a"} {
		e, err := l.At(uint64(position))
		if err != nil || e == nil || e.Recorded.Event.Lot != lot || e.Recorded.Position != uint64(position) {
			t.Errorf("position %d: found %+v, %v", position, e, err)
		}
	}
	if e, err := l.At(6); e != nil || err != nil {
		t.Errorf("behind the end: found %v, %v", e, err)
	}
	first := s.Draft.events[0]
	e, err := l.Event(first.ID())
	if err != nil || e == nil {
		t.Fatal(e, err)
	}
	if d := cmp.Diff(first, e); d != "" {
		t.Errorf("what is read is not what was written: %s", d)
	}
	for _, id := range []string{"", "nobody", "harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11"} {
		if e, err := l.Event(id); e != nil || err != nil {
			t.Errorf("event %q: found %v, %v", id, e, err)
		}
	}
	var positions []uint64
	err = l.Events("harrow-gully.a", 3, 5, func(e *Event) error {
		positions = append(positions, e.Recorded.Position)
		return nil
	})
	if err != nil || len(positions) != 1 || positions[0] != 4 {
		t.Errorf("found %v, %v", positions, err)
	}
	stop := errors.New("enough")
	if err := l.Events("harrow-gully.a", 0, 9, func(*Event) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("found %v", err)
	}
	p, token, ok, err := l.TokenParty([32]byte{2})
	if err != nil || !ok || p.ID != "harrow-gully" || token.Hash != [32]byte{2} {
		t.Errorf("found %v, %v, %v, %v", p, token, ok, err)
	}
	if _, _, ok, err := l.TokenParty([32]byte{9}); ok || err != nil {
		t.Errorf("found %v, %v", ok, err)
	}
	if lot, err := l.Lot("harrow-gully.none"); lot != nil || err != nil {
		t.Errorf("found %v, %v", lot, err)
	}
}

func TestTailGivesEachBlockOnce(t *testing.T) {
	fs := vfs.NewMem()
	b := newBook(t, fs)
	b.fill(5)
	b.close()
	b.log = openTestLog(t, fs) // the first blocks are in the store only, the rest in memory too
	defer b.close()
	b.fill(5)
	for from := range b.log.Head().Next {
		var got []uint64
		err := b.log.Blocks(from, func(k *block.Block) error {
			got = append(got, k.First)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if len(got) == 0 || got[0] > from {
			t.Errorf("from %d: found the blocks at %v", from, got)
		}
		for i := 1; i < len(got); i++ {
			if got[i] != got[i-1]+3 && got[i-1] > 1 {
				t.Errorf("from %d: found the blocks at %v", from, got)
			}
		}
		if last := got[len(got)-1]; last != b.log.Head().Next-3 {
			t.Errorf("from %d: the last block is at %d", from, last)
		}
	}
}

func TestWait(t *testing.T) {
	b := newBook(t, vfs.NewMem())
	defer b.close()
	ctx, cancel := context.WithCancel(context.Background())
	if err := b.log.Wait(ctx, 1); err != nil {
		t.Errorf("applied already: %v", err)
	}
	done := make(chan error)
	go func() { done <- b.log.Wait(ctx, 4) }()
	b.fill(1)
	if err := <-done; err != nil {
		t.Error(err)
	}
	go func() { done <- b.log.Wait(ctx, 5) }()
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("found %v", err)
	}
}

func TestMismatches(t *testing.T) {
	tests := map[string]struct {
		change func(t *testing.T, b *book)
		want   []string
	}{
		"the journal's end is gone": {func(_ *testing.T, b *book) { b.journal.blocks = b.journal.blocks[:4] },
			[]string{"journal", "block 5", "positions 8 to 13"}},
		"the journal is empty": {func(_ *testing.T, b *book) { b.journal.blocks = nil },
			[]string{"journal", "block 1", "positions 0 to 13"}},
		"the journal's beginning is gone": {func(_ *testing.T, b *book) { b.journal.first = 3 },
			[]string{"journal", "block 1", "positions 0 to 1"}},
		"a hole": {func(_ *testing.T, b *book) { b.journal.missing = map[uint64]bool{3: true} },
			[]string{"journal", "block 3", "positions 2 to 4", "missing"}},
		"another last block": {func(_ *testing.T, b *book) {
			d := bytes.Clone(b.journal.blocks[5])
			d[100] ^= 1
			b.journal.blocks[5] = d
		}, []string{"journal", "block 6", "positions 11 to 13", "hash"}},
		"a next block that does not follow": {func(_ *testing.T, b *book) { b.journal.blocks = append(b.journal.blocks, b.journal.blocks[5]) },
			[]string{"journal", "block 7", "from 14", "begins at position 11"}},
		"a next block with another root": {func(t *testing.T, b *book) {
			k := *b.seal(b.mined("harrow-gully.other")).Block
			k.Root[3] ^= 1
			data, err := k.Encode()
			if err != nil {
				t.Fatal(err)
			}
			b.journal.blocks = append(b.journal.blocks, data)
		}, []string{"journal", "block 7", "from 14", "root"}},
		"a next block that is none": {func(_ *testing.T, b *book) { b.journal.blocks = append(b.journal.blocks, []byte("noise")) },
			[]string{"journal", "block 7", "from 14"}},
		"a next block of another log": {func(t *testing.T, b *book) {
			other := newBook(t, vfs.NewMem())
			defer other.close()
			other.fill(3)
			other.now += 1000
			other.fill(2)
			b.journal.blocks = append(b.journal.blocks, other.journal.blocks[6])
		}, []string{"journal", "block 7", "from 14", "block before"}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			b := newBook(t, vfs.NewMem())
			defer b.close()
			b.fill(4)
			test.change(t, b)
			_, err := b.log.CatchUp(context.Background(), b.journal)
			m, ok := errors.AsType[*Mismatch](err)
			if !ok {
				t.Fatalf("found %v", err)
			}
			for _, w := range test.want {
				if !strings.Contains(m.Error(), w) {
					t.Errorf("found %q, want %q in it", m, w)
				}
			}
			if f := b.log.ReadOnly(); f == nil || !strings.Contains(f.Message, m.Error()) {
				t.Errorf("found %v", f)
			}
		})
	}
}

// An error of the journal is no statement about it.
func TestAJournalThatCannotBeReachedIsNoMismatch(t *testing.T) {
	b := newBook(t, vfs.NewMem())
	defer b.close()
	b.journal.broken = map[uint64]bool{2: true}
	_, err := b.log.CatchUp(context.Background(), b.journal)
	if _, ok := errors.AsType[*Mismatch](err); ok || err == nil || b.log.ReadOnly() != nil {
		t.Errorf("found %v, %v", err, b.log.ReadOnly())
	}
}

func TestAStoreThatLostItsEndIsRefilled(t *testing.T) {
	fs := vfs.NewCrashableMem()
	b := newBook(t, fs)
	b.fill(2)
	b.close()
	older := fs.CrashClone(vfs.CrashCloneCfg{})
	b.log = openTestLog(t, fs)
	b.fill(3)
	b.close()
	// The store is taken back to an older state, the mark is not: what a manifest with a damaged end makes of a store.
	if err := fs.RemoveAll("data/log"); err != nil {
		t.Fatal(err)
	}
	if ok, err := vfs.Clone(older, fs, "data/log", "data/log"); err != nil || !ok {
		t.Fatal(ok, err)
	}
	b.log = openTestLog(t, fs)
	defer b.close()
	done, err := b.log.CatchUp(context.Background(), b.journal)
	if err != nil || done.Refilled == nil || done.Refilled.From != 8 || done.Refilled.To != 16 {
		t.Fatalf("found %+v, %v", done, err)
	}
	b.fsck()
}

func TestBothCopiesShorterThanTheMark(t *testing.T) {
	fs := vfs.NewCrashableMem()
	b := newBook(t, fs)
	b.fill(2)
	b.close()
	older := fs.CrashClone(vfs.CrashCloneCfg{})
	b.log = openTestLog(t, fs)
	b.fill(3)
	b.close()
	if err := fs.RemoveAll("data/log"); err != nil {
		t.Fatal(err)
	}
	if ok, err := vfs.Clone(older, fs, "data/log", "data/log"); err != nil || !ok {
		t.Fatal(ok, err)
	}
	b.journal.blocks = b.journal.blocks[:5]
	b.log = openTestLog(t, fs)
	defer b.close()
	_, err := b.log.CatchUp(context.Background(), b.journal)
	if m, ok := errors.AsType[*Mismatch](err); !ok || m.Copy != "journal" || m.To != 16 {
		t.Errorf("found %v", err)
	}
}

func TestAStoreWithoutItsMarkersIsNotMadeAnew(t *testing.T) {
	fs := vfs.NewMem()
	b := newBook(t, fs)
	b.fill(2)
	b.close()
	names, err := fs.List("data/log")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range names {
		if strings.HasPrefix(n, "marker.") {
			if err := fs.Remove("data/log/" + n); err != nil {
				t.Fatal(err)
			}
		}
	}
	_, err = Open(Options{Dir: "data", FS: fs})
	if !errors.Is(err, ErrDamaged) {
		t.Errorf("found %v", err)
	}
}

func TestLayersShadowWhatIsBelow(t *testing.T) {
	b := newBook(t, vfs.NewMem())
	defer b.close()
	b.append(b.mined("harrow-gully.a"))
	s := b.seal(b.described("harrow-gully.a"), b.mined("harrow-gully.b"))
	above := NewLayer(s.Draft, s.Draft.Next())
	look := func() {
		t.Helper()
		lot, err := above.Lot("harrow-gully.a")
		if err != nil || lot.Events != 2 {
			t.Errorf("found %+v, %v", lot, err)
		}
		history, err := above.History("harrow-gully.a")
		if err != nil || len(history) != 2 || history[0].Position != 2 || history[1].Position != 3 {
			t.Errorf("found %+v, %v", history, err)
		}
		id := s.Draft.events[1].ID()
		r, err := above.Recorded(id)
		if err != nil || r == nil || r.Position != 4 {
			t.Errorf("found %v, %v", r, err)
		}
		p, err := above.Posted("harrow-gully", r.Event.RequestID)
		if err != nil || p == nil || p.Position != 4 || p.Lot != "harrow-gully.b" {
			t.Errorf("found %v, %v", p, err)
		}
		if line, err := above.Line("harrow-gully.b"); err != nil || line == nil {
			t.Errorf("found %v, %v", line, err)
		}
	}
	look()
	if lot, _ := b.log.Lot("harrow-gully.b"); lot != nil {
		t.Error("a layer reaches the store before it is committed")
	}
	st, err := b.log.Stage(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.log.Commit(st); err != nil {
		t.Fatal(err)
	}
	look() // the store holds the events now, and the layer still stands on it
	above.StandOn(b.log)
	look()
}

func TestPrivateValues(t *testing.T) {
	b := newBook(t, vfs.NewMem())
	defer b.close()
	ev := b.mined("harrow-gully.a")
	ev.Remark, ev.Mined.Origin.Deposit = "from the second bench", "Wadla"
	ev.RequestID = opal.RequestID{5}
	salt := envelope.Salts(b.keys.SaltSecret[:], ev.Party, ev.RequestID)
	sealed, err := envelope.Seal(ev, salt)
	if err != nil {
		t.Fatal(err)
	}
	put := func(s *envelope.Sealed) {
		t.Helper()
		err := b.log.PutOpenings(EventOpenings{Party: ev.Party, RequestID: ev.RequestID, StatementHash: s.Hash, Openings: s.Openings}, EventOpenings{})
		if err != nil {
			t.Fatal(err)
		}
	}
	put(sealed)
	b.append(ev)
	// The same id with other content is refused by the ledger, and until then must leave alone what belongs to the first.
	other := *ev
	other.Remark = "something else"
	otherSealed, err := envelope.Seal(&other, salt)
	if err != nil {
		t.Fatal(err)
	}
	put(otherSealed)
	e, err := b.log.Event(ev.ID())
	if err != nil {
		t.Fatal(err)
	}
	if e.Recorded.Event.Remark != "" {
		t.Error("a private value is in the log")
	}
	shown, err := b.log.Show(e, ev.Party)
	if err != nil {
		t.Fatal(err)
	}
	if r := shown.Recorded; r.Event.Remark != ev.Remark || r.Event.Mined.Origin.Deposit != "Wadla" || r.Event.Party != ev.Party || len(shown.Withheld)+len(shown.Erased) != 0 {
		t.Errorf("found %+v", shown)
	}
	if shown, err := b.log.Show(e, "third-drawer"); err != nil || shown.Recorded.Event.Remark != "" || !slices.Equal(shown.Withheld, []string{"remark", "mined.origin.deposit"}) {
		t.Errorf("a stranger sees %+v, %v", shown, err)
	}
	if e.Recorded.Event.Remark != "" || e.Recorded.Event.Mined.Origin.Deposit != "" {
		t.Error("the event itself was changed")
	}
	for _, data := range b.journal.blocks {
		if bytes.Contains(data, []byte("Wadla")) {
			t.Error("a private value is in the journal")
		}
	}
	if report := b.fsck(); report.Openings != 1 || report.Unopened != 0 {
		t.Errorf("found %+v", report)
	}
	if err := b.log.openings.Delete(openingsKey(ev.Party, ev.RequestID, sealed.Hash), pebble.Sync); err != nil {
		t.Fatal(err)
	}
	if report := b.fsck(); report.Unopened != 1 || len(report.Notes) != 1 || !strings.Contains(report.Notes[0].String(), "position 2") {
		t.Errorf("found %+v", report)
	}
}

func TestMemoTakesNothingThatWasOvertaken(t *testing.T) {
	m := newMemo[account.Line](4)
	_, ticket := m.get("a")
	newer := &account.Line{Root: "a", Base: 2}
	m.put(map[string]*account.Line{"a": newer})
	m.fill("a", &account.Line{Root: "a", Base: 1}, ticket)
	if v, _ := m.get("a"); v != newer {
		t.Errorf("found %+v", v)
	}
	for i := range 100 {
		m.put(map[string]*account.Line{fmt.Sprint(i): newer})
	}
	if n := len(m.young) + len(m.old); n > 32 {
		t.Errorf("it keeps %d", n)
	}
}

func TestFlushesByItself(t *testing.T) {
	fs := vfs.NewCrashableMem()
	b := newBook(t, fs)
	defer b.close()
	b.close()
	l, err := Open(Options{Dir: "data", FS: fs, FlushEvery: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	b.log = l
	b.fill(1)
	seq := l.Head().Seq
	for began := time.Now(); ; time.Sleep(2 * time.Millisecond) {
		m := markFile{fs.CrashClone(vfs.CrashCloneCfg{}), "data", l.mark.codec}
		if got, err := m.read(); err == nil && got.Seq == seq {
			break
		}
		if time.Since(began) > 20*time.Second {
			t.Fatal("nothing is flushed")
		}
	}
}

func TestSignersOf(t *testing.T) {
	b := newBook(t, vfs.NewMem())
	defer b.close()
	b.fill(20)
	signers, done, err := b.log.SignersOf()
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := done(); err != nil {
			t.Error(err)
		}
	}()
	for range 2 { // the second time from memory
		for p := range b.log.Head().Next {
			e, err := b.log.At(p)
			if err != nil {
				t.Fatal(err)
			}
			want, err := b.log.Signers(p)
			if err != nil || len(want) == 0 {
				t.Fatalf("%v %v", want, err)
			}
			if got, err := signers(e); err != nil || !slices.Equal(got, want) {
				t.Errorf("position %d: %v %v, want %v", p, got, err, want)
			}
		}
	}
}
