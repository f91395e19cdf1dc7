package block

import (
	"crypto/sha256"
	"encoding/binary"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// LeafMagic is what every leaf begins with, and LeafSize how long each is.
const (
	LeafMagic = "lotpaper/leaf/1\n"
	LeafSize  = 148
)

// Leaf is what the Merkle tree holds of an event. It fixes everything that the log says of it and tells nothing but hashes and a time,
// so that leaves may be public while statements are not.
//
// Its bytes are 148, integers with the most significant byte first:
//
//	  0: "lotpaper/leaf/1" and a newline, 16 bytes of ASCII
//	 16: epoch, 16 bytes
//	 32: position, 8 bytes
//	 40: recordedAt, 8 bytes, two's complement: microseconds since 1970-01-01T00:00:00Z
//	 48: SHA-256 of the envelope, 32 bytes
//	 80: index, 4 bytes: the statement's place in the envelope's list
//	 84: SHA-256 of the statement, 32 bytes
//	116: outcome hash, 32 bytes: SHA-256 of a CBOR array of two, the entry's findings (an array, possibly empty) and its outcome
//	     (a byte string, possibly empty), in the encoding of internal/canon
type Leaf struct {
	Epoch         [16]byte
	Position      uint64
	RecordedAt    opal.Instant
	EnvelopeHash  [32]byte
	Index         uint32
	StatementHash [32]byte
	OutcomeHash   [32]byte
}

// Append appends the leaf's bytes to dst. It allocates nothing if dst has room for LeafSize more.
func (l Leaf) Append(dst []byte) []byte {
	dst = append(dst, LeafMagic...)
	dst = append(dst, l.Epoch[:]...)
	dst = binary.BigEndian.AppendUint64(dst, l.Position)
	dst = binary.BigEndian.AppendUint64(dst, uint64(l.RecordedAt))
	dst = append(dst, l.EnvelopeHash[:]...)
	dst = binary.BigEndian.AppendUint32(dst, l.Index)
	dst = append(dst, l.StatementHash[:]...)
	return append(dst, l.OutcomeHash[:]...)
}

// DecodeLeaf reads a leaf. Every 148 bytes that begin with the magic are one.
func DecodeLeaf(data []byte) (Leaf, error) {
	if len(data) != LeafSize {
		return Leaf{}, fault.New(fault.InvalidField, "", "found a leaf of %d bytes, accepted is one of %d", len(data), LeafSize)
	}
	if string(data[:len(LeafMagic)]) != LeafMagic {
		return Leaf{}, fault.New(fault.InvalidField, "", "found %q at the start of a leaf, accepted is %q", data[:len(LeafMagic)], LeafMagic)
	}
	return Leaf{
		Epoch:         [16]byte(data[16:32]),
		Position:      binary.BigEndian.Uint64(data[32:40]),
		RecordedAt:    opal.Instant(binary.BigEndian.Uint64(data[40:48])),
		EnvelopeHash:  [32]byte(data[48:80]),
		Index:         binary.BigEndian.Uint32(data[80:84]),
		StatementHash: [32]byte(data[84:116]),
		OutcomeHash:   [32]byte(data[116:148]),
	}, nil
}

// Leaf gives the leaf of the block's event i; envelopeHashes are those of EnvelopeHashes.
func (b *Block) Leaf(i int, envelopeHashes [][32]byte) Leaf {
	e := &b.Events[i]
	return Leaf{
		Epoch:         b.Epoch,
		Position:      b.First + uint64(i),
		RecordedAt:    b.RecordedAt,
		EnvelopeHash:  envelopeHashes[e.Envelope],
		Index:         e.Index,
		StatementHash: sha256.Sum256(e.Statement),
		OutcomeHash:   OutcomeHash(e.Findings, e.Outcome),
	}
}

// nothingFound is the outcome hash of an event without findings and outcome: that of the CBOR array [[], h”].
var nothingFound = sha256.Sum256([]byte{0x82, 0x80, 0x40})

// OutcomeHash is the hash by which a leaf fixes what judging stored with an event; see Leaf for what is hashed.
//
// A finding whose text is not UTF-8 has no encoding, and its hash is all zeros. Such a leaf goes nowhere, because Encode refuses the block.
func OutcomeHash(list []opal.Finding, outcome []byte) [32]byte {
	if len(list) == 0 && len(outcome) == 0 {
		return nothingFound
	}
	return hashJudged(list, outcome)
}

// hashJudged stands apart so that the frequent case, nothing found, allocates nothing.
func hashJudged(list []opal.Finding, outcome []byte) [32]byte {
	b, err := findings.Append(canon.AppendArray(make([]byte, 0, 512), 2), &list)
	if err != nil {
		return [32]byte{}
	}
	return sha256.Sum256(canon.AppendBytes(b, outcome))
}
