package envelope_test

import (
	"crypto/sha256"
	"fmt"
	"strings"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// sampleEvent is an event with a name for its golden file.
type sampleEvent struct {
	name string
	ev   opal.Event
}

// sampleEvents has every kind of event, and together they set every field that a statement can hold.
func sampleEvents() []sampleEvent {
	ptr := func(n int64) *int64 { return &n }
	num := func(f float64) *float64 { return &f }
	pos := func(n uint64) *uint64 { return &n }
	hash := func(s string) [32]byte { return sha256.Sum256([]byte(s)) }
	policy := opal.DefaultPolicy()
	policy.RuleTable = hash("a rule table")
	policy.ZoneMinutes = 180
	part := &opal.PartOf{Lot: "harrow-gully.r7-b", Pieces: ptr(30), Mass: "41.20 ct", Manner: opal.Sorted, Moisture: opal.Room}
	claims := []opal.Claim{{Claim: opal.ClaimUntreated}, {Claim: opal.ClaimOrigin, Country: "ET"}}
	material := opal.Material{Kind: opal.Hydrophane, Look: opal.Translucent, BodyColour: "white", BodyTone: 7}

	list := []sampleEvent{
		{"mined", opal.Event{Mined: &opal.Mined{
			Origin:   opal.Origin{Country: "ET", Region: "the northern plateau", Deposit: "third bench", Licence: "L-77"},
			Material: material, Form: opal.Rough, Pieces: ptr(400), Mass: "1.250 kg",
		}}},
		{"acquired", opal.Event{Acquired: &opal.Acquired{
			Material: material, Form: opal.Preform, Pieces: ptr(12), Mass: "18.4 g", StatedOrigin: "a dealer's tray",
			StatedTreatments: []opal.Treatment{opal.Smoke, opal.OilWax}, From: "an estate",
		}}},
		{"acquired-untreated", opal.Event{Acquired: &opal.Acquired{
			Material: opal.Material{Kind: opal.UnknownKind}, Mass: "2.11 ct", StatedUntreated: true,
		}}},
		{"split", opal.Event{Split: &opal.Split{
			Rest: &opal.Rest{Pieces: ptr(110), Mass: "151.0 ct", Moisture: opal.Room},
			Children: []opal.Part{
				{Lot: "harrow-gully.r7-a", Pieces: ptr(20), Mass: "25.30 ct", Moisture: opal.Dry},
				{Lot: "harrow-gully.r7-b", Mass: "12.75 ct"},
			},
			Manner: opal.SampleSent, SortedBy: "colour", Selected: "slow-light-lab", Selection: opal.NumberedDraw,
			Loss: &opal.Loss{Mass: "0.40 ct", Pieces: ptr(1), Why: "crumbled", Measured: true},
		}}},
		{"combined", opal.Event{Combined: &opal.Combined{Parents: []string{"harrow-gully.r7-a", "harrow-gully.r8"}, Pieces: ptr(31), Mass: "40.02 ct"}}},
		{"cut", opal.Event{Cut: &opal.Cut{
			Stones: []opal.Stone{
				{Lot: "harrow-gully.s1", Pieces: ptr(1), Mass: "3.42 ct", Form: opal.Cabochon, Shape: "oval", DimensionsMm: []float64{11.5, 9.02, 4}, Moisture: opal.Dry},
				{Lot: "harrow-gully.s2", Mass: "0.9 ct"},
			},
			Offcuts: []opal.Part{{Lot: "harrow-gully.o1", Pieces: ptr(3), Mass: "2.2 ct", Moisture: opal.Wet}},
			Loss:    &opal.Loss{Mass: "4.1 ct", Why: "swarf"},
			Manner:  opal.RoughCut,
		}}},
		{"tested", opal.Event{Tested: &opal.Tested{
			Method: opal.Microscope,
			Sample: opal.Sample{
				Kind: opal.Random, Tested: ptr(52), Of: ptr(400), Positive: ptr(0), Lots: []string{"harrow-gully.r7-a", "harrow-gully.r7-b"},
				SelectedBy: "slow-light-lab", Selection: opal.NumberedDraw,
			},
			Outcome:    opal.NothingSeen,
			Findings:   []opal.TestFinding{{Outcome: "CARBON_SPECKS", Treatment: opal.Smoke, Where: opal.Skin, Note: "two stones, a few"}},
			LookedFor:  []opal.Treatment{opal.Dye, opal.Smoke, opal.SugarAcid},
			Identity:   opal.NaturalOpal,
			Conditions: map[string]string{"light": "fibre", "magnification": "40", "ground": "dark"},
			Instrument: "stereo microscope", Protocol: "p-3",
			Destroyed: &opal.Destroyed{Pieces: ptr(1), Mass: "0.8 ct"},
		}}},
		{"treated", opal.Event{Treated: &opal.Treated{
			Treatment: opal.Smoke, Medium: "sawdust",
			Process: &opal.Process{TemperatureCelsius: num(180), DurationHours: num(36.25), Steps: []string{"wrapped in paper", "smoked"}},
			Extent:  opal.Rim, MassBefore: "20.02 ct", MassAfter: "20.11 ct",
		}}},
		{"described", opal.Event{Described: &opal.Described{
			BodyTone: 6, BodyColour: "honey", Transparency: opal.SemiOpaque, PlayOfColour: "green and orange, broad flashes",
			DimensionsMm: []float64{12.3, 8.1}, MeasuredMass: "3.40 ct",
		}}},
		{"handedOver", opal.Event{HandedOver: &opal.HandedOver{To: "slow-light-lab", Purpose: opal.ForTesting, Part: part}}},
		{"sold", opal.Event{Sold: &opal.Sold{To: "blue-window", Claims: claims, Price: "1,200.00 USD", Part: part, OnBehalfOf: "far-bench"}}},
		{"received", opal.Event{Received: &opal.Received{Pieces: ptr(30), Mass: "41.17 ct", CameBack: true}}},
		{"refused", opal.Event{Refused: &opal.Refused{Because: "not what was agreed"}}},
		{"returned", opal.Event{Returned: &opal.Returned{Sale: "harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", Because: "crazed within a week"}}},
		{"nothingDone", opal.Event{NothingDone: &opal.NothingDone{From: "2026-01-01", To: "2026-03-01"}}},
		{"counted", opal.Event{Counted: &opal.Counted{Pieces: ptr(399), Mass: "1.249 kg", Why: opal.Recount}}},
		{"set", opal.Event{Set: &opal.Set{Piece: "ring 14"}}},
		{"unset", opal.Event{Unset: &opal.Unset{Piece: "ring 14"}}},
		{"referenceSet", opal.Event{ReferenceSet: &opal.ReferenceSet{Known: opal.KnownTreated, Treatment: opal.Dye, How: "dyed in our own workshop"}}},
		{"closed", opal.Event{Closed: &opal.Closed{Reason: opal.ClosedToAWearer, Claims: claims}}},
		{"reopened", opal.Event{Reopened: &opal.Reopened{Why: opal.ReopenRepair}}},
		{"withdrawn", opal.Event{Withdrawn: &opal.Withdrawn{Event: "harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", Because: "posted to the wrong lot"}}},
		{"enrolled", opal.Event{Enrolled: &opal.Enrolled{
			Party: "blue-window", Roles: []opal.Role{opal.Retailer, opal.Dealer}, TokenHash: hash("a token"), DisplayName: "Blue Window", Contact: "at the corner",
		}}},
		{"tokenIssued", opal.Event{TokenIssued: &opal.TokenIssued{
			Party: "blue-window", TokenHash: hash("another token"), Scopes: []opal.Scope{opal.ScopeRead, opal.ScopePost}, Expires: "2027-01-01T00:00:00Z",
		}}},
		{"tokenRevoked", opal.Event{TokenRevoked: &opal.TokenRevoked{Party: "blue-window", Token: "0011223344556677"}}},
		{"keyAdded", opal.Event{KeyAdded: &opal.KeyAdded{Party: "harrow-gully", PublicKey: hash("a public key"), Use: opal.UseSign}}},
		{"keyRevoked", opal.Event{KeyRevoked: &opal.KeyRevoked{Party: "harrow-gully", KeyID: "8899aabbccddeeff", CompromisedSince: pos(70_000), Because: "a stolen bag"}}},
		{"methodValidated", opal.Event{MethodValidated: &opal.MethodValidated{
			Method: opal.Infrared, Protocol: "ir-2",
			Rows: []opal.ValidationRow{{Outcome: "MANY", Treatment: opal.Resin, TreatedWith: 19, TreatedAll: 20, UntreatedWith: 1, UntreatedAll: 30}},
			Lots: []string{"slow-light-lab.known-1", "slow-light-lab.known-2"},
		}}},
		{"policySet", opal.Event{PolicySet: &opal.PolicySet{Policy: policy}}},
		{"logOpened", opal.Event{LogOpened: &opal.LogOpened{
			LogName: "lotpaper.example/opal", Epoch: [16]byte(seq(0xe0, 16)), AdminKey: hash("admin"), IntakeKey: hash("intake"), CheckpointKey: hash("checkpoint"),
			Policy: policy, AdminTokenHash: hash("the admin's token"), HandleKeyHash: hash("handle key"),
			Continues: "lotpaper.example/opal/00112233445566778899aabbccddeeff\n1024\n" + "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n",
		}}},
		{"handleIssued", opal.Event{HandleIssued: &opal.HandleIssued{Handle: strings.Repeat("a", 26)}}},
		{"handleRevoked", opal.Event{HandleRevoked: &opal.HandleRevoked{Handle: strings.Repeat("a", 26)}}},
	}
	// A correction of each kind that can be corrected.
	for _, s := range list {
		r := opal.Replacement{
			OccurredAt: "2026-03-03", Moisture: opal.Soaked, Mined: s.ev.Mined, Acquired: s.ev.Acquired, Split: s.ev.Split, Combined: s.ev.Combined, Cut: s.ev.Cut,
			Tested: s.ev.Tested, Treated: s.ev.Treated, Described: s.ev.Described, HandedOver: s.ev.HandedOver, Sold: s.ev.Sold, Received: s.ev.Received,
			NothingDone: s.ev.NothingDone, Counted: s.ev.Counted, Closed: s.ev.Closed, MethodValidated: s.ev.MethodValidated,
		}
		if r == (opal.Replacement{OccurredAt: r.OccurredAt, Moisture: r.Moisture}) || s.name == "acquired-untreated" {
			continue
		}
		list = append(list, sampleEvent{"corrected-" + s.name, opal.Event{Corrected: &opal.Corrected{
			Event: "harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", Because: "a typing error", Replacement: &r,
		}}})
	}
	// Tests with a measurement came later; they stand last, so that the others keep their bytes.
	whole := opal.Sample{Kind: opal.Whole, Tested: ptr(1), Of: ptr(1)}
	list = append(list,
		sampleEvent{"tested-hydrostatic", opal.Event{Tested: &opal.Tested{Method: opal.Hydrostatic, Sample: whole, Measurement: &opal.Measurement{
			Hydrostatic: &opal.HydrostaticReading{DryMass: "3.412 ct", SuspendedMass: "1.702 ct", SoakedMass: "3.655 ct", WaterTemperatureCelsius: num(21.5)},
		}}}},
		sampleEvent{"tested-uptake", opal.Event{Tested: &opal.Tested{Method: opal.WaterUptake, Sample: whole, Outcome: "STRONG", Measurement: &opal.Measurement{
			Uptake: &opal.UptakeReadings{
				DryMass: "3.412 ct", Readings: []opal.UptakeReading{{Minutes: 10, Mass: "3.561 ct"}, {Minutes: 62.5, Mass: "3.655 ct"}}, DriedMass: "3.413 ct",
				WaterTemperatureCelsius: num(20), TransparencyBefore: opal.SemiOpaque, TransparencyAfter: opal.Transparent,
			},
		}}}},
		sampleEvent{"tested-spectrum", opal.Event{Tested: &opal.Tested{Method: opal.Raman, Sample: whole, Measurement: &opal.Measurement{
			Spectrum: &opal.SpectrumReading{SHA256: hash("a spectrum")},
		}}}},
		sampleEvent{"tested-refractometer", opal.Event{Tested: &opal.Tested{Method: opal.Refractometer, Sample: whole, Measurement: &opal.Measurement{
			Refractometer: &opal.RefractometerReading{Indices: []float64{1.44, 1.445}},
		}}}},
	)
	for i := range list {
		ev := &list[i].ev
		ev.Party = "harrow-gully"
		ev.RequestID = opal.RequestID(seq(byte(i), 16))
		ev.OccurredAt = "2026-03-04T10:20:00+03:00"
		ev.Remark = fmt.Sprintf("golden event %d", i)
		ev.Moisture = opal.Room
		ev.ExpectedRevision = pos(uint64(100 + i))
		ev.Attachments = []opal.Attachment{{SHA256: hash("a photograph"), MediaType: "image/jpeg", Name: "front.jpg"}, {SHA256: hash("a spectrum"), MediaType: "chemical/x-jcamp-dx"}}
		if k := ev.Kind(); k.HasLot() && (k != opal.KindCorrected || ev.Corrected.Replacement.MethodValidated == nil) {
			ev.Lot = "harrow-gully.r7"
		}
	}
	return list
}

// sampleSalts are the salts of an event of the samples.
func sampleSalts(ev *opal.Event) func(path string) [16]byte {
	return envelope.Salts([]byte("a secret for golden files only"), ev.Party, ev.RequestID)
}

// seq is n bytes that count up from first.
func seq(first byte, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = first + byte(i)
	}
	return b
}
