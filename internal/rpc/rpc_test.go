package rpc

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// directory is a Directory of tokens by their text.
type directory struct {
	tokens map[string]entry
	err    error
}

type entry struct {
	party string
	token account.Token
}

func (d *directory) TokenParty(hash [32]byte) (*account.Party, *account.Token, bool, error) {
	for text, e := range d.tokens {
		if sha256.Sum256([]byte(text)) == hash {
			return &account.Party{ID: e.party}, &e.token, true, d.err
		}
	}
	return nil, nil, false, d.err
}

// Party knows whoever has a token.
func (d *directory) Party(id string) (*account.Party, error) {
	for _, e := range d.tokens {
		if e.party == id {
			return &account.Party{ID: id}, d.err
		}
	}
	return nil, d.err
}

// intake is an IntakeService that does what the test says.
type intake struct {
	pb.UnimplementedIntakeServiceServer
	append func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error)
	stream func(grpc.BidiStreamingServer[pb.AppendStreamRequest, pb.AppendStreamResponse]) error
}

func (i *intake) Append(ctx context.Context, r *pb.AppendRequest) (*pb.AppendResponse, error) {
	return i.append(ctx, r)
}

func (i *intake) CreateParty(context.Context, *pb.CreatePartyRequest) (*pb.CreatePartyResponse, error) {
	return &pb.CreatePartyResponse{}, nil
}

func (i *intake) AppendStream(s grpc.BidiStreamingServer[pb.AppendStreamRequest, pb.AppendStreamResponse]) error {
	return i.stream(s)
}

type reader struct {
	pb.UnimplementedStatusServiceServer
}

func (reader) GetLot(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error) {
	return &pb.GetLotResponse{}, nil
}

func (reader) GetStone(ctx context.Context, _ *pb.GetStoneRequest) (*pb.GetStoneResponse, error) {
	c, _ := CallerFrom(ctx)
	return &pb.GetStoneResponse{Lot: c.Party}, nil
}

const now = opal.Instant(1_772_600_000_000_000)

type system struct {
	intake *intake
	dir    *directory
	conn   *grpc.ClientConn
	server *Server
	log    *bytes.Buffer
	pb.IntakeServiceClient
	status pb.StatusServiceClient
}

// start runs a server with that configuration and a client of it.
func start(t *testing.T, change func(*Config)) *system {
	t.Helper()
	revoked := uint64(9)
	s := &system{
		intake: &intake{append: func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) { return &pb.AppendResponse{}, nil }},
		log:    new(bytes.Buffer),
		dir: &directory{tokens: map[string]entry{
			"miner":   {"harrow-gully", account.Token{}},
			"shop":    {"moor-shop", account.Token{}},
			"reader":  {"moor-shop", account.Token{Scopes: []opal.Scope{opal.ScopeRead}}},
			"poster":  {"moor-shop", account.Token{Scopes: []opal.Scope{opal.ScopePost}}},
			"admin":   {opal.Admin, account.Token{Scopes: []opal.Scope{opal.ScopeAdmin}}},
			"old":     {"moor-shop", account.Token{Expires: now}},
			"young":   {"moor-shop", account.Token{Expires: now + 1}},
			"revoked": {"moor-shop", account.Token{RevokedAt: &revoked}},
		}},
	}
	cfg := Config{Directory: s.dir, Now: now.Time, Log: slog.New(slog.NewJSONHandler(s.log, &slog.HandlerOptions{Level: slog.LevelDebug}))}
	if change != nil {
		change(&cfg)
	}
	server, err := NewServer(cfg)
	if err != nil {
		t.Fatal(err)
	}
	s.server = server
	pb.RegisterIntakeServiceServer(server, s.intake)
	pb.RegisterStatusServiceServer(server, reader{})
	server.SetReady(true)
	l := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- server.Serve(l) }()
	s.conn, err = grpc.NewClient("passthrough:///test", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.conn.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		server.Stop(ctx)
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	s.IntakeServiceClient = pb.NewIntakeServiceClient(s.conn)
	s.status = pb.NewStatusServiceClient(s.conn)
	return s
}

func as(token string) context.Context {
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+token)
}

// wantFault checks an error's reason and code, and gives the fault for more.
func wantFault(t *testing.T, err error, reason fault.Reason, code codes.Code, message string) *fault.Error {
	t.Helper()
	f := FaultOf(err)
	if f == nil {
		t.Fatalf("got %v, want %s", err, reason)
	}
	if f.Reason != reason || status.Code(err) != code || !strings.Contains(f.Message, message) {
		t.Fatalf("got %s %s: %s\nwant %s %s with %q", status.Code(err), f.Reason, f.Message, code, reason, message)
	}
	return f
}

// The table of the surface: reason, code, and whether sending again may help.
var table = map[fault.Reason]struct {
	code  codes.Code
	retry bool
}{
	fault.InvalidField:      {codes.InvalidArgument, false},
	fault.FutureTime:        {codes.InvalidArgument, false},
	fault.BadSignature:      {codes.InvalidArgument, false},
	fault.TooLarge:          {codes.InvalidArgument, false},
	fault.NoToken:           {codes.Unauthenticated, false},
	fault.BadToken:          {codes.Unauthenticated, false},
	fault.BadCertificate:    {codes.Unauthenticated, false},
	fault.NotHolder:         {codes.PermissionDenied, false},
	fault.NotYourEvent:      {codes.PermissionDenied, false},
	fault.UnknownKey:        {codes.PermissionDenied, false},
	fault.KeyRevoked:        {codes.PermissionDenied, false},
	fault.NotAllowed:        {codes.PermissionDenied, false},
	fault.UnknownLot:        {codes.NotFound, false},
	fault.UnknownEvent:      {codes.NotFound, false},
	fault.UnknownHandle:     {codes.NotFound, false},
	fault.UnknownAttachment: {codes.NotFound, false},
	fault.UnknownTile:       {codes.NotFound, false},
	fault.UnknownParty:      {codes.NotFound, false},
	fault.NoRoute:           {codes.NotFound, false},
	fault.MethodNotAllowed:  {codes.Unimplemented, false},
	fault.LotExists:         {codes.AlreadyExists, false},
	fault.PartyExists:       {codes.AlreadyExists, false},
	fault.RequestIDReused:   {codes.AlreadyExists, false},
	fault.LotClosed:         {codes.FailedPrecondition, false},
	fault.HandoverPending:   {codes.FailedPrecondition, false},
	fault.MassGain:          {codes.FailedPrecondition, false},
	fault.PieceMismatch:     {codes.FailedPrecondition, false},
	fault.BeforeLotOpened:   {codes.FailedPrecondition, false},
	fault.OutOfOrder:        {codes.FailedPrecondition, false},
	fault.HasLaterEvents:    {codes.FailedPrecondition, false},
	fault.TooDeep:           {codes.FailedPrecondition, false},
	fault.EtagMismatch:      {codes.Aborted, false},
	fault.EpochChanged:      {codes.Aborted, false},
	fault.RateLimited:       {codes.ResourceExhausted, true},
	fault.DiskReserve:       {codes.ResourceExhausted, false},
	fault.LogReadOnly:       {codes.Unavailable, false},
	fault.LogTooNew:         {codes.Unavailable, false},
	fault.NotCaughtUp:       {codes.Unavailable, true},
	fault.NoSequencer:       {codes.Unavailable, true},
	fault.IssuerUnavailable: {codes.Unavailable, true},
	fault.InternalError:     {codes.Internal, false},
}

// Every reason leaves with its code and its details in order, and is read back the same.
func TestEveryReason(t *testing.T) {
	s := start(t, nil)
	for reason, want := range table {
		for _, field := range []string{"", "split.children[2].mass"} {
			t.Run(string(reason)+"/"+field, func(t *testing.T) {
				sent := fault.New(reason, field, "found this, accepted is that")
				s.intake.append = func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) { return nil, sent }
				_, err := s.Append(as("miner"), &pb.AppendRequest{})
				if c := status.Code(err); c != want.code {
					t.Fatalf("got the code %s, want %s", c, want.code)
				}
				checkDetails(t, err, sent, want.retry)
				if reason == fault.InternalError {
					return
				}
				got := FaultOf(err)
				if got == nil || got.Kind != sent.Kind || got.Reason != reason || got.Field != field || got.Message != sent.Message {
					t.Errorf("read back as %+v", got)
				}
				if want.retry != (got.RetryAfter > 0) {
					t.Errorf("read back with retry after %s", got.RetryAfter)
				}
				back := FaultOfRefusal(Refusal(sent))
				if back.Kind != sent.Kind || back.Reason != reason || back.Field != field || back.Message != sent.Message || back.RetryAfter != RetryAfter(sent) {
					t.Errorf("in a stream, read back as %+v", back)
				}
			})
		}
	}
}

func checkDetails(t *testing.T, err error, sent *fault.Error, retry bool) {
	t.Helper()
	details := status.Convert(err).Details()
	var kinds []string
	for _, d := range details {
		kinds = append(kinds, fmt.Sprintf("%T", d))
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			if d.Domain != "lotpaper" || d.Reason != string(sent.Reason) || sent.Kind != fault.Internal && d.Metadata["field"] != sent.Field {
				t.Errorf("ErrorInfo %v", d)
			}
		case *errdetails.BadRequest:
			v := d.FieldViolations
			if len(v) != 1 || v[0].Field != sent.Field || v[0].Description != sent.Message || v[0].Reason != string(sent.Reason) {
				t.Errorf("BadRequest %v", d)
			}
		case *errdetails.PreconditionFailure:
			v := d.Violations
			if len(v) != 1 || v[0].Type != string(sent.Reason) || v[0].Subject != sent.Field || v[0].Description != sent.Message {
				t.Errorf("PreconditionFailure %v", d)
			}
		case *errdetails.RequestInfo:
			if d.RequestId == "" || !strings.HasSuffix(status.Convert(err).Message(), d.RequestId) {
				t.Errorf("RequestInfo %v beside %q", d, status.Convert(err).Message())
			}
		}
	}
	want := []string{"*errdetails.ErrorInfo"}
	if sent.Kind == fault.Internal {
		want = append(want, "*errdetails.RequestInfo")
	} else {
		if sent.Field != "" {
			want = append(want, "*errdetails.BadRequest")
		}
		if sent.Kind == fault.Precondition {
			want = append(want, "*errdetails.PreconditionFailure")
		}
		if retry {
			want = append(want, "*errdetails.RetryInfo")
		}
	}
	if !slices.Equal(kinds, want) {
		t.Errorf("details %v, want %v", kinds, want)
	}
}

func TestEveryKind(t *testing.T) {
	seen := map[codes.Code]fault.Kind{}
	for k := fault.Internal; k <= fault.Unsupported; k++ {
		c := Code(k)
		if other, twice := seen[c]; twice {
			t.Errorf("the kinds %d and %d have one code, %s", other, k, c)
		}
		seen[c] = k
		if kindOf(c) != k {
			t.Errorf("the kind %d comes back as %d", k, kindOf(c))
		}
	}
	if len(seen) != 11 || Code(200) != codes.Internal || kindOf(codes.DataLoss) != fault.Internal {
		t.Errorf("kinds and codes: %v", seen)
	}
}

// What is no fault says nothing of itself to the caller and everything to the log, under the id that the caller is told.
func TestInternal(t *testing.T) {
	tests := map[string]struct {
		fail func() error
		log  string
	}{
		"an error":          {func() error { return errors.New("open the secret drawer: no key") }, "secret drawer"},
		"a wrapped error":   {func() error { return fmt.Errorf("x: %w", errors.New("secret drawer")) }, "secret drawer"},
		"a panic":           {func() error { panic("secret drawer") }, "secret drawer"},
		"an internal fault": {func() error { return fault.New(fault.InternalError, "drawer", "the secret drawer") }, "secret drawer"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			s := start(t, nil)
			s.intake.append = func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) { return nil, test.fail() }
			s.intake.stream = func(grpc.BidiStreamingServer[pb.AppendStreamRequest, pb.AppendStreamResponse]) error {
				return test.fail()
			}
			_, unary := s.Append(metadata.AppendToOutgoingContext(as("miner"), "x-request-id", "my-id.1"), &pb.AppendRequest{})
			stream, err := s.AppendStream(metadata.AppendToOutgoingContext(as("miner"), "x-request-id", "my-id.1"))
			if err != nil {
				t.Fatal(err)
			}
			_, streamed := stream.Recv()
			for _, err := range []error{unary, streamed} {
				text := fmt.Sprint(err, status.Convert(err).Details())
				if status.Code(err) != codes.Internal || strings.Contains(text, "secret") || !strings.Contains(text, "my-id.1") {
					t.Errorf("the caller is told %s", text)
				}
			}
			for line := range strings.Lines(s.log.String()) {
				var entry struct{ Level, Msg, Method, Request, Error string }
				if err := json.Unmarshal([]byte(line), &entry); err != nil {
					t.Fatal(err)
				}
				if entry.Level != "ERROR" || entry.Msg != "call failed" || entry.Request != "my-id.1" || !strings.Contains(entry.Error, test.log) {
					t.Errorf("logged %s", line)
				}
			}
			if n := strings.Count(s.log.String(), "\n"); n != 2 {
				t.Errorf("%d lines logged, want one a call", n)
			}
		})
	}
}

func TestRequestID(t *testing.T) {
	s := start(t, nil)
	var got []string
	s.intake.append = func(ctx context.Context, _ *pb.AppendRequest) (*pb.AppendResponse, error) {
		got = append(got, RequestID(ctx))
		return &pb.AppendResponse{}, nil
	}
	for _, given := range []string{"", "", "abc", "line\tbreak", strings.Repeat("x", 65)} {
		ctx := as("miner")
		if given != "" {
			ctx = metadata.AppendToOutgoingContext(ctx, "x-request-id", given)
		}
		if _, err := s.Append(ctx, &pb.AppendRequest{}); err != nil && !strings.Contains(given, "\t") {
			t.Fatal(err)
		}
	}
	if got[2] != "abc" || got[0] == got[1] || got[0] == "" || strings.Contains(got[len(got)-1], "xx") {
		t.Errorf("ids %q", got)
	}
	if RequestID(context.Background()) != "" {
		t.Error("an id outside a call")
	}
}

// rawCodec sends bytes as they are.
type rawCodec struct{}

func (rawCodec) Marshal(v any) ([]byte, error)   { return v.([]byte), nil }
func (rawCodec) Unmarshal(b []byte, v any) error { return nil }
func (rawCodec) Name() string                    { return "proto" }

// The token comes before the size, and the size before the shape.
func TestOrderOfChecks(t *testing.T) {
	s := start(t, func(c *Config) { c.MaxMessage = 10_000 })
	large := &pb.AppendRequest{Event: &pb.Event{Remark: proto.String(strings.Repeat("x", 10_000))}}
	_, err := s.Append(context.Background(), large)
	wantFault(t, err, fault.NoToken, codes.Unauthenticated, "")
	_, err = s.Append(as("miner"), large)
	wantFault(t, err, fault.TooLarge, codes.InvalidArgument, "found a message of 10006 bytes, accepted are at most 10000")
	large.Event.Remark = proto.String(strings.Repeat("x", 9_900))
	if _, err = s.Append(as("miner"), large); err != nil {
		t.Errorf("a message within the limit: %v", err)
	}
	send := func(ctx context.Context, b []byte) error {
		return s.conn.Invoke(ctx, pb.IntakeService_Append_FullMethodName, b, nil, grpc.ForceCodec(rawCodec{}))
	}
	wantFault(t, send(context.Background(), []byte{0xff}), fault.NoToken, codes.Unauthenticated, "")
	wantFault(t, send(as("miner"), []byte{0xff}), fault.InvalidField, codes.InvalidArgument, "no message of the method's kind")
	wantFault(t, send(as("miner"), bytes.Repeat([]byte{0xff}, 10_001)), fault.TooLarge, codes.InvalidArgument, "")
	// Text that is not UTF-8 is no message either: field 1, the lot.
	wantFault(t, send(as("miner"), []byte{0x0a, 0x01, 0xff}), fault.InvalidField, codes.InvalidArgument, "")
}

func TestUnknownMethod(t *testing.T) {
	s := start(t, nil)
	for _, name := range []string{"/lotpaper.v1.IntakeService/Erase", "/some.Other/Thing"} {
		err := s.conn.Invoke(as("admin"), name, &pb.AppendRequest{}, &pb.AppendResponse{})
		wantFault(t, err, fault.MethodNotAllowed, codes.Unimplemented, name)
	}
}

func TestHealthAndReflection(t *testing.T) {
	s := start(t, nil)
	r, err := grpc_health_v1.NewHealthClient(s.conn).Check(context.Background(), &grpc_health_v1.HealthCheckRequest{})
	if err != nil || r.Status != grpc_health_v1.HealthCheckResponse_SERVING {
		t.Errorf("health: %v, %v", r, err)
	}
	stream, err := reflectionv1.NewServerReflectionClient(s.conn).ServerReflectionInfo(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&reflectionv1.ServerReflectionRequest{MessageRequest: &reflectionv1.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	list, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, service := range list.GetListServicesResponse().GetService() {
		names = append(names, service.Name)
	}
	if !slices.Contains(names, "lotpaper.v1.IntakeService") || !slices.Contains(names, "lotpaper.v1.StatusService") {
		t.Errorf("services %v", names)
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("the end: %v", err)
	}
}

func TestStatusOfOtherErrors(t *testing.T) {
	if Status(nil) != nil {
		t.Error("an error out of none")
	}
	if c := status.Code(Status(fmt.Errorf("x: %w", context.Canceled))); c != codes.Canceled {
		t.Errorf("a caller that has gone gets %s", c)
	}
	f := wantFault(t, Status(fmt.Errorf("x: %w", context.DeadlineExceeded)), fault.NotCaughtUp, codes.Unavailable, "deadline")
	if f.RetryAfter <= 0 {
		t.Error("a deadline without a time to try again")
	}
	once := Status(fault.New(fault.MassGain, "split", "found more"))
	if twice := Status(once); !proto.Equal(status.Convert(once).Proto(), status.Convert(twice).Proto()) {
		t.Errorf("a status became another: %v", twice)
	}
	wrapped := Status(fmt.Errorf("post: %w", fault.New(fault.MassGain, "split", "found more").Retry(time.Minute)))
	if f := wantFault(t, wrapped, fault.MassGain, codes.FailedPrecondition, "found more"); f.RetryAfter != time.Minute || f.Field != "split" {
		t.Errorf("got %+v", f)
	}
	if FaultOf(errors.New("x")) != nil || FaultOf(status.Error(codes.NotFound, "x")) != nil {
		t.Error("a fault out of none")
	}
	if r := Refusal(fault.New(fault.InternalError, "x", "secret")); strings.Contains(r.String(), "secret") || r.Field != "" {
		t.Errorf("a stream is told %v", r)
	}
}

func TestConfig(t *testing.T) {
	_, err := NewServer(Config{EventsPerSecond: -1, Burst: 999, MaxMessage: -5})
	for _, want := range []string{"no directory", "found a rate of -1", "found a burst of 999", "-5 bytes"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// Stop ends calls that do not end by themselves.
func TestStop(t *testing.T) {
	in := make(chan struct{})
	s := start(t, nil)
	s.intake.append = func(ctx context.Context, _ *pb.AppendRequest) (*pb.AppendResponse, error) {
		close(in)
		<-ctx.Done()
		return nil, ctx.Err()
	}
	failed := make(chan error, 1)
	go func() {
		_, err := s.Append(as("miner"), &pb.AppendRequest{})
		failed <- err
	}()
	<-in
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	s.server.Stop(ctx)
	if err := <-failed; status.Code(err) != codes.Unavailable && status.Code(err) != codes.Canceled {
		t.Errorf("the call ended with %v", err)
	}
}
