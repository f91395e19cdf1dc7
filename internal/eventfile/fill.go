package eventfile

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/text/unicode/norm"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// filler writes nodes into a message of the contract by its description, so that names and types are those of the API and every
// problem has its path and line. It goes on after a problem, so that all are told.
type filler struct {
	found []placed
}

// placed is a fault with its line.
type placed struct {
	line  int
	fault *fault.Error
}

func (f *filler) refuse(line int, field, format string, args ...any) {
	f.found = append(f.found, placed{line, fault.New(fault.InvalidField, field, format, args...)})
}

// message fills a message from a Map.
func (f *filler) message(m protoreflect.Message, n *Node, path string) {
	if n.Shape != Map {
		f.refuse(n.Line, path, "found %s, accepted are the fields %s", n.sayFound(), fieldNames(m.Descriptor()))
		return
	}
	first := map[protoreflect.FullName]string{} // the field of each oneof that stands already
	for _, k := range n.Keys {
		field := join(path, k.Name)
		fd := m.Descriptor().Fields().ByJSONName(k.Name)
		if fd == nil {
			f.refuse(k.Line, field, "there is no such field; accepted here are %s", fieldNames(m.Descriptor()))
			continue
		}
		if one := fd.ContainingOneof(); one != nil && !one.IsSynthetic() {
			if before := first[one.FullName()]; before != "" {
				f.refuse(k.Line, field, "found both %s and %s, accepted is exactly one body", before, k.Name)
				continue
			}
			first[one.FullName()] = k.Name
		}
		switch v := k.Value; {
		case v.Shape == Null:
			f.refuse(k.Line, field, "found nothing, accepted is %s; leave out what is not known", sayKind(fd))
		case fd.IsMap():
			f.words(m.Mutable(fd).Map(), fd, v, field)
		case fd.IsList():
			f.list(m.Mutable(fd).List(), fd, v, field)
		case fd.Message() != nil:
			f.message(m.Mutable(fd).Message(), v, field)
		default:
			if value, ok := f.scalar(fd, v, field); ok {
				m.Set(fd, value)
			}
		}
	}
}

func (f *filler) list(list protoreflect.List, fd protoreflect.FieldDescriptor, n *Node, path string) {
	if n.Shape != List {
		f.refuse(n.Line, path, "found %s, accepted is a list", n.sayFound())
		return
	}
	for i, item := range n.Items {
		field := path + "[" + strconv.Itoa(i) + "]"
		if fd.Message() != nil {
			f.message(list.AppendMutable().Message(), item, field)
			continue
		}
		value, ok := f.scalar(fd, item, field)
		if !ok {
			value = fd.Default() // keeps the places of those that follow
			if !value.IsValid() {
				value = list.NewElement()
			}
		}
		list.Append(value)
	}
}

// words fills a map of texts.
func (f *filler) words(m protoreflect.Map, fd protoreflect.FieldDescriptor, n *Node, path string) {
	if n.Shape != Map {
		f.refuse(n.Line, path, "found %s, accepted are names with values", n.sayFound())
		return
	}
	for _, k := range n.Keys {
		if value, ok := f.scalar(fd.MapValue(), k.Value, path+"["+strconv.Quote(k.Name)+"]"); ok {
			m.Set(protoreflect.ValueOfString(norm.NFC.String(k.Name)).MapKey(), value)
		}
	}
}

func (f *filler) scalar(fd protoreflect.FieldDescriptor, n *Node, path string) (protoreflect.Value, bool) {
	wrong := func() (protoreflect.Value, bool) {
		f.refuse(n.Line, path, "found %s, accepted is %s", n.sayFound(), sayKind(fd))
		return protoreflect.Value{}, false
	}
	if n.Shape == List || n.Shape == Map || n.Shape == Null {
		return wrong()
	}
	switch fd.Kind() {
	case protoreflect.StringKind:
		if n.Shape != Text && n.Shape != Plain {
			return wrong()
		}
		return protoreflect.ValueOfString(norm.NFC.String(n.Text)), true
	case protoreflect.Int32Kind:
		v, err := strconv.ParseInt(n.Text, 10, 32)
		if err != nil || n.Shape == Bool || strings.HasPrefix(n.Text, "+") {
			return wrong()
		}
		return protoreflect.ValueOfInt32(int32(v)), true
	case protoreflect.Int64Kind:
		v, err := strconv.ParseInt(n.Text, 10, 64)
		if err != nil || n.Shape == Bool || strings.HasPrefix(n.Text, "+") {
			return wrong()
		}
		return protoreflect.ValueOfInt64(v), true
	case protoreflect.DoubleKind:
		v, err := strconv.ParseFloat(n.Text, 64)
		if err != nil || n.Shape == Bool || math.IsInf(v, 0) || math.IsNaN(v) || strings.ContainsAny(n.Text, "xXpP_") {
			return wrong()
		}
		return protoreflect.ValueOfFloat64(v), true
	case protoreflect.BoolKind:
		if n.Shape == Text || n.Text != "true" && n.Text != "false" {
			return wrong()
		}
		return protoreflect.ValueOfBool(n.Text == "true"), true
	}
	return wrong()
}

// sayKind says in words what a field takes.
func sayKind(fd protoreflect.FieldDescriptor) string {
	switch {
	case fd.IsMap():
		return "names with values"
	case fd.IsList():
		return "a list"
	case fd.Message() != nil:
		return "the fields " + fieldNames(fd.Message())
	}
	switch fd.Kind() {
	case protoreflect.Int32Kind, protoreflect.Int64Kind:
		return "a whole number"
	case protoreflect.DoubleKind:
		return "a number"
	case protoreflect.BoolKind:
		return "true or false"
	}
	return "a text"
}

// fieldNames lists what a request may give of a message: of an event not what answers add.
func fieldNames(md protoreflect.MessageDescriptor) string {
	var names []string
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		if md.FullName() == "lotpaper.v1.Event" && (fd.Number() >= 60 || fd.Name() == "log_opened") {
			continue
		}
		names = append(names, fd.JSONName())
	}
	return strings.Join(names, ", ")
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// sorted gives the faults in the order of their lines.
func (f *filler) sorted() []placed {
	slices.SortStableFunc(f.found, func(a, b placed) int { return a.line - b.line })
	return f.found
}
