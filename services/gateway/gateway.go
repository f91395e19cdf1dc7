// Package gateway is the HTTP side of a node: the REST routes that proto/lotpaper/v1/rest.yaml lists, server-sent events, the
// sessions of browsers, and the health page.
//
// It holds no state and judges nothing: every request becomes a gRPC call to the same services that gRPC callers use, with the
// caller's own token, or the gateway's word for a caller who came with a certificate or a session. What it adds is HTTP's own matter: strict JSON, one body of error for every answer from 400 on, its own
// included, entity tags, and the order of checks (token, then size, then shape) which a gateway that decodes first would turn round.
package gateway

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/session"
)

// MaxBody is the largest request body, 1 MiB.
const MaxBody = 1 << 20

// requestIDHeader names a request. Who sends one finds it in the answer and in the node's log; who sends none gets one.
const requestIDHeader = "X-Request-Id"

// Config is what a gateway needs.
type Config struct {
	// Conn leads to the node's gRPC server.
	Conn grpc.ClientConnInterface
	// Callers finds out who calls, before the body is read.
	Callers Callers
	// Sessions keeps the sessions of browsers.
	Sessions *session.Store
	// Staff logs people in; nil: sessions begin with a token alone.
	Staff Staff
	// Secure says that browsers reach the gateway by TLS, so that a session's cookie is sent by nothing else.
	Secure bool
	// Pages are what else is served, by the pattern of net/http that leads to it. A page finds its caller, if it has one that is in force, with rpc.CallerFrom, and
	// who calls on goes by the Authorization header of its request. It must refuse by itself who may not see it.
	Pages map[string]http.Handler
	// LargeBodies says which paths of pages take larger bodies than MaxBody, and how large.
	LargeBodies map[string]int64
	// Ready tells why the node cannot answer yet; nil means that it can.
	Ready func() error
	// MaxStreams bounds the event streams that one client address may hold open; 0: 64.
	MaxStreams int
	// Heartbeat is how often a quiet event stream gives a sign of life; 0: 15 s. WriteWithin is how long one notice may take to reach a
	// reader, who is cut off after that and goes on with Last-Event-ID; 0: 10 s.
	Heartbeat, WriteWithin time.Duration
	// UploadPause is how long a file that is being uploaded may stand still; 0: 30 s. UploadWithin is how long the whole may take; 0: an hour, in which a line of
	// 40 kbit/s brings the largest. They stand in place of the HTTP server's own time for a request.
	UploadPause, UploadWithin time.Duration
	Logger                    *slog.Logger
}

func (c *Config) complete() error {
	if c.Conn == nil || c.Callers == nil || c.Sessions == nil || c.Ready == nil {
		return errors.New("configure the gateway: it needs a connection to the services, a word on who calls, sessions, and a word on readiness")
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	if c.MaxStreams <= 0 {
		c.MaxStreams = 64
	}
	if c.Heartbeat <= 0 {
		c.Heartbeat = 15 * time.Second
	}
	if c.WriteWithin <= 0 {
		c.WriteWithin = 10 * time.Second
	}
	if c.UploadPause <= 0 {
		c.UploadPause = 30 * time.Second
	}
	if c.UploadWithin <= 0 {
		c.UploadWithin = time.Hour
	}
	return nil
}

// New makes the handler for everything that the node serves over HTTP.
func New(ctx context.Context, cfg Config) (http.Handler, error) {
	if err := cfg.complete(); err != nil {
		return nil, err
	}
	useStrictQuery()
	matching := []runtime.ServeMuxOption{
		runtime.WithDisablePathLengthFallback(),
		runtime.WithDisableHTTPMethodOverride(),
		runtime.WithUnescapingMode(runtime.UnescapingModeAllExceptReserved),
	}
	probe := &allowed{newProbe(matching...)}
	routes := runtime.NewServeMux(append(matching,
		runtime.WithMarshalerOption(runtime.MIMEWildcard, newStrictJSON()),
		runtime.WithErrorHandler(errorHandler),
		runtime.WithRoutingErrorHandler(probe.routingError),
		runtime.WithIncomingHeaderMatcher(incomingHeader),
		runtime.WithOutgoingHeaderMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithOutgoingTrailerMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithForwardResponseOption(entityTag),
	)...)
	status := pb.NewStatusServiceClient(cfg.Conn)
	for _, mux := range [...]*runtime.ServeMux{routes, probe.routes.(*runtime.ServeMux)} {
		if err := pb.RegisterIntakeServiceHandlerClient(ctx, mux, pb.NewIntakeServiceClient(cfg.Conn)); err != nil {
			return nil, fmt.Errorf("register intake routes: %w", err)
		}
		if err := pb.RegisterStatusServiceHandlerClient(ctx, mux, status); err != nil {
			return nil, fmt.Errorf("register status routes: %w", err)
		}
		if err := pb.RegisterTransparencyServiceHandlerClient(ctx, mux, pb.NewTransparencyServiceClient(cfg.Conn)); err != nil {
			return nil, fmt.Errorf("register transparency routes: %w", err)
		}
		if err := pb.RegisterPrivacyServiceHandlerClient(ctx, mux, pb.NewPrivacyServiceClient(cfg.Conn)); err != nil {
			return nil, fmt.Errorf("register privacy routes: %w", err)
		}
		if err := pb.RegisterLaboratoryServiceHandlerClient(ctx, mux, pb.NewLaboratoryServiceClient(cfg.Conn)); err != nil {
			return nil, fmt.Errorf("register laboratory routes: %w", err)
		}
	}
	mux := http.NewServeMux()
	mux.Handle("/v1/watch", only(newWatch(status, cfg), http.MethodGet))
	files := pb.NewAttachmentServiceClient(cfg.Conn)
	mux.Handle(attachmentsPath, only(upload(files, cfg), http.MethodPost))
	mux.Handle(attachmentsPath+"/{sha256}", only(download(files), http.MethodGet, http.MethodHead))
	published := &publication{pb.NewTransparencyServiceClient(cfg.Conn)}
	mux.Handle("/log/checkpoint", only(http.HandlerFunc(published.checkpoint), http.MethodGet, http.MethodHead))
	mux.Handle("/v1/log/checkpoint", only(http.HandlerFunc(published.checkpoint), http.MethodGet, http.MethodHead))
	mux.Handle("/v1/lots/{lot}/proof", only(http.HandlerFunc(published.proof), http.MethodGet, http.MethodHead))
	mux.Handle("/v1/stones/{handle}/proof", only(http.HandlerFunc(published.stoneProof), http.MethodGet, http.MethodHead))
	mux.Handle("/v1/stones/{handle}/pictures/{sha256}", only(picture(files), http.MethodGet, http.MethodHead))
	mux.Handle("/log/tile/", only(http.HandlerFunc(published.tile), http.MethodGet, http.MethodHead))
	in := newDoors(cfg)
	mux.Handle(sessionPath, only(sessions(in), http.MethodGet, http.MethodPost, http.MethodDelete))
	if cfg.Staff != nil {
		mux.Handle(loginPath, only(login(in), http.MethodGet))
		mux.Handle(callbackPath, only(finish(in), http.MethodGet))
	}
	for pattern, page := range cfg.Pages {
		mux.Handle(pattern, page)
	}
	mux.Handle("/healthz", only(health(cfg.Ready), http.MethodGet, http.MethodHead))
	mux.Handle("/", api(routes))
	return guard(cfg, in, mux), nil
}

// incomingHeader names the HTTP headers that travel on as gRPC metadata.
func incomingHeader(key string) (string, bool) {
	switch key {
	case "Idempotency-Key":
		return "idempotency-key", true
	case "If-Match":
		return "if-match", true
	case requestIDHeader:
		return "x-request-id", true
	}
	return "", false // Authorization travels on its own
}

// routingError answers for requests that no route takes.
func (a *allowed) routingError(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, code int) {
	switch code {
	case http.StatusMethodNotAllowed:
		writeError(w, r, notServed(w, r, a.methods(r)))
	case http.StatusBadRequest:
		writeError(w, r, fault.New(fault.InvalidField, "", "found the address %q, which is not well formed", clip(r.URL.EscapedPath())))
	default:
		writeError(w, r, noRoute(r))
	}
}

// api stands before the generated routes: HEAD is GET without the body (net/http leaves it out), and a GET may be conditional.
func api(routes http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodHead {
			r = r.Clone(r.Context())
			r.Method = http.MethodGet
		}
		if known := r.Header.Get("If-None-Match"); known != "" && r.Method == http.MethodGet {
			w = &conditional{ResponseWriter: w, known: known}
		}
		routes.ServeHTTP(w, r)
	})
}

// only serves some methods alone.
func only(next http.Handler, methods ...string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !slices.Contains(methods, r.Method) {
			writeError(w, r, notServed(w, r, strings.Join(methods, ", ")))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// guard stands before every route: a request id, then token, then size, then the parts of the shape that no decoder sees.
func guard(cfg Config, in *doors, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cache-Control", "no-store")
		id := r.Header.Get(requestIDHeader)
		if !rpc.FitForLog(id) {
			id = newRequestID()
			r.Header.Set(requestIDHeader, id)
		}
		h.Set(requestIDHeader, id)
		sent := &watched{ResponseWriter: w}
		defer survive(cfg.Logger, sent, r, id)
		if f := before(cfg, in, sent, r); f != nil {
			writeError(sent, r, f)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, cfg.maxBody(r))
		next.ServeHTTP(sent, r)
	})
}

// before says what is wrong with a request before anybody looks at its body.
func before(cfg Config, in *doors, w http.ResponseWriter, r *http.Request) error {
	if err := in.enter(w, r); err != nil {
		return err
	}
	if limit := cfg.maxBody(r); r.ContentLength > limit {
		if limit != MaxBody {
			return fileTooLarge(r.ContentLength, limit)
		}
		return bodyTooLarge(r.ContentLength)
	}
	if f := addressFault(r); f != nil {
		return f
	}
	return nil
}

// survive answers for a handler that panicked: with INTERNAL and the request's id, under which the log has the rest. http.ErrAbortHandler is
// net/http's own way to cut a connection, and so is a panic here once the answer has begun.
func survive(log *slog.Logger, w *watched, r *http.Request, id string) {
	p := recover()
	if p == nil {
		return
	}
	if p == http.ErrAbortHandler {
		panic(p)
	}
	log.ErrorContext(r.Context(), "request failed", "method", r.Method, "path", r.URL.Path, "request", id, "panic", p, "stack", string(debug.Stack()))
	if w.begun {
		panic(http.ErrAbortHandler)
	}
	writeError(w, r, fault.New(fault.InternalError, "", ""))
}

// watched knows whether the answer has begun.
type watched struct {
	http.ResponseWriter
	begun bool
}

func (w *watched) WriteHeader(code int) {
	w.begun = true
	w.ResponseWriter.WriteHeader(code)
}

func (w *watched) Write(p []byte) (int, error) {
	w.begun = true
	return w.ResponseWriter.Write(p)
}

// Unwrap lets http.ResponseController reach the writer within.
func (w *watched) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func newRequestID() string {
	var b [8]byte
	rand.Read(b[:])
	return "h-" + hex.EncodeToString(b[:])
}

// public tells whether a path may be read without a token.
func public(r *http.Request) bool {
	p := r.URL.Path
	switch {
	case strings.HasPrefix(p, "/v1/stones/"):
		return r.Method == http.MethodGet || r.Method == http.MethodHead
	case p == "/v1/log", strings.HasPrefix(p, "/v1/log/"), strings.HasPrefix(p, "/v1/samples:"), strings.HasPrefix(p, "/v1/assays:"):
		return true
	}
	return false
}

// health answers 200 once the projection has caught up.
func health(ready func() error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := ready(); err != nil {
			writeError(w, r, err)
			return
		}
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		fmt.Fprintln(w, "ready")
	}
}

// callMetadata carries a caller's token and the request's id into a gRPC call that the gateway makes itself.
func callMetadata(r *http.Request) context.Context {
	md := metadata.Pairs("x-request-id", r.Header.Get(requestIDHeader))
	if a := r.Header.Get("Authorization"); a != "" {
		md.Set("authorization", a)
	}
	if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
		md.Set("x-forwarded-for", host) // by it the look-ups of an address are counted
	}
	return metadata.NewOutgoingContext(r.Context(), md)
}
