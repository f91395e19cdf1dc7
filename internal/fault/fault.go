// Package fault holds the one error type that a caller of lotpaper is meant to read: what kind of refusal it is, its stable
// reason, the field that is at fault, and a sentence that says what was found and what is accepted.
//
// The package knows nothing of HTTP, gRPC or storage; the edge (internal/rpc) maps a Kind to a status once.
package fault

import (
	"errors"
	"fmt"
	"time"
)

// Kind says what class of refusal a fault is; the edge maps it to a status code.
type Kind uint8

// The kinds. Internal is the zero value: an error that nobody classified must not look like the caller's mistake.
const (
	Internal        Kind = iota
	Invalid              // the request is malformed, whatever the state of the log
	Unauthenticated      // no caller, or a caller that cannot prove who it is
	Forbidden            // the caller is known and may not do this
	NotFound             // what the request names does not exist, or the caller may not know that it does
	Exists               // what the request makes exists already
	Precondition         // the request is well formed, but the lot's account does not allow it
	Conflict             // the caller acted on an older state than the present one
	Exhausted            // a limit of rate or space
	Unavailable          // try again later
	Unsupported          // no such method here
)

// Reason is the stable word that programs match on.
type Reason string

// The reasons that an answer may carry.
const (
	InvalidField Reason = "INVALID_FIELD"
	FutureTime   Reason = "FUTURE_TIME"
	BadSignature Reason = "BAD_SIGNATURE"
	TooLarge     Reason = "TOO_LARGE"
	NoToken      Reason = "NO_TOKEN"
	BadToken     Reason = "BAD_TOKEN"
	// BadCertificate: of a client that came with a certificate which names no party in force.
	BadCertificate Reason = "BAD_CERTIFICATE"
	NotHolder      Reason = "NOT_HOLDER"
	NotYourEvent   Reason = "NOT_YOUR_EVENT"
	UnknownKey     Reason = "UNKNOWN_KEY"
	KeyRevoked     Reason = "KEY_REVOKED"
	NotAllowed     Reason = "NOT_ALLOWED"
	UnknownLot     Reason = "UNKNOWN_LOT"
	UnknownEvent   Reason = "UNKNOWN_EVENT"
	UnknownHandle  Reason = "UNKNOWN_HANDLE"
	// UnknownAttachment: no file of that hash on the node that was asked.
	UnknownAttachment Reason = "UNKNOWN_ATTACHMENT"
	// UnknownTile: the log is not that long.
	UnknownTile      Reason = "UNKNOWN_TILE"
	UnknownParty     Reason = "UNKNOWN_PARTY"
	NoRoute          Reason = "NO_ROUTE"
	MethodNotAllowed Reason = "METHOD_NOT_ALLOWED"
	LotExists        Reason = "LOT_EXISTS"
	PartyExists      Reason = "PARTY_EXISTS"
	RequestIDReused  Reason = "REQUEST_ID_REUSED"
	LotClosed        Reason = "LOT_CLOSED"
	HandoverPending  Reason = "HANDOVER_PENDING"
	MassGain         Reason = "MASS_GAIN"
	PieceMismatch    Reason = "PIECE_MISMATCH"
	BeforeLotOpened  Reason = "BEFORE_LOT_OPENED"
	OutOfOrder       Reason = "OUT_OF_ORDER"
	HasLaterEvents   Reason = "HAS_LATER_EVENTS"
	TooDeep          Reason = "TOO_DEEP"
	EtagMismatch     Reason = "ETAG_MISMATCH"
	EpochChanged     Reason = "EPOCH_CHANGED"
	RateLimited      Reason = "RATE_LIMITED"
	DiskReserve      Reason = "DISK_RESERVE"
	LogReadOnly      Reason = "LOG_READ_ONLY"
	LogTooNew        Reason = "LOG_TOO_NEW"
	NotCaughtUp      Reason = "NOT_CAUGHT_UP"
	NoSequencer      Reason = "NO_SEQUENCER"
	// IssuerUnavailable: who logs people in does not answer.
	IssuerUnavailable Reason = "ISSUER_UNAVAILABLE"
	InternalError     Reason = "INTERNAL"
)

// kindOf says which kind a reason belongs to. UNKNOWN_PARTY is NotFound in a path and Invalid in a body; see In.
func kindOf(r Reason) Kind {
	switch r {
	case InvalidField, FutureTime, BadSignature, TooLarge:
		return Invalid
	case NoToken, BadToken, BadCertificate:
		return Unauthenticated
	case NotHolder, NotYourEvent, UnknownKey, KeyRevoked, NotAllowed:
		return Forbidden
	case UnknownLot, UnknownEvent, UnknownHandle, UnknownAttachment, UnknownTile, UnknownParty, NoRoute:
		return NotFound
	case MethodNotAllowed:
		return Unsupported
	case LotExists, PartyExists, RequestIDReused:
		return Exists
	case LotClosed, HandoverPending, MassGain, PieceMismatch, BeforeLotOpened, OutOfOrder, HasLaterEvents, TooDeep:
		return Precondition
	case EtagMismatch, EpochChanged:
		return Conflict
	case RateLimited, DiskReserve:
		return Exhausted
	case LogReadOnly, LogTooNew, NotCaughtUp, NoSequencer, IssuerUnavailable:
		return Unavailable
	default:
		return Internal
	}
}

// Error is a refusal that the caller can act on.
type Error struct {
	Kind   Kind
	Reason Reason
	// Field is the path of the field at fault in the caller's own notation (ProtoJSON names, "split.children[2].pieces"), or empty.
	Field string
	// Message is one sentence: what was found and what is accepted.
	Message string
	// RetryAfter is set where trying again later may help.
	RetryAfter time.Duration
	// BodyTooLarge marks the one TOO_LARGE that speaks of a whole request body.
	BodyTooLarge bool
}

// Error gives reason, field and sentence.
func (e *Error) Error() string {
	if e.Field == "" {
		return fmt.Sprintf("%s: %s", e.Reason, e.Message)
	}
	return fmt.Sprintf("%s: %s: %s", e.Reason, e.Field, e.Message)
}

// Is lets errors.Is match on the reason alone.
func (e *Error) Is(target error) bool {
	t, ok := target.(*Error)
	return ok && t.Reason == e.Reason
}

// New makes a fault of the reason's own kind. The field may be empty.
func New(r Reason, field, format string, args ...any) *Error {
	return &Error{Kind: kindOf(r), Reason: r, Field: field, Message: fmt.Sprintf(format, args...)}
}

// InBody marks a fault about something that a body names (an unknown party, lot or event in a field): it is the request that is
// wrong, not its address, so an UNKNOWN_PARTY becomes Invalid. Other faults come back unchanged.
func InBody(e *Error) *Error {
	if e.Reason != UnknownParty {
		return e
	}
	c := *e
	c.Kind = Invalid
	return &c
}

// Retry returns a copy that tells the caller when to try again.
func (e *Error) Retry(after time.Duration) *Error {
	c := *e
	c.RetryAfter = after
	return &c
}

// As finds a fault in an error chain.
func As(err error) (*Error, bool) {
	var f *Error
	ok := errors.As(err, &f)
	return f, ok
}

// Of says which reason an error carries; INTERNAL for any error that is not a fault.
func Of(err error) Reason {
	if f, ok := As(err); ok {
		return f.Reason
	}
	return InternalError
}
