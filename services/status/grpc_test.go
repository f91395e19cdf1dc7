package status

import (
	"context"
	"net"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// client serves the world's service behind the real edge and connects to it.
func (w *world) client() pb.StatusServiceClient {
	w.t.Helper()
	server, err := rpc.NewServer(rpc.Config{Directory: w.log})
	if err != nil {
		w.t.Fatal(err)
	}
	pb.RegisterStatusServiceServer(server, w.service)
	listener := bufconn.Listen(1 << 16)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///status", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		w.t.Fatal(err)
	}
	service := w.service
	w.t.Cleanup(func() {
		service.EndWatches()
		_ = conn.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		server.Stop(ctx)
		if err := <-served; err != nil {
			w.t.Errorf("serve: %v", err)
		}
	})
	return pb.NewStatusServiceClient(conn)
}

func bearer(party string) context.Context {
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+tokenOf(party))
}

func TestOverGRPC(t *testing.T) {
	w := newWorld(t)
	w.story()
	c := w.client()
	public := context.Background()
	if s, err := c.GetStone(public, &pb.GetStoneRequest{Handle: handleOf("dealer.c1")}); err != nil || s.Lot != "dealer.c1" {
		t.Errorf("a stone, without a token: %v, %v", s, err)
	}
	if l, err := c.GetLog(public, &pb.GetLogRequest{}); err != nil || l.Size == 0 {
		t.Errorf("the log, without a token: %v, %v", l, err)
	}
	if s, err := c.GetStatus(bearer("lab"), &pb.GetStatusRequest{Lot: "dealer.c1"}); err != nil || len(s.Treatments) != len(opal.AllTreatments()) {
		t.Errorf("a status, by a party that never had the lot: %v, %v", s, err)
	}
	for name, test := range map[string]struct {
		call   func() error
		code   codes.Code
		reason fault.Reason
	}{
		"no token":          {func() error { _, err := c.GetLot(public, &pb.GetLotRequest{Lot: "mine.r1"}); return err }, codes.Unauthenticated, fault.NoToken},
		"a token of nobody": {func() error { _, err := c.GetLot(bearer("nobody"), &pb.GetLotRequest{Lot: "mine.r1"}); return err }, codes.Unauthenticated, fault.BadToken},
		"an unknown lot":    {func() error { _, err := c.GetLot(bearer("shop"), &pb.GetLotRequest{Lot: "mine.none"}); return err }, codes.NotFound, fault.UnknownLot},
		"an unknown handle": {func() error { _, err := c.GetStone(public, &pb.GetStoneRequest{Handle: handleOf("none")}); return err }, codes.NotFound, fault.UnknownHandle},
		"another epoch": {func() error {
			_, err := c.GetLot(bearer("shop"), &pb.GetLotRequest{Lot: "mine.r1", Epoch: ptr("00000000000000000000000000000009")})
			return err
		}, codes.Aborted, fault.EpochChanged},
		"a bad page size": {func() error {
			_, err := c.ListLots(bearer("shop"), &pb.ListLotsRequest{PageSize: ptr(int32(-3))})
			return err
		}, codes.InvalidArgument, fault.InvalidField},
		"a position that does not come in the caller's time": {func() error {
			ctx, cancel := context.WithTimeout(bearer("shop"), 300*time.Millisecond)
			defer cancel()
			_, err := c.GetLot(ctx, &pb.GetLotRequest{Lot: "mine.r1", MinPosition: ptr(int64(4_000))})
			return err
		}, codes.Unavailable, fault.NotCaughtUp},
	} {
		t.Run(name, func(t *testing.T) {
			err := test.call()
			if status.Code(err) != test.code || rpc.FaultOf(err).Reason != test.reason {
				t.Errorf("%v, want %s with %s", err, test.code, test.reason)
			}
		})
	}
}

func TestWatchOverGRPC(t *testing.T) {
	w := newWorld(t)
	w.story()
	c := w.client()
	ctx, cancel := context.WithCancel(bearer("shop"))
	defer cancel()
	stream, err := c.Watch(ctx, &pb.WatchRequest{Holder: ptr("me")})
	if err != nil {
		t.Fatal(err)
	}
	if first, err := stream.Recv(); err != nil || first.Kind != "heartbeat" {
		t.Fatalf("first %v, %v, want a heartbeat as soon as the stream stands", first, err)
	}
	late := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	n, err := stream.Recv()
	if err != nil || n.Kind != "alert" || n.Position != int64(late.Position) {
		t.Errorf("notice %v, %v", n, err)
	}
	cancel()
	if _, err := stream.Recv(); status.Code(err) != codes.Canceled {
		t.Errorf("after going: %v", err)
	}
	waitFor(t, func() bool { return !w.service.proj.watch.any() })
}

// A caller that is connected and reads nothing is cut off, though gRPC itself would wait for ever.
func TestASlowReaderOverGRPC(t *testing.T) {
	w := newWorld(t)
	w.story()
	w.service = w.openIn("other", func(c *Config) { c.SendWithin = 50 * time.Millisecond })
	c := w.client()
	stream, err := c.Watch(bearer("shop"), &pb.WatchRequest{Holder: ptr("me")})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	remark := ""
	for range 150 {
		remark += "rounded, "
	}
	list := make([]opal.Event, 100)
	for i := range list {
		list[i] = opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-02", Remark: remark[:len(remark)-2], Described: &opal.Described{BodyColour: "honey"}}
	}
	for range 3 { // more than the windows of gRPC hold
		w.post(list...)
	}
	waitFor(t, func() bool { return !w.service.proj.watch.any() })
	for {
		if _, err = stream.Recv(); err != nil {
			break
		}
	}
	if rpc.FaultOf(err).Reason != fault.RateLimited {
		t.Errorf("the slow reader is told %v", err)
	}
}
