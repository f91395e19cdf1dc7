package opal

// Level is the newest level that this version can write: what kinds of event and which block format there are.
const Level = 1

// Policy holds every number that judges, and the rule table in force. It is set by an event and holds from its position on; no
// command-line flag can change how an event is judged. Shares are parts per million, so that no rounding differs between machines.
type Policy struct {
	// Version counts policies: 1 in logOpened, then one more with each policySet.
	Version uint64 `cbor:"1,keyasint"`
	// Level is the newest event kind and block format that may be written: a node that knows less must not sequence.
	Level uint64 `cbor:"2,keyasint"`
	// RuleTable is the SHA-256 of the evidence rule table in force.
	RuleTable [32]byte `cbor:"3,keyasint"`

	// Moisture allowances, as a share of the mass going in.
	HydrophaneSameMoisture    int64 `cbor:"10,keyasint"` // both DRY or both ROOM
	HydrophaneUnclearMoisture int64 `cbor:"11,keyasint"` // they differ, or one is not stated
	HydrophaneSoakedAfterDry  int64 `cbor:"12,keyasint"`
	OtherMaterial             int64 `cbor:"13,keyasint"`
	// CoarseWeighing is the share of the mass above which a weighing's standard uncertainty makes the balance undecidable.
	CoarseWeighing int64 `cbor:"14,keyasint"`
	// UnusualYield is the share of rough above which the yield of finished stones is worth a finding.
	UnusualYield int64 `cbor:"15,keyasint"`
	// SampleBound is the largest share of treated stones that a sample may leave possible for NOT_FOUND.
	SampleBound int64 `cbor:"16,keyasint"`

	// TransitDays is how long a hand-over may be under way before the time counts as an undocumented span.
	TransitDays int64 `cbor:"20,keyasint"`
	// FutureSeconds is how far ahead of the log's clock an event may be dated.
	FutureSeconds int64 `cbor:"21,keyasint"`
	// MaxDepth and MaxAncestors bound a lot's ancestry.
	MaxDepth     int64 `cbor:"22,keyasint"`
	MaxAncestors int64 `cbor:"23,keyasint"`
	// ZoneMinutes is the offset east of UTC in which a bare date is a day. A fixed offset and not a named zone: a named zone's
	// rules change, and a judgement must not.
	ZoneMinutes int64 `cbor:"24,keyasint"`
}

// DefaultPolicy holds this service's conventions. The moisture shares are conventions, not published figures: hydrophane opal has been
// seen to take up 5 to 13 % of its mass in water within one piece of rough.
func DefaultPolicy() Policy {
	return Policy{
		Version:                   1,
		Level:                     Level,
		HydrophaneSameMoisture:    20_000,
		HydrophaneUnclearMoisture: 150_000,
		HydrophaneSoakedAfterDry:  250_000,
		OtherMaterial:             10_000,
		CoarseWeighing:            5_000,
		UnusualYield:              600_000,
		SampleBound:               50_000,
		TransitDays:               30,
		FutureSeconds:             300,
		MaxDepth:                  256,
		MaxAncestors:              10_000,
	}
}
