package transparency

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"github.com/lotpaper/lotpaper/internal/eventlog"
)

// Origin is the first line of a log's checkpoints, and the name of the key that signs them: a log that was restored is another one.
func Origin(logName string, epoch [16]byte) string {
	return logName + "/" + hex.EncodeToString(epoch[:])
}

// VerifierKey is the public key by which checkpoints of an origin are verified, in the form of the signed note format.
func VerifierKey(origin string, public ed25519.PublicKey) (string, error) {
	k, err := note.NewEd25519VerifierKey(origin, public)
	if err != nil {
		return "", fmt.Errorf("make the verifier key of %s: %w", origin, err)
	}
	return k, nil
}

// signer makes the note signer of a key.
func signer(origin string, private ed25519.PrivateKey) (note.Signer, error) {
	verifier, err := VerifierKey(origin, private.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	// The private form has the same name and key hash, and the seed in place of the public key.
	rest := strings.TrimPrefix(verifier, origin+"+")
	hash, _, _ := strings.Cut(rest, "+")
	const ed25519Type = 1
	secret := "PRIVATE+KEY+" + origin + "+" + hash + "+" + base64.StdEncoding.EncodeToString(append([]byte{ed25519Type}, private.Seed()...))
	s, err := note.NewSigner(secret)
	if err != nil {
		return nil, fmt.Errorf("make the signer of %s: %w", origin, err)
	}
	return s, nil
}

// checkpoint signs where the log stands (C2SP tlog-checkpoint).
func checkpoint(head *eventlog.Head, private ed25519.PrivateKey) (string, error) {
	origin := Origin(head.LogName, head.Epoch)
	return signNote(origin, checkpointText(origin, head.Next, head.Root()), private)
}
