package canon_test

import (
	"bytes"
	"encoding/hex"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// everything has a field of each kind that a codec knows.
type everything struct {
	Count  uint64            `cbor:"1,keyasint"`
	Small  int8              `cbor:"2,keyasint,omitempty"`
	Text   string            `cbor:"3,keyasint,omitempty"`
	Fixed  [2]byte           `cbor:"4,keyasint"`
	Bytes  []byte            `cbor:"5,keyasint,omitempty"`
	List   []inner           `cbor:"6,keyasint"`
	Must   *inner            `cbor:"7,keyasint"`
	May    *inner            `cbor:"8,keyasint,omitempty"`
	Yes    bool              `cbor:"9,keyasint,omitempty"`
	Number float64           `cbor:"10,keyasint"`
	Map    map[string]string `cbor:"11,keyasint,omitempty"`
	Narrow uint16            `cbor:"23,keyasint,omitempty"`
	Wide   int64             `cbor:"24,keyasint"`
	Parts  [][]byte          `cbor:"25,keyasint,omitempty"`
	KeyIDs [][2]byte         `cbor:"26,keyasint,omitempty"`
	Hidden string            `cbor:"-"`
	SHA256 word              `cbor:"300,keyasint,omitempty"`
}

// word is a text with a type of its own, as the vocabulary has many.
type word string

type inner struct {
	A *int64    `cbor:"1,keyasint,omitempty"`
	B []float64 `cbor:"2,keyasint,omitempty"`
}

func sample() *everything {
	five := int64(5)
	return &everything{
		Count: 1000, Small: -100, Text: "水", Fixed: [2]byte{1, 2}, Bytes: []byte{3}, List: []inner{{}, {A: &five, B: []float64{1.5, -4.1}}},
		Must: &inner{}, May: &inner{A: &five}, Yes: true, Number: 1.1, Map: map[string]string{"b": "1", "a": "2", "aa": "3", "": "4"},
		Narrow: 65535, Wide: math.MinInt64, Parts: [][]byte{{1}, {}}, KeyIDs: [][2]byte{{9, 9}}, SHA256: "OPAQUE",
	}
}

// general is the published general-purpose codec, set to the same rules: RFC 8949, section 4.2.1, and no null.
type general struct {
	enc cbor.EncMode
	dec cbor.DecMode
}

func newGeneral(t testing.TB) general {
	t.Helper()
	encOpts := cbor.CoreDetEncOptions()
	encOpts.NilContainers = cbor.NilContainerAsEmpty
	enc, err := encOpts.EncMode()
	if err != nil {
		t.Fatal(err)
	}
	noNull, err := cbor.NewSimpleValueRegistryFromDefaults(cbor.WithRejectedSimpleValue(22), cbor.WithRejectedSimpleValue(23))
	if err != nil {
		t.Fatal(err)
	}
	dec, err := cbor.DecOptions{
		DupMapKey: cbor.DupMapKeyEnforcedAPF, IndefLength: cbor.IndefLengthForbidden, TagsMd: cbor.TagsForbidden,
		ExtraReturnErrors: cbor.ExtraDecErrorUnknownField, UTF8: cbor.UTF8RejectInvalid,
		NaN: cbor.NaNDecodeForbidden, Inf: cbor.InfDecodeForbidden, SimpleValues: noNull,
	}.DecMode()
	if err != nil {
		t.Fatal(err)
	}
	return general{enc, dec}
}

// accepts decodes with the general codec and tells whether encoding again gives the same bytes.
func (g general) accepts(data []byte, v any) bool {
	if err := g.dec.Unmarshal(data, v); err != nil {
		return false
	}
	again, err := g.enc.Marshal(v)
	return err == nil && bytes.Equal(again, data)
}

func TestAgreesWithAGeneralCodec(t *testing.T) {
	g := newGeneral(t)
	for _, tt := range []struct {
		name string
		v    *everything
	}{
		{"all fields", sample()},
		{"only what must be there", &everything{Must: &inner{}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			codec := canon.For[everything]()
			got, err := codec.Append(nil, tt.v)
			if err != nil {
				t.Fatal(err)
			}
			want, err := g.enc.Marshal(tt.v)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Fatalf("encoded\n%x\nthe general codec\n%x", got, want)
			}
			var back everything
			if err := codec.Decode(got, &back); err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(&back, tt.v) {
				t.Fatalf("read back %+v, encoded was %+v", back, *tt.v)
			}
		})
	}
}

// A map with more than 23 pairs has a longer head than the byte kept free for it.
func TestManyFields(t *testing.T) {
	type many struct {
		F01 bool `cbor:"1,keyasint"`
		F02 bool `cbor:"2,keyasint"`
		F03 bool `cbor:"3,keyasint"`
		F04 bool `cbor:"4,keyasint"`
		F05 bool `cbor:"5,keyasint"`
		F06 bool `cbor:"6,keyasint"`
		F07 bool `cbor:"7,keyasint"`
		F08 bool `cbor:"8,keyasint"`
		F09 bool `cbor:"9,keyasint"`
		F10 bool `cbor:"10,keyasint"`
		F11 bool `cbor:"11,keyasint"`
		F12 bool `cbor:"12,keyasint"`
		F13 bool `cbor:"13,keyasint"`
		F14 bool `cbor:"14,keyasint"`
		F15 bool `cbor:"15,keyasint"`
		F16 bool `cbor:"16,keyasint"`
		F17 bool `cbor:"17,keyasint"`
		F18 bool `cbor:"18,keyasint"`
		F19 bool `cbor:"19,keyasint"`
		F20 bool `cbor:"20,keyasint"`
		F21 bool `cbor:"21,keyasint"`
		F22 bool `cbor:"22,keyasint"`
		F23 bool `cbor:"23,keyasint"`
		F24 bool `cbor:"24,keyasint"`
	}
	in := many{F24: true}
	got, err := canon.For[many]().Append([]byte{0xff}, &in)
	if err != nil {
		t.Fatal(err)
	}
	want, err := newGeneral(t).enc.Marshal(&in)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, append([]byte{0xff}, want...)) {
		t.Fatalf("encoded\n%x\nthe general codec\nff%x", got, want)
	}
	var back many
	if err := canon.For[many]().Decode(got[1:], &back); err != nil || back != in {
		t.Fatalf("read back %+v, %v", back, err)
	}
}

// The examples of RFC 8949, Appendix A, that a type of the log can hold.
func TestRFC8949Examples(t *testing.T) {
	check(t, uint64(0), "00")
	check(t, uint64(1), "01")
	check(t, uint64(10), "0a")
	check(t, uint64(23), "17")
	check(t, uint64(24), "1818")
	check(t, uint64(25), "1819")
	check(t, uint64(100), "1864")
	check(t, uint64(1000), "1903e8")
	check(t, uint64(1000000), "1a000f4240")
	check(t, uint64(1000000000000), "1b000000e8d4a51000")
	check(t, uint64(18446744073709551615), "1bffffffffffffffff")
	check(t, int64(-1), "20")
	check(t, int64(-10), "29")
	check(t, int64(-100), "3863")
	check(t, int64(-1000), "3903e7")
	check(t, 0.0, "f90000")
	check(t, math.Copysign(0, -1), "f98000")
	check(t, 1.0, "f93c00")
	check(t, 1.1, "fb3ff199999999999a")
	check(t, 1.5, "f93e00")
	check(t, 65504.0, "f97bff")
	check(t, 100000.0, "fa47c35000")
	check(t, 3.4028234663852886e+38, "fa7f7fffff")
	check(t, 1.0e+300, "fb7e37e43c8800759c")
	check(t, 5.960464477539063e-8, "f90001")
	check(t, 0.00006103515625, "f90400")
	check(t, -4.0, "f9c400")
	check(t, -4.1, "fbc010666666666666")
	check(t, false, "f4")
	check(t, true, "f5")
	check(t, []byte{}, "40")
	check(t, []byte{1, 2, 3, 4}, "4401020304")
	check(t, "", "60")
	check(t, "a", "6161")
	check(t, "IETF", "6449455446")
	check(t, "\"\\", "62225c")
	check(t, "ü", "62c3bc")
	check(t, "水", "63e6b0b4")
	check(t, "𐅑", "64f0908591")
	check(t, []uint64(nil), "80")
	check(t, []uint64{1, 2, 3}, "83010203")
	check(t, []uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25},
		"98190102030405060708090a0b0c0d0e0f101112131415161718181819")
	check(t, struct{}{}, "a0")
	check(t, map[string]string{"a": "A", "b": "B", "c": "C", "d": "D", "e": "E"}, "a56161614161626142616361436164614461656145")
	check(t, struct {
		One   uint64 `cbor:"1,keyasint"`
		Three uint64 `cbor:"3,keyasint"`
	}{2, 4}, "a201020304")
}

func check[T any](t *testing.T, v T, wantHex string) {
	t.Helper()
	codec := canon.For[T]()
	got, err := codec.Append(nil, &v)
	if err != nil {
		t.Fatalf("%v: %v", v, err)
	}
	if hex.EncodeToString(got) != wantHex {
		t.Errorf("%v: %x, wanted %s", v, got, wantHex)
	}
	var back T
	if err := codec.Decode(got, &back); err != nil {
		t.Errorf("%v: %v", v, err)
	}
	if !reflect.DeepEqual(back, v) {
		t.Errorf("%v: read back %v", v, back)
	}
}

// What RFC 8949 calls well-formed, Appendix A and section 4.2 included, but is not the one encoding.
func TestRefused(t *testing.T) {
	const min = "a6" + "0101" + "04420102" + "0680" + "07a0" + "0af93c00" + "181800" // the shortest everything
	swap := func(old, new string) string { return strings.Replace(min, old, new, 1) }
	if err := decodeHex(t, min); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name, hex, field, message string
	}{
		{"no bytes", "", "", "found the end of the data at byte 0, accepted is a map"},
		{"trailing byte", min + "00", "", "found 1 bytes after the end, accepted is nothing more"},
		{"cut off", min[:len(min)-2], "wide", "found the end of the data at byte 17, accepted is an integer"},
		{"not a map", "83010203", "", "found an array at byte 0, accepted is a map"},
		{"tag", "c0" + min, "", "found a tag at byte 0, accepted is a map"},
		{"indefinite map", "bf" + min[2:] + "ff", "", "found an indefinite length at byte 0, accepted is a definite one"},
		{"reserved first byte", "bc" + min[2:], "", "found the reserved first byte 0xbc at byte 0, accepted is a map"},
		{"long head", "b806" + min[2:], "", "found 6 in 2 bytes at byte 0, accepted is its shortest form"},
		{"unknown field", "a7" + min[2:] + "18ff00", "", "found the unknown field number 255 at byte 18, accepted is the fields that this version knows"},
		{"unknown field before a known one", "a7" + swap("181800", "0c00181800")[2:], "",
			"found the unknown field number 12 at byte 15, accepted is the fields that this version knows"},
		{"field twice", "a7" + swap("0101", "01010101")[2:], "count", "found the field twice at byte 3, accepted is each field once"},
		{"fields out of order", "a6" + "04420102" + "0101" + min[len("a6010104420102"):], "count", "found nothing at byte 1, accepted is a value"},
		{"optional fields out of order", "a8" + swap("04420102", "036161020104420102")[2:], "small",
			"found the field after one of a higher number at byte 6, accepted is fields in ascending order of their numbers"},
		{"text key", swap("0101", "613101"), "", "found text at byte 1, accepted is an unsigned integer as key"},
		{"negative key", swap("0101", "2001"), "", "found an integer at byte 1, accepted is an unsigned integer as key"},
		{"required field missing", "a5" + swap("0680", "")[2:], "list", "found nothing at byte 7, accepted is a value"},
		{"last required field missing", "a5" + swap("181800", "")[2:], "wide", "found nothing at byte 15, accepted is a value"},
		{"non-shortest integer", swap("0101", "011801"), "count", "found 1 in 2 bytes at byte 2, accepted is its shortest form"},
		{"non-shortest integer of 9 bytes", swap("0101", "011b00000000ffffffff"), "count", "found 4294967295 in 9 bytes at byte 2, accepted is its shortest form"},
		{"null for an integer", swap("0101", "01f6"), "count", "found the simple value or number with the first byte 0xf6 at byte 2, accepted is an unsigned integer"},
		{"null for a pointer", swap("07a0", "07f6"), "must", "found the simple value or number with the first byte 0xf6 at byte 10, accepted is a map"},
		{"undefined for a list", swap("0680", "06f7"), "list", "found the simple value or number with the first byte 0xf7 at byte 8, accepted is an array"},
		{"negative count", swap("0101", "0120"), "count", "found an integer at byte 2, accepted is an unsigned integer"},
		{"integer as a float", swap("0af93c00", "0a01"), "number", "found an integer at byte 12, accepted is a floating-point number"},
		{"float as an integer", swap("0101", "01f93c00"), "count", "found the simple value or number with the first byte 0xf9 at byte 2, accepted is an unsigned integer"},
		{"1.0 in 5 bytes", swap("0af93c00", "0afa3f800000"), "number", "found a number of 5 bytes at byte 12, accepted is its shortest form"},
		{"1.5 in 9 bytes", swap("0af93c00", "0afb3ff8000000000000"), "number", "found a number of 9 bytes at byte 12, accepted is its shortest form"},
		{"infinity", swap("0af93c00", "0af97c00"), "number", "found +Inf at byte 12, accepted is a finite number"},
		{"NaN", swap("0af93c00", "0af97e00"), "number", "found NaN at byte 12, accepted is a finite number"},
		{"float cut off", min[:len(min)-len("00181800")], "number", "found the simple value or number with the first byte 0xf9 at byte 12, accepted is a floating-point number"},
		{"zero in an optional field", "a7" + swap("04420102", "020004420102")[2:], "small", "found an empty value at byte 4, accepted is the field left out"},
		{"false in an optional field", "a7" + swap("0af93c00", "09f40af93c00")[2:], "yes", "found an empty value at byte 12, accepted is the field left out"},
		{"empty text in an optional field", "a7" + swap("04420102", "036004420102")[2:], "text", "found an empty value at byte 4, accepted is the field left out"},
		{"empty bytes in an optional field", "a7" + swap("0680", "05400680")[2:], "bytes", "found an empty value at byte 8, accepted is the field left out"},
		{"no pairs in an optional map", "a7" + swap("181800", "0ba0181800")[2:], "map", "found an empty value at byte 16, accepted is the field left out"},
		{"not UTF-8", "a7" + swap("04420102", "0361ff04420102")[2:], "text", `found "\xff" at byte 4, accepted is valid UTF-8`},
		{"half a surrogate pair", "a7" + swap("04420102", "0363eda08004420102")[2:], "text", `found "\xed\xa0\x80" at byte 4, accepted is valid UTF-8`},
		{"indefinite text", "a7" + swap("04420102", "037f6161ff04420102")[2:], "text", "found an indefinite length at byte 4, accepted is a definite one"},
		{"bytes for text", "a7" + swap("04420102", "03416104420102")[2:], "text", "found a byte string at byte 4, accepted is text"},
		{"a byte too few", swap("04420102", "044101"), "fixed", "found 1 bytes at byte 4, accepted is 2 bytes"},
		{"a byte too many", swap("04420102", "0443010203"), "fixed", "found 3 bytes at byte 4, accepted is 2 bytes"},
		{"an array for bytes", swap("04420102", "04820102"), "fixed", "found an array at byte 4, accepted is a byte string"},
		{"a length past the end", swap("04420102", "045affffffff"), "fixed", "found a length of 4294967295 with 11 bytes left at byte 4, accepted is a byte string that ends before the data does"},
		{"a count past the end", swap("0680", "069b7fffffffffffffff"), "list", "found an array of 9223372036854775807 values in the 9 bytes that are left at byte 8, accepted is an array that ends before the data does"},
		{"pairs past the end", "a7" + swap("181800", "0bbb7fffffffffffffff181800")[2:], "map", "found a map of 9223372036854775807 pairs in the 3 bytes that are left at byte 16, accepted is a map that ends before the data does"},
		{"map keys out of order", "a7" + swap("181800", "0ba26162606161"+"60181800")[2:], "map", `found the key "a" after "b" at byte 20, accepted is each key once, the shorter first, equally long ones by their bytes`},
		{"longer map key first", "a7" + swap("181800", "0ba2626161606162"+"60181800")[2:], "map", `found the key "b" after "aa" at byte 21, accepted is each key once, the shorter first, equally long ones by their bytes`},
		{"map key twice", "a7" + swap("181800", "0ba26161606161"+"60181800")[2:], "map", `found the key "a" after "a" at byte 20, accepted is each key once, the shorter first, equally long ones by their bytes`},
		{"map value of another type", "a7" + swap("181800", "0ba1616100181800")[2:], "map.a", "found an integer at byte 19, accepted is text"},
		{"too small for int8", "a7" + swap("04420102", "02388004420102")[2:], "small", "found an integer out of range at byte 4, accepted is a signed integer of 8 bits"},
		{"too large for int64", swap("181800", "18181b8000000000000000"), "wide", "found an integer out of range at byte 17, accepted is a signed integer of 64 bits"},
		{"too small for int64", swap("181800", "18183b8000000000000000"), "wide", "found an integer out of range at byte 17, accepted is a signed integer of 64 bits"},
		{"too large for uint16", "a7" + swap("181800", "171a00010000181800")[2:], "narrow", "found 65536 at byte 16, accepted is an unsigned integer of 16 bits"},
		{"in an element", swap("0680", "0682a0a1021800"), "list[1].b", "found an integer at byte 12, accepted is an array"},
		{"simple value true in two bytes", "a7" + swap("0af93c00", "09f8150af93c00")[2:], "yes", "found the simple value or number with the first byte 0xf8 at byte 12, accepted is true or false"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			err := decodeHex(t, tt.hex)
			f, ok := fault.As(err)
			if !ok {
				t.Fatalf("%v, wanted is a refusal", err)
			}
			if f.Reason != fault.InvalidField || f.Field != tt.field || f.Message != tt.message {
				t.Errorf("refused with\n%s %q: %s, wanted\n%s %q: %s", f.Reason, f.Field, f.Message, fault.InvalidField, tt.field, tt.message)
			}
			if data, err := hex.DecodeString(tt.hex); err != nil || newGeneral(t).accepts(data, new(everything)) {
				t.Errorf("the general codec accepts it (%v)", err)
			}
		})
	}
}

func decodeHex(t *testing.T, s string) error {
	t.Helper()
	data, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return canon.For[everything]().Decode(data, new(everything))
}

func TestNoEncoding(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(*everything)
		field string
	}{
		{"text not UTF-8", func(e *everything) { e.Text = "\xff" }, "text"},
		{"map not UTF-8", func(e *everything) { e.Map["\xff"] = "" }, "map"},
		{"required pointer nil", func(e *everything) { e.Must = nil }, "must"},
		{"NaN", func(e *everything) { e.Number = math.NaN() }, "number"},
		{"infinity in a list", func(e *everything) { e.List[1].B[1] = math.Inf(-1) }, "list[1].b[1]"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := sample()
			tt.spoil(v)
			out, err := canon.For[everything]().Append([]byte("before"), v)
			if f, ok := fault.As(err); !ok || f.Field != tt.field {
				t.Errorf("%v, wanted is a refusal of %s", err, tt.field)
			}
			if string(out) != "before" {
				t.Errorf("left %q behind", out)
			}
		})
	}
}

func TestPlansRefuseWhatHasNoCanonicalForm(t *testing.T) {
	for _, tt := range []struct {
		name string
		make func()
	}{
		{"contains itself", func() {
			type loop struct {
				Next []loop `cbor:"1,keyasint,omitempty"`
			}
			canon.For[loop]()
		}},
		{"no tag", func() { canon.For[struct{ A int }]() }},
		{"text key", func() {
			canon.For[struct {
				A int `cbor:"a"`
			}]()
		}},
		{"unknown option", func() {
			canon.For[struct {
				A int `cbor:"1,keyasint,omitzero"`
			}]()
		}},
		{"number twice", func() {
			canon.For[struct {
				A int `cbor:"1,keyasint"`
				B int `cbor:"1,keyasint"`
			}]()
		}},
		{"optional float", func() {
			canon.For[struct {
				A float64 `cbor:"1,keyasint,omitempty"`
			}]()
		}},
		{"optional struct", func() {
			canon.For[struct {
				A inner `cbor:"1,keyasint,omitempty"`
			}]()
		}},
		{"elements that may be nil", func() { canon.For[[]*inner]() }},
		{"another map", func() { canon.For[map[string]int]() }},
		{"an interface", func() { canon.For[[]any]() }},
		{"a channel", func() { canon.For[chan int]() }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			defer func() {
				if recover() == nil {
					t.Error("accepted")
				}
			}()
			tt.make()
		})
	}
}

// Whatever the input: the codec accepts it if and only if a general codec does and encodes it to the same bytes again, and both read
// the same value.
func FuzzAgreesWithAGeneralCodec(f *testing.F) {
	codec := canon.For[everything]()
	for _, v := range []*everything{sample(), {Must: &inner{}}} {
		data, err := codec.Append(nil, v)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	g := newGeneral(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		var got, want everything
		err := codec.Decode(data, &got)
		if accepted := g.accepts(data, &want); accepted != (err == nil) {
			t.Fatalf("%x: %v, the general codec accepts: %v", data, err, accepted)
		}
		if err != nil {
			return
		}
		again, err := codec.Append(nil, &got)
		if err != nil || !bytes.Equal(again, data) {
			t.Fatalf("%x: encoded again %x, %v", data, again, err)
		}
		theirs, err := codec.Append(nil, &want)
		if err != nil || !bytes.Equal(theirs, data) {
			t.Fatalf("%x: the general codec read %+v", data, want)
		}
	})
}

// Every binary16 value, and binary32 and binary64 values around the borders, are written as a general codec writes them.
func TestShortestFloats(t *testing.T) {
	g, codec := newGeneral(t), canon.For[float64]()
	try := func(f float64) {
		t.Helper()
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return
		}
		got, err := codec.Append(nil, &f)
		if err != nil {
			t.Fatal(err)
		}
		want, err := g.enc.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		var back float64
		if err := codec.Decode(got, &back); err != nil || !bytes.Equal(got, want) || math.Float64bits(back) != math.Float64bits(f) {
			t.Fatalf("%x: %x, the general codec %x; read back %x, %v", math.Float64bits(f), got, want, math.Float64bits(back), err)
		}
	}
	for h := range 1 << 16 {
		var f float64
		if err := g.dec.Unmarshal([]byte{0xf9, byte(h >> 8), byte(h)}, &f); err != nil {
			continue // NaN or infinite
		}
		try(f)
		try(math.Nextafter(f, math.Inf(1)))
		try(float64(math.Nextafter32(float32(f), float32(math.Inf(1)))))
		try(float64(math.Nextafter32(float32(f), float32(math.Inf(-1)))))
	}
	for exponent := -1080; exponent <= 1024; exponent++ {
		for _, fraction := range []float64{1, 1.5, 1.0009765625, 1.00048828125, 1.9990234375, -1.75, 1 + 1.0/(1<<23), 1 + 1.0/(1<<24), 2 - 1.0/(1<<23)} {
			try(math.Ldexp(fraction, exponent))
		}
	}
}
