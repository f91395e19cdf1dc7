package rpc

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strconv"
	"sync/atomic"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
)

// edge wraps the handlers of services.
//
// It does so by rewriting their descriptions and not with interceptors, because gRPC reads and decodes a message before it calls a unary
// interceptor: a caller without a token would be told that its message is too large. In a wrapped handler the token comes first, and
// what is wrong with the message itself becomes one of our faults (see incoming).
type edge struct {
	access map[string]Access
	auth   *Authenticator
	limit  *limiter
	looks  *limiter // of addresses that look up without a token
	log    *slog.Logger

	ids     atomic.Uint64
	idStart string
}

func newEdge(cfg Config, auth *Authenticator) *edge {
	var b [6]byte
	rand.Read(b[:])
	return &edge{
		access: cfg.Access, auth: auth, limit: newLimiter(cfg.EventsPerSecond, cfg.Burst, cfg.Now),
		looks: newLimiter(cfg.LookupsPerSecond, cfg.LookupBurst, cfg.Now), log: cfg.Log,
		idStart: hex.EncodeToString(b[:]) + "-",
	}
}

// wrap gives the description of a service whose handlers stand behind the edge.
func (e *edge) wrap(d *grpc.ServiceDesc) *grpc.ServiceDesc {
	c := *d
	c.Methods = make([]grpc.MethodDesc, len(d.Methods))
	for i, m := range d.Methods {
		name, next := "/"+d.ServiceName+"/"+m.MethodName, m.Handler
		access := e.access[name]
		m.Handler = func(srv any, ctx context.Context, dec func(any) error, i grpc.UnaryServerInterceptor) (any, error) {
			return e.unary(ctx, name, access, func(ctx context.Context, read func(any) error) (any, error) { return next(srv, ctx, read, i) }, dec)
		}
		c.Methods[i] = m
	}
	c.Streams = make([]grpc.StreamDesc, len(d.Streams))
	for i, s := range d.Streams {
		name, next := "/"+d.ServiceName+"/"+s.StreamName, s.Handler
		access := e.access[name]
		s.Handler = func(srv any, stream grpc.ServerStream) error { return e.stream(stream, name, access, srv, next) }
		c.Streams[i] = s
	}
	return &c
}

func (e *edge) unary(
	ctx context.Context, method string, access Access, next func(context.Context, func(any) error) (any, error), dec func(any) error,
) (reply any, err error) {
	id := e.requestID(ctx)
	defer func() {
		if r := recover(); r != nil {
			err = panicked(r)
		}
		if err != nil {
			reply, err = nil, e.leave(ctx, method, id, err)
		}
	}()
	ctx, caller, err := e.auth.admit(ctx, method, access)
	if err == nil {
		err = e.lookUp(ctx, method, caller)
	}
	if err != nil {
		return nil, err
	}
	return next(withRequestID(ctx, id), func(m any) error {
		if err := receive(dec, m); err != nil {
			return err
		}
		if n := eventsIn(m); n > 0 {
			if f := e.limit.take(caller.Party, n); f != nil {
				return f
			}
		}
		return nil
	})
}

func (e *edge) stream(s grpc.ServerStream, method string, access Access, srv any, next grpc.StreamHandler) (err error) {
	ctx := s.Context()
	id := e.requestID(ctx)
	defer func() {
		if r := recover(); r != nil {
			err = panicked(r)
		}
		if err != nil {
			err = e.leave(ctx, method, id, err)
		}
	}()
	ctx, caller, err := e.auth.admit(ctx, method, access)
	if err != nil {
		return err
	}
	return next(srv, &edgeStream{s, withRequestID(ctx, id), e, caller})
}

// edgeStream is a stream whose messages pass the edge.
type edgeStream struct {
	grpc.ServerStream
	ctx    context.Context
	edge   *edge
	caller Caller
}

func (s *edgeStream) Context() context.Context { return s.ctx }

func (s *edgeStream) RecvMsg(m any) error {
	if err := receive(s.ServerStream.RecvMsg, m); err != nil {
		return err
	}
	if n := eventsIn(m); n > 0 {
		return s.edge.limit.wait(s.ctx, s.caller.Party, n)
	}
	return nil
}

func panicked(r any) error { return fmt.Errorf("panic: %v\n%s", r, debug.Stack()) }

// leave turns an error into what the caller is told, and logs what the caller is not told.
func (e *edge) leave(ctx context.Context, method, id string, err error) error {
	out := StatusFor(err, id)
	switch code := status.Code(out); code {
	case codes.Internal, codes.Unknown, codes.DataLoss:
		e.log.ErrorContext(ctx, "call failed", "method", method, "request", id, "error", err)
	case codes.Unavailable:
		e.log.WarnContext(ctx, "call not answered", "method", method, "request", id, "error", err)
	default:
		e.log.DebugContext(ctx, "call refused", "method", method, "request", id, "code", code, "error", err)
	}
	return out
}

type requestIDKey struct{}

func withRequestID(ctx context.Context, id string) context.Context {
	return context.WithValue(ctx, requestIDKey{}, id)
}

// RequestID is the id under which the log speaks of this call; "" outside one.
func RequestID(ctx context.Context) string {
	id, _ := ctx.Value(requestIDKey{}).(string)
	return id
}

// requestID takes the caller's own id of the call, if it is fit for a log, or makes one.
func (e *edge) requestID(ctx context.Context) string {
	if given := metadata.ValueFromIncomingContext(ctx, "x-request-id"); len(given) == 1 && FitForLog(given[0]) {
		return given[0]
	}
	return e.idStart + strconv.FormatUint(e.ids.Add(1), 36)
}

// FitForLog tells whether a request id that a caller chose may stand in the log and in answers.
func FitForLog(s string) bool {
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_' && c != '.' {
			return false
		}
	}
	return len(s) >= 1 && len(s) <= 64
}
