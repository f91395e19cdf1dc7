package gateway

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/session"
)

func TestQueryParameters(t *testing.T) {
	w := newWorld(t, nil)
	called := 0
	w.status.lot = func(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error) {
		called++
		return &pb.GetLotResponse{}, nil
	}
	w.status.lots = func(context.Context, *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
		called++
		return &pb.ListLotsResponse{}, nil
	}
	w.intake.append = func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) {
		called++
		return &pb.AppendResponse{}, nil
	}
	w.intake.revoke = func(context.Context, *pb.DeleteTokenRequest) (*pb.DeleteTokenResponse, error) {
		called++
		return &pb.DeleteTokenResponse{}, nil
	}
	for _, c := range []struct {
		name, method, path, field string
		says                      []string
	}{
		{"unknown", "GET", "/v1/lots?colour=red", "colour", []string{`"colour"`, "holder", "pageSize"}},
		{"the first of several unknown, by name", "GET", "/v1/lots?zeal=1&colour=red", "colour", []string{`"colour"`}},
		{"misspelt case", "GET", "/v1/lots?pagesize=3", "pagesize", []string{"pageSize"}},
		{"the contract's own name", "GET", "/v1/lots?page_size=3", "page_size", []string{"pageSize"}},
		{"twice", "GET", "/v1/lots?holder=me&holder=other", "holder", []string{"2 times", "once"}},
		{"twice the same", "GET", "/v1/lots?holder=me&holder=me", "holder", []string{"2 times"}},
		{"not a number", "GET", "/v1/lots?pageSize=many", "pageSize", []string{`"many"`, "a whole number"}},
		{"out of range", "GET", "/v1/lots?minPosition=99999999999999999999", "minPosition", []string{"a whole number"}},
		{"part of a number", "GET", "/v1/lots?minPosition=1.5", "minPosition", []string{"1.5"}},
		{"what the address says already", "GET", "/v1/lots/harrow-gully.r7?lot=other.r8", "lot", []string{`"lot"`, "minPosition, epoch"}},
		{"a path into a field", "GET", "/v1/lots?holder.x=1", "holder.x", []string{"holder.x"}},
		{"empty name", "GET", "/v1/lots?=1", "", []string{`""`}},
		{"not well formed", "GET", "/v1/lots?holder=%zz", "", []string{"not well formed"}},
		{"semicolons", "GET", "/v1/lots?holder=me;owner=me", "", []string{"not well formed"}},
		{"a very long name", "GET", "/v1/lots?" + strings.Repeat("n", 5_000) + "=1", strings.Repeat("n", 60) + "…", nil},
		{"with POST", "POST", eventsPath + "?lot=other.r8", "lot", []string{`"lot"`, "POST", "body"}},
		{"with POST, unknown", "POST", eventsPath + "?colour=red", "colour", []string{`"colour"`}},
		{"with POST, without a value", "POST", eventsPath + "?dryRun", "dryRun", []string{`"dryRun"`}},
		{"with POST, escaped", "POST", eventsPath + "?dry%52un=1", "dryRun", []string{`"dryRun"`}},
		{"with DELETE, unknown", "DELETE", "/v1/parties/harrow-gully/tokens/5052c2cfbc556278?colour=red", "colour", []string{"requestId"}},
		{"watch, unknown", "GET", "/v1/watch?colour=red", "colour", []string{"lot, holder, sold"}},
		{"watch, twice", "GET", "/v1/watch?lot=a-b.c&lot=a-b.d", "lot", []string{"2 times"}},
		{"watch, not well formed", "GET", "/v1/watch?lot=%zz", "", []string{"not well formed"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := w.do(t, request{method: c.method, path: c.path})
			r := a.refusal(t)
			if a.code != 400 || r.Reason != "INVALID_FIELD" || r.Field != c.field {
				t.Errorf("%d %s %q: %s; want 400 INVALID_FIELD %q", a.code, r.Reason, r.Field, r.Message, c.field)
			}
			for _, s := range c.says {
				if !strings.Contains(r.Message, s) {
					t.Errorf("%q does not say %q", r.Message, s)
				}
			}
		})
	}
	if called != 0 {
		t.Errorf("%d of them reached a service", called)
	}
	var got *pb.ListLotsRequest
	w.status.lots = func(_ context.Context, r *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
		got = r
		return &pb.ListLotsResponse{}, nil
	}
	if a := w.get(t, "/v1/lots?holder=me&state=OPEN&pageSize=20&minPosition=7&epoch=ab"); a.code != 200 ||
		got.GetHolder() != "me" || got.GetState() != "OPEN" || int64(got.GetPageSize()) != 20 || got.GetMinPosition() != 7 || got.GetEpoch() != "ab" || got.Owner != nil {
		t.Errorf("%d %s: %v", a.code, a.body, got)
	}
}

func TestBodyWithoutPOST(t *testing.T) {
	w := newWorld(t, nil)
	for _, method := range []string{"GET", "DELETE"} {
		a := w.do(t, request{method: method, path: "/v1/lots/harrow-gully.r7", body: strings.NewReader(`{"minPosition":7}`)})
		if r := a.refusal(t); a.code != 400 || r.Reason != "INVALID_FIELD" || !strings.Contains(r.Message, "body") {
			t.Errorf("%s: %d %+v", method, a.code, r)
		}
	}
}

// endless is a body without a length and without an end, which must not be read to it.
type endless struct{ read int }

func (e *endless) Read(p []byte) (int, error) {
	if e.read > 64<<20 {
		return 0, errors.New("somebody reads it all")
	}
	for i := range p {
		p[i] = ' '
	}
	e.read += len(p)
	return len(p), nil
}

// A request with several faults is told of the first in the order of checks: token, then size, then shape.
func TestOrderOfChecks(t *testing.T) {
	w := newWorld(t, nil)
	w.intake.append = func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) { return &pb.AppendResponse{}, nil }
	w.status.lot = func(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error) { return &pb.GetLotResponse{}, nil }
	big := strings.Repeat("x", MaxBody+1)
	for _, c := range []struct {
		name   string
		q      request
		code   int
		reason string
	}{
		{"no token, too large, no JSON, unknown parameter", request{method: "POST", path: eventsPath + "?x=1", body: strings.NewReader(big), noToken: true}, 401, "NO_TOKEN"},
		{"bad token, too large", request{method: "POST", path: eventsPath, body: strings.NewReader(big), noToken: true, header: []string{"Authorization", "Bearer nobody"}}, 401, "BAD_TOKEN"},
		{"no token, no route", request{method: "GET", path: "/v1/nothing", noToken: true}, 401, "NO_TOKEN"},
		{"no token, other method", request{method: "PUT", path: "/v1/lots", noToken: true}, 401, "NO_TOKEN"},
		{"no token, unknown parameter", request{method: "GET", path: "/v1/lots?x=1", noToken: true}, 401, "NO_TOKEN"},
		{"no token at the stream", request{method: "GET", path: "/v1/watch?x=1", noToken: true}, 401, "NO_TOKEN"},
		{"another scheme", request{method: "GET", path: "/v1/lots", noToken: true, header: []string{"Authorization", "Basic " + goodToken}}, 401, "BAD_TOKEN"},
		{"two tokens", request{method: "GET", path: "/v1/lots", header: []string{"Authorization", "Bearer " + goodToken}}, 401, "BAD_TOKEN"},
		{"too large, no JSON, unknown parameter", request{method: "POST", path: eventsPath + "?x=1", body: strings.NewReader(big)}, 413, "TOO_LARGE"},
		{"too large, no route", request{method: "POST", path: "/v1/nothing", body: strings.NewReader(big)}, 413, "TOO_LARGE"},
		{"too large without a length, no JSON", request{method: "POST", path: eventsPath, body: io.MultiReader(strings.NewReader("{"), &endless{})}, 413, "TOO_LARGE"},
		{"unknown parameter, no JSON", request{method: "POST", path: eventsPath + "?x=1", body: strings.NewReader("{")}, 400, "INVALID_FIELD"},
		{"largest body, no JSON", request{method: "POST", path: eventsPath, body: strings.NewReader(big[:MaxBody])}, 400, "INVALID_FIELD"},
		{"largest body", request{method: "POST", path: eventsPath, body: strings.NewReader(`{"remark":"x"` + strings.Repeat(" ", MaxBody-14) + `}`)}, 200, ""},
		{"public without a token", request{method: "GET", path: "/v1/samples:nothing", noToken: true}, 404, "NO_ROUTE"},
		{"outside the interface, without a token", request{method: "GET", path: "/nothing", noToken: true}, 404, "NO_ROUTE"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := w.do(t, c.q)
			if a.code != c.code {
				t.Fatalf("%d %s, want %d", a.code, a.body, c.code)
			}
			if a.code == 200 {
				return
			}
			r := a.refusal(t)
			if r.Reason != c.reason {
				t.Errorf("%+v, want %s", r, c.reason)
			}
			if challenge := a.header.Get("WWW-Authenticate"); (challenge == "Bearer") != (a.code == 401) {
				t.Errorf("WWW-Authenticate %q", challenge)
			}
			if a.code == 413 && !strings.Contains(r.Message, fmt.Sprint(MaxBody)) {
				t.Errorf("%q does not say how much is accepted", r.Message)
			}
		})
	}
}

func TestRoutesAndMethods(t *testing.T) {
	w := newWorld(t, nil)
	for _, c := range []struct {
		method, path string
		code         int
		allow        string
	}{
		{"GET", "/", 404, ""},
		{"GET", "/v1", 404, ""},
		{"GET", "/v1/", 404, ""},
		{"GET", "/v1/lots/harrow-gully.r7/colour", 404, ""},
		{"POST", "/v1/samples:nothing", 404, ""},
		{"GET", "/v2/lots", 404, ""},
		{"PUT", "/v1/lots/harrow-gully.r7", 405, "GET, HEAD"},
		{"DELETE", "/v1/lots", 405, "GET, HEAD"},
		{"GET", eventsPath, 405, "POST"},
		{"HEAD", eventsPath, 405, "POST"},
		{"PATCH", "/v1/events", 405, "POST"},
		{"GET", "/v1/events:append", 405, "POST"},
		{"POST", "/v1/stones/uk5pkecceliqk3zza2umqyvqly", 405, "GET, HEAD, DELETE"},
		{"GET", "/v1/parties/harrow-gully/tokens/5052c2cfbc556278", 405, "DELETE"},
		{"OPTIONS", "/v1/lots", 405, "GET, HEAD"},
		{"POST", "/v1/watch", 405, "GET"},
		{"HEAD", "/v1/watch", 405, "GET"},
		{"POST", "/healthz", 405, "GET, HEAD"},
	} {
		t.Run(c.method+" "+c.path, func(t *testing.T) {
			a := w.do(t, request{method: c.method, path: c.path})
			if a.code != c.code || a.header.Get("Allow") != c.allow {
				t.Fatalf("%d, Allow %q; want %d, %q: %s", a.code, a.header.Get("Allow"), c.code, c.allow, a.body)
			}
			if c.method == "HEAD" {
				return
			}
			r := a.refusal(t)
			if want := map[int]refusal{404: {Code: 5, Reason: "NO_ROUTE"}, 405: {Code: 12, Reason: "METHOD_NOT_ALLOWED"}}[c.code]; r.Code != want.Code || r.Reason != want.Reason {
				t.Errorf("%+v, want %+v", r, want)
			}
			if c.code == 405 && (!strings.Contains(r.Message, c.method) || !strings.Contains(r.Message, c.allow)) {
				t.Errorf("%q does not say what was found and what is accepted", r.Message)
			}
		})
	}
	// A method in a header or a field changes nothing.
	if a := w.do(t, request{method: "POST", path: "/v1/lots/harrow-gully.r7", header: []string{"X-HTTP-Method-Override", "GET"}}); a.code != 405 {
		t.Errorf("override: %d", a.code)
	}
	if a := w.do(t, request{method: "POST", path: "/v1/lots", body: strings.NewReader("holder=me"), header: []string{"Content-Type", "application/x-www-form-urlencoded"}}); a.code != 405 {
		t.Errorf("form: %d", a.code)
	}
}

// The table of reasons, from the fault that a service answers to what HTTP says.
func TestStatusesOfFaults(t *testing.T) {
	w := newWorld(t, nil)
	var f error
	w.intake.append = func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) { return nil, f }
	for _, c := range []struct {
		reason fault.Reason
		code   int
		grpc   codes.Code
	}{
		{fault.InvalidField, 400, codes.InvalidArgument}, {fault.FutureTime, 400, codes.InvalidArgument}, {fault.BadSignature, 400, codes.InvalidArgument},
		{fault.TooLarge, 400, codes.InvalidArgument},
		{fault.NoToken, 401, codes.Unauthenticated}, {fault.BadToken, 401, codes.Unauthenticated},
		{fault.NotHolder, 403, codes.PermissionDenied}, {fault.NotYourEvent, 403, codes.PermissionDenied}, {fault.UnknownKey, 403, codes.PermissionDenied},
		{fault.KeyRevoked, 403, codes.PermissionDenied}, {fault.NotAllowed, 403, codes.PermissionDenied},
		{fault.UnknownLot, 404, codes.NotFound}, {fault.UnknownEvent, 404, codes.NotFound}, {fault.UnknownHandle, 404, codes.NotFound},
		{fault.UnknownParty, 404, codes.NotFound}, {fault.NoRoute, 404, codes.NotFound},
		{fault.MethodNotAllowed, 405, codes.Unimplemented},
		{fault.LotExists, 409, codes.AlreadyExists}, {fault.PartyExists, 409, codes.AlreadyExists}, {fault.RequestIDReused, 409, codes.AlreadyExists},
		{fault.LotClosed, 400, codes.FailedPrecondition}, {fault.HandoverPending, 400, codes.FailedPrecondition}, {fault.MassGain, 400, codes.FailedPrecondition},
		{fault.PieceMismatch, 400, codes.FailedPrecondition}, {fault.BeforeLotOpened, 400, codes.FailedPrecondition}, {fault.OutOfOrder, 400, codes.FailedPrecondition},
		{fault.HasLaterEvents, 400, codes.FailedPrecondition}, {fault.TooDeep, 400, codes.FailedPrecondition},
		{fault.EtagMismatch, 409, codes.Aborted}, {fault.EpochChanged, 409, codes.Aborted},
		{fault.RateLimited, 429, codes.ResourceExhausted}, {fault.DiskReserve, 507, codes.ResourceExhausted},
		{fault.LogReadOnly, 503, codes.Unavailable}, {fault.LogTooNew, 503, codes.Unavailable}, {fault.NotCaughtUp, 503, codes.Unavailable}, {fault.NoSequencer, 503, codes.Unavailable},
		{fault.InternalError, 500, codes.Internal},
	} {
		t.Run(string(c.reason), func(t *testing.T) {
			f = fault.New(c.reason, "mined.mass", "found this, accepted is that")
			a := w.post(t, eventsPath, `{}`)
			r := a.refusal(t)
			if a.code != c.code || r.Code != int(c.grpc) || r.Reason != string(c.reason) {
				t.Errorf("%d %+v, want %d %d", a.code, r, c.code, c.grpc)
			}
			if c.reason == fault.InternalError {
				if r.Field != "" || strings.Contains(r.Message, "found this") || r.Request == "" || !strings.Contains(r.Message, r.Request) {
					t.Errorf("%+v: want the request id and nothing else", r)
				}
			} else if r.Field != "mined.mass" || r.Message != "found this, accepted is that" {
				t.Errorf("%+v", r)
			}
			wants := c.reason == fault.RateLimited || c.reason == fault.NotCaughtUp || c.reason == fault.NoSequencer
			if (a.header.Get("Retry-After") == "1") != wants {
				t.Errorf("Retry-After %q", a.header.Get("Retry-After"))
			}
			// With If-Match, and only then, an older revision is 412.
			code := c.code
			if c.reason == fault.EtagMismatch {
				code = 412
			}
			if a := w.post(t, eventsPath, `{}`, "If-Match", `"3"`); a.code != code {
				t.Errorf("with If-Match: %d, want %d", a.code, code)
			}
		})
	}
	f = fault.InBody(fault.New(fault.UnknownParty, "sold.to", "found nobody"))
	if a := w.post(t, eventsPath, `{}`); a.code != 400 || a.refusal(t).Reason != "UNKNOWN_PARTY" {
		t.Errorf("an unknown party in a body: %d %s", a.code, a.body)
	}
	f = fault.New(fault.RateLimited, "", "too fast").Retry(2100 * time.Millisecond)
	if a := w.post(t, eventsPath, `{}`); a.header.Get("Retry-After") != "3" {
		t.Errorf("Retry-After %q of 2.1 s, want it rounded up", a.header.Get("Retry-After"))
	}
	f = errors.New("pebble: sst file 000123 is gone")
	a := w.post(t, eventsPath, `{}`, "X-Request-Id", "mine-7")
	if r := a.refusal(t); a.code != 500 || r.Reason != "INTERNAL" || r.Request != "mine-7" || strings.Contains(string(a.body), "pebble") {
		t.Errorf("an error that nobody classified: %d %s", a.code, a.body)
	}
	if !strings.Contains(w.log.String(), "mine-7") || !strings.Contains(w.log.String(), "000123") {
		t.Error("the log does not say what went wrong, by the request's id")
	}
}

// deadConn fails every call before it reaches a service.
type deadConn struct{ err error }

func (d deadConn) Invoke(context.Context, string, any, any, ...grpc.CallOption) error { return d.err }
func (d deadConn) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, d.err
}

// What the transport fails with carries no details; the answer has them all the same, and a deadline is never 504.
func TestStatusesOfTheTransport(t *testing.T) {
	for _, c := range []struct {
		from   codes.Code
		code   int
		reason string
	}{
		{codes.DeadlineExceeded, 503, "NO_SEQUENCER"},
		{codes.Unavailable, 503, "NO_SEQUENCER"},
		{codes.Canceled, 503, "NO_SEQUENCER"},
		{codes.Unimplemented, 404, "NO_ROUTE"},
		{codes.ResourceExhausted, 400, "TOO_LARGE"},
		{codes.Unknown, 500, "INTERNAL"},
		{codes.Internal, 500, "INTERNAL"},
		{codes.DataLoss, 500, "INTERNAL"},
	} {
		t.Run(c.from.String(), func(t *testing.T) {
			w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.Conn = deadConn{status.Error(c.from, "inner words")} })
			for _, path := range []string{"/v1/lots/harrow-gully.r7", "/v1/watch?lot=harrow-gully.r7"} {
				a := w.get(t, path)
				r := a.refusal(t)
				if a.code != c.code || r.Reason != c.reason || strings.Contains(r.Message, "inner words") {
					t.Errorf("%s: %d %+v", path, a.code, r)
				}
				if (a.header.Get("Retry-After") != "") != (c.code == 503) {
					t.Errorf("%s: Retry-After %q", path, a.header.Get("Retry-After"))
				}
			}
		})
	}
}

func TestHeadersThatTravelOn(t *testing.T) {
	w := newWorld(t, nil)
	var ctx context.Context
	w.intake.append = func(c context.Context, _ *pb.AppendRequest) (*pb.AppendResponse, error) {
		ctx = c
		return &pb.AppendResponse{}, nil
	}
	a := w.post(t, eventsPath, `{}`, "idempotency-key", "2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", "if-match", `"812"`, "x-request-id", "mine-8",
		"Grpc-Metadata-If-Match", "9", "Cookie", "a=b", "X-Other", "c")
	if a.code != 200 {
		t.Fatalf("%d %s", a.code, a.body)
	}
	for name, want := range map[string]string{
		"idempotency-key": "2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", "if-match": `"812"`, "x-request-id": "mine-8",
		"authorization": "Bearer " + goodToken, "cookie": "", "x-other": "", "grpcgateway-cookie": "",
	} {
		if got := md(ctx, name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if got := a.header.Get("X-Request-Id"); got != "mine-8" {
		t.Errorf("the answer's X-Request-Id is %q", got)
	}
	// Two keys travel both, so that the intake can refuse them.
	w.post(t, eventsPath, `{}`, "Idempotency-Key", "a", "Idempotency-Key", "b")
	if got := md(ctx, "idempotency-key"); got != "a|b" {
		t.Errorf("two keys: %q", got)
	}
	// An id that is not fit for a log is not taken, and none is made up anew for the service.
	a = w.post(t, eventsPath, `{}`, "X-Request-Id", "a b")
	if id := a.header.Get("X-Request-Id"); id == "a b" || id == "" || md(ctx, "x-request-id") != id {
		t.Errorf("X-Request-Id %q, the service's %q", id, md(ctx, "x-request-id"))
	}
	for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Cache-Control": "no-store"} {
		if got := a.header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
}

func TestEntityTags(t *testing.T) {
	w := newWorld(t, nil)
	w.status.lot = func(_ context.Context, r *pb.GetLotRequest) (*pb.GetLotResponse, error) {
		if r.GetLot() != "harrow-gully.r7" {
			return nil, fault.New(fault.UnknownLot, "lot", "found no lot %s", r.GetLot())
		}
		return &pb.GetLotResponse{Lot: r.GetLot(), Revision: 812, Position: 900}, nil
	}
	w.status.lots = func(context.Context, *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
		return &pb.ListLotsResponse{}, nil
	}
	path := "/v1/lots/harrow-gully.r7"
	for _, c := range []struct {
		name, method, path, known string
		code                      int
		tag                       string
	}{
		{"plain", "GET", path, "", 200, `"812"`},
		{"HEAD", "HEAD", path, "", 200, `"812"`},
		{"known", "GET", path, `"812"`, 304, `"812"`},
		{"known, HEAD", "HEAD", path, `"812"`, 304, `"812"`},
		{"known, weakly", "GET", path, `W/"812"`, 304, `"812"`},
		{"known among others", "GET", path, `"811", "812"`, 304, `"812"`},
		{"any", "GET", path, `*`, 304, `"812"`},
		{"another", "GET", path, `"811"`, 200, `"812"`},
		{"without quotes", "GET", path, `812`, 200, `"812"`},
		{"a list has none", "GET", "/v1/lots", `*`, 200, ""},
		{"an error has none", "GET", "/v1/lots/harrow-gully.r8", `*`, 404, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			q := request{method: c.method, path: c.path}
			if c.known != "" {
				q.header = []string{"If-None-Match", c.known}
			}
			a := w.do(t, q)
			if a.code != c.code || a.header.Get("ETag") != c.tag {
				t.Errorf("%d, ETag %s; want %d, %s", a.code, a.header.Get("ETag"), c.code, c.tag)
			}
			if empty := len(a.body) == 0; empty != (c.code == 304 || c.method == "HEAD") {
				t.Errorf("the body is %q", a.body)
			}
		})
	}
}

// Whatever panics, the caller learns the request's id and nothing else, and the node goes on.
func TestPanics(t *testing.T) {
	panics := func() error { panic("secret words") }
	w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.Ready = panics })
	w.status.lot = func(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error) { return nil, panics() }
	w.status.watch = func(*pb.WatchRequest, grpc.ServerStreamingServer[pb.WatchResponse]) error { return panics() }
	for _, path := range []string{"/healthz", "/v1/lots/harrow-gully.r7", "/v1/watch?lot=harrow-gully.r7"} {
		t.Run(path, func(t *testing.T) {
			id := "mine-" + strings.ReplaceAll(strings.Trim(strings.SplitN(path, "?", 2)[0], "/"), "/", "-")
			a := w.get(t, path, "X-Request-Id", id)
			r := a.refusal(t)
			if a.code != 500 || r.Code != 13 || r.Reason != "INTERNAL" || r.Request != id || !strings.Contains(r.Message, id) {
				t.Errorf("%d %+v", a.code, r)
			}
			if strings.Contains(string(a.body), "secret") || strings.Contains(string(a.body), ".go:") {
				t.Errorf("the answer tells too much: %s", a.body)
			}
			if log := w.log.String(); !strings.Contains(log, id) || !strings.Contains(log, "secret words") {
				t.Errorf("the log does not tell it by the request's id:\n%s", log)
			}
		})
	}
	w.status.lot = func(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error) {
		return &pb.GetLotResponse{Lot: "harrow-gully.r7", Mass: "1 g"}, nil
	}
	if a := w.get(t, "/v1/lots/harrow-gully.r7"); a.code != 200 {
		t.Errorf("afterwards: %d", a.code)
	}
}

// An answer that has begun cannot become another: the connection is cut, so that nobody takes half an answer for a whole one.
func TestPanicAfterTheAnswerHasBegun(t *testing.T) {
	w := newWorld(t, nil)
	callers := rpc.NewAuthenticator(directory{}, nil, time.Now)
	cfg := Config{Conn: deadConn{}, Callers: callers, Sessions: session.New(callers, time.Now), Ready: func() error { return nil }}
	if err := cfg.complete(); err != nil {
		t.Fatal(err)
	}
	w.server.Config.Handler = guard(cfg, newDoors(cfg), http.HandlerFunc(func(rw http.ResponseWriter, _ *http.Request) {
		rw.Write([]byte("half of"))
		http.NewResponseController(rw).Flush()
		panic("secret words")
	}))
	res, err := w.server.Client().Get(w.server.URL + "/x")
	if err != nil {
		return // cut before the head arrived
	}
	defer res.Body.Close()
	if body, err := io.ReadAll(res.Body); err == nil {
		t.Errorf("the answer %q looks whole", body)
	}
}

func TestHealth(t *testing.T) {
	var state error
	w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.Ready = func() error { return state } })
	if a := w.do(t, request{method: "GET", path: "/healthz", noToken: true}); a.code != 200 || string(a.body) != "ready\n" {
		t.Errorf("%d %q", a.code, a.body)
	}
	state = fault.New(fault.NotCaughtUp, "", "3 events of 7 are read")
	if a := w.do(t, request{method: "GET", path: "/healthz", noToken: true}); a.code != 503 || a.refusal(t).Reason != "NOT_CAUGHT_UP" || a.header.Get("Retry-After") == "" {
		t.Errorf("%d %s", a.code, a.body)
	}
}

func TestConfigIsChecked(t *testing.T) {
	if _, err := New(t.Context(), Config{}); err == nil {
		t.Error("a gateway without anything was made")
	}
}
