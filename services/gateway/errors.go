package gateway

import (
	"context"
	"net/http"
	"strconv"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// errorHandler writes every error that a route ends with.
func errorHandler(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	writeError(w, r, err)
}

func noRoute(r *http.Request) *fault.Error {
	return fault.New(fault.NoRoute, "", "found no route %s; the OpenAPI document lists the routes", clip(r.URL.Path))
}

func notServed(w http.ResponseWriter, r *http.Request, methods string) *fault.Error {
	w.Header().Set("Allow", methods)
	return fault.New(fault.MethodNotAllowed, "", "found %s, accepted at %s are: %s", clip(r.Method), clip(r.URL.Path), methods)
}

// writeError writes {code, message, details} and the HTTP status that belongs to it.
func writeError(w http.ResponseWriter, r *http.Request, err error) {
	st := statusOf(err, r.Header.Get(requestIDHeader))
	reason := reasonOf(st)
	code := httpCode(st, reason)
	if reason == fault.EtagMismatch && r.Header.Get("If-Match") != "" {
		code = http.StatusPreconditionFailed
	}
	if f, ok := uncarry(err); ok && f.BodyTooLarge {
		code = http.StatusRequestEntityTooLarge
	}
	h := w.Header()
	for _, d := range st.GetDetails() {
		var retry errdetails.RetryInfo
		if d.MessageIs(&retry) && d.UnmarshalTo(&retry) == nil {
			seconds := int64(retry.GetRetryDelay().AsDuration().Seconds() + 0.999)
			h.Set("Retry-After", strconv.FormatInt(max(1, seconds), 10))
		}
	}
	if code == http.StatusUnauthorized {
		h.Set("WWW-Authenticate", "Bearer")
	}
	h.Del("ETag")
	h.Set("Content-Type", "application/json")
	body, merr := compacted(protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(st))
	if merr != nil { // a detail of a type that is not linked in: the answer must still say what is wrong
		body, _ = compacted(protojson.Marshal(&spb.Status{Code: st.GetCode(), Message: st.GetMessage()}))
	}
	w.WriteHeader(code)
	_, _ = w.Write(body)
}

// statusOf finds the gRPC status of an error: of one that came through gRPC its own, of a fault the one that gRPC would give. Every one
// has an ErrorInfo.
func statusOf(err error, requestID string) *spb.Status {
	if f, ok := uncarry(err); ok {
		return status.Convert(rpc.StatusFor(f, requestID)).Proto()
	}
	s, ok := status.FromError(err)
	if !ok {
		return status.Convert(rpc.StatusFor(err, requestID)).Proto()
	}
	if len(s.Proto().GetDetails()) > 0 {
		return s.Proto()
	}
	var f *fault.Error // one made by the generated code or by the transport, not by our services
	switch s.Code() {
	case codes.InvalidArgument:
		f = fault.New(fault.InvalidField, "", "%s", s.Message())
	case codes.DeadlineExceeded, codes.Unavailable, codes.Canceled:
		f = fault.New(fault.NoSequencer, "", "the node did not answer in time; the request may be sent again with the same id").Retry(retryAfter)
	case codes.Unimplemented:
		f = fault.New(fault.NoRoute, "", "this node does not serve that")
	case codes.ResourceExhausted:
		f = fault.New(fault.TooLarge, "", "a message between the gateway and its node is too large; post in batches, or ask for shorter pages")
	default:
		f = fault.New(fault.InternalError, "", "")
	}
	return status.Convert(rpc.StatusFor(f, requestID)).Proto()
}

func reasonOf(st *spb.Status) fault.Reason {
	for _, d := range st.GetDetails() {
		var info errdetails.ErrorInfo
		if d.MessageIs(&info) && d.UnmarshalTo(&info) == nil {
			return fault.Reason(info.GetReason())
		}
	}
	return fault.InternalError
}

// httpCode maps a status to HTTP. It differs from the library's own table in three places: a method that is not served is 405, a
// full disk 507, and a deadline 503 and never 504, because sending again with the same id is always right.
func httpCode(st *spb.Status, reason fault.Reason) int {
	switch reason {
	case fault.MethodNotAllowed:
		return http.StatusMethodNotAllowed
	case fault.DiskReserve:
		return http.StatusInsufficientStorage
	}
	if c := codes.Code(st.GetCode()); c != codes.DeadlineExceeded && c != codes.Canceled {
		return runtime.HTTPStatusFromCode(c)
	}
	return http.StatusServiceUnavailable
}
