package gateway

import (
	"errors"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// carried is a fault on its way through the generated code, which keeps of a decoding error nothing but its text. So the text is a
// form that uncarry reads back; no error of anybody else begins like it.
type carried struct{ fault *fault.Error }

const carryMark, carrySeparator, carryBody = "\x00lotpaper fault", "\x00", "body"

func carry(f *fault.Error) error { return carried{f} }

func (c carried) Error() string {
	of := ""
	if c.fault.BodyTooLarge {
		of = carryBody
	}
	return strings.Join([]string{carryMark, string(c.fault.Reason), of, c.fault.Field, c.fault.Message}, carrySeparator)
}

// uncarry finds the fault in an error that may have come through the generated code.
func uncarry(err error) (*fault.Error, bool) {
	if f, ok := fault.As(err); ok {
		return f, true
	}
	var c carried
	if errors.As(err, &c) {
		return c.fault, true
	}
	s, ok := status.FromError(err)
	if !ok || s.Code() != codes.InvalidArgument {
		return nil, false
	}
	parts := strings.SplitN(strings.TrimPrefix(s.Message(), carryMark+carrySeparator), carrySeparator, 4)
	if !strings.HasPrefix(s.Message(), carryMark+carrySeparator) || len(parts) != 4 {
		return nil, false
	}
	f := fault.New(fault.Reason(parts[0]), strings.ReplaceAll(parts[2], carrySeparator, ""), "%s", parts[3])
	f.BodyTooLarge = parts[1] == carryBody
	return f, true
}
