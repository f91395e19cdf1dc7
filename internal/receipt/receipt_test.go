package receipt_test

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	cosignature "github.com/transparency-dev/formats/note"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/receipt"
)

// made is a log in memory, made with the library of golang.org/x/mod.
type made struct {
	hashes []tlog.Hash
	leaves [][]byte
	secret string
	key    string
}

func (m *made) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, n := range indexes {
		out[i] = m.hashes[n]
	}
	return out, nil
}

func newLog(t *testing.T, size int, salt byte) *made {
	t.Helper()
	secret, key, err := note.GenerateKey(strings.NewReader(strings.Repeat("k", 64)), "log/00")
	if err != nil {
		t.Fatal(err)
	}
	m := &made{secret: secret, key: key}
	m.grow(t, size, salt)
	return m
}

func (m *made) grow(t *testing.T, size int, salt byte) {
	t.Helper()
	for len(m.leaves) < size {
		n := uint64(len(m.leaves))
		leaf := block.Leaf{Position: n, StatementHash: [32]byte{byte(n), salt}}.Append(nil)
		hashes, err := tlog.StoredHashes(int64(n), leaf, m)
		if err != nil {
			t.Fatal(err)
		}
		m.leaves, m.hashes = append(m.leaves, leaf), append(m.hashes, hashes...)
	}
}

func (m *made) checkpoint(t *testing.T, size int) string {
	t.Helper()
	root, err := tlog.TreeHash(int64(size), m)
	if err != nil {
		t.Fatal(err)
	}
	s, err := note.NewSigner(m.secret)
	if err != nil {
		t.Fatal(err)
	}
	text, err := note.Sign(&note.Note{Text: fmt.Sprintf("log/00\n%d\n%s\n", size, base64.StdEncoding.EncodeToString(root[:]))}, s)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func (m *made) proof(t *testing.T, index, size int) []byte {
	t.Helper()
	p, err := tlog.ProveRecord(int64(size), int64(index), m)
	if err != nil {
		t.Fatal(err)
	}
	var hashes [][]byte
	for _, h := range p {
		hashes = append(hashes, h[:])
	}
	data, err := receipt.Marshal(uint64(index), m.leaves[index], hashes, m.checkpoint(t, size))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// A proof holds, and whichever byte of it is changed, it does not any more: the part is named.
func TestEveryByteOfAProof(t *testing.T) {
	log := newLog(t, 11, 0)
	data := log.proof(t, 6, 11)
	r, err := receipt.Check(data, log.key)
	if err != nil || r.Leaf.Position != 6 || r.Leaf.StatementHash != [32]byte{6} || r.Checkpoint.Tree.N != 11 || r.Checkpoint.Origin != "log/00" {
		t.Fatalf("%+v, %v", r, err)
	}
	parts := map[string]int{}
	for i := range data {
		for _, flip := range []byte{1, 0x20, 0x80} {
			spoiled := append([]byte(nil), data...)
			spoiled[i] ^= flip
			got, err := receipt.Check(spoiled, log.key)
			if err == nil {
				// Base64 has bits that stand for nothing at the end of a group; what was read is the same then.
				if got.Leaf != r.Leaf || got.Checkpoint.Tree != r.Checkpoint.Tree {
					t.Fatalf("byte %d: %q is accepted as %+v", i, spoiled, got)
				}
				continue
			}
			var flaw *receipt.Flaw
			if !errors.As(err, &flaw) || flaw.Part == "" || flaw.Says == "" {
				t.Fatalf("byte %d: %v", i, err)
			}
			parts[flaw.Part]++
		}
	}
	for _, part := range []string{"proof", "entry", "checkpoint"} {
		if parts[part] < 20 {
			t.Errorf("%s is named %d times of %v", part, parts[part], parts)
		}
	}
	for name, c := range map[string]struct {
		data []byte
		key  string
		part string
	}{
		"nothing":                   {nil, log.key, "proof"},
		"no key":                    {data, "x", "log key"},
		"another log's key":         {data, strings.Replace(log.key, "log/00", "log/01", 1), "log key"},
		"another position's entry":  {[]byte(strings.Replace(string(data), "index 6", "index 7", 1)), log.key, "entry"},
		"the proof of another size": {[]byte(strings.Replace(string(data), log.checkpoint(t, 11), log.checkpoint(t, 10), 1)), log.key, "proof"},
		"a smaller log":             {[]byte(strings.Replace(string(data), log.checkpoint(t, 11), log.checkpoint(t, 5), 1)), log.key, "proof"},
	} {
		var flaw *receipt.Flaw
		if _, err := receipt.Check(c.data, c.key); !errors.As(err, &flaw) || flaw.Part != c.part {
			t.Errorf("%s: %v, want a flaw of the %s", name, err, c.part)
		}
	}
}

// A log that was added to follows from what it was; one that was rewritten, cut off or restored does not.
func TestFollows(t *testing.T) {
	log, other := newLog(t, 20, 0), newLog(t, 20, 0)
	other.hashes, other.leaves = nil, nil
	other.grow(t, 5, 0)
	other.grow(t, 20, 9) // the same up to the fifth, and then another history
	open := func(m *made, size int) *receipt.Checkpoint {
		t.Helper()
		c, err := receipt.ReadCheckpoint(m.checkpoint(t, size), m.key)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	proof := func(m *made, from, to int) (out [][]byte) {
		t.Helper()
		p, err := tlog.ProveTree(int64(to), int64(from), m)
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range p {
			out = append(out, h[:])
		}
		return out
	}
	restored := *open(log, 20)
	restored.Origin = "log/01"
	for name, c := range map[string]struct {
		older, newer *receipt.Checkpoint
		hashes       [][]byte
		part         string // "": it follows
	}{
		"added to":                       {open(log, 7), open(log, 20), proof(log, 7, 20), ""},
		"nothing new":                    {open(log, 20), open(log, 20), nil, ""},
		"rewritten":                      {open(log, 7), open(other, 20), proof(other, 7, 20), "consistency"},
		"rewritten, with the old proof":  {open(log, 7), open(other, 20), proof(log, 7, 20), "consistency"},
		"rewritten behind what was seen": {open(log, 5), open(other, 20), proof(other, 5, 20), ""},
		"two of one size":                {open(log, 20), open(other, 20), nil, "root"},
		"cut off":                        {open(log, 20), open(log, 7), nil, "size"},
		"restored":                       {open(log, 20), &restored, nil, "origin"},
		"without a proof":                {open(log, 7), open(log, 20), nil, "consistency"},
		"a hash that is short":           {open(log, 7), open(log, 20), [][]byte{{1}}, "consistency"},
	} {
		err := receipt.Follows(c.older, c.newer, c.hashes)
		var flaw *receipt.Flaw
		if c.part == "" && err != nil || c.part != "" && (!errors.As(err, &flaw) || flaw.Part != c.part) {
			t.Errorf("%s: %v, want %q", name, err, c.part)
		}
	}
}

// A witness's signature is what the library for cosignatures verifies, and the log's stays.
func TestCosign(t *testing.T) {
	log := newLog(t, 3, 0)
	private := ed25519.NewKeyFromSeed([]byte(strings.Repeat("w", 32)))
	signed, err := receipt.Cosign(log.checkpoint(t, 3), log.key, "witness.example", private)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := note.NewEd25519VerifierKey("witness.example", private.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	v, err := cosignature.NewVerifierForCosignatureV1(plain)
	if err != nil {
		t.Fatal(err)
	}
	logKey, err := note.NewVerifier(log.key)
	if err != nil {
		t.Fatal(err)
	}
	n, err := note.Open(signed, note.VerifierList(v, logKey))
	if err != nil || len(n.Sigs) != 2 {
		t.Fatalf("%+v, %v", n, err)
	}
	for _, s := range n.Sigs {
		if s.Name != "witness.example" {
			continue
		}
		if at, err := cosignature.CoSigV1Timestamp(s); err != nil || time.Since(at) > time.Hour || time.Since(at) < -time.Hour {
			t.Errorf("%v, %v", at, err)
		}
	}
	if _, err := receipt.ReadCheckpoint(string(signed), log.key); err != nil {
		t.Errorf("with a second signature: %v", err)
	}
	if _, err := receipt.Cosign(log.checkpoint(t, 3), log.key, "a name", private); err == nil {
		t.Error("a name with a blank")
	}
	if _, err := receipt.Cosign(strings.Replace(log.checkpoint(t, 3), "\n3\n", "\n4\n", 1), log.key, "witness.example", private); err == nil {
		t.Error("a forged checkpoint was cosigned")
	}
}

// FuzzCheck holds that any text ends in a flaw with its part named.
func FuzzCheck(f *testing.F) {
	f.Add([]byte("c2sp.org/tlog-proof@v1\nindex 0\n\nlog/00\n1\nAAAA\n\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		const key = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k"
		var flaw *receipt.Flaw
		if _, err := receipt.Check(data, key); !errors.As(err, &flaw) || flaw.Part == "" {
			t.Fatalf("%v", err)
		}
		if _, err := receipt.ReadCheckpoint(string(data), key); !errors.As(err, &flaw) || flaw.Part == "" {
			t.Fatalf("%v", err)
		}
	})
}
