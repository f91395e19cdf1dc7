// Package receipt checks, offline, what the log says of itself: that a checkpoint is signed by the log, that an event is in it (C2SP tlog-proof), and that an
// older checkpoint is the beginning of a newer one.
//
// It promises that whatever was altered is found and the part of it named, and that nothing it accepts rests on the word of whoever handed it over: only on the
// log's key, which the caller brings. What the event means, and whether its poster may have posted it, is not its matter.
package receipt

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"

	cosignature "github.com/transparency-dev/formats/note"
	"github.com/transparency-dev/formats/proof"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"github.com/lotpaper/lotpaper/internal/block"
)

// Flaw says which part does not hold, and why.
type Flaw struct{ Part, Says string }

func (f *Flaw) Error() string { return f.Part + ": " + f.Says }

func flaw(part, format string, args ...any) *Flaw { return &Flaw{part, fmt.Sprintf(format, args...)} }

// Checkpoint is a checkpoint whose signature was verified.
type Checkpoint struct {
	Origin string
	Tree   tlog.Tree
	// Text is the signed note, as it came.
	Text string
}

// ReadCheckpoint verifies a checkpoint by the log's key.
func ReadCheckpoint(text string, verifierKey string) (*Checkpoint, error) {
	v, err := note.NewVerifier(verifierKey)
	if err != nil {
		return nil, flaw("log key", "found %q, accepted is a verifier key such as name+12345678+A…", clip(verifierKey))
	}
	signed, err := note.Open([]byte(text), note.VerifierList(v))
	if err != nil {
		return nil, flaw("checkpoint", "its signature does not hold for the log key of %s: %v", v.Name(), err)
	}
	lines := strings.Split(signed.Text, "\n")
	if len(lines) < 4 || lines[0] != v.Name() {
		return nil, flaw("checkpoint", "found the origin %q, accepted is that of the log key, %s", clip(lines[0]), v.Name())
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 1 || strconv.FormatInt(size, 10) != lines[1] {
		return nil, flaw("checkpoint", "found the size %q, accepted is a whole number from 1 on", clip(lines[1]))
	}
	root, err := base64.StdEncoding.DecodeString(lines[2])
	if err != nil || len(root) != tlog.HashSize {
		return nil, flaw("checkpoint", "found the root %q, accepted are 32 bytes in base64", clip(lines[2]))
	}
	return &Checkpoint{lines[0], tlog.Tree{N: size, Hash: tlog.Hash(root)}, text}, nil
}

// Receipt is an event's place in a log, proved.
type Receipt struct {
	Leaf       block.Leaf
	Checkpoint *Checkpoint
}

// Check proves that the entry that a proof brings along is in the log of a key.
func Check(data []byte, verifierKey string) (*Receipt, error) {
	var p proof.TLogProof
	if err := p.Unmarshal(data); err != nil {
		return nil, flaw("proof", "found no tlog-proof: %v", err)
	}
	c, err := ReadCheckpoint(string(p.Checkpoint), verifierKey)
	if err != nil {
		return nil, err
	}
	leaf, err := block.DecodeLeaf(p.ExtraData)
	if err != nil {
		return nil, flaw("entry", "%v", err)
	}
	if leaf.Position != p.Index {
		return nil, flaw("entry", "found the entry of position %d, and a proof of %d", leaf.Position, p.Index)
	}
	if p.Index >= uint64(c.Tree.N) {
		return nil, flaw("proof", "found position %d, and a checkpoint of %d events", p.Index, c.Tree.N)
	}
	list := make(tlog.RecordProof, len(p.Hashes))
	for i, h := range p.Hashes {
		list[i] = tlog.Hash(h)
	}
	if err := tlog.CheckRecord(list, c.Tree.N, c.Tree.Hash, int64(p.Index), tlog.Hash(block.LeafHash(p.ExtraData))); err != nil {
		return nil, flaw("proof", "its hashes do not lead from the entry to the root of the checkpoint: %v", err)
	}
	return &Receipt{leaf, c}, nil
}

// Marshal writes the proof of an entry as a file, with the entry in it.
func Marshal(position uint64, entry []byte, hashes [][]byte, checkpoint string) ([]byte, error) {
	p := proof.TLogProof{Index: position, ExtraData: entry, Checkpoint: []byte(checkpoint)}
	for i, h := range hashes {
		if len(h) != tlog.HashSize {
			return nil, fmt.Errorf("hash %d has %d bytes, accepted are %d", i, len(h), tlog.HashSize)
		}
		p.Hashes = append(p.Hashes, [tlog.HashSize]byte(h))
	}
	return p.Marshal(), nil
}

// Follows proves that the log of an older checkpoint is the beginning of that of a newer one. hashes are the proof between the two; none are needed if they are
// of the same size.
func Follows(older, newer *Checkpoint, hashes [][]byte) error {
	switch {
	case older.Origin != newer.Origin:
		return flaw("origin", "found %s, and %s before: another log, or one that was restored", newer.Origin, older.Origin)
	case newer.Tree.N < older.Tree.N:
		return flaw("size", "found %d events, and %d before: the log has lost its end", newer.Tree.N, older.Tree.N)
	case newer.Tree.N == older.Tree.N:
		if newer.Tree.Hash != older.Tree.Hash {
			return flaw("root", "found two different logs of %d events", newer.Tree.N)
		}
		return nil
	}
	list := make(tlog.TreeProof, len(hashes))
	for i, h := range hashes {
		if len(h) != tlog.HashSize {
			return flaw("consistency", "hash %d has %d bytes, accepted are %d", i, len(h), tlog.HashSize)
		}
		list[i] = tlog.Hash(h)
	}
	if err := tlog.CheckTree(list, newer.Tree.N, newer.Tree.Hash, older.Tree.N, older.Tree.Hash); err != nil {
		return flaw("consistency", "the log of %d events is not the beginning of that of %d: %v", older.Tree.N, newer.Tree.N, err)
	}
	return nil
}

// Cosign adds the signature of a witness to a checkpoint that it verified (C2SP tlog-cosignature, by the library for it): the witness says that this is what it
// was shown, and when.
func Cosign(text, verifierKey, name string, private ed25519.PrivateKey) ([]byte, error) {
	if _, err := ReadCheckpoint(text, verifierKey); err != nil {
		return nil, err
	}
	plain, err := note.NewEd25519VerifierKey(name, private.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, flaw("name", "found %q, accepted is a name without blanks and plus signs", clip(name))
	}
	// The private form of the same key: its hash, and the seed behind the type.
	hash, _, _ := strings.Cut(strings.TrimPrefix(plain, name+"+"), "+")
	s, err := cosignature.NewSignerForCosignatureV1("PRIVATE+KEY+" + name + "+" + hash + "+" + base64.StdEncoding.EncodeToString(append([]byte{1}, private.Seed()...)))
	if err != nil {
		return nil, flaw("name", "found %q, accepted is a name without blanks and plus signs", clip(name))
	}
	v, err := note.NewVerifier(verifierKey)
	if err != nil {
		return nil, fmt.Errorf("read the log key: %w", err)
	}
	n, err := note.Open([]byte(text), note.VerifierList(v))
	if err != nil {
		return nil, fmt.Errorf("open the checkpoint: %w", err)
	}
	signed, err := note.Sign(n, s)
	if err != nil {
		return nil, fmt.Errorf("cosign the checkpoint: %w", err)
	}
	return signed, nil
}

func clip(s string) string { return s[:min(len(s), 80)] }
