package envelope_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"strconv"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// typical are events as most of them are: `mined` with its private origin, `tested` and `received` without anything private.
func typical() []sampleEvent {
	ptr := func(n int64) *int64 { return &n }
	common := opal.Event{RequestID: opal.RequestID(seq(1, 16)), Party: "harrow-gully", Lot: "harrow-gully.r7", OccurredAt: "2026-03-04T10:20:00Z"}
	m, t, r := common, common, common
	m.Moisture = opal.Room
	m.Mined = &opal.Mined{
		Origin:   opal.Origin{Country: "ET", Region: "the northern plateau", Deposit: "third bench"},
		Material: opal.Material{Kind: opal.Hydrophane, Look: opal.Translucent}, Pieces: ptr(400), Mass: "1.250 kg",
	}
	t.Tested = &opal.Tested{
		Method: opal.Microscope, Sample: opal.Sample{Kind: opal.Whole, Tested: ptr(1)}, Outcome: opal.NothingSeen,
		LookedFor: []opal.Treatment{opal.Dye, opal.Smoke}, Conditions: map[string]string{"magnification": "40", "light": "fibre"}, Instrument: "stereo microscope",
	}
	r.Received = &opal.Received{Pieces: ptr(30), Mass: "41.17 ct"}
	return []sampleEvent{{"mined", m}, {"tested", t}, {"received", r}}
}

func BenchmarkStatement(b *testing.B) {
	secret := seq(7, 32)
	for _, s := range typical() {
		sealed := seal(b, &s.ev)
		b.Run("seal/"+s.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := envelope.Seal(&s.ev, envelope.Salts(secret, s.ev.Party, s.ev.RequestID)); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(sealed.Bytes)), "bytes")
		})
		b.Run("decode/"+s.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := envelope.DecodeStatement(sealed.Bytes); err != nil {
					b.Fatal(err)
				}
			}
		})
		// What decoding would take without internal/canon: a general codec, encoding again, comparing.
		b.Run("decode generally/"+s.name, func(b *testing.B) {
			enc, err := cbor.CoreDetEncOptions().EncMode()
			if err != nil {
				b.Fatal(err)
			}
			dec, err := cbor.DecOptions{DupMapKey: cbor.DupMapKeyEnforcedAPF, ExtraReturnErrors: cbor.ExtraDecErrorUnknownField}.DecMode()
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				var st envelope.Statement
				if err := dec.Unmarshal(sealed.Bytes, &st); err != nil {
					b.Fatal(err)
				}
				if again, err := enc.Marshal(&st); err != nil || !bytes.Equal(again, sealed.Bytes) {
					b.Fatal(err)
				}
			}
		})
		b.Run("reveal/"+s.name, func(b *testing.B) {
			st, err := envelope.DecodeStatement(sealed.Bytes)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if err := st.Reveal(sealed.Openings); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run("request hash/"+s.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				envelope.RequestHash(s.ev.Party, sealed.Bytes)
			}
		})
	}
}

// BenchmarkEd25519 is the yardstick: what one verification and one signature take on the machine as it is now.
func BenchmarkEd25519(b *testing.B) {
	private := testKeys().Intake
	public, message := private.Public().(ed25519.PublicKey), seq(0, 200)
	sig := ed25519.Sign(private, message)
	b.Run("sign", func(b *testing.B) {
		for b.Loop() {
			ed25519.Sign(private, message)
		}
	})
	b.Run("verify", func(b *testing.B) {
		for b.Loop() {
			if !ed25519.Verify(public, message, sig) {
				b.Fatal("does not verify")
			}
		}
	})
}

func BenchmarkEnvelope(b *testing.B) {
	keys := testKeys()
	signer, known := envelope.NewSigner(keys.Intake), lookup(keys.Intake)
	for _, n := range []int{1, 16, 1000} {
		p := envelope.Payload{Version: envelope.PayloadVersion, LogName: "lotpaper.example/opal", Party: "harrow-gully"}
		for i := range n {
			p.Statements = append(p.Statements, sha256.Sum256([]byte(strconv.Itoa(i))))
		}
		wrapped, err := envelope.Wrap(p, signer)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("wrap/%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := envelope.Wrap(p, signer); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("decode/%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := envelope.Decode(wrapped); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("decode and check/%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				e, err := envelope.Decode(wrapped)
				if err != nil {
					b.Fatal(err)
				}
				if ok, err := e.Check(known); err != nil || len(ok) != 1 {
					b.Fatal(ok, err)
				}
			}
		})
	}
}
