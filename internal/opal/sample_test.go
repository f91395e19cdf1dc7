package opal

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// Events with every field filled, one of each kind and one correction for each body that can be replaced. Everything in them is
// invented.

const sampleUUID = "919108f7-52d1-4320-9bac-f847db4148a8" // RFC 9562, appendix A.3

func n(i int64) *int64      { return &i }
func fl(f float64) *float64 { return &f }
func pos(p uint64) *uint64  { return &p }
func hash(b byte) [32]byte  { return [32]byte{b, 1} }
func part(lot string) *PartOf {
	return &PartOf{Lot: lot, Pieces: n(30), Mass: "31.20 ct", Manner: Unsorted, Moisture: Room}
}

func sampleEvent(t testing.TB, kind Kind) *Event {
	t.Helper()
	id, err := ParseRequestID(sampleUUID)
	if err != nil {
		t.Fatal(err)
	}
	e := &Event{
		RequestID: id, Lot: "harrow-gully.r7", Party: "harrow-gully", OccurredAt: "2026-03-04T10:20:00+03:00", ExpectedRevision: pos(7),
		Moisture: Room, Remark: "weighed twice",
		Attachments: []Attachment{{SHA256: hash(9), MediaType: "image/jpeg", Name: "tray.jpg"}, {SHA256: hash(8), MediaType: "application/pdf", Name: "note.pdf"}},
	}
	if !kind.HasLot() {
		e.Lot = ""
	}
	material := Material{Kind: Hydrophane, Look: SemiOpaque, BodyColour: "honey", BodyTone: 7}
	loss := func() *Loss { return &Loss{Mass: "0.80 ct", Pieces: n(1), Why: "crumbled", Measured: true} }
	switch kind {
	case KindMined:
		e.Mined = &Mined{Origin: Origin{Country: "ET", Region: "high plateau", Deposit: "third bench", Licence: "L-12"}, Material: material,
			Form: Rough, Pieces: n(400), Mass: "1.250 kg"}
	case KindAcquired:
		e.Acquired = &Acquired{Material: material, Form: Preform, Pieces: n(12), Mass: "84.20 ct", StatedOrigin: "the plateau",
			StatedTreatments: []Treatment{Smoke, OilWax}, From: "a walk-in seller"}
	case KindSplit:
		e.Split = &Split{Rest: &Rest{Pieces: n(110), Mass: "110.00 ct", Moisture: Room},
			Children: []Part{{Lot: "harrow-gully.a", Pieces: n(20), Mass: "20.00 ct", Moisture: Dry}, {Lot: "harrow-gully.b", Pieces: n(9), Mass: "9.10 ct", Moisture: Dry}},
			Manner:   SampleSent, SortedBy: "colour", Selected: "north-bench-lab", Selection: NumberedDraw, Loss: loss()}
	case KindCombined:
		e.Combined = &Combined{Parents: []string{"harrow-gully.a", "tall-tree.b2"}, Pieces: n(29), Mass: "29.10 ct"}
	case KindCut:
		e.Cut = &Cut{Stones: []Stone{
			{Lot: "harrow-gully.s1", Pieces: n(1), Mass: "3.42 ct", Form: Cabochon, Shape: "oval", DimensionsMm: []float64{12.1, 9.0, 5.25}, Moisture: Dry},
			{Lot: "harrow-gully.s2", Pieces: n(2), Mass: "1.10 ct", Form: Faceted, Shape: "round", DimensionsMm: []float64{4}, Moisture: Dry}},
			Offcuts: []Part{{Lot: "harrow-gully.o1", Pieces: n(5), Mass: "2.00 ct", Moisture: Wet}}, Loss: loss(), Manner: Calibrated}
	case KindTested:
		e.Tested = &Tested{Method: Microscope,
			Sample: Sample{Kind: Random, Tested: n(52), Of: n(400), Positive: n(2), Lots: []string{"harrow-gully.a", "harrow-gully.b"},
				SelectedBy: "north-bench-lab", Selection: Riffled},
			Outcome: NothingSeen, Findings: []TestFinding{{Outcome: "CARBON_SPECKS", Treatment: Smoke, Where: Skin, Note: "few"}},
			LookedFor: []Treatment{Dye, Smoke}, Identity: NaturalOpal, Conditions: map[string]string{"magnification": "40", "light": "dark field"},
			Instrument: "stereo microscope", Protocol: "P-3", Destroyed: &Destroyed{Pieces: n(1), Mass: "1.05 ct"}}
	case KindTreated:
		e.Treated = &Treated{Treatment: Smoke, Medium: "paper smoke", Process: &Process{TemperatureCelsius: fl(240), DurationHours: fl(6.5), Steps: []string{"wrapped", "heated"}},
			Extent: Rim, MassBefore: "120.00 ct", MassAfter: "118.50 ct"}
	case KindDescribed:
		e.Described = &Described{BodyTone: 6, BodyColour: "honey", Transparency: Translucent, PlayOfColour: "broad flash", DimensionsMm: []float64{10, 8}, MeasuredMass: "3.40 ct"}
	case KindHandedOver:
		e.HandedOver = &HandedOver{To: "tall-tree", Purpose: ForCutting, Part: part("harrow-gully.p1")}
	case KindSold:
		e.Sold = &Sold{To: "tall-tree", Claims: []Claim{{Claim: ClaimNoDye}, {Claim: ClaimOrigin, Country: "ET"}}, Price: "900 a carat",
			Part: part("harrow-gully.p1"), OnBehalfOf: "blue-lamp"}
	case KindReceived:
		e.Received = &Received{Pieces: n(30), Mass: "31.00 ct", CameBack: true}
	case KindRefused:
		e.Refused = &Refused{Because: "not what was agreed"}
	case KindReturned:
		e.Returned = &Returned{Sale: "harrow-gully/" + sampleUUID, Because: "crazed"}
	case KindNothingDone:
		e.NothingDone = &NothingDone{From: "2026-01-02", To: "2026-03-04T10:00:00Z"}
	case KindCounted:
		e.Counted = &Counted{Pieces: n(398), Mass: "1.249 kg", Why: Recount}
	case KindSet:
		e.Set = &Set{Piece: "ring 44"}
	case KindUnset:
		e.Unset = &Unset{Piece: "ring 44"}
	case KindReferenceSet:
		e.ReferenceSet = &ReferenceSet{Known: KnownTreated, Treatment: Dye, How: "dyed here, on film"}
	case KindClosed:
		e.Closed = &Closed{Reason: ClosedToAWearer, Claims: []Claim{{Claim: ClaimUntreated}, {Claim: ClaimOrigin, Country: "AU"}}}
	case KindReopened:
		e.Reopened = &Reopened{Why: BoughtBack}
	case KindCorrected:
		e.Corrected = &Corrected{Event: "harrow-gully/" + sampleUUID, Because: "a digit slipped", Replacement: &Replacement{OccurredAt: "2026-03-03", Moisture: Dry,
			Counted: &Counted{Pieces: n(3), Mass: "3.00 ct", Why: FoundCount}}}
	case KindWithdrawn:
		e.Withdrawn = &Withdrawn{Event: "harrow-gully/" + sampleUUID, Because: "posted twice"}
	case KindEnrolled:
		e.Enrolled = &Enrolled{Party: "tall-tree", Roles: []Role{Dealer, Cutter}, TokenHash: hash(1), DisplayName: "Tall Tree", Contact: "by post"}
	case KindTokenIssued:
		e.TokenIssued = &TokenIssued{Party: "tall-tree", TokenHash: hash(2), Scopes: []Scope{ScopeRead, ScopePost}, Expires: "2027-01-01T00:00:00Z"}
	case KindTokenRevoked:
		e.TokenRevoked = &TokenRevoked{Party: "tall-tree", Token: "0123456789abcdef"}
	case KindKeyAdded:
		e.KeyAdded = &KeyAdded{Party: "tall-tree", PublicKey: hash(3), Use: UseSign}
	case KindKeyRevoked:
		e.KeyRevoked = &KeyRevoked{Party: "tall-tree", KeyID: "0123456789abcdef", CompromisedSince: pos(12), Because: "the laptop is lost"}
	case KindMethodValidated:
		e.MethodValidated = &MethodValidated{Method: Infrared, Protocol: "IR-2", Rows: []ValidationRow{
			{Outcome: "RESIN_BANDS", Treatment: Resin, TreatedWith: 38, TreatedAll: 40, UntreatedWith: 1, UntreatedAll: 60},
			{Outcome: "OIL_BANDS", Treatment: OilWax, TreatedWith: 9, TreatedAll: 10, UntreatedWith: 3, UntreatedAll: 60}},
			Lots: []string{"north-bench-lab.k1", "north-bench-lab.k2"}}
	case KindPolicySet:
		e.PolicySet = &PolicySet{Policy: samplePolicy()}
	case KindLogOpened:
		e.LogOpened = &LogOpened{LogName: "lotpaper.example/opal", Epoch: [16]byte{1}, AdminKey: hash(4), IntakeKey: hash(5), CheckpointKey: hash(6),
			Policy: samplePolicy(), AdminTokenHash: hash(7), HandleKeyHash: hash(8), Continues: "lotpaper.example/opal/1f\n42\nAAAA\n"}
	case KindHandleIssued:
		e.HandleIssued = &HandleIssued{Handle: "mzxw6ytbmzxw6ytbmzxw6ytbmy"}
	case KindHandleRevoked:
		e.HandleRevoked = &HandleRevoked{Handle: "mzxw6ytbmzxw6ytbmzxw6ytbmy"}
	default:
		t.Fatalf("no sample of %q", kind)
	}
	return e
}

func samplePolicy() Policy {
	p := DefaultPolicy()
	p.RuleTable, p.ZoneMinutes = hash(10), 180
	return p
}

// sampleCorrection corrects an event of that kind with the sample's own body.
func sampleCorrection(t testing.TB, kind Kind) *Event {
	t.Helper()
	e, from := sampleEvent(t, KindCorrected), reflect.ValueOf(sampleEvent(t, kind)).Elem()
	r := &Replacement{OccurredAt: "2026-03-03", Moisture: Dry}
	name := strings.ToUpper(string(kind[:1])) + string(kind[1:])
	reflect.ValueOf(r).Elem().FieldByName(name).Set(from.FieldByName(name))
	e.Corrected.Replacement = r
	if !kind.HasLot() {
		e.Lot = ""
	}
	return e
}

// samples gives them all, by a name for subtests.
func samples(t testing.TB) map[string]*Event {
	t.Helper()
	all := map[string]*Event{}
	for _, k := range AllKinds() {
		all[string(k)] = sampleEvent(t, k)
	}
	for _, k := range ReplaceableKinds() {
		all["corrected/"+string(k)] = sampleCorrection(t, k)
	}
	return all
}

// leaf is a single value within an event.
type leaf struct {
	path    string
	value   reflect.Value
	private bool
}

// leaves walks an event by reflection, independently of the code under test, and gives every single value with its ProtoJSON path: the
// field names in lower camel case.
func leaves(e *Event) []leaf {
	var list []leaf
	var walk func(v reflect.Value, path string, private bool)
	walk = func(v reflect.Value, path string, private bool) {
		switch v.Kind() {
		case reflect.Pointer:
			if !v.IsNil() {
				walk(v.Elem(), path, private)
			}
		case reflect.Struct:
			for i := range v.NumField() {
				f := v.Type().Field(i)
				p := jsonName(f.Name)
				if path != "" {
					p = path + "." + p
				}
				walk(v.Field(i), p, f.Tag.Get("cbor") == "-" && p != "party")
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i), fmt.Sprintf("%s[%d]", path, i), private)
			}
		case reflect.Map: // not addressable: the tests of conditions stand apart
		default:
			list = append(list, leaf{path, v, private})
		}
	}
	walk(reflect.ValueOf(e).Elem(), "", false)
	return list
}

func jsonName(field string) string {
	switch field {
	case "RequestID":
		return "requestId"
	case "SHA256":
		return "sha256"
	case "KeyID":
		return "keyId"
	case "Selected":
		return "selectedBy"
	}
	return strings.ToLower(field[:1]) + field[1:]
}

// The samples themselves: every field of every body is filled, so that tests which walk over them miss none.
func TestSamplesAreWhole(t *testing.T) {
	reached := map[string]bool{}
	note := func(e *Event) {
		var walk func(v reflect.Value)
		walk = func(v reflect.Value) {
			switch v.Kind() {
			case reflect.Pointer:
				if !v.IsNil() {
					walk(v.Elem())
				}
			case reflect.Struct:
				for i := range v.NumField() {
					if !v.Field(i).IsZero() {
						reached[v.Type().Name()+"."+v.Type().Field(i).Name] = true
					}
					walk(v.Field(i))
				}
			case reflect.Slice:
				for i := range v.Len() {
					walk(v.Index(i))
				}
			}
		}
		walk(reflect.ValueOf(e))
	}
	for _, e := range samples(t) {
		note(e)
	}
	untreated := sampleEvent(t, KindAcquired) // excludes stated treatments
	untreated.Acquired.StatedTreatments, untreated.Acquired.StatedUntreated = nil, true
	if f := Check(untreated, 0); f != nil {
		t.Fatal(f)
	}
	note(untreated)
	for _, e := range measuredTests(t) {
		if f := Check(e, 0); f != nil {
			t.Errorf("%s: %v", e.Tested.Method, f)
		}
		note(e)
	}

	var missing []string
	seen := map[reflect.Type]bool{}
	var walk func(typ reflect.Type)
	walk = func(typ reflect.Type) {
		for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice {
			typ = typ.Elem()
		}
		if typ.Kind() != reflect.Struct || seen[typ] {
			return
		}
		seen[typ] = true
		for i := range typ.NumField() {
			if name := typ.Name() + "." + typ.Field(i).Name; !reached[name] {
				missing = append(missing, name)
			}
			walk(typ.Field(i).Type)
		}
	}
	walk(reflect.TypeFor[Event]())
	if slices.Sort(missing); len(missing) > 0 {
		t.Errorf("no sample fills %v", missing)
	}
}

// measuredTests are tests of each method that takes a measurement.
func measuredTests(t testing.TB) []*Event {
	var list []*Event
	for method, m := range map[Method]*Measurement{
		Hydrostatic: {Hydrostatic: &HydrostaticReading{DryMass: "3.412 ct", SuspendedMass: "1.702 ct", SoakedMass: "3.655 ct", WaterTemperatureCelsius: fl(21.5)}},
		WaterUptake: {Uptake: &UptakeReadings{
			DryMass: "3.412 ct", Readings: []UptakeReading{{Minutes: 10, Mass: "3.561 ct"}, {Minutes: 62.5, Mass: "3.655 ct"}}, DriedMass: "3.413 ct",
			WaterTemperatureCelsius: fl(20), TransparencyBefore: SemiOpaque, TransparencyAfter: Transparent,
		}},
		Infrared:      {Spectrum: &SpectrumReading{SHA256: hash(9)}},
		Raman:         {Spectrum: &SpectrumReading{SHA256: hash(8)}},
		Refractometer: {Refractometer: &RefractometerReading{Indices: []float64{1.44, 1.445}}},
	} {
		e := sampleEvent(t, KindTested)
		e.Tested = &Tested{Method: method, Sample: Sample{Kind: Whole}, Measurement: m}
		list = append(list, e)
	}
	return list
}
