package envelope_test

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"math/big"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/secure-systems-lab/go-securesystemslib/dsse"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// Source: the DSSE v1 protocol document (secure-systems-lab/dsse, "Test Vectors"): PAE and an ECDSA P-256 signature over it.
func TestPAEOfTheProtocolDocument(t *testing.T) {
	pae := envelope.PAE("http://example.com/HelloWorld", []byte("hello world"))
	if want := "DSSEv1 29 http://example.com/HelloWorld 11 hello world"; string(pae) != want {
		t.Errorf("%q, wanted is %q", pae, want)
	}
	number := func(s string) *big.Int {
		n, ok := new(big.Int).SetString(s, 10)
		if !ok {
			t.Fatalf("%q is no number", s)
		}
		return n
	}
	point := []byte{4} // uncompressed: X and Y follow
	point = append(point, number("46950820868899156662930047687818585632848591499744589407958293238635476079160").FillBytes(make([]byte, 32))...)
	point = append(point, number("5640078356564379163099075877009565129882514886557779369047442380624545832820").FillBytes(make([]byte, 32))...)
	key, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), point)
	if err != nil {
		t.Fatal(err)
	}
	sig, err := base64.StdEncoding.DecodeString("A3JqsQGtVsJ2O2xqrI5IcnXip5GToJ3F+FnZ+O88SjtR6rDAajabZKciJTfUiHqJPcIAriEGAHTVeCUjW2JIZA==")
	if err != nil {
		t.Fatal(err)
	}
	digest := sha256.Sum256(pae)
	if !ecdsa.Verify(key, digest[:], new(big.Int).SetBytes(sig[:32]), new(big.Int).SetBytes(sig[32:])) {
		t.Error("the published signature does not verify over our PAE")
	}
}

func TestPAEAsTheLibraryHasIt(t *testing.T) {
	for _, tt := range []struct{ typ, payload string }{{"", ""}, {"a", strings.Repeat("x", 1000)}, {envelope.PayloadType, "ಠ\x00\xff"}} {
		if got, want := envelope.PAE(tt.typ, []byte(tt.payload)), dsse.PAE(tt.typ, []byte(tt.payload)); !bytes.Equal(got, want) {
			t.Errorf("%q, the library has %q", got, want)
		}
	}
}

// dsseKey is an Ed25519 key as the published DSSE library wants it.
type dsseKey struct{ private ed25519.PrivateKey }

func (k dsseKey) Sign(_ context.Context, data []byte) ([]byte, error) {
	return ed25519.Sign(k.private, data), nil
}

func (k dsseKey) Verify(_ context.Context, data, sig []byte) error {
	if !ed25519.Verify(k.private.Public().(ed25519.PublicKey), data, sig) {
		return errors.New("does not verify")
	}
	return nil
}

func (k dsseKey) KeyID() (string, error) {
	return envelope.KeyID(k.private.Public().(ed25519.PublicKey)), nil
}
func (k dsseKey) Public() crypto.PublicKey { return k.private.Public() }

// Source: github.com/secure-systems-lab/go-securesystemslib/dsse. It verifies our signatures, and we verify its.
func TestDSSELibraryBothWays(t *testing.T) {
	keys, p := testKeys(), samplePayload(t)
	b, err := envelope.Wrap(p, envelope.NewSigner(keys.Intake), envelope.NewSigner(keys.Admin))
	if err != nil {
		t.Fatal(err)
	}
	e, err := envelope.Decode(b)
	if err != nil {
		t.Fatal(err)
	}

	ours := &dsse.Envelope{PayloadType: envelope.PayloadType, Payload: base64.StdEncoding.EncodeToString(e.PayloadBytes)}
	for _, s := range e.Signatures {
		ours.Signatures = append(ours.Signatures, dsse.Signature{KeyID: s.KeyID, Sig: base64.StdEncoding.EncodeToString(s.Sig)})
	}
	verifier, err := dsse.NewMultiEnvelopeVerifier(2, dsseKey{keys.Intake}, dsseKey{keys.Admin})
	if err != nil {
		t.Fatal(err)
	}
	if accepted, err := verifier.Verify(t.Context(), ours); err != nil || len(accepted) != 2 {
		t.Errorf("the library accepts %v, %v", accepted, err)
	}

	signer, err := dsse.NewEnvelopeSigner(dsseKey{keys.Admin})
	if err != nil {
		t.Fatal(err)
	}
	theirs, err := signer.SignPayload(t.Context(), envelope.PayloadType, e.PayloadBytes)
	if err != nil {
		t.Fatal(err)
	}
	sig, err := base64.StdEncoding.DecodeString(theirs.Signatures[0].Sig)
	if err != nil {
		t.Fatal(err)
	}
	e.Signatures = []envelope.Signature{{KeyID: theirs.Signatures[0].KeyID, Sig: sig}}
	ok, err := e.Check(lookup(keys.Admin))
	if err != nil || !reflect.DeepEqual(ok, []string{theirs.Signatures[0].KeyID}) {
		t.Errorf("%v, %v", ok, err)
	}
}

// lookup knows the public halves of these keys.
func lookup(keys ...ed25519.PrivateKey) func(string) (ed25519.PublicKey, bool) {
	return func(id string) (ed25519.PublicKey, bool) {
		for _, k := range keys {
			if pub := k.Public().(ed25519.PublicKey); envelope.KeyID(pub) == id {
				return pub, true
			}
		}
		return nil, false
	}
}

// Source: RFC 8032, section 7.1, tests 1 to 3 and SHA(abc).
func TestEd25519Vectors(t *testing.T) {
	for _, tt := range []struct{ name, secret, public, message, signature string }{
		{"test 1",
			"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
			"d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
			"",
			"e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"},
		{"test 2",
			"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
			"3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
			"72",
			"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"},
		{"test 3",
			"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
			"fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
			"af82",
			"6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"},
		{"test SHA(abc)",
			"833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
			"ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
			"ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
			"dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			unhex := func(s string) []byte {
				b, err := hex.DecodeString(s)
				if err != nil {
					t.Fatal(err)
				}
				return b
			}
			s := envelope.NewSigner(ed25519.NewKeyFromSeed(unhex(tt.secret)))
			if public := envelope.PublicKey(s.Private); !bytes.Equal(public[:], unhex(tt.public)) {
				t.Errorf("public key %x", public)
			}
			if sig := ed25519.Sign(s.Private, unhex(tt.message)); !bytes.Equal(sig, unhex(tt.signature)) {
				t.Errorf("signature %x", sig)
			}
			sum := sha256.Sum256(unhex(tt.public))
			if s.KeyID != hex.EncodeToString(sum[:])[:16] {
				t.Errorf("key id %s", s.KeyID)
			}
		})
	}
}

func TestCheck(t *testing.T) {
	keys := testKeys()
	admin, intake := envelope.NewSigner(keys.Admin), envelope.NewSigner(keys.Intake)
	both := []string{admin.KeyID, intake.KeyID}
	slices.Sort(both)
	b, err := envelope.Wrap(samplePayload(t), admin, intake)
	if err != nil {
		t.Fatal(err)
	}
	decode := func() *envelope.Envelope {
		t.Helper()
		e, err := envelope.Decode(bytes.Clone(b))
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	for _, tt := range []struct {
		name  string
		known []ed25519.PrivateKey
		want  []string
	}{
		{"both known", []ed25519.PrivateKey{keys.Admin, keys.Intake}, both},
		{"one known", []ed25519.PrivateKey{keys.Intake}, []string{intake.KeyID}},
		{"none known", []ed25519.PrivateKey{keys.Checkpoint}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if ok, err := decode().Check(lookup(tt.known...)); err != nil || !reflect.DeepEqual(ok, tt.want) {
				t.Errorf("%v, %v", ok, err)
			}
		})
	}
	t.Run("every flipped bit of the payload", func(t *testing.T) {
		e := decode()
		for i := range e.PayloadBytes {
			e.PayloadBytes[i] ^= 1 << (i % 8)
			_, err := e.Check(lookup(keys.Admin))
			wantFault(t, err, fault.BadSignature, "signatures["+map[bool]string{true: "0", false: "1"}[both[0] == admin.KeyID]+"].sig", admin.KeyID)
			e.PayloadBytes[i] ^= 1 << (i % 8)
		}
	})
	t.Run("one good and one bad", func(t *testing.T) {
		e := decode()
		e.Signatures[1].Sig[5] ^= 1
		ok, err := e.Check(lookup(keys.Admin, keys.Intake))
		wantFault(t, err, fault.BadSignature, "signatures[1].sig")
		if ok != nil {
			t.Errorf("answered %v with it", ok)
		}
	})
	t.Run("a key of another length", func(t *testing.T) {
		_, err := decode().Check(func(string) (ed25519.PublicKey, bool) { return make([]byte, 31), true })
		wantFault(t, err, fault.BadSignature, "signatures[0].sig")
	})
	t.Run("signed as another type", func(t *testing.T) {
		e := decode()
		e.Signatures = []envelope.Signature{{KeyID: admin.KeyID, Sig: ed25519.Sign(keys.Admin, envelope.PAE("application/json", e.PayloadBytes))}}
		_, err := e.Check(lookup(keys.Admin))
		wantFault(t, err, fault.BadSignature, "signatures[0].sig")
	})
}

func TestWrapRefuses(t *testing.T) {
	signer := envelope.NewSigner(testKeys().Intake)
	many := make([]envelope.Signer, 17)
	for i := range many {
		many[i] = envelope.NewSigner(ed25519.NewKeyFromSeed(seq(byte(i), 32)))
	}
	for _, tt := range []struct {
		name    string
		spoil   func(*envelope.Payload)
		signers []envelope.Signer
		reason  fault.Reason
		field   string
		words   []string
	}{
		{"no statement", func(p *envelope.Payload) { p.Statements = nil }, many[:1], fault.InvalidField, "statements", []string{"1 to 1000"}},
		{"1,001 statements", func(p *envelope.Payload) { p.Statements = make([][32]byte, 1001) }, many[:1], fault.TooLarge, "statements", []string{"found 1001", "1 to 1000"}},
		{"version 2", func(p *envelope.Payload) { p.Version = 2 }, many[:1], fault.InvalidField, "version", nil},
		{"no log", func(p *envelope.Payload) { p.LogName = "" }, many[:1], fault.InvalidField, "logName", nil},
		{"log with a space", func(p *envelope.Payload) { p.LogName = "a b" }, many[:1], fault.InvalidField, "logName", nil},
		{"no party", func(p *envelope.Payload) { p.Party = "" }, many[:1], fault.InvalidField, "party", nil},
		{"outside", func(p *envelope.Payload) { p.Party = "outside" }, many[:1], fault.InvalidField, "party", nil},
		{"no signer", nil, nil, fault.InvalidField, "signatures", []string{"1 to 16"}},
		{"17 signers", nil, many, fault.TooLarge, "signatures", []string{"found 17", "1 to 16"}},
		{"the same signer twice", nil, []envelope.Signer{signer, signer}, fault.InvalidField, "signatures[1].keyId", []string{signer.KeyID}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := samplePayload(t)
			if tt.spoil != nil {
				tt.spoil(&p)
			}
			_, err := envelope.Wrap(p, tt.signers...)
			wantFault(t, err, tt.reason, tt.field, tt.words...)
		})
	}
	t.Run("a signer with another key's id", func(t *testing.T) {
		if _, err := envelope.Wrap(samplePayload(t), envelope.Signer{KeyID: many[0].KeyID, Private: many[1].Private}); err == nil {
			t.Error("accepted")
		}
	})
	t.Run("the largest", func(t *testing.T) {
		p := envelope.Payload{Version: 1, LogName: strings.Repeat("l", 128), Party: strings.Repeat("p", 32), Statements: make([][32]byte, envelope.MaxStatements)}
		b, err := envelope.Wrap(p, many[:envelope.MaxSignatures]...)
		if err != nil {
			t.Fatal(err)
		}
		e, err := envelope.Decode(b)
		if err != nil || len(b) > 36_500 {
			t.Fatalf("%d bytes, %v", len(b), err)
		}
		known := make([]ed25519.PrivateKey, len(many))
		for i := range many {
			known[i] = many[i].Private
		}
		if ok, err := e.Check(lookup(known...)); err != nil || len(ok) != envelope.MaxSignatures {
			t.Errorf("%v, %v", ok, err)
		}
	})
	t.Run("the admin", func(t *testing.T) {
		p := samplePayload(t)
		p.Party = "admin"
		if _, err := envelope.Wrap(p, signer); err != nil {
			t.Error(err)
		}
	})
}

func TestEnvelopesRefused(t *testing.T) {
	good := readGolden(t, "envelope")
	spoil := func(f func(m map[uint64]any)) []byte {
		m := generalMap(t, good)
		f(m)
		return generalBytes(t, m)
	}
	signatures := func(m map[uint64]any) []any { return m[3].([]any) }
	payload := func(f func(p map[uint64]any)) []byte {
		return spoil(func(m map[uint64]any) {
			p := generalMap(t, m[2].([]byte))
			f(p)
			m[2] = generalBytes(t, p)
		})
	}
	for _, tt := range []struct {
		name   string
		b      []byte
		reason fault.Reason
		field  string
		words  []string
	}{
		{"nothing", nil, fault.InvalidField, "", nil},
		{"cut off", good[:len(good)-1], fault.InvalidField, "signatures[1].sig", nil},
		{"a byte more", append(good[:len(good):len(good)], 0), fault.InvalidField, "", []string{"after the end"}},
		{"too large", make([]byte, envelope.MaxEnvelope+1), fault.TooLarge, "", []string{"49153", "49152"}},
		{"unknown field", spoil(func(m map[uint64]any) { m[4] = 1 }), fault.InvalidField, "", []string{"unknown field number 4"}},
		{"no type", spoil(func(m map[uint64]any) { delete(m, 1) }), fault.InvalidField, "payloadType", nil},
		{"another type", spoil(func(m map[uint64]any) { m[1] = "application/json" }), fault.InvalidField, "payloadType", []string{`"application/json"`, envelope.PayloadType}},
		{"no signatures", spoil(func(m map[uint64]any) { m[3] = []any{} }), fault.InvalidField, "signatures", nil},
		{"17 signatures", spoil(func(m map[uint64]any) { m[3] = slices.Repeat(signatures(m)[:1], 17) }), fault.TooLarge, "signatures", []string{"17", "16"}},
		{"a signature twice", spoil(func(m map[uint64]any) { m[3] = append(signatures(m), signatures(m)[1]) }), fault.InvalidField, "signatures[2].keyId", nil},
		{"signatures in another order", spoil(func(m map[uint64]any) { slices.Reverse(signatures(m)) }), fault.InvalidField, "signatures[1].keyId", nil},
		{"key id in capitals", spoil(func(m map[uint64]any) { signatures(m)[0].(map[any]any)[uint64(1)] = "ABCDEF0123456789" }), fault.InvalidField, "signatures[0].keyId", nil},
		{"short key id", spoil(func(m map[uint64]any) { signatures(m)[0].(map[any]any)[uint64(1)] = "abcdef" }), fault.InvalidField, "signatures[0].keyId", nil},
		{"short signature", spoil(func(m map[uint64]any) { signatures(m)[1].(map[any]any)[uint64(2)] = seq(0, 63) }), fault.InvalidField, "signatures[1].sig", []string{"63", "64"}},
		{"payload is not one", spoil(func(m map[uint64]any) { m[2] = []byte("{}") }), fault.InvalidField, "payload", nil},
		{"a byte after the payload", spoil(func(m map[uint64]any) { m[2] = append(m[2].([]byte), 0) }), fault.InvalidField, "payload", nil},
		{"payload version 2", payload(func(p map[uint64]any) { p[1] = 2 }), fault.InvalidField, "payload.version", nil},
		{"unknown field in the payload", payload(func(p map[uint64]any) { p[5] = 2 }), fault.InvalidField, "payload", []string{"unknown field number 5"}},
		{"bad log name", payload(func(p map[uint64]any) { p[2] = "a+b" }), fault.InvalidField, "payload.logName", nil},
		{"bad party", payload(func(p map[uint64]any) { p[3] = "Harrow" }), fault.InvalidField, "payload.party", nil},
		{"no statement", payload(func(p map[uint64]any) { p[4] = []any{} }), fault.InvalidField, "payload.statements", nil},
		{"1,001 statements", payload(func(p map[uint64]any) { p[4] = slices.Repeat([]any{seq(0, 32)}, 1001) }), fault.TooLarge, "payload.statements", []string{"1001", "1000"}},
		{"short hash", payload(func(p map[uint64]any) { p[4] = []any{seq(0, 31), seq(0, 33)} }), fault.InvalidField, "payload.statements[0]", nil},
		{"indefinite length", append([]byte{0xbf}, append(good[1:len(good):len(good)], 0xff)...), fault.InvalidField, "", nil},
		{"type twice", append([]byte{0xa4}, append(good[1:45:45], good[1:]...)...), fault.InvalidField, "payloadType", []string{"twice"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := envelope.Decode(tt.b)
			wantFault(t, err, tt.reason, tt.field, tt.words...)
		})
	}
}

func FuzzEnvelope(f *testing.F) {
	f.Add(readGolden(f, "envelope"))
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := envelope.Decode(b)
		if err != nil {
			if f, ok := fault.As(err); !ok || f.Kind != fault.Invalid {
				t.Fatalf("refused with %v", err)
			}
			return
		}
		if again, err := e.Encode(); err != nil || !bytes.Equal(again, b) {
			t.Fatalf("%x: encoded again %x, %v", b, again, err)
		}
		// Its payload, too, has one encoding: whoever wraps the same payload signs the same bytes.
		s := envelope.NewSigner(ed25519.NewKeyFromSeed(make([]byte, 32)))
		wrapped, err := envelope.Wrap(e.Payload, s)
		if err != nil {
			t.Fatal(err)
		}
		if w, err := envelope.Decode(wrapped); err != nil || !bytes.Equal(w.PayloadBytes, e.PayloadBytes) {
			t.Fatalf("%x: the payload wrapped again is %x, %v", b, wrapped, err)
		}
	})
}
