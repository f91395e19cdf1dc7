package gateway

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// retryAfter is told with an answer that the node could not give in time.
const retryAfter = time.Second

// watch serves GET /v1/watch as server-sent events (WHATWG HTML, section 9.2). Each event's id is "<epoch>/<position>", so that a
// reader that was cut off goes on where it was by the Last-Event-ID header that browsers send by themselves. A sign of life carries an id,
// too, but no data: readers note the id and are told nothing, so that one who was cut off before the first event misses none either.
type watch struct {
	status pb.StatusServiceClient
	cfg    Config

	mu   sync.Mutex
	open map[string]int // guarded by mu: streams by client address
}

func newWatch(status pb.StatusServiceClient, cfg Config) *watch {
	return &watch{status: status, cfg: cfg, open: map[string]int{}}
}

// nothingInPath: no field of a watch stands in the path.
func nothingInPath() *utilities.DoubleArray { return utilities.NewDoubleArray(nil) }

func (s *watch) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	req := &pb.WatchRequest{}
	if err := (strictQuery{}).Parse(req, r.URL.Query(), nothingInPath()); err != nil {
		writeError(w, r, err)
		return
	}
	if last := r.Header.Get("Last-Event-ID"); last != "" {
		req.After = &last // it is newer than what the address says, which a browser repeats as it stands
	}
	client, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		client = r.RemoteAddr
	}
	if !s.enter(client) {
		writeError(w, r, fault.New(fault.RateLimited, "", "found %d event streams open from this address, accepted are %d", s.cfg.MaxStreams, s.cfg.MaxStreams).Retry(s.cfg.Heartbeat))
		return
	}
	defer s.leave(client)

	ctx, cancel := context.WithCancel(callMetadata(r))
	defer cancel()
	stream, err := s.status.Watch(ctx, req)
	if err != nil {
		writeError(w, r, err)
		return
	}
	// The service sends a heartbeat as soon as the stream stands, so that the first Recv tells a refusal from a quiet log while
	// the HTTP status can still be chosen.
	first, err := stream.Recv()
	if err != nil {
		writeError(w, r, err)
		return
	}
	s.pump(ctx, cancel, w, first, stream)
}

// pump writes notices until the reader goes or falls behind.
func (s *watch) pump(ctx context.Context, cancel context.CancelFunc, w http.ResponseWriter, first *pb.WatchResponse, stream pb.StatusService_WatchClient) {
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no")
	out := &eventWriter{w: w, control: http.NewResponseController(w), within: s.cfg.WriteWithin}
	w.WriteHeader(http.StatusOK)

	notices := make(chan *pb.WatchResponse)
	failed := make(chan error, 1)
	var reading sync.WaitGroup
	reading.Go(func() {
		for {
			n, err := stream.Recv()
			if err != nil {
				failed <- err
				return
			}
			select {
			case notices <- n:
			case <-ctx.Done():
				return
			}
		}
	})
	defer reading.Wait()
	defer cancel()

	if err := out.notice(first); err != nil {
		return
	}
	beat := time.NewTicker(s.cfg.Heartbeat)
	defer beat.Stop()
	for {
		var err error
		select {
		case n := <-notices:
			err = out.notice(n)
		case <-beat.C:
			err = out.comment("still here")
		case end := <-failed:
			if !errors.Is(end, io.EOF) && ctx.Err() == nil {
				_ = out.comment("ended: send Last-Event-ID to go on")
			}
			return
		case <-ctx.Done():
			return
		}
		if err != nil {
			return
		}
	}
}

func (s *watch) enter(client string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open[client] >= s.cfg.MaxStreams {
		return false
	}
	s.open[client]++
	return true
}

func (s *watch) leave(client string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open[client]--; s.open[client] == 0 {
		delete(s.open, client)
	}
}

// eventWriter writes the event-stream format and sends each piece on its way.
type eventWriter struct {
	w       http.ResponseWriter
	control *http.ResponseController
	within  time.Duration
	buf     bytes.Buffer
}

func (e *eventWriter) notice(n *pb.WatchResponse) error {
	e.buf.Reset()
	if n.GetKind() == "heartbeat" {
		fmt.Fprintf(&e.buf, ": still here\nid: %s\n\n", n.GetId())
		return e.send()
	}
	data, err := compacted(protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(n))
	if err != nil {
		return fmt.Errorf("marshal a notice: %w", err)
	}
	fmt.Fprintf(&e.buf, "id: %s\nevent: %s\ndata: %s\n\n", n.GetId(), n.GetKind(), data)
	return e.send()
}

func (e *eventWriter) comment(text string) error {
	e.buf.Reset()
	fmt.Fprintf(&e.buf, ": %s\n\n", text)
	return e.send()
}

func (e *eventWriter) send() error {
	if err := e.control.SetWriteDeadline(time.Now().Add(e.within)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := e.w.Write(e.buf.Bytes()); err != nil {
		return err
	}
	return e.control.Flush()
}
