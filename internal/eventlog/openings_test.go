package eventlog

import (
	"bytes"
	"errors"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// private is an event with private values, in a book.
func (b *book) private(name string, number byte) (*Event, EventOpenings) {
	b.t.Helper()
	ev := b.mined("harrow-gully." + name)
	ev.Remark, ev.Mined.Origin.Deposit, ev.RequestID = "planted remark of "+name, "planted deposit of "+name, opal.RequestID{number}
	sealed, err := envelope.Seal(ev, envelope.Salts(b.keys.SaltSecret[:], ev.Party, ev.RequestID))
	if err != nil {
		b.t.Fatal(err)
	}
	o := EventOpenings{ev.Party, ev.RequestID, sealed.Hash, sealed.Openings}
	if err := b.log.PutOpenings(o); err != nil {
		b.t.Fatal(err)
	}
	b.append(ev)
	e, err := b.log.Event(ev.ID())
	if err != nil || e == nil {
		b.t.Fatalf("%v %v", e, err)
	}
	return e, o
}

// onDisk is all bytes of all files, and all records of the stores as they are read.
func (b *book) onDisk(fs vfs.FS) []byte {
	b.t.Helper()
	var all bytes.Buffer
	var walk func(dir string)
	walk = func(dir string) {
		list, err := fs.List(dir)
		if err != nil {
			b.t.Fatal(err)
		}
		for _, name := range list {
			full := fs.PathJoin(dir, name)
			info, err := fs.Stat(full)
			if errors.Is(err, os.ErrNotExist) {
				continue
			}
			if err != nil {
				b.t.Fatal(err)
			}
			if info.IsDir() {
				walk(full)
				continue
			}
			f, err := fs.Open(full)
			if errors.Is(err, os.ErrNotExist) {
				continue // removed meanwhile
			}
			if err != nil {
				b.t.Fatal(err)
			}
			if _, err := io.Copy(&all, f); err != nil {
				b.t.Fatal(err)
			}
			f.Close()
		}
	}
	walk("data")
	for _, db := range []*pebble.DB{b.log.db, b.log.openings} {
		it, err := db.NewIter(nil)
		if err != nil {
			b.t.Fatal(err)
		}
		for ok := it.First(); ok; ok = it.Next() {
			all.Write(it.Key())
			all.Write(it.Value())
		}
		if err := it.Close(); err != nil {
			b.t.Fatal(err)
		}
	}
	return all.Bytes()
}

func (b *book) reopen(fs vfs.FS) {
	b.t.Helper()
	b.log = openTestLog(b.t, fs)
	if _, err := b.log.CatchUp(b.t.Context(), b.journal); err != nil {
		b.t.Fatal(err)
	}
}

// A private value is on no disk as it is, is shown to its poster and to whom the poster names, and is gone for good once it was erased: its key is on no disk any more, and the same
// request, sent again, does not bring it back.
func TestSealedValues(t *testing.T) {
	fs := vfs.NewMem()
	b := newBook(t, fs)
	e, o := b.private("a", 1)
	other, _ := b.private("b", 2)
	disk := b.onDisk(fs)
	if bytes.Contains(disk, []byte("planted")) {
		t.Error("a private value is on the disk as it is")
	}
	key := func(e *Event, path string) []byte {
		t.Helper()
		r, err := b.log.openingsRecord(keyOfEvent(e))
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(r.Values, func(s sealedOpening) bool { return s.Path == path })
		k, ok, err := b.log.openingKeys.get(r.Values[i].Place)
		if err != nil || !ok {
			t.Fatalf("the key of %s: %v %v", path, ok, err)
		}
		return k[:]
	}
	remark, deposit := key(e, "remark"), key(e, "mined.origin.deposit")
	if bytes.Equal(remark, deposit) || !bytes.Contains(disk, remark) {
		t.Error("each value has a key of its own, on the disk")
	}

	for path, reason := range map[string]string{"price": "accepted is one of the event's private values: remark, mined.origin.deposit", "mined": "accepted is one"} {
		if err := b.log.Reveal(e, path, "third-drawer"); err == nil || !strings.Contains(err.Error(), reason) {
			t.Errorf("%s: %v", path, err)
		}
	}
	if err := b.log.Reveal(e, "remark", "third-drawer"); err != nil {
		t.Fatal(err)
	}
	see := func(party string, e *Event, remark string, withheld, erased []string) {
		t.Helper()
		s, err := b.log.Show(e, party)
		if err != nil {
			t.Fatal(err)
		}
		if s.Recorded.Event.Remark != remark || !slices.Equal(s.Withheld, withheld) || !slices.Equal(s.Erased, erased) {
			t.Errorf("%q sees %q, withheld %v, erased %v, %v", party, s.Recorded.Event.Remark, s.Withheld, s.Erased, err)
		}
	}
	both := []string{"remark", "mined.origin.deposit"}
	see("third-drawer", e, "planted remark of a", []string{"mined.origin.deposit"}, nil)
	see("third-drawer", other, "", both, nil)
	see("wet-wheel", e, "", both, nil)
	see("", e, "", both, nil)
	see("third", e, "", both, nil)

	if _, err := b.log.Erase(e, []string{"remark", "price"}); fault.Of(err) != fault.InvalidField || !strings.Contains(err.Error(), "price") {
		t.Errorf("a field that there is not: %v", err)
	}
	see("harrow-gully", e, "planted remark of a", nil, nil)
	erased, err := b.log.Erase(e, []string{"remark"})
	if err != nil || !slices.Equal(erased, []string{"remark"}) {
		t.Fatalf("%v %v", erased, err)
	}
	if bytes.Contains(b.onDisk(fs), remark) || !bytes.Contains(b.onDisk(fs), deposit) {
		t.Error("the key of what was erased, and that one alone, is gone from the disk")
	}
	if again, err := b.log.Erase(e, []string{"remark"}); err != nil || !slices.Equal(again, erased) {
		t.Errorf("again: %v %v", again, err)
	}
	if err := b.log.PutOpenings(o); err != nil {
		t.Fatal(err)
	}
	see("harrow-gully", e, "", nil, []string{"remark"})
	see("third-drawer", e, "", []string{"mined.origin.deposit"}, []string{"remark"})
	if err := b.log.Reveal(e, "remark", "wet-wheel"); err == nil || !strings.Contains(err.Error(), "was erased") {
		t.Errorf("shown after it was erased: %v", err)
	}
	b.close()
	b.reopen(fs)
	see("harrow-gully", e, "", nil, []string{"remark"})
	see("third-drawer", other, "", both, nil)
	if report := b.fsck(); report.Openings != 2 || report.Unopened != 0 {
		t.Errorf("%+v", report)
	}
	if _, err := b.log.Erase(e, nil); err != nil {
		t.Fatal(err)
	}
	see("harrow-gully", e, "", nil, both)
	if report := b.fsck(); report.Openings != 1 || report.Erased != 1 || len(report.Problems) != 0 {
		t.Errorf("%+v", report)
	}
	b.close()
}

// What was erased stays so if the power fails right after, and what was acknowledged stays readable; a key that was damaged is found.
func TestErasingAndPower(t *testing.T) {
	fs := vfs.NewCrashableMem()
	b := newBook(t, fs)
	e, _ := b.private("a", 1)
	other, _ := b.private("b", 2)
	if _, err := b.log.Erase(e, nil); err != nil {
		t.Fatal(err)
	}
	after := fs.CrashClone(vfs.CrashCloneCfg{UnsyncedDataPercent: 0})
	b.close()
	b.reopen(after)
	if s, err := b.log.Show(e, "harrow-gully"); err != nil || len(s.Erased) != 2 || s.Recorded.Event.Remark != "" {
		t.Errorf("%+v %v", s, err)
	}
	if s, err := b.log.Show(other, "harrow-gully"); err != nil || s.Recorded.Event.Remark != "planted remark of b" {
		t.Errorf("%+v %v", s, err)
	}
	// Another key than it was sealed with: damage, and not an erased value.
	r, err := b.log.openingsRecord(keyOfEvent(other))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.log.openingKeys.file.WriteAt([]byte{1}, int64(r.Values[0].Place*keySize)); err != nil {
		t.Fatal(err)
	}
	if _, err := b.log.Show(other, "harrow-gully"); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("with another key: %v", err)
	}
	report, err := Fsck(t.Context(), b.journal, b.log, nil)
	if err != nil || len(report.Problems) != 1 || report.Problems[0].Copy != "openings" {
		t.Errorf("%+v %v", report, err)
	}
	b.close()
}

// However often and at once the same values are stored, they have one key each, so that destroying it is enough.
func TestOneKeyForAValue(t *testing.T) {
	fs := vfs.NewMem()
	b := newBook(t, fs)
	ev := b.mined("harrow-gully.a")
	ev.Remark, ev.RequestID = "planted", opal.RequestID{1}
	sealed, err := envelope.Seal(ev, envelope.Salts(b.keys.SaltSecret[:], ev.Party, ev.RequestID))
	if err != nil {
		t.Fatal(err)
	}
	o := EventOpenings{ev.Party, ev.RequestID, sealed.Hash, sealed.Openings}
	var wg sync.WaitGroup
	for range 16 {
		wg.Go(func() {
			if err := b.log.PutOpenings(o, o); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if b.log.openingKeys.next != 2 {
		t.Errorf("%d keys for one value", b.log.openingKeys.next-1)
	}
	b.append(ev)
	b.close()
}

// A file of keys that lost its end or its beginning.
func TestKeyFile(t *testing.T) {
	fs := vfs.NewMem()
	k, err := openKeyFile(fs, "keys", false)
	if err != nil {
		t.Fatal(err)
	}
	first, err := k.add([][keySize]byte{{1}, {2}})
	if err != nil || first != 1 {
		t.Fatalf("%d %v", first, err)
	}
	if _, err := k.file.WriteAt([]byte{3, 3}, 3*keySize); err != nil { // half a key, as a crash leaves it
		t.Fatal(err)
	}
	if err := k.close(); err != nil {
		t.Fatal(err)
	}
	if k, err = openKeyFile(fs, "keys", false); err != nil {
		t.Fatal(err)
	}
	if first, err := k.add([][keySize]byte{{4}}); err != nil || first != 4 {
		t.Errorf("behind half a key: place %d, %v", first, err)
	}
	for place, want := range map[uint64]byte{1: 1, 2: 2, 4: 4} {
		if key, ok, err := k.get(place); err != nil || !ok || key[0] != want {
			t.Errorf("place %d: %v %v %v", place, key[0], ok, err)
		}
	}
	for _, place := range []uint64{0, 5, 1 << 40} {
		if _, _, err := k.get(place); err == nil {
			t.Errorf("place %d is read", place)
		}
		if err := k.destroy([]uint64{place}); err == nil {
			t.Errorf("place %d is destroyed", place)
		}
	}
	if _, err := k.file.WriteAt([]byte("x"), 0); err != nil {
		t.Fatal(err)
	}
	if err := k.close(); err != nil {
		t.Fatal(err)
	}
	if _, err := openKeyFile(fs, "keys", false); err == nil || !strings.Contains(err.Error(), keyMagic[:20]) {
		t.Errorf("with another beginning: %v", err)
	}
	if k, err := openKeyFile(fs, "none", true); k != nil || err != nil {
		t.Errorf("read only and not there: %v %v", k, err)
	}
}

// A store that an older version wrote, with values as they were, is sealed at the next start, and the old bytes are gone.
func TestPlainValuesAreSealed(t *testing.T) {
	fs := vfs.NewMem()
	b := newBook(t, fs)
	e, o := b.private("a", 1)
	plain, err := envelope.EncodeOpenings(o.Openings)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.log.openings.Set(keyOfEvent(e), plain, pebble.Sync); err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(b.onDisk(fs), []byte("planted")) {
		t.Fatal("nothing is plain")
	}
	b.close()
	b.reopen(fs)
	// The store removes what it no longer needs in its own time.
	for deadline := time.Now().Add(10 * time.Second); bytes.Contains(b.onDisk(fs), []byte("planted")); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the plain value is still there")
		}
	}
	if s, err := b.log.Show(e, "harrow-gully"); err != nil || s.Recorded.Event.Remark != "planted remark of a" {
		t.Errorf("%+v %v", s, err)
	}
	b.close()
}
