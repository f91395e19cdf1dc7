package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"hash"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/opal"
)

var chaosFlips = flag.String("chaos.flips", "", "\"all\": flip every byte of the small stores, one after the other; \"3/32\": the fourth of 32 parts of that")

// sweep says which part of all bytes is to be flipped; whole is false for an ordinary run, which draws some. A whole sweep takes about an
// hour, and what a flip does to the process can be found in a part.
func sweep(t testing.TB) (part, parts int, whole bool) {
	switch given := *chaosFlips; given {
	case "":
		return 0, 1, false
	case "all":
		return 0, 1, true
	default:
		if _, err := fmt.Sscanf(given, "%d/%d", &part, &parts); err != nil || part < 0 || part >= parts {
			t.Fatalf("-chaos.flips: found %q, accepted are all and parts such as 3/32", given)
		}
		return part, parts, true
	}
}

// smallStore is a log of every kind of record, closed in good order, in both copies.
type smallStore struct {
	t       *testing.T
	keys    *envelope.Keys
	fs      *vfs.MemFS // the store and the private values
	journal string     // the folder of the embedded bus
	blocks  [][]byte   // the journal's messages
	digest  string     // of every answer
}

const smallParty = "harrow-gully"

func newSmallStore(t *testing.T) *smallStore {
	t.Helper()
	s := &smallStore{t: t, keys: newKeys(t), fs: vfs.NewCrashableMem(), journal: t.TempDir()}
	ctx := context.Background()
	b, err := bus.Open(ctx, bus.Config{Dir: s.journal})
	if err != nil {
		t.Fatal(err)
	}
	j, err := b.Journal(ctx, logName, true)
	if err != nil {
		t.Fatal(err)
	}
	log := openLog(t, s.fs)
	l := start(t, testConfig(log, j, s.keys))
	p := newPoster(t, s.keys, 4)
	accept(t, l, p.alone(p.enrolled(smallParty, opal.Miner)))
	for i := range 12 {
		lot := fmt.Sprintf("%s.f%d", smallParty, i)
		mined := p.mined(lot, 30)
		mined.Mined.Origin.Deposit = fmt.Sprintf("bench %d", i)
		sealed, err := envelope.Seal(mined, envelope.Salts(p.keys.SaltSecret[:], mined.Party, mined.RequestID))
		if err != nil {
			t.Fatal(err)
		}
		err = log.PutOpenings(eventlog.EventOpenings{Party: mined.Party, RequestID: mined.RequestID, StatementHash: sealed.Hash, Openings: sealed.Openings})
		if err != nil {
			t.Fatal(err)
		}
		accept(t, l, p.together(mined, p.described(lot)))
		if i%4 == 3 {
			if err := log.Flush(); err != nil {
				t.Fatal(err)
			}
		}
	}
	// Enough for a full tile of the tree.
	var many []*opal.Event
	for i := range 260 {
		many = append(many, p.described(fmt.Sprintf("%s.f%d", smallParty, i%12)))
	}
	accept(t, l, p.together(many...))
	check(t, log, j)
	s.digest = s.answers(log)
	l.Stop()
	closeLog(t, log)
	_, last, _, err := j.Span(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for seq := uint64(1); seq <= last; seq++ {
		data, found, err := j.Read(ctx, seq)
		if err != nil || !found {
			t.Fatal(found, err)
		}
		s.blocks = append(s.blocks, data)
	}
	b.Close()
	return s
}

// answers asks a log everything that can be asked, and gives the sum of the answers.
func (s *smallStore) answers(log *eventlog.Log) string {
	h := sha256.New()
	if err := s.ask(log, h); err != nil {
		return err.Error()
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

func (s *smallStore) ask(log *eventlog.Log, h hash.Hash) error {
	say := func(v any, err error) error {
		return errors.Join(err, json.NewEncoder(h).Encode(v))
	}
	next, epoch := log.Next()
	_ = say(fmt.Sprint(next, epoch), nil)
	err := log.Tail(0, func(a *eventlog.Applied) error {
		for _, r := range a.Events {
			if err := s.askEvent(log, r.Event.ID(), r.Position, say); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for p := uint64(0); p < next; {
		seq, data, err := log.BlockBytes(p)
		if err != nil {
			return err
		}
		_ = say(fmt.Sprintf("%d %x", seq, data), nil)
		b, err := block.Decode(data)
		if err != nil {
			return err
		}
		p += uint64(len(b.Events))
	}
	for i := range 13 {
		id := fmt.Sprintf("%s.f%d", smallParty, i)
		lot, err := log.Lot(id)
		if err != nil {
			return err
		}
		if lot != nil {
			_ = say(lot, nil)
		}
		line, err := log.Line(id)
		if err != nil {
			return err
		}
		if line != nil {
			_ = say(line, nil)
		}
		history, err := log.History(id)
		if err != nil {
			return err
		}
		_ = say(len(history), nil)
	}
	for _, id := range []string{opal.Admin, smallParty} {
		party, err := log.Party(id)
		if err != nil {
			return err
		}
		_ = say(party, nil)
		for i := range party.Tokens {
			_, token, ok, err := log.TokenParty(party.Tokens[i].Hash)
			if err != nil || !ok {
				return fmt.Errorf("token of %s: %v, %w", id, ok, err)
			}
			_ = say(token.Hash, nil)
		}
		for i := range party.Keys {
			if err := say(log.KeyHolder(party.Keys[i].ID)); err != nil {
				return err
			}
		}
	}
	tile, err := log.Tile(0, 0)
	return say(tile, err)
}

func (o outcome) String() string { return fmt.Sprintf("named %q, fault %v", o.named, o.fault) }

func (s *smallStore) askEvent(log *eventlog.Log, id string, position uint64, say func(any, error) error) error {
	e, err := log.Event(id)
	if err != nil {
		return err
	}
	if position%32 == 0 {
		if e, err = log.At(position); err != nil {
			return err
		}
	}
	shown, err := log.Show(e, e.Recorded.Event.Party)
	if err != nil {
		return err
	}
	r := shown.Recorded
	posted, err := log.Posted(r.Event.Party, r.Event.RequestID)
	if err != nil {
		return err
	}
	private := r.Event.Mined != nil && r.Event.Mined.Origin.Deposit != ""
	return say(fmt.Sprintf("%x %v %v %v", e.Statement, e.Recorded.Findings, *posted, private), nil)
}

// outcome is what became of a flipped byte.
type outcome struct {
	named string // what was said of it; "": nothing
	fault error  // set if it had an effect and nobody said so
}

// try opens the two copies and says how a flip in one of them was found, or whether it went without effect.
func (s *smallStore) try(fs vfs.FS, open func(create bool) (Journal, error)) (out outcome) {
	defer func() {
		if p := recover(); p != nil {
			out = outcome{fault: fmt.Errorf("panic: %v", p)}
		}
	}()
	log, err := eventlog.Open(eventlog.Options{Dir: "data", FS: fs, FlushEvery: -1, MemTableBytes: 1 << 20, CacheBytes: 1 << 20})
	if err != nil {
		return outcome{named: "open: " + err.Error()}
	}
	defer func() {
		if err := log.Close(); err != nil && out.named == "" && out.fault == nil {
			out.named = "close: " + err.Error()
		}
	}()
	j, err := open(log.Head().Seq == 0)
	if err != nil {
		return outcome{named: "journal: " + err.Error()}
	}
	l, err := Start(context.Background(), testConfig(log, j, s.keys))
	if err != nil {
		return outcome{named: "start: " + err.Error()}
	}
	l.Stop()
	if f := log.ReadOnly(); f != nil {
		return outcome{named: "start: " + f.Message}
	}
	r, err := eventlog.Fsck(context.Background(), j, log, nil)
	switch {
	case err != nil:
		return outcome{named: "fsck: " + err.Error()}
	case !r.OK():
		return outcome{named: "fsck: " + r.Problems[0].String()}
	case len(r.Notes) > 0:
		return outcome{named: "fsck notes: " + r.Notes[0].String()}
	}
	if got := s.answers(log); got != s.digest {
		return outcome{fault: fmt.Errorf("the answers differ and nothing was said: %s", got)}
	}
	return outcome{}
}

// flip changes one bit of a file.
type flip struct {
	file string
	at   int64
	bit  uint
}

func (f flip) String() string { return fmt.Sprintf("%s, byte %d, bit %d", f.file, f.at, f.bit) }

// flips draws n flips over files in proportion to their sizes, or with -chaos.flips=all takes one of each byte.
func flips(t testing.TB, names []string, sizes []int64, n int, seed uint64) []flip {
	var list []flip
	rng := rand.New(rand.NewPCG(seed, 6))
	if part, parts, whole := sweep(t); whole {
		count := 0
		for i, name := range names {
			for at := range sizes[i] {
				f := flip{name, at, uint(rng.IntN(8))}
				if count%parts == part {
					list = append(list, f)
				}
				count++
			}
		}
		return list
	}
	var total int64
	for _, s := range sizes {
		total += s
	}
	for range n {
		at := rng.Int64N(total)
		for i, size := range sizes {
			if at < size {
				list = append(list, flip{names[i], at, uint(rng.IntN(8))})
				break
			}
			at -= size
		}
	}
	// Small files are looked at as well, whatever the draw: some of each.
	for i, name := range names {
		for range min(8, sizes[i]) {
			list = append(list, flip{name, rng.Int64N(sizes[i]), uint(rng.IntN(8))})
		}
	}
	return list
}

// tally counts what became of flips, and fails the test for those with an effect that nobody named.
type tally struct{ open, start, fsck, none int }

func (c *tally) add(t *testing.T, f flip, o outcome) {
	t.Helper()
	switch {
	case o.fault != nil:
		t.Errorf("%s: %v", f, o.fault)
	case o.named == "":
		c.none++
	case strings.HasPrefix(o.named, "open"), strings.HasPrefix(o.named, "journal"):
		c.open++
	case strings.HasPrefix(o.named, "start"):
		c.start++
	default:
		c.fsck++
	}
}

func flipCount(t *testing.T, n int) int {
	t.Helper()
	if testing.Short() {
		return n / 20
	}
	return n
}

func TestChaosFlipsInTheStore(t *testing.T) {
	t.Parallel()
	s := newSmallStore(t)
	var names []string
	var sizes []int64
	for _, dir := range []string{"data", "data/log", "data/openings"} {
		list, err := s.fs.List(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range list {
			path := s.fs.PathJoin(dir, name)
			info, err := s.fs.Stat(path)
			if err != nil {
				t.Fatal(err)
			}
			if !info.IsDir() && info.Size() > 0 {
				names, sizes = append(names, path), append(sizes, info.Size())
			}
		}
	}
	journal := func(bool) (Journal, error) {
		j := &memoryJournal{}
		j.messages = append(j.messages, s.blocks...)
		return j, nil
	}
	if o := s.try(s.fs.CrashClone(vfs.CrashCloneCfg{}), journal); o.named != "" || o.fault != nil {
		t.Fatalf("without a flip: %v", o)
	}
	c := &tally{}
	for _, f := range flips(t, names, sizes, flipCount(t, 1000), 1) {
		fs := s.fs.CrashClone(vfs.CrashCloneCfg{})
		if err := flipIn(fs, f); err != nil {
			t.Fatal(err)
		}
		c.add(t, f, s.try(fs, journal))
	}
	t.Logf("named when opened %d, at start %d, by fsck %d; without effect %d", c.open, c.start, c.fsck, c.none)
	if c.open == 0 || c.fsck == 0 {
		t.Errorf("found %+v: the flips do not reach what is checked", c)
	}
	// A file that is gone is found too.
	for _, name := range names {
		fs := s.fs.CrashClone(vfs.CrashCloneCfg{})
		if err := fs.Remove(name); err != nil {
			t.Fatal(err)
		}
		if o := s.try(fs, journal); o.fault != nil {
			t.Errorf("without %s: %v", name, o.fault)
		}
	}
}

func flipIn(fs vfs.FS, f flip) error {
	file, err := fs.Open(f.file)
	if err != nil {
		return err
	}
	content, err := io.ReadAll(file)
	if err = errors.Join(err, file.Close()); err != nil {
		return err
	}
	content[f.at] ^= 1 << f.bit
	out, err := fs.Create(f.file, vfs.WriteCategoryUnspecified)
	if err != nil {
		return err
	}
	_, err = out.Write(content)
	return errors.Join(err, out.Sync(), out.Close())
}

func TestChaosFlipsInTheJournal(t *testing.T) {
	t.Parallel()
	s := newSmallStore(t)
	var names []string
	var sizes []int64
	files := map[string][]byte{}
	err := filepath.WalkDir(s.journal, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(s.journal, path)
		files[name] = content
		if len(content) > 0 {
			names, sizes = append(names, name), append(sizes, int64(len(content)))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	try := func(f *flip) outcome {
		t.Helper()
		work, err := os.MkdirTemp(dir, "")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(work)
		for name, content := range files {
			if f != nil && f.file == name {
				content = bytes.Clone(content)
				content[f.at] ^= 1 << f.bit
			}
			path := filepath.Join(work, name)
			if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, content, 0o600)); err != nil {
				t.Fatal(err)
			}
		}
		b, err := bus.Open(context.Background(), bus.Config{Dir: work})
		if err != nil {
			return outcome{named: "journal: " + err.Error()}
		}
		defer b.Close()
		return s.try(s.fs.CrashClone(vfs.CrashCloneCfg{}), func(create bool) (Journal, error) {
			j, err := b.Journal(context.Background(), logName, create)
			if err != nil {
				return nil, err
			}
			return j, nil
		})
	}
	if o := try(nil); o.named != "" || o.fault != nil {
		t.Fatalf("without a flip: %v", o)
	}
	c := &tally{}
	for _, f := range flips(t, names, sizes, flipCount(t, 500), 2) {
		c.add(t, f, try(&f))
	}
	t.Logf("named when opened %d, at start %d, by fsck %d; without effect %d", c.open, c.start, c.fsck, c.none)
	if c.start == 0 {
		t.Errorf("found %+v: the flips do not reach what is checked", c)
	}
}

// TestChaosFlipsInRecords changes records below all checksums, as a fault of the program or of memory would: of one record of every kind
// some bytes, or with -chaos.flips=all each.
func TestChaosFlipsInRecords(t *testing.T) {
	t.Parallel()
	s := newSmallStore(t)
	journal := &memoryJournal{messages: s.blocks}
	records := s.oneOfEachKind()
	if len(records) < 11 {
		t.Fatalf("found %d kinds of record", len(records))
	}
	rng := rand.New(rand.NewPCG(3, 6))
	for _, r := range records {
		value := r[1]
		var at []int
		part, parts, whole := sweep(t)
		for i := range value {
			if i%parts == part {
				at = append(at, i)
			}
		}
		if n := flipCount(t, 20); !whole && len(at) > n {
			rng.Shuffle(len(at), func(i, k int) { at[i], at[k] = at[k], at[i] })
			at = at[:n]
		}
		for _, i := range at {
			changed := bytes.Clone(value)
			changed[i] ^= 1 << rng.IntN(8)
			fs := s.fs.CrashClone(vfs.CrashCloneCfg{})
			s.put(fs, r[0], changed)
			if o := s.try(fs, func(bool) (Journal, error) { return journal, nil }); o.fault != nil || o.named == "" {
				t.Errorf("record %q, byte %d of %d: %+v", r[0], i, len(value), o)
			}
		}
	}
}

// TestChaosFlipsInBlocks changes the bytes of a block that the journal's own checksums let through.
func TestChaosFlipsInBlocks(t *testing.T) {
	t.Parallel()
	s := newSmallStore(t)
	rng := rand.New(rand.NewPCG(5, 6))
	for n, seq := range []int{0, 1, 5, len(s.blocks) - 1} {
		data := s.blocks[seq]
		step, first := max(1, len(data)/flipCount(t, 40)), n
		if part, parts, whole := sweep(t); whole {
			step, first = parts, part
		}
		for i := first % step; i < len(data); i += step {
			j := &memoryJournal{}
			j.messages = append(j.messages, s.blocks...)
			j.messages[seq] = bytes.Clone(data)
			j.messages[seq][i] ^= 1 << rng.IntN(8)
			o := s.try(s.fs.CrashClone(vfs.CrashCloneCfg{}), func(bool) (Journal, error) { return j, nil })
			if o.fault != nil || !strings.Contains(o.named, fmt.Sprintf("block %d", seq+1)) {
				t.Errorf("block %d, byte %d of %d: %+v", seq+1, i, len(data), o)
			}
		}
	}
}

func (s *smallStore) rawStore(fs vfs.FS) *pebble.DB {
	s.t.Helper()
	db, err := pebble.Open("data/log", &pebble.Options{FS: fs, Logger: quiet{}, DisableWAL: true, FormatMajorVersion: pebble.FormatValueSeparation})
	if err != nil {
		s.t.Fatal(err)
	}
	return db
}

// oneOfEachKind takes a record of every kind from the store.
func (s *smallStore) oneOfEachKind() (records [][2][]byte) {
	s.t.Helper()
	db := s.rawStore(s.fs.CrashClone(vfs.CrashCloneCfg{}))
	defer db.Close()
	it, err := db.NewIter(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	defer it.Close()
	seen := map[byte]bool{}
	for ok := it.First(); ok; ok = it.Next() {
		if kind := it.Key()[0]; !seen[kind] {
			seen[kind] = true
			records = append(records, [2][]byte{bytes.Clone(it.Key()), bytes.Clone(it.Value())})
		}
	}
	return records
}

func (s *smallStore) put(fs vfs.FS, key, value []byte) {
	s.t.Helper()
	db := s.rawStore(fs)
	if err := errors.Join(db.Set(key, value, pebble.NoSync), db.Flush(), db.Close()); err != nil {
		s.t.Fatal(err)
	}
}
