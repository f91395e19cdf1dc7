package wire

import (
	"cmp"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The bodies that make lots, or say how many stones there are and what they weigh.

func minedIn(m *pb.Mined) (opal.Mined, *fault.Error) {
	origin, f1 := part("origin", m.Origin, m.Origin != nil, originIn)
	material, f2 := part("material", m.Material, m.Material != nil, materialIn)
	return opal.Mined{
		Origin: value(origin), Material: value(material), Form: word[opal.Form](m.Form), Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass),
	}, cmp.Or(f1, f2)
}

func minedOut(b *opal.Mined) *pb.Mined {
	return &pb.Mined{
		Origin: &pb.Origin{
			Country: wordOf(b.Origin.Country), Region: wordOf(b.Origin.Region), Deposit: wordOf(b.Origin.Deposit), Licence: wordOf(b.Origin.Licence),
		},
		Material: MaterialFromDomain(&b.Material),
		Form:     wordOf(b.Form), Pieces: Count(b.Pieces), Mass: wordOf(b.Mass),
	}
}

func originIn(m *pb.Origin) (opal.Origin, *fault.Error) {
	return opal.Origin{Country: m.GetCountry(), Region: m.GetRegion(), Deposit: m.GetDeposit(), Licence: m.GetLicence()}, nil
}

// value gives what a pointer points to, or the zero value: for parts that the domain holds by value and opal.Check asks for.
func value[T any](p *T) T {
	var v T
	if p != nil {
		v = *p
	}
	return v
}

func materialIn(m *pb.Material) (opal.Material, *fault.Error) {
	n, f := tone("bodyTone", wide(m.BodyTone))
	return opal.Material{
		Kind: word[opal.MaterialKind](m.Kind), Look: word[opal.Look](m.Look), BodyColour: m.GetBodyColour(), BodyTone: n,
	}, f
}

// MaterialFromDomain writes a material.
func MaterialFromDomain(m *opal.Material) *pb.Material {
	return &pb.Material{Kind: wordOf(m.Kind), Look: wordOf(m.Look), BodyColour: wordOf(m.BodyColour), BodyTone: Count(toneOf(m.BodyTone))}
}

func acquiredIn(m *pb.Acquired) (opal.Acquired, *fault.Error) {
	material, f := part("material", m.Material, m.Material != nil, materialIn)
	return opal.Acquired{
		Material: value(material), Form: word[opal.Form](m.Form), Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass),
		StatedOrigin: m.GetStatedOrigin(), StatedTreatments: words[opal.Treatment](m.StatedTreatments),
		StatedUntreated: flag(m.StatedUntreated), From: m.GetFrom(),
	}, f
}

func acquiredOut(b *opal.Acquired) *pb.Acquired {
	return &pb.Acquired{
		Material: MaterialFromDomain(&b.Material), Form: wordOf(b.Form), Pieces: Count(b.Pieces), Mass: wordOf(b.Mass),
		StatedOrigin: wordOf(b.StatedOrigin), StatedTreatments: wordsOf(b.StatedTreatments),
		StatedUntreated: flagOf(b.StatedUntreated), From: wordOf(b.From),
	}
}

func splitIn(m *pb.Split) (opal.Split, *fault.Error) {
	rest, f1 := part("rest", m.Rest, m.Rest != nil, restIn)
	children, f2 := list("children", m.Children, partIn)
	loss, f3 := part("loss", m.Loss, m.Loss != nil, lossIn)
	return opal.Split{
		Rest: rest, Children: children, Manner: word[opal.SplitManner](m.Manner), SortedBy: m.GetSortedBy(),
		Selected: m.GetSelectedBy(), Selection: word[opal.Selection](m.Selection), Loss: loss,
	}, cmp.Or(f1, f2, f3)
}

func splitOut(b *opal.Split) *pb.Split {
	m := &pb.Split{
		Children: listOf(b.Children, partOut), Manner: wordOf(b.Manner), SortedBy: wordOf(b.SortedBy),
		SelectedBy: wordOf(b.Selected), Selection: wordOf(b.Selection), Loss: lossOut(b.Loss),
	}
	if b.Rest != nil {
		m.Rest = &pb.Rest{Pieces: Count(b.Rest.Pieces), Mass: wordOf(b.Rest.Mass), Moisture: wordOf(b.Rest.Moisture)}
	}
	return m
}

func restIn(m *pb.Rest) (opal.Rest, *fault.Error) {
	return opal.Rest{Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass), Moisture: word[opal.Moisture](m.Moisture)}, nil
}

func partIn(m *pb.Part) (opal.Part, *fault.Error) {
	return opal.Part{Lot: m.GetLot(), Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass), Moisture: word[opal.Moisture](m.Moisture)}, nil
}

func partOut(p *opal.Part) *pb.Part {
	return &pb.Part{Lot: wordOf(p.Lot), Pieces: Count(p.Pieces), Mass: wordOf(p.Mass), Moisture: wordOf(p.Moisture)}
}

func lossIn(m *pb.Loss) (opal.Loss, *fault.Error) {
	return opal.Loss{Mass: word[opal.Mass](m.Mass), Pieces: wide(m.Pieces), Why: m.GetWhy(), Measured: flag(m.Measured)}, nil
}

func lossOut(l *opal.Loss) *pb.Loss {
	if l == nil {
		return nil
	}
	return &pb.Loss{Mass: wordOf(l.Mass), Pieces: Count(l.Pieces), Why: wordOf(l.Why), Measured: flagOf(l.Measured)}
}

func combinedIn(m *pb.Combined) (opal.Combined, *fault.Error) {
	return opal.Combined{Parents: words[string](m.Parents), Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass)}, nil
}

func combinedOut(b *opal.Combined) *pb.Combined {
	return &pb.Combined{Parents: wordsOf(b.Parents), Pieces: Count(b.Pieces), Mass: wordOf(b.Mass)}
}

func cutIn(m *pb.Cut) (opal.Cut, *fault.Error) {
	stones, f1 := list("stones", m.Stones, stoneIn)
	offcuts, f2 := list("offcuts", m.Offcuts, partIn)
	loss, f3 := part("loss", m.Loss, m.Loss != nil, lossIn)
	return opal.Cut{Stones: stones, Offcuts: offcuts, Loss: loss, Manner: word[opal.CutManner](m.Manner)}, cmp.Or(f1, f2, f3)
}

func cutOut(b *opal.Cut) *pb.Cut {
	return &pb.Cut{
		Stones: listOf(b.Stones, stoneOut), Offcuts: listOf(b.Offcuts, partOut), Loss: lossOut(b.Loss), Manner: wordOf(b.Manner),
	}
}

func stoneIn(m *pb.Stone) (opal.Stone, *fault.Error) {
	return opal.Stone{
		Lot: m.GetLot(), Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass), Form: word[opal.Form](m.Form), Shape: m.GetShape(),
		DimensionsMm: numbers(m.DimensionsMm), Moisture: word[opal.Moisture](m.Moisture),
	}, nil
}

func stoneOut(s *opal.Stone) *pb.Stone {
	return &pb.Stone{
		Lot: wordOf(s.Lot), Pieces: Count(s.Pieces), Mass: wordOf(s.Mass), Form: wordOf(s.Form), Shape: wordOf(s.Shape),
		DimensionsMm: numbers(s.DimensionsMm), Moisture: wordOf(s.Moisture),
	}
}

func countedIn(m *pb.Counted) (opal.Counted, *fault.Error) {
	return opal.Counted{Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass), Why: word[opal.CountWhy](m.Why)}, nil
}

func countedOut(b *opal.Counted) *pb.Counted {
	return &pb.Counted{Pieces: Count(b.Pieces), Mass: wordOf(b.Mass), Why: wordOf(b.Why)}
}
