package block

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// MaxOutcome bounds what is stored of a computed outcome.
const MaxOutcome = 16 << 10

// outcomes is the codec of an entry's outcome.
var outcomes = canon.For[opal.Computed]()

// EncodeOutcome writes what was computed from a measurement, as an entry holds it.
func EncodeOutcome(c *opal.Computed) ([]byte, error) {
	b, err := outcomes.Append(nil, c)
	if err != nil {
		return nil, fmt.Errorf("encode a computed outcome: %w", err)
	}
	if len(b) > MaxOutcome {
		return nil, fault.New(fault.TooLarge, "measurement", "found a computed outcome of %d bytes, accepted are at most %d", len(b), MaxOutcome)
	}
	return b, nil
}

// DecodeOutcome reads it.
func DecodeOutcome(b []byte) (*opal.Computed, error) {
	if len(b) > MaxOutcome {
		return nil, fault.New(fault.TooLarge, "", "found a computed outcome of %d bytes, accepted are at most %d", len(b), MaxOutcome)
	}
	c := new(opal.Computed)
	if err := outcomes.Decode(b, c); err != nil {
		return nil, fmt.Errorf("decode a computed outcome: %w", err)
	}
	return c, nil
}
