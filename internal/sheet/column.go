package sheet

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// column is one column of a table.
type column struct {
	head string
	// path are the names from the event down; those of the list and of the part are apart where there is a "[]".
	path []string
	// list is how many names of path lead to the list; 0: no list.
	list int
	// key is the last name where it is one of a map of words, such as tested.conditions.cleaned.
	field protoreflect.FieldDescriptor
	// unit is added to masses that have none: "mined.mass [ct]".
	unit string
}

var headings = regexp.MustCompile(`^\s*([A-Za-z0-9.\[\]-]+?)\s*(?:\[(ct|g|mg|kg|oz|ozt)\])?\s*$`)

// columnOf reads a heading.
func columnOf(head string) (column, *fault.Error) {
	c := column{head: strings.TrimSpace(head)}
	m := headings.FindStringSubmatch(head)
	if m == nil {
		return c, fault.New(fault.InvalidField, "", "found the heading %q, accepted is the path of a field, such as lot or mined.mass", clip(c.head))
	}
	c.unit = m[2]
	md := (&pb.Event{}).ProtoReflect().Descriptor()
	steps := strings.Split(m[1], ".")
	for i, step := range steps {
		name, isList := strings.CutSuffix(step, "[]")
		fd := md.Fields().ByJSONName(name)
		c.path = append(c.path, name)
		switch {
		case fd == nil || answersOnly(fd):
			return c, fault.New(fault.InvalidField, "", "found the heading %q, and there is no field %q; accepted here are %s", clip(c.head), clip(name), names(md))
		case fd.IsMap():
			if isList || i != len(steps)-2 {
				return c, fault.New(fault.InvalidField, "", "found the heading %q, accepted is %s.NAME: each condition has a column", c.head, name)
			}
			c.path, c.field = append(c.path, steps[i+1]), fd.MapValue()
			return c.withUnit()
		case isList != (fd.IsList() && fd.Message() != nil):
			return c, fault.New(fault.InvalidField, "", "found the heading %q, accepted is %q with \"[]\" behind lists of parts and only there", c.head, name)
		case fd.Message() == nil:
			if i < len(steps)-1 {
				return c, fault.New(fault.InvalidField, "", "found the heading %q, accepted is nothing below %s, which is a value", c.head, name)
			}
			c.field = fd
			return c.withUnit()
		case isList && c.list > 0:
			return c, fault.New(fault.InvalidField, "", "found the heading %q, accepted is one list in a column", c.head)
		case isList:
			c.list = i + 1
		}
		md = fd.Message()
	}
	return c, fault.New(fault.InvalidField, "", "found the heading %q, which has fields of its own; accepted here are %s", clip(c.head), names(md))
}

func (c column) withUnit() (column, *fault.Error) {
	if c.unit != "" && !c.isMass() {
		return c, fault.New(fault.InvalidField, "", "found a unit in the heading %q, accepted is one with masses only", c.head)
	}
	return c, nil
}

// isMass tells whether a cell is a mass: by the name, which the contract keeps for masses.
func (c column) isMass() bool {
	switch c.path[len(c.path)-1] {
	case "mass", "massBefore", "massAfter", "measuredMass":
		return c.field.Kind() == protoreflect.StringKind
	}
	return false
}

// sameField tells whether two columns give the same field.
func (c column) sameField(d column) bool { return slices.Equal(c.path, d.path) }

// answersOnly tells what of an event only answers carry or only the log writes.
func answersOnly(fd protoreflect.FieldDescriptor) bool {
	return fd.ContainingMessage().FullName() == "lotpaper.v1.Event" && (fd.Number() >= 60 || fd.Name() == "log_opened")
}

func names(md protoreflect.MessageDescriptor) string {
	var list []string
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		if answersOnly(fd) {
			continue
		}
		name := fd.JSONName()
		if fd.IsList() && fd.Message() != nil {
			name += "[]"
		}
		list = append(list, name)
	}
	return strings.Join(list, ", ")
}

// Kinds lists the kinds of event that have a template.
func Kinds() []string {
	var list []string
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		if fd := fields.Get(i); !answersOnly(fd) && fd.Name() != "corrected" && fd.Name() != "policy_set" {
			list = append(list, fd.JSONName())
		}
	}
	return list
}

// Template gives the header row of a kind of event: all its columns, in the order of the contract.
func Template(kind string) ([]string, error) {
	if !slices.Contains(Kinds(), kind) {
		return nil, fmt.Errorf("found %q, accepted is one of %s", kind, strings.Join(Kinds(), ", "))
	}
	event := (&pb.Event{}).ProtoReflect().Descriptor()
	heads := []string{"requestId", "lot", "occurredAt", "moisture", "remark"}
	return append(heads, templateOf(event.Fields().ByJSONName(kind).Message(), kind+".")...), nil
}

func templateOf(md protoreflect.MessageDescriptor, prefix string) []string {
	var heads []string
	for i := range md.Fields().Len() {
		switch fd := md.Fields().Get(i); {
		case fd.IsMap():
			heads = append(heads, prefix+fd.JSONName()+".cleaned")
		case fd.IsList() && fd.Message() != nil:
			heads = append(heads, templateOf(fd.Message(), prefix+fd.JSONName()+"[].")...)
		case fd.Message() != nil:
			heads = append(heads, templateOf(fd.Message(), prefix+fd.JSONName()+".")...)
		default:
			heads = append(heads, prefix+fd.JSONName())
		}
	}
	return heads
}

// clip shortens found text for a message.
func clip(s string) string {
	const most = 60
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most]) + "…"
}
