package envelope_test

import (
	"bytes"
	"crypto/ed25519"
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

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

var update = flag.Bool("update", false, "write the golden files anew, to be reviewed")

// goldenDir holds the bytes of each format, in hexadecimal under a comment. What is in it must be read for ever.
const goldenDir = "../../testdata/formats"

// golden compares bytes with a golden file.
func golden(t *testing.T, name, what string, got []byte) {
	t.Helper()
	file := filepath.Join(goldenDir, name+".hex")
	if *update {
		var b strings.Builder
		fmt.Fprintf(&b, "# %s\n# %d bytes in hexadecimal\n", what, len(got))
		for line := range slices.Chunk(got, 32) {
			b.WriteString(hex.EncodeToString(line) + "\n")
		}
		if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
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

func TestGoldenStatements(t *testing.T) {
	for _, s := range sampleEvents() {
		t.Run(s.name, func(t *testing.T) {
			if err := opal.Check(&s.ev, 0); err != nil {
				t.Errorf("the sample is not a good event: %v", err)
			}
			sealed, err := envelope.Seal(&s.ev, sampleSalts(&s.ev))
			if err != nil {
				t.Fatal(err)
			}
			golden(t, "statement-"+s.name, "Statement, version 1, of the event "+s.name, sealed.Bytes)
			record, err := envelope.EncodeOpenings(sealed.Openings)
			if err != nil {
				t.Fatal(err)
			}
			// All have the remark and an attachment's name; these have private fields of their own.
			if slices.Contains([]string{"mined", "acquired", "sold", "enrolled", "corrected-mined"}, s.name) {
				golden(t, "openings-"+s.name, "Openings record, version 1, of the statement "+s.name, record)
				record = readGolden(t, "openings-"+s.name)
			}

			// The way back: from the files, the event as it was.
			st, err := envelope.DecodeStatement(readGolden(t, "statement-"+s.name))
			if err != nil {
				t.Fatal(err)
			}
			openings, err := envelope.DecodeOpenings(record)
			if err != nil {
				t.Fatal(err)
			}
			if err := st.Reveal(openings); err != nil {
				t.Fatal(err)
			}
			st.Event.Party = s.ev.Party
			if !reflect.DeepEqual(st.Event, s.ev) {
				t.Errorf("read back\n%+v, was\n%+v", st.Event, s.ev)
			}
		})
	}
}

// Every kind of event has a golden statement, and every field that a statement can hold is set in one of them.
func TestGoldenStatementsSetEveryField(t *testing.T) {
	set := map[string]bool{}
	kinds := map[opal.Kind]bool{}
	for _, s := range sampleEvents() {
		kinds[s.ev.Kind()] = true
		noteSet(reflect.ValueOf(envelope.Statement{Version: 1, Event: s.ev, Commitments: []envelope.Commitment{{Path: "remark", Hash: [32]byte{1}}}}), set)
	}
	for _, k := range opal.AllKinds() {
		if !kinds[k] {
			t.Errorf("no golden statement of kind %s", k)
		}
	}
	for _, f := range fieldTable(reflect.TypeFor[envelope.Statement]()) {
		if !set[f.typ+"."+f.name] {
			t.Errorf("no golden statement sets %s.%s", f.typ, f.name)
		}
	}
}

// noteSet notes the fields that are not zero, as type.field.
func noteSet(v reflect.Value, set map[string]bool) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			noteSet(v.Elem(), set)
		}
	case reflect.Slice:
		for i := range v.Len() {
			noteSet(v.Index(i), set)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if !v.Field(i).IsZero() {
				set[v.Type().String()+"."+v.Type().Field(i).Name] = true
				noteSet(v.Field(i), set)
			}
		}
	}
}

// field is one numbered field of a type.
type field struct {
	typ, name, goType string
	key               uint64
	optional          bool
}

func (f field) String() string {
	s := fmt.Sprintf("%s %d %s %s", f.typ, f.key, f.name, f.goType)
	if f.optional {
		s += " optional"
	}
	return s
}

// fieldTable lists the numbered fields of a struct and of all structs that it holds.
func fieldTable(t reflect.Type) []field {
	var list []field
	seen := map[reflect.Type]bool{}
	var walk func(reflect.Type)
	walk = func(t reflect.Type) {
		switch t.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Array:
			walk(t.Elem())
		case reflect.Struct:
			if seen[t] {
				return
			}
			seen[t] = true
			for i := range t.NumField() {
				tag := t.Field(i).Tag.Get("cbor")
				if tag == "-" {
					continue
				}
				number, rest, _ := strings.Cut(tag, ",")
				key, err := strconv.ParseUint(number, 10, 32)
				if err != nil {
					panic(fmt.Sprintf("%v.%s: %v", t, t.Field(i).Name, err))
				}
				list = append(list, field{t.String(), t.Field(i).Name, t.Field(i).Type.String(), key, strings.HasSuffix(rest, "omitempty")})
				walk(t.Field(i).Type)
			}
		}
	}
	walk(t)
	return list
}

// A field's number is never used again for another field, nor a field's type changed: statements have been signed with it. The file has a line for
// each number that was ever given out. New fields are added to it by -update; a line that stands is changed by nobody, except that the
// word "retired" is put behind it when the field is taken out of the program.
func TestFieldNumbersAreNeverReused(t *testing.T) {
	file := filepath.Join(goldenDir, "fields.txt")
	text, err := os.ReadFile(file)
	if err != nil && !*update {
		t.Fatal(err)
	}
	given := map[string]string{} // type and number → line
	var lines []string
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSuffix(line, "\n")
		lines = append(lines, line)
		if strings.HasPrefix(line, "#") || line == "" {
			continue
		}
		words := strings.Fields(line)
		number := words[0] + " " + words[1]
		if other, twice := given[number]; twice {
			t.Errorf("fields.txt gives %s out twice:\n%s\n%s", number, other, line)
		}
		given[number] = line
	}
	if lines == nil {
		lines = []string{"# Every field number of the signed formats: type, number, field, Go type. Lines are added, never changed or removed;",
			"# a field that is taken out gets the word \"retired\" behind its line, and its number is not used again."}
	}
	inUse := map[string]bool{}
	added := false
	tables := append(fieldTable(reflect.TypeFor[envelope.Statement]()), fieldTable(reflect.TypeFor[envelope.Payload]())...)
	tables = append(tables, fieldTable(reflect.TypeFor[envelope.Signature]())...)
	tables = append(tables, fieldTable(reflect.TypeFor[envelope.Opening]())...)
	tables = append(tables, fieldTable(reflect.TypeFor[opal.Finding]())...)
	for _, f := range tables {
		number := fmt.Sprintf("%s %d", f.typ, f.key)
		inUse[number] = true
		switch line, ok := given[number]; {
		case !ok && *update:
			lines = append(lines, f.String())
			given[number] = f.String()
			added = true
		case !ok:
			t.Errorf("fields.txt has no line for %s; -update adds it", f)
		case line != f.String():
			t.Errorf("the program has\n%s\nfields.txt has\n%s\nA number once given out keeps its meaning: give the field a new one.", f, line)
		}
	}
	for number, line := range given {
		if !inUse[number] && !strings.HasSuffix(line, " retired") {
			t.Errorf("the program has no field for %q: put \"retired\" behind its line", line)
		}
	}
	if added {
		if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// testKeys are keys for golden files and tests: the secret keys of RFC 8032, section 7.1, tests 1 to 3.
func testKeys() *envelope.Keys {
	seed := func(s string) ed25519.PrivateKey {
		b, err := hex.DecodeString(s)
		if err != nil {
			panic(err)
		}
		return ed25519.NewKeyFromSeed(b)
	}
	return &envelope.Keys{
		Admin:      seed("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"),
		Intake:     seed("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"),
		Checkpoint: seed("c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7"),
		SaltSecret: [32]byte(seq(0x40, 32)),
		HandleKey:  [32]byte(seq(0x80, 32)),
	}
}

func samplePayload(t testing.TB) envelope.Payload {
	t.Helper()
	p := envelope.Payload{Version: envelope.PayloadVersion, LogName: "lotpaper.example/opal", Party: "harrow-gully"}
	for _, s := range sampleEvents()[:3] {
		sealed, err := envelope.Seal(&s.ev, sampleSalts(&s.ev))
		if err != nil {
			t.Fatal(err)
		}
		p.Statements = append(p.Statements, sealed.Hash)
	}
	return p
}

func TestGoldenEnvelope(t *testing.T) {
	keys, p := testKeys(), samplePayload(t)
	// Ed25519 signatures are deterministic (RFC 8032, section 5.1.6), so the bytes are the same each time.
	b, err := envelope.Wrap(p, envelope.NewSigner(keys.Intake), envelope.NewSigner(keys.Admin))
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "envelope", "Envelope, version 1, of the statements mined, acquired and acquired-untreated, with two signatures", b)
	e, err := envelope.Decode(readGolden(t, "envelope"))
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(e.Payload, p) {
		t.Errorf("read back %+v, was %+v", e.Payload, p)
	}
	golden(t, "payload", "Payload, version 1, of the envelope", e.PayloadBytes)
}
