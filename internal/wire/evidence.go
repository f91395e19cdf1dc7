package wire

import (
	"cmp"
	"maps"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The bodies that say what stones are like, what was done to them, and what tests showed.

func testedIn(m *pb.Tested) (opal.Tested, *fault.Error) {
	sample, f1 := part("sample", m.Sample, m.Sample != nil, sampleIn)
	findings, f2 := list("findings", m.Findings, testFindingIn)
	destroyed, f3 := part("destroyed", m.Destroyed, m.Destroyed != nil, destroyedIn)
	measurement, f4 := part("measurement", m.Measurement, m.Measurement != nil, measurementIn)
	return opal.Tested{
		Method: word[opal.Method](m.Method), Sample: value(sample), Outcome: word[opal.Outcome](m.Outcome), Findings: findings,
		LookedFor: words[opal.Treatment](m.LookedFor), Identity: word[opal.Identity](m.Identity), Conditions: pairs(m.Conditions),
		Instrument: m.GetInstrument(), Protocol: m.GetProtocol(), Destroyed: destroyed, Measurement: measurement,
	}, cmp.Or(f1, f2, f3, f4)
}

func testedOut(b *opal.Tested) *pb.Tested {
	m := &pb.Tested{
		Method: wordOf(b.Method), Sample: sampleOut(&b.Sample), Outcome: wordOf(b.Outcome), Findings: listOf(b.Findings, testFindingOut),
		LookedFor: wordsOf(b.LookedFor), Identity: wordOf(b.Identity), Conditions: pairs(b.Conditions),
		Instrument: wordOf(b.Instrument), Protocol: wordOf(b.Protocol),
	}
	if d := b.Destroyed; d != nil {
		m.Destroyed = &pb.Destroyed{Pieces: Count(d.Pieces), Mass: wordOf(d.Mass)}
	}
	m.Measurement = measurementOut(b.Measurement)
	return m
}

// pairs copies a map, an empty one to nil.
func pairs(src map[string]string) map[string]string {
	if len(src) == 0 {
		return nil
	}
	return maps.Clone(src)
}

func sampleIn(m *pb.Sample) (opal.Sample, *fault.Error) {
	return opal.Sample{
		Kind: word[opal.SampleKind](m.Kind), Tested: wide(m.Tested), Of: wide(m.Of), Positive: wide(m.Positive),
		Lots: words[string](m.Lots), SelectedBy: m.GetSelectedBy(), Selection: word[opal.Selection](m.Selection),
	}, nil
}

func sampleOut(s *opal.Sample) *pb.Sample {
	return &pb.Sample{
		Kind: wordOf(s.Kind), Tested: Count(s.Tested), Of: Count(s.Of), Positive: Count(s.Positive),
		Lots: wordsOf(s.Lots), SelectedBy: wordOf(s.SelectedBy), Selection: wordOf(s.Selection),
	}
}

func testFindingIn(m *pb.TestFinding) (opal.TestFinding, *fault.Error) {
	return opal.TestFinding{
		Outcome: word[opal.Outcome](m.Outcome), Treatment: word[opal.Treatment](m.Treatment), Where: word[opal.Place](m.Where), Note: m.GetNote(),
	}, nil
}

func testFindingOut(t *opal.TestFinding) *pb.TestFinding {
	return &pb.TestFinding{Outcome: wordOf(t.Outcome), Treatment: wordOf(t.Treatment), Where: wordOf(t.Where), Note: wordOf(t.Note)}
}

func destroyedIn(m *pb.Destroyed) (opal.Destroyed, *fault.Error) {
	return opal.Destroyed{Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass)}, nil
}

func treatedIn(m *pb.Treated) (opal.Treated, *fault.Error) {
	process, f := part("process", m.Process, m.Process != nil, processIn)
	return opal.Treated{
		Treatment: word[opal.Treatment](m.Treatment), Medium: m.GetMedium(), Process: process, Extent: word[opal.Extent](m.Extent),
		MassBefore: word[opal.Mass](m.MassBefore), MassAfter: word[opal.Mass](m.MassAfter),
	}, f
}

func treatedOut(b *opal.Treated) *pb.Treated {
	m := &pb.Treated{
		Treatment: wordOf(b.Treatment), Medium: wordOf(b.Medium), Extent: wordOf(b.Extent),
		MassBefore: wordOf(b.MassBefore), MassAfter: wordOf(b.MassAfter),
	}
	if p := b.Process; p != nil {
		m.Process = &pb.Process{
			TemperatureCelsius: copied(p.TemperatureCelsius), DurationHours: copied(p.DurationHours), Steps: wordsOf(p.Steps),
		}
	}
	return m
}

func processIn(m *pb.Process) (opal.Process, *fault.Error) {
	return opal.Process{
		TemperatureCelsius: copied(m.TemperatureCelsius), DurationHours: copied(m.DurationHours), Steps: words[string](m.Steps),
	}, nil
}

func describedIn(m *pb.Described) (opal.Described, *fault.Error) {
	n, f := tone("bodyTone", wide(m.BodyTone))
	return opal.Described{
		BodyTone: n, BodyColour: m.GetBodyColour(), Transparency: word[opal.Look](m.Transparency), PlayOfColour: m.GetPlayOfColour(),
		DimensionsMm: numbers(m.DimensionsMm), MeasuredMass: word[opal.Mass](m.MeasuredMass),
	}, f
}

func describedOut(b *opal.Described) *pb.Described {
	return &pb.Described{
		BodyTone: Count(toneOf(b.BodyTone)), BodyColour: wordOf(b.BodyColour), Transparency: wordOf(b.Transparency),
		PlayOfColour: wordOf(b.PlayOfColour), DimensionsMm: numbers(b.DimensionsMm), MeasuredMass: wordOf(b.MeasuredMass),
	}
}

func referenceSetIn(m *pb.ReferenceSet) (opal.ReferenceSet, *fault.Error) {
	return opal.ReferenceSet{Known: word[opal.Known](m.Known), Treatment: word[opal.Treatment](m.Treatment), How: m.GetHow()}, nil
}

func referenceSetOut(b *opal.ReferenceSet) *pb.ReferenceSet {
	return &pb.ReferenceSet{Known: wordOf(b.Known), Treatment: wordOf(b.Treatment), How: wordOf(b.How)}
}

func methodValidatedIn(m *pb.MethodValidated) (opal.MethodValidated, *fault.Error) {
	rows, f := list("rows", m.Rows, rowIn)
	return opal.MethodValidated{
		Method: word[opal.Method](m.Method), Protocol: m.GetProtocol(), Rows: rows, Lots: words[string](m.Lots),
	}, f
}

func methodValidatedOut(b *opal.MethodValidated) *pb.MethodValidated {
	return &pb.MethodValidated{
		Method: wordOf(b.Method), Protocol: wordOf(b.Protocol), Rows: listOf(b.Rows, rowOut), Lots: wordsOf(b.Lots),
	}
}

// rowIn asks for all four counts: a missing one, taken for 0, would be evidence that nobody gave.
func rowIn(m *pb.ValidationRow) (opal.ValidationRow, *fault.Error) {
	treatedWith, f1 := needed("treatedWith", wide(m.TreatedWith))
	treatedAll, f2 := needed("treatedAll", wide(m.TreatedAll))
	untreatedWith, f3 := needed("untreatedWith", wide(m.UntreatedWith))
	untreatedAll, f4 := needed("untreatedAll", wide(m.UntreatedAll))
	return opal.ValidationRow{
		Outcome: word[opal.Outcome](m.Outcome), Treatment: word[opal.Treatment](m.Treatment),
		TreatedWith: treatedWith, TreatedAll: treatedAll, UntreatedWith: untreatedWith, UntreatedAll: untreatedAll,
	}, cmp.Or(f1, f2, f3, f4)
}

func rowOut(r *opal.ValidationRow) *pb.ValidationRow {
	return &pb.ValidationRow{
		Outcome: wordOf(r.Outcome), Treatment: wordOf(r.Treatment),
		TreatedWith: Count(&r.TreatedWith), TreatedAll: Count(&r.TreatedAll),
		UntreatedWith: Count(&r.UntreatedWith), UntreatedAll: Count(&r.UntreatedAll),
	}
}
