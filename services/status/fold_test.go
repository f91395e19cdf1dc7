package status

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// dump reads every record of a store.
func dump(t testing.TB, s *store) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	if err := s.each(nil, nil, func(key, value []byte) (bool, error) {
		all[string(key)] = bytes.Clone(value)
		return true, nil
	}); err != nil {
		t.Fatal(err)
	}
	return all
}

// same compares two stores record by record.
func same(t *testing.T, got, want map[string][]byte) {
	t.Helper()
	for key, v := range want {
		if !bytes.Equal(got[key], v) {
			t.Errorf("record %q: %x, want %x", key, got[key], v)
		}
	}
	for key := range got {
		if _, ok := want[key]; !ok {
			t.Errorf("record %q is one too many", key)
		}
	}
}

// everything posts an event of every kind that the projection folds, with what can be amended amended.
func (w *world) everything() {
	w.t.Helper()
	w.story()
	w.at("2026-06-01")
	late := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	w.post(opal.Event{Party: "treater", Lot: "mine.r1", OccurredAt: "2026-03-01", Corrected: &opal.Corrected{
		Event: late.Event.ID(), Because: "it was dyed", Replacement: &opal.Replacement{Treated: &opal.Treated{Treatment: opal.Dye}},
	}})
	w.post(opal.Event{Party: "mine", Lot: "mine.s2", OccurredAt: "2026-03-02", Moisture: opal.Dry, Sold: &opal.Sold{To: opal.Outside, Claims: []opal.Claim{{Claim: opal.ClaimNatural}}}})
	part := opal.Event{Party: "mine", Lot: "mine.r1", OccurredAt: "2026-03-03", Sold: &opal.Sold{To: "shop", Part: &opal.PartOf{Lot: "mine.p1", Pieces: pieces(2), Mass: "4.00 ct", Manner: opal.Unsorted, Moisture: opal.Dry}}}
	offer := w.one(part)
	w.post(opal.Event{Party: "shop", Lot: "mine.p1", OccurredAt: "2026-03-04", Refused: &opal.Refused{Because: "not as described"}})
	w.post(sold("mine", "mine.p1", "2026-03-05", "dealer"), received("dealer", "mine.p1", "2026-03-06"))
	sale := w.one(sold("dealer", "mine.p1", "2026-03-07", "shop", opal.ClaimUntreated))
	w.post(received("shop", "mine.p1", "2026-03-08"))
	w.post(opal.Event{Party: "shop", Lot: "mine.p1", OccurredAt: "2026-03-09", Returned: &opal.Returned{Sale: sale.Event.ID(), Because: "smells of smoke"}})
	w.post(handed("shop", "mine.p1", "2026-03-10", "dealer", opal.ForReturn), received("dealer", "mine.p1", "2026-03-11"))
	taken := w.one(handed("dealer", "mine.p1", "2026-03-12", "lab", opal.ForTesting))
	w.post(opal.Event{Party: "dealer", Lot: "mine.p1", OccurredAt: "2026-03-13", Withdrawn: &opal.Withdrawn{Event: taken.Event.ID(), Because: "not sent"}})
	w.post(handed("dealer", "mine.p1", "2026-03-14", "lab", opal.ForTesting), received("lab", "mine.p1", "2026-03-15"))
	test := w.one(opal.Event{Party: "lab", Lot: "mine.p1", OccurredAt: "2026-03-16", Tested: &opal.Tested{
		Method: opal.Microscope, Sample: opal.Sample{Kind: opal.Whole}, Findings: []opal.TestFinding{{Outcome: "CARBON_IN_SCRATCHES", Treatment: opal.Smoke, Where: opal.Scratch}},
	}})
	w.post(opal.Event{Party: "lab", Lot: "mine.p1", OccurredAt: "2026-03-17", Withdrawn: &opal.Withdrawn{Event: test.Event.ID(), Because: "another parcel"}})
	w.post(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-03-18", Closed: &opal.Closed{Reason: opal.ClosedToAWearer, Claims: []opal.Claim{{Claim: opal.ClaimUntreated}}}})
	w.post(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-03-19", Reopened: &opal.Reopened{Why: opal.ReopenRepair}})
	w.post(opal.Event{Party: "mine", Lot: "mine.s3", OccurredAt: "2026-03-19", HandleIssued: &opal.HandleIssued{Handle: opal.Handle([16]byte{9})}})
	w.post(opal.Event{Party: "mine", Lot: "mine.s3", OccurredAt: "2026-03-20", HandleRevoked: &opal.HandleRevoked{Handle: opal.Handle([16]byte{9})}})
	policy := opal.DefaultPolicy()
	policy.Version, policy.TransitDays = 2, 40
	policy.RuleTable = ruleTable()
	w.post(opal.Event{Party: opal.Admin, OccurredAt: "2026-03-20", PolicySet: &opal.PolicySet{Policy: policy}})
	counts := w.one(validated("2026-03-21", 40, 40, 0, 60))
	w.post(opal.Event{Party: "lab", OccurredAt: "2026-03-22", Corrected: &opal.Corrected{
		Event: counts.Event.ID(), Because: "one too many", Replacement: &opal.Replacement{MethodValidated: validation40(39, 39, 0, 60)},
	}})
	counted := w.one(sold("mine", "mine.s3", "2026-03-23", "shop", opal.ClaimNoResin))
	w.post(opal.Event{Party: "mine", Lot: "mine.s3", OccurredAt: "2026-03-23", Withdrawn: &opal.Withdrawn{Event: counted.Event.ID(), Because: "not sold after all"}})
	w.post(opal.Event{Party: "lab", OccurredAt: "2026-03-24", Withdrawn: &opal.Withdrawn{Event: counts.Event.ID(), Because: "mixed up"}})
	_ = offer
}

func TestRebuildIsByteIdentical(t *testing.T) {
	w := newWorld(t)
	w.everything()
	w.settle(w.service)
	live := dump(t, storeOf(w.service))
	alerts := 0
	for key := range live {
		if key[0] == kindAlert {
			alerts++
		}
	}
	if len(live) < 40 || alerts == 0 {
		t.Fatalf("%d records, %d alerts: the comparison would say little", len(live), alerts)
	}
	t.Run("block by block", func(t *testing.T) {
		f, err := newFolderAt(w, 1<<40)
		if err != nil {
			t.Fatal(err)
		}
		for more := true; more && err == nil; {
			more, err = tell(t.Context(), f.store, f.jobs, func([]string, uint64) {})
		}
		if err != nil {
			t.Fatal(err)
		}
		same(t, dump(t, f.store), live)
	})
	t.Run("all at once", func(t *testing.T) {
		other := w.openIn("other", nil)
		w.settle(other)
		same(t, dump(t, storeOf(other)), live)
	})
	t.Run("in place", func(t *testing.T) {
		if err := w.service.Rebuild(context.Background()); err != nil {
			t.Fatal(err)
		}
		same(t, dump(t, storeOf(w.service)), live)
		w.one(opal.Event{Party: "mine", Lot: "mine.s3", OccurredAt: "2026-05-01", Described: &opal.Described{BodyColour: "honey"}})
		if s := ask(t, "mine", w.service.GetStatus, &pb.GetStatusRequest{Lot: "mine.s3"}); s.Overall == "" {
			t.Errorf("after the rebuild: %v", s)
		}
		if left := entries(t, w, "data"); strings.Join(left, " ") != "status-6" {
			t.Errorf("folders %v, want status-6 alone", left)
		}
	})
	t.Run("opened again", func(t *testing.T) {
		w.settle(w.service)
		want := dump(t, storeOf(w.service))
		if err := w.service.Close(); err != nil {
			t.Fatal(err)
		}
		again := w.openIn("data", nil)
		w.settle(again)
		same(t, dump(t, storeOf(again)), want)
	})
}

// entries lists the projections in a folder.
func entries(t *testing.T, w *world, dir string) (out []string) {
	t.Helper()
	list, err := w.fs.List(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if strings.HasPrefix(e, "status-") {
			out = append(out, e)
		}
	}
	return out
}

func TestTheProjectionOfAnotherLogIsMadeAnew(t *testing.T) {
	one := newWorld(t)
	one.story()
	one.settle(one.service)
	if err := one.service.Close(); err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		epoch [16]byte
		fill  func(*world)
	}{
		"another epoch":                  {[16]byte{2}, (*world).story},
		"a shorter log":                  {[16]byte{1}, func(*world) {}},
		"another log of the same epoch":  {[16]byte{1}, func(w *world) { w.post(mined("mine.other", 1, "1.00 ct")); w.story() }},
		"the same blocks at other times": {[16]byte{1}, func(w *world) { w.now = w.now.Add(time.Hour); w.story() }},
		"the same log, some blocks more": {[16]byte{1}, func(w *world) { w.story(); w.post(mined("mine.more", 1, "1.00 ct")) }},
	} {
		t.Run(name, func(t *testing.T) {
			w := emptyWorld(t, test.epoch)
			test.fill(w)
			// The other log's projection lies in this log's folder, beside one of an earlier version of the program.
			copyFolder(t, one, "data/status-6", w, "data/status-6")
			if err := w.fs.MkdirAll("data/status-0", 0o700); err != nil {
				t.Fatal(err)
			}
			w.open()
			w.settle(w.service)
			got := dump(t, storeOf(w.service))
			fresh := w.openIn("fresh", nil)
			w.settle(fresh)
			same(t, got, dump(t, storeOf(fresh)))
			waitFor(t, func() bool { return strings.Join(entries(t, w, "data"), " ") == "status-6" })
		})
	}
}

func copyFolder(t *testing.T, from *world, source string, to *world, target string) {
	t.Helper()
	if err := to.fs.MkdirAll(target, 0o700); err != nil {
		t.Fatal(err)
	}
	list, err := from.fs.List(source)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range list {
		if err := writeFile(to, path.Join(target, name), readFile(t, from, path.Join(source, name))); err != nil {
			t.Fatal(err)
		}
	}
}

// waitFor waits for something that a goroutine does soon.
func waitFor(t testing.TB, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it does not come about")
		}
	}
}

// writes posts a block and counts the records that folding it writes.
func writes(t *testing.T, w *world, events ...opal.Event) int {
	t.Helper()
	w.settle(w.service)
	w.service.proj.folding.Lock()
	defer w.service.proj.folding.Unlock()
	g := w.service.proj.folder.newFolding()
	defer func() { _ = g.batch.Close() }()
	for _, rec := range w.post(events...) {
		if err := g.event(rec); err != nil {
			t.Fatal(err)
		}
	}
	if err := g.writeOut(); err != nil {
		t.Fatal(err)
	}
	return int(g.batch.Count())
}

// newFolderAt gives a folder over a store that holds the log up to a position.
func newFolderAt(w *world, to uint64) (*folder, error) {
	s, err := openStore(w.fs, fmt.Sprintf("at-%d", to), w.service.cfg.Logger)
	if err != nil {
		return nil, err
	}
	w.t.Cleanup(func() { _ = s.close() })
	f, err := w.service.proj.newFolder(s)
	if err != nil {
		return nil, err
	}
	return f, w.log.Tail(0, func(a *eventlog.Applied) error {
		if a.Block.First >= to {
			return nil
		}
		return f.blocks([]*eventlog.Applied{a})
	})
}

func TestLateDisclosureOnALotWith100000Descendants(t *testing.T) {
	splitsN, each := 100, 1_000
	if testing.Short() {
		splitsN, each = 10, 100
	}
	w := newWorld(t)
	w.at("2026-06-01")
	total := int64(splitsN*each) + 1
	w.post(mined("mine.big", total, fmt.Sprintf("%d.00 ct", total)))
	w.post(mined("mine.small", 1, "1.00 ct"))
	for i := range splitsN {
		left := total - int64((i+1)*each)
		w.post(splits("mine", "mine.big", "2026-01-10", fmt.Sprintf("mine.b%d-", i), each, fmt.Sprintf("%d.00 ct", left), left))
	}
	some := []string{"mine.b0-1", fmt.Sprintf("mine.b%d-%d", splitsN/2, each/2), fmt.Sprintf("mine.b%d-%d", splitsN-1, each)}
	w.post(sold("mine", some[1], "2026-01-11", "shop"), received("shop", some[1], "2026-01-12"))
	w.settle(w.service)
	before := map[string]*pb.GetStatusResponse{}
	for _, lot := range some {
		before[lot] = ask(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: lot})
	}

	small := writes(t, w, treated("mine", "mine.small", "2026-01-05", opal.Smoke))
	big := writes(t, w, treated("mine", "mine.big", "2026-01-05", opal.Smoke))
	if big > small+1 { // one more: the job for the alerts
		t.Errorf("folding the disclosure writes %d records with descendants, %d without", big, small)
	}
	for _, lot := range some {
		after := ask(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: lot})
		if got := verdictOf(after.Treatments, opal.Smoke); got != "DECLARED" {
			t.Errorf("%s in the very next read: smoke %s, want DECLARED", lot, got)
		}
		known := fmt.Sprint(before[lot].KnownAt)
		again := ask(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: lot, KnownAt: &known, AsOf: &before[lot].AsOf})
		again.Position = before[lot].Position
		if again.String() != before[lot].String() {
			t.Errorf("%s: what was known before has changed", lot)
		}
	}
	w.settle(w.service)
	next, _ := w.log.Next()
	for who, want := range map[affected]int64{{"mine", holding}: total - 1, {"shop", holding}: 1, {"mine", selling}: 1} {
		a, err := find(storeOf(w.service), storeOf(w.service).codecs.alert, keyAlert(who.party, who.side, next-1))
		if err != nil || a == nil {
			t.Fatalf("the alert of %v: %v", who, err)
		}
		if a.Count != want || len(a.Lots) != int(min(want, alertLots)) {
			t.Errorf("the alert of %v speaks of %d lots and names %d, want %d", who, a.Count, len(a.Lots), want)
		}
	}
}

func TestAWalkThatIsStoppedBeginsAgain(t *testing.T) {
	w := newWorld(t)
	w.story()
	w.settle(w.service)
	f, err := newFolderAt(w, 1<<40)
	if err != nil {
		t.Fatal(err)
	}
	late := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	if err := inGroups(t.Context(), w.log, late.Position, f.blocks); err != nil {
		t.Fatal(err)
	}
	stopped, stop := context.WithCancel(context.Background())
	stop()
	nobody := func(parties []string, _ uint64) { t.Errorf("a stopped walk told %v", parties) }
	if more, err := tell(stopped, f.store, f.jobs, nobody); !errors.Is(err, errStopped) || more {
		t.Fatalf("a stopped walk: %v, %v", more, err)
	}
	left, err := loadJobs(f.store)
	if position, ok := left.oldest(); err != nil || !ok || position != late.Position {
		t.Fatalf("after it, the oldest job is %d, %v, %v, want %d", position, ok, err, late.Position)
	}
	var parties []string
	more, err := tell(context.Background(), f.store, left, func(told []string, position uint64) {
		parties = told
		if held, ok := left.oldest(); !ok || held != position || position != late.Position {
			t.Errorf("told of %d, and watches are held back at %d, %v: one could pass it before it is woken", position, held, ok)
		}
	})
	if err != nil || !more || len(parties) == 0 {
		t.Fatalf("the second walk: %v, %v, %v", parties, more, err)
	}
	if left, err := loadJobs(f.store); err != nil || len(left.list) != 0 {
		t.Errorf("left to do: %v, %v", left.list, err)
	}
	w.settle(w.service)
	same(t, dump(t, f.store), dump(t, storeOf(w.service)))
}

// A crash takes back what was not written yet; what is left is a state that the projection had once, and it goes on from there.
func TestACrashIsMadeGood(t *testing.T) {
	w := newWorld(t)
	w.everything()
	w.settle(w.service)
	want := dump(t, storeOf(w.service))
	for seed := range uint64(20) {
		disk := vfs.NewCrashableMem()
		s := w.openIn("data", func(c *Config) { c.FS = disk })
		if seed%2 == 0 {
			w.settle(s)
		}
		if seed%4 == 0 {
			if err := storeOf(s).db.Flush(); err != nil {
				t.Fatal(err)
			}
		}
		after := disk.CrashClone(vfs.CrashCloneCfg{UnsyncedDataPercent: int(seed * 5), RNG: rand.New(rand.NewPCG(seed, 1))})
		again := w.openIn("data", func(c *Config) { c.FS = after })
		w.settle(again)
		same(t, dump(t, storeOf(again)), want)
		if err := errors.Join(s.Close(), again.Close()); err != nil {
			t.Fatal(err)
		}
	}
}

func TestADamagedProjectionIsMadeAnew(t *testing.T) {
	w := newWorld(t)
	w.everything()
	w.settle(w.service)
	want := dump(t, storeOf(w.service))
	if err := w.service.Close(); err != nil {
		t.Fatal(err)
	}
	list, err := w.fs.List("data/status-6")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range list {
		if !strings.HasPrefix(name, "MANIFEST") && !strings.HasPrefix(name, "OPTIONS") && !strings.HasSuffix(name, ".sst") {
			continue
		}
		for kind, damage := range map[string]func(b []byte) []byte{
			"cut short": func(b []byte) []byte { return b[:len(b)/2] },
			"gone":      func([]byte) []byte { return nil },
			"zeros":     func(b []byte) []byte { return make([]byte, len(b)) },
		} {
			t.Run(name+" "+kind, func(t *testing.T) {
				other := emptyWorld(t, [16]byte{7})
				copyFolder(t, w, "data/status-6", other, "data/status-6")
				damaged := path.Join("data/status-6", name)
				b := damage(readFile(t, other, damaged))
				if b == nil {
					err = other.fs.Remove(damaged)
				} else {
					err = writeFile(other, damaged, b)
				}
				if err != nil {
					t.Fatal(err)
				}
				s, err := Open(Config{Dir: "data", Log: w.log, Handle: handleOf, FS: other.fs, Now: func() time.Time { return w.now }})
				if err != nil {
					t.Fatal(err)
				}
				defer func() { _ = s.Close() }()
				w.settle(s)
				same(t, dump(t, storeOf(s)), want)
			})
		}
	}
}

// Damage that is found while the service runs has the projection made anew, too.
func TestDamageFoundWhileRunning(t *testing.T) {
	w := newWorld(t)
	w.everything()
	w.settle(w.service)
	want := dump(t, storeOf(w.service))
	damaged := storeOf(w.service)
	err := errors.New("a file is damaged")
	damaged.failed.Store(&err)
	w.one(opal.Event{Party: "mine", Lot: "mine.s3", OccurredAt: "2026-05-01", Described: &opal.Described{BodyColour: "honey"}})
	waitFor(t, func() bool { return storeOf(w.service) != damaged && w.service.Ready() == nil })
	w.settle(w.service)
	if got := dump(t, storeOf(w.service)); len(got) < len(want) {
		t.Errorf("%d records, there were %d", len(got), len(want))
	}
}

func readFile(t *testing.T, w *world, name string) []byte {
	t.Helper()
	in, err := w.fs.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if _, err := b.ReadFrom(in); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func writeFile(w *world, name string, b []byte) error {
	out, err := w.fs.Create(name, "")
	if err != nil {
		return err
	}
	_, err = out.Write(b)
	return errors.Join(err, out.Close())
}

func TestAlertsSpeakOfLotsMadeSinceOnly(t *testing.T) {
	w := newWorld(t)
	w.at("2026-06-01")
	w.post(mined("mine.r1", 10, "10.00 ct"))
	w.post(splits("mine", "mine.r1", "2026-01-10", "mine.early", 2, "8.00 ct", 8))
	w.post(splits("mine", "mine.r1", "2026-01-20", "mine.late", 2, "6.00 ct", 6))
	undone := w.one(splits("mine", "mine.r1", "2026-01-21", "mine.void", 1, "5.00 ct", 5))
	w.post(opal.Event{Party: "mine", Lot: "mine.r1", OccurredAt: "2026-01-22", Withdrawn: &opal.Withdrawn{Event: undone.Event.ID(), Because: "it was not done"}})
	for _, lot := range []string{"mine.early1", "mine.late1", "mine.late2"} {
		w.post(sold("mine", lot, "2026-01-25", "shop"), received("shop", lot, "2026-01-26"))
	}
	back := w.one(sold("shop", "mine.late2", "2026-01-27", "dealer"))
	w.post(received("dealer", "mine.late2", "2026-01-28"))
	w.post(opal.Event{Party: "dealer", Lot: "mine.late2", OccurredAt: "2026-01-29", Returned: &opal.Returned{Sale: back.Event.ID(), Because: "not as described"}})
	report := w.one(treated("mine", "mine.r1", "2026-01-15", opal.Dye))
	w.settle(w.service)
	s := storeOf(w.service)
	for who, want := range map[affected][]string{
		{"shop", holding}:   {"mine.late1"},
		{"dealer", holding}: {"mine.late2"},
		{"mine", holding}:   {"mine.r1"},
		{"mine", selling}:   {"mine.late1", "mine.late2"},
		{"shop", selling}:   nil, // the one that it sold came back
	} {
		a, err := find(s, s.codecs.alert, keyAlert(who.party, who.side, report.Position))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		if a != nil {
			got = a.Lots
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s, %c: alerted of %v, want %v", who.party, who.side, got, want)
		}
	}
}

func TestReadiness(t *testing.T) {
	w := newWorld(t)
	w.settle(w.service)
	if err := w.service.Ready(); err != nil {
		t.Errorf("caught up: %v", err)
	}
	w.service.proj.folding.Lock()
	w.one(mined("mine.r1", 1, "1.00 ct"))
	if err := w.service.Ready(); fault.Of(err) != fault.NotCaughtUp {
		t.Errorf("behind: %v", err)
	}
	w.service.proj.folding.Unlock()
	w.settle(w.service)
}

// A parcel of which every stone is reported by itself: thousands of events on one lot, and reads in between, keep up.
func TestALotWithThousandsOfEvents(t *testing.T) {
	n := 12_000
	if testing.Short() {
		n = 1_500
	}
	w := newWorld(t)
	w.at("2026-06-01")
	w.post(mined("mine.big", int64(n), fmt.Sprintf("%d.00 ct", n)))
	var events []opal.Event
	for i := range n {
		events = append(events, opal.Event{Party: "mine", Lot: "mine.big", OccurredAt: "2026-01-02", Tested: &opal.Tested{
			Method: opal.UVLongWave, Outcome: "WEAK", Sample: opal.Sample{Kind: opal.Pieces, Tested: pieces(1)}, Instrument: fmt.Sprintf("stone %d", i),
		}})
		if len(events) == 500 || i == n-1 {
			w.post(events...)
			events = nil
		}
	}
	began := time.Now()
	w.settle(w.service)
	out := ask(t, "mine", w.service.GetStatus, &pb.GetStatusRequest{Lot: "mine.big"})
	for _, tr := range out.Treatments {
		if tr.Treatment == string(opal.Dye) && (tr.Verdict != "NOT_TESTED" || len(tr.Evidence) != n) {
			t.Errorf("%s with %d items, want NOT_TESTED with %d", tr.Verdict, len(tr.Evidence), n)
		}
	}
	t.Logf("caught up and answered %s after the last event", time.Since(began).Round(time.Millisecond))
}
