package gateway

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

const watchPath = "/v1/watch?lot=harrow-gully.r7"

// sse is one piece of an event stream, as a reader that follows the standard's rules sees it.
type sse struct {
	id, event, data, comment string
}

// reader reads an event stream by the rules of WHATWG HTML, section 9.2.6.
type reader struct {
	t   *testing.T
	res *http.Response
	buf *bufio.Reader
	// lastID is what the reader would send as Last-Event-ID.
	lastID string
}

// open opens a stream and checks that it is one.
func (w *world) open(t *testing.T, path string, header ...string) *reader {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "GET", w.server.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+goodToken)
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := w.server.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { res.Body.Close() })
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/event-stream" || res.Header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%d %v", res.StatusCode, res.Header)
	}
	return &reader{t: t, res: res, buf: bufio.NewReader(res.Body)}
}

// next reads one block up to its empty line; ok is false at the end of the stream.
func (r *reader) next() (e sse, ok bool) {
	r.t.Helper()
	for {
		line, err := r.buf.ReadString('\n')
		if err != nil {
			return e, false
		}
		line = strings.TrimSuffix(line, "\n")
		if line == "" {
			return e, true
		}
		field, value, colon := strings.Cut(line, ":")
		if !colon {
			r.t.Errorf("line %q", line)
		}
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "":
			e.comment = value
		case "id":
			e.id, r.lastID = value, value
		case "event":
			e.event = value
		case "data":
			if e.data != "" {
				r.t.Errorf("data in two lines: %q", line)
			}
			e.data = value
		default:
			r.t.Errorf("field %q", line)
		}
	}
}

func (r *reader) want(e sse) {
	r.t.Helper()
	if got, ok := r.next(); !ok || got != e {
		r.t.Fatalf("%+v (%v), want %+v", got, ok, e)
	}
}

func heartbeat(id string) *pb.WatchResponse { return &pb.WatchResponse{Id: id, Kind: "heartbeat"} }

func TestWatchStream(t *testing.T) {
	w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.Heartbeat = 50 * time.Millisecond })
	var asked *pb.WatchRequest
	goOn := make(chan *pb.WatchResponse)
	w.status.watch = func(r *pb.WatchRequest, s grpc.ServerStreamingServer[pb.WatchResponse]) error {
		asked = r
		if err := s.Send(heartbeat("e1/7")); err != nil {
			return err
		}
		for n := range goOn {
			if err := s.Send(n); err != nil {
				return err
			}
		}
		return fault.New(fault.NotCaughtUp, "", "the server is stopping")
	}
	r := w.open(t, watchPath)
	if asked.GetLot() != "harrow-gully.r7" || asked.After != nil || asked.Holder != nil {
		t.Errorf("asked %v", asked)
	}
	// The first piece comes at once and tells no event, only where the stream stands.
	r.want(sse{comment: "still here", id: "e1/7"})
	if r.lastID != "e1/7" {
		t.Errorf("a reader would go on after %q", r.lastID)
	}
	// A quiet log gives a sign of life.
	r.want(sse{comment: "still here"})
	goOn <- &pb.WatchResponse{Id: "e1/9", Kind: "event", Position: 9, Event: &pb.Event{Event: proto.String("a/b"), Remark: proto.String("two\nlines\r and more")}}
	var e sse
	for e.data == "" {
		var ok bool
		if e, ok = r.next(); !ok {
			t.Fatal("the stream ended")
		}
	}
	if e.id != "e1/9" || e.event != "event" {
		t.Errorf("%+v", e)
	}
	var n struct {
		ID, Kind, Position string
		Event              struct{ Event, Remark string }
	}
	if err := json.Unmarshal([]byte(e.data), &n); err != nil || n.ID != "e1/9" || n.Kind != "event" || n.Position != "9" || n.Event.Event != "a/b" || n.Event.Remark != "two\nlines\r and more" {
		t.Errorf("%q: %v", e.data, err)
	}
	// The service's own sign of life moves the place on.
	goOn <- heartbeat("e1/11")
	for r.lastID != "e1/11" {
		if _, ok := r.next(); !ok {
			t.Fatal("the stream ended")
		}
	}
	// When the service ends it, the reader is told to come back, and the stream ends properly.
	close(goOn)
	last := sse{}
	for {
		e, ok := r.next()
		if !ok {
			break
		}
		last = e
	}
	if !strings.Contains(last.comment, "Last-Event-ID") {
		t.Errorf("the last piece is %+v", last)
	}
}

func TestWatchGoesOn(t *testing.T) {
	w := newWorld(t, nil)
	asked := make(chan *pb.WatchRequest, 1)
	w.status.watch = func(r *pb.WatchRequest, s grpc.ServerStreamingServer[pb.WatchResponse]) error {
		asked <- r
		return s.Send(heartbeat("e1/7"))
	}
	for _, c := range []struct{ name, path, header, want string }{
		{"from now", watchPath, "", ""},
		{"by the header", watchPath, "e1/9", "e1/9"},
		{"by the address", watchPath + "&after=e1/8", "", "e1/8"},
		{"the header is newer", watchPath + "&after=e1/8", "e1/9", "e1/9"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var header []string
			if c.header != "" {
				header = []string{"Last-Event-ID", c.header}
			}
			w.open(t, c.path, header...)
			if r := <-asked; r.GetAfter() != c.want || r.GetLot() != "harrow-gully.r7" {
				t.Errorf("asked %v, want after %q", r, c.want)
			}
		})
	}
}

// A refusal comes before anything is written, so it has its own status and body.
func TestWatchRefused(t *testing.T) {
	w := newWorld(t, nil)
	var f error
	w.status.watch = func(*pb.WatchRequest, grpc.ServerStreamingServer[pb.WatchResponse]) error { return f }
	for reason, code := range map[fault.Reason]int{
		fault.UnknownLot: 404, fault.EpochChanged: 409, fault.NotCaughtUp: 503, fault.InvalidField: 400, fault.RateLimited: 429,
	} {
		f = fault.New(reason, "lot", "found this")
		a := w.get(t, watchPath)
		if r := a.refusal(t); a.code != code || r.Reason != string(reason) {
			t.Errorf("%s: %d %+v", reason, a.code, r)
		}
	}
}

// The server's limit for reading a request is for requests, not for streams that live longer.
func TestWatchOutlivesTheReadTimeout(t *testing.T) {
	const limit = 150 * time.Millisecond
	w := newWorld(t, func(cfg *Config, s *http.Server) { s.ReadTimeout, cfg.Heartbeat = limit, limit/3 })
	ended := make(chan struct{})
	w.status.watch = func(_ *pb.WatchRequest, s grpc.ServerStreamingServer[pb.WatchResponse]) error {
		defer close(ended)
		if err := s.Send(heartbeat("e1/7")); err != nil {
			return err
		}
		<-s.Context().Done()
		return s.Context().Err()
	}
	r := w.open(t, watchPath)
	for start := time.Now(); time.Since(start) < 5*limit; {
		if _, ok := r.next(); !ok {
			t.Fatalf("the stream ended after %s", time.Since(start))
		}
	}
	// When the reader goes, the service's side ends, too.
	r.res.Body.Close()
	select {
	case <-ended:
	case <-time.After(5 * time.Second):
		t.Error("the service still serves a reader who has gone")
	}
}

// The connection of a stream that has ended serves other requests, however long after.
func TestConnectionAfterAStream(t *testing.T) {
	w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.WriteWithin = 50 * time.Millisecond })
	w.status.watch = func(_ *pb.WatchRequest, s grpc.ServerStreamingServer[pb.WatchResponse]) error {
		return s.Send(heartbeat("e1/7"))
	}
	conn, err := net.Dial("tcp", w.server.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	buf := bufio.NewReader(conn)
	fmt.Fprintf(conn, "GET %s HTTP/1.1\r\nHost: node\r\nAuthorization: Bearer %s\r\n\r\n", watchPath, goodToken)
	res, err := http.ReadResponse(buf, nil)
	if err != nil {
		t.Fatal(err)
	}
	for b := bufio.NewReader(res.Body); ; {
		if _, err := b.ReadByte(); err != nil {
			break
		}
	}
	time.Sleep(150 * time.Millisecond)
	fmt.Fprintf(conn, "GET /healthz HTTP/1.1\r\nHost: node\r\n\r\n")
	if res, err = http.ReadResponse(buf, nil); err != nil || res.StatusCode != 200 {
		t.Errorf("the next request on the connection: %v, %v", res, err)
	}
}

// A reader who takes nothing is cut off, and what it held of the node is given back.
func TestWatchCutsASlowReaderOff(t *testing.T) {
	w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.WriteWithin, cfg.MaxStreams = 200*time.Millisecond, 1 })
	ended := make(chan error, 1)
	full := strings.Repeat("x", 100<<10)
	w.status.watch = func(_ *pb.WatchRequest, s grpc.ServerStreamingServer[pb.WatchResponse]) error {
		err := s.Send(heartbeat("e1/7"))
		for i := 0; err == nil; i++ {
			err = s.Send(&pb.WatchResponse{Id: fmt.Sprintf("e1/%d", 8+i), Kind: "event", Event: &pb.Event{Remark: &full}})
		}
		select {
		case ended <- err:
		default:
		}
		return err
	}
	conn, err := net.Dial("tcp", w.server.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "GET %s HTTP/1.1\r\nHost: node\r\nAuthorization: Bearer %s\r\n\r\n", watchPath, goodToken)
	select {
	case err := <-ended:
		if err == nil {
			t.Error("the stream ended by itself")
		}
	case <-time.After(20 * time.Second):
		t.Fatal("a reader who takes nothing is still served")
	}
	// Its place is free again.
	within(t, func() bool { return w.tryOpen(t) == 200 })
}

// tryOpen opens a stream, closes it at once and gives the HTTP status.
func (w *world) tryOpen(t *testing.T) int {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, "GET", w.server.URL+watchPath, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+goodToken)
	res, err := w.server.Client().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	return res.StatusCode
}

func within(t *testing.T, done func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !done(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it did not come about within 10 s")
		}
	}
}

func TestWatchCapPerAddress(t *testing.T) {
	w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.MaxStreams = 2 })
	w.status.watch = func(_ *pb.WatchRequest, s grpc.ServerStreamingServer[pb.WatchResponse]) error {
		if err := s.Send(heartbeat("e1/7")); err != nil {
			return err
		}
		<-s.Context().Done()
		return s.Context().Err()
	}
	first := w.open(t, watchPath)
	w.open(t, watchPath)
	a := w.get(t, watchPath)
	r := a.refusal(t)
	if a.code != 429 || r.Reason != "RATE_LIMITED" || a.header.Get("Retry-After") != "15" || !strings.Contains(r.Message, "accepted are 2") {
		t.Errorf("%d, Retry-After %q: %+v", a.code, a.header.Get("Retry-After"), r)
	}
	// Other requests are not streams.
	if a := w.get(t, "/healthz"); a.code != 200 {
		t.Errorf("healthz: %d", a.code)
	}
	first.res.Body.Close()
	within(t, func() bool { return w.tryOpen(t) == 200 })
}

// Bad requests and refused streams take no place.
func TestWatchCapAfterRefusals(t *testing.T) {
	w := newWorld(t, func(cfg *Config, _ *http.Server) { cfg.MaxStreams = 1 })
	w.status.watch = func(*pb.WatchRequest, grpc.ServerStreamingServer[pb.WatchResponse]) error {
		return fault.New(fault.UnknownLot, "lot", "found no such lot")
	}
	for range 3 {
		if a := w.get(t, watchPath); a.code != 404 {
			t.Fatalf("%d", a.code)
		}
		if a := w.get(t, watchPath+"&colour=red"); a.code != 400 {
			t.Fatalf("%d", a.code)
		}
	}
}
