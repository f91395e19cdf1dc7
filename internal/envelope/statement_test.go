package envelope_test

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"reflect"
	"strings"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// wantFault checks that err is a refusal with this reason and field, whose message has all the given words.
func wantFault(t *testing.T, err error, reason fault.Reason, field string, words ...string) {
	t.Helper()
	f, ok := fault.As(err)
	if !ok {
		t.Fatalf("%v, wanted is %s", err, reason)
	}
	if f.Reason != reason || f.Field != field {
		t.Errorf("%v, wanted is %s: %s", err, reason, field)
	}
	for _, w := range words {
		if !strings.Contains(f.Message, w) {
			t.Errorf("%q does not name %q", f.Message, w)
		}
	}
}

// mined is an event with private fields, as posted.
func mined() *opal.Event {
	ev := sampleEvents()[0].ev
	return &ev
}

func seal(t testing.TB, ev *opal.Event) *envelope.Sealed {
	t.Helper()
	sealed, err := envelope.Seal(ev, sampleSalts(ev))
	if err != nil {
		t.Fatal(err)
	}
	return sealed
}

func TestSealLeavesTheEventAndHidesWhatIsPrivate(t *testing.T) {
	for _, s := range sampleEvents() {
		before := opal.Clone(&s.ev)
		sealed := seal(t, &s.ev)
		if !reflect.DeepEqual(&s.ev, before) {
			t.Errorf("%s: sealing changed the event", s.name)
		}
		if sealed.Hash != sha256.Sum256(sealed.Bytes) {
			t.Errorf("%s: the hash is not that of the bytes", s.name)
		}
		n := 0
		for _, p := range opal.Private(&s.ev) {
			if *p.Value == "" {
				continue
			}
			if bytes.Contains(sealed.Bytes, []byte(*p.Value)) {
				t.Errorf("%s: the statement tells %s", s.name, p.Path)
			}
			if o := sealed.Openings[n]; o.Path != p.Path || o.Value != *p.Value {
				t.Errorf("%s: opening %d is of %s, wanted is %s", s.name, n, o.Path, p.Path)
			}
			n++
		}
		if n != len(sealed.Openings) {
			t.Errorf("%s: %d openings, wanted are %d", s.name, len(sealed.Openings), n)
		}
		// The party stands in the envelope alone.
		salt := func(string) [16]byte { return [16]byte{7} }
		ours, err := envelope.Seal(before, salt)
		if err != nil {
			t.Fatal(err)
		}
		before.Party = "far-bench"
		if theirs, err := envelope.Seal(before, salt); err != nil || theirs.Hash != ours.Hash {
			t.Errorf("%s: the statement depends on the party (%v)", s.name, err)
		}
	}
}

func TestWithoutPrivateFieldsThereAreNoCommitments(t *testing.T) {
	ev := &opal.Event{RequestID: opal.RequestID{1}, OccurredAt: "2026-03-04", Lot: "harrow-gully.r7", Reopened: &opal.Reopened{Why: opal.BoughtBack}}
	sealed, err := envelope.Seal(ev, func(path string) [16]byte { t.Errorf("asked for the salt of %s", path); return [16]byte{} })
	if err != nil || len(sealed.Openings) != 0 {
		t.Fatalf("%+v, %v", sealed, err)
	}
	st, err := envelope.DecodeStatement(sealed.Bytes)
	if err != nil || st.Commitments != nil || !reflect.DeepEqual(&st.Event, ev) {
		t.Errorf("%+v, %v", st, err)
	}
	_, err = envelope.EncodeOpenings(nil)
	wantFault(t, err, fault.InvalidField, "openings")
}

// The layout that the comments give, put together by hand.
func TestOpeningHash(t *testing.T) {
	o := envelope.Opening{Path: "remark", Salt: [16]byte(seq(0, 16)), Value: strings.Repeat("a long remark ", 30)}
	var b bytes.Buffer
	b.WriteString("lotpaper/opening/v1")
	b.Write([]byte{0, 0, 0, 6})
	b.WriteString("remark")
	b.Write(seq(0, 16))
	b.WriteString(o.Value)
	if got, want := o.Hash(), sha256.Sum256(b.Bytes()); got != want {
		t.Errorf("%x, wanted is %x", got, want)
	}
	for name, other := range map[string]envelope.Opening{
		"path":                {Path: "remarl", Salt: o.Salt, Value: o.Value},
		"salt":                {Path: o.Path, Salt: [16]byte{1}, Value: o.Value},
		"value":               {Path: o.Path, Salt: o.Salt, Value: o.Value + "."},
		"where the path ends": {Path: o.Path + string(o.Salt[:1]), Salt: [16]byte(append(seq(1, 15), o.Value[0])), Value: o.Value[1:]},
	} {
		if other.Hash() == o.Hash() {
			t.Errorf("another %s gives the same commitment", name)
		}
	}
}

func TestSalts(t *testing.T) {
	id := opal.RequestID(seq(0x10, 16))
	salt := envelope.Salts([]byte("secret"), "harrow-gully", id)
	want := func(party, path string) [16]byte {
		mac := hmac.New(sha256.New, []byte("secret"))
		mac.Write(binary.BigEndian.AppendUint32(nil, uint32(len(party))))
		mac.Write([]byte(party))
		mac.Write(id[:])
		mac.Write([]byte(path))
		return [16]byte(mac.Sum(nil)[:16])
	}
	for _, path := range []string{"remark", "mined.origin.region", "remark"} {
		if got := salt(path); got != want("harrow-gully", path) {
			t.Errorf("%s: %x, wanted is %x", path, got, want("harrow-gully", path))
		}
	}
	if salt("remark") == envelope.Salts([]byte("secret"), "harrow-gullx", id)("remark") {
		t.Error("another party has the same salt")
	}
	// A retry through another node that knows the secret makes the same statement.
	if a, b := seal(t, mined()), seal(t, mined()); a.Hash != b.Hash || !reflect.DeepEqual(a, b) {
		t.Error("the same post made another statement")
	}
}

func TestRequestHash(t *testing.T) {
	for _, statement := range [][]byte{nil, []byte("short"), bytes.Repeat([]byte("long"), 1000)} {
		want := sha256.Sum256(append([]byte("lotpaper/request/v1harrow-gully\x00"), statement...))
		if got := envelope.RequestHash("harrow-gully", statement); got != want {
			t.Errorf("%d bytes: %x, wanted is %x", len(statement), got, want)
		}
	}
}

func TestReveal(t *testing.T) {
	sealed := seal(t, mined())
	decode := func() *envelope.Statement {
		t.Helper()
		st, err := envelope.DecodeStatement(sealed.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		return st
	}
	t.Run("some", func(t *testing.T) {
		st := decode()
		if err := st.Reveal(sealed.Openings[2:3]); err != nil {
			t.Fatal(err)
		}
		if o := st.Event.Mined.Origin; o.Deposit != "third bench" || o.Region != "" || st.Event.Remark != "" {
			t.Errorf("%+v", st.Event)
		}
	})
	t.Run("none", func(t *testing.T) {
		st := decode()
		if err := st.Reveal(nil); err != nil || !reflect.DeepEqual(st, decode()) {
			t.Errorf("%+v, %v", st, err)
		}
	})
	for _, tt := range []struct {
		name  string
		spoil func([]envelope.Opening) []envelope.Opening
		field string
	}{
		{"another value", func(o []envelope.Opening) []envelope.Opening { o[3].Value = "L-78"; return o }, "mined.origin.licence"},
		{"another salt", func(o []envelope.Opening) []envelope.Opening { o[3].Salt[0]++; return o }, "mined.origin.licence"},
		{"no value", func(o []envelope.Opening) []envelope.Opening { o[3].Value = ""; return o }, "mined.origin.licence"},
		{"path of another field", func(o []envelope.Opening) []envelope.Opening { o[3].Path = "mined.origin.deposit"; return o }, "mined.origin.deposit"},
		{"path of no field", func(o []envelope.Opening) []envelope.Opening { o[3].Path = "sold.price"; return o }, `"sold.price"`},
		{"twice", func(o []envelope.Opening) []envelope.Opening { return append(o, o[0]) }, "remark"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			st := decode()
			err := st.Reveal(tt.spoil(append([]envelope.Opening(nil), sealed.Openings...)))
			wantFault(t, err, fault.InvalidField, tt.field, "found", "accepted")
			if !reflect.DeepEqual(st, decode()) {
				t.Error("some fields were set")
			}
		})
	}
}

// generalMap reads a format into the maps of a general CBOR library, so that a test can spoil one thing and write the rest as it was.
func generalMap(t *testing.T, b []byte) map[uint64]any {
	t.Helper()
	dec, err := cbor.DecOptions{DefaultMapType: reflect.TypeFor[map[any]any]()}.DecMode()
	if err != nil {
		t.Fatal(err)
	}
	var m map[uint64]any
	if err := dec.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func generalBytes(t *testing.T, m any) []byte {
	t.Helper()
	enc, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		t.Fatal(err)
	}
	b, err := enc.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestGeneralLibraryReadsAndWritesAStatement(t *testing.T) {
	for _, s := range sampleEvents() {
		b := readGolden(t, "statement-"+s.name)
		if again := generalBytes(t, generalMap(t, b)); !bytes.Equal(again, b) {
			t.Errorf("%s: the general library writes\n%x, the file has\n%x", s.name, again, b)
		}
	}
}

func TestStatementsRefused(t *testing.T) {
	good := readGolden(t, "statement-mined")
	spoil := func(f func(m map[uint64]any)) []byte {
		m := generalMap(t, good)
		f(m)
		return generalBytes(t, m)
	}
	event := func(m map[uint64]any) map[any]any { return m[2].(map[any]any) }
	commitments := func(m map[uint64]any) []any { return m[3].([]any) }
	long := mined()
	for len(long.Mined.Material.BodyColour) < envelope.MaxStatement {
		long.Mined.Material.BodyColour += strings.Repeat("white ", 1000)
	}
	for _, tt := range []struct {
		name   string
		b      []byte
		reason fault.Reason
		field  string
		words  []string
	}{
		{"nothing", nil, fault.InvalidField, "", []string{"end of the data"}},
		{"cut off", good[:len(good)-1], fault.InvalidField, "commitments[4].hash", []string{"31 bytes left"}},
		{"a byte more", append(good[:len(good):len(good)], 0), fault.InvalidField, "", []string{"found 1 bytes after the end"}},
		{"too large", make([]byte, envelope.MaxStatement+1), fault.TooLarge, "", []string{"131073", "131072"}},
		{"version 2", spoil(func(m map[uint64]any) { m[1] = 2 }), fault.InvalidField, "version", []string{"found statement version 2, accepted is 1"}},
		{"unknown field", spoil(func(m map[uint64]any) { m[4] = 1 }), fault.InvalidField, "", []string{"unknown field number 4"}},
		{"unknown field in the event", spoil(func(m map[uint64]any) { event(m)[7] = "x" }), fault.InvalidField, "event", []string{"unknown field number 7"}},
		{"unknown kind", spoil(func(m map[uint64]any) { event(m)[42] = map[uint64]any{} }), fault.InvalidField, "event", []string{"unknown field number 42"}},
		{"no request id", spoil(func(m map[uint64]any) { delete(event(m), uint64(1)) }), fault.InvalidField, "requestId", []string{"found nothing"}},
		{"short request id", spoil(func(m map[uint64]any) { event(m)[uint64(1)] = seq(0, 15) }), fault.InvalidField, "requestId", []string{"15 bytes", "16 bytes"}},
		{"empty lot", spoil(func(m map[uint64]any) { event(m)[uint64(2)] = "" }), fault.InvalidField, "lot", []string{"left out"}},
		{"null moisture", spoil(func(m map[uint64]any) { event(m)[uint64(5)] = nil }), fault.InvalidField, "moisture", []string{"0xf6"}},
		{"mass as a number", spoil(func(m map[uint64]any) { event(m)[uint64(10)].(map[any]any)[uint64(5)] = 3.42 }), fault.InvalidField, "mined.mass", []string{"accepted is text"}},
		{"no commitments", spoil(func(m map[uint64]any) { m[3] = []any{} }), fault.InvalidField, "commitments", []string{"left out"}},
		{"a commitment twice", spoil(func(m map[uint64]any) { m[3] = append(commitments(m), commitments(m)[4]) }), fault.InvalidField, "commitments[5].path", []string{`"attachments[0].name"`}},
		{"commitments in another order", spoil(func(m map[uint64]any) { c := commitments(m); c[0], c[1] = c[1], c[0] }), fault.InvalidField, "commitments[1].path", []string{`"remark"`}},
		{"a commitment of another kind's field", spoil(func(m map[uint64]any) { commitments(m)[4].(map[any]any)[uint64(1)] = "sold.price" }), fault.InvalidField, "commitments[4].path", []string{`"sold.price"`}},
		{"a commitment of no attachment", spoil(func(m map[uint64]any) { commitments(m)[4].(map[any]any)[uint64(1)] = "attachments[2].name" }), fault.InvalidField, "commitments[4].path", nil},
		{"a short commitment", spoil(func(m map[uint64]any) { commitments(m)[4].(map[any]any)[uint64(2)] = seq(0, 31) }), fault.InvalidField, "commitments[4].hash", []string{"31 bytes", "32 bytes"}},
		{"text not UTF-8", bytes.Replace(good, []byte("white"), []byte("whit\xff"), 1), fault.InvalidField, "mined.material.bodyColour", []string{"UTF-8"}},
		{"indefinite length", append([]byte{0xbf}, append(good[1:len(good):len(good)], 0xff)...), fault.InvalidField, "", []string{"indefinite"}},
		{"version in two bytes", append([]byte{0xa3, 1, 0x18, 1}, good[3:]...), fault.InvalidField, "version", []string{"shortest"}},
		{"version twice", append([]byte{0xa4, 1, 1, 1, 1}, good[3:]...), fault.InvalidField, "version", []string{"twice"}},
		{"tagged", append([]byte{0xd9, 0xd9, 0xf7}, good...), fault.InvalidField, "", []string{"a tag"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := envelope.DecodeStatement(tt.b)
			wantFault(t, err, tt.reason, tt.field, tt.words...)
		})
	}
	t.Run("too large to seal", func(t *testing.T) {
		_, err := envelope.Seal(long, sampleSalts(long))
		wantFault(t, err, fault.TooLarge, "", "131072")
	})
	t.Run("no encoding", func(t *testing.T) {
		ev := mined()
		ev.Mined.Material.BodyColour = "\xff"
		_, err := envelope.Seal(ev, sampleSalts(ev))
		wantFault(t, err, fault.InvalidField, "mined.material.bodyColour", "UTF-8")
	})
}

// The largest statement that is accepted has exactly 131,072 bytes, as many as the limits say.
func TestLargestStatement(t *testing.T) {
	ev := mined()
	ev.Mined.Material.BodyColour = strings.Repeat("w", 100_000)
	size := len(seal(t, ev).Bytes)
	ev.Mined.Material.BodyColour += strings.Repeat("w", 128*1024-size)
	sealed := seal(t, ev)
	if len(sealed.Bytes) != 128*1024 {
		t.Fatalf("%d bytes", len(sealed.Bytes))
	}
	if _, err := envelope.DecodeStatement(sealed.Bytes); err != nil {
		t.Error(err)
	}
	ev.Mined.Material.BodyColour += "w"
	_, err := envelope.Seal(ev, sampleSalts(ev))
	wantFault(t, err, fault.TooLarge, "", "131073", "131072")
}

func TestOpeningsRefused(t *testing.T) {
	good := readGolden(t, "openings-mined")
	spoil := func(f func(m map[uint64]any, first map[any]any)) []byte {
		m := generalMap(t, good)
		f(m, m[2].([]any)[0].(map[any]any))
		return generalBytes(t, m)
	}
	for _, tt := range []struct {
		name   string
		b      []byte
		reason fault.Reason
		field  string
	}{
		{"nothing", nil, fault.InvalidField, ""},
		{"a byte more", append(good[:len(good):len(good)], 0), fault.InvalidField, ""},
		{"too large", make([]byte, envelope.MaxOpenings+1), fault.TooLarge, ""},
		{"version 2", spoil(func(m map[uint64]any, _ map[any]any) { m[1] = 2 }), fault.InvalidField, "version"},
		{"unknown field", spoil(func(m map[uint64]any, _ map[any]any) { m[3] = 1 }), fault.InvalidField, ""},
		{"none", spoil(func(m map[uint64]any, _ map[any]any) { m[2] = []any{} }), fault.InvalidField, "openings"},
		{"unknown field in one", spoil(func(_ map[uint64]any, o map[any]any) { o[4] = 1 }), fault.InvalidField, "openings[0]"},
		{"short salt", spoil(func(_ map[uint64]any, o map[any]any) { o[uint64(2)] = seq(0, 15) }), fault.InvalidField, "openings[0].salt"},
		{"empty value", spoil(func(_ map[uint64]any, o map[any]any) { o[uint64(3)] = "" }), fault.InvalidField, "openings[0].value"},
		{"value not UTF-8", bytes.Replace(good, []byte("golden"), []byte("golde\xff"), 1), fault.InvalidField, "openings[0].value"},
		{"indefinite length", append([]byte{0xbf}, append(good[1:len(good):len(good)], 0xff)...), fault.InvalidField, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := envelope.DecodeOpenings(tt.b)
			wantFault(t, err, tt.reason, tt.field)
		})
	}
	t.Run("too large to encode", func(t *testing.T) {
		_, err := envelope.EncodeOpenings([]envelope.Opening{{Path: "remark", Value: strings.Repeat("x", envelope.MaxOpenings)}})
		wantFault(t, err, fault.TooLarge, "", "131072")
	})
}

// generalStatement decodes a statement with a general CBOR library under the same rules, and tells whether encoding it again gives the same bytes.
func generalStatement(t testing.TB) func(b []byte) bool {
	t.Helper()
	options := cbor.CoreDetEncOptions()
	options.NilContainers = cbor.NilContainerAsEmpty
	enc, err := options.EncMode()
	if err != nil {
		t.Fatal(err)
	}
	noNull, err := cbor.NewSimpleValueRegistryFromDefaults(cbor.WithRejectedSimpleValue(22), cbor.WithRejectedSimpleValue(23))
	if err != nil {
		t.Fatal(err)
	}
	dec, err := cbor.DecOptions{
		DupMapKey: cbor.DupMapKeyEnforcedAPF, IndefLength: cbor.IndefLengthForbidden, TagsMd: cbor.TagsForbidden,
		ExtraReturnErrors: cbor.ExtraDecErrorUnknownField, NaN: cbor.NaNDecodeForbidden, Inf: cbor.InfDecodeForbidden, SimpleValues: noNull,
	}.DecMode()
	if err != nil {
		t.Fatal(err)
	}
	return func(b []byte) bool {
		var st envelope.Statement
		if err := dec.Unmarshal(b, &st); err != nil {
			return false
		}
		again, err := enc.Marshal(&st)
		return err == nil && bytes.Equal(again, b)
	}
}

func FuzzStatement(f *testing.F) {
	for _, s := range sampleEvents() {
		f.Add(readGolden(f, "statement-"+s.name))
	}
	general := generalStatement(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		st, err := envelope.DecodeStatement(b)
		if err != nil {
			f, ok := fault.As(err)
			if !ok || f.Kind != fault.Invalid {
				t.Fatalf("refused with %v", err)
			}
			// Beyond the encoding, a statement is refused for its version and for commitments to other fields than the event has.
			if general(b) && f.Field != "version" && !(strings.HasPrefix(f.Field, "commitments[") && strings.HasSuffix(f.Field, "].path")) {
				t.Fatalf("%x: refused with %v, but it is encoded as it must be", b, err)
			}
			return
		}
		if !general(b) {
			t.Fatalf("%x: accepted, but a general library refuses it or encodes it otherwise", b)
		}
		again, err := st.Encode()
		if err != nil || !bytes.Equal(again, b) {
			t.Fatalf("%x: encoded again %x, %v", b, again, err)
		}
		// What can be read can be sealed anew: the same event without private fields, so without commitments.
		st.Commitments = nil
		bare, err := st.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if sealed, err := envelope.Seal(&st.Event, sampleSalts(&st.Event)); err != nil || !bytes.Equal(sealed.Bytes, bare) {
			t.Fatalf("%x: sealed anew %v", b, err)
		}
	})
}

func FuzzOpenings(f *testing.F) {
	for _, name := range []string{"mined", "sold", "enrolled"} {
		f.Add(readGolden(f, "openings-"+name))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		openings, err := envelope.DecodeOpenings(b)
		if err != nil {
			return
		}
		if again, err := envelope.EncodeOpenings(openings); err != nil || !bytes.Equal(again, b) {
			t.Fatalf("%x: encoded again %x, %v", b, again, err)
		}
	})
}
