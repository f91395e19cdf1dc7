package bundle

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The names of parts.
const (
	partCheckpoint  = "checkpoint"
	partConsistency = "consistency/" // and the size of the older log
	partRules       = "rules"
	partEnvelope    = "envelope/" // and its SHA-256 in hexadecimal digits
	partEvent       = "event/"    // and its position
	partStatus      = "status"
	partIndex       = "index"
)

// entry is the content of an event's part, a CBOR map in the encoding of internal/canon:
//
//	1: leaf, 148 bytes: its entry in the log (see block.Leaf)
//	2: statement, a byte string (see envelope.Statement)
//	3: findings, an array of opal.Finding maps, left out if there are none
//	4: outcome, a byte string, left out if empty: what was computed from a measurement
//	5: proof, an array of 32-byte strings: the hashes that lead from the entry to the root of the checkpoint (RFC 6962), left out for the only entry of a log
type entry struct {
	Leaf      []byte         `cbor:"1,keyasint"`
	Statement []byte         `cbor:"2,keyasint"`
	Findings  []opal.Finding `cbor:"3,keyasint,omitempty"`
	Outcome   []byte         `cbor:"4,keyasint,omitempty"`
	Proof     [][32]byte     `cbor:"5,keyasint,omitempty"`
}

// consistency is the content of the part that proves an older log to be the beginning: {1: hashes}.
type consistency struct {
	Hashes [][32]byte `cbor:"1,keyasint,omitempty"`
}

var (
	entries       = canon.For[entry]()
	consistencies = canon.For[consistency]()
)

// Stored is an event as a log holds it.
type Stored struct {
	Leaf      block.Leaf
	Envelope  []byte
	Statement []byte
	Findings  []opal.Finding
	Outcome   []byte
	Proof     [][32]byte
}

// Contents is what a bundle is made of.
type Contents struct {
	Origin string
	Size   uint64
	Lot    string
	AsOf   string
	// Checkpoint is the signed checkpoint of that size.
	Checkpoint string
	// Since is the size of an older log, 0 for none, and Consistency the proof that it is the beginning.
	Since       uint64
	Consistency [][32]byte
	// Rules are the bytes of the rule table in force.
	Rules []byte
	// Status is the answer as JSON.
	Status []byte
	Events []Stored // in their order
}

// Make makes a bundle. sign signs the index as a note of the log's (C2SP signed-note), with the checkpoint key.
func Make(c *Contents, sign func(text string) (string, error)) ([]byte, error) {
	parts := []Part{{partCheckpoint, []byte(c.Checkpoint)}}
	if c.Since > 0 {
		b, err := consistencies.Append(nil, &consistency{c.Consistency})
		if err != nil {
			return nil, fmt.Errorf("make a bundle: %w", err)
		}
		parts = append(parts, Part{partConsistency + strconv.FormatUint(c.Since, 10), b})
	}
	parts = append(parts, Part{partRules, c.Rules})
	have := map[[32]byte]bool{}
	for i := range c.Events {
		e := &c.Events[i]
		if hash := sha256.Sum256(e.Envelope); !have[hash] {
			have[hash] = true
			parts = append(parts, Part{partEnvelope + hex.EncodeToString(hash[:]), e.Envelope})
		}
		b, err := entries.Append(nil, &entry{e.Leaf.Append(nil), e.Statement, e.Findings, e.Outcome, e.Proof})
		if err != nil {
			return nil, fmt.Errorf("make a bundle: event at %d: %w", e.Leaf.Position, err)
		}
		parts = append(parts, Part{partEvent + strconv.FormatUint(e.Leaf.Position, 10), b})
	}
	parts = append(parts, Part{partStatus, c.Status})
	index, err := sign(IndexText(c.Origin, c.Size, c.Lot, c.AsOf, parts))
	if err != nil {
		return nil, fmt.Errorf("sign the index: %w", err)
	}
	return Write(append(parts, Part{partIndex, []byte(index)}))
}

// IndexText is what the log signs: that these parts are all that a log of that size holds of the lot's record. Its lines are: lotpaper/bundle/v1; the origin; the
// size; the lot; the time that the status is of; how many parts stand before the index; and the SHA-256 of their hashes, in hexadecimal digits.
func IndexText(origin string, size uint64, lot, asOf string, parts []Part) string {
	sum := digest(parts)
	return strings.Join([]string{
		strings.TrimSuffix(Magic, "\n"), origin, strconv.FormatUint(size, 10), lot, asOf, strconv.Itoa(len(parts)), hex.EncodeToString(sum[:]),
	}, "\n") + "\n"
}
