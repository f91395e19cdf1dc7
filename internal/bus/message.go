package bus

import (
	"fmt"
	"time"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Submission is what intake asks the ledger to append: one or many envelopes, coalesced into one message.
type Submission struct {
	Envelopes []SubmittedEnvelope `cbor:"1,keyasint"`
}

// SubmittedEnvelope is an envelope with the statements whose hashes it lists, all of them and in that order.
type SubmittedEnvelope struct {
	Envelope   []byte   `cbor:"1,keyasint"`
	Statements [][]byte `cbor:"2,keyasint"`
	// Groups are the sizes of the atomic batches, in order; they add up to the number of statements. Each group has its own answer.
	Groups []int `cbor:"3,keyasint"`
	// Outcomes are what was computed from measurements, by ascending index of their statements.
	Outcomes []SubmittedOutcome `cbor:"4,keyasint,omitempty"`
}

// SubmittedOutcome is what was computed from the measurement in a statement, as a block holds it.
type SubmittedOutcome struct {
	Index   uint32 `cbor:"1,keyasint"`
	Outcome []byte `cbor:"2,keyasint"`
}

// Answer has one result per group, in order over all envelopes; or a refusal of the whole submission and no results.
type Answer struct {
	Results []GroupResult `cbor:"1,keyasint,omitempty"`
	Refusal *Refusal      `cbor:"2,keyasint,omitempty"`
}

// GroupResult is either a refusal, and then nothing of the group is in the log, or a result per event.
type GroupResult struct {
	Refusal *Refusal      `cbor:"1,keyasint,omitempty"`
	Events  []EventResult `cbor:"2,keyasint,omitempty"`
}

// EventResult says where an event stands in the log.
type EventResult struct {
	Position uint64 `cbor:"1,keyasint"`
	// Duplicate marks an event that was in the log already, with the same content: this is its first answer again.
	Duplicate bool           `cbor:"2,keyasint,omitempty"`
	Findings  []opal.Finding `cbor:"3,keyasint,omitempty"`
}

// WholeGroup is the Event of a Refusal that speaks of no single event.
const WholeGroup = -1

// Refusal is a fault.Error on its way between two processes, with the event of the group that it speaks of.
type Refusal struct {
	Kind             uint8  `cbor:"1,keyasint"`
	Reason           string `cbor:"2,keyasint"`
	Field            string `cbor:"3,keyasint,omitempty"`
	Message          string `cbor:"4,keyasint"`
	RetryAfterMillis int64  `cbor:"5,keyasint,omitempty"`
	// Event is the index within the group, or WholeGroup.
	Event int `cbor:"6,keyasint"`
}

// Refuse packs a fault.
func Refuse(f *fault.Error, event int) *Refusal {
	return &Refusal{
		Kind: uint8(f.Kind), Reason: string(f.Reason), Field: f.Field, Message: f.Message,
		RetryAfterMillis: f.RetryAfter.Milliseconds(), Event: event,
	}
}

// Fault unpacks a refusal.
func (r *Refusal) Fault() *fault.Error {
	return &fault.Error{
		Kind: fault.Kind(r.Kind), Reason: fault.Reason(r.Reason), Field: r.Field, Message: r.Message,
		RetryAfter: time.Duration(r.RetryAfterMillis) * time.Millisecond,
	}
}

// Notice says that the log has been applied up to (not including) a position.
type Notice struct {
	Epoch [16]byte `cbor:"1,keyasint"`
	Next  uint64   `cbor:"2,keyasint"`
}

// Codec encodes and decodes messages, in the one encoding that internal/canon gives a value. It is safe for use by many.
type Codec struct {
	submission *canon.Codec[Submission]
	answer     *canon.Codec[Answer]
	notice     *canon.Codec[Notice]
}

// NewCodec makes one.
func NewCodec() *Codec {
	return &Codec{canon.For[Submission](), canon.For[Answer](), canon.For[Notice]()}
}

// EncodeSubmission writes a submission; one that is too large for a message is refused.
func (c *Codec) EncodeSubmission(s *Submission) ([]byte, error) {
	b, err := c.submission.Append(nil, s)
	if err != nil {
		return nil, fmt.Errorf("encode submission: %w", err)
	}
	if len(b) > MaxMessage {
		return nil, fault.New(fault.TooLarge, "", "the submission has %d bytes, accepted are at most %d", len(b), MaxMessage)
	}
	return b, nil
}

// DecodeSubmission reads and checks a submission: groups add up, nothing is empty. Envelopes and statements share b's memory.
func (c *Codec) DecodeSubmission(b []byte) (*Submission, error) {
	if len(b) > MaxMessage {
		return nil, fault.New(fault.TooLarge, "", "the submission has %d bytes, accepted are at most %d", len(b), MaxMessage)
	}
	var s Submission
	if err := c.submission.Decode(b, &s); err != nil {
		return nil, fmt.Errorf("decode submission: %w", err)
	}
	return &s, s.Check()
}

// Check refuses a submission whose groups do not fit its statements.
func (s *Submission) Check() error {
	if len(s.Envelopes) == 0 {
		return fault.New(fault.InvalidField, "envelopes", "found none, accepted is at least one")
	}
	for i := range s.Envelopes {
		e := &s.Envelopes[i]
		field := fmt.Sprintf("envelopes[%d]", i)
		if len(e.Envelope) == 0 || len(e.Statements) == 0 {
			return fault.New(fault.InvalidField, field, "the envelope or its statements are missing")
		}
		sum := 0
		for _, n := range e.Groups {
			if n < 1 || n > len(e.Statements) {
				return fault.New(fault.InvalidField, field+".groups", "found a group of %d, accepted are 1 to %d", n, len(e.Statements))
			}
			sum += n
		}
		if sum != len(e.Statements) {
			return fault.New(fault.InvalidField, field+".groups", "the groups hold %d events, the envelope has %d", sum, len(e.Statements))
		}
		next := 0
		for k, o := range e.Outcomes {
			if int64(o.Index) < int64(next) || int64(o.Index) >= int64(len(e.Statements)) || len(o.Outcome) == 0 {
				return fault.New(fault.InvalidField, fmt.Sprintf("%s.outcomes[%d]", field, k), "found one of %d bytes for statement %d, accepted are some for %d to %d, in order", len(o.Outcome), o.Index, next, len(e.Statements)-1)
			}
			next = int(o.Index) + 1
		}
	}
	return nil
}

// EncodeAnswer writes an answer.
func (c *Codec) EncodeAnswer(a *Answer) ([]byte, error) {
	b, err := c.answer.Append(nil, a)
	if err != nil {
		return nil, fmt.Errorf("encode answer: %w", err)
	}
	return b, nil
}

// DecodeAnswer reads one.
func (c *Codec) DecodeAnswer(b []byte) (*Answer, error) {
	var a Answer
	if err := c.answer.Decode(b, &a); err != nil {
		return nil, fmt.Errorf("decode answer: %w", err)
	}
	return &a, nil
}

// EncodeNotice writes a notice.
func (c *Codec) EncodeNotice(n Notice) ([]byte, error) {
	b, err := c.notice.Append(nil, &n)
	if err != nil {
		return nil, fmt.Errorf("encode notice: %w", err)
	}
	return b, nil
}

// DecodeNotice reads one.
func (c *Codec) DecodeNotice(b []byte) (Notice, error) {
	var n Notice
	if err := c.notice.Decode(b, &n); err != nil {
		return Notice{}, fmt.Errorf("decode notice: %w", err)
	}
	return n, nil
}
