// Package wiretest draws whole events for property tests: every kind, every field left out or set, every one of them as opal.Check
// accepts it. It judges nothing: a drawn event need not fit any lot's account.
package wiretest

import (
	"encoding/base32"
	"fmt"
	"strings"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Event draws an event of any kind that a party may post (all but logOpened), with its party.
func Event() *rapid.Generator[*opal.Event] {
	return rapid.Custom(func(t *rapid.T) *opal.Event {
		var kinds []opal.Kind
		for _, k := range opal.AllKinds() {
			if k != opal.KindLogOpened {
				kinds = append(kinds, k)
			}
		}
		return OfKind(rapid.SampledFrom(kinds).Draw(t, "kind")).Draw(t, "event")
	})
}

// OfKind draws an event of one kind.
func OfKind(kind opal.Kind) *rapid.Generator[*opal.Event] {
	return rapid.Custom(func(t *rapid.T) *opal.Event {
		d := drawer{t}
		ev := &opal.Event{
			RequestID:   d.requestID(),
			Party:       d.party(),
			OccurredAt:  d.when(),
			Moisture:    may(d, opal.AllMoistures()),
			Attachments: listOf(d, 0, 3, d.attachment),
			Remark:      d.text(opal.MaxRemark),
		}
		if d.yes() {
			revision := rapid.Uint64Range(0, 1<<62).Draw(t, "revision")
			ev.ExpectedRevision = &revision
		}
		if kind.HasLot() {
			ev.Lot = d.lot(ev.Party)
		}
		d.body(ev, kind)
		return ev
	})
}

type drawer struct{ *rapid.T }

func (d drawer) body(ev *opal.Event, kind opal.Kind) {
	switch kind {
	case opal.KindMined, opal.KindAcquired, opal.KindSplit, opal.KindCombined, opal.KindCut, opal.KindTested, opal.KindTreated,
		opal.KindDescribed, opal.KindHandedOver, opal.KindSold, opal.KindReceived, opal.KindNothingDone, opal.KindCounted,
		opal.KindClosed, opal.KindMethodValidated:
		r := d.replacement(kind, ev)
		ev.Mined, ev.Acquired, ev.Split, ev.Combined, ev.Cut, ev.Tested, ev.Treated = r.Mined, r.Acquired, r.Split, r.Combined, r.Cut, r.Tested, r.Treated
		ev.Described, ev.HandedOver, ev.Sold, ev.Received, ev.NothingDone = r.Described, r.HandedOver, r.Sold, r.Received, r.NothingDone
		ev.Counted, ev.Closed, ev.MethodValidated = r.Counted, r.Closed, r.MethodValidated
	case opal.KindRefused:
		ev.Refused = &opal.Refused{Because: d.needText()}
	case opal.KindReturned:
		ev.Returned = &opal.Returned{Sale: d.eventID(), Because: d.needText()}
	case opal.KindSet:
		ev.Set = &opal.Set{Piece: d.needText()}
	case opal.KindUnset:
		ev.Unset = &opal.Unset{Piece: d.text(opal.MaxText)}
	case opal.KindReferenceSet:
		ev.ReferenceSet = &opal.ReferenceSet{Known: must(d, opal.AllKnowns()), Treatment: must(d, opal.AllTreatments()), How: d.needText()}
	case opal.KindReopened:
		ev.Reopened = &opal.Reopened{Why: must(d, opal.AllReopenWhys())}
	case opal.KindCorrected:
		replaced := must(d, opal.ReplaceableKinds())
		if replaced == opal.KindMethodValidated {
			ev.Lot = ""
		}
		r := d.replacement(replaced, ev)
		r.Moisture = may(d, opal.AllMoistures())
		if d.yes() {
			r.OccurredAt = d.when()
		}
		ev.Corrected = &opal.Corrected{Event: d.eventID(), Because: d.needText(), Replacement: r}
	case opal.KindWithdrawn:
		ev.Withdrawn = &opal.Withdrawn{Event: d.eventID(), Because: d.needText()}
	case opal.KindEnrolled:
		ev.Enrolled = &opal.Enrolled{
			Party: d.party(), Roles: some(d, 1, opal.AllRoles()), TokenHash: d.bytes32(), DisplayName: d.text(opal.MaxText), Contact: d.text(opal.MaxText),
		}
	case opal.KindTokenIssued:
		ev.TokenIssued = &opal.TokenIssued{Party: d.party(), TokenHash: d.bytes32(), Scopes: some(d, 0, opal.AllScopes())}
		if d.yes() {
			ev.TokenIssued.Expires = d.when()
		}
	case opal.KindTokenRevoked:
		ev.TokenRevoked = &opal.TokenRevoked{Party: d.party(), Token: d.shortHash()}
	case opal.KindKeyAdded:
		ev.KeyAdded = &opal.KeyAdded{Party: d.party(), PublicKey: d.bytes32(), Use: must(d, opal.AllKeyUses())}
	case opal.KindKeyRevoked:
		ev.KeyRevoked = &opal.KeyRevoked{Party: d.party(), KeyID: d.shortHash(), Because: d.needText()}
		if d.yes() {
			since := rapid.Uint64Range(0, 1<<62).Draw(d.T, "since")
			ev.KeyRevoked.CompromisedSince = &since
		}
	case opal.KindPolicySet:
		ev.PolicySet = &opal.PolicySet{Policy: d.policy()}
	case opal.KindLogOpened:
		ev.LogOpened = &opal.LogOpened{
			LogName: "opal.example", Epoch: [16]byte(d.some(16)), AdminKey: d.bytes32(), IntakeKey: d.bytes32(), CheckpointKey: d.bytes32(),
			Policy: d.policy(), AdminTokenHash: d.bytes32(), HandleKeyHash: d.bytes32(),
		}
	case opal.KindHandleIssued:
		ev.HandleIssued = &opal.HandleIssued{Handle: d.handle()}
	case opal.KindHandleRevoked:
		ev.HandleRevoked = &opal.HandleRevoked{Handle: d.handle()}
	default:
		d.Fatalf("no generator for the kind %q", kind)
	}
}

// replacement draws a body of one of the kinds that a correction can replace.
func (d drawer) replacement(kind opal.Kind, ev *opal.Event) *opal.Replacement {
	r := &opal.Replacement{}
	switch kind {
	case opal.KindMined:
		r.Mined = &opal.Mined{
			Origin:   opal.Origin{Country: d.country(), Region: d.text(opal.MaxText), Deposit: d.text(opal.MaxText), Licence: d.text(opal.MaxText)},
			Material: d.material(), Form: may(d, opal.AllForms()), Pieces: d.pieces(1), Mass: d.mass(),
		}
	case opal.KindAcquired:
		r.Acquired = &opal.Acquired{
			Material: d.material(), Form: may(d, opal.AllForms()), Pieces: d.pieces(1), Mass: d.mass(), StatedOrigin: d.text(opal.MaxText),
			From: d.text(opal.MaxText),
		}
		if r.Acquired.StatedUntreated = d.yes(); !r.Acquired.StatedUntreated {
			r.Acquired.StatedTreatments = some(d, 0, opal.AllTreatments())
		}
	case opal.KindSplit:
		r.Split = &opal.Split{
			Children: d.parts(1, 4, ev), Manner: may(d, opal.AllSplitManners()), SortedBy: d.text(opal.MaxText), Selected: d.selector(),
			Selection: may(d, opal.AllSelections()), Loss: d.loss(),
		}
		if d.yes() {
			r.Split.Rest = &opal.Rest{Pieces: d.pieces(1), Mass: d.mass(), Moisture: may(d, opal.AllMoistures())}
		}
	case opal.KindCombined:
		r.Combined = &opal.Combined{Parents: d.lots(2, 5), Pieces: d.pieces(1), Mass: d.mass()}
	case opal.KindCut:
		parts := d.parts(1, 6, ev)
		stones := rapid.IntRange(1, len(parts)).Draw(d.T, "stones")
		r.Cut = &opal.Cut{Loss: d.loss(), Manner: may(d, opal.AllCutManners())}
		for _, p := range parts[:stones] {
			r.Cut.Stones = append(r.Cut.Stones, opal.Stone{
				Lot: p.Lot, Pieces: p.Pieces, Mass: p.Mass, Moisture: p.Moisture, Form: may(d, opal.AllForms()), Shape: d.text(opal.MaxText),
				DimensionsMm: d.dimensions(),
			})
		}
		if stones < len(parts) {
			r.Cut.Offcuts = parts[stones:]
		}
	case opal.KindTested:
		r.Tested = d.tested()
	case opal.KindTreated:
		r.Treated = &opal.Treated{
			Treatment: must(d, opal.AllTreatments()), Medium: d.text(opal.MaxText), Extent: may(d, opal.AllExtents()),
			MassBefore: d.mayMass(), MassAfter: d.mayMass(),
		}
		if d.yes() {
			r.Treated.Process = &opal.Process{
				TemperatureCelsius: d.real(-200, 1500), DurationHours: d.real(0, 5000), Steps: listOf(d, 0, 3, d.needText),
			}
		}
	case opal.KindDescribed:
		r.Described = &opal.Described{
			BodyTone: rapid.Int64Range(0, 9).Draw(d.T, "tone"), BodyColour: d.text(opal.MaxText), Transparency: may(d, opal.AllLooks()),
			PlayOfColour: d.text(opal.MaxText), DimensionsMm: d.dimensions(), MeasuredMass: d.mayMass(),
		}
	case opal.KindHandedOver:
		r.HandedOver = &opal.HandedOver{To: d.otherParty(ev.Party), Purpose: must(d, opal.AllPurposes()), Part: d.partOf(ev)}
	case opal.KindSold:
		r.Sold = &opal.Sold{To: d.otherParty(ev.Party), Claims: d.claims(), Price: d.text(opal.MaxText), Part: d.partOf(ev)}
		if d.yes() {
			r.Sold.OnBehalfOf = d.otherParty(r.Sold.To)
		}
		if d.yes() {
			r.Sold.To = opal.Outside
		}
	case opal.KindReceived:
		r.Received = &opal.Received{Pieces: d.pieces(1), Mass: d.mayMass(), CameBack: d.yes()}
	case opal.KindNothingDone:
		r.NothingDone = &opal.NothingDone{From: "2025-02-03", To: "2025-11-30T10:20:30+03:00"}
	case opal.KindCounted:
		r.Counted = &opal.Counted{Pieces: d.pieces(1), Mass: d.mayMass(), Why: must(d, opal.AllCountWhys())}
		if r.Counted.Pieces == nil && r.Counted.Mass == "" {
			r.Counted.Mass = d.mass()
		}
	case opal.KindClosed:
		r.Closed = &opal.Closed{Reason: must(d, opal.AllCloseReasons())}
		if r.Closed.Reason == opal.ClosedToAWearer {
			r.Closed.Claims = d.claims()
		}
	case opal.KindMethodValidated:
		r.MethodValidated = d.methodValidated()
	default:
		d.Fatalf("no generator for a replacement of the kind %q", kind)
	}
	return r
}

// measurement draws one that a method takes; nil for a method that takes none, and for a spectrum, which needs an attachment of its event.
func (d drawer) measurement(method opal.Method) *opal.Measurement {
	celsius := func() *float64 {
		c := rapid.Float64Range(0, 100).Draw(d.T, "celsius")
		return &c
	}
	switch method.MeasuredBy() {
	case "hydrostatic":
		return &opal.Measurement{Hydrostatic: &opal.HydrostaticReading{DryMass: d.mass(), SuspendedMass: d.mass(), WaterTemperatureCelsius: celsius()}}
	case "uptake":
		minutes := 0.0
		return &opal.Measurement{Uptake: &opal.UptakeReadings{
			DryMass: d.mass(), WaterTemperatureCelsius: celsius(), TransparencyBefore: may(d, opal.AllLooks()), TransparencyAfter: may(d, opal.AllLooks()),
			Readings: listOf(d, 1, 5, func() opal.UptakeReading {
				minutes += rapid.Float64Range(0.25, 600).Draw(d.T, "minutes")
				return opal.UptakeReading{Minutes: minutes, Mass: d.mass()}
			}),
		}}
	case "refractometer":
		return &opal.Measurement{Refractometer: &opal.RefractometerReading{Indices: []float64{rapid.Float64Range(1, 4).Draw(d.T, "index")}}}
	}
	return nil
}

func (d drawer) tested() *opal.Tested {
	method := must(d, opal.AllMethods())
	b := &opal.Tested{
		Method: method, Outcome: must(d, opal.Outcomes(method)), LookedFor: some(d, 1, opal.AllTreatments()), Identity: may(d, opal.AllIdentities()),
		Instrument: d.text(opal.MaxText), Protocol: d.text(opal.MaxText),
		Findings: listOf(d, 0, 3, func() opal.TestFinding {
			return opal.TestFinding{
				Outcome: must(d, opal.Outcomes(method)), Treatment: may(d, opal.AllTreatments()), Where: may(d, opal.AllPlaces()), Note: d.text(opal.MaxText),
			}
		}),
		Sample: opal.Sample{Kind: must(d, opal.AllSampleKinds()), SelectedBy: d.selector(), Selection: may(d, opal.AllSelections())},
	}
	if d.yes() {
		b.Sample.Lots = d.lots(1, 4)
	}
	if b.Sample.Kind == opal.Random || b.Sample.Kind == opal.Picked || d.yes() {
		of := rapid.Int64Range(1, 500).Draw(d.T, "of")
		tested := of
		if b.Sample.Kind != opal.Whole {
			tested = rapid.Int64Range(1, of).Draw(d.T, "tested")
		}
		positive := rapid.Int64Range(0, tested).Draw(d.T, "positive")
		b.Sample.Tested, b.Sample.Of, b.Sample.Positive = &tested, &of, &positive
	}
	for range rapid.IntRange(0, 3).Draw(d.T, "conditions") {
		if b.Conditions == nil {
			b.Conditions = map[string]string{}
		}
		b.Conditions[d.needText()] = d.text(opal.MaxText)
	}
	if d.yes() {
		b.Destroyed = &opal.Destroyed{Pieces: d.pieces(0), Mass: d.mass()}
	}
	if d.yes() {
		b.Measurement = d.measurement(method)
	}
	return b
}

func (d drawer) methodValidated() *opal.MethodValidated {
	method := must(d, opal.AllMethods())
	b := &opal.MethodValidated{Method: method, Protocol: d.needText()}
	if d.yes() {
		b.Lots = d.lots(1, 4)
	}
	for i, outcome := range opal.Outcomes(method) {
		if i > 0 && d.yes() {
			continue
		}
		treated, untreated := rapid.Int64Range(0, 99).Draw(d.T, "treated"), rapid.Int64Range(0, 99).Draw(d.T, "untreated")
		b.Rows = append(b.Rows, opal.ValidationRow{
			Outcome: outcome, Treatment: must(d, opal.AllTreatments()),
			TreatedWith: rapid.Int64Range(0, treated).Draw(d.T, "with"), TreatedAll: treated,
			UntreatedWith: rapid.Int64Range(0, untreated).Draw(d.T, "with"), UntreatedAll: untreated,
		})
	}
	return b
}

func (d drawer) policy() opal.Policy {
	p := opal.DefaultPolicy()
	p.Version = rapid.Uint64Range(1, 1<<40).Draw(d.T, "version")
	p.RuleTable = d.bytes32()
	p.HydrophaneUnclearMoisture = rapid.Int64Range(0, 1_000_000).Draw(d.T, "moisture")
	p.ZoneMinutes = rapid.Int64Range(-840, 840).Draw(d.T, "zone")
	return p
}

func (d drawer) yes() bool { return rapid.Bool().Draw(d.T, "yes") }

// may draws a word or none.
func may[W ~string](d drawer, all []W) W {
	if d.yes() {
		return ""
	}
	return must(d, all)
}

func must[W ~string](d drawer, all []W) W { return rapid.SampledFrom(all).Draw(d.T, "word") }

// some draws at least so many different words; nil for none.
func some[W ~string](d drawer, least int, all []W) []W {
	n := rapid.IntRange(least, len(all)).Draw(d.T, "words")
	if n == 0 {
		return nil
	}
	return rapid.Permutation(all).Draw(d.T, "order")[:n]
}

func listOf[T any](d drawer, least, most int, draw func() T) []T {
	var out []T
	for range rapid.IntRange(least, most).Draw(d.T, "length") {
		out = append(out, draw())
	}
	return out
}

func (d drawer) some(n int) []byte {
	b := rapid.SliceOfN(rapid.Byte(), n, n).Draw(d.T, "bytes")
	b[0] |= 1 // all zeros stands for nothing
	return b
}

func (d drawer) bytes32() [32]byte         { return [32]byte(d.some(32)) }
func (d drawer) requestID() opal.RequestID { return opal.RequestID(d.some(16)) }
func (d drawer) shortHash() string         { return fmt.Sprintf("%x", d.some(8)) }
func (d drawer) eventID() string           { return d.party() + "/" + d.requestID().String() }

func (d drawer) handle() string {
	return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(d.some(16)))
}

func (d drawer) party() string {
	return rapid.SampledFrom([]string{"harrow-gully", "tarn-export", "wick-smoke", "ash-lab", "lark-cutting", "moor-shop", "q7"}).Draw(d.T, "party")
}

func (d drawer) otherParty(than string) string {
	p := d.party()
	if p == than {
		return "somebody-else"
	}
	return p
}

func (d drawer) selector() string {
	return rapid.SampledFrom([]string{"", opal.Outside, "ash-lab", "moor-shop"}).Draw(d.T, "selector")
}

func (d drawer) lot(party string) string {
	return party + "." + rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,11}`).Draw(d.T, "code")
}

// lots draws different lots.
func (d drawer) lots(least, most int) []string {
	var out []string
	for i := range rapid.IntRange(least, most).Draw(d.T, "lots") {
		out = append(out, fmt.Sprintf("%s.z%d-%d", d.party(), i, rapid.IntRange(0, 9).Draw(d.T, "code")))
	}
	return out
}

// parts draws new lots of the poster.
func (d drawer) parts(least, most int, ev *opal.Event) []opal.Part {
	var out []opal.Part
	for i := range rapid.IntRange(least, most).Draw(d.T, "parts") {
		out = append(out, opal.Part{
			Lot: fmt.Sprintf("%s.zz%d-%d", ev.Party, i, rapid.IntRange(0, 9).Draw(d.T, "code")), Pieces: d.pieces(1), Mass: d.mass(), Moisture: may(d, opal.AllMoistures()),
		})
	}
	return out
}

func (d drawer) partOf(ev *opal.Event) *opal.PartOf {
	if d.yes() {
		return nil
	}
	p := d.parts(1, 1, ev)[0]
	return &opal.PartOf{Lot: p.Lot, Pieces: p.Pieces, Mass: p.Mass, Moisture: p.Moisture, Manner: may(d, opal.AllSplitManners())}
}

func (d drawer) loss() *opal.Loss {
	if d.yes() {
		return nil
	}
	return &opal.Loss{Mass: d.mayMass(), Pieces: d.pieces(0), Why: d.text(opal.MaxText), Measured: d.yes()}
}

func (d drawer) pieces(least int64) *int64 {
	if d.yes() {
		return nil
	}
	n := rapid.Int64Range(least, 5000).Draw(d.T, "pieces")
	return &n
}

func (d drawer) mass() opal.Mass {
	return opal.Mass(rapid.SampledFrom([]string{"3.42 ct", "1.250 kg", "0.684 g", "684 mg", "12ct", "0.55 oz", "1.0 ozt"}).Draw(d.T, "mass"))
}

func (d drawer) mayMass() opal.Mass {
	if d.yes() {
		return ""
	}
	return d.mass()
}

func (d drawer) country() string {
	return rapid.SampledFrom([]string{"ET", "AU", "MX", "BR", "HN", "ID"}).Draw(d.T, "country")
}

func (d drawer) material() opal.Material {
	return opal.Material{
		Kind: must(d, opal.AllMaterialKinds()), Look: may(d, opal.AllLooks()), BodyColour: d.text(opal.MaxText),
		BodyTone: rapid.Int64Range(0, 9).Draw(d.T, "tone"),
	}
}

func (d drawer) claims() []opal.Claim {
	var out []opal.Claim
	for _, c := range some(d, 0, opal.AllClaimKinds()) {
		claim := opal.Claim{Claim: c}
		if c == opal.ClaimOrigin {
			claim.Country = d.country()
		}
		out = append(out, claim)
	}
	return out
}

func (d drawer) attachment() opal.Attachment {
	return opal.Attachment{
		SHA256: d.bytes32(), MediaType: rapid.SampledFrom([]string{"image/jpeg", "chemical/x-jcamp-dx", "text/csv"}).Draw(d.T, "type"), Name: d.text(opal.MaxText),
	}
}

func (d drawer) dimensions() []float64 {
	return listOf(d, 0, 3, func() float64 { return rapid.Float64Range(0.1, 90).Draw(d.T, "millimetres") })
}

func (d drawer) real(least, most float64) *float64 {
	if d.yes() {
		return nil
	}
	v := rapid.Float64Range(least, most).Draw(d.T, "number")
	return &v
}

func (d drawer) when() string {
	return rapid.SampledFrom([]string{
		"2026-03-04", "2025-12-31T23:59:59Z", "2026-01-02T03:04:05.678901+03:00", "2025-06-07T08:09:10-07:00",
	}).Draw(d.T, "when")
}

// text draws a text in Unicode's normal form C or none; the one of the longest accepted length now and then.
func (d drawer) text(most int) string {
	switch rapid.IntRange(0, 20).Draw(d.T, "form") {
	case 0:
		return strings.Repeat("é", most)
	case 1, 2, 3:
		return rapid.SampledFrom([]string{"Größe 3 – „schön“", "Kirn, Āmber-Tal", "黒蛋白石", "🜁 <b>&amp;"}).Draw(d.T, "text")
	case 4, 5, 6, 7:
		return rapid.StringMatching(`[ -~]{1,40}`).Draw(d.T, "text")
	}
	return ""
}

func (d drawer) needText() string {
	return "x" + rapid.StringMatching(`[ -~]{0,30}`).Draw(d.T, "text")
}
