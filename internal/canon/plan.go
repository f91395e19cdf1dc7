package canon

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"unicode"
)

// Codec encodes and decodes values of one type. It is immutable and safe for concurrent use.
type Codec[T any] struct {
	root *node
}

// For makes the codec of T. It panics if T has no canonical form: that is a mistake in the program, found when it starts.
func For[T any]() *Codec[T] {
	return &Codec[T]{plan(reflect.TypeFor[T](), nil)}
}

// shape says how a node of the type tree is written.
type shape uint8

const (
	shapeStruct shape = iota
	shapePointer
	shapeText
	shapeBytes      // []byte
	shapeFixedBytes // [N]byte
	shapeArray      // any other slice
	shapeTextMap    // map[string]string
	shapeInt
	shapeUint
	shapeBool
	shapeFloat
)

// node is what is known of a type before the first value is seen.
type node struct {
	shape  shape
	typ    reflect.Type
	size   uintptr // in memory
	elem   *node   // of a pointer or array
	fields []field // of a struct, by ascending key
	// least is the fewest bytes that a value takes. With it the claimed length of an array is held against the bytes that are
	// left before anything is allocated.
	least int
}

// field is one field of a struct.
type field struct {
	key      uint64
	index    int
	offset   uintptr // within the struct
	name     string  // as in ProtoJSON, for messages
	optional bool
	node     *node
}

var textMap = reflect.TypeFor[map[string]string]()

// plan makes the node of a type; path lists the structs that it is inside of.
func plan(t reflect.Type, path []reflect.Type) *node {
	n := &node{typ: t, size: t.Size(), least: 1}
	switch k := t.Kind(); {
	case k == reflect.Struct:
		for _, outer := range path {
			if outer == t {
				panic(fmt.Sprintf("canon: %v contains itself", t))
			}
		}
		n.shape = shapeStruct
		planFields(n, append(path, t))
	case k == reflect.Pointer:
		n.shape = shapePointer
		n.elem = plan(t.Elem(), path)
		n.least = n.elem.least
		if n.elem.shape == shapePointer {
			panic(fmt.Sprintf("canon: %v is a pointer to a pointer", t))
		}
	case k == reflect.String:
		n.shape = shapeText
	case k == reflect.Slice && t.Elem().Kind() == reflect.Uint8:
		n.shape = shapeBytes
	case k == reflect.Array && t.Elem().Kind() == reflect.Uint8:
		n.shape = shapeFixedBytes
		n.least = len(appendHead(nil, majorBytes, uint64(t.Len()))) + t.Len()
	case k == reflect.Slice:
		n.shape = shapeArray
		n.elem = plan(t.Elem(), path)
		if n.elem.shape == shapePointer {
			panic(fmt.Sprintf("canon: %v has elements that could be missing", t))
		}
	case t == textMap:
		n.shape = shapeTextMap
	case k >= reflect.Int && k <= reflect.Int64:
		n.shape = shapeInt
	case k >= reflect.Uint && k <= reflect.Uint64:
		n.shape = shapeUint
	case k == reflect.Bool:
		n.shape = shapeBool
	case k == reflect.Float64:
		n.shape = shapeFloat
	default:
		panic(fmt.Sprintf("canon: %v has no canonical form", t))
	}
	return n
}

func planFields(n *node, path []reflect.Type) {
	for i := range n.typ.NumField() {
		f := n.typ.Field(i)
		tag := f.Tag.Get("cbor")
		if tag == "-" {
			continue
		}
		parts := strings.Split(tag, ",")
		key, err := strconv.ParseUint(parts[0], 10, 32)
		optional := len(parts) == 3 && parts[2] == "omitempty"
		if err != nil || len(parts) < 2 || parts[1] != "keyasint" || len(parts) > 2 && !optional || !f.IsExported() {
			panic(fmt.Sprintf("canon: %v.%s has the tag %q, wanted is one such as \"7,keyasint,omitempty\"", n.typ, f.Name, tag))
		}
		if last := len(n.fields) - 1; last >= 0 && n.fields[last].key >= key {
			panic(fmt.Sprintf("canon: %v.%s: the fields' numbers do not ascend", n.typ, f.Name))
		}
		fn := plan(f.Type, path)
		switch {
		case !optional:
			n.least += len(appendHead(nil, majorUint, key)) + fn.least
		case fn.shape == shapeStruct, fn.shape == shapeFixedBytes, fn.shape == shapeFloat:
			panic(fmt.Sprintf("canon: %v.%s: there is no telling when a %v is empty", n.typ, f.Name, f.Type))
		}
		n.fields = append(n.fields, field{key, i, f.Offset, protoJSON(f.Name), optional, fn})
	}
}

// protoJSON writes a Go field name as ProtoJSON does: requestId for RequestID, sha256 for SHA256.
func protoJSON(name string) string {
	if strings.IndexFunc(name, unicode.IsLower) < 0 {
		return strings.ToLower(name)
	}
	if rest, ok := strings.CutSuffix(name, "ID"); ok {
		name = rest + "Id"
	}
	return strings.ToLower(name[:1]) + name[1:]
}
