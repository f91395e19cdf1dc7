package status

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// reader is the caller's end of a watch.
type reader struct {
	grpc.ServerStream
	ctx  context.Context
	take func(*pb.WatchResponse) error
}

func (r *reader) Context() context.Context       { return r.ctx }
func (r *reader) Send(n *pb.WatchResponse) error { return r.take(n) }
func (r *reader) SendMsg(any) error              { return nil }

// watcher collects what a watch sends.
type watcher struct {
	mu   sync.Mutex
	got  []*pb.WatchResponse
	beat string // id of the last heartbeat
	stop context.CancelFunc
	done chan error
}

func (w *world) watch(party string, in *pb.WatchRequest) *watcher {
	w.t.Helper()
	ctx, cancel := context.WithCancel(as(party))
	x := &watcher{stop: cancel, done: make(chan error, 1)}
	out := &reader{ctx: ctx, take: func(n *pb.WatchResponse) error {
		x.mu.Lock()
		defer x.mu.Unlock()
		if n.Kind == "heartbeat" {
			x.beat = n.Id
		} else {
			x.got = append(x.got, n)
		}
		return ctx.Err()
	}}
	service := w.service
	go func() { x.done <- service.Watch(in, out) }()
	w.t.Cleanup(cancel)
	return x
}

func (x *watcher) notices() []*pb.WatchResponse {
	x.mu.Lock()
	defer x.mu.Unlock()
	return slices.Clone(x.got)
}

// begun waits until the stream stands.
func (x *watcher) begun(t testing.TB) *watcher {
	t.Helper()
	waitFor(t, func() bool {
		x.mu.Lock()
		defer x.mu.Unlock()
		return x.beat != ""
	})
	return x
}

// end stops the watch and waits for it.
func (x *watcher) end(t testing.TB) {
	t.Helper()
	x.stop()
	select {
	case <-x.done:
	case <-time.After(10 * time.Second):
		t.Fatal("the watch does not end")
	}
}

func summaries(list []*pb.WatchResponse) (out []string) {
	for _, n := range list {
		s := fmt.Sprintf("%d %s", n.Position, n.Kind)
		if n.Event != nil {
			s += " " + n.Event.GetLot()
		}
		if n.Alert != nil {
			s += fmt.Sprintf(" alert:%s:%d", n.Alert.Lot, n.Alert.Count)
		}
		if n.Status != nil {
			s += " " + n.Status.OverallBefore + "→" + n.Status.OverallAfter
		}
		out = append(out, s)
	}
	return out
}

func TestWatchALot(t *testing.T) {
	w := newWorld(t)
	w.story()
	x := w.watch("shop", &pb.WatchRequest{Lot: ptr("dealer.c1")}).begun(t)
	w.one(sold("mine", "mine.s2", "2026-02-01", "shop")) // a sibling's
	d := w.one(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-02", Described: &opal.Described{BodyColour: "honey"}})
	late := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	waitFor(t, func() bool { return len(x.notices()) == 2 })
	want := []string{fmt.Sprintf("%d event dealer.c1", d.Position), fmt.Sprintf("%d status mine.r1 NOT_TESTED→DECLARED", late.Position)}
	if got := summaries(x.notices()); !slices.Equal(got, want) {
		t.Errorf("notices %q, want %q", got, want)
	}
	last := x.notices()[1]
	if last.Id != fmt.Sprintf("%s/%d", wire.Epoch(w.epoch), late.Position) || len(last.Status.Changes) != 1 || last.Status.Changes[0].Treatment != "SMOKE" {
		t.Errorf("notice %v", last)
	}
	x.end(t)
}

func TestWatchHoldingAndSold(t *testing.T) {
	w := newWorld(t)
	w.story()
	shop := w.watch("shop", &pb.WatchRequest{Holder: ptr("me")}).begun(t)
	dealer := w.watch("dealer", &pb.WatchRequest{Sold: ptr("me")}).begun(t)
	mine := w.watch("mine", &pb.WatchRequest{Holder: ptr("me")}).begun(t)
	late := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	own := w.one(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-02", Described: &opal.Described{BodyColour: "honey"}})
	offer := w.one(handed("mine", "mine.s2", "2026-02-03", "shop", opal.ForViewing))
	for name, test := range map[string]struct {
		x    *watcher
		want []string
	}{
		"the shop holds the stone": {shop, []string{
			fmt.Sprintf("%d alert alert:mine.r1:1", late.Position), fmt.Sprintf("%d event dealer.c1", own.Position), fmt.Sprintf("%d event mine.s2", offer.Position),
		}},
		"the dealer sold it": {dealer, []string{fmt.Sprintf("%d alert alert:mine.r1:1", late.Position)}},
		"the miner has the rest of the rough and two pieces of it": {mine, []string{
			fmt.Sprintf("%d alert mine.r1 alert:mine.r1:3", late.Position), fmt.Sprintf("%d event mine.s2", offer.Position),
		}},
	} {
		t.Run(name, func(t *testing.T) {
			waitFor(t, func() bool { return len(test.x.notices()) >= len(test.want) })
			if got := summaries(test.x.notices()); !slices.Equal(got, test.want) {
				t.Errorf("notices %q, want %q", got, test.want)
			}
		})
	}
	a := shop.notices()[0].Alert
	if a.Event != late.Event.ID() || a.Kind != "treated" || a.GetTreatment() != "SMOKE" || !slices.Equal(a.Lots, []string{"dealer.c1"}) || a.Text == "" || a.Link == "" {
		t.Errorf("alert %v", a)
	}
}

func TestWatchRefusals(t *testing.T) {
	w := newWorld(t)
	w.story()
	w.service = w.openIn("other", func(c *Config) { c.MaxWatches = 1; c.Patience = 50 * time.Millisecond })
	w.settle(w.service)
	epoch := wire.Epoch(w.epoch)
	for name, test := range map[string]struct {
		in     *pb.WatchRequest
		reason fault.Reason
		field  string
	}{
		"nothing to watch":       {&pb.WatchRequest{}, fault.InvalidField, "lot"},
		"two things to watch":    {&pb.WatchRequest{Lot: ptr("mine.r1"), Sold: ptr("me")}, fault.InvalidField, "lot"},
		"somebody else's lots":   {&pb.WatchRequest{Holder: ptr("mine")}, fault.InvalidField, "holder"},
		"somebody else's sales":  {&pb.WatchRequest{Sold: ptr("mine")}, fault.InvalidField, "sold"},
		"an unknown lot":         {&pb.WatchRequest{Lot: ptr("mine.none")}, fault.UnknownLot, "lot"},
		"no id":                  {&pb.WatchRequest{Sold: ptr("me"), After: ptr("12")}, fault.InvalidField, "after"},
		"an id of another epoch": {&pb.WatchRequest{Sold: ptr("me"), After: ptr(wire.Epoch([16]byte{9}) + "/3")}, fault.EpochChanged, "epoch"},
		"an id that is not yet":  {&pb.WatchRequest{Sold: ptr("me"), After: ptr(epoch + "/4000")}, fault.NotCaughtUp, ""},
		"an id with a sign":      {&pb.WatchRequest{Sold: ptr("me"), After: ptr(epoch + "/-1")}, fault.InvalidField, "after"},
	} {
		t.Run(name, func(t *testing.T) {
			x := w.watch("shop", test.in)
			err := <-x.done
			if f, ok := fault.As(err); !ok || f.Reason != test.reason || f.Field != test.field {
				t.Errorf("%v, want %s for %q", err, test.reason, test.field)
			}
		})
	}
	first := w.watch("shop", &pb.WatchRequest{Sold: ptr("me")}).begun(t)
	if err := <-w.watch("shop", &pb.WatchRequest{Sold: ptr("me")}).done; fault.Of(err) != fault.RateLimited {
		t.Errorf("a second stream where one is accepted: %v", err)
	}
	first.end(t)
	w.watch("shop", &pb.WatchRequest{Sold: ptr("me")}).begun(t)
	w.service.EndWatches()
}

// A reader that takes nothing is cut off and told where to go on; the streams of others go on meanwhile.
func TestASlowReaderIsCutOff(t *testing.T) {
	w := newWorld(t)
	w.story()
	w.service = w.openIn("other", func(c *Config) { c.SendWithin = 500 * time.Millisecond })
	ctx, cancel := context.WithCancel(as("shop"))
	defer cancel()
	slow := &reader{ctx: ctx, take: func(*pb.WatchResponse) error { <-ctx.Done(); return ctx.Err() }}
	done := make(chan error, 1)
	go func() { done <- w.service.Watch(&pb.WatchRequest{Holder: ptr("me")}, slow) }()
	quick := w.watch("shop", &pb.WatchRequest{Holder: ptr("me")}).begun(t)
	for i := range 5 {
		w.one(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-02", Described: &opal.Described{BodyColour: fmt.Sprintf("honey %d", i)}})
	}
	select {
	case err := <-done:
		if fault.Of(err) != fault.RateLimited {
			t.Errorf("the slow reader: %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("the slow reader is not cut off")
	}
	waitFor(t, func() bool { return len(quick.notices()) == 5 })
}

// However often a watch is cut off and resumed, it gives what an uninterrupted one gives: nothing lost, nothing doubled.
func TestWatchResumes(t *testing.T) {
	w := newWorld(t)
	w.at("2026-06-01")
	requests := map[string]func() (string, *pb.WatchRequest){
		"a lot":    func() (string, *pb.WatchRequest) { return "dealer", &pb.WatchRequest{Lot: ptr("mine.s1")} },
		"holding":  func() (string, *pb.WatchRequest) { return "mine", &pb.WatchRequest{Holder: ptr("me")} },
		"sold":     func() (string, *pb.WatchRequest) { return "mine", &pb.WatchRequest{Sold: ptr("me")} },
		"receives": func() (string, *pb.WatchRequest) { return "dealer", &pb.WatchRequest{Holder: ptr("me")} },
	}
	w.post(mined("mine.r1", 60, "60.00 ct"))
	w.post(splits("mine", "mine.r1", "2026-01-10", "mine.s", 20, "40.00 ct", 40))
	begin := w.watch("mine", &pb.WatchRequest{Sold: ptr("me")}).begun(t)
	start := begin.beat
	begin.end(t)

	broken := map[string][]*pb.WatchResponse{}
	var mu sync.Mutex
	var running sync.WaitGroup
	stop := make(chan struct{})
	for name, request := range requests {
		running.Go(func() {
			after := start
			for ending := false; !ending; {
				select {
				case <-stop:
					ending = true
				default:
				}
				party, in := request()
				in.After = &after
				ctx, cancel := context.WithCancel(as(party))
				n := 0
				out := &reader{ctx: ctx, take: func(x *pb.WatchResponse) error {
					if ctx.Err() != nil {
						return ctx.Err()
					}
					after = x.Id
					if x.Kind == "heartbeat" {
						return nil
					}
					mu.Lock()
					broken[name] = append(broken[name], x)
					mu.Unlock()
					if n++; n == 3 {
						cancel()
					}
					return nil
				}}
				timer := time.AfterFunc(40*time.Millisecond, cancel)
				_ = w.service.Watch(in, out)
				timer.Stop()
				cancel()
			}
		})
	}
	for i := range 20 {
		lot := fmt.Sprintf("mine.s%d", i+1)
		w.post(sold("mine", lot, "2026-01-11", "dealer", opal.ClaimUntreated), received("dealer", lot, "2026-01-12"))
		if i%3 == 0 {
			w.post(treated("mine", "mine.r1", "2026-01-05", opal.Smoke), mined(fmt.Sprintf("mine.x%d", i), 1, "1.00 ct"))
		}
		if i%5 == 0 {
			w.post(opal.Event{Party: "dealer", Lot: lot, OccurredAt: "2026-02-01", Described: &opal.Described{BodyColour: "honey"}})
		}
		time.Sleep(5 * time.Millisecond)
	}
	w.settle(w.service)
	time.Sleep(100 * time.Millisecond)
	close(stop)
	running.Wait()

	next, _ := w.log.Next()
	for name, request := range requests {
		t.Run(name, func(t *testing.T) {
			party, in := request()
			in.After = &start
			x := w.watch(party, in).begun(t)
			want := 0
			waitFor(t, func() bool { // the whole story, read back at once
				list := x.notices()
				settled := len(list) > 0 && len(list) == want
				want = len(list)
				time.Sleep(20 * time.Millisecond)
				return settled
			})
			whole := x.notices()
			x.end(t)
			if len(whole) < 7 || whole[len(whole)-1].Position >= int64(next) {
				t.Fatalf("%d notices: the comparison would say little", len(whole))
			}
			got := broken[name]
			if !slices.Equal(summaries(got), summaries(whole)) {
				t.Errorf("interrupted %q,\nwhole %q", summaries(got), summaries(whole))
			}
			for i := range min(len(got), len(whole)) {
				if got[i].String() != whole[i].String() {
					t.Errorf("interrupted %v,\nwhole %v", got[i], whole[i])
				}
			}
		})
	}
}

// More candidates than a watch keeps make it read the log again.
func TestAWatchThatFellBehindReadsTheLogAgain(t *testing.T) {
	w := newWorld(t)
	w.story()
	gate := make(chan struct{})
	ctx, cancel := context.WithCancel(as("shop"))
	defer cancel()
	var mu sync.Mutex
	var got []int64
	first := true
	out := &reader{ctx: ctx, take: func(n *pb.WatchResponse) error {
		if first {
			first = false
			<-gate
		}
		mu.Lock()
		defer mu.Unlock()
		if n.Kind != "heartbeat" {
			got = append(got, n.Position)
		}
		return nil
	}}
	done := make(chan error, 1)
	go func() { done <- w.service.Watch(&pb.WatchRequest{Holder: ptr("me")}, out) }()
	waitFor(t, w.service.proj.watch.any)
	var want []int64
	for range 12 {
		var list []opal.Event
		for i := range 100 {
			list = append(list, opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-02", Described: &opal.Described{BodyColour: fmt.Sprintf("honey %d", i)}})
		}
		for _, rec := range w.post(list...) {
			want = append(want, int64(rec.Position))
		}
	}
	w.settle(w.service)
	close(gate)
	waitFor(t, func() bool {
		mu.Lock()
		defer mu.Unlock()
		return len(got) >= len(want)
	})
	cancel()
	<-done
	if !slices.Equal(got, want) {
		t.Errorf("%d notices, want %d in order", len(got), len(want))
	}
}
