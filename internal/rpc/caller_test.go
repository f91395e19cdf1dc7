package rpc

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestTokens(t *testing.T) {
	s := start(t, nil)
	post := func(ctx context.Context) error { _, err := s.Append(ctx, &pb.AppendRequest{}); return err }
	get := func(ctx context.Context) error { _, err := s.status.GetLot(ctx, &pb.GetLotRequest{}); return err }
	enrol := func(ctx context.Context) error { _, err := s.CreateParty(ctx, &pb.CreatePartyRequest{}); return err }
	stone := func(ctx context.Context) error { _, err := s.status.GetStone(ctx, &pb.GetStoneRequest{}); return err }
	authorization := func(values ...string) context.Context {
		ctx := context.Background()
		for _, v := range values {
			ctx = metadata.AppendToOutgoingContext(ctx, "authorization", v)
		}
		return ctx
	}
	tests := map[string]struct {
		call    func(context.Context) error
		ctx     context.Context
		reason  fault.Reason // "": accepted
		code    codes.Code
		message string
	}{
		"a token":                      {post, as("miner"), "", 0, ""},
		"in small letters":             {post, authorization("bearer miner"), "", 0, ""},
		"one that ends later":          {post, as("young"), "", 0, ""},
		"no token":                     {post, authorization(), fault.NoToken, codes.Unauthenticated, "accepted is the header Authorization"},
		"an empty header":              {post, authorization(""), fault.NoToken, codes.Unauthenticated, "found no token"},
		"no token, reading":            {get, authorization(), fault.NoToken, codes.Unauthenticated, "found no token"},
		"another scheme":               {post, authorization("Basic miner"), fault.BadToken, codes.Unauthenticated, "Bearer TOKEN"},
		"a scheme alone":               {post, authorization("Bearer"), fault.BadToken, codes.Unauthenticated, "Bearer TOKEN"},
		"a token alone":                {post, authorization("miner"), fault.BadToken, codes.Unauthenticated, "Bearer TOKEN"},
		"a very long one":              {post, as(strings.Repeat("x", 201)), fault.BadToken, codes.Unauthenticated, "Bearer TOKEN"},
		"two headers":                  {post, authorization("Bearer miner", "Bearer shop"), fault.BadToken, codes.Unauthenticated, "found 2"},
		"an unknown one":               {post, as("nobody"), fault.BadToken, codes.Unauthenticated, "not in force"},
		"one that has expired":         {post, as("old"), fault.BadToken, codes.Unauthenticated, "not in force"},
		"one that was revoked":         {post, as("revoked"), fault.BadToken, codes.Unauthenticated, "not in force"},
		"reading alone, posts":         {post, as("reader"), fault.NotAllowed, codes.PermissionDenied, "found a token with the scopes READ, and Append asks for POST"},
		"reading alone, reads":         {get, as("reader"), "", 0, ""},
		"posting alone, reads":         {get, as("poster"), fault.NotAllowed, codes.PermissionDenied, "asks for READ"},
		"a party enrols":               {enrol, as("miner"), fault.NotAllowed, codes.PermissionDenied, "found a token with the scopes READ, POST, and CreateParty asks for ADMIN"},
		"the admin enrols":             {enrol, as("admin"), "", 0, ""},
		"the admin posts":              {post, as("admin"), "", 0, ""},
		"the admin reads":              {get, as("admin"), "", 0, ""},
		"public, nobody":               {stone, authorization(), "", 0, ""},
		"public, somebody":             {stone, as("reader"), "", 0, ""},
		"public, posting alone":        {stone, as("poster"), "", 0, ""},
		"public, with an unknown one":  {stone, as("nobody"), fault.BadToken, codes.Unauthenticated, "not in force"},
		"public, with an empty header": {stone, authorization(""), fault.NoToken, codes.Unauthenticated, "found no token"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			err := test.call(test.ctx)
			if test.reason == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			wantFault(t, err, test.reason, test.code, test.message)
		})
	}
	var who Caller
	s.intake.append = func(ctx context.Context, _ *pb.AppendRequest) (*pb.AppendResponse, error) {
		who, _ = CallerFrom(ctx)
		return &pb.AppendResponse{}, nil
	}
	if err := post(as("shop")); err != nil || who.Party != "moor-shop" || !who.Has(opal.ScopePost) || who.Has(opal.ScopeAdmin) {
		t.Errorf("the caller is %+v, %v", who, err)
	}
	r, err := s.status.GetStone(as("shop"), &pb.GetStoneRequest{})
	if err != nil || r.Lot != "moor-shop" {
		t.Errorf("a public method has the caller %v, %v", r, err)
	}
	s.dir.err = errors.New("read the token record")
	wantFault(t, post(as("miner")), fault.InternalError, codes.Internal, "")
}

// Nobody gets to a method that the table does not have.
func TestDenyByDefault(t *testing.T) {
	s := start(t, func(c *Config) {
		c.Access = Methods()
		delete(c.Access, pb.IntakeService_Append_FullMethodName)
		delete(c.Access, pb.IntakeService_AppendStream_FullMethodName)
	})
	_, err := s.Append(as("admin"), &pb.AppendRequest{})
	wantFault(t, err, fault.NotAllowed, codes.PermissionDenied, "/lotpaper.v1.IntakeService/Append is not open to anybody")
	stream, err := s.AppendStream(as("admin"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = stream.Recv()
	wantFault(t, err, fault.NotAllowed, codes.PermissionDenied, "AppendStream is not open to anybody")
}

// The table has a line for every method of the contract, and none for a method that does not exist.
func TestMethodsAreAllThere(t *testing.T) {
	methods := map[string]bool{}
	for _, name := range []protoreflect.FullName{"lotpaper.v1", "grpc.health.v1", "grpc.reflection.v1", "grpc.reflection.v1alpha"} {
		protoregistry.GlobalFiles.RangeFilesByPackage(name, func(file protoreflect.FileDescriptor) bool {
			for i := range file.Services().Len() {
				service := file.Services().Get(i)
				for j := range service.Methods().Len() {
					methods[fmt.Sprintf("/%s/%s", service.FullName(), service.Methods().Get(j).Name())] = true
				}
			}
			return true
		})
	}
	if len(methods) < 20 {
		t.Fatalf("only %d methods found", len(methods))
	}
	access := Methods()
	for name := range methods {
		if access[name] == Denied {
			t.Errorf("%s has no access in the table", name)
		}
	}
	for name := range access {
		if !methods[name] {
			t.Errorf("%s is in the table and nowhere else", name)
		}
	}
	public := slices.Sorted(maps.Keys(access))
	public = slices.DeleteFunc(public, func(name string) bool { return access[name] != Public || !strings.HasPrefix(name, "/lotpaper") })
	if !slices.Equal(public, []string{"/lotpaper.v1.AttachmentService/GetStonePicture", "/lotpaper.v1.LaboratoryService/InferSample", "/lotpaper.v1.LaboratoryService/PlanSample",
		"/lotpaper.v1.LaboratoryService/ReadSpectrum", "/lotpaper.v1.LaboratoryService/ReadUptake", "/lotpaper.v1.LaboratoryService/WeighHydrostatic", "/lotpaper.v1.StatusService/GetLog", "/lotpaper.v1.StatusService/GetStone",
		"/lotpaper.v1.StatusService/GetStoneDisclosure", "/lotpaper.v1.StatusService/GetStoneHistory",
		"/lotpaper.v1.TransparencyService/GetCheckpoint", "/lotpaper.v1.TransparencyService/GetEntries", "/lotpaper.v1.TransparencyService/GetStoneProof", "/lotpaper.v1.TransparencyService/GetTile",
		"/lotpaper.v1.TransparencyService/ProveConsistency", "/lotpaper.v1.TransparencyService/ProveInclusion"}) {
		t.Errorf("public are %v", public)
	}
}

func TestRate(t *testing.T) {
	var clock atomic.Int64
	s := start(t, func(c *Config) {
		c.EventsPerSecond, c.Burst = 1_000, 1_000
		c.Now = func() time.Time { return now.Time().Add(time.Duration(clock.Load())) }
	})
	s.intake.stream = func(stream grpc.BidiStreamingServer[pb.AppendStreamRequest, pb.AppendStreamResponse]) error {
		for {
			if _, err := stream.Recv(); err != nil {
				if errors.Is(err, io.EOF) {
					return nil
				}
				return err
			}
			if err := stream.Send(&pb.AppendStreamResponse{}); err != nil {
				return err
			}
		}
	}
	batch := func(token string, n int) error {
		_, err := s.AppendBatch(as(token), &pb.AppendBatchRequest{Events: slices.Repeat([]*pb.Event{{}}, n)})
		if status.Code(err) == codes.Unimplemented { // it got through to the service
			return nil
		}
		return err
	}
	if err := batch("miner", 998); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := s.Append(as("miner"), &pb.AppendRequest{}); err != nil {
			t.Fatal(err)
		}
	}
	f := wantFault(t, batch("miner", 500), fault.RateLimited, codes.ResourceExhausted, "found more than 1000 events a second from harrow-gully")
	if f.RetryAfter != 500*time.Millisecond {
		t.Errorf("retry after %s, and 500 events take half a second", f.RetryAfter)
	}
	if err := batch("shop", 1_000); err != nil {
		t.Errorf("another party is held up: %v", err)
	}
	if _, err := s.status.GetLot(as("miner"), &pb.GetLotRequest{}); err != nil {
		t.Errorf("reading is held up: %v", err)
	}
	clock.Add(int64(f.RetryAfter))
	if err := batch("miner", 500); err != nil {
		t.Errorf("after the time told: %v", err)
	}
	// A stream is not refused but read more slowly.
	stream, err := s.AppendStream(as("miner"))
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if err := stream.Send(&pb.AppendStreamRequest{Events: slices.Repeat([]*pb.Event{{}}, 50)}); err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took < 50*time.Millisecond {
		t.Errorf("50 events of an empty bucket were read after %s", took)
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("the end: %v", err)
	}
}

func TestEventsIn(t *testing.T) {
	events := slices.Repeat([]*pb.Event{{}}, 7)
	tests := map[string]struct {
		m    proto.Message
		want int
	}{
		"one":       {&pb.AppendRequest{}, 1},
		"a log's":   {&pb.AppendLogEventRequest{}, 1},
		"a batch":   {&pb.AppendBatchRequest{Events: events}, 7},
		"no batch":  {&pb.AppendBatchRequest{}, 1},
		"a stream":  {&pb.AppendStreamRequest{Events: events}, 7},
		"envelopes": {&pb.AppendEnvelopesRequest{Envelopes: []*pb.SignedEnvelope{{Statements: make([][]byte, 3)}, {Statements: make([][]byte, 2)}}}, 5},
		"a handle":  {&pb.CreateHandleRequest{}, 1},
		"a read":    {&pb.GetLotRequest{}, 0},
	}
	for name, test := range tests {
		if got := eventsIn(test.m); got != test.want {
			t.Errorf("%s: got %d, want %d", name, got, test.want)
		}
	}
}

// Buckets of parties that have not posted for long are dropped, those in use are not.
func TestBucketsAreForgotten(t *testing.T) {
	clock := now.Time()
	l := newLimiter(1_000, 1_000, func() time.Time { return clock })
	for i := range 4_096 {
		if f := l.take(fmt.Sprint("party-", i), 1_000); f != nil {
			t.Fatal(f)
		}
	}
	clock = clock.Add(500 * time.Millisecond)
	l.take("one-more", 1)
	if len(l.parties) != 4_097 {
		t.Errorf("%d buckets, and none is full", len(l.parties))
	}
	clock = clock.Add(time.Minute)
	l.take("busy", 1_000)
	l.take("another", 1)
	if _, ok := l.parties["busy"]; !ok || len(l.parties) > 3 {
		t.Errorf("%d buckets are left", len(l.parties))
	}
	if f := l.take("busy", 1); f == nil {
		t.Error("a busy party's bucket was forgotten")
	}
}
