// Package account keeps the books of opal lots: pieces and mass, custody and title, lineage, and the party directory.
//
// It is two pure functions. Decide judges an event against the accounts as they stand and answers findings or a refusal; Apply
// makes the accounts that follow from an accepted event and its stored findings. Live work, replay, followers and the checker all
// run the same two. Nothing here reads a clock, draws a random number or touches a disk, and nothing given is ever changed in
// place: Apply answers new values.
//
// Decide takes the judging numbers from the policy in force; Apply never does, so that a replay needs the stored findings alone. The
// one thing that Apply reads from the policy is the offset in which a bare date of a correction is a day.
//
// What an event says on its own face is opal.Check's matter and has been checked before; what treatments and tests say about a stone
// is internal/evidence's.
package account

import (
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// State of a lot.
type State string

// The states.
const (
	Open     State = "OPEN"
	Split    State = "SPLIT"
	Cut      State = "CUT"
	Combined State = "COMBINED"
	Closed   State = "CLOSED"
	Void     State = "VOID"
)

// View is what judging may read: the accounts as of the event before. A nil result without an error means "no such". What a View
// answers must not be changed.
type View interface {
	Lot(id string) (*Lot, error)
	Line(root string) (*Line, error)
	Party(id string) (*Party, error)
	Log() (*Log, error)
	// Recorded finds an earlier event by its id "<party>/<requestId>".
	Recorded(id string) (*opal.Recorded, error)
	// History lists the events of one lot (those whose Event.Lot it is), oldest first.
	History(lot string) ([]opal.Recorded, error)
}

// Changes is what an accepted event makes of the accounts: whole new values, to be stored over the old ones.
type Changes struct {
	Lots    []*Lot
	Lines   []*Line
	Parties []*Party
	Log     *Log // nil: unchanged
}

// Decide judges an event. It answers findings to be stored with the event, or a refusal, or (third) an error of the View.
//
// rec carries the event with its party, the position it would get, the block's recordedAt and When; rec.Findings is ignored.
// The order of checks: lot exists or not, closed, custody and role, order in time, pieces, mass.
func Decide(v View, rec *opal.Recorded) ([]opal.Finding, *fault.Error, error) {
	return decide(v, rec)
}

// Apply makes the accounts that follow from an accepted event; rec.Findings are the stored ones. It refuses nothing: an event that
// Decide accepted always applies, and an event that it would not accept is an error of the log.
func Apply(v View, rec *opal.Recorded) (*Changes, error) {
	return apply(v, rec)
}

// Log is the part of the state that belongs to no lot.
type Log struct {
	Name   string      `cbor:"1,keyasint"`
	Epoch  [16]byte    `cbor:"2,keyasint"`
	Policy opal.Policy `cbor:"3,keyasint"`
	// PolicyAt is the position of the event that set Policy.
	PolicyAt uint64 `cbor:"4,keyasint"`
	// HandleKeyHash is the SHA-256 of the key from which public handles are derived.
	HandleKeyHash [32]byte `cbor:"5,keyasint"`
}

// Party is a directory entry. The admin (opal.Admin) has one too, without roles.
type Party struct {
	ID         string      `cbor:"1,keyasint"`
	Roles      []opal.Role `cbor:"2,keyasint,omitempty"`
	EnrolledBy string      `cbor:"3,keyasint"` // event id
	EnrolledAt uint64      `cbor:"4,keyasint"` // position
	Tokens     []Token     `cbor:"5,keyasint,omitempty"`
	Keys       []Key       `cbor:"6,keyasint,omitempty"`
	Revision   uint64      `cbor:"7,keyasint"`
}

// Token is known by its hash alone.
type Token struct {
	Hash      [32]byte     `cbor:"1,keyasint"`
	Scopes    []opal.Scope `cbor:"2,keyasint,omitempty"` // none: READ and POST
	Expires   opal.Instant `cbor:"3,keyasint,omitempty"` // 0: never
	RevokedAt *uint64      `cbor:"4,keyasint,omitempty"` // position
}

// Key is an Ed25519 public key and the positions in which it counts.
type Key struct {
	ID               string      `cbor:"1,keyasint"` // the first 16 hexadecimal digits of the SHA-256 of the public key
	Public           [32]byte    `cbor:"2,keyasint"`
	Use              opal.KeyUse `cbor:"3,keyasint"`
	AddedAt          uint64      `cbor:"4,keyasint"`
	RevokedAt        *uint64     `cbor:"5,keyasint,omitempty"`
	CompromisedSince *uint64     `cbor:"6,keyasint,omitempty"`
}

// Lot is the account of one lot.
type Lot struct {
	ID    string `cbor:"1,keyasint"`
	State State  `cbor:"2,keyasint"`
	// OpenedBy is the event that made the lot; for a child the split, cut, sale or hand-over of its parent.
	OpenedBy   string        `cbor:"3,keyasint"`
	OpenedKind opal.Kind     `cbor:"4,keyasint"`
	OpenedAt   opal.When     `cbor:"5,keyasint"`
	OpenedPos  uint64        `cbor:"6,keyasint"`
	Material   opal.Material `cbor:"7,keyasint"`
	Form       opal.Form     `cbor:"8,keyasint"`
	Parents    []string      `cbor:"9,keyasint,omitempty"`
	// Children are the first MaxListed of ChildCount: a lot that is sold piece by piece must not grow without end.
	Children []string `cbor:"10,keyasint,omitempty"`
	// Depth is the longest way up to a lot without parents; Ancestors how many distinct lots lie above.
	Depth     int64 `cbor:"11,keyasint,omitempty"`
	Ancestors int64 `cbor:"12,keyasint,omitempty"`
	// Root names the Line that balances this lot with all its relatives; a combined lot is a new root.
	Root string `cbor:"13,keyasint"`

	Pieces *int64 `cbor:"14,keyasint,omitempty"` // nil: not counted
	// Mass as recorded last; Micrograms is the account's mass, which differs from Mass after a split with a rest or a loss.
	Mass       opal.Mass     `cbor:"15,keyasint"`
	Micrograms int64         `cbor:"16,keyasint"`
	Step       int64         `cbor:"17,keyasint"` // of the scale, micrograms
	Moisture   opal.Moisture `cbor:"18,keyasint,omitempty"`
	// Weighings are the first and the latest of WeighingCount, Keep at most; the last one is the account's mass.
	Weighings []Weighing `cbor:"19,keyasint,omitempty"`

	Owner   string       `cbor:"20,keyasint"`
	Holder  string       `cbor:"21,keyasint"`
	Purpose opal.Purpose `cbor:"22,keyasint,omitempty"` // of a holder that is not the owner
	Pending *Pending     `cbor:"23,keyasint,omitempty"`
	// Custody lists who held and owned the lot, oldest first: the first and the latest of CustodyCount spans, Keep at most. The last
	// one is open while the lot is. A late event that falls among the spans left out is judged from the lot's history.
	Custody []Custody `cbor:"24,keyasint"`
	// SetIn is the piece of jewellery that the stones are set in.
	SetIn string `cbor:"25,keyasint,omitempty"`
	// LastMove is the time of the latest event that moved mass, pieces or custody.
	LastMove When `cbor:"26,keyasint"`
	// ClosedAt is when the lot was split without rest, cut, combined or closed.
	ClosedAt *When  `cbor:"27,keyasint,omitempty"`
	ClosedBy string `cbor:"28,keyasint,omitempty"`
	// Findings are those of the lot's events that speak of this lot, with the event they came with: the first and the latest of
	// FindingCount, Keep at most.
	Findings []LotFinding `cbor:"29,keyasint,omitempty"`
	// Revision is the position of the lot's latest event; Events how many it has had of its own.
	Revision uint64 `cbor:"30,keyasint"`
	Events   int64  `cbor:"31,keyasint"`
	// Handles are the further public handles; RevokedHandles those that no longer answer, the first one's among them.
	Handles        []string `cbor:"32,keyasint,omitempty"`
	RevokedHandles []string `cbor:"33,keyasint,omitempty"`

	ChildCount    int64 `cbor:"34,keyasint,omitempty"`
	WeighingCount int64 `cbor:"35,keyasint,omitempty"`
	CustodyCount  int64 `cbor:"36,keyasint,omitempty"`
	FindingCount  int64 `cbor:"37,keyasint,omitempty"`
	// Amended counts the corrections and withdrawals among the lot's events.
	Amended int64 `cbor:"38,keyasint,omitempty"`

	// Variance is the square of the standard uncertainty of Micrograms, in square micrograms: a mass that was computed has more than
	// its scale's.
	Variance float64 `cbor:"39,keyasint"`
	// Lost is the mass that this lot's own events put down as lost and that no FOUND count has brought back.
	Lost int64 `cbor:"40,keyasint,omitempty"`
	// Sent lists hand-overs of the lot that came to nothing: the party had the stones, or could have had, without ever holding the lot.
	Sent []Sent `cbor:"41,keyasint,omitempty"`

	// What the lot was opened with, where that cannot be read from the first weighing and the first span of custody.
	OpenedPending *Pending `cbor:"42,keyasint,omitempty"`
	OpenedSetIn   string   `cbor:"43,keyasint,omitempty"`
	// MoveBefore is LastMove as it was before a combination closed the lot: if the combination is withdrawn, it holds again.
	MoveBefore *When `cbor:"44,keyasint,omitempty"`
	// CarriedGain is, for a combined lot, the mass that its parts had gained on their own lines: it is no part of the new line's base.
	CarriedGain int64 `cbor:"45,keyasint,omitempty"`
}

// Bounds of an account's lists.
const (
	MaxListed  = 1_000 // children
	Keep       = 32    // weighings, spans of custody, findings, hand-overs that came to nothing
	MaxHandles = 100   // further handles of a lot, and revoked ones
)

// When is opal.When, so that the account reads without the prefix.
type When = opal.When

// Weighing is one accepted weighing of the whole lot, or what a split left of it.
type Weighing struct {
	Event      string        `cbor:"1,keyasint"`
	At         opal.When     `cbor:"2,keyasint"`
	Mass       opal.Mass     `cbor:"3,keyasint,omitempty"` // as written; empty for a mass that was computed
	Micrograms int64         `cbor:"4,keyasint"`
	Step       int64         `cbor:"5,keyasint"`
	Moisture   opal.Moisture `cbor:"6,keyasint,omitempty"`
	Pieces     *int64        `cbor:"7,keyasint,omitempty"`
}

// Custody is a span in which one party held the lot.
type Custody struct {
	Holder  string       `cbor:"1,keyasint"`
	From    opal.When    `cbor:"2,keyasint"`
	To      *opal.When   `cbor:"3,keyasint,omitempty"` // nil: still
	Purpose opal.Purpose `cbor:"4,keyasint,omitempty"`
	Event   string       `cbor:"5,keyasint"` // by which it got there
	Owner   string       `cbor:"6,keyasint"`
}

// Sent is a hand-over or sale that ended without a receipt.
type Sent struct {
	To    string    `cbor:"1,keyasint"`
	From  opal.When `cbor:"2,keyasint"`
	Until opal.When `cbor:"3,keyasint"`
	Event string    `cbor:"4,keyasint"`
}

// Pending is a hand-over or sale that the named party has not answered yet.
type Pending struct {
	Event string `cbor:"1,keyasint"`
	To    string `cbor:"2,keyasint"`
	From  string `cbor:"3,keyasint"`
	// Title tells a sale from a hand-over.
	Title   bool         `cbor:"4,keyasint,omitempty"`
	Purpose opal.Purpose `cbor:"5,keyasint,omitempty"`
	At      opal.When    `cbor:"6,keyasint"`
}

// LotFinding is a finding with the event it came with.
type LotFinding struct {
	Event   string       `cbor:"1,keyasint"`
	Finding opal.Finding `cbor:"2,keyasint"`
}

// Line is the one balance of a root lot with all its descendants: five splits with a moisture allowance each must not hide a doubling.
//
// Total may exceed Base by one allowance and three times the uncertainty; beyond that it is a finding, beyond twice the allowance a
// refusal. Stones that were lost stay in Total, so that their mass cannot come back in another stone of the line.
type Line struct {
	Root string `cbor:"1,keyasint"`
	// Base is the root's mass plus what treatments added, accepted arrival gains and found stones.
	Base int64 `cbor:"2,keyasint"`
	// Total is the mass of all open, closed and lost stones of the line together, as last weighed.
	Total int64 `cbor:"3,keyasint"`
	// Earned says which allowances the weighings of the line have earned so far; the policy says what they are worth, as a share of
	// Base, and the largest counts.
	Earned Earned `cbor:"4,keyasint"`
	// Variance is the square of the combined standard uncertainty of Total − Base, in square micrograms.
	Variance float64 `cbor:"5,keyasint"`
}

// Earned is a set of moisture allowances.
type Earned uint8

// What the moistures of two weighings earn.
const (
	EarnedSame    Earned = 1 << iota // both DRY or both ROOM
	EarnedUnclear                    // they differ, or one is not stated, or both are wet
	EarnedSoaked                     // SOAKED after DRY
)
