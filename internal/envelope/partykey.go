package envelope

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"io"
	"path/filepath"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// NewPartyKey makes a key for a party, by which it signs its events.
func NewPartyKey(rand io.Reader) (ed25519.PrivateKey, error) {
	_, private, err := ed25519.GenerateKey(rand)
	return private, err
}

// WritePartyKey writes a party's key to a new file: one PEM block "PRIVATE KEY" with the key in PKCS #8 (RFC 8410), which nobody but its owner may read. It is on
// disk when it returns. A file that is there already is left as it is, and is an error.
func WritePartyKey(name string, private ed25519.PrivateKey) error {
	data, err := keyFile{private: &private}.encode()
	if err != nil {
		return fmt.Errorf("write the key: %w", err)
	}
	if err := writeSynced(name, data); err != nil {
		return fmt.Errorf("write the key: %w", err)
	}
	return syncFolder(filepath.Dir(name))
}

// ReadPartyKey reads it. A file that others than its owner may read is refused.
func ReadPartyKey(name string) (ed25519.PrivateKey, error) {
	var private ed25519.PrivateKey
	f := keyFile{name: filepath.Base(name), private: &private}
	if err := f.read(filepath.Dir(name)); err != nil {
		return nil, fmt.Errorf("read the key %s: %w", name, err)
	}
	return private, nil
}

// partySalts sets the secret of a party's salts apart from all else that is made of its key.
const partySalts = "lotpaper/party-salts/v1"

// PartySalts are the salts of a party's own statements. They follow from its key and the request, so that a file that is signed again is the same
// statement, and nobody without the key can try values against a commitment.
func PartySalts(private ed25519.PrivateKey, party string, id opal.RequestID) func(path string) [16]byte {
	secret := sha256.Sum256(slices.Concat([]byte(partySalts), private.Seed()))
	return Salts(secret[:], party, id)
}

// SignedBatch is an envelope with the statements that it lists, and their openings by the place of the statement.
type SignedBatch struct {
	Envelope   []byte
	Statements [][]byte
	Openings   [][]Opening
}

// Sign seals events of one party, in their order, and signs them once. Each event has been checked, and bears a request id.
func Sign(logName, party string, private ed25519.PrivateKey, events []*opal.Event) (*SignedBatch, error) {
	p := Payload{Version: PayloadVersion, LogName: logName, Party: party}
	out := &SignedBatch{}
	for i, ev := range events {
		own := *ev
		own.Party = party
		sealed, err := Seal(&own, PartySalts(private, party, ev.RequestID))
		if err != nil {
			return nil, fmt.Errorf("event %d: %w", i+1, err)
		}
		p.Statements = append(p.Statements, sealed.Hash)
		out.Statements = append(out.Statements, sealed.Bytes)
		out.Openings = append(out.Openings, sealed.Openings)
	}
	var err error
	out.Envelope, err = Wrap(p, NewSigner(private))
	return out, err
}

// Countersign adds a signature to an envelope. What was signed stays as it is.
func Countersign(envelope []byte, private ed25519.PrivateKey) ([]byte, error) {
	e, err := Decode(envelope)
	if err != nil {
		return nil, err
	}
	s := NewSigner(private)
	if slices.ContainsFunc(e.Signatures, func(x Signature) bool { return x.KeyID == s.KeyID }) {
		return nil, fault.New(fault.InvalidField, "signatures", "found a signature by %s already, accepted is one by each key", s.KeyID)
	}
	e.Signatures = append(e.Signatures, Signature{s.KeyID, ed25519.Sign(private, PAE(PayloadType, e.PayloadBytes))})
	slices.SortFunc(e.Signatures, func(a, b Signature) int {
		if a.KeyID < b.KeyID {
			return -1
		}
		return 1
	})
	return e.Encode()
}
