package envelope

import (
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// PayloadVersion is the version of payload that this package writes and reads.
const PayloadVersion = 1

// PayloadType names the payload in what is signed. Another version of payload has another type.
const PayloadType = "application/vnd.lotpaper.envelope.v1+cbor"

// The limits of an envelope. The largest one that keeps the others has some 36,500 bytes.
const (
	MaxStatements = 1_000
	MaxSignatures = 16
	MaxEnvelope   = 48 << 10
)

// Payload is what the signatures of an envelope sign: that these statements are one party's, for one log.
//
// Its bytes are a CBOR map in the encoding of internal/canon:
//
//	1: version, unsigned integer, 1
//	2: logName, text, as opal.CheckLogName accepts it
//	3: party, text, a party id or "admin"
//	4: statements, an array of 1 to 1,000 byte strings of 32 bytes: the SHA-256 of each statement
type Payload struct {
	Version    uint64     `cbor:"1,keyasint"`
	LogName    string     `cbor:"2,keyasint"`
	Party      string     `cbor:"3,keyasint"`
	Statements [][32]byte `cbor:"4,keyasint"`
}

// Signature is one key's signature of a payload.
type Signature struct {
	KeyID string `cbor:"1,keyasint"` // see KeyID
	Sig   []byte `cbor:"2,keyasint"` // Ed25519 (RFC 8032), 64 bytes
}

// Envelope is a payload with its signatures: DSSE version 1 in CBOR instead of JSON.
//
// Its bytes are a CBOR map in the encoding of internal/canon:
//
//	1: payloadType, text, "application/vnd.lotpaper.envelope.v1+cbor"
//	2: payload, a byte string that holds the bytes of a Payload
//	3: signatures, an array of 1 to 16, by ascending key id and none twice; each a map {1: keyId, text of 16 hexadecimal digits in lower case;
//	   2: sig, 64 bytes}
//
// Each signature is Ed25519 (RFC 8032) over PAE(payloadType, payload). The hash of an envelope is the SHA-256 of its bytes.
type Envelope struct {
	Payload Payload
	// PayloadBytes are the bytes that Payload was read from, which are the ones that are signed.
	PayloadBytes []byte
	Signatures   []Signature
}

// wrapped is an envelope's outer map.
type wrapped struct {
	PayloadType string      `cbor:"1,keyasint"`
	Payload     []byte      `cbor:"2,keyasint"`
	Signatures  []Signature `cbor:"3,keyasint"`
}

var (
	payloads = canon.For[Payload]()
	wrappeds = canon.For[wrapped]()
)

// Signer is a private key and its id.
type Signer struct {
	KeyID   string
	Private ed25519.PrivateKey
}

// NewSigner makes the Signer of a private key.
func NewSigner(private ed25519.PrivateKey) Signer {
	return Signer{KeyID(private.Public().(ed25519.PublicKey)), private}
}

// KeyID names a public key: the first 16 hexadecimal digits, in lower case, of the SHA-256 of its 32 bytes.
func KeyID(pub ed25519.PublicKey) string {
	h := sha256.Sum256(pub)
	return hex.EncodeToString(h[:8])
}

// Hash is the SHA-256 of an envelope's bytes, by which a leaf of the log names it.
func Hash(envelope []byte) [32]byte { return sha256.Sum256(envelope) }

// PAE is what DSSE version 1 signs: "DSSEv1 " ‖ length of type ‖ " " ‖ type ‖ " " ‖ length of payload ‖ " " ‖ payload, the lengths in
// bytes as decimal ASCII.
func PAE(payloadType string, payload []byte) []byte {
	b := make([]byte, 0, len("DSSEv1 ")+len(payloadType)+len(payload)+2*20+3)
	b = append(b, "DSSEv1 "...)
	b = strconv.AppendInt(b, int64(len(payloadType)), 10)
	b = append(b, ' ')
	b = append(b, payloadType...)
	b = append(b, ' ')
	b = strconv.AppendInt(b, int64(len(payload)), 10)
	b = append(b, ' ')
	return append(b, payload...)
}

// Wrap makes the envelope of a payload, signed by each signer.
func Wrap(p Payload, signers ...Signer) ([]byte, error) {
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("wrap statements: %w", err)
	}
	payload, err := payloads.Append(make([]byte, 0, 256+34*len(p.Statements)), &p)
	if err != nil {
		return nil, fmt.Errorf("wrap statements: %w", err)
	}
	message := PAE(PayloadType, payload)
	e := Envelope{Payload: p, PayloadBytes: payload, Signatures: make([]Signature, 0, len(signers))}
	for _, s := range signers {
		if len(s.Private) != ed25519.PrivateKeySize || s.KeyID != KeyID(s.Private.Public().(ed25519.PublicKey)) {
			return nil, fmt.Errorf("wrap statements: the signer %s does not have the key of that id", clip(s.KeyID))
		}
		e.Signatures = append(e.Signatures, Signature{s.KeyID, ed25519.Sign(s.Private, message)})
	}
	slices.SortFunc(e.Signatures, func(a, b Signature) int { return cmp.Compare(a.KeyID, b.KeyID) })
	b, err := e.Encode()
	if err != nil {
		return nil, fmt.Errorf("wrap statements: %w", err)
	}
	return b, nil
}

// Encode gives the envelope's bytes, from PayloadBytes and Signatures.
func (e *Envelope) Encode() ([]byte, error) {
	if err := checkSignatures(e.Signatures); err != nil {
		return nil, err
	}
	w := wrapped{PayloadType, e.PayloadBytes, e.Signatures}
	b, err := wrappeds.Append(make([]byte, 0, 128+len(e.PayloadBytes)+96*len(e.Signatures)), &w)
	if err != nil {
		return nil, err
	}
	if len(b) > MaxEnvelope {
		return nil, envelopeTooLarge(len(b))
	}
	return b, nil
}

// Decode reads an envelope and refuses whatever is not exactly one. The result shares b's memory. No signature is checked: see Check.
func Decode(b []byte) (*Envelope, error) {
	if len(b) > MaxEnvelope {
		return nil, envelopeTooLarge(len(b))
	}
	var w wrapped
	if err := wrappeds.Decode(b, &w); err != nil {
		return nil, err
	}
	if w.PayloadType != PayloadType {
		return nil, fault.New(fault.InvalidField, "payloadType", "found %s, accepted is %q", clip(w.PayloadType), PayloadType)
	}
	if err := checkSignatures(w.Signatures); err != nil {
		return nil, err
	}
	e := &Envelope{PayloadBytes: w.Payload, Signatures: w.Signatures}
	if err := payloads.Decode(w.Payload, &e.Payload); err != nil {
		return nil, inPayload(err)
	}
	if err := e.Payload.check(); err != nil {
		return nil, inPayload(err)
	}
	return e, nil
}

func (p *Payload) check() error {
	if p.Version != PayloadVersion {
		return fault.New(fault.InvalidField, "version", "found payload version %d, accepted is %d", p.Version, PayloadVersion)
	}
	if err := opal.CheckLogName(p.LogName); err != nil {
		return fault.New(fault.InvalidField, "logName", "%v", err)
	}
	if p.Party != opal.Admin {
		if err := opal.CheckParty(p.Party); err != nil {
			return fault.New(fault.InvalidField, "party", "%v", err)
		}
	}
	switch n := len(p.Statements); {
	case n == 0:
		return fault.New(fault.InvalidField, "statements", "found none, accepted are 1 to %d", MaxStatements)
	case n > MaxStatements:
		return fault.New(fault.TooLarge, "statements", "found %d, accepted are 1 to %d", n, MaxStatements)
	}
	return nil
}

func checkSignatures(list []Signature) error {
	switch n := len(list); {
	case n == 0:
		return fault.New(fault.InvalidField, "signatures", "found none, accepted are 1 to %d", MaxSignatures)
	case n > MaxSignatures:
		return fault.New(fault.TooLarge, "signatures", "found %d, accepted are 1 to %d", n, MaxSignatures)
	}
	for i := range list {
		s := &list[i]
		if !isKeyID(s.KeyID) {
			return fault.New(fault.InvalidField, fmt.Sprintf("signatures[%d].keyId", i), "found %s, accepted are 16 hexadecimal digits in lower case", clip(s.KeyID))
		}
		if i > 0 && list[i-1].KeyID >= s.KeyID {
			return fault.New(fault.InvalidField, fmt.Sprintf("signatures[%d].keyId", i), "found %s after %s, accepted is each key once, in ascending order", s.KeyID, list[i-1].KeyID)
		}
		if len(s.Sig) != ed25519.SignatureSize {
			return fault.New(fault.InvalidField, fmt.Sprintf("signatures[%d].sig", i), "found %d bytes, accepted are %d", len(s.Sig), ed25519.SignatureSize)
		}
	}
	return nil
}

func isKeyID(s string) bool {
	if len(s) != 16 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

func envelopeTooLarge(size int) error {
	return fault.New(fault.TooLarge, "", "found an envelope of %d bytes, accepted are at most %d", size, MaxEnvelope)
}

func inPayload(err error) error {
	if f, ok := fault.As(err); ok {
		if f.Field == "" {
			f.Field = "payload"
		} else {
			f.Field = "payload." + f.Field
		}
	}
	return err
}

// Check verifies every signature whose key is known and answers the ids of those keys. A signature by a known key that does not
// verify is refused (BAD_SIGNATURE); one by an unknown key says nothing, and is left out of the answer: it is for the caller to require
// the keys that count.
func (e *Envelope) Check(key func(keyID string) (ed25519.PublicKey, bool)) (ok []string, err error) {
	var message []byte
	for i := range e.Signatures {
		s := &e.Signatures[i]
		pub, known := key(s.KeyID)
		if !known {
			continue
		}
		if message == nil {
			message = PAE(PayloadType, e.PayloadBytes)
		}
		if len(pub) != ed25519.PublicKeySize || !ed25519.Verify(pub, message, s.Sig) {
			return nil, fault.New(fault.BadSignature, fmt.Sprintf("signatures[%d].sig", i),
				"found a signature that the key %s did not make over this payload, accepted is one that it did", s.KeyID)
		}
		ok = append(ok, s.KeyID)
	}
	return ok, nil
}
