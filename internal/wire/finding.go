package wire

import (
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

const million = 1_000_000

// FindingsFromDomain writes the findings that came with an event; event is its id, or empty where it is plain from the context.
func FindingsFromDomain(event string, list []opal.Finding) []*pb.Finding {
	return listOf(list, func(f *opal.Finding) *pb.Finding { return FindingFromDomain(event, f) })
}

// FindingFromDomain writes a finding: the figures that it has, and its sentence.
func FindingFromDomain(event string, f *opal.Finding) *pb.Finding {
	m := &pb.Finding{
		Code: wordOf(f.Code), Event: wordOf(event), Lot: wordOf(f.Lot), MassMicrograms: nonzero(f.Micrograms), Pieces: Count(nonzero(f.Pieces)),
		DelaySeconds: nonzero(f.DelaySeconds), Text: proto.String(f.Sentence()), Note: wordOf(f.Note),
	}
	if f.PartsPerMillion != 0 {
		m.Share = proto.Float64(float64(f.PartsPerMillion) / million)
	}
	return m
}

// FindingToDomain reads a finding from an answer. The sentence is not read: it follows from the rest.
func FindingToDomain(m *pb.Finding) (opal.Finding, *fault.Error) {
	share := m.GetShare() * million
	// Beyond 2^53 not every whole number is a float64.
	if math.IsNaN(share) || math.Abs(share) > 1<<53 {
		return opal.Finding{}, invalid("share", "found %v, accepted is a share such as 0.031", m.GetShare())
	}
	return opal.Finding{
		Code: m.GetCode(), Lot: m.GetLot(), Micrograms: m.GetMassMicrograms(), PartsPerMillion: int64(math.Round(share)),
		Pieces: int64(m.GetPieces()), DelaySeconds: m.GetDelaySeconds(), Note: m.GetNote(),
	}, known(m)
}

// nonzero leaves a figure out that the finding does not carry.
func nonzero(n int64) *int64 {
	if n == 0 {
		return nil
	}
	return &n
}
