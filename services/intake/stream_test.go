package intake

import (
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// A stream answers its batches in order, and a refused one does not end it.
func TestStream(t *testing.T) {
	s := start(t, nil)
	s.judge = func(ev *opal.Event) *fault.Error {
		if ev.RequestID == requestID(21) {
			return fault.New(fault.PieceMismatch, "split.children", "found 3, accepted are 4")
		}
		return nil
	}
	stream, err := s.AppendStream(as("miner"))
	if err != nil {
		t.Fatal(err)
	}
	batches := [][]*pb.Event{
		{described(t, 1), described(t, 2)},
		{described(t, 20), described(t, 21)}, // refused by the sequencer
		{described(t, 3), {}},                // refused by its shape
		{},
		{described(t, 4)},
		{described(t, 1)}, // again
	}
	go func() {
		for _, b := range batches {
			if err := stream.Send(&pb.AppendStreamRequest{Events: b}); err != nil {
				t.Error(err)
			}
		}
		if err := stream.CloseSend(); err != nil {
			t.Error(err)
		}
	}()
	want := []struct {
		positions []int64
		refusal   *pb.Refusal
	}{
		{[]int64{0, 1}, nil},
		{nil, &pb.Refusal{Code: int32(codes.FailedPrecondition), Reason: "PIECE_MISMATCH", Field: "events[1].split.children", Message: "found 3, accepted are 4"}},
		{nil, &pb.Refusal{Code: int32(codes.InvalidArgument), Reason: "INVALID_FIELD", Field: "events[1].requestId"}},
		{nil, &pb.Refusal{Code: int32(codes.InvalidArgument), Reason: "INVALID_FIELD", Field: "events", Message: "found none, accepted are 1 to 1000"}},
		{[]int64{2}, nil},
		{[]int64{0}, nil},
	}
	for i, w := range want {
		got, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		var positions []int64
		for _, r := range got.Results {
			positions = append(positions, r.Position)
		}
		if got.Refusal != nil && w.refusal != nil && w.refusal.Message == "" {
			w.refusal.Message = got.Refusal.Message
		}
		if got.Batch != int64(i) || !slices.Equal(positions, w.positions) || !proto.Equal(got.Refusal, w.refusal) {
			t.Errorf("batch %d: got %v", i, got)
		}
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("the end: %v", err)
	}
}

// However much a stream sends, the service holds no more of it than the window, and takes it in order.
func TestStreamWindow(t *testing.T) {
	const window, batches = 3, 60
	s := start(t, func(c *Config) { c.StreamWindow = window })
	open := make(chan struct{})
	s.hold = func(*bus.Submission) { <-open }
	stream, err := s.AppendStream(as("miner"))
	if err != nil {
		t.Fatal(err)
	}
	var sent atomic.Int64
	go func() {
		for i := range batches {
			m := event(t, i+1, `{"lot": "harrow-gully.r7", "described": {}}`)
			m.Remark = proto.String(strings.Repeat("x", 2_000))
			list := []*pb.Event{m}
			for range 9 {
				c := proto.Clone(m).(*pb.Event)
				c.RequestId = proto.String(requestID(1_000 + len(list) + 10*i).String())
				list = append(list, c)
			}
			if err := stream.Send(&pb.AppendStreamRequest{Events: list}); err != nil {
				t.Error(err)
				return
			}
			sent.Add(1)
		}
		if err := stream.CloseSend(); err != nil {
			t.Error(err)
		}
	}()
	taken := func() int {
		s.service.queue.mu.Lock()
		defer s.service.queue.mu.Unlock()
		n := 0
		for _, turn := range s.service.queue.turns {
			n += len(turn.posts)
		}
		for _, sub := range s.came() {
			n += len(sub.Envelopes[0].Groups)
		}
		return n
	}
	waitFor(t, func() bool { return taken() >= window })
	time.Sleep(50 * time.Millisecond) // long enough to take too much, if it would
	if n := taken(); n > window+2 {
		t.Errorf("%d batches were taken, and none answered: the window is %d", n, window)
	}
	if sent.Load() == batches {
		t.Error("the client could send everything: nothing held it back")
	}
	close(open)
	for i := range batches {
		got, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if got.Batch != int64(i) || len(got.Results) != 10 || got.Results[0].Position != int64(10*i) {
			t.Fatalf("batch %d: got %v", i, got)
		}
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("the end: %v", err)
	}
}

// A stream whose client goes leaves no goroutine behind (goleak looks), and what was sent is in the log or not, whole batches only.
func TestStreamIsDropped(t *testing.T) {
	s := start(t, nil)
	open := make(chan struct{})
	s.hold = func(*bus.Submission) { <-open }
	ctx, cancel := context.WithCancel(as("miner"))
	stream, err := s.AppendStream(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 5 {
		if err := stream.Send(&pb.AppendStreamRequest{Events: []*pb.Event{described(t, 2*i+1), described(t, 2*i+2)}}); err != nil {
			t.Fatal(err)
		}
	}
	waitFor(t, func() bool { return len(s.came()) > 0 })
	cancel()
	if _, err := stream.Recv(); status.Code(err) != codes.Canceled {
		t.Errorf("got %v", err)
	}
	close(open)
	s.service.Close()
	if len(s.inLog())%2 != 0 {
		t.Errorf("half a batch is in the log: %v", s.inLog())
	}
}

func TestStreamNeedsACaller(t *testing.T) {
	s := start(t, nil)
	stream, err := s.AppendStream(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	wantFault(t, err, fault.NoToken, codes.Unauthenticated, "", "")
}
