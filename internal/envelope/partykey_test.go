package envelope_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// A party's key lies in a file as RFC 8410 lays down, which the standard library reads; nobody else may read it, and it is never overwritten.
func TestPartyKeyFile(t *testing.T) {
	private, err := envelope.NewPartyKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "miner.pem")
	if err := envelope.WritePartyKey(name, private); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(data)
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil || !private.Equal(key) || block.Type != "PRIVATE KEY" {
		t.Errorf("%v, %v", key, err)
	}
	if info, err := os.Stat(name); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if back, err := envelope.ReadPartyKey(name); err != nil || !back.Equal(private) {
		t.Errorf("%v, %v", back, err)
	}
	if err := envelope.WritePartyKey(name, private); !errors.Is(err, fs.ErrExist) {
		t.Errorf("written over: %v", err)
	}
	if err := os.Chmod(name, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := envelope.ReadPartyKey(name); err == nil || !strings.Contains(err.Error(), "found mode 0640, accepted is 0600") {
		t.Errorf("readable by others: %v", err)
	}
}

// What is signed again is the same bytes, private values and all; another key, party or log makes others. The signature is that of RFC 8032 over DSSE's PAE.
func TestSign(t *testing.T) {
	a, b := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{1}, 32)), ed25519.NewKeyFromSeed(bytes.Repeat([]byte{2}, 32))
	events := func() []*opal.Event {
		return []*opal.Event{
			{RequestID: opal.RequestID{15: 1}, Lot: "mine.a", OccurredAt: "2025-01-01", Described: &opal.Described{BodyColour: "white"}, Remark: "found at 11 m"},
			{RequestID: opal.RequestID{15: 2}, Lot: "mine.a", OccurredAt: "2025-01-02", Described: &opal.Described{BodyColour: "grey"}},
		}
	}
	sign := func(log, party string, key ed25519.PrivateKey) *envelope.SignedBatch {
		t.Helper()
		s, err := envelope.Sign(log, party, key, events())
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	one := sign("log", "mine", a)
	if again := sign("log", "mine", a); !bytes.Equal(one.Envelope, again.Envelope) || !bytes.Equal(one.Statements[0], again.Statements[0]) || one.Openings[0][0] != again.Openings[0][0] {
		t.Error("signed again it is something else")
	}
	for name, other := range map[string]*envelope.SignedBatch{"log": sign("other", "mine", a), "party": sign("log", "other", a), "key": sign("log", "mine", b)} {
		if bytes.Equal(other.Envelope, one.Envelope) || name != "log" && bytes.Equal(other.Statements[0], one.Statements[0]) {
			t.Errorf("another %s makes the same", name)
		}
	}
	e, err := envelope.Decode(one.Envelope)
	if err != nil || e.Payload.Party != "mine" || e.Payload.LogName != "log" || len(e.Payload.Statements) != 2 || e.Payload.Statements[1] != sha256.Sum256(one.Statements[1]) {
		t.Fatalf("%+v, %v", e, err)
	}
	if !ed25519.Verify(a.Public().(ed25519.PublicKey), envelope.PAE(envelope.PayloadType, e.PayloadBytes), e.Signatures[0].Sig) {
		t.Error("the standard library does not verify it")
	}
	if bytes.Contains(one.Statements[0], []byte("found at")) || one.Openings[0][0].Value != "found at 11 m" || len(one.Openings[1]) != 0 {
		t.Error("a private value is in the statement, or not in its opening")
	}
	st, err := envelope.DecodeStatement(one.Statements[0])
	if err == nil {
		err = st.Reveal(one.Openings[0])
	}
	if err != nil || st.Event.Remark != "found at 11 m" {
		t.Errorf("%+v, %v", st, err)
	}
	both, err := envelope.Countersign(one.Envelope, b)
	if err != nil {
		t.Fatal(err)
	}
	e2, err := envelope.Decode(both)
	if err != nil || len(e2.Signatures) != 2 || !bytes.Equal(e2.PayloadBytes, e.PayloadBytes) {
		t.Errorf("%+v, %v", e2, err)
	}
	ok, err := e2.Check(func(id string) (ed25519.PublicKey, bool) {
		for _, k := range []ed25519.PrivateKey{a, b} {
			if p := k.Public().(ed25519.PublicKey); envelope.KeyID(p) == id {
				return p, true
			}
		}
		return nil, false
	})
	if err != nil || len(ok) != 2 {
		t.Errorf("%v, %v", ok, err)
	}
	if _, err := envelope.Countersign(both, a); err == nil || !strings.Contains(err.Error(), "accepted is one by each key") {
		t.Errorf("signed twice: %v", err)
	}
	if _, err := envelope.Countersign([]byte("x"), a); err == nil {
		t.Error("no envelope was signed")
	}
}
