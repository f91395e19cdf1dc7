package status

import (
	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// schema is the version of everything below. Another number makes another directory, and what stands in the old one is made anew.
const schema = 6

// meta says what the store holds: every event before Next, of the log that had that tree then. It lies in every batch, so that a
// store is never at two places at once.
type meta struct {
	Epoch [16]byte `cbor:"1,keyasint"`
	Next  uint64   `cbor:"2,keyasint"`
	// Block is the hash of the last block, which names all blocks before it too.
	Block      [32]byte     `cbor:"3,keyasint"`
	RecordedAt opal.Instant `cbor:"4,keyasint"`
}

// lotRecord is what a status needs to know of one lot, and who had it when. It never lists what was made of the lot: that a lot has
// 100,000 descendants costs its record nothing.
type lotRecord struct {
	Summary evidence.Summary `cbor:"1,keyasint"`
	// Holds says from which position on who held and owned the lot, oldest first: the first and the latest, maxHolds at most.
	Holds []hold `cbor:"2,keyasint"`
	// Pending is the hand-over that waits for an answer.
	Pending *pending `cbor:"3,keyasint,omitempty"`
	// Dropped is the hand-over that came to nothing last: if that is withdrawn, it waits again.
	Dropped *dropped `cbor:"4,keyasint,omitempty"`
}

// dropped is a hand-over that an event ended without a move.
type dropped struct {
	By      string  `cbor:"1,keyasint"`
	Pending pending `cbor:"2,keyasint"`
}

// maxHolds bounds Holds: more than any stone changes hands, and few enough that one that is handed to and fro costs little.
const maxHolds = 1_024

// hold is who held and owned a lot from a position on.
type hold struct {
	From   uint64 `cbor:"1,keyasint"`
	Holder string `cbor:"2,keyasint"`
	Owner  string `cbor:"3,keyasint"`
	// Event is by which it came about; Ended the hand-over that it ended.
	Event string   `cbor:"4,keyasint"`
	Ended *pending `cbor:"5,keyasint,omitempty"`
}

// pending is a sale or hand-over that the named party has not answered.
type pending struct {
	Event string `cbor:"1,keyasint"`
	To    string `cbor:"2,keyasint"`
	Title bool   `cbor:"3,keyasint,omitempty"`
}

// offeredTo is the party whose receipt the lot waits for; "": none.
func (r *lotRecord) offeredTo() string {
	if r == nil || r.Pending == nil || r.Pending.To == opal.Outside {
		return ""
	}
	return r.Pending.To
}

// at answers who held and owned the lot once the event at the position had happened; the zero hold before the lot was opened.
func (r *lotRecord) at(position uint64) hold {
	for i := len(r.Holds) - 1; i >= 0; i-- {
		if r.Holds[i].From <= position {
			return r.Holds[i]
		}
	}
	return hold{}
}

// now is the latest hold.
func (r *lotRecord) now() hold {
	if len(r.Holds) == 0 {
		return hold{}
	}
	return r.Holds[len(r.Holds)-1]
}

// handleRecord is what a public handle leads to.
type handleRecord struct {
	Lot    string `cbor:"1,keyasint"`
	Issued uint64 `cbor:"2,keyasint"`
	// Revoked is the position of the revocation; nil: it answers.
	Revoked *uint64 `cbor:"3,keyasint,omitempty"`
}

// saleRecord is what the record said of a sale's claims when they were made: judged by what the log knew at the sale's position, and
// never again.
type saleRecord struct {
	Event  string         `cbor:"1,keyasint"` // the sale; for a correction, what it corrects
	Lot    string         `cbor:"2,keyasint"`
	Claims []judgedClaim  `cbor:"3,keyasint"`
	Found  []opal.Finding `cbor:"4,keyasint,omitempty"`
}

// judgedClaim is a claim with its verdict.
type judgedClaim struct {
	Claim   opal.Claim            `cbor:"1,keyasint"`
	Verdict evidence.ClaimVerdict `cbor:"2,keyasint"`
}

// marks are the events that amend an event.
type marks struct {
	Withdrawn *mark  `cbor:"1,keyasint,omitempty"`
	Corrected []mark `cbor:"2,keyasint,omitempty"`
}

// mark is one of them.
type mark struct {
	Event    string `cbor:"1,keyasint"`
	Position uint64 `cbor:"2,keyasint"`
}

// side tells why a lot matters to a party that an alert is for.
type side byte

const (
	holding side = 'h' // it holds the lot
	selling side = 's' // it sold the lot
)

// job is an event whose effect on other lots has not been told yet.
type job struct {
	Event     string         `cbor:"1,keyasint"`
	Kind      opal.Kind      `cbor:"2,keyasint"`
	Lot       string         `cbor:"3,keyasint"`
	Treatment opal.Treatment `cbor:"4,keyasint,omitempty"`
	// When is the time of what was reported, withdrawn or corrected: lots that were parted off before are not concerned.
	When opal.When `cbor:"5,keyasint"`
}

// alertRecord tells a party of one event that concerns lots of its.
type alertRecord struct {
	Event     string         `cbor:"1,keyasint"`
	Kind      opal.Kind      `cbor:"2,keyasint"`
	Lot       string         `cbor:"3,keyasint"`
	Treatment opal.Treatment `cbor:"4,keyasint,omitempty"`
	Count     int64          `cbor:"5,keyasint"`
	// Lots are the first ones, alertLots at most.
	Lots []string `cbor:"6,keyasint"`
}

// alertLots is how many lots an alert names.
const alertLots = 20

// codecs are the encodings of the records.
type codecs struct {
	meta       *canon.Codec[meta]
	lot        *canon.Codec[lotRecord]
	handle     *canon.Codec[handleRecord]
	sale       *canon.Codec[saleRecord]
	marks      *canon.Codec[marks]
	job        *canon.Codec[job]
	alert      *canon.Codec[alertRecord]
	policy     *canon.Codec[opal.Policy]
	valid      *canon.Codec[validation]
	compromise *canon.Codec[compromise]
	file       *canon.Codec[fileUse]
}

func newCodecs() *codecs {
	return &codecs{
		canon.For[meta](), canon.For[lotRecord](), canon.For[handleRecord](), canon.For[saleRecord](), canon.For[marks](),
		canon.For[job](), canon.For[alertRecord](), canon.For[opal.Policy](), canon.For[validation](), canon.For[compromise](), canon.For[fileUse](),
	}
}
