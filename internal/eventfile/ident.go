package eventfile

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"math"
	"slices"
	"strconv"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// newRequestID makes the requestId of an event that has none: a UUID of version 8 (RFC 9562, 5.8, formed as its appendix B.2 does from
// a namespace, here a fixed label, and a name). The name is the event's content and the number of events of the same content that
// stand before it in the file. So a file that is posted again, or posted again with more events anywhere in it, repeats what it said
// before, and the service answers the same events; a file that states the same thing twice means two events.
func newRequestID(e *pb.Event, seen map[[32]byte]int) string {
	h := sha256.New()
	h.Write([]byte("lotpaper/requestId/1\n"))
	writeCanonical(h, e.ProtoReflect())
	var content [32]byte
	h.Sum(content[:0])
	n := seen[content]
	seen[content]++
	return uuid8(content[:], binary.BigEndian.AppendUint64(nil, uint64(n)))
}

// uuid8 takes the first 128 bits of the SHA-256 of namespace and name and sets version 8 and the variant of RFC 9562.
func uuid8(namespace, name []byte) string {
	sum := sha256.Sum256(slices.Concat(namespace, name))
	id := opal.RequestID(sum[:16])
	id[6] = id[6]&0x0f | 0x80
	id[8] = id[8]&0x3f | 0x80
	return id.String()
}

// writeCanonical writes a message so that equal contents give equal bytes and different ones different bytes, by field number, whatever
// the order and spelling of the file: number, count, values, each text with its length.
func writeCanonical(h hash.Hash, m protoreflect.Message) {
	var set []protoreflect.FieldDescriptor
	m.Range(func(fd protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		set = append(set, fd)
		return true
	})
	slices.SortFunc(set, func(a, b protoreflect.FieldDescriptor) int { return cmp.Compare(a.Number(), b.Number()) })
	writeNumber(h, uint64(len(set)))
	for _, fd := range set {
		writeNumber(h, uint64(fd.Number()))
		v := m.Get(fd)
		switch {
		case fd.IsMap():
			keys := make([]string, 0, v.Map().Len())
			v.Map().Range(func(k protoreflect.MapKey, _ protoreflect.Value) bool {
				keys = append(keys, k.String())
				return true
			})
			slices.Sort(keys)
			writeNumber(h, uint64(len(keys)))
			for _, k := range keys {
				writeText(h, k)
				writeScalar(h, fd.MapValue(), v.Map().Get(protoreflect.ValueOfString(k).MapKey()))
			}
		case fd.IsList():
			writeNumber(h, uint64(v.List().Len()))
			for i := range v.List().Len() {
				writeScalar(h, fd, v.List().Get(i))
			}
		default:
			writeScalar(h, fd, v)
		}
	}
}

func writeScalar(h hash.Hash, fd protoreflect.FieldDescriptor, v protoreflect.Value) {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		writeCanonical(h, v.Message())
	case protoreflect.StringKind:
		writeText(h, v.String())
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		writeNumber(h, uint64(v.Int()))
	case protoreflect.DoubleKind:
		writeNumber(h, math.Float64bits(v.Float()))
	case protoreflect.BoolKind:
		writeText(h, strconv.FormatBool(v.Bool()))
	}
}

func writeText(h hash.Hash, s string) {
	writeNumber(h, uint64(len(s)))
	h.Write([]byte(s))
}

func writeNumber(h hash.Hash, n uint64) { h.Write(binary.BigEndian.AppendUint64(nil, n)) }
