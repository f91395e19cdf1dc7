package rpc

import (
	"context"
	"errors"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// Domain is the domain of every ErrorInfo.
const Domain = "lotpaper"

// retryLater is told where trying again helps and the fault names no time of its own.
const retryLater = time.Second

// Code gives the gRPC code of a kind of fault.
func Code(k fault.Kind) codes.Code {
	switch k {
	case fault.Invalid:
		return codes.InvalidArgument
	case fault.Unauthenticated:
		return codes.Unauthenticated
	case fault.Forbidden:
		return codes.PermissionDenied
	case fault.NotFound:
		return codes.NotFound
	case fault.Exists:
		return codes.AlreadyExists
	case fault.Precondition:
		return codes.FailedPrecondition
	case fault.Conflict:
		return codes.Aborted
	case fault.Exhausted:
		return codes.ResourceExhausted
	case fault.Unavailable:
		return codes.Unavailable
	case fault.Unsupported:
		return codes.Unimplemented
	}
	return codes.Internal
}

// kindOf is the way back. Codes that no fault has are Internal.
func kindOf(c codes.Code) fault.Kind {
	for k := fault.Internal; k <= fault.Unsupported; k++ {
		if Code(k) == c {
			return k
		}
	}
	return fault.Internal
}

// Status turns an error into a gRPC status error with its details. What is no fault becomes INTERNAL, and its text stays inside; a status
// error is handed through, so that applying Status twice changes nothing.
func Status(err error) error { return StatusFor(err, "") }

// StatusFor is Status for a request with an id, which INTERNAL tells the caller so that the log can be searched for it.
func StatusFor(err error, requestID string) error {
	if err == nil {
		return nil
	}
	f, ok := fault.As(err)
	if !ok {
		if s, ok := status.FromError(err); ok && s.Code() != codes.Unknown {
			return s.Err()
		}
		switch {
		case errors.Is(err, context.Canceled):
			return status.Error(codes.Canceled, "the caller has gone")
		case errors.Is(err, context.DeadlineExceeded):
			f = fault.New(fault.NotCaughtUp, "", "the call's deadline passed before the answer was ready; the same call may be made again")
		default:
			f = fault.New(fault.InternalError, "", "")
		}
	}
	s := status.New(Code(f.Kind), message(f, requestID))
	with, err := s.WithDetails(details(f, requestID)...)
	if err != nil { // a detail that cannot be packed: the answer must still say what is wrong
		return s.Err()
	}
	return with.Err()
}

// internal tells whether a fault is the service's own, of which the caller learns the request id alone.
func internal(f *fault.Error) bool { return f.Kind == fault.Internal }

func message(f *fault.Error, requestID string) string {
	switch {
	case !internal(f):
		return f.Message
	case requestID == "":
		return "the service failed; nothing more can be said here"
	default:
		return "the service failed; its log has more under the request id " + requestID
	}
}

// details lists what stands beside code and message: ErrorInfo first, then the rest in a fixed order.
func details(f *fault.Error, requestID string) []protoadapt.MessageV1 {
	if internal(f) {
		out := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: string(fault.InternalError), Domain: Domain}}
		if requestID != "" {
			out = append(out, &errdetails.RequestInfo{RequestId: requestID})
		}
		return out
	}
	info := &errdetails.ErrorInfo{Reason: string(f.Reason), Domain: Domain}
	out := []protoadapt.MessageV1{info}
	if f.Field != "" {
		info.Metadata = map[string]string{"field": f.Field}
		out = append(out, &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
			{Field: f.Field, Description: f.Message, Reason: string(f.Reason)},
		}})
	}
	if f.Kind == fault.Precondition {
		out = append(out, &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
			{Type: string(f.Reason), Subject: f.Field, Description: f.Message},
		}})
	}
	if after := RetryAfter(f); after > 0 {
		out = append(out, &errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	}
	return out
}

// RetryAfter tells after what time the same call may succeed; 0: not by itself.
func RetryAfter(f *fault.Error) time.Duration {
	switch {
	case f.RetryAfter > 0:
		return f.RetryAfter
	case f.Reason == fault.NotCaughtUp, f.Reason == fault.NoSequencer, f.Reason == fault.RateLimited, f.Reason == fault.IssuerUnavailable:
		return retryLater
	}
	return 0
}

// FaultOf reads a fault back from a status error, for those who call the service. nil: the error carries no reason of ours.
func FaultOf(err error) *fault.Error {
	if f, ok := fault.As(err); ok {
		return f
	}
	s, ok := status.FromError(err)
	if !ok {
		return nil
	}
	var f *fault.Error
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			if d.GetDomain() == Domain && f == nil {
				f = &fault.Error{Kind: kindOf(s.Code()), Reason: fault.Reason(d.GetReason()), Field: d.GetMetadata()["field"], Message: s.Message()}
			}
		case *errdetails.RetryInfo:
			if f != nil {
				f.RetryAfter = d.GetRetryDelay().AsDuration()
			}
		}
	}
	return f
}

// Refusal writes a fault into a stream that goes on. What is the service's own matter is not told.
func Refusal(f *fault.Error) *pb.Refusal {
	if internal(f) {
		return &pb.Refusal{Code: int32(codes.Internal), Reason: string(fault.InternalError), Message: message(f, "")}
	}
	return &pb.Refusal{
		Code: int32(Code(f.Kind)), Reason: string(f.Reason), Field: f.Field, Message: f.Message, RetryAfterMillis: RetryAfter(f).Milliseconds(),
	}
}

// FaultOfRefusal is the way back, for those who call the service.
func FaultOfRefusal(r *pb.Refusal) *fault.Error {
	return &fault.Error{
		Kind: kindOf(codes.Code(r.GetCode())), Reason: fault.Reason(r.GetReason()), Field: r.GetField(), Message: r.GetMessage(),
		RetryAfter: time.Duration(r.GetRetryAfterMillis()) * time.Millisecond,
	}
}
