package envelope

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strings"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// StatementVersion is the version of statement that this package writes and reads.
const StatementVersion = 1

// MaxStatement is the most bytes that a statement may have.
const MaxStatement = 128 << 10

// Statement is one event as it is hashed and stored: all that is public, and a commitment to each private value that was given.
//
// Its bytes are a CBOR map in the encoding of internal/canon:
//
//	1: version, unsigned integer, 1
//	2: event, a map of the numbered fields of opal.Event: the common fields 1 to 6 and exactly one body; the party is not in it,
//	   it stands in the envelope
//	3: commitments, an array, left out if there are none; each a map {1: path, text; 2: hash, 32 bytes}
//
// A path names a private field that exists in the event, as opal.EachPrivate does ("remark", "mined.origin.region",
// "attachments[0].name"); the commitments stand in its order, each at most once. A statement has at most 131,072 bytes. The hash of a statement is
// the SHA-256 of its bytes.
type Statement struct {
	Version     uint64       `cbor:"1,keyasint"`
	Event       opal.Event   `cbor:"2,keyasint"`
	Commitments []Commitment `cbor:"3,keyasint,omitempty"`
}

// Commitment binds a statement to a private value without telling it: see Opening.Hash.
type Commitment struct {
	Path string   `cbor:"1,keyasint"`
	Hash [32]byte `cbor:"2,keyasint"`
}

var statements = canon.For[Statement]()

// Sealed is what Seal makes of an event.
type Sealed struct {
	Bytes []byte   // of the statement
	Hash  [32]byte // SHA-256 of Bytes
	// Openings are the private values that the statement commits to, in its order.
	Openings []Opening
}

// Seal makes the statement of an event, committing to every private field that is not empty under the salt of its path. The event
// is left as it is.
func Seal(ev *opal.Event, salt func(path string) [16]byte) (*Sealed, error) {
	s := Statement{Version: StatementVersion, Event: *ev}
	var openings []Opening
	opal.EachPrivate(ev, func(path string, v *string) {
		if *v == "" {
			return
		}
		o := Opening{Path: path, Salt: salt(path), Value: *v}
		openings = append(openings, o)
		s.Commitments = append(s.Commitments, Commitment{path, o.Hash()})
	})
	b, err := s.Encode()
	if err != nil {
		return nil, fmt.Errorf("seal event: %w", err)
	}
	return &Sealed{Bytes: b, Hash: sha256.Sum256(b), Openings: openings}, nil
}

// Encode gives the statement's bytes. Private fields of the event are not in them.
func (s *Statement) Encode() ([]byte, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	b, err := statements.Append(make([]byte, 0, 512), s)
	if err != nil {
		return nil, inEvent(err)
	}
	if len(b) > MaxStatement {
		return nil, statementTooLarge(len(b))
	}
	return b, nil
}

// DecodeStatement reads a statement and refuses whatever is not exactly one. The event's party and private fields are empty.
func DecodeStatement(b []byte) (*Statement, error) {
	if len(b) > MaxStatement {
		return nil, statementTooLarge(len(b))
	}
	s := new(Statement)
	if err := statements.Decode(b, s); err != nil {
		return nil, inEvent(err)
	}
	if err := s.check(); err != nil {
		return nil, err
	}
	return s, nil
}

// check holds what the encoding alone does not say.
func (s *Statement) check() error {
	if s.Version != StatementVersion {
		return fault.New(fault.InvalidField, "version", "found statement version %d, accepted is %d", s.Version, StatementVersion)
	}
	if len(s.Commitments) == 0 {
		return nil
	}
	known := 0 // of the commitments
	opal.EachPrivate(&s.Event, func(path string, _ *string) {
		if known < len(s.Commitments) && s.Commitments[known].Path == path {
			known++
		}
	})
	if known < len(s.Commitments) {
		return fault.New(fault.InvalidField, fmt.Sprintf("commitments[%d].path", known),
			"found %s, accepted are the private fields that this event has, each once and in their order", clip(s.Commitments[known].Path))
	}
	return nil
}

func statementTooLarge(size int) error {
	return fault.New(fault.TooLarge, "", "found a statement of %d bytes, accepted are at most %d", size, MaxStatement)
}

// inEvent turns the path of a field within a statement into the path that posters know: their event is the outermost thing.
func inEvent(err error) error {
	if f, ok := fault.As(err); ok {
		f.Field = strings.TrimPrefix(f.Field, "event.")
	}
	return err
}

// Reveal sets the private fields of the statement's event to the values of the openings, after checking each of them against its commitment.
// It takes some, all or none of the openings, in any order; if one of them is refused nothing is set.
func (s *Statement) Reveal(openings []Opening) error {
	values := make(map[string]string, len(openings))
	for i := range openings {
		o := &openings[i]
		if _, twice := values[o.Path]; twice {
			return fault.New(fault.InvalidField, o.Path, "found two openings of it, accepted is one")
		}
		if err := s.opens(o); err != nil {
			return err
		}
		values[o.Path] = o.Value
	}
	opal.EachPrivate(&s.Event, func(path string, v *string) {
		if value, ok := values[path]; ok {
			*v = value
		}
	})
	return nil
}

func (s *Statement) opens(o *Opening) error {
	if o.Value == "" {
		return fault.New(fault.InvalidField, o.Path, "found an opening without a value, accepted is one with the value committed to")
	}
	for i := range s.Commitments {
		if s.Commitments[i].Path != o.Path {
			continue
		}
		if s.Commitments[i].Hash != o.Hash() {
			return fault.New(fault.InvalidField, o.Path, "found another value or salt than the statement commits to, accepted is the one that it does")
		}
		return nil
	}
	return fault.New(fault.InvalidField, clip(o.Path), "found an opening, accepted are those of the fields that the statement commits to")
}

// RequestHash tells whether two posts of one request id have the same content:
// SHA-256("lotpaper/request/v1" ‖ party ‖ 0 ‖ statement bytes).
func RequestHash(party string, statement []byte) [32]byte {
	var short [1 << 10]byte // most statements fit, and then nothing is allocated
	b := append(short[:0], "lotpaper/request/v1"...)
	b = append(b, party...)
	b = append(b, 0)
	return sha256.Sum256(append(b, statement...))
}

// appendCounted appends a length as 4 bytes, most significant first, and the text.
func appendCounted(dst []byte, s string) []byte {
	return append(binary.BigEndian.AppendUint32(dst, uint32(len(s))), s...)
}

// clip quotes found text for a message, shortened.
func clip(s string) string {
	const most = 60
	if len(s) > most {
		return fmt.Sprintf("%q…", s[:most])
	}
	return fmt.Sprintf("%q", s)
}
