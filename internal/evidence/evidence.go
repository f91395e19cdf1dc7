// Package evidence says what the record of an opal lot supports, and no more: a verdict for each treatment, with every item that was
// weighed and every item that was set aside; the custody line with its gaps; and whether a claim stands.
//
// It promises that an answer is a pure function of the summaries, the rule table and the question, that combining, splitting, sorting
// or cutting stones never betters a verdict, that what says nothing changes nothing, and that "not tested" never reads as untreated.
//
// It keeps no store: Fold makes the summaries that follow from an event, and whoever calls it stores them (services/status does).
// Whether an event is acceptable at all is internal/account's matter.
package evidence

import "github.com/lotpaper/lotpaper/internal/opal"

// Verdict is what is known of one treatment.
type Verdict string

// The verdicts, worst first. Undeterminable and NotApplicable have no rank: they do not count for the overall verdict.
const (
	Declared       Verdict = "DECLARED"
	Found          Verdict = "FOUND"
	Conflicting    Verdict = "CONFLICTING"
	Suspected      Verdict = "SUSPECTED"
	Open           Verdict = "OPEN"
	NotTested      Verdict = "NOT_TESTED"
	NotFound       Verdict = "NOT_FOUND"
	Undeterminable Verdict = "UNDETERMINABLE"
	NotApplicable  Verdict = "NOT_APPLICABLE"
)

// Strength is what a verdict rests on: the record, a diagnostic sign, or the weight of counts in the words of the verbal scale.
type Strength string

// The strengths that need no counts.
const (
	ByRecord Strength = "BY_RECORD"
	BySign   Strength = "BY_SIGN"
)

// Stance is what an outcome of a method says of a treatment.
type Stance string

// The stances.
const (
	Silent             Stance = "SILENT"         // says nothing, whatever the outcome
	PointsTo           Stance = "POINTS_TO"      // graded
	PointsAway         Stance = "POINTS_AWAY"    // graded
	Shows              Stance = "SHOWS"          // a published diagnostic sign
	Excludes           Stance = "EXCLUDES"       // physically incompatible
	StanceInapplicable Stance = "NOT_APPLICABLE" // can't or need not be asked of this material
)

// Group is what is sensed: outcomes of one group are not independent of each other.
type Group string

// The groups.
const (
	Organics Group = "ORGANICS"
	Carbon   Group = "CARBON"
	Colour   Group = "COLOUR"
	Pores    Group = "PORES"
	Build    Group = "BUILD"
)

// Coverage is how a test touches the stone in question.
type Coverage string

// The coverages.
const (
	ThisStone   Coverage = "THIS_STONE"
	SourcePiece Coverage = "SOURCE_PIECE"
	SampleOf    Coverage = "SAMPLE"
)

// ItemKind says what an evidence item is.
type ItemKind string

// The kinds of item.
const (
	ItemDeclaration ItemKind = "declaration"
	ItemStated      ItemKind = "stated"
	ItemTest        ItemKind = "test"
	ItemInherited   ItemKind = "inherited"
)

// Rules are what judges: the rule table and the policy's numbers that a status needs.
type Rules struct {
	Table *Table
	// TransitDays is how long a hand-over may be under way before the time counts as undocumented.
	TransitDays int64
	// SampleBound is the largest share of treated stones, in parts per million, that a sample may leave possible for NOT_FOUND.
	SampleBound int64
}

// Query asks for the status of a lot.
type Query struct {
	Lot string
	// Get answers the summary of a lot, nil without an error for an unknown one. What it answers is not changed.
	Get func(lot string) (*Summary, error)
	// AsOf: only what happened up to then. KnownAt: only what the log held at positions before it.
	AsOf    opal.Instant
	KnownAt uint64
	// Rules answers what judged at a position; nil: the latest table with the default policy.
	Rules func(knownAt uint64) (Rules, error)
	// Compromised tells whether the key that spoke for the party at that position was in other hands by then; nil: none was.
	Compromised func(party string, position uint64) (bool, error)
	// Validated answers what a laboratory counted on stones of known history with a method under a protocol, as the log knew it before a
	// position, oldest first; nil: nobody counted anything.
	Validated func(party string, method opal.Method, protocol string, knownAt uint64) ([]Validation, error)
	// Ratios remembers likelihood ratios from one question to the next; nil: this one computes its own.
	Ratios *Ratios
	// WithoutSales leaves out what was claimed at sales, which costs a status each.
	WithoutSales bool
	// WithoutMissing leaves out what it would take to support a claim, which costs a search; the sentences in its place are empty.
	WithoutMissing bool
}

// Status is the answer.
type Status struct {
	Lot     string
	AsOf    opal.Instant
	KnownAt uint64
	// Void: the event that made the lot was withdrawn, so that it never came to be.
	Void       bool
	Treatments []TreatmentStatus // all of them, in the order of opal.AllTreatments
	Overall    Verdict
	Custody    []CustodySpan
	Sales      []SaleClaims
	Record     Record
	// OriginCountry is where an unbroken line leads to; "": nowhere, or to more than one.
	OriginCountry string
	RuleTable     string // version
	Statement     string
	// Lots is how many lots the answer rests on.
	Lots int
}

// TreatmentStatus is what is known of one treatment.
type TreatmentStatus struct {
	Treatment opal.Treatment
	Verdict   Verdict
	Strength  Strength // "": none
	// LR is the combined likelihood ratio with its interval at Level, and Log10LR its common logarithm; nil: none.
	LR       *LikelihoodRatio
	Level    float64
	Log10LR  *float64
	Evidence []Item
	// Sample is what a sample drawn blindly says of the stone, which was not in it; nil: none does.
	Sample *SampleSupport
	// BySample: the verdict rests on that sample; the stone itself was not tested.
	BySample bool
	// Share is the share of a combined lot, in parts per million, that the verdict comes from; 0: it speaks of the whole.
	Share     int64
	Statement string
}

// SampleSupport is what stones drawn blindly from a parcel say of one that was not among them. It is no likelihood ratio of the stone.
type SampleSupport struct {
	Event string
	// Tested of Of were drawn, and Positive showed it; at least Lower and at most Upper of all are treated (exact, 95 %, one-sided each).
	Tested, Of, Positive, Lower, Upper int64
	// Bound of Among is the most that may be treated where the stone is now, after the parcel was Sorted; Lost: it was sawn, cut or counted anew, and
	// nothing is left of the statement.
	Bound, Among int64
	Sorted, Lost bool
	// Untested is the probability that a stone which nobody tested is treated, from the sample alone and with Jeffreys' prior.
	Untested float64
}

// Item is one thing known about one treatment.
type Item struct {
	Event      string
	Position   uint64
	Lot        string
	Party      string
	At         opal.When
	OccurredAt string
	Kind       ItemKind

	Method   opal.Method
	Outcome  opal.Outcome
	Where    opal.Place
	Extent   opal.Extent // of a declaration, or of what an EXCLUDES excludes if not every extent
	Stance   Stance
	Coverage Coverage
	Group    Group
	Rule     string // "MICROSCOPE/CARBON_SPECKS/SMOKE"
	Source   string

	// Counts tells whether it counts in the verdict; SetAside says why not.
	Counts   bool
	SetAside string

	// Of a sample: stones tested, in the parcel, and that showed it; nil: not stated.
	Tested, Of, Positive *int64
	// Counted are the stones of known history behind a graded outcome; nil: none.
	Counted *Counted
	// CountedBy says whose they are: "published", or the events of the laboratory.
	CountedBy string
	// LR is its likelihood ratio with its 95 % interval, and Formula how they come from the counts; nil: direction only.
	LR      *LikelihoodRatio
	Formula string

	Text string
}

// Counted is how often an outcome, or a more extreme one, was seen on treated and on untreated stones of known history.
type Counted struct {
	TreatedWith, TreatedAll, UntreatedWith, UntreatedAll int64
}

// LikelihoodRatio is how much more probable an outcome is on treated than on untreated stones, with its 95 % interval.
type LikelihoodRatio struct {
	Point, Lower, Upper float64
}

// CustodySpan is a time in which one party held the stones, or in which nobody documents who did.
type CustodySpan struct {
	Holder     string     // "": undocumented
	From       *opal.When // nil: unknown
	To         *opal.When // nil: still
	Documented bool
	Because    string
	Lot        string
	Event      string
}

// SaleClaims is what was said at a sale.
type SaleClaims struct {
	Event      string
	Position   uint64
	Lot        string
	Party      string
	To         string // "": a wearer
	OccurredAt string
	Returned   bool
	Claims     []ClaimThenAndNow
}

// ClaimThenAndNow compares what the record said at the sale, by what the log knew then, with what it says of that time now.
type ClaimThenAndNow struct {
	Claim   opal.Claim
	Then    ClaimVerdict
	Now     ClaimVerdict
	Because string
}

// Record counts the hands that state that they did nothing to the stones.
type Record struct {
	Stated, Hands, Gaps int64
	Statements          []HandStatement
	Text                string
}

// HandStatement is one party's word that it did nothing.
type HandStatement struct {
	Event        string
	Party        string
	Lot          string
	From, To     opal.When
	Contradicted bool // by a declaration or a find
}

// ClaimVerdict is what the record says of a claim.
type ClaimVerdict string

// The claim verdicts.
const (
	Supported    ClaimVerdict = "SUPPORTED"
	Unsupported  ClaimVerdict = "UNSUPPORTED"
	Contradicted ClaimVerdict = "CONTRADICTED"
)

// ClaimResult is one claim weighed.
type ClaimResult struct {
	Claim    opal.Claim
	Verdict  ClaimVerdict
	Strength Strength // the weakest; "": none
	Because  string
	Missing  []string
}

// Fold answers the summaries that an event changes, as new values; what get answered is left as it was. Bare dates inside the event
// are days in UTC; FoldIn takes another zone, and a Folder does the same for many events in turn.
func Fold(get func(lot string) (*Summary, error), rec *opal.Recorded) ([]*Summary, error) {
	return FoldIn(get, rec, 0)
}

// FoldIn is Fold with bare dates as days at zoneMinutes east of UTC, as the policy in force at the event's position says.
func FoldIn(get func(lot string) (*Summary, error), rec *opal.Recorded, zoneMinutes int64) ([]*Summary, error) {
	return NewFolder(get).Fold(rec, zoneMinutes)
}

// Evaluate answers the status of a lot.
func Evaluate(q Query) (*Status, error) { return evaluate(q) }

// CheckClaims tells whether the record supports claims about a lot; one result for each claim, in their order.
func CheckClaims(q Query, claims []opal.Claim) ([]ClaimResult, error) { return checkClaims(q, claims) }

// NextTests says which tests would tell more of a lot, the most useful first: methods as such and as the laboratories given carry them out, who
// counted them on stones of known history.
func NextTests(q Query, laboratories []Laboratory) (*Next, error) { return nextTests(q, laboratories) }
