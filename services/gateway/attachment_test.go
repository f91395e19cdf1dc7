package gateway

import (
	"crypto/tls"
	"errors"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// slowLine is a body that comes in pieces with a pause before each, and then ends or stands still until it is closed.
type slowLine struct {
	pieces int
	every  time.Duration
	stalls chan struct{} // nil: the body ends behind its pieces
	once   sync.Once
}

func (l *slowLine) Close() error {
	l.once.Do(func() {
		if l.stalls != nil {
			close(l.stalls)
		}
	})
	return nil
}

const piece = "a piece of a file\n"

func (l *slowLine) Read(p []byte) (int, error) {
	if l.pieces == 0 && l.stalls == nil {
		return 0, io.EOF
	}
	if l.pieces == 0 {
		<-l.stalls
		return 0, io.ErrUnexpectedEOF
	}
	l.pieces--
	time.Sleep(l.every)
	return copy(p, piece), nil
}

// A file that keeps coming is not cut off, however long the server gives other requests; one that stands still is, and so is one without an end.
func TestSlowUploads(t *testing.T) {
	for _, version := range []string{"HTTP/1.1", "HTTP/2.0"} {
		t.Run(version, func(t *testing.T) { slowUploads(t, version) })
	}
}

func slowUploads(t *testing.T, version string) {
	for name, c := range map[string]struct {
		line         *slowLine
		pause, bound time.Duration
		disk         time.Duration // what the store takes behind the last byte
		says         string        // of the refusal; "": it is stored
	}{
		"a slow line": {line: &slowLine{pieces: 60, every: 10 * time.Millisecond}},
		"a slow disk": {line: &slowLine{pieces: 1}, disk: 600 * time.Millisecond, pause: 300 * time.Millisecond},
		"a stall":     {line: &slowLine{pieces: 10, stalls: make(chan struct{})}, pause: 300 * time.Millisecond, says: "bytes and then none for 300ms, accepted is a file that keeps coming"},
		"at once":     {line: &slowLine{stalls: make(chan struct{})}, pause: 100 * time.Millisecond, says: "found 0 bytes and then none for 100ms"},
		"without end": {line: &slowLine{pieces: 2_000, every: 10 * time.Millisecond}, bound: 300 * time.Millisecond, says: "no end of the file within 300ms"},
		"a fast line": {line: &slowLine{pieces: 10_000}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t, func(cfg *Config, server *http.Server) {
				server.ReadTimeout, cfg.UploadPause, cfg.UploadWithin = 200*time.Millisecond, c.pause, c.bound
				if version == "HTTP/2.0" {
					server.TLSConfig = &tls.Config{NextProtos: []string{"h2"}}
				}
			})
			ended := make(chan error, 1)
			w.files.put = func(s grpc.ClientStreamingServer[pb.PutAttachmentRequest, pb.PutAttachmentResponse]) error {
				size := 0
				for {
					m, err := s.Recv()
					if errors.Is(err, io.EOF) {
						break
					}
					if err != nil {
						ended <- err
						return err
					}
					size += len(m.GetChunk())
				}
				time.Sleep(c.disk)
				ended <- s.Context().Err()
				return s.SendAndClose(&pb.PutAttachmentResponse{Size: int32(size)})
			}
			want := c.line.pieces * len(piece)
			began := time.Now()
			a := w.do(t, request{method: "POST", path: "/v1/attachments", body: c.line, header: []string{"Content-Type", "text/plain"}})
			took := time.Since(began)
			if a.proto != version {
				t.Errorf("it was %s", a.proto)
			}
			if c.says == "" {
				var out pb.PutAttachmentResponse
				if err := newStrictJSON().Unmarshal(a.body, &out); a.code != 200 || err != nil || int(out.GetSize()) != want {
					t.Errorf("after %v: %d %s, want %d bytes, %v", took, a.code, a.body, want, err)
				}
				if err := <-ended; err != nil {
					t.Errorf("the store was told to stop: %v", err)
				}
				return
			}
			if r := a.refusal(t); a.code != 400 || r.Reason != "INVALID_FIELD" || !strings.Contains(r.Message, c.says) {
				t.Errorf("%d %+v, want %q", a.code, r, c.says)
			}
			if took > 10*time.Second {
				t.Errorf("it was told after %v", took)
			}
			select { // what was begun is given up
			case err := <-ended:
				if err == nil {
					t.Error("the store took half a file")
				}
			case <-time.After(10 * time.Second):
				t.Error("the store still waits for the rest")
			}
		})
	}
}
