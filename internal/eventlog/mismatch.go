//go:build !js

package eventlog

import (
	"errors"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Mismatch says that journal and store are not two copies of one log, or that one of them is not sound: what was found, and
// which positions it touches. A node that finds one serves reads as far as it can, and takes no events.
type Mismatch struct {
	// Copy is the one that is at fault: "journal" or "store".
	Copy string
	// Seq is the journal sequence of the first block that it touches; 0: not known.
	Seq uint64
	// From and To are the first and last position that it touches. To may be Unbounded.
	From, To uint64
	// Err says what was found.
	Err error
}

// Unbounded is the To of a Mismatch of which it is not known where it ends.
const Unbounded = ^uint64(0)

// Error implements error.
func (m *Mismatch) Error() string {
	positions := fmt.Sprintf("positions %d to %d", m.From, m.To)
	if m.To == Unbounded {
		positions = fmt.Sprintf("positions from %d on", m.From)
	}
	if m.Seq == 0 {
		return fmt.Sprintf("%s, %s: %v", m.Copy, positions, m.Err)
	}
	return fmt.Sprintf("%s, block %d, %s: %v", m.Copy, m.Seq, positions, m.Err)
}

// Unwrap implements errors.Unwrap.
func (m *Mismatch) Unwrap() error { return m.Err }

// Fault is the refusal that callers get from then on.
func (m *Mismatch) Fault() *fault.Error {
	return fault.New(fault.LogReadOnly, "", "this node takes no events: its two copies of the log do not agree (%v); run lotpaper fsck", m)
}

// blockFault says that the block behind a head is not sound.
func blockFault(head *Head, seq uint64, err error) error {
	if _, ok := errors.AsType[*StoreError](err); ok {
		return err // that says nothing of the block
	}
	if fault.Of(err) == fault.LogTooNew {
		return err
	}
	return &Mismatch{Copy: "journal", Seq: seq, From: head.Next, To: Unbounded, Err: err}
}

// StoreError says that the store could not be read or written. It says nothing of what was to be stored.
type StoreError struct {
	// Op is what was being done, in words.
	Op  string
	Err error
}

// Error implements error.
func (e *StoreError) Error() string { return fmt.Sprintf("store: %s: %v", e.Op, e.Err) }

// Unwrap implements errors.Unwrap.
func (e *StoreError) Unwrap() error { return e.Err }
