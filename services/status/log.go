package status

import (
	"context"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Tail is the log as the projection follows it. Safe for many readers at once.
type Tail interface {
	// Next is the position of the event to come: every event before it is applied on this node and will stay.
	Next() (position uint64, epoch [16]byte)
	// Wait returns once the event at a position is applied, or with the context's error.
	Wait(ctx context.Context, position uint64) error
	// Tail calls f with each applied block from the one that holds the position on, in order, until there is none or f fails.
	Tail(from uint64, f func(*eventlog.Applied) error) error
	// Head says where the log stands, with the root of its tree.
	Head() eventlog.Head
}

// Accounts are the accounts as of the log's latest applied event; nil without an error: there is none. What they answer is not
// changed.
type Accounts interface {
	Lot(id string) (*account.Lot, error)
	Log() (*account.Log, error)
}

// Events are the events of the log; nil without an error: there is none.
type Events interface {
	// Recorded finds an event by its id, "<party>/<requestId>", and Event with its statement.
	Recorded(id string) (*opal.Recorded, error)
	Event(id string) (*eventlog.Event, error)
	// At finds the event at a position.
	At(position uint64) (*eventlog.Event, error)
	// Events calls f with the events whose Event.Lot it is, at positions from ≤ p < to, in order, until f fails.
	Events(lot string, from, to uint64, f func(*eventlog.Event) error) error
	// Signers answers the ids of the keys that signed for the event at a position, and KeyHolder whose a key is.
	Signers(position uint64) (keyIDs []string, err error)
	// SignersOf is Signers for whoever asks it of many events.
	SignersOf() (of func(*eventlog.Event) ([]string, error), done func() error, err error)
	KeyHolder(keyID string) (party string, err error)
	// Show gives an event with the private values that a party may see, as far as they are kept on this node.
	Show(e *eventlog.Event, party string) (*eventlog.Shown, error)
}

// Log is a node's own copy of the log.
type Log interface {
	Tail
	Accounts
	Events
}

var _ Log = (*eventlog.Log)(nil)
