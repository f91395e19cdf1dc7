package gateway

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// useStrictQuery makes strictQuery the parser of query parameters. The library keeps it in a variable of the whole process and not in
// its mux, so it is set once, before the first gateway serves.
var useStrictQuery = sync.OnceFunc(func() { runtime.SetQueryParameterParser(strictQuery{})(nil) })

// strictQuery refuses a query parameter that the route does not know, and one that stands twice; the library's own parser drops the
// first and takes the last of the second.
type strictQuery struct{ runtime.DefaultQueryParser }

// Parse implements runtime.QueryParameterParser. What the address itself says is in the filter.
func (q strictQuery) Parse(m proto.Message, values url.Values, filter *utilities.DoubleArray) error {
	if f := q.parse(m, values, filter); f != nil {
		return carry(f)
	}
	return nil
}

func (q strictQuery) parse(m proto.Message, values url.Values, filter *utilities.DoubleArray) *fault.Error {
	fields := m.ProtoReflect().Descriptor().Fields()
	for _, name := range sorted(values) { // so that of several faults always the same one is told
		fd := fields.ByJSONName(name)
		if fd == nil || filter.HasCommonPrefix([]string{string(fd.Name())}) {
			return fault.New(fault.InvalidField, clip(name), "found the query parameter %q, accepted here are %s", clip(name), accepted(fields, filter))
		}
		if n := len(values[name]); n != 1 && !fd.IsList() {
			return fault.New(fault.InvalidField, name, "found the query parameter %q %d times, accepted is once", name, n)
		}
		// One at a time, so that what is wrong is wrong with this one.
		if err := q.DefaultQueryParser.Parse(m, url.Values{name: values[name]}, filter); err != nil {
			return fault.New(fault.InvalidField, name, "found %q, accepted is %s", clip(values.Get(name)), kindText(fd))
		}
	}
	return nil
}

func sorted(values url.Values) []string {
	names := make([]string, 0, len(values))
	for name := range values {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func accepted(fields protoreflect.FieldDescriptors, filter *utilities.DoubleArray) string {
	var names []string
	for i := range fields.Len() {
		if !filter.HasCommonPrefix([]string{string(fields.Get(i).Name())}) {
			names = append(names, fields.Get(i).JSONName())
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

func kindText(fd protoreflect.FieldDescriptor) string {
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

// addressFault refuses what stands in the address or the body where no decoder would look at it: every query parameter of a POST,
// whose fields belong into its body, and every body of another method, whose fields belong into the address.
func addressFault(r *http.Request) *fault.Error {
	values, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return fault.New(fault.InvalidField, "", "found a query that is not well formed (%v), accepted is name=value&name=value in percent-encoding", err)
	}
	if r.Method == http.MethodPost {
		if len(values) > 0 {
			name := clip(sorted(values)[0])
			return fault.New(fault.InvalidField, name, "found the query parameter %q, accepted are none with POST: fields stand in the body", name)
		}
		return nil
	}
	if r.ContentLength != 0 {
		return fault.New(fault.InvalidField, "", "found a body, accepted is none with %s: fields stand in the query", r.Method)
	}
	return nil
}
