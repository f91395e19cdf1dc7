package opal

// The vocabulary's words are strings and not numbers: they stand in signed statements, in JSON and in tables as they are, and a
// refusal can list what is accepted.
type (
	MaterialKind string
	Look         string
	Form         string
	Moisture     string
	Treatment    string
	Extent       string
	Method       string
	Outcome      string
	Place        string
	Identity     string
	SampleKind   string
	Selection    string
	SplitManner  string
	CutManner    string
	Purpose      string
	CountWhy     string
	CloseReason  string
	ReopenWhy    string
	ClaimKind    string
	Known        string
	Role         string
	Scope        string
	KeyUse       string
)

// Kinds of opal.
const (
	Hydrophane  MaterialKind = "HYDROPHANE"
	Volcanic    MaterialKind = "VOLCANIC"
	Sedimentary MaterialKind = "SEDIMENTARY"
	Fire        MaterialKind = "FIRE"
	Common      MaterialKind = "COMMON"
	Matrix      MaterialKind = "MATRIX"
	Boulder     MaterialKind = "BOULDER"
	UnknownKind MaterialKind = "UNKNOWN"
)

// Looks: how much light goes through.
const (
	Transparent Look = "TRANSPARENT"
	Translucent Look = "TRANSLUCENT"
	SemiOpaque  Look = "SEMI_OPAQUE"
	Opaque      Look = "OPAQUE"
)

// Forms.
const (
	Rough    Form = "ROUGH"
	Preform  Form = "PREFORM"
	Cabochon Form = "CABOCHON"
	Faceted  Form = "FACETED"
	Beads    Form = "BEADS"
	Carving  Form = "CARVING"
)

// Moisture of a weighing.
const (
	MoistureUnknown Moisture = ""
	Dry             Moisture = "DRY"
	Room            Moisture = "ROOM"
	Wet             Moisture = "WET"
	Soaked          Moisture = "SOAKED"
)

// Treatments.
const (
	Dye       Treatment = "DYE"
	Smoke     Treatment = "SMOKE"
	SugarAcid Treatment = "SUGAR_ACID"
	OilWax    Treatment = "OIL_WAX"
	Resin     Treatment = "RESIN"
	Coating   Treatment = "COATING"
	Backing   Treatment = "BACKING"
	Heat      Treatment = "HEAT"
)

// Extents of a treatment.
const (
	Full    Extent = "FULL"
	Rim     Extent = "RIM"
	Surface Extent = "SURFACE"
)

// Test methods.
const (
	WaterUptake   Method = "WATER_UPTAKE"
	WaterDrop     Method = "WATER_DROP"
	Hydrostatic   Method = "HYDROSTATIC"
	Refractometer Method = "REFRACTOMETER"
	Microscope    Method = "MICROSCOPE"
	Swab          Method = "SWAB"
	HotPoint      Method = "HOT_POINT"
	UVShortWave   Method = "UV_SHORT_WAVE"
	UVLongWave    Method = "UV_LONG_WAVE"
	DeepUVImaging Method = "DEEP_UV_IMAGING"
	Infrared      Method = "INFRARED"
	Raman         Method = "RAMAN"
	UVVis         Method = "UV_VIS"
	XRF           Method = "XRF"
	Polariscope   Method = "POLARISCOPE"
	SideView      Method = "SIDE_VIEW"
)

// Outcomes that every method knows.
const (
	Unreadable  Outcome = "UNREADABLE"
	NothingSeen Outcome = "NOTHING_SEEN"
)

// Places of a test finding.
const (
	Skin    Place = "SKIN"
	Crack   Place = "CRACK"
	Scratch Place = "SCRATCH"
	Body    Place = "BODY"
	Base    Place = "BASE"
)

// Identity findings.
const (
	NaturalOpal          Identity = "NATURAL_OPAL"
	Assembled            Identity = "ASSEMBLED"
	SyntheticOrImitation Identity = "SYNTHETIC_OR_IMITATION"
)

// Kinds of sample.
const (
	Whole  SampleKind = "WHOLE"
	Pieces SampleKind = "PIECES"
	Random SampleKind = "RANDOM"
	Picked SampleKind = "PICKED"
)

// Ways of selecting a sample.
const (
	NumberedDraw Selection = "NUMBERED_DRAW"
	Riffled      Selection = "RIFFLED"
	BlindGrab    Selection = "BLIND_GRAB"
	Chosen       Selection = "CHOSEN"
)

// Manners of a split.
const (
	Unsorted   SplitManner = "UNSORTED"
	Sorted     SplitManner = "SORTED"
	SampleSent SplitManner = "SAMPLE"
	Sawn       SplitManner = "SAWN"
)

// Manners of a cut.
const (
	RoughCut   CutManner = "ROUGH_CUT"
	Calibrated CutManner = "CALIBRATED"
	Recut      CutManner = "RECUT"
	Repolish   CutManner = "REPOLISH"
)

// Purposes of a hand-over.
const (
	ForCutting     Purpose = "CUTTING"
	ForTesting     Purpose = "TESTING"
	ForTreatment   Purpose = "TREATMENT"
	ForConsignment Purpose = "CONSIGNMENT"
	ForTransport   Purpose = "TRANSPORT"
	ForSetting     Purpose = "SETTING"
	ForRepair      Purpose = "REPAIR"
	ForViewing     Purpose = "VIEWING"
	ForReturn      Purpose = "RETURN"
)

// Reasons of a count.
const (
	Recount     CountWhy = "RECOUNT"
	BrokenCount CountWhy = "BROKEN"
	LostCount   CountWhy = "LOST"
	FoundCount  CountWhy = "FOUND"
)

// Reasons of a closing.
const (
	ClosedLost      CloseReason = "LOST"
	ClosedBroken    CloseReason = "BROKEN"
	ClosedInTest    CloseReason = "DESTROYED_IN_TEST"
	ClosedToAWearer CloseReason = "SOLD_TO_WEARER"
)

// Reasons of a reopening.
const (
	BoughtBack     ReopenWhy = "BOUGHT_BACK"
	ReopenRepair   ReopenWhy = "REPAIR"
	ReopenReturned ReopenWhy = "RETURNED"
)

// Claims.
const (
	ClaimUntreated   ClaimKind = "UNTREATED"
	ClaimNoDye       ClaimKind = "NO_DYE"
	ClaimNoSmoke     ClaimKind = "NO_SMOKE"
	ClaimNoSugarAcid ClaimKind = "NO_SUGAR_ACID"
	ClaimNoOilWax    ClaimKind = "NO_OIL_WAX"
	ClaimNoResin     ClaimKind = "NO_RESIN"
	ClaimNoCoating   ClaimKind = "NO_COATING"
	ClaimNoBacking   ClaimKind = "NO_BACKING"
	ClaimNoHeat      ClaimKind = "NO_HEAT"
	ClaimNatural     ClaimKind = "NATURAL"
	ClaimHydrophane  ClaimKind = "HYDROPHANE"
	ClaimOrigin      ClaimKind = "ORIGIN"
)

// Known histories of a reference stone.
const (
	KnownUntreated Known = "UNTREATED"
	KnownTreated   Known = "TREATED"
)

// Roles of a party.
const (
	Miner      Role = "MINER"
	Exporter   Role = "EXPORTER"
	Dealer     Role = "DEALER"
	Cutter     Role = "CUTTER"
	Treater    Role = "TREATER"
	Laboratory Role = "LABORATORY"
	Retailer   Role = "RETAILER"
)

// Scopes of a token.
const (
	ScopeRead  Scope = "READ"
	ScopePost  Scope = "POST"
	ScopeAdmin Scope = "ADMIN"
)

// Uses of a key.
const (
	UseSign       KeyUse = "SIGN"
	UseIntake     KeyUse = "INTAKE"
	UseCheckpoint KeyUse = "CHECKPOINT"
)

// Finding codes.
const (
	FindCoarseWeighing    = "COARSE_WEIGHING"
	FindMoistureSizedGain = "MOISTURE_SIZED_GAIN"
	FindMoistureSizedLoss = "MOISTURE_SIZED_LOSS"
	FindUnexplainedLoss   = "UNEXPLAINED_LOSS"
	FindLineGain          = "LINE_GAIN"
	FindPiecesNotCounted  = "PIECES_NOT_COUNTED"
	FindCountChanged      = "COUNT_CHANGED"
	FindUnusualYield      = "UNUSUAL_YIELD"
	FindArrivalDifference = "ARRIVAL_DIFFERENCE"
	FindArrivalGain       = "ARRIVAL_GAIN"
	FindTreatmentGain     = "TREATMENT_GAIN"
	FindReportedLate      = "REPORTED_LATE"
	FindClaimUnsupported  = "CLAIM_UNSUPPORTED"
	FindClaimContradicted = "CLAIM_CONTRADICTED"
)

// Outside is a buyer who is not in the log. It is no party id, and neither is Admin.
const (
	Outside = "outside"
	Admin   = "admin"
)

// Kind names an event's body, as in JSON.
type Kind string

// The kinds of event.
const (
	KindMined           Kind = "mined"
	KindAcquired        Kind = "acquired"
	KindSplit           Kind = "split"
	KindCombined        Kind = "combined"
	KindCut             Kind = "cut"
	KindTested          Kind = "tested"
	KindTreated         Kind = "treated"
	KindDescribed       Kind = "described"
	KindHandedOver      Kind = "handedOver"
	KindSold            Kind = "sold"
	KindReceived        Kind = "received"
	KindRefused         Kind = "refused"
	KindReturned        Kind = "returned"
	KindNothingDone     Kind = "nothingDone"
	KindCounted         Kind = "counted"
	KindSet             Kind = "set"
	KindUnset           Kind = "unset"
	KindReferenceSet    Kind = "referenceSet"
	KindClosed          Kind = "closed"
	KindReopened        Kind = "reopened"
	KindCorrected       Kind = "corrected"
	KindWithdrawn       Kind = "withdrawn"
	KindEnrolled        Kind = "enrolled"
	KindTokenIssued     Kind = "tokenIssued"
	KindTokenRevoked    Kind = "tokenRevoked"
	KindKeyAdded        Kind = "keyAdded"
	KindKeyRevoked      Kind = "keyRevoked"
	KindMethodValidated Kind = "methodValidated"
	KindPolicySet       Kind = "policySet"
	KindLogOpened       Kind = "logOpened"
	KindHandleIssued    Kind = "handleIssued"
	KindHandleRevoked   Kind = "handleRevoked"
)

// Kind names the event's body; "" if none is set. With more than one body set it names the first: Check refuses such an event.
func (e *Event) Kind() Kind {
	switch {
	case e.Mined != nil:
		return KindMined
	case e.Acquired != nil:
		return KindAcquired
	case e.Split != nil:
		return KindSplit
	case e.Combined != nil:
		return KindCombined
	case e.Cut != nil:
		return KindCut
	case e.Tested != nil:
		return KindTested
	case e.Treated != nil:
		return KindTreated
	case e.Described != nil:
		return KindDescribed
	case e.HandedOver != nil:
		return KindHandedOver
	case e.Sold != nil:
		return KindSold
	case e.Received != nil:
		return KindReceived
	case e.Refused != nil:
		return KindRefused
	case e.Returned != nil:
		return KindReturned
	case e.NothingDone != nil:
		return KindNothingDone
	case e.Counted != nil:
		return KindCounted
	case e.Set != nil:
		return KindSet
	case e.Unset != nil:
		return KindUnset
	case e.ReferenceSet != nil:
		return KindReferenceSet
	case e.Closed != nil:
		return KindClosed
	case e.Reopened != nil:
		return KindReopened
	case e.Corrected != nil:
		return KindCorrected
	case e.Withdrawn != nil:
		return KindWithdrawn
	case e.Enrolled != nil:
		return KindEnrolled
	case e.TokenIssued != nil:
		return KindTokenIssued
	case e.TokenRevoked != nil:
		return KindTokenRevoked
	case e.KeyAdded != nil:
		return KindKeyAdded
	case e.KeyRevoked != nil:
		return KindKeyRevoked
	case e.MethodValidated != nil:
		return KindMethodValidated
	case e.PolicySet != nil:
		return KindPolicySet
	case e.LogOpened != nil:
		return KindLogOpened
	case e.HandleIssued != nil:
		return KindHandleIssued
	case e.HandleRevoked != nil:
		return KindHandleRevoked
	}
	return ""
}
