package evidence

import (
	"cmp"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Summary is what a status needs to know of one lot: its own events, boiled down, and its parents. It never lists the lot's
// descendants, so a lot with 100,000 of them is stored and read as fast as one with none; the one exception are the few children that
// were sent away for testing, whose tests speak for the stones that stayed.
//
// The cbor numbers are part of a stored format of the projection. What a summary holds is never changed in place: Fold answers new
// values that share what did not change.
type Summary struct {
	Lot string `cbor:"1,keyasint"`
	// Openings holds how the lot came to be; more than one entry after corrections (see Fact.Since and Fact.Until).
	Openings []Opening `cbor:"2,keyasint"`
	// Changes are the events that changed pieces or mass, or parted or ended the lot, oldest first; at most maxChanges, the older ones
	// being boiled down to Older.
	Changes []Change `cbor:"3,keyasint,omitempty"`
	Older   *Older   `cbor:"4,keyasint,omitempty"`

	Treated []TreatedFact `cbor:"5,keyasint,omitempty"`
	Tests   []TestFact    `cbor:"6,keyasint,omitempty"`
	Looks   []LookFact    `cbor:"7,keyasint,omitempty"`
	Moves   []Move        `cbor:"8,keyasint,omitempty"`
	Nothing []NothingFact `cbor:"9,keyasint,omitempty"`
	Sales   []Sale        `cbor:"10,keyasint,omitempty"`
	Known   []KnownFact   `cbor:"11,keyasint,omitempty"`

	// Away are the children that were sent away for testing; SentAway tells that this lot is one itself, so that what is made of it
	// is one too. AwayMore counts those that found no place in the list.
	Away     []Away `cbor:"12,keyasint,omitempty"`
	AwayMore int64  `cbor:"13,keyasint,omitempty"`
	SentAway bool   `cbor:"14,keyasint,omitempty"`
	// Undone are events that made other lots of this one and were withdrawn: what they made never came to be.
	Undone []Undone `cbor:"15,keyasint,omitempty"`
	// FirstParted is the position of the first event that made another lot of this one; 0: none.
	FirstParted uint64 `cbor:"16,keyasint,omitempty"`
	// Revision is the position of the event that last changed this summary.
	Revision uint64 `cbor:"17,keyasint"`
	// Remade names the lots whose openings a correction said anew, so that they can be read as before if it is withdrawn. Only corrected
	// events have an entry.
	Remade []Remade `cbor:"18,keyasint,omitempty"`
}

// Fact is what every record of a summary starts with: which event, by whom, when, and in which span of positions this reading of it
// holds. A correction ends one reading and starts another; a withdrawal ends it. So what the log knew at an earlier position can
// still be read.
type Fact struct {
	Event      string    `cbor:"1,keyasint"`
	Position   uint64    `cbor:"2,keyasint"`
	Party      string    `cbor:"3,keyasint"`
	At         opal.When `cbor:"4,keyasint"`
	OccurredAt string    `cbor:"5,keyasint"`
	// Since is the position of the correction that brought this reading; 0: the event's own.
	Since uint64 `cbor:"6,keyasint,omitempty"`
	// Until is the position of the event that ended this reading; 0: it stands.
	Until uint64 `cbor:"7,keyasint,omitempty"`
	// Withdrawn tells a withdrawal from a correction; EndedBy is that event, Because what it said.
	Withdrawn bool   `cbor:"8,keyasint,omitempty"`
	EndedBy   string `cbor:"9,keyasint,omitempty"`
	Because   string `cbor:"10,keyasint,omitempty"`
	// Reading is the event id of the correction that brought this reading; TakenBack is where that correction was withdrawn.
	Reading   string `cbor:"11,keyasint,omitempty"`
	TakenBack uint64 `cbor:"12,keyasint,omitempty"`
}

// since is the position from which this reading was known.
func (f *Fact) since() uint64 {
	if f.Since != 0 {
		return f.Since
	}
	return f.Position
}

// known tells whether the log held this reading, ended or not, before the position.
func (f *Fact) known(knownAt uint64) bool { return f.since() < knownAt }

// ended tells whether the reading had ended before the position.
func (f *Fact) ended(knownAt uint64) bool { return f.Until != 0 && f.Until < knownAt }

// live tells whether this reading was the valid one before the position.
func (f *Fact) live(knownAt uint64) bool { return f.known(knownAt) && !f.ended(knownAt) }

// withdrawn tells whether this reading is the last of an event that was withdrawn before the position.
func (f *Fact) withdrawn(knownAt uint64) bool {
	return f.known(knownAt) && f.ended(knownAt) && f.Withdrawn
}

// Opening is how a lot came to be: mined, acquired, or made of other lots by a split, cut or combination, or as the part of a sale or
// hand-over.
type Opening struct {
	Fact       Fact          `cbor:"1,keyasint"`
	Kind       opal.Kind     `cbor:"2,keyasint"`
	Material   opal.Material `cbor:"3,keyasint"`
	Form       opal.Form     `cbor:"4,keyasint,omitempty"`
	Pieces     *int64        `cbor:"5,keyasint,omitempty"`
	Micrograms int64         `cbor:"6,keyasint,omitempty"`
	Moisture   opal.Moisture `cbor:"7,keyasint,omitempty"`
	Holder     string        `cbor:"8,keyasint"`

	// Of mined and acquired lots.
	Country          string           `cbor:"10,keyasint,omitempty"`
	StatedOrigin     string           `cbor:"11,keyasint,omitempty"`
	StatedTreatments []opal.Treatment `cbor:"12,keyasint,omitempty"`
	StatedUntreated  bool             `cbor:"13,keyasint,omitempty"`

	// Of lots made of others.
	Parents    []Parent         `cbor:"20,keyasint,omitempty"`
	Manner     opal.SplitManner `cbor:"21,keyasint,omitempty"`
	CutManner  opal.CutManner   `cbor:"22,keyasint,omitempty"`
	SortedBy   string           `cbor:"23,keyasint,omitempty"`
	SelectedBy string           `cbor:"24,keyasint,omitempty"`
	Selection  opal.Selection   `cbor:"25,keyasint,omitempty"`
	Purpose    opal.Purpose     `cbor:"26,keyasint,omitempty"`
	// Alone: the event made this lot and nothing else of its parent, so that one piece in and one piece out are the same stone.
	Alone  bool `cbor:"27,keyasint,omitempty"`
	Offcut bool `cbor:"28,keyasint,omitempty"`
}

// Parent is one lot that another was made of, with what it had then.
type Parent struct {
	Lot        string `cbor:"1,keyasint"`
	Pieces     *int64 `cbor:"2,keyasint,omitempty"`
	Micrograms int64  `cbor:"3,keyasint,omitempty"`
}

// Change is an event that changed the pieces or the mass of a lot, parted it, or ended it.
type Change struct {
	Fact   Fact             `cbor:"1,keyasint"`
	Kind   opal.Kind        `cbor:"2,keyasint"`
	Manner opal.SplitManner `cbor:"3,keyasint,omitempty"`
	// Pieces and Micrograms are what the lot had from then on or, with Taken, what was taken from it. nil: not counted.
	Pieces     *int64 `cbor:"4,keyasint,omitempty"`
	Micrograms int64  `cbor:"5,keyasint,omitempty"`
	Taken      bool   `cbor:"6,keyasint,omitempty"`
	// Ends: nothing is left in the lot.
	Ends bool `cbor:"7,keyasint,omitempty"`
}

// Older is what is kept of the changes that found no place in the list.
type Older struct {
	// Position and Last are the place in the log and the time of the latest of them.
	Position uint64    `cbor:"1,keyasint"`
	Last     opal.When `cbor:"2,keyasint"`
	Sorted   bool      `cbor:"3,keyasint,omitempty"`
	Sawn     bool      `cbor:"4,keyasint,omitempty"`
	Count    int64     `cbor:"5,keyasint"`
	// Pieces and Micrograms are what they left in the lot.
	Pieces     *int64 `cbor:"6,keyasint,omitempty"`
	Micrograms int64  `cbor:"7,keyasint,omitempty"`
}

// TreatedFact is a declared treatment.
type TreatedFact struct {
	Fact      Fact           `cbor:"1,keyasint"`
	Treatment opal.Treatment `cbor:"2,keyasint"`
	Medium    string         `cbor:"3,keyasint,omitempty"`
	Extent    opal.Extent    `cbor:"4,keyasint,omitempty"`
	// Late is how many seconds after it happened it was reported, where that was noticed.
	Late int64 `cbor:"5,keyasint,omitempty"`
}

// TestFact is a test.
type TestFact struct {
	Fact       Fact               `cbor:"1,keyasint"`
	Method     opal.Method        `cbor:"2,keyasint"`
	Outcome    opal.Outcome       `cbor:"3,keyasint,omitempty"`
	Findings   []opal.TestFinding `cbor:"4,keyasint,omitempty"`
	LookedFor  []opal.Treatment   `cbor:"5,keyasint,omitempty"`
	Identity   opal.Identity      `cbor:"6,keyasint,omitempty"`
	Conditions map[string]string  `cbor:"7,keyasint,omitempty"`
	Protocol   string             `cbor:"8,keyasint,omitempty"`
	Sample     opal.Sample        `cbor:"9,keyasint"`
	// Moisture of the stones at the start, as the tester stated it.
	Moisture opal.Moisture `cbor:"10,keyasint,omitempty"`
	// Computed is the word that the service read off the test's measurement, and Also further ones; it is judged in place of Outcome, which
	// is the tester's.
	Computed opal.Outcome   `cbor:"11,keyasint,omitempty"`
	Also     []opal.Outcome `cbor:"12,keyasint,omitempty"`
	// Measured: the service computed something from the test's measurement, also where no word fits.
	Measured bool `cbor:"13,keyasint,omitempty"`
}

// word is the outcome that is judged: what was computed from a measurement, else what the tester says.
func (t *TestFact) word() opal.Outcome { return cmp.Or(t.Computed, t.Outcome) }

// LookFact is how a party described the stones.
type LookFact struct {
	Fact         Fact      `cbor:"1,keyasint"`
	BodyColour   string    `cbor:"2,keyasint,omitempty"`
	BodyTone     int64     `cbor:"3,keyasint,omitempty"`
	Transparency opal.Look `cbor:"4,keyasint,omitempty"`
}

// Move is an event of custody.
type Move struct {
	Fact    Fact         `cbor:"1,keyasint"`
	Kind    opal.Kind    `cbor:"2,keyasint"`
	To      string       `cbor:"3,keyasint,omitempty"`
	Purpose opal.Purpose `cbor:"4,keyasint,omitempty"`
	// CameBack: the sender took it back.
	CameBack bool `cbor:"5,keyasint,omitempty"`
	// Gain: more arrived than was sent, so that nobody documents what was added under way.
	Gain   bool             `cbor:"6,keyasint,omitempty"`
	Reason opal.CloseReason `cbor:"7,keyasint,omitempty"`
	Why    opal.ReopenWhy   `cbor:"8,keyasint,omitempty"`
	// Sale is the event id of the sale that a return undoes.
	Sale string `cbor:"9,keyasint,omitempty"`
}

// NothingFact is a holder's word that it did nothing to the stones in that time.
type NothingFact struct {
	Fact Fact      `cbor:"1,keyasint"`
	From opal.When `cbor:"2,keyasint"`
	To   opal.When `cbor:"3,keyasint"`
}

// Sale is a sale with what was claimed.
type Sale struct {
	Fact   Fact         `cbor:"1,keyasint"`
	To     string       `cbor:"2,keyasint,omitempty"` // empty: to a wearer
	Claims []opal.Claim `cbor:"3,keyasint,omitempty"`
}

// KnownFact marks a lot as a stone of known history.
type KnownFact struct {
	Fact      Fact           `cbor:"1,keyasint"`
	Known     opal.Known     `cbor:"2,keyasint"`
	Treatment opal.Treatment `cbor:"3,keyasint,omitempty"`
}

// Away is a child that was sent away for testing.
type Away struct {
	Lot      string    `cbor:"1,keyasint"`
	Event    string    `cbor:"2,keyasint"` // that parted it off
	Position uint64    `cbor:"3,keyasint"` // from which that is known
	At       opal.When `cbor:"4,keyasint"` // when it was parted off
}

// Undone is an event that made other lots and was withdrawn.
type Undone struct {
	Event    string `cbor:"1,keyasint"`
	Position uint64 `cbor:"2,keyasint"`
}

// Remade is a correction of an event that had made other lots, with the lots.
type Remade struct {
	Event string   `cbor:"1,keyasint"` // the correction
	Lots  []string `cbor:"2,keyasint"`
}
