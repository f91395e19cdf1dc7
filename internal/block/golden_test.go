package block_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

var update = flag.Bool("update", false, "write the golden files anew, to be reviewed")

// goldenDir holds the bytes of each format, in hexadecimal under a comment. What is in it must be read for ever.
const goldenDir = "../../testdata/formats"

// golden compares bytes with a golden file.
func golden(t *testing.T, name, what string, got []byte) {
	t.Helper()
	if *update {
		var b strings.Builder
		fmt.Fprintf(&b, "# %s\n# %d bytes in hexadecimal\n", what, len(got))
		for line := range slices.Chunk(got, 32) {
			b.WriteString(hex.EncodeToString(line) + "\n")
		}
		if err := os.WriteFile(filepath.Join(goldenDir, name+".hex"), []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want := readGolden(t, name); !bytes.Equal(got, want) {
		t.Errorf("%s: made\n%x\nthe file has\n%x", name, got, want)
	}
}

func readGolden(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(goldenDir, name+".hex"))
	if err != nil {
		t.Fatal(err)
	}
	var digits strings.Builder
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "#") {
			digits.WriteString(strings.TrimSpace(line))
		}
	}
	b, err := hex.DecodeString(digits.String())
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return b
}

// seq is n bytes that count up from first.
func seq(first byte, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = first + byte(i)
	}
	return b
}

const logName = "lotpaper.example/opal"

// wrap signs statements of a party with the secret key of RFC 8032, section 7.1, test 2.
func wrap(t testing.TB, party string, statements ...[]byte) []byte {
	t.Helper()
	seed, err := hex.DecodeString("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
	if err != nil {
		t.Fatal(err)
	}
	p := envelope.Payload{Version: envelope.PayloadVersion, LogName: logName, Party: party}
	for _, s := range statements {
		p.Statements = append(p.Statements, sha256.Sum256(s))
	}
	b, err := envelope.Wrap(p, envelope.NewSigner(ed25519.NewKeyFromSeed(seed)))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sample is a block of four events from two envelopes; one statement of the first envelope is not in it.
func sample(t testing.TB) *block.Block {
	t.Helper()
	mined, split, tested, sold, treated := readGolden(t, "statement-mined"), readGolden(t, "statement-split"), readGolden(t, "statement-tested"),
		readGolden(t, "statement-sold"), readGolden(t, "statement-treated")
	return &block.Block{
		Format: block.Format, LeastReader: 1, Epoch: [16]byte(seq(0xe0, 16)), LogName: logName, First: 41, Prev: [32]byte(seq(0x20, 32)), Root: [32]byte(seq(0x60, 32)),
		RecordedAt: 1_772_610_000_123_456, PolicyVersion: 1, Sequencer: "node-a",
		Envelopes: [][]byte{wrap(t, "harrow-gully", mined, split, tested, sold), wrap(t, "far-bench", treated)},
		Events: []block.Entry{
			{Envelope: 0, Index: 0, Statement: mined},
			{Envelope: 1, Index: 0, Statement: treated, Findings: []opal.Finding{
				{Code: opal.FindReportedLate, Lot: "harrow-gully.r7", DelaySeconds: 86_400},
				{Code: opal.FindUnexplainedLoss, Lot: "harrow-gully.r7", Micrograms: -18_000, PartsPerMillion: 4_500, Pieces: 2, DelaySeconds: 1, Note: "a note"},
			}},
			{Envelope: 0, Index: 1, Statement: split},
			{Envelope: 0, Index: 3, Statement: sold, Outcome: []byte{1, 2, 3}},
		},
	}
}

func TestGoldenBlock(t *testing.T) {
	b := sample(t)
	data, err := b.Encode()
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "block", "Block, format 1: four events from two envelopes, with findings and an outcome", data)
	back, err := block.Decode(readGolden(t, "block"))
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back, b) {
		t.Errorf("read back\n%+v, was\n%+v", back, b)
	}
	if block.Hash(data) != sha256.Sum256(data) {
		t.Error("the hash is not that of all the bytes")
	}
	golden(t, "leaf", "Leaf of the block's second event, which has findings", b.Leaf(1, b.EnvelopeHashes()).Append(nil))
	golden(t, "leaf-plain", "Leaf of the block's third event, which has neither findings nor an outcome", b.Leaf(2, b.EnvelopeHashes()).Append(nil))
}

// computed fills every field of what is computed from a measurement.
func computed() *opal.Computed {
	u := 0.004
	return &opal.Computed{
		Algorithm: "uptake/1", Outcome: "STRONG", Also: []opal.Outcome{"LOST_MASS"},
		Figures: []opal.Figure{{Name: "saturation", Value: 0.0712, Uncertainty: &u, Unit: "g/g"}, {Name: "readings", Value: 6}},
		Says:    []string{"The stone drinks."}, Silent: []string{"It does not say that the stone was never dyed."}, Cautions: []string{"Let it dry slowly."},
		Peaks: []opal.Peak{{Position: 4520.5, Height: 0.25, Width: 180, Prominence: 0.2, Area: 36.5}, {Position: 5240, Height: 1}},
	}
}

func TestGoldenOutcome(t *testing.T) {
	data, err := block.EncodeOutcome(computed())
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "outcome", "Outcome computed from a measurement", data)
	back, err := block.DecodeOutcome(readGolden(t, "outcome"))
	if err != nil || !reflect.DeepEqual(back, computed()) {
		t.Errorf("read back\n%+v, %v, was\n%+v", back, err, computed())
	}
	for i := range data {
		if _, err := block.DecodeOutcome(data[:i]); err == nil {
			t.Errorf("the first %d bytes are read", i)
		}
	}
	long := computed()
	for len(long.Peaks) < 2000 {
		long.Peaks = append(long.Peaks, opal.Peak{Position: 1234.5678, Height: 0.123456789, Width: 1.00001})
	}
	if _, err := block.EncodeOutcome(long); err == nil || !strings.Contains(err.Error(), "at most 16384") {
		t.Errorf("a long one: %v", err)
	}
}

// A field's number is never used again for another field. fields.txt is kept together with the one test of internal/envelope; the block's own
// lines are few and stand here.
func TestFieldNumbers(t *testing.T) {
	want := map[string][]string{
		"Block": {"1 Format uint64", "2 LeastReader uint64", "3 Epoch [16]uint8", "4 LogName string", "5 First uint64", "6 Prev [32]uint8", "7 Root [32]uint8",
			"8 RecordedAt opal.Instant", "9 PolicyVersion uint64", "10 Sequencer string", "11 Envelopes [][]uint8", "12 Events []block.Entry"},
		"Computed": {"1 Algorithm string", "2 Outcome opal.Outcome", "3 Also []opal.Outcome", "4 Figures []opal.Figure", "5 Says []string", "6 Silent []string",
			"7 Cautions []string", "8 Peaks []opal.Peak"},
		"Figure": {"1 Name string", "2 Value float64", "3 Uncertainty *float64", "4 Unit string"},
		"Peak":   {"1 Position float64", "2 Height float64", "3 Width float64", "4 Prominence float64", "5 Area float64"},
		"Entry":  {"1 Envelope uint32", "2 Index uint32", "3 Statement []uint8", "4 Findings []opal.Finding", "5 Outcome []uint8"},
	}
	for _, typ := range []reflect.Type{reflect.TypeFor[block.Block](), reflect.TypeFor[block.Entry](), reflect.TypeFor[opal.Computed](),
		reflect.TypeFor[opal.Figure](), reflect.TypeFor[opal.Peak]()} {
		var got []string
		for i := range typ.NumField() {
			number, _, _ := strings.Cut(typ.Field(i).Tag.Get("cbor"), ",")
			if _, err := strconv.Atoi(number); err != nil {
				t.Errorf("%v.%s has no number", typ, typ.Field(i).Name)
			}
			got = append(got, number+" "+typ.Field(i).Name+" "+typ.Field(i).Type.String())
		}
		if !reflect.DeepEqual(got, want[typ.Name()]) {
			t.Errorf("%v has\n%q, given out were\n%q", typ, got, want[typ.Name()])
		}
	}
}
