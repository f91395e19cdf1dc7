package rpc

import (
	"google.golang.org/grpc/encoding"
	// Registers the codec that codec wraps.
	_ "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// incoming is a message that is to be read, with what was wrong with it. gRPC answers a message that its codec refuses at once and in its
// own words; so ours refuses none, and the edge looks at the fault when it has the call back.
type incoming struct {
	message any
	fault   *fault.Error
}

// codec is protobuf, within a limit.
type codec struct {
	encoding.CodecV2
	most int
}

// slack is how many times the largest message may come in, to be refused in our words with its size; what is larger still, gRPC refuses
// in its own without reading it.
const slack = 16

func newCodec(most int) codec { return codec{encoding.GetCodecV2("proto"), most} }

// Unmarshal implements encoding.CodecV2.
func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	in, ok := v.(*incoming)
	if !ok {
		return c.CodecV2.Unmarshal(data, v)
	}
	if data.Len() > c.most {
		in.fault = fault.New(fault.TooLarge, "", "found a message of %d bytes, accepted are at most %d", data.Len(), c.most)
		return nil
	}
	if err := c.CodecV2.Unmarshal(data, in.message); err != nil {
		in.fault = fault.New(fault.InvalidField, "", "found bytes that are no message of the method's kind, accepted is protobuf as the contract defines it")
	}
	return nil
}

// receive reads a message by way of the codec.
func receive(read func(any) error, m any) error {
	in := incoming{message: m}
	if err := read(&in); err != nil {
		return err
	}
	if in.fault != nil {
		return in.fault
	}
	return nil
}
