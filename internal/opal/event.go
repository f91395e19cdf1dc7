package opal

import (
	"encoding/hex"
	"fmt"
	"strings"
)

// Event is one thing that a party says has happened to a lot (or, for directory and policy events, to the log).
//
// The struct is also the layout of what is hashed, signed and stored: the numbers in the cbor tags are fixed for ever (a number is
// never reused), and the fields marked "private" carry `cbor:"-"`, so that a statement cannot hold them: they travel as openings,
// the statement only commits to them. Exactly one of the body pointers is set.
type Event struct {
	RequestID RequestID `cbor:"1,keyasint"`
	// Lot is the lot the event is about: the new one for mined, acquired and combined, the old one for split and cut, empty
	// for directory and policy events.
	Lot string `cbor:"2,keyasint,omitempty"`
	// Party is who says so. It stands in the envelope, once for all statements of a batch, and not in the statement.
	Party string `cbor:"-"`
	// OccurredAt is RFC 3339, or a bare date, kept as posted.
	OccurredAt string `cbor:"3,keyasint"`
	// ExpectedRevision, if set, is the position of the lot's latest event that the poster knew.
	ExpectedRevision *uint64      `cbor:"4,keyasint,omitempty"`
	Moisture         Moisture     `cbor:"5,keyasint,omitempty"`
	Attachments      []Attachment `cbor:"6,keyasint,omitempty"`
	Remark           string       `cbor:"-"` // private

	Mined           *Mined           `cbor:"10,keyasint,omitempty"`
	Acquired        *Acquired        `cbor:"11,keyasint,omitempty"`
	Split           *Split           `cbor:"12,keyasint,omitempty"`
	Combined        *Combined        `cbor:"13,keyasint,omitempty"`
	Cut             *Cut             `cbor:"14,keyasint,omitempty"`
	Tested          *Tested          `cbor:"15,keyasint,omitempty"`
	Treated         *Treated         `cbor:"16,keyasint,omitempty"`
	Described       *Described       `cbor:"17,keyasint,omitempty"`
	HandedOver      *HandedOver      `cbor:"18,keyasint,omitempty"`
	Sold            *Sold            `cbor:"19,keyasint,omitempty"`
	Received        *Received        `cbor:"20,keyasint,omitempty"`
	Refused         *Refused         `cbor:"21,keyasint,omitempty"`
	Returned        *Returned        `cbor:"22,keyasint,omitempty"`
	NothingDone     *NothingDone     `cbor:"23,keyasint,omitempty"`
	Counted         *Counted         `cbor:"24,keyasint,omitempty"`
	Set             *Set             `cbor:"25,keyasint,omitempty"`
	Unset           *Unset           `cbor:"26,keyasint,omitempty"`
	ReferenceSet    *ReferenceSet    `cbor:"27,keyasint,omitempty"`
	Closed          *Closed          `cbor:"28,keyasint,omitempty"`
	Reopened        *Reopened        `cbor:"29,keyasint,omitempty"`
	Corrected       *Corrected       `cbor:"30,keyasint,omitempty"`
	Withdrawn       *Withdrawn       `cbor:"31,keyasint,omitempty"`
	Enrolled        *Enrolled        `cbor:"32,keyasint,omitempty"`
	TokenIssued     *TokenIssued     `cbor:"33,keyasint,omitempty"`
	TokenRevoked    *TokenRevoked    `cbor:"34,keyasint,omitempty"`
	KeyAdded        *KeyAdded        `cbor:"35,keyasint,omitempty"`
	KeyRevoked      *KeyRevoked      `cbor:"36,keyasint,omitempty"`
	MethodValidated *MethodValidated `cbor:"37,keyasint,omitempty"`
	PolicySet       *PolicySet       `cbor:"38,keyasint,omitempty"`
	LogOpened       *LogOpened       `cbor:"39,keyasint,omitempty"`
	HandleIssued    *HandleIssued    `cbor:"40,keyasint,omitempty"`
	HandleRevoked   *HandleRevoked   `cbor:"41,keyasint,omitempty"`
}

// RequestID is the poster's own UUID of an event.
type RequestID [16]byte

// ParseRequestID reads a UUID in its usual 36-character form (RFC 9562), either case.
func ParseRequestID(s string) (RequestID, error) {
	var id RequestID
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return id, fmt.Errorf("found %q, accepted is a UUID such as 2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", clip(s))
	}
	if _, err := hex.Decode(id[:], []byte(strings.ReplaceAll(s, "-", ""))); err != nil {
		return RequestID{}, fmt.Errorf("found %q, accepted is a UUID: 32 hexadecimal digits in five groups", clip(s))
	}
	return id, nil
}

// String gives the lower-case 36-character form.
func (r RequestID) String() string {
	var b [36]byte
	hex.Encode(b[0:8], r[0:4])
	hex.Encode(b[9:13], r[4:6])
	hex.Encode(b[14:18], r[6:8])
	hex.Encode(b[19:23], r[8:10])
	hex.Encode(b[24:36], r[10:16])
	b[8], b[13], b[18], b[23] = '-', '-', '-', '-'
	return string(b[:])
}

// IsZero tells whether no id was given.
func (r RequestID) IsZero() bool { return r == RequestID{} }

// ID is the event's id, "<party>/<requestId>": known before the event is sent and stable over a restore of the log.
func (e *Event) ID() string { return e.Party + "/" + e.RequestID.String() }

// Attachment is a file that belongs to an event, named by its hash.
type Attachment struct {
	SHA256    [32]byte `cbor:"1,keyasint"`
	MediaType string   `cbor:"2,keyasint"`
	Name      string   `cbor:"-"` // private
}

// Origin is where rough was dug.
type Origin struct {
	Country string `cbor:"1,keyasint"` // ISO 3166-1 alpha-2
	Region  string `cbor:"-"`          // private
	Deposit string `cbor:"-"`          // private
	Licence string `cbor:"-"`          // private
}

// Material is what the lot is made of.
type Material struct {
	Kind       MaterialKind `cbor:"1,keyasint"`
	Look       Look         `cbor:"2,keyasint,omitempty"`
	BodyColour string       `cbor:"3,keyasint,omitempty"`
	BodyTone   int64        `cbor:"4,keyasint,omitempty"` // 1 (black) to 9 (white); 0: not stated
}

// Mined opens a lot whose origin is documented.
type Mined struct {
	Origin   Origin   `cbor:"1,keyasint"`
	Material Material `cbor:"2,keyasint"`
	Form     Form     `cbor:"3,keyasint,omitempty"` // unset: ROUGH
	Pieces   *int64   `cbor:"4,keyasint,omitempty"` // unset: not counted
	Mass     Mass     `cbor:"5,keyasint"`
}

// Acquired opens a lot whose past is undocumented.
type Acquired struct {
	Material         Material    `cbor:"1,keyasint"`
	Form             Form        `cbor:"2,keyasint,omitempty"`
	Pieces           *int64      `cbor:"3,keyasint,omitempty"`
	Mass             Mass        `cbor:"4,keyasint"`
	StatedOrigin     string      `cbor:"5,keyasint,omitempty"`
	StatedTreatments []Treatment `cbor:"6,keyasint,omitempty"`
	StatedUntreated  bool        `cbor:"7,keyasint,omitempty"`
	From             string      `cbor:"-"` // private
}

// Split parts a lot into children; with Rest the parent stays open.
type Split struct {
	Rest      *Rest       `cbor:"1,keyasint,omitempty"`
	Children  []Part      `cbor:"2,keyasint"`
	Manner    SplitManner `cbor:"3,keyasint,omitempty"` // unset: SORTED
	SortedBy  string      `cbor:"4,keyasint,omitempty"`
	Selected  string      `cbor:"5,keyasint,omitempty"` // selectedBy, for SAMPLE
	Selection Selection   `cbor:"6,keyasint,omitempty"`
	Loss      *Loss       `cbor:"7,keyasint,omitempty"`
}

// Rest is what stays in a lot that was split.
type Rest struct {
	Pieces   *int64   `cbor:"1,keyasint,omitempty"`
	Mass     Mass     `cbor:"2,keyasint"`
	Moisture Moisture `cbor:"3,keyasint,omitempty"`
}

// Part is a child of a split.
type Part struct {
	Lot      string   `cbor:"1,keyasint"`
	Pieces   *int64   `cbor:"2,keyasint,omitempty"`
	Mass     Mass     `cbor:"3,keyasint"`
	Moisture Moisture `cbor:"4,keyasint,omitempty"`
}

// Loss is what a split or cut did not keep.
type Loss struct {
	Mass     Mass   `cbor:"1,keyasint,omitempty"`
	Pieces   *int64 `cbor:"2,keyasint,omitempty"`
	Why      string `cbor:"3,keyasint,omitempty"`
	Measured bool   `cbor:"4,keyasint,omitempty"`
}

// Combined closes several lots into a new one.
type Combined struct {
	Parents []string `cbor:"1,keyasint"`
	Pieces  *int64   `cbor:"2,keyasint,omitempty"`
	Mass    Mass     `cbor:"3,keyasint"`
}

// Cut closes a lot into finished stones and offcuts.
type Cut struct {
	Stones  []Stone   `cbor:"1,keyasint"`
	Offcuts []Part    `cbor:"2,keyasint,omitempty"`
	Loss    *Loss     `cbor:"3,keyasint,omitempty"`
	Manner  CutManner `cbor:"4,keyasint,omitempty"` // unset: ROUGH_CUT
}

// Stone is one finished stone, or a lot of alike stones, that a cut made.
type Stone struct {
	Lot          string    `cbor:"1,keyasint"`
	Pieces       *int64    `cbor:"2,keyasint,omitempty"`
	Mass         Mass      `cbor:"3,keyasint"`
	Form         Form      `cbor:"4,keyasint,omitempty"` // unset: CABOCHON
	Shape        string    `cbor:"5,keyasint,omitempty"`
	DimensionsMm []float64 `cbor:"6,keyasint,omitempty"`
	Moisture     Moisture  `cbor:"7,keyasint,omitempty"`
}

// Tested records what a test showed.
type Tested struct {
	Method     Method            `cbor:"1,keyasint"`
	Sample     Sample            `cbor:"2,keyasint"`
	Outcome    Outcome           `cbor:"3,keyasint,omitempty"`
	Findings   []TestFinding     `cbor:"4,keyasint,omitempty"`
	LookedFor  []Treatment       `cbor:"5,keyasint,omitempty"`
	Identity   Identity          `cbor:"6,keyasint,omitempty"`
	Conditions map[string]string `cbor:"7,keyasint,omitempty"`
	Instrument string            `cbor:"8,keyasint,omitempty"`
	Protocol   string            `cbor:"9,keyasint,omitempty"`
	Destroyed  *Destroyed        `cbor:"10,keyasint,omitempty"`
	// Measurement is the raw measurement, if the tester gives it: then the service computes what it says itself, and keeps both.
	Measurement *Measurement `cbor:"11,keyasint,omitempty"`
}

// Sample says which stones of the lot a test touched.
type Sample struct {
	Kind       SampleKind `cbor:"1,keyasint"`
	Tested     *int64     `cbor:"2,keyasint,omitempty"`
	Of         *int64     `cbor:"3,keyasint,omitempty"`
	Positive   *int64     `cbor:"4,keyasint,omitempty"`
	Lots       []string   `cbor:"5,keyasint,omitempty"`
	SelectedBy string     `cbor:"6,keyasint,omitempty"`
	Selection  Selection  `cbor:"7,keyasint,omitempty"`
}

// TestFinding is one thing seen in a test, with its place.
type TestFinding struct {
	Outcome   Outcome   `cbor:"1,keyasint"`
	Treatment Treatment `cbor:"2,keyasint,omitempty"`
	Where     Place     `cbor:"3,keyasint,omitempty"`
	Note      string    `cbor:"4,keyasint,omitempty"`
}

// Destroyed is what a test used up.
type Destroyed struct {
	Pieces *int64 `cbor:"1,keyasint,omitempty"`
	Mass   Mass   `cbor:"2,keyasint,omitempty"`
}

// Treated declares a treatment.
type Treated struct {
	Treatment  Treatment `cbor:"1,keyasint"`
	Medium     string    `cbor:"2,keyasint,omitempty"`
	Process    *Process  `cbor:"3,keyasint,omitempty"`
	Extent     Extent    `cbor:"4,keyasint,omitempty"`
	MassBefore Mass      `cbor:"5,keyasint,omitempty"`
	MassAfter  Mass      `cbor:"6,keyasint,omitempty"`
}

// Process is how a treatment was done.
type Process struct {
	TemperatureCelsius *float64 `cbor:"1,keyasint,omitempty"`
	DurationHours      *float64 `cbor:"2,keyasint,omitempty"`
	Steps              []string `cbor:"3,keyasint,omitempty"`
}

// Described says how a lot looks and, if given, what it weighed.
type Described struct {
	BodyTone     int64     `cbor:"1,keyasint,omitempty"`
	BodyColour   string    `cbor:"2,keyasint,omitempty"`
	Transparency Look      `cbor:"3,keyasint,omitempty"`
	PlayOfColour string    `cbor:"4,keyasint,omitempty"`
	DimensionsMm []float64 `cbor:"5,keyasint,omitempty"`
	MeasuredMass Mass      `cbor:"6,keyasint,omitempty"`
}

// HandedOver gives the stones, not the title, to another party.
type HandedOver struct {
	To      string  `cbor:"1,keyasint"`
	Purpose Purpose `cbor:"2,keyasint"`
	Part    *PartOf `cbor:"3,keyasint,omitempty"`
}

// PartOf splits a part off within a sale or hand-over; the rest stays.
type PartOf struct {
	Lot      string      `cbor:"1,keyasint"`
	Pieces   *int64      `cbor:"2,keyasint,omitempty"`
	Mass     Mass        `cbor:"3,keyasint"`
	Manner   SplitManner `cbor:"4,keyasint,omitempty"`
	Moisture Moisture    `cbor:"5,keyasint,omitempty"`
}

// Sold gives stones and title to another party.
type Sold struct {
	To         string  `cbor:"1,keyasint"` // a party id, or Outside
	Claims     []Claim `cbor:"2,keyasint,omitempty"`
	Price      string  `cbor:"-"` // private
	Part       *PartOf `cbor:"3,keyasint,omitempty"`
	OnBehalfOf string  `cbor:"4,keyasint,omitempty"` // the owner, where a holder sells on consignment
}

// Claim is what a seller says of a stone.
type Claim struct {
	Claim   ClaimKind `cbor:"1,keyasint"`
	Country string    `cbor:"2,keyasint,omitempty"` // for ORIGIN
}

// Received ends a pending hand-over or sale.
type Received struct {
	Pieces   *int64 `cbor:"1,keyasint,omitempty"`
	Mass     Mass   `cbor:"2,keyasint,omitempty"`
	CameBack bool   `cbor:"3,keyasint,omitempty"` // the sender takes it back
}

// Refused ends a pending hand-over or sale without a move.
type Refused struct {
	Because string `cbor:"1,keyasint"`
}

// Returned sends the title of a sold lot back.
type Returned struct {
	Sale    string `cbor:"1,keyasint"` // event id of the sale
	Because string `cbor:"2,keyasint"`
}

// NothingDone is a holder's word that it did nothing to the stones in that time.
type NothingDone struct {
	From string `cbor:"1,keyasint"`
	To   string `cbor:"2,keyasint"`
}

// Counted sets pieces and mass anew.
type Counted struct {
	Pieces *int64   `cbor:"1,keyasint,omitempty"`
	Mass   Mass     `cbor:"2,keyasint,omitempty"`
	Why    CountWhy `cbor:"3,keyasint"`
}

// Set and Unset say that stones went into, or came out of, a piece of jewellery.
type Set struct {
	Piece string `cbor:"1,keyasint"`
}

// Unset is the reverse of Set.
type Unset struct {
	Piece string `cbor:"1,keyasint,omitempty"`
}

// ReferenceSet marks a lot as one of known history.
type ReferenceSet struct {
	Known     Known     `cbor:"1,keyasint"`
	Treatment Treatment `cbor:"2,keyasint,omitempty"`
	How       string    `cbor:"3,keyasint"`
}

// Closed ends a lot.
type Closed struct {
	Reason CloseReason `cbor:"1,keyasint"`
	Claims []Claim     `cbor:"2,keyasint,omitempty"`
}

// Reopened opens a closed lot again, after an undocumented span.
type Reopened struct {
	Why ReopenWhy `cbor:"1,keyasint"`
}

// Corrected replaces fields of an earlier event; Replacement has the same kind of body, complete.
type Corrected struct {
	Event       string       `cbor:"1,keyasint"`
	Because     string       `cbor:"2,keyasint"`
	Replacement *Replacement `cbor:"3,keyasint"`
}

// Replacement is the whole corrected body, of the same kind as the amended event's, with its time and moisture.
type Replacement struct {
	OccurredAt      string           `cbor:"1,keyasint,omitempty"` // unset: unchanged
	Moisture        Moisture         `cbor:"2,keyasint,omitempty"` // unset: unchanged
	Mined           *Mined           `cbor:"10,keyasint,omitempty"`
	Acquired        *Acquired        `cbor:"11,keyasint,omitempty"`
	Split           *Split           `cbor:"12,keyasint,omitempty"`
	Combined        *Combined        `cbor:"13,keyasint,omitempty"`
	Cut             *Cut             `cbor:"14,keyasint,omitempty"`
	Tested          *Tested          `cbor:"15,keyasint,omitempty"`
	Treated         *Treated         `cbor:"16,keyasint,omitempty"`
	Described       *Described       `cbor:"17,keyasint,omitempty"`
	HandedOver      *HandedOver      `cbor:"18,keyasint,omitempty"`
	Sold            *Sold            `cbor:"19,keyasint,omitempty"`
	Received        *Received        `cbor:"20,keyasint,omitempty"`
	NothingDone     *NothingDone     `cbor:"23,keyasint,omitempty"`
	Counted         *Counted         `cbor:"24,keyasint,omitempty"`
	Closed          *Closed          `cbor:"28,keyasint,omitempty"`
	MethodValidated *MethodValidated `cbor:"37,keyasint,omitempty"`
}

// Withdrawn takes an earlier event back.
type Withdrawn struct {
	Event   string `cbor:"1,keyasint"`
	Because string `cbor:"2,keyasint"`
}

// Enrolled admits a party.
type Enrolled struct {
	Party       string   `cbor:"1,keyasint"`
	Roles       []Role   `cbor:"2,keyasint"`
	TokenHash   [32]byte `cbor:"3,keyasint"`
	DisplayName string   `cbor:"-"` // private
	Contact     string   `cbor:"-"` // private
}

// TokenIssued gives a party another token.
type TokenIssued struct {
	Party     string   `cbor:"1,keyasint"`
	TokenHash [32]byte `cbor:"2,keyasint"`
	Scopes    []Scope  `cbor:"3,keyasint,omitempty"`
	Expires   string   `cbor:"4,keyasint,omitempty"` // RFC 3339; unset: never
}

// TokenRevoked ends a token. Token is the first 16 hexadecimal digits of its hash.
type TokenRevoked struct {
	Party string `cbor:"1,keyasint"`
	Token string `cbor:"2,keyasint"`
}

// KeyAdded admits a public key (Ed25519).
type KeyAdded struct {
	Party     string   `cbor:"1,keyasint"`
	PublicKey [32]byte `cbor:"2,keyasint"`
	Use       KeyUse   `cbor:"3,keyasint"`
}

// KeyRevoked ends a key; events at or after CompromisedSince are doubtful.
type KeyRevoked struct {
	Party            string  `cbor:"1,keyasint"`
	KeyID            string  `cbor:"2,keyasint"`
	CompromisedSince *uint64 `cbor:"3,keyasint,omitempty"`
	Because          string  `cbor:"4,keyasint"`
}

// MethodValidated is a laboratory's counts of stones of known history.
type MethodValidated struct {
	Method   Method          `cbor:"1,keyasint"`
	Protocol string          `cbor:"2,keyasint"`
	Rows     []ValidationRow `cbor:"3,keyasint"`
	Lots     []string        `cbor:"4,keyasint,omitempty"`
}

// ValidationRow counts how often an outcome was seen on treated and on untreated stones.
type ValidationRow struct {
	Outcome       Outcome   `cbor:"1,keyasint"`
	Treatment     Treatment `cbor:"2,keyasint"`
	TreatedWith   int64     `cbor:"3,keyasint"`
	TreatedAll    int64     `cbor:"4,keyasint"`
	UntreatedWith int64     `cbor:"5,keyasint"`
	UntreatedAll  int64     `cbor:"6,keyasint"`
}

// PolicySet puts judging numbers in force from its position on.
type PolicySet struct {
	Policy Policy `cbor:"1,keyasint"`
}

// LogOpened is the event at position 0.
type LogOpened struct {
	LogName       string   `cbor:"1,keyasint"`
	Epoch         [16]byte `cbor:"2,keyasint"`
	AdminKey      [32]byte `cbor:"3,keyasint"`
	IntakeKey     [32]byte `cbor:"4,keyasint"`
	CheckpointKey [32]byte `cbor:"5,keyasint"`
	Policy        Policy   `cbor:"6,keyasint"`
	// AdminTokenHash is the SHA-256 of the admin's first token.
	AdminTokenHash [32]byte `cbor:"7,keyasint"`
	// HandleKeyHash is the SHA-256 of the key from which public handles are derived.
	HandleKeyHash [32]byte `cbor:"8,keyasint"`
	// Continues is the checkpoint of the log that this one was restored from, as text; empty for a new log.
	Continues string `cbor:"9,keyasint,omitempty"`
}

// HandleIssued gives a lot another public handle.
type HandleIssued struct {
	Handle string `cbor:"1,keyasint"`
}

// HandleRevoked ends a public handle.
type HandleRevoked struct {
	Handle string `cbor:"1,keyasint"`
}

// Recorded is an event with its place in the log.
type Recorded struct {
	Event      Event
	Position   uint64
	RecordedAt Instant
	// When is OccurredAt resolved in the log's zone.
	When     When
	Findings []Finding
	// Computed is what the service made of a test's measurement; nil: it had none.
	Computed *Computed
}

// Finding is something that judging noticed and did not refuse. Code is one of the Find constants; the figures that belong to it
// stand in the typed fields, so that its sentence can be made anew in any language.
type Finding struct {
	Code string `cbor:"1,keyasint"`
	Lot  string `cbor:"2,keyasint,omitempty"`
	// Micrograms is the unexplained mass (negative: a loss).
	Micrograms int64 `cbor:"3,keyasint,omitempty"`
	// PartsPerMillion is the share or yield that the finding speaks of.
	PartsPerMillion int64 `cbor:"4,keyasint,omitempty"`
	Pieces          int64 `cbor:"5,keyasint,omitempty"`
	// DelaySeconds is how late a late event was reported.
	DelaySeconds int64 `cbor:"6,keyasint,omitempty"`
	// Note completes the sentence where a figure cannot.
	Note string `cbor:"7,keyasint,omitempty"`
}
