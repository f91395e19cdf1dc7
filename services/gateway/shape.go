package gateway

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// checkShape refuses a body that is not exactly one JSON object of a message's shape: a field that is unknown or stands twice, a value of
// another type. ProtoJSON refuses the same, but names the field without saying where it stands, and takes the last of two keys in a
// map. What it finds beyond that (a number out of range written as 1e99, say) is left to it.
//
// The walk goes no deeper than the message does, whatever the body holds: below an unknown field it does not look.
func checkShape(data []byte, of protoreflect.MessageDescriptor) *fault.Error {
	if at := invalidUTF8(data); at >= 0 {
		return fault.New(fault.InvalidField, "", "the body is not UTF-8 at byte %d, accepted is JSON in UTF-8", at)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	var whole json.RawMessage
	if err := d.Decode(&whole); err != nil {
		return notJSON(err, len(data))
	}
	if whole[0] != '{' {
		return fault.New(fault.InvalidField, "", "the body is a JSON %s, accepted is one object", jsonKind(whole[0]))
	}
	end := d.InputOffset()
	if rest := bytes.TrimSpace(data[end:]); len(rest) > 0 {
		return fault.New(fault.InvalidField, "", "the body goes on after its object at byte %d, accepted is one object", end)
	}
	if at := halfSurrogate(data); at >= 0 {
		return fault.New(fault.InvalidField, "", "found half of a surrogate pair at byte %d, accepted are whole characters", at)
	}
	w := shapeWalk{json.NewDecoder(bytes.NewReader(whole))}
	w.UseNumber()
	first, err := w.Token()
	if err != nil {
		return notJSON(err, len(data))
	}
	return w.message("", first, of)
}

func invalidUTF8(data []byte) int {
	if utf8.Valid(data) {
		return -1
	}
	for i := 0; i < len(data); {
		r, size := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && size == 1 {
			return i
		}
		i += size
	}
	return -1
}

// halfSurrogate finds an escape such as \ud83d that is not followed by its other half, which encoding/json would replace; -1: there is
// none. In JSON a backslash stands in strings only.
func halfSurrogate(data []byte) int {
	for i := 0; i < len(data); i++ {
		if data[i] != '\\' {
			continue
		}
		first, ok := escaped(data[i:])
		switch {
		case !ok || !utf16.IsSurrogate(first):
			i++ // what is escaped may be a backslash
			continue
		case len(data) < i+12:
			return i
		}
		second, ok := escaped(data[i+6:])
		if !ok || utf16.DecodeRune(first, second) == utf8.RuneError {
			return i
		}
		i += 11
	}
	return -1
}

// escaped reads an escape of the form \uXXXX.
func escaped(data []byte) (rune, bool) {
	if len(data) < 6 || data[0] != '\\' || data[1] != 'u' {
		return 0, false
	}
	n, err := strconv.ParseUint(string(data[2:6]), 16, 16)
	return rune(n), err == nil
}

func notJSON(err error, size int) *fault.Error {
	switch e := err.(type) {
	case *json.SyntaxError:
		return fault.New(fault.InvalidField, "", "the body is not JSON: %v at byte %d", e, e.Offset)
	}
	if err == io.ErrUnexpectedEOF {
		return fault.New(fault.InvalidField, "", "the body is not JSON: it ends at byte %d inside its object", size)
	}
	return fault.New(fault.InvalidField, "", "the body is not JSON: %v", err)
}

func jsonKind(first byte) string {
	switch first {
	case '[':
		return "list"
	case '{':
		return "object"
	case '"':
		return "string"
	case 't', 'f':
		return "boolean"
	case 'n':
		return "null"
	}
	return "number"
}

// shapeWalk reads a body that is known to be JSON.
type shapeWalk struct{ *json.Decoder }

// message checks the object that begins with a token.
func (w *shapeWalk) message(path string, first json.Token, of protoreflect.MessageDescriptor) *fault.Error {
	if first != json.Delim('{') {
		return mismatch(path, first, "an object")
	}
	seen := map[protoreflect.FieldNumber]bool{}
	oneofs := map[protoreflect.FullName]protoreflect.FieldDescriptor{}
	for w.More() {
		key, f := w.key(path)
		if f != nil {
			return f
		}
		at := join(path, key)
		fd := of.Fields().ByJSONName(key)
		if fd == nil {
			fd = of.Fields().ByTextName(key) // ProtoJSON takes a field's name in the contract, too
		}
		if fd == nil {
			return fault.New(fault.InvalidField, at, "found the field %q, which there is not; %s", clip(key), acceptedFields(of))
		}
		if seen[fd.Number()] {
			return fault.New(fault.InvalidField, at, "found the field %q twice, accepted is once", key)
		}
		seen[fd.Number()] = true
		value, err := w.Token()
		if err != nil {
			return notJSON(err, int(w.InputOffset()))
		}
		if value == nil {
			continue // null: as if it were left out
		}
		if o := fd.ContainingOneof(); o != nil && !o.IsSynthetic() {
			if other := oneofs[o.FullName()]; other != nil {
				return fault.New(fault.InvalidField, at, "found %s beside %s, accepted is one of them", fd.JSONName(), other.JSONName())
			}
			oneofs[o.FullName()] = fd
		}
		if f := w.field(at, value, fd); f != nil {
			return f
		}
	}
	return w.close(path)
}

// key reads the name of the next value.
func (w *shapeWalk) key(path string) (string, *fault.Error) {
	t, err := w.Token()
	if err != nil {
		return "", notJSON(err, int(w.InputOffset()))
	}
	key, ok := t.(string)
	if !ok {
		return "", mismatch(path, t, "a field's name")
	}
	return key, nil
}

func (w *shapeWalk) close(path string) *fault.Error {
	if _, err := w.Token(); err != nil {
		return notJSON(err, int(w.InputOffset()))
	}
	return nil
}

func (w *shapeWalk) field(path string, first json.Token, fd protoreflect.FieldDescriptor) *fault.Error {
	switch {
	case fd.IsMap():
		return w.mapping(path, first, fd)
	case fd.IsList():
		return w.list(path, first, fd)
	}
	return w.value(path, first, fd)
}

func (w *shapeWalk) list(path string, first json.Token, fd protoreflect.FieldDescriptor) *fault.Error {
	if first != json.Delim('[') {
		return mismatch(path, first, "a list")
	}
	for i := 0; w.More(); i++ {
		at := path + "[" + strconv.Itoa(i) + "]"
		t, err := w.Token()
		if err != nil {
			return notJSON(err, int(w.InputOffset()))
		}
		if f := w.value(at, t, fd); f != nil {
			return f
		}
	}
	return w.close(path)
}

func (w *shapeWalk) mapping(path string, first json.Token, fd protoreflect.FieldDescriptor) *fault.Error {
	if first != json.Delim('{') {
		return mismatch(path, first, "an object")
	}
	seen := map[string]bool{}
	for w.More() {
		key, f := w.key(path)
		if f != nil {
			return f
		}
		at := join(path, key)
		if seen[key] {
			return fault.New(fault.InvalidField, at, "found the key %q twice, accepted is once", clip(key))
		}
		seen[key] = true
		t, err := w.Token()
		if err != nil {
			return notJSON(err, int(w.InputOffset()))
		}
		if f := w.value(at, t, fd.MapValue()); f != nil {
			return f
		}
	}
	return w.close(path)
}

// value checks one value that is neither list nor map.
func (w *shapeWalk) value(path string, t json.Token, fd protoreflect.FieldDescriptor) *fault.Error {
	switch fd.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		return w.message(path, t, fd.Message())
	case protoreflect.StringKind:
		if _, ok := t.(string); !ok {
			return mismatch(path, t, "a string")
		}
	case protoreflect.BytesKind:
		if _, ok := t.(string); !ok {
			return mismatch(path, t, "a string of base64")
		}
	case protoreflect.BoolKind:
		if _, ok := t.(bool); !ok {
			return mismatch(path, t, "true or false")
		}
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return whole(path, t, math.MinInt32, math.MaxInt32)
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return whole(path, t, math.MinInt64, math.MaxInt64)
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		s, ok := numberText(t)
		if ok {
			n, err := strconv.ParseFloat(s, 64)
			ok = err == nil && !math.IsInf(n, 0) && !math.IsNaN(n)
		}
		if !ok {
			return mismatch(path, t, "a number")
		}
	}
	return nil
}

// whole checks a whole number, which may be written as a string.
func whole(path string, t json.Token, least, most int64) *fault.Error {
	accepted := fmt.Sprintf("a whole number from %d to %d", least, most)
	s, ok := numberText(t)
	if !ok {
		return mismatch(path, t, accepted)
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil { // 1e3 and 3.0 are whole numbers, too
		f, ferr := strconv.ParseFloat(s, 64)
		if ferr != nil || f != math.Trunc(f) || math.Abs(f) > 1<<53 {
			return mismatch(path, t, accepted)
		}
		n = int64(f)
	}
	if n < least || n > most {
		return mismatch(path, t, accepted)
	}
	return nil
}

func numberText(t json.Token) (string, bool) {
	switch t := t.(type) {
	case json.Number:
		return t.String(), true
	case string:
		return t, true
	}
	return "", false
}

func mismatch(path string, found json.Token, accepted string) *fault.Error {
	return fault.New(fault.InvalidField, path, "found %s, accepted is %s", describe(found), accepted)
}

func describe(t json.Token) string {
	switch t := t.(type) {
	case json.Delim:
		if t == '[' {
			return "a list"
		}
		return "an object"
	case string:
		return fmt.Sprintf("the string %q", clip(t))
	case json.Number:
		return "the number " + clip(t.String())
	case bool:
		return strconv.FormatBool(t)
	}
	return "null"
}

// clip shortens what was found for a message.
func clip(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

func join(path, name string) string {
	name = clip(name)
	if path == "" {
		return name
	}
	return path + "." + name
}

func acceptedFields(of protoreflect.MessageDescriptor) string {
	fields := of.Fields()
	if fields.Len() == 0 {
		return "accepted are none here"
	}
	names := make([]string, fields.Len())
	for i := range names {
		names[i] = fields.Get(i).JSONName()
	}
	return "accepted are " + strings.Join(names, ", ")
}
