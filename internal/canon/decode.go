package canon

import (
	"encoding/binary"
	"fmt"
	"math"
	"reflect"
	"unicode/utf8"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Decode reads data, which must be the encoding of one value and nothing else, into v; whatever v held before is gone. A []byte
// in v shares data's memory, text is copied. The error is a *fault.Error of reason INVALID_FIELD with the path of the field;
// v is then of no use.
func (c *Codec[T]) Decode(data []byte, v *T) error {
	*v = *new(T)
	d := decoder{data: data}
	if err := d.value(c.root, reflect.ValueOf(v).Elem()); err != nil {
		return err
	}
	if d.at != len(data) {
		return fault.New(fault.InvalidField, "", "found %d bytes after the end, accepted is nothing more", len(data)-d.at)
	}
	return nil
}

// decoder reads a slice once, front to back.
type decoder struct {
	data []byte
	at   int
}

func (d *decoder) value(n *node, v reflect.Value) *fault.Error {
	switch n.shape {
	case shapeStruct:
		return d.structure(n, v)
	case shapePointer:
		p := reflect.New(n.elem.typ)
		v.Set(p)
		return d.value(n.elem, p.Elem())
	case shapeText:
		s, err := d.text()
		if err == nil {
			v.SetString(s)
		}
		return err
	case shapeBytes:
		b, err := d.bytes(majorBytes, "a byte string")
		if err == nil {
			v.SetBytes(b)
		}
		return err
	case shapeFixedBytes:
		at := d.at
		b, err := d.bytes(majorBytes, "a byte string")
		if err != nil {
			return err
		}
		if len(b) != n.typ.Len() {
			return d.refuse(at, fmt.Sprintf("%d bytes", len(b)), fmt.Sprintf("%d bytes", n.typ.Len()))
		}
		copy(v.Bytes(), b)
		return nil
	case shapeArray:
		return d.array(n, v)
	case shapeTextMap:
		return d.textMap(v)
	case shapeInt:
		return d.integer(v)
	case shapeUint:
		at := d.at
		u, err := d.head(majorUint, "an unsigned integer")
		if err != nil {
			return err
		}
		if v.OverflowUint(u) {
			return d.refuse(at, fmt.Sprint(u), fmt.Sprintf("an unsigned integer of %d bits", n.typ.Bits()))
		}
		v.SetUint(u)
		return nil
	case shapeBool:
		if d.at < len(d.data) && (d.data[d.at] == simpleFalse || d.data[d.at] == simpleTrue) {
			v.SetBool(d.data[d.at] == simpleTrue)
			d.at++
			return nil
		}
		return d.refuseType("true or false")
	default: // shapeFloat
		f, err := d.float()
		if err == nil {
			v.SetFloat(f)
		}
		return err
	}
}

func (d *decoder) structure(n *node, v reflect.Value) *fault.Error {
	pairs, err := d.head(majorMap, "a map")
	if err != nil {
		return err
	}
	next := 0 // of n.fields
	for i := uint64(0); i < pairs; i++ {
		at := d.at
		key, err := d.head(majorUint, "an unsigned integer as key")
		if err != nil {
			return err
		}
		for next < len(n.fields) && n.fields[next].key < key {
			if !n.fields[next].optional {
				return inField(d.refuse(at, "nothing", "a value"), n.fields[next].name)
			}
			next++
		}
		if next == len(n.fields) || n.fields[next].key != key {
			return d.unknownKey(n, at, key, next)
		}
		f := &n.fields[next]
		next++
		fv := v.Field(f.index)
		at = d.at
		if err := d.value(f.node, fv); err != nil {
			return inField(err, f.name)
		}
		if f.optional && empty(f.node, fv) {
			return inField(d.refuse(at, "an empty value", "the field left out"), f.name)
		}
	}
	for ; next < len(n.fields); next++ {
		if !n.fields[next].optional {
			return inField(d.refuse(d.at, "nothing", "a value"), n.fields[next].name)
		}
	}
	return nil
}

// unknownKey says what is wrong with a key that is not the next field's: used twice, out of order, or not known.
func (d *decoder) unknownKey(n *node, at int, key uint64, next int) *fault.Error {
	if next > 0 && n.fields[next-1].key == key {
		return inField(d.refuse(at, "the field twice", "each field once"), n.fields[next-1].name)
	}
	for _, f := range n.fields {
		if f.key == key {
			return inField(d.refuse(at, "the field after one of a higher number", "fields in ascending order of their numbers"), f.name)
		}
	}
	return d.refuse(at, fmt.Sprintf("the unknown field number %d", key), "the fields that this version knows")
}

func (d *decoder) array(n *node, v reflect.Value) *fault.Error {
	at := d.at
	count, err := d.head(majorArray, "an array")
	if err != nil {
		return err
	}
	if count == 0 {
		return nil // v is nil already
	}
	if left := len(d.data) - d.at; count > uint64(left/n.elem.least) {
		return d.refuse(at, fmt.Sprintf("an array of %d values in the %d bytes that are left", count, left), "an array that ends before the data does")
	}
	s := reflect.MakeSlice(n.typ, int(count), int(count))
	v.Set(s)
	for i := range int(count) {
		if err := d.value(n.elem, s.Index(i)); err != nil {
			return inIndex(err, i)
		}
	}
	return nil
}

func (d *decoder) textMap(v reflect.Value) *fault.Error {
	at := d.at
	pairs, err := d.head(majorMap, "a map")
	if err != nil {
		return err
	}
	if left := len(d.data) - d.at; pairs > uint64(left/2) {
		return d.refuse(at, fmt.Sprintf("a map of %d pairs in the %d bytes that are left", pairs, left), "a map that ends before the data does")
	}
	m := make(map[string]string, pairs)
	var last string
	for i := range pairs {
		at := d.at
		key, err := d.text()
		if err != nil {
			return err
		}
		if i > 0 && compareKeys(last, key) >= 0 {
			return d.refuse(at, fmt.Sprintf("the key %s after %s", clip(key), clip(last)), "each key once, the shorter first, equally long ones by their bytes")
		}
		last = key
		if m[key], err = d.text(); err != nil {
			return inField(err, key)
		}
	}
	*v.Addr().Interface().(*map[string]string) = m
	return nil
}

func (d *decoder) integer(v reflect.Value) *fault.Error {
	at := d.at
	major := byte(majorUint)
	if at < len(d.data) && d.data[at]&0xe0 == majorNegInt {
		major = majorNegInt
	}
	u, err := d.head(major, "an integer")
	if err != nil {
		return err
	}
	i := int64(u)
	if major == majorNegInt {
		i = ^i
	}
	if u > math.MaxInt64 || v.OverflowInt(i) {
		return d.refuse(at, "an integer out of range", fmt.Sprintf("a signed integer of %d bits", v.Type().Bits()))
	}
	v.SetInt(i)
	return nil
}

func (d *decoder) float() (float64, *fault.Error) {
	var f float64
	rest := d.data[d.at:]
	size := 0
	switch {
	case len(rest) >= 3 && rest[0] == float16:
		f, size = fromHalf(binary.BigEndian.Uint16(rest[1:])), 3
	case len(rest) >= 5 && rest[0] == float32Head:
		f, size = float64(math.Float32frombits(binary.BigEndian.Uint32(rest[1:]))), 5
	case len(rest) >= 9 && rest[0] == float64Head:
		f, size = math.Float64frombits(binary.BigEndian.Uint64(rest[1:])), 9
	default:
		return 0, d.refuseType("a floating-point number")
	}
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return 0, d.refuse(d.at, fmt.Sprint(f), "a finite number")
	}
	var shortest [9]byte
	if len(appendFloat(shortest[:0], f)) != size {
		return 0, d.refuse(d.at, fmt.Sprintf("a number of %d bytes", size), "its shortest form")
	}
	d.at += size
	return f, nil
}

func (d *decoder) text() (string, *fault.Error) {
	at := d.at
	b, err := d.bytes(majorText, "text")
	if err != nil {
		return "", err
	}
	if !utf8.Valid(b) {
		return "", d.refuse(at, clip(string(b)), "valid UTF-8")
	}
	return string(b), nil
}

// bytes reads a string of the given major type; the answer shares the data's memory.
func (d *decoder) bytes(major byte, wanted string) ([]byte, *fault.Error) {
	at := d.at
	n, err := d.head(major, wanted)
	if err != nil {
		return nil, err
	}
	if left := len(d.data) - d.at; n > uint64(left) {
		return nil, d.refuse(at, fmt.Sprintf("a length of %d with %d bytes left", n, left), wanted+" that ends before the data does")
	}
	b := d.data[d.at : d.at+int(n) : d.at+int(n)]
	d.at += int(n)
	return b, nil
}

// head reads the head of a value of the given major type, which must be in its shortest form, and answers its argument.
func (d *decoder) head(major byte, wanted string) (uint64, *fault.Error) {
	if d.at >= len(d.data) || d.data[d.at]&0xe0 != major {
		return 0, d.refuseType(wanted)
	}
	info := d.data[d.at] & 0x1f
	if info < 24 {
		d.at++
		return uint64(info), nil
	}
	if info == 31 && major >= majorBytes {
		return 0, d.refuse(d.at, "an indefinite length", "a definite one")
	}
	if info > 27 {
		return 0, d.refuse(d.at, fmt.Sprintf("the reserved first byte 0x%02x", d.data[d.at]), wanted)
	}
	size := 1 << (info - 24)
	rest := d.data[d.at+1:]
	if len(rest) < size {
		return 0, d.refuse(d.at, "the end of the data", wanted)
	}
	var arg uint64
	for _, b := range rest[:size] {
		arg = arg<<8 | uint64(b)
	}
	if HeadSize(arg) != 1+size {
		return 0, d.refuse(d.at, fmt.Sprintf("%d in %d bytes", arg, 1+size), "its shortest form")
	}
	d.at += 1 + size
	return arg, nil
}

// refuseType says what stands where another type of value was wanted.
func (d *decoder) refuseType(wanted string) *fault.Error {
	if d.at >= len(d.data) {
		return d.refuse(d.at, "the end of the data", wanted)
	}
	first := d.data[d.at]
	found := ""
	switch first & 0xe0 {
	case majorUint, majorNegInt:
		found = "an integer"
	case majorBytes:
		found = "a byte string"
	case majorText:
		found = "text"
	case majorArray:
		found = "an array"
	case majorMap:
		found = "a map"
	case majorTag:
		found = "a tag"
	default:
		found = fmt.Sprintf("the simple value or number with the first byte 0x%02x", first)
	}
	return d.refuse(d.at, found, wanted)
}

func (d *decoder) refuse(at int, found, accepted string) *fault.Error {
	return fault.New(fault.InvalidField, "", "found %s at byte %d, accepted is %s", found, at, accepted)
}

// empty tells whether an optional field that was read would have been left out.
func empty(n *node, v reflect.Value) bool {
	switch n.shape {
	case shapePointer:
		return v.IsNil()
	case shapeText, shapeBytes, shapeArray, shapeTextMap:
		return v.Len() == 0
	case shapeInt:
		return v.Int() == 0
	case shapeUint:
		return v.Uint() == 0
	default: // shapeBool: the plan refuses the others
		return !v.Bool()
	}
}
