package status

import (
	"context"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/evidence"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// GetNextTests answers which tests would tell more of a lot.
func (s *Service) GetNextTests(ctx context.Context, in *pb.GetNextTestsRequest) (*pb.GetNextTestsResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, in.KnownAt)
	if err != nil {
		return nil, err
	}
	defer done()
	q, err := s.question(m, in.GetLot(), in.AsOf, in.KnownAt)
	if err != nil {
		return nil, err
	}
	q.WithoutSales = true
	next, err := evidence.NextTests(q, laboratories(m.view.counts.all(), q.KnownAt))
	if err != nil {
		return nil, fmt.Errorf("find the next tests of lot %s: %w", q.Lot, err)
	}
	out := &pb.GetNextTestsResponse{
		Lot: next.Lot, AsOf: next.AsOf.String(), KnownAt: wire.Position(next.KnownAt - 1), SampleSize: wire.Count(next.SampleSize), Of: wire.Count(next.Of),
		Text: next.Text, Position: m.position(), Epoch: m.epoch,
	}
	for _, t := range next.Open {
		out.Open = append(out.Open, string(t))
	}
	for i := range next.Tests {
		out.Tests = append(out.Tests, nextOut(&next.Tests[i]))
	}
	return out, nil
}

func nextOut(t *evidence.NextTest) *pb.NextTest {
	out := &pb.NextTest{
		Method: string(t.Method), Party: given(t.Party), Protocol: given(t.Protocol), Bits: t.Bits, Harm: string(t.Harm), Minutes: int32(t.Minutes),
		Record: t.Record, Text: t.Text,
	}
	for i := range t.Treatments {
		x := &t.Treatments[i]
		of := &pb.NextTreatment{Treatment: string(x.Treatment), Verdict: string(x.Verdict), Bits: x.Bits}
		for _, o := range x.Outcomes {
			of.Outcomes = append(of.Outcomes, &pb.NextOutcome{
				Outcome: string(o.Outcome), Where: given(o.Where), Stance: string(o.Stance), Verdict: string(o.Verdict), Strength: given(o.Strength),
			})
		}
		out.Treatments = append(out.Treatments, of)
	}
	return out
}

// laboratories are those that counted known stones, each method and protocol once, as known before a position.
func laboratories(list []validation, knownAt uint64) (out []evidence.Laboratory) {
	seen := map[evidence.Laboratory]bool{}
	for i := range list {
		r := &list[i]
		lab := evidence.Laboratory{Party: r.Party, Method: r.Body.Method, Protocol: r.Body.Protocol}
		if !r.stands(knownAt) || seen[lab] {
			continue
		}
		seen[lab] = true
		out = append(out, lab)
	}
	return out
}
