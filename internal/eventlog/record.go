package eventlog

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// codecs are the encodings of the records that are structures.
type codecs struct {
	lot      *canon.Codec[account.Lot]
	line     *canon.Codec[account.Line]
	party    *canon.Codec[account.Party]
	state    *canon.Codec[account.Log]
	head     *canon.Codec[headRecord]
	block    *canon.Codec[blockRecord]
	findings *canon.Codec[[]opal.Finding]
}

func newCodecs() *codecs {
	return &codecs{
		canon.For[account.Lot](), canon.For[account.Line](), canon.For[account.Party](), canon.For[account.Log](),
		canon.For[headRecord](), canon.For[blockRecord](), canon.For[[]opal.Finding](),
	}
}

// headRecord is where the store stands: it lies in the same batch as what the last block made.
type headRecord struct {
	Seq        uint64       `cbor:"1,keyasint"` // journal sequence of the last block
	Hash       [32]byte     `cbor:"2,keyasint"` // of its bytes
	Next       uint64       `cbor:"3,keyasint"` // position of the next event
	RecordedAt opal.Instant `cbor:"4,keyasint"`
	Epoch      [16]byte     `cbor:"5,keyasint"`
	LogName    string       `cbor:"6,keyasint"`
	Frontier   [][32]byte   `cbor:"7,keyasint"` // of the tree, as internal/block gives it
}

// blockRecord is what the records of a block's events do not say of the block.
type blockRecord struct {
	Format        uint64       `cbor:"1,keyasint"`
	LeastReader   uint64       `cbor:"2,keyasint"`
	Seq           uint64       `cbor:"3,keyasint"`
	Hash          [32]byte     `cbor:"4,keyasint"`
	Prev          [32]byte     `cbor:"5,keyasint"`
	Root          [32]byte     `cbor:"6,keyasint"`
	RecordedAt    opal.Instant `cbor:"7,keyasint"`
	PolicyVersion uint64       `cbor:"8,keyasint"`
	Sequencer     string       `cbor:"9,keyasint"`
	Envelopes     [][]byte     `cbor:"10,keyasint"`
	// Lots has the lot of each event, by which its record is found.
	Lots []string `cbor:"11,keyasint"`
	// Leaves are the leaf hashes, 32 bytes each.
	Leaves []byte `cbor:"12,keyasint"`
}

// Event is an event on its way into the log, and in it: what was posted, and what judging made of it.
type Event struct {
	Recorded *opal.Recorded
	// Statement are the bytes as posted; StatementHash stands in the envelope, RequestHash tells a repeat from a reused id.
	Statement     []byte
	StatementHash [32]byte
	RequestHash   [32]byte
	// Envelope is the number of the envelope within the block, Index the place within that envelope's list.
	Envelope uint32
	Index    uint32
	// Outcome is a computed assay outcome.
	Outcome []byte
}

// SetOutcome notes what was computed from the event's measurement, as its bytes.
func (e *Event) SetOutcome(b []byte) (err error) {
	e.Outcome = b
	if e.Recorded.Computed = nil; len(b) > 0 {
		e.Recorded.Computed, err = block.DecodeOutcome(b)
	}
	return err
}

// ID is the event's id, "<party>/<requestId>".
func (e *Event) ID() string { return e.Recorded.Event.ID() }

// eventFormat is the first byte of an event record.
const eventFormat = 1

// appendEvent writes an event record: with many events a second it is written by hand and not through reflection.
func appendEvent(dst []byte, c *codecs, e *Event) ([]byte, error) {
	r := e.Recorded
	dst = append(dst, eventFormat)
	dst = binary.AppendUvarint(dst, uint64(e.Envelope))
	dst = binary.AppendUvarint(dst, uint64(e.Index))
	dst = binary.AppendVarint(dst, int64(r.RecordedAt))
	dst = binary.AppendVarint(dst, int64(r.When.From))
	dst = binary.AppendVarint(dst, int64(r.When.To-r.When.From))
	dst = appendText(dst, r.Event.Party)
	if len(r.Findings) == 0 {
		dst = append(dst, 0)
	} else {
		f, err := c.findings.Append(nil, &r.Findings)
		if err != nil {
			return nil, fmt.Errorf("encode the findings of %s: %w", e.ID(), err)
		}
		dst = appendText(dst, f)
	}
	dst = appendText(dst, e.Outcome)
	return append(dst, e.Statement...), nil
}

func appendText[T string | []byte](dst []byte, s T) []byte {
	return append(binary.AppendUvarint(dst, uint64(len(s))), s...)
}

var errShort = errors.New("the record ends early or has a number that no writer writes")

// reader takes a record apart; after the first fault it gives zeros.
type reader struct {
	b   []byte
	err error
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.err, r.b = errShort, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.err, r.b = errShort, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) take(n uint64) []byte {
	if n > uint64(len(r.b)) {
		r.err, r.b = errShort, nil
		return nil
	}
	out := r.b[:n:n]
	r.b = r.b[n:]
	return out
}

func (r *reader) text() []byte { return r.take(r.uvarint()) }

// decodeEvent reads an event record; b is kept. The position is in the key.
func decodeEvent(b []byte, c *codecs, position uint64) (*Event, error) {
	r := &reader{b: b}
	if f := r.take(1); len(f) == 1 && f[0] != eventFormat {
		return nil, fmt.Errorf("found record format %d, known is %d", f[0], eventFormat)
	}
	e := &Event{Recorded: &opal.Recorded{Position: position}}
	e.Envelope, e.Index = uint32(r.uvarint()), uint32(r.uvarint())
	e.Recorded.RecordedAt = opal.Instant(r.varint())
	from := opal.Instant(r.varint())
	e.Recorded.When = opal.When{From: from, To: from + opal.Instant(r.varint())}
	party := string(r.text())
	findings := r.text()
	outcome := r.text()
	if r.err != nil {
		return nil, r.err
	}
	if len(outcome) > 0 {
		if err := e.SetOutcome(outcome); err != nil {
			return nil, err
		}
	}
	e.Statement, e.StatementHash, e.RequestHash = r.b, sha256.Sum256(r.b), envelope.RequestHash(party, r.b)
	if len(findings) > 0 {
		if err := c.findings.Decode(findings, &e.Recorded.Findings); err != nil {
			return nil, fmt.Errorf("findings: %w", err)
		}
	}
	s, err := envelope.DecodeStatement(e.Statement)
	if err != nil {
		return nil, fmt.Errorf("statement: %w", err)
	}
	e.Recorded.Event = s.Event
	e.Recorded.Event.Party = party
	return e, nil
}

// Posted is what the log remembers of an event's id, for ever.
type Posted struct {
	RequestHash [32]byte
	Position    uint64
	Lot         string
}

func appendPosted(dst []byte, p Posted) []byte {
	dst = append(dst, p.RequestHash[:]...)
	dst = binary.AppendUvarint(dst, p.Position)
	return append(dst, p.Lot...)
}

func decodePosted(b []byte) (*Posted, error) {
	r := &reader{b: b}
	p := &Posted{}
	copy(p.RequestHash[:], r.take(32))
	p.Position = r.uvarint()
	p.Lot = string(r.b)
	return p, r.err
}
