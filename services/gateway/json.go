package gateway

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"reflect"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// strictJSON is ProtoJSON both ways: unknown fields are refused by name, nothing may follow the one value, an empty body is the
// empty object, and answers carry zero values and empty lists while what is unknown is left out.
type strictJSON struct{ runtime.JSONPb }

func newStrictJSON() *strictJSON {
	return &strictJSON{runtime.JSONPb{
		MarshalOptions:   protojson.MarshalOptions{EmitDefaultValues: true},
		UnmarshalOptions: protojson.UnmarshalOptions{DiscardUnknown: false},
	}}
}

// Marshal writes an answer. ProtoJSON puts spaces in or leaves them out from build to build, so that nobody relies on its bytes; people
// compare and grep them all the same, so they are taken out.
func (s *strictJSON) Marshal(v any) ([]byte, error) { return compacted(s.JSONPb.Marshal(v)) }

func compacted(data []byte, err error) ([]byte, error) {
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := json.Compact(&b, data); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// NewDecoder reads the whole body, which guard has bounded, before it decodes: only then can it tell that nothing follows.
func (s *strictJSON) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		data, err := io.ReadAll(r)
		if err != nil {
			var tooLarge *http.MaxBytesError
			if errors.As(err, &tooLarge) {
				return carry(bodyTooLarge(-1))
			}
			return carry(fault.New(fault.InvalidField, "", "the body could not be read to its end: %v", err))
		}
		return s.Unmarshal(data, v)
	})
}

// Unmarshal is the same for callers that have the bytes.
func (s *strictJSON) Unmarshal(data []byte, v any) error {
	if len(bytes.TrimSpace(data)) == 0 {
		data = []byte("{}")
	}
	if of := descriptorOf(v); of != nil {
		if f := checkShape(data, of); f != nil {
			return carry(f)
		}
	}
	if err := s.JSONPb.Unmarshal(data, v); err != nil {
		return carry(jsonFault(err))
	}
	return nil
}

// descriptorOf finds the message that the generated code decodes into: it passes a message or the address of a field that holds one.
func descriptorOf(v any) protoreflect.MessageDescriptor {
	if m, ok := v.(proto.Message); ok {
		return m.ProtoReflect().Descriptor()
	}
	if t := reflect.TypeOf(v); t.Kind() == reflect.Pointer {
		if m, ok := reflect.Zero(t.Elem()).Interface().(proto.Message); ok {
			return m.ProtoReflect().Descriptor()
		}
	}
	return nil
}

// jsonFault turns into ours what ProtoJSON finds in a body whose shape is right. Its sentences start "proto:" with a space that differs
// from build to build.
func jsonFault(err error) *fault.Error {
	text := strings.ReplaceAll(err.Error(), "\u00a0", " ")
	return fault.New(fault.InvalidField, "", "the body is not what is accepted here: %s", strings.TrimSpace(strings.TrimPrefix(text, "proto:")))
}

func bodyTooLarge(size int64) *fault.Error {
	f := fault.New(fault.TooLarge, "", "found a body of more than %d bytes, accepted are at most %d; post in batches, or stream over gRPC", MaxBody, MaxBody)
	if size > 0 {
		f = fault.New(fault.TooLarge, "", "found a body of %d bytes, accepted are at most %d; post in batches, or stream over gRPC", size, MaxBody)
	}
	f.BodyTooLarge = true
	return f
}

// fileTooLarge is the same of the body that is a file.
func fileTooLarge(size, limit int64) *fault.Error {
	f := fault.New(fault.TooLarge, "", "found a file of more than %d bytes, accepted are at most %d", limit, limit)
	if size > 0 {
		f = fault.New(fault.TooLarge, "", "found a file of %d bytes, accepted are at most %d", size, limit)
	}
	f.BodyTooLarge = true
	return f
}
