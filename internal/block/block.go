package block

import (
	"crypto/sha256"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Magic is what the bytes of every block begin with.
const Magic = "lotpaper/block/v1\n"

// Format is the block format that this package writes, and Reader the version of reader that it is. A block says which version of
// reader it takes at least; a format that older readers understand leaves that as it is.
const (
	Format = 1
	Reader = 1
)

// The limits of a block.
const (
	MaxEvents = 1_024
	MaxBytes  = 512 << 10
)

// maxSequencer bounds the id of a sequencing node.
const maxSequencer = 200

// Block is a run of events that went into the log at once.
//
// Its bytes are Magic ("lotpaper/block/v1" and a newline, 18 bytes of ASCII), then a CBOR map in the encoding of internal/canon:
//
//	 1: format, unsigned integer, 1
//	 2: leastReader, unsigned integer, 1: the version of reader that can make sense of the block
//	 3: epoch, 16 bytes: the random id of this log since its opening or last restore
//	 4: logName, text
//	 5: first, unsigned integer: the position of the first event; the others follow without a gap
//	 6: prev, 32 bytes: SHA-256 of the whole bytes of the block before; zeros in the first block
//	 7: root, 32 bytes: RFC 6962 root of the tree over the leaves of all events up to the last of this block
//	 8: recordedAt, integer: microseconds since 1970-01-01T00:00:00Z, one for the whole block
//	 9: policyVersion, unsigned integer: the policy in force at the block's start
//	10: sequencer, text: who made the block
//	11: envelopes, an array of byte strings: each envelope of the block's events once, in the order in which the events first need them
//	12: events, an array of 1 to 1,024 entries
//
// An entry is a map:
//
//	1: envelope, unsigned integer: index in envelopes
//	2: index, unsigned integer: the statement's place in that envelope's list
//	3: statement, a byte string: the statement's bytes
//	4: findings, an array of opal.Finding maps, left out if there are none
//	5: outcome, a byte string, left out if empty: the outcome that was computed from a measurement
//
// A block has at most 524,288 bytes. In every format the map begins with fields 1 and 2, both below 24, so that any reader can tell whether
// it is new enough. The hash of a block is the SHA-256 of its bytes.
type Block struct {
	Format        uint64       `cbor:"1,keyasint"`
	LeastReader   uint64       `cbor:"2,keyasint"`
	Epoch         [16]byte     `cbor:"3,keyasint"`
	LogName       string       `cbor:"4,keyasint"`
	First         uint64       `cbor:"5,keyasint"`
	Prev          [32]byte     `cbor:"6,keyasint"`
	Root          [32]byte     `cbor:"7,keyasint"`
	RecordedAt    opal.Instant `cbor:"8,keyasint"`
	PolicyVersion uint64       `cbor:"9,keyasint"`
	Sequencer     string       `cbor:"10,keyasint"`
	Envelopes     [][]byte     `cbor:"11,keyasint"`
	Events        []Entry      `cbor:"12,keyasint"`
}

// Entry is one event of a block.
type Entry struct {
	Envelope  uint32         `cbor:"1,keyasint"`
	Index     uint32         `cbor:"2,keyasint"`
	Statement []byte         `cbor:"3,keyasint"`
	Findings  []opal.Finding `cbor:"4,keyasint,omitempty"`
	// Outcome is kept for what a measurement was computed to say, once, when it was taken in.
	Outcome []byte `cbor:"5,keyasint,omitempty"`
}

var (
	blocks   = canon.For[Block]()
	entries  = canon.For[Entry]()
	findings = canon.For[[]opal.Finding]()
)

// Hash is the SHA-256 of a block's bytes.
func Hash(encoded []byte) [32]byte { return sha256.Sum256(encoded) }

// Encode gives the block's bytes.
func (b *Block) Encode() ([]byte, error) {
	if err := b.check(); err != nil {
		return nil, fmt.Errorf("encode block: %w", err)
	}
	size := MaxOverhead
	for i := range b.Envelopes {
		size += EnvelopeSize(b.Envelopes[i])
	}
	for i := range b.Events {
		size += len(b.Events[i].Statement) + 32
	}
	out, err := blocks.Append(append(make([]byte, 0, size), Magic...), b)
	if err != nil {
		return nil, fmt.Errorf("encode block: %w", err)
	}
	if len(out) > MaxBytes {
		return nil, fmt.Errorf("encode block: %w", tooLarge(len(out)))
	}
	return out, nil
}

// Decode reads a block and refuses whatever is not exactly one. Envelopes, statements and outcomes share data's memory.
//
// A block that asks for a newer reader is LOG_TOO_NEW.
func Decode(data []byte) (*Block, error) {
	if len(data) > MaxBytes {
		return nil, tooLarge(len(data))
	}
	if len(data) < len(Magic) || string(data[:len(Magic)]) != Magic {
		return nil, fault.New(fault.InvalidField, "", "found %q at the start of a block, accepted is %q", data[:min(len(data), len(Magic))], Magic)
	}
	body := data[len(Magic):]
	if least, ok := leastReader(body); ok && least > Reader {
		return nil, fault.New(fault.LogTooNew, "leastReader", "found a block for readers of version %d, this one is of version %d", least, Reader)
	}
	b := new(Block)
	if err := blocks.Decode(body, b); err != nil {
		return nil, err
	}
	if err := b.check(); err != nil {
		return nil, err
	}
	return b, nil
}

// leastReader reads field 2 of a block of any format, from its fixed place behind the head of the map and field 1.
func leastReader(body []byte) (uint64, bool) {
	const below = 24
	if len(body) < 5 || body[0]>>5 != 5 || body[1] != 1 || body[2] >= below || body[3] != 2 || body[4] >= below {
		return 0, false
	}
	return uint64(body[4]), true
}

// check holds what the encoding alone does not say.
func (b *Block) check() error {
	switch {
	case b.Format != Format:
		return fault.New(fault.InvalidField, "format", "found block format %d, accepted is %d", b.Format, Format)
	case b.LeastReader < 1 || b.LeastReader > Reader:
		return fault.New(fault.InvalidField, "leastReader", "found %d, accepted are 1 to %d", b.LeastReader, Reader)
	case len(b.Sequencer) > maxSequencer:
		return fault.New(fault.TooLarge, "sequencer", "found %d bytes, accepted are at most %d", len(b.Sequencer), maxSequencer)
	case len(b.Events) == 0:
		return fault.New(fault.InvalidField, "events", "found none, accepted are 1 to %d", MaxEvents)
	case len(b.Events) > MaxEvents:
		return fault.New(fault.TooLarge, "events", "found %d, accepted are 1 to %d", len(b.Events), MaxEvents)
	case b.First+uint64(len(b.Events)) < b.First:
		return fault.New(fault.InvalidField, "first", "found %d, accepted are positions that %d events fit behind", b.First, len(b.Events))
	}
	if err := opal.CheckLogName(b.LogName); err != nil {
		return fault.New(fault.InvalidField, "logName", "%v", err)
	}
	used := 0 // envelopes that events have named so far
	for i := range b.Events {
		e := &b.Events[i]
		switch {
		case int64(e.Envelope) > int64(used) || int64(e.Envelope) >= int64(len(b.Envelopes)):
			return fault.New(fault.InvalidField, fmt.Sprintf("events[%d].envelope", i),
				"found %d, accepted is an envelope named before or the next one of the %d", e.Envelope, len(b.Envelopes))
		case e.Index >= envelope.MaxStatements:
			return fault.New(fault.InvalidField, fmt.Sprintf("events[%d].index", i), "found %d, accepted are 0 to %d", e.Index, envelope.MaxStatements-1)
		case len(e.Statement) == 0:
			return fault.New(fault.InvalidField, fmt.Sprintf("events[%d].statement", i), "found nothing, accepted is a statement")
		case len(e.Statement) > envelope.MaxStatement:
			return fault.New(fault.TooLarge, fmt.Sprintf("events[%d].statement", i), "found %d bytes, accepted are at most %d", len(e.Statement), envelope.MaxStatement)
		}
		if int(e.Envelope) == used {
			used++
		}
	}
	if used < len(b.Envelopes) {
		return fault.New(fault.InvalidField, fmt.Sprintf("envelopes[%d]", used), "found an envelope that no event names, accepted are those that one does")
	}
	for i := range b.Envelopes {
		if len(b.Envelopes[i]) == 0 {
			return fault.New(fault.InvalidField, fmt.Sprintf("envelopes[%d]", i), "found nothing, accepted is an envelope")
		}
	}
	return nil
}

func tooLarge(size int) error {
	return fault.New(fault.TooLarge, "", "found a block of %d bytes, accepted are at most %d", size, MaxBytes)
}

// MaxOverhead is more than a block takes beside its envelopes and entries, whatever its other fields hold. A block fits if MaxOverhead,
// EnvelopeSize of each envelope and the Size of each entry add up to no more than MaxBytes.
const MaxOverhead = 640

// EnvelopeSize is what an envelope adds to the bytes of a block.
func EnvelopeSize(env []byte) int { return canon.HeadSize(uint64(len(env))) + len(env) }

// Size is what the entry adds to the bytes of a block.
func (e *Entry) Size() (int, error) {
	const head = 1
	size := head + 1 + canon.HeadSize(uint64(e.Envelope)) + 1 + canon.HeadSize(uint64(e.Index)) + 1 + canon.HeadSize(uint64(len(e.Statement))) + len(e.Statement)
	if len(e.Findings) == 0 && len(e.Outcome) == 0 {
		return size, nil
	}
	b, err := entries.Append(nil, e)
	return len(b), err
}

// EnvelopeHashes gives the hash of each envelope, as Leaf wants them.
func (b *Block) EnvelopeHashes() [][32]byte {
	hashes := make([][32]byte, len(b.Envelopes))
	for i := range b.Envelopes {
		hashes[i] = envelope.Hash(b.Envelopes[i])
	}
	return hashes
}

// CheckEnvelopes decodes each envelope and checks that it is for this log and lists every statement that an event says is in it,
// at its place. It answers the envelopes; their signatures are not checked.
func (b *Block) CheckEnvelopes() ([]*envelope.Envelope, error) {
	list := make([]*envelope.Envelope, len(b.Envelopes))
	for i := range b.Envelopes {
		e, err := envelope.Decode(b.Envelopes[i])
		if err != nil {
			return nil, fmt.Errorf("envelope %d: %w", i, err)
		}
		if e.Payload.LogName != b.LogName {
			return nil, fault.New(fault.InvalidField, fmt.Sprintf("envelopes[%d].payload.logName", i), "found %q, accepted is the block's %q", e.Payload.LogName, b.LogName)
		}
		list[i] = e
	}
	for i := range b.Events {
		e := &b.Events[i]
		if int64(e.Envelope) >= int64(len(list)) {
			return nil, fault.New(fault.InvalidField, fmt.Sprintf("events[%d].envelope", i), "found %d, accepted are 0 to %d", e.Envelope, len(list)-1)
		}
		hashes := list[e.Envelope].Payload.Statements
		if int64(e.Index) >= int64(len(hashes)) || hashes[e.Index] != sha256.Sum256(e.Statement) {
			return nil, fault.New(fault.InvalidField, fmt.Sprintf("events[%d].statement", i),
				"found a statement that is not number %d of envelope %d, accepted is the one that is", e.Index, e.Envelope)
		}
	}
	return list, nil
}
