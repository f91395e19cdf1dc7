package wire

import (
	"encoding/base64"
	"encoding/hex"
	"math"
	"slices"
	"strconv"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// under puts a fault of a part of a message under the field that holds the part.
func under(name string, f *fault.Error) *fault.Error {
	if f == nil {
		return nil
	}
	c := *f
	switch {
	case c.Field == "":
		c.Field = name
	case c.Field[0] == '[':
		c.Field = name + c.Field
	default:
		c.Field = name + "." + c.Field
	}
	return &c
}

// at is under for an element of a list.
func at(name string, i int, f *fault.Error) *fault.Error {
	if f == nil {
		return nil
	}
	return under(name+"["+strconv.Itoa(i)+"]", f)
}

func invalid(field, format string, args ...any) *fault.Error {
	return fault.New(fault.InvalidField, field, format, args...)
}

// known refuses a message that holds fields which this service does not know: a caller that is newer than the service must not have a
// fact dropped without a word. The numbers are named, because only the caller knows the names.
func known(m proto.Message) *fault.Error {
	b := m.ProtoReflect().GetUnknown()
	if len(b) == 0 {
		return nil
	}
	number, _, _ := protowire.ConsumeTag(b)
	return invalid("", "found a field with the number %d, accepted are the fields that this version of the service knows", number)
}

// part converts a message that may be left out.
func part[P proto.Message, D any](name string, src P, there bool, convert func(P) (D, *fault.Error)) (*D, *fault.Error) {
	if !there {
		return nil, nil
	}
	if f := known(src); f != nil {
		return nil, under(name, f)
	}
	d, f := convert(src)
	if f != nil {
		return nil, under(name, f)
	}
	return &d, nil
}

// list converts the elements of a list.
func list[M any, P interface {
	*M
	proto.Message
}, D any](name string, src []P, convert func(P) (D, *fault.Error)) ([]D, *fault.Error) {
	if len(src) == 0 {
		return nil, nil
	}
	out := make([]D, len(src))
	for i, m := range src {
		if m == nil {
			return nil, at(name, i, invalid("", "found null, accepted is an object"))
		}
		if f := known(m); f != nil {
			return nil, at(name, i, f)
		}
		d, f := convert(m)
		if f != nil {
			return nil, at(name, i, f)
		}
		out[i] = d
	}
	return out, nil
}

// listOf is the way back of list.
func listOf[D, P any](src []D, convert func(*D) P) []P {
	if len(src) == 0 {
		return nil
	}
	out := make([]P, len(src))
	for i := range src {
		out[i] = convert(&src[i])
	}
	return out
}

// word reads a text or word that may be left out.
func word[T ~string](p *string) T {
	if p == nil {
		return ""
	}
	return T(*p)
}

// wordOf is the way back: empty is left out.
func wordOf[T ~string](s T) *string {
	if s == "" {
		return nil
	}
	p := string(s)
	return &p
}

func words[T ~string](src []string) []T {
	if len(src) == 0 {
		return nil
	}
	out := make([]T, len(src))
	for i, s := range src {
		out[i] = T(s)
	}
	return out
}

func wordsOf[T ~string](src []T) []string {
	if len(src) == 0 {
		return nil
	}
	out := make([]string, len(src))
	for i, s := range src {
		out[i] = string(s)
	}
	return out
}

// wide reads a count. Counts are 32 bits wide on the wire, so that JSON writes them as numbers.
func wide(p *int32) *int64 {
	if p == nil {
		return nil
	}
	n := int64(*p)
	return &n
}

// Count writes a count. No stated count is near the largest that 32 bits hold (opal.MaxPieces); a sum that is beyond it reads as that.
func Count(p *int64) *int32 {
	if p == nil {
		return nil
	}
	n := int32(max(math.MinInt32, min(math.MaxInt32, *p)))
	return &n
}

// copied copies a number that may be left out, so that message and domain value share no memory.
func copied[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}

// numbers copies a list, an empty one to nil.
func numbers[T any](src []T) []T {
	if len(src) == 0 {
		return nil
	}
	return slices.Clone(src)
}

func flag(p *bool) bool { return p != nil && *p }

// flagOf is the way back: false is left out, because the domain does not tell "no" from "not said".
func flagOf(b bool) *bool {
	if !b {
		return nil
	}
	return &b
}

// needed reads a number that must be given, because a missing one would be taken for zero.
func needed(field string, p *int64) (int64, *fault.Error) {
	if p == nil {
		return 0, invalid(field, "found nothing, accepted is a number; 0 must be written")
	}
	return *p, nil
}

// tone reads a body tone: left out is 0 in the domain, so that a 0 written out must be refused here.
func tone(field string, p *int64) (int64, *fault.Error) {
	if p == nil {
		return 0, nil
	}
	if *p == 0 {
		return 0, invalid(field, "found 0, accepted is 1 (black) to 9 (white)")
	}
	return *p, nil
}

func toneOf(n int64) *int64 {
	if n == 0 {
		return nil
	}
	return &n
}

// unsigned reads a position or version: signed on the wire, so that a negative one is refused here with its path.
func unsigned(field string, p *int64) (*uint64, *fault.Error) {
	if p == nil {
		return nil, nil
	}
	u, f := PositionToDomain(field, *p)
	if f != nil {
		return nil, f
	}
	return &u, nil
}

func unsignedOf(p *uint64) *int64 {
	if p == nil {
		return nil
	}
	n := Position(*p)
	return &n
}

// PositionToDomain reads a position.
func PositionToDomain(field string, n int64) (uint64, *fault.Error) {
	if n < 0 {
		return 0, invalid(field, "found %d, accepted is 0 or more", n)
	}
	return uint64(n), nil
}

// Position writes a position. Positions are dense and start at 0: none reaches the largest int64.
func Position(p uint64) int64 {
	if p > math.MaxInt64 {
		return math.MaxInt64
	}
	return int64(p)
}

// Epoch writes a log's epoch: 32 hexadecimal digits.
func Epoch(e [16]byte) string { return hex.EncodeToString(e[:]) }

// EpochToDomain reads a log's epoch.
func EpochToDomain(field, s string) ([16]byte, *fault.Error) {
	var e [16]byte
	if f := hexInto(e[:], field, s, "32 hexadecimal digits"); f != nil {
		return [16]byte{}, f
	}
	return e, nil
}

// hash reads a SHA-256 that must be given.
func hash(field string, p *string) (h [32]byte, f *fault.Error) {
	if p == nil || *p == "" {
		return h, invalid(field, "found nothing, accepted is a SHA-256: 64 hexadecimal digits")
	}
	if f := hexInto(h[:], field, *p, "a SHA-256: 64 hexadecimal digits"); f != nil {
		return [32]byte{}, f
	}
	return h, nil
}

func hexInto(dst []byte, field, s, accepted string) *fault.Error {
	if len(s) != 2*len(dst) {
		return invalid(field, "found %d characters, accepted is %s", len(s), accepted)
	}
	if _, err := hex.Decode(dst, []byte(s)); err != nil {
		return invalid(field, "found %q, accepted is %s", clip(s), accepted)
	}
	return nil
}

func hashOf(h [32]byte) *string {
	s := hex.EncodeToString(h[:])
	return &s
}

// key reads a public key of 32 bytes in base64 (RFC 4648 section 4, padded, no bits left over: one spelling).
func key(field string, p *string) (k [32]byte, f *fault.Error) {
	const accepted = "an Ed25519 public key: 32 bytes in base64, 44 characters"
	if p == nil || *p == "" {
		return k, invalid(field, "found nothing, accepted is %s", accepted)
	}
	b, err := base64.StdEncoding.Strict().DecodeString(*p)
	if err != nil || len(b) != len(k) || len(*p) != 44 {
		return k, invalid(field, "found %q, accepted is %s", clip(*p), accepted)
	}
	return [32]byte(b), nil
}

func keyOf(k [32]byte) *string {
	s := base64.StdEncoding.EncodeToString(k[:])
	return &s
}

// clip shortens found text for a message.
func clip(s string) string {
	const most = 60
	n := 0
	for i := range s {
		if n == most {
			return s[:i] + "…"
		}
		n++
	}
	return s
}
