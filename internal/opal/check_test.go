package opal

import (
	"fmt"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// One row is one change to a sample event; field "" with reason "" means that the event stays good.
type checkCase struct {
	name   string
	kind   Kind
	change func(e *Event)
	reason fault.Reason
	field  string
	says   string
}

func runCheckCases(t *testing.T, cases []checkCase) {
	t.Helper()
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			e := sampleEvent(t, c.kind)
			c.change(e)
			f := Check(e, 180)
			switch {
			case c.reason == "" && f != nil:
				t.Fatalf("refused: %v", f)
			case c.reason == "":
			case f == nil:
				t.Fatalf("accepted; want %s at %q", c.reason, c.field)
			case f.Reason != c.reason || f.Field != c.field || f.Kind != fault.Invalid || !strings.Contains(f.Message, c.says) ||
				!strings.Contains(f.Message, "found") || !strings.Contains(f.Message, "accepted"):
				t.Fatalf("%v; want %s at %q, saying %q", f, c.reason, c.field, c.says)
			}
		})
	}
}

const (
	invalid  = fault.InvalidField
	tooLarge = fault.TooLarge
)

func TestCheckCommonFields(t *testing.T) {
	runCheckCases(t, []checkCase{
		{"no request id", KindMined, func(e *Event) { e.RequestID = RequestID{} }, invalid, "requestId", "UUID"},
		{"no body", KindMined, func(e *Event) { e.Mined = nil }, invalid, "", "found no body, accepted is exactly one of mined, acquired, split"},
		{"two bodies", KindMined, func(e *Event) { e.Split = &Split{} }, invalid, "split", "found both mined and split"},
		{"two bodies, the later ones", KindHandleIssued, func(e *Event) { e.HandleRevoked = &HandleRevoked{} }, invalid, "handleRevoked", "found both handleIssued and handleRevoked"},
		{"the request id comes before the body", KindMined, func(e *Event) { e.RequestID, e.Mined = RequestID{}, nil }, invalid, "requestId", ""},
		{"the body comes before the lot", KindMined, func(e *Event) { e.Mined, e.Lot = nil, "" }, invalid, "", "no body"},
		{"the lot comes before the time", KindMined, func(e *Event) { e.Lot, e.OccurredAt = "x", "" }, invalid, "lot", "<party>.<code>"},
		{"the time comes before the body's fields", KindMined, func(e *Event) { e.OccurredAt, e.Mined.Mass = "", "" }, invalid, "occurredAt", "found nothing"},
		{"no lot", KindTested, func(e *Event) { e.Lot = "" }, invalid, "lot", "found nothing"},
		{"a lot where none belongs", KindEnrolled, func(e *Event) { e.Lot = "harrow-gully.r7" }, invalid, "lot", "no lot in enrolled"},
		{"a lot beside a validation", KindMethodValidated, func(e *Event) { e.Lot = "harrow-gully.r7" }, invalid, "lot", "no lot in methodValidated"},
		{"mined by another party's name", KindMined, func(e *Event) { e.Lot = "tall-tree.r7" }, invalid, "lot", "harrow-gully.<code>"},
		{"acquired by another party's name", KindAcquired, func(e *Event) { e.Lot = "tall-tree.r7" }, invalid, "lot", "harrow-gully.<code>"},
		{"combined under another party's name", KindCombined, func(e *Event) { e.Lot = "tall-tree.r7" }, invalid, "lot", "harrow-gully.<code>"},
		{"an old lot keeps its name", KindSplit, func(e *Event) { e.Lot = "tall-tree.r7" }, "", "", ""},
		{"a reserved party", KindTested, func(e *Event) { e.Party = "outside" }, invalid, "party", "reserved"},
		{"the admin", KindEnrolled, func(e *Event) { e.Party = "admin" }, "", "", ""},
		{"a bare date", KindMined, func(e *Event) { e.OccurredAt = "2026-03-04" }, "", "", ""},
		{"no date", KindMined, func(e *Event) { e.OccurredAt = "yesterday" }, invalid, "occurredAt", `found "yesterday", accepted is a time such as`},
		{"2,000 characters of remark", KindMined, func(e *Event) { e.Remark = strings.Repeat("ä", 2000) }, "", "", ""},
		{"2,001 characters of remark", KindMined, func(e *Event) { e.Remark = strings.Repeat("ä", 2001) }, tooLarge, "remark", "found 2,001 characters, accepted are at most 2,000"},
		{"a line break", KindMined, func(e *Event) { e.Remark = "a\nb" }, invalid, "remark", "U+000A"},
		{"a C1 control", KindMined, func(e *Event) { e.Remark = "a\u0080b" }, invalid, "remark", "U+0080"},
		{"DEL", KindMined, func(e *Event) { e.Remark = "a\x7f" }, invalid, "remark", "U+007F"},
		{"the first character after the controls", KindMined, func(e *Event) { e.Remark = "a\u00a0b" }, "", "", ""},
		{"U+FFFD, well encoded", KindMined, func(e *Event) { e.Remark = "\ufffd" }, "", "", ""},
		{"half a character", KindMined, func(e *Event) { e.Remark = "a\xc3" }, invalid, "remark", "byte 0xc3"},
		{"an encoded surrogate", KindMined, func(e *Event) { e.Remark = "\xed\xa0\x80" }, invalid, "remark", "byte 0xed"},
		{"an unknown moisture", KindMined, func(e *Event) { e.Moisture = "DAMP" }, invalid, "moisture", `found "DAMP", accepted is one of DRY, ROOM, WET, SOAKED`},
		{"20 attachments", KindMined, func(e *Event) { e.Attachments = attachments(20) }, "", "", ""},
		{"21 attachments", KindMined, func(e *Event) { e.Attachments = attachments(21) }, tooLarge, "attachments", "found 21 attachments, accepted are at most 20"},
		{"no media type", KindMined, func(e *Event) { e.Attachments[1].MediaType = "jpeg" }, invalid, "attachments[1].mediaType", "image/jpeg"},
		{"media types with parameters", KindMined, func(e *Event) { e.Attachments[1].MediaType = "text/plain; charset=utf-8" }, "", "", ""},
		{"a media type with all it may have", KindMined, func(e *Event) { e.Attachments[1].MediaType = "Model/azAZ09!#$&-^_.+json" }, "", "", ""},
		{"only a subtype", KindMined, func(e *Event) { e.Attachments[1].MediaType = "/jpeg" }, invalid, "attachments[1].mediaType", ""},
		{"a space in a media type", KindMined, func(e *Event) { e.Attachments[1].MediaType = "image/ jpeg" }, invalid, "attachments[1].mediaType", ""},
		{"an empty subtype", KindMined, func(e *Event) { e.Attachments[1].MediaType = "image/" }, invalid, "attachments[1].mediaType", ""},
		{"201 characters of a file's name", KindMined, func(e *Event) { e.Attachments[0].Name = strings.Repeat("x", 201) }, tooLarge, "attachments[0].name", "found 201 characters, accepted are at most 200"},
	})
}

func attachments(n int) []Attachment {
	list := make([]Attachment, n)
	for i := range list {
		list[i] = Attachment{SHA256: hash(byte(i + 1)), MediaType: "image/png"}
	}
	return list
}

func TestCheckLots(t *testing.T) {
	runCheckCases(t, []checkCase{
		{"pieces not counted", KindMined, func(e *Event) { e.Mined.Pieces = nil }, "", "", ""},
		{"no pieces", KindMined, func(e *Event) { e.Mined.Pieces = n(0) }, invalid, "mined.pieces", "found 0, accepted is a whole number from 1 to 1,000,000,000"},
		{"form unset", KindMined, func(e *Event) { e.Mined.Form = "" }, "", "", ""},
		{"no country", KindMined, func(e *Event) { e.Mined.Origin.Country = "ZZ" }, invalid, "mined.origin.country", "ISO 3166-1"},
		{"no kind", KindMined, func(e *Event) { e.Mined.Material.Kind = "" }, invalid, "mined.material.kind", "found nothing, accepted is one of HYDROPHANE, VOLCANIC"},
		{"body tone 9", KindMined, func(e *Event) { e.Mined.Material.BodyTone = 9 }, "", "", ""},
		{"body tone 10", KindMined, func(e *Event) { e.Mined.Material.BodyTone = 10 }, invalid, "mined.material.bodyTone", "1 (black) to 9 (white)"},
		{"no mass", KindMined, func(e *Event) { e.Mined.Mass = "" }, invalid, "mined.mass", "3.42 ct"},
		{"a comma in a mass", KindMined, func(e *Event) { e.Mined.Mass = "1,250 kg" }, invalid, "mined.mass", "comma"},
		{"stated treated and untreated", KindAcquired, func(e *Event) { e.Acquired.StatedUntreated = true }, invalid, "acquired.statedUntreated", "SMOKE"},
		{"stated untreated", KindAcquired, func(e *Event) { e.Acquired.StatedUntreated, e.Acquired.StatedTreatments = true, nil }, "", "", ""},
		{"a treatment stated twice", KindAcquired, func(e *Event) { e.Acquired.StatedTreatments = []Treatment{Dye, Smoke, Dye} }, invalid, "acquired.statedTreatments[2]", "statedTreatments[0]"},
		{"an unknown treatment stated", KindAcquired, func(e *Event) { e.Acquired.StatedTreatments = []Treatment{Dye, "BAKED"} }, invalid, "acquired.statedTreatments[1]", "SUGAR_ACID"},

		{"no rest", KindSplit, func(e *Event) { e.Split.Rest = nil }, "", "", ""},
		{"a rest without mass", KindSplit, func(e *Event) { e.Split.Rest.Mass = "" }, invalid, "split.rest.mass", ""},
		{"no children", KindSplit, func(e *Event) { e.Split.Children = nil }, invalid, "split.children", "1 to 1,000"},
		{"one child", KindSplit, func(e *Event) { e.Split.Children = e.Split.Children[:1] }, "", "", ""},
		{"1,000 children", KindSplit, func(e *Event) { e.Split.Children = children(1000) }, "", "", ""},
		{"1,001 children", KindSplit, func(e *Event) { e.Split.Children = children(1001) }, tooLarge, "split.children", "found 1,001 children, accepted are at most 1,000"},
		{"the same child twice", KindSplit, func(e *Event) { e.Split.Children[1].Lot = e.Split.Children[0].Lot }, invalid, "split.children[1].lot", "children[0] names already"},
		{"the same child twice among many", KindSplit, func(e *Event) {
			e.Split.Children = children(1000)
			e.Split.Children[977].Lot = e.Split.Children[13].Lot
		}, invalid, "split.children[977].lot", "children[13] names already"},
		{"a child under another's name", KindSplit, func(e *Event) { e.Split.Children[1].Lot = "tall-tree.b" }, invalid, "split.children[1].lot", "harrow-gully.<code>"},
		{"a child with the parent's name", KindSplit, func(e *Event) { e.Split.Children[1].Lot = e.Lot }, invalid, "split.children[1].lot", "new lot"},
		{"a child without pieces", KindSplit, func(e *Event) { e.Split.Children[1].Pieces = n(0) }, invalid, "split.children[1].pieces", "from 1"},
		{"manner unset", KindSplit, func(e *Event) { e.Split.Manner = "" }, "", "", ""},
		{"a sample without selector", KindSplit, func(e *Event) { e.Split.Selected, e.Split.Selection = "", "" }, "", "", ""},
		{"selected by somebody outside", KindSplit, func(e *Event) { e.Split.Selected = Outside }, "", "", ""},
		{"selected by a name", KindSplit, func(e *Event) { e.Split.Selected = "A. Person" }, invalid, "split.selectedBy", "id of the party"},
		{"no loss of pieces", KindSplit, func(e *Event) { e.Split.Loss.Pieces = n(0) }, "", "", ""},
		{"a negative loss of pieces", KindSplit, func(e *Event) { e.Split.Loss.Pieces = n(-1) }, invalid, "split.loss.pieces", "found -1"},
		{"no loss", KindSplit, func(e *Event) { e.Split.Loss = nil }, "", "", ""},
		{"a loss without mass", KindSplit, func(e *Event) { e.Split.Loss.Mass = "" }, "", "", ""},

		{"one parent", KindCombined, func(e *Event) { e.Combined.Parents = e.Combined.Parents[:1] }, invalid, "combined.parents", "found 1, accepted are 2 to 1,000"},
		{"1,000 parents", KindCombined, func(e *Event) { e.Combined.Parents = lots(1000) }, "", "", ""},
		{"1,001 parents", KindCombined, func(e *Event) { e.Combined.Parents = lots(1001) }, tooLarge, "combined.parents", "found 1,001 lots, accepted are at most 1,000"},
		{"the same parent twice", KindCombined, func(e *Event) { e.Combined.Parents = []string{"ab.1", "ab.2", "ab.1"} }, invalid, "combined.parents[2]", "parents[0]"},
		{"the new lot as its own parent", KindCombined, func(e *Event) { e.Combined.Parents[1] = e.Lot }, invalid, "combined.parents[1]", "new lot itself"},

		{"no stones", KindCut, func(e *Event) { e.Cut.Stones = nil }, invalid, "cut.stones", "1 to 1,000"},
		{"no offcuts", KindCut, func(e *Event) { e.Cut.Offcuts = nil }, "", "", ""},
		{"1,000 stones", KindCut, func(e *Event) {
			e.Cut.Stones, e.Cut.Offcuts = nil, nil
			for _, p := range children(1000) {
				e.Cut.Stones = append(e.Cut.Stones, Stone{Lot: p.Lot, Mass: p.Mass})
			}
		}, "", "", ""},
		{"1,000 stones and offcuts", KindCut, func(e *Event) { e.Cut.Offcuts = children(998) }, "", "", ""},
		{"1,001 stones", KindCut, func(e *Event) { e.Cut.Stones = make([]Stone, 1001) }, tooLarge, "cut.stones", "1,001"},
		{"1,001 stones and offcuts", KindCut, func(e *Event) { e.Cut.Offcuts = children(999) }, tooLarge, "cut.offcuts", "1,001 stones and offcuts"},
		{"a stone twice", KindCut, func(e *Event) { e.Cut.Stones[1].Lot = e.Cut.Stones[0].Lot }, invalid, "cut.stones[1].lot", "stones[0]"},
		{"a stone as an offcut", KindCut, func(e *Event) { e.Cut.Offcuts[0].Lot = e.Cut.Stones[1].Lot }, invalid, "cut.offcuts[0].lot", "stones[1]"},
		{"an offcut under another's name", KindCut, func(e *Event) { e.Cut.Offcuts[0].Lot = "tall-tree.o" }, invalid, "cut.offcuts[0].lot", "harrow-gully.<code>"},
		{"four dimensions", KindCut, func(e *Event) { e.Cut.Stones[0].DimensionsMm = []float64{1, 2, 3, 4} }, invalid, "cut.stones[0].dimensionsMm", "1 to 3"},
		{"a dimension of nothing", KindCut, func(e *Event) { e.Cut.Stones[0].DimensionsMm[1] = 0 }, invalid, "cut.stones[0].dimensionsMm[1]", "above 0"},
		{"10,000 mm", KindCut, func(e *Event) { e.Cut.Stones[0].DimensionsMm[1] = 10_000 }, "", "", ""},
		{"more than 10,000 mm", KindCut, func(e *Event) { e.Cut.Stones[0].DimensionsMm[1] = 10_000.1 }, invalid, "cut.stones[0].dimensionsMm[1]", "10,000 mm"},

		{"neither pieces nor mass counted", KindCounted, func(e *Event) { e.Counted.Pieces, e.Counted.Mass = nil, "" }, invalid, "counted.pieces", "at least one"},
		{"only mass counted", KindCounted, func(e *Event) { e.Counted.Pieces = nil }, "", "", ""},
		{"only pieces counted", KindCounted, func(e *Event) { e.Counted.Mass = "" }, "", "", ""},
	})
}

func children(n int) []Part {
	list := make([]Part, n)
	for i := range list {
		list[i] = Part{Lot: fmt.Sprintf("harrow-gully.c%d", i), Mass: "1.00 ct"}
	}
	return list
}

func lots(n int) []string {
	list := make([]string, n)
	for i := range list {
		list[i] = fmt.Sprintf("tall-tree.c%d", i)
	}
	return list
}

func TestCheckEvidence(t *testing.T) {
	runCheckCases(t, []checkCase{
		{"neither outcome nor findings", KindTested, func(e *Event) { e.Tested.Outcome, e.Tested.Findings = "", nil }, invalid, "tested.outcome", "or findings"},
		{"findings alone", KindTested, func(e *Event) { e.Tested.Outcome, e.Tested.LookedFor = "", nil }, "", "", ""},
		{"an outcome alone", KindTested, func(e *Event) { e.Tested.Findings = nil }, "", "", ""},
		{"another method's outcome", KindTested, func(e *Event) { e.Tested.Outcome = "SOAKED_IN" }, invalid, "tested.outcome", "with MICROSCOPE is one of COLOUR_IN_CRACKS, COLOUR_UNEVEN"},
		{"another method's finding", KindTested, func(e *Event) { e.Tested.Findings[0].Outcome = "TACKY" }, invalid, "tested.findings[0].outcome", "CARBON_SPECKS"},
		{"1,001 findings", KindTested, func(e *Event) { e.Tested.Findings = make([]TestFinding, 1001) }, tooLarge, "tested.findings", "1,001"},
		{"nothing seen, for what?", KindTested, func(e *Event) { e.Tested.LookedFor = nil }, invalid, "tested.lookedFor", "NOTHING_SEEN"},
		{"a finding of nothing, for what?", KindTested, func(e *Event) {
			e.Tested.Outcome, e.Tested.Findings[0].Outcome, e.Tested.LookedFor = "", NothingSeen, nil
		}, invalid, "tested.lookedFor", "NOTHING_SEEN"},
		{"unreadable needs no more", KindTested, func(e *Event) { e.Tested.Outcome, e.Tested.LookedFor = Unreadable, nil }, "", "", ""},
		{"looked for twice", KindTested, func(e *Event) { e.Tested.LookedFor = []Treatment{Dye, Dye} }, invalid, "tested.lookedFor[1]", "lookedFor[0]"},
		{"more tested than there were", KindTested, func(e *Event) { e.Tested.Sample.Tested = n(401) }, invalid, "tested.sample.tested", "found 401 tested of 400"},
		{"more positive than tested", KindTested, func(e *Event) { e.Tested.Sample.Positive = n(53) }, invalid, "tested.sample.positive", "found 53 positive of 52"},
		{"none positive", KindTested, func(e *Event) { e.Tested.Sample.Positive = n(0) }, "", "", ""},
		{"a random sample of how many?", KindTested, func(e *Event) { e.Tested.Sample.Of = nil }, invalid, "tested.sample.of", "RANDOM"},
		{"a random sample, how many tested?", KindTested, func(e *Event) { e.Tested.Sample.Tested = nil }, invalid, "tested.sample.tested", "RANDOM"},
		{"a picked sample of how many?", KindTested, func(e *Event) { e.Tested.Sample.Kind, e.Tested.Sample.Of = Picked, nil }, invalid, "tested.sample.of", "PICKED"},
		{"pieces without counts", KindTested, func(e *Event) { e.Tested.Sample = Sample{Kind: Pieces} }, "", "", ""},
		{"the whole lot without counts", KindTested, func(e *Event) { e.Tested.Sample = Sample{Kind: Whole} }, "", "", ""},
		{"one of one", KindTested, func(e *Event) { e.Tested.Sample = Sample{Kind: Picked, Tested: n(1), Of: n(1), Positive: n(1)} }, "", "", ""},
		{"the whole lot, counted", KindTested, func(e *Event) { e.Tested.Sample = Sample{Kind: Whole, Tested: n(4), Of: n(4), Positive: n(4)} }, "", "", ""},
		{"the whole lot, but not all of it", KindTested, func(e *Event) { e.Tested.Sample = Sample{Kind: Whole, Tested: n(3), Of: n(4)} }, invalid, "tested.sample.tested", "WHOLE"},
		{"more positive than there were", KindTested, func(e *Event) { e.Tested.Sample = Sample{Kind: Pieces, Of: n(4), Positive: n(5)} }, invalid, "tested.sample.positive", "found 5"},
		{"a random sample that was chosen is judged elsewhere", KindTested, func(e *Event) { e.Tested.Sample.Selection = Chosen }, "", "", ""},
		{"a person's name as selector", KindTested, func(e *Event) { e.Tested.Sample.SelectedBy = "A. Person" }, invalid, "tested.sample.selectedBy", "outside"},
		{"a sample lot twice", KindTested, func(e *Event) { e.Tested.Sample.Lots = []string{"ab.1", "ab.1"} }, invalid, "tested.sample.lots[1]", "lots[0]"},
		{"1,001 sample lots", KindTested, func(e *Event) { e.Tested.Sample.Lots = lots(1001) }, tooLarge, "tested.sample.lots", "1,001"},
		{"a condition with a control character", KindTested, func(e *Event) { e.Tested.Conditions["light"] = "dark\tfield" }, invalid, `tested.conditions["light"]`, "U+0009"},
		{"of two wrong conditions the first by name", KindTested, func(e *Event) {
			e.Tested.Conditions = map[string]string{"b": "\x01", "a": "\x02", "c": "\x03", "d": "\x04"}
		}, invalid, `tested.conditions["a"]`, "U+0002"},
		{"a condition without a name", KindTested, func(e *Event) { e.Tested.Conditions[""] = "x" }, invalid, "tested.conditions", "without a name"},
		{"a condition's name too long", KindTested, func(e *Event) {
			e.Tested.Conditions = map[string]string{strings.Repeat("k", 201): "x"}
		}, tooLarge, `tested.conditions["` + strings.Repeat("k", 60) + `…"]`, "201"},
		{"101 conditions", KindTested, func(e *Event) {
			e.Tested.Conditions = map[string]string{}
			for i := range 101 {
				e.Tested.Conditions[fmt.Sprint(i)] = "x"
			}
		}, tooLarge, "tested.conditions", "101"},
		{"destroyed, but what?", KindTested, func(e *Event) { e.Tested.Destroyed = &Destroyed{} }, invalid, "tested.destroyed", "neither pieces nor mass"},
		{"nothing destroyed", KindTested, func(e *Event) { e.Tested.Destroyed = nil }, "", "", ""},
		{"destroyed by mass", KindTested, func(e *Event) { e.Tested.Destroyed = &Destroyed{Mass: "0.10 ct"} }, "", "", ""},

		{"colder than can be", KindTreated, func(e *Event) { e.Treated.Process.TemperatureCelsius = fl(-274) }, invalid, "treated.process.temperatureCelsius", "-273.15 to 2000 °C"},
		{"a negative duration", KindTreated, func(e *Event) { e.Treated.Process.DurationHours = fl(-0.1) }, invalid, "treated.process.durationHours", "hours"},
		{"101 steps", KindTreated, func(e *Event) { e.Treated.Process.Steps = make([]string, 101) }, tooLarge, "treated.process.steps", "101"},
		{"an empty step", KindTreated, func(e *Event) { e.Treated.Process.Steps[1] = " " }, invalid, "treated.process.steps[1]", "found nothing"},
		{"no masses", KindTreated, func(e *Event) { e.Treated.MassBefore, e.Treated.MassAfter = "", "" }, "", "", ""},
		{"a mass that rose", KindTreated, func(e *Event) { e.Treated.MassAfter = "130 ct" }, "", "", ""},
		{"a wrong mass after", KindTreated, func(e *Event) { e.Treated.MassAfter = "118.5" }, invalid, "treated.massAfter", "units"},
		{"no process", KindTreated, func(e *Event) { e.Treated.Process = nil }, "", "", ""},

		{"a body tone below zero", KindDescribed, func(e *Event) { e.Described.BodyTone = -1 }, invalid, "described.bodyTone", "found -1"},
		{"nothing done backwards", KindNothingDone, func(e *Event) { e.NothingDone.To = "2026-01-01" }, invalid, "nothingDone.to", "before from (2026-01-02)"},
		{"nothing done on one day", KindNothingDone, func(e *Event) { e.NothingDone.To = "2026-01-02" }, "", "", ""},
		{"a moment in the day that it began", KindNothingDone, func(e *Event) { e.NothingDone.To = "2026-01-01T22:00:00Z" }, "", "", ""}, // the zone is +03:00
		{"a moment before that day", KindNothingDone, func(e *Event) { e.NothingDone.To = "2026-01-01T20:59:59Z" }, invalid, "nothingDone.to", ""},
		{"known to be treated, how?", KindReferenceSet, func(e *Event) { e.ReferenceSet.Treatment = "" }, invalid, "referenceSet.treatment", "beside TREATED"},
		{"known to be untreated", KindReferenceSet, func(e *Event) { e.ReferenceSet.Known, e.ReferenceSet.Treatment = KnownUntreated, "" }, "", "", ""},

		{"neither rows nor lots", KindMethodValidated, func(e *Event) { e.MethodValidated.Rows, e.MethodValidated.Lots = nil, nil }, invalid, "methodValidated.rows", "1 to 1,000"},
		{"lots alone", KindMethodValidated, func(e *Event) { e.MethodValidated.Rows = nil }, "", "", ""},
		{"1,001 rows", KindMethodValidated, func(e *Event) { e.MethodValidated.Rows = make([]ValidationRow, 1001) }, tooLarge, "methodValidated.rows", "1,001"},
		{"more with than all", KindMethodValidated, func(e *Event) { e.MethodValidated.Rows[1].UntreatedWith = 61 }, invalid, "methodValidated.rows[1].untreatedWith", "found 61 of 60"},
		{"a negative count", KindMethodValidated, func(e *Event) { e.MethodValidated.Rows[0].TreatedAll = -1 }, invalid, "methodValidated.rows[0].treatedAll", "found -1"},
		{"no untreated stones", KindMethodValidated, func(e *Event) { e.MethodValidated.Rows[0].UntreatedWith, e.MethodValidated.Rows[0].UntreatedAll = 0, 0 }, "", "", ""},
		{"the same row twice", KindMethodValidated, func(e *Event) { e.MethodValidated.Rows[1] = e.MethodValidated.Rows[0] }, invalid, "methodValidated.rows[1].outcome", "rows[0] counts already"},
	})
}

func TestCheckCustody(t *testing.T) {
	runCheckCases(t, []checkCase{
		{"handed over outside", KindHandedOver, func(e *Event) { e.HandedOver.To = Outside }, invalid, "handedOver.to", "only a sale"},
		{"handed over to oneself", KindHandedOver, func(e *Event) { e.HandedOver.To = e.Party }, invalid, "handedOver.to", "itself"},
		{"no purpose", KindHandedOver, func(e *Event) { e.HandedOver.Purpose = "" }, invalid, "handedOver.purpose", "CUTTING, TESTING"},
		{"handed over whole", KindHandedOver, func(e *Event) { e.HandedOver.Part = nil }, "", "", ""},
		{"a part under another's name", KindHandedOver, func(e *Event) { e.HandedOver.Part.Lot = "tall-tree.p1" }, invalid, "handedOver.part.lot", "harrow-gully.<code>"},
		{"a part with the lot's own name", KindSold, func(e *Event) { e.Sold.Part.Lot = e.Lot }, invalid, "sold.part.lot", "new lot"},
		{"a part by weight", KindSold, func(e *Event) { e.Sold.Part.Pieces = nil }, "", "", ""},
		{"sold outside", KindSold, func(e *Event) { e.Sold.To = Outside }, "", "", ""},
		{"sold to the admin", KindSold, func(e *Event) { e.Sold.To = Admin }, invalid, "sold.to", "outside"},
		{"sold to oneself", KindSold, func(e *Event) { e.Sold.To, e.Sold.OnBehalfOf = e.Party, "" }, invalid, "sold.to", "itself"},
		{"bought from one's consignor", KindSold, func(e *Event) { e.Sold.To = e.Party }, "", "", ""},
		{"sold to the owner on its own behalf", KindSold, func(e *Event) { e.Sold.OnBehalfOf = e.Sold.To }, invalid, "sold.onBehalfOf", "the buyer"},
		{"no claims", KindSold, func(e *Event) { e.Sold.Claims = nil }, "", "", ""},
		{"an unknown claim", KindSold, func(e *Event) { e.Sold.Claims[0].Claim = "PRETTY" }, invalid, "sold.claims[0].claim", "UNTREATED, NO_DYE"},
		{"an origin without country", KindSold, func(e *Event) { e.Sold.Claims[1].Country = "" }, invalid, "sold.claims[1].country", "ISO 3166-1"},
		{"a country without origin", KindSold, func(e *Event) { e.Sold.Claims[0].Country = "ET" }, invalid, "sold.claims[0].country", "ORIGIN only"},
		{"a claim twice", KindSold, func(e *Event) { e.Sold.Claims = append(e.Sold.Claims, e.Sold.Claims[0]) }, invalid, "sold.claims[2].claim", "claims[0]"},
		{"two origins are recorded, and judged elsewhere", KindSold, func(e *Event) { e.Sold.Claims = append(e.Sold.Claims, Claim{ClaimOrigin, "AU"}) }, "", "", ""},
		{"received unweighed", KindReceived, func(e *Event) { *e.Received = Received{} }, "", "", ""},
		{"received no pieces", KindReceived, func(e *Event) { e.Received.Pieces = n(0) }, invalid, "received.pieces", "from 1"},
		{"refused with a blank reason", KindRefused, func(e *Event) { e.Refused.Because = "  " }, invalid, "refused.because", "found nothing"},
		{"returned of no sale", KindReturned, func(e *Event) { e.Returned.Sale = sampleUUID }, invalid, "returned.sale", "<party>/<requestId>"},
		{"claims of a lost stone", KindClosed, func(e *Event) { e.Closed.Reason = ClosedLost }, invalid, "closed.claims", "SOLD_TO_WEARER only"},
		{"lost", KindClosed, func(e *Event) { e.Closed.Reason, e.Closed.Claims = ClosedLost, nil }, "", "", ""},
		{"a claim in a closing", KindClosed, func(e *Event) { e.Closed.Claims[0].Country = "AU" }, invalid, "closed.claims[0].country", ""},
		{"unset from an unnamed piece", KindUnset, func(e *Event) { e.Unset.Piece = "" }, "", "", ""},
		{"set in an unnamed piece", KindSet, func(e *Event) { e.Set.Piece = "" }, invalid, "set.piece", "found nothing"},
	})
}

func TestCheckCorrections(t *testing.T) {
	runCheckCases(t, []checkCase{
		{"no replacement", KindCorrected, func(e *Event) { e.Corrected.Replacement = nil }, invalid, "corrected.replacement", "found nothing"},
		{"an empty replacement", KindCorrected, func(e *Event) { e.Corrected.Replacement.Counted = nil }, invalid, "corrected.replacement", "found no body, accepted is exactly one of mined"},
		{"two bodies", KindCorrected, func(e *Event) { e.Corrected.Replacement.Cut = &Cut{} }, invalid, "corrected.replacement.counted", "found both cut and counted"},
		{"the time unchanged", KindCorrected, func(e *Event) { e.Corrected.Replacement.OccurredAt = "" }, "", "", ""},
		{"a wrong time", KindCorrected, func(e *Event) { e.Corrected.Replacement.OccurredAt = "x" }, invalid, "corrected.replacement.occurredAt", ""},
		{"a wrong moisture", KindCorrected, func(e *Event) { e.Corrected.Replacement.Moisture = "x" }, invalid, "corrected.replacement.moisture", "DRY"},
		{"a wrong count deep in the replacement", KindCorrected, func(e *Event) {
			e.Corrected.Replacement = &Replacement{Split: sampleEvent(t, KindSplit).Split}
			e.Corrected.Replacement.Split.Children[1].Pieces = n(-4)
		}, invalid, "corrected.replacement.split.children[1].pieces", "found -4"},
		{"children of the replacement have the poster's name", KindCorrected, func(e *Event) {
			e.Corrected.Replacement = &Replacement{Split: sampleEvent(t, KindSplit).Split}
			e.Corrected.Replacement.Split.Children[0].Lot = "tall-tree.a"
		}, invalid, "corrected.replacement.split.children[0].lot", "harrow-gully.<code>"},
		{"no event", KindCorrected, func(e *Event) { e.Corrected.Event = "" }, invalid, "corrected.event", "found nothing"},
		{"a validation corrected has no lot", KindCorrected, func(e *Event) {
			e.Corrected.Replacement = &Replacement{MethodValidated: sampleEvent(t, KindMethodValidated).MethodValidated}
		}, invalid, "lot", "no lot"},
		{"any other correction has one", KindCorrected, func(e *Event) { e.Lot = "" }, invalid, "lot", "found nothing"},
		{"an event without a lot withdrawn", KindWithdrawn, func(e *Event) { e.Lot = "" }, "", "", ""},
		{"a withdrawn event of a misspelt lot", KindWithdrawn, func(e *Event) { e.Lot = "Harrow.1" }, invalid, "lot", ""},
	})
}

func TestCheckDirectory(t *testing.T) {
	policy := func(e *Event) *Policy { return &e.PolicySet.Policy }
	runCheckCases(t, []checkCase{
		{"outside enrolled", KindEnrolled, func(e *Event) { e.Enrolled.Party = Outside }, invalid, "enrolled.party", "reserved"},
		{"the admin enrolled", KindEnrolled, func(e *Event) { e.Enrolled.Party = Admin }, invalid, "enrolled.party", "reserved"},
		{"no roles", KindEnrolled, func(e *Event) { e.Enrolled.Roles = nil }, invalid, "enrolled.roles", "MINER, EXPORTER, DEALER"},
		{"a role twice", KindEnrolled, func(e *Event) { e.Enrolled.Roles = []Role{Miner, Miner} }, invalid, "enrolled.roles[1]", "roles[0]"},
		{"no token", KindEnrolled, func(e *Event) { e.Enrolled.TokenHash = [32]byte{} }, invalid, "enrolled.tokenHash", "SHA-256"},
		{"the admin's other token", KindTokenIssued, func(e *Event) { e.TokenIssued.Party = Admin }, "", "", ""},
		{"a token without end or scopes", KindTokenIssued, func(e *Event) { e.TokenIssued.Expires, e.TokenIssued.Scopes = "", nil }, "", "", ""},
		{"a token's wrong end", KindTokenIssued, func(e *Event) { e.TokenIssued.Expires = "never" }, invalid, "tokenIssued.expires", "2026-03-04"},
		{"a token's name in capitals", KindTokenRevoked, func(e *Event) { e.TokenRevoked.Token = "0123456789ABCDEF" }, invalid, "tokenRevoked.token", "16 hexadecimal"},
		{"a key's name too short", KindKeyRevoked, func(e *Event) { e.KeyRevoked.KeyID = "0123" }, invalid, "keyRevoked.keyId", "16 hexadecimal"},
		{"a share of all", KindPolicySet, func(e *Event) { policy(e).OtherMaterial = 1_000_000 }, "", "", ""},
		{"a share of more than all", KindPolicySet, func(e *Event) { policy(e).OtherMaterial = 1_000_001 }, invalid, "policySet.policy.otherMaterial", "found 1,000,001, accepted is a whole number from 0 to 1,000,000"},
		{"14 hours east", KindPolicySet, func(e *Event) { policy(e).ZoneMinutes = 840 }, "", "", ""},
		{"14 hours west", KindPolicySet, func(e *Event) { policy(e).ZoneMinutes = -840 }, "", "", ""},
		{"further east", KindPolicySet, func(e *Event) { policy(e).ZoneMinutes = 841 }, invalid, "policySet.policy.zoneMinutes", "-840 to 840"},
		{"no depth", KindPolicySet, func(e *Event) { policy(e).MaxDepth = 0 }, invalid, "policySet.policy.maxDepth", "from 1"},
		{"the default policy", KindPolicySet, func(e *Event) { *policy(e) = DefaultPolicy() }, "", "", ""},
		{"a policy in logOpened", KindLogOpened, func(e *Event) { e.LogOpened.Policy.SampleBound = -1 }, invalid, "logOpened.policy.sampleBound", "found -1"},
		{"a new log", KindLogOpened, func(e *Event) { e.LogOpened.Continues = "" }, "", "", ""},
		{"a log name with a space", KindLogOpened, func(e *Event) { e.LogOpened.LogName = "my log" }, invalid, "logOpened.logName", "other than +"},
		{"a handle in capitals", KindHandleIssued, func(e *Event) { e.HandleIssued.Handle = "MZXW6YTBMZXW6YTBMZXW6YTBMY" }, invalid, "handleIssued.handle", "26 characters"},
	})
}

// Of several faults the answer is the one of the earliest field.
func TestCheckAnswersInOrder(t *testing.T) {
	e := sampleEvent(t, KindSplit)
	e.Split.Rest.Pieces = n(0)
	e.Split.Children[0].Mass = "x"
	e.Split.Children[1].Lot = "x"
	e.Split.Manner = "x"
	e.Split.SortedBy = "\x00"
	e.Split.Loss.Why = "\x00"
	mend := []func(){
		func() { e.Split.Rest.Pieces = nil }, func() { e.Split.Children[0].Mass = "1 ct" }, func() { e.Split.Children[1].Lot = "harrow-gully.b" },
		func() { e.Split.Manner = Sorted }, func() { e.Split.SortedBy = "" }, func() { e.Split.Loss.Why = "" },
	}
	for i, field := range []string{"split.rest.pieces", "split.children[0].mass", "split.children[1].lot", "split.manner", "split.sortedBy", "split.loss.why"} {
		f := Check(e, 0)
		if f == nil || f.Field != field {
			t.Fatalf("%v; want the fault of %s first", f, field)
		}
		mend[i]()
	}
	if f := Check(e, 0); f != nil {
		t.Fatal(f)
	}
}

func TestCheckClaims(t *testing.T) {
	if f := CheckClaims([]Claim{{Claim: ClaimNoDye}, {Claim: ClaimOrigin, Country: "ET"}}); f != nil {
		t.Error(f)
	}
	if f := CheckClaims([]Claim{{Claim: ClaimNoDye}, {Claim: "NICE"}}); f == nil || f.Field != "claims[1].claim" {
		t.Error(f)
	}
}
