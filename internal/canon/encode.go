package canon

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"unicode/utf8"
	"unsafe"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// The major types of RFC 8949, section 3.1, as they stand in the first byte.
const (
	majorUint   = 0 << 5
	majorNegInt = 1 << 5
	majorBytes  = 2 << 5
	majorText   = 3 << 5
	majorArray  = 4 << 5
	majorMap    = 5 << 5
	majorTag    = 6 << 5
	majorOther  = 7 << 5

	simpleFalse = majorOther | 20
	simpleTrue  = majorOther | 21
	float16     = majorOther | 25
	float32Head = majorOther | 26
	float64Head = majorOther | 27
)

// Append appends the encoding of v to dst and answers the longer slice, as append does. It fails for a value without an encoding:
// text that is not UTF-8, a required pointer that is nil, a float that is no number.
func (c *Codec[T]) Append(dst []byte, v *T) ([]byte, error) {
	out, err := appendValue(dst, c.root, unsafe.Pointer(v))
	if err != nil {
		return dst, err
	}
	return out, nil
}

// appendValue writes the value at p, which is of n's type. The plan has looked at the types once, with reflection; here memory is read by
// what it found: encoding stands on the path of every event, and most fields of a record are empty.
func appendValue(dst []byte, n *node, p unsafe.Pointer) ([]byte, *fault.Error) {
	switch n.shape {
	case shapeStruct:
		return appendStruct(dst, n, p)
	case shapePointer:
		to := *(*unsafe.Pointer)(p)
		if to == nil {
			return dst, fault.New(fault.InvalidField, "", "found nothing, accepted is a value")
		}
		return appendValue(dst, n.elem, to)
	case shapeText:
		s := *(*string)(p)
		if !utf8.ValidString(s) {
			return dst, fault.New(fault.InvalidField, "", "found %s, accepted is valid UTF-8", clip(s))
		}
		return append(appendHead(dst, majorText, uint64(len(s))), s...), nil
	case shapeBytes:
		b := *(*[]byte)(p)
		return append(appendHead(dst, majorBytes, uint64(len(b))), b...), nil
	case shapeFixedBytes:
		return append(appendHead(dst, majorBytes, uint64(n.size)), unsafe.Slice((*byte)(p), n.size)...), nil
	case shapeArray:
		count, first := lengthAt(p), *(*unsafe.Pointer)(p) // a slice begins with the pointer to its first element
		dst = appendHead(dst, majorArray, uint64(count))
		for i := range count {
			var err *fault.Error
			if dst, err = appendValue(dst, n.elem, unsafe.Add(first, uintptr(i)*n.elem.size)); err != nil {
				return dst, inIndex(err, i)
			}
		}
		return dst, nil
	case shapeTextMap:
		return appendTextMap(dst, *(*map[string]string)(p))
	case shapeInt:
		if i := intAt(n, p); i < 0 {
			return appendHead(dst, majorNegInt, uint64(^i)), nil
		} else {
			return appendHead(dst, majorUint, uint64(i)), nil
		}
	case shapeUint:
		return appendHead(dst, majorUint, uintAt(n, p)), nil
	case shapeBool:
		if *(*bool)(p) {
			return append(dst, simpleTrue), nil
		}
		return append(dst, simpleFalse), nil
	default: // shapeFloat
		f := *(*float64)(p)
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return dst, fault.New(fault.InvalidField, "", "found %v, accepted is a finite number", f)
		}
		return appendFloat(dst, f), nil
	}
}

func appendStruct(dst []byte, n *node, p unsafe.Pointer) ([]byte, *fault.Error) {
	head, count := len(dst), 0
	dst = append(dst, majorMap)
	for i := range n.fields {
		f := &n.fields[i]
		fp := unsafe.Add(p, f.offset)
		if f.optional && emptyAt(f.node, fp) {
			continue
		}
		count++
		var err *fault.Error
		if dst, err = appendValue(appendHead(dst, majorUint, f.key), f.node, fp); err != nil {
			return dst, inField(err, f.name)
		}
	}
	if count < 24 {
		dst[head] = byte(majorMap | count)
		return dst, nil
	}
	// Rare: the head is longer than the byte that was kept free for it.
	return slices.Replace(dst, head, head+1, appendHead(nil, majorMap, uint64(count))...), nil
}

// emptyAt tells whether an optional field is left out.
func emptyAt(n *node, p unsafe.Pointer) bool {
	switch n.shape {
	case shapePointer:
		return *(*unsafe.Pointer)(p) == nil
	case shapeText:
		return len(*(*string)(p)) == 0
	case shapeBytes, shapeArray:
		return lengthAt(p) == 0
	case shapeTextMap:
		return len(*(*map[string]string)(p)) == 0
	case shapeInt:
		return intAt(n, p) == 0
	case shapeUint:
		return uintAt(n, p) == 0
	default: // shapeBool: the plan refuses the others
		return !*(*bool)(p)
	}
}

// lengthAt is the length of the slice at p, of whatever elements: all slices are laid out alike.
func lengthAt(p unsafe.Pointer) int { return len(*(*[]struct{})(p)) }

func intAt(n *node, p unsafe.Pointer) int64 {
	switch n.size {
	case 8:
		return *(*int64)(p)
	case 4:
		return int64(*(*int32)(p))
	case 2:
		return int64(*(*int16)(p))
	default:
		return int64(*(*int8)(p))
	}
}

func uintAt(n *node, p unsafe.Pointer) uint64 {
	switch n.size {
	case 8:
		return *(*uint64)(p)
	case 4:
		return uint64(*(*uint32)(p))
	case 2:
		return uint64(*(*uint16)(p))
	default:
		return uint64(*(*uint8)(p))
	}
}

func appendTextMap(dst []byte, m map[string]string) ([]byte, *fault.Error) {
	keys := make([]string, 0, 16)
	for k, v := range m {
		if !utf8.ValidString(k) || !utf8.ValidString(v) {
			return dst, fault.New(fault.InvalidField, "", "found %s with %s, accepted is valid UTF-8", clip(k), clip(v))
		}
		keys = append(keys, k)
	}
	slices.SortFunc(keys, compareKeys)
	dst = appendHead(dst, majorMap, uint64(len(keys)))
	for _, k := range keys {
		dst = append(appendHead(dst, majorText, uint64(len(k))), k...)
		v := m[k]
		dst = append(appendHead(dst, majorText, uint64(len(v))), v...)
	}
	return dst, nil
}

// compareKeys orders texts as their encodings are ordered byte by byte: the head comes first, so the shorter text does.
func compareKeys(a, b string) int {
	if len(a) != len(b) {
		return len(a) - len(b)
	}
	if a < b {
		return -1
	}
	if a > b {
		return 1
	}
	return 0
}

// AppendBytes appends a byte string, for structures that are put together by hand.
func AppendBytes(dst, b []byte) []byte {
	return append(appendHead(dst, majorBytes, uint64(len(b))), b...)
}

// AppendArray appends the head of an array of n values, which must follow.
func AppendArray(dst []byte, n int) []byte { return appendHead(dst, majorArray, uint64(n)) }

// HeadSize says how many bytes the head of an integer, or of a string or array of that length, takes.
func HeadSize(arg uint64) int {
	switch {
	case arg < 24:
		return 1
	case arg <= math.MaxUint8:
		return 2
	case arg <= math.MaxUint16:
		return 3
	case arg <= math.MaxUint32:
		return 5
	default:
		return 9
	}
}

func appendHead(dst []byte, major byte, arg uint64) []byte {
	switch {
	case arg < 24:
		return append(dst, major|byte(arg))
	case arg <= math.MaxUint8:
		return append(dst, major|24, byte(arg))
	case arg <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(dst, major|25), uint16(arg))
	case arg <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(dst, major|26), uint32(arg))
	default:
		return binary.BigEndian.AppendUint64(append(dst, major|27), arg)
	}
}

// appendFloat writes a finite number in the shortest form that keeps its value.
func appendFloat(dst []byte, f float64) []byte {
	single := float32(f)
	if float64(single) != f {
		return binary.BigEndian.AppendUint64(append(dst, float64Head), math.Float64bits(f))
	}
	if half, ok := toHalf(single); ok {
		return binary.BigEndian.AppendUint16(append(dst, float16), half)
	}
	return binary.BigEndian.AppendUint32(append(dst, float32Head), math.Float32bits(single))
}

// toHalf gives the IEEE 754 binary16 of a finite number, if there is one of exactly its value.
func toHalf(f float32) (uint16, bool) {
	bits := math.Float32bits(f)
	sign := uint16(bits >> 16 & 0x8000)
	exponent := int(bits>>23&0xff) - 127
	fraction := bits & (1<<23 - 1)
	switch {
	case bits&^(1<<31) == 0: // zero, of either sign
		return sign, true
	case exponent >= -14 && exponent <= 15: // binary16 keeps 10 bits of the fraction
		return sign | uint16(exponent+15)<<10 | uint16(fraction>>13), fraction&(1<<13-1) == 0
	case exponent >= -24 && exponent < -14: // subnormal: a whole multiple of 2^-24
		whole := fraction | 1<<23
		drop := uint(-1 - exponent) // 14 to 23 bits below 2^-24
		return sign | uint16(whole>>drop), whole&(1<<drop-1) == 0
	default:
		return 0, false
	}
}

// fromHalf gives the value of a binary16. Infinities and NaN keep their class.
func fromHalf(h uint16) float64 {
	exponent, fraction := int(h>>10&0x1f), float64(h&0x3ff)
	var f float64
	switch exponent {
	case 0:
		f = math.Ldexp(fraction, -24)
	case 0x1f:
		f = math.Inf(1)
		if fraction != 0 {
			f = math.NaN()
		}
	default:
		f = math.Ldexp(fraction+1<<10, exponent-25)
	}
	return math.Copysign(f, float64(1)-float64(h>>15)*2)
}

// inField and inIndex put one more step before the path of a fault.
func inField(e *fault.Error, name string) *fault.Error {
	switch {
	case e.Field == "":
		e.Field = name
	case e.Field[0] == '[':
		e.Field = name + e.Field
	default:
		e.Field = name + "." + e.Field
	}
	return e
}

func inIndex(e *fault.Error, i int) *fault.Error { return inField(e, "["+strconv.Itoa(i)+"]") }

// clip quotes found text for a message, shortened.
func clip(s string) string {
	const most = 40
	if len(s) > most {
		return fmt.Sprintf("%q…", s[:most])
	}
	return fmt.Sprintf("%q", s)
}
