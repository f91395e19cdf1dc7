package envelope

import (
	"crypto/hmac"
	"crypto/sha256"
	"fmt"
	"hash"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// OpeningsVersion is the version of openings record that this package writes and reads.
const OpeningsVersion = 1

// MaxOpenings is the most bytes that the openings of one statement may have together.
const MaxOpenings = 128 << 10

// Opening is a private value with what shows that a statement commits to it.
type Opening struct {
	Path  string   `cbor:"1,keyasint"` // as in the commitment
	Salt  [16]byte `cbor:"2,keyasint"`
	Value string   `cbor:"3,keyasint"` // never empty: an empty field has no commitment
}

// Hash gives the commitment to an opening:
//
//	SHA-256("lotpaper/opening/v1" ‖ length of path, 4 bytes, most significant first ‖ path ‖ salt, 16 bytes ‖ value)
//
// Who does not know the salt cannot find the value by trying.
func (o *Opening) Hash() [32]byte {
	var short [256]byte
	b := append(short[:0], "lotpaper/opening/v1"...)
	b = appendCounted(b, o.Path)
	b = append(b, o.Salt[:]...)
	return sha256.Sum256(append(b, o.Value...))
}

// openingsRecord is what is stored of one statement's openings.
type openingsRecord struct {
	Version  uint64    `cbor:"1,keyasint"`
	Openings []Opening `cbor:"2,keyasint"`
}

var openingsRecords = canon.For[openingsRecord]()

// EncodeOpenings gives the bytes in which the openings of one statement are stored and sent. They are a CBOR map in the encoding of
// internal/canon:
//
//	1: version, unsigned integer, 1
//	2: openings, an array of at least one, in the order of the statement's commitments; each a map
//	   {1: path, text; 2: salt, 16 bytes; 3: value, text, not empty}
//
// at most 131,072 bytes long. A statement without private values has no such record.
func EncodeOpenings(openings []Opening) ([]byte, error) {
	r := openingsRecord{OpeningsVersion, openings}
	if err := r.check(); err != nil {
		return nil, err
	}
	b, err := openingsRecords.Append(nil, &r)
	if err != nil {
		return nil, fmt.Errorf("encode openings: %w", err)
	}
	if len(b) > MaxOpenings {
		return nil, openingsTooLarge(len(b))
	}
	return b, nil
}

// DecodeOpenings reads what EncodeOpenings writes and refuses all else. Whether they fit a statement Reveal tells.
func DecodeOpenings(b []byte) ([]Opening, error) {
	if len(b) > MaxOpenings {
		return nil, openingsTooLarge(len(b))
	}
	var r openingsRecord
	if err := openingsRecords.Decode(b, &r); err != nil {
		return nil, err
	}
	if err := r.check(); err != nil {
		return nil, err
	}
	return r.Openings, nil
}

func (r *openingsRecord) check() error {
	if r.Version != OpeningsVersion {
		return fault.New(fault.InvalidField, "version", "found openings version %d, accepted is %d", r.Version, OpeningsVersion)
	}
	if len(r.Openings) == 0 {
		return fault.New(fault.InvalidField, "openings", "found none, accepted is at least one")
	}
	for i := range r.Openings {
		if r.Openings[i].Value == "" {
			return fault.New(fault.InvalidField, fmt.Sprintf("openings[%d].value", i), "found an empty value, accepted is text")
		}
	}
	return nil
}

func openingsTooLarge(size int) error {
	return fault.New(fault.TooLarge, "", "found openings of %d bytes, accepted are at most %d", size, MaxOpenings)
}

// Salts gives the salts of an event that a party posts by token: the first 16 bytes of
//
//	HMAC-SHA-256(secret, length of party, 4 bytes, most significant first ‖ party ‖ request id, 16 bytes ‖ path)
//
// They follow from the request, so that the same post, sent again through another node that knows the secret, makes the same statement. The
// function is for one goroutine at a time.
func Salts(secret []byte, party string, id opal.RequestID) func(path string) [16]byte {
	var mac hash.Hash // made for the first private field: many events have none
	message := append(appendCounted(make([]byte, 0, 128), party), id[:]...)
	var sum [sha256.Size]byte
	return func(path string) [16]byte {
		if mac == nil {
			mac = hmac.New(sha256.New, secret)
		}
		mac.Reset()
		mac.Write(append(message, path...))
		return [16]byte(mac.Sum(sum[:0])[:16])
	}
}
