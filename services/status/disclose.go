package status

import (
	"context"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/disclosure"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// GetDisclosure answers what a seller has to tell of a lot in a market.
func (s *Service) GetDisclosure(ctx context.Context, in *pb.GetDisclosureRequest) (*pb.GetDisclosureResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	return s.disclose(ctx, in, func(*moment) (string, error) { return in.GetLot(), nil })
}

// disclose answers for GetDisclosure. The lot is found at the moment of the answer.
func (s *Service) disclose(ctx context.Context, in *pb.GetDisclosureRequest, lotAt func(*moment) (string, error)) (*pb.GetDisclosureResponse, error) {
	if in.GetMarket() == "" {
		return nil, fault.New(fault.InvalidField, "market", "found nothing, accepted is one of %s", joined(disclosure.Markets()))
	}
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, in.KnownAt)
	if err != nil {
		return nil, err
	}
	defer done()
	lot, err := lotAt(m)
	if err != nil {
		return nil, err
	}
	q, err := s.question(m, lot, in.AsOf, in.KnownAt)
	if err != nil {
		return nil, err
	}
	q.WithoutSales = true
	status, err := evidence.Evaluate(q)
	if err != nil {
		return nil, fmt.Errorf("evaluate lot %s: %w", q.Lot, err)
	}
	stone := disclosure.Stone{}
	if l, err := s.log.Lot(q.Lot); err != nil {
		return nil, fmt.Errorf("read the account of lot %s: %w", q.Lot, err)
	} else if l != nil {
		stone.Material = l.Material.Kind
	}
	for i := range status.Treatments {
		t := &status.Treatments[i]
		stone.Treatments = append(stone.Treatments, disclosure.Treatment{Treatment: t.Treatment, Verdict: t.Verdict, BySample: t.BySample, Statement: t.Statement})
	}
	d, f := disclosure.For(in.GetMarket(), stone)
	if f != nil {
		return nil, f
	}
	out := &pb.GetDisclosureResponse{
		Lot: q.Lot, Market: d.Market, MarketName: d.Name, Edition: d.Edition, AsOf: q.AsOf.String(), Unsettled: d.Unsettled, Short: d.Short, Long: d.Long,
		Care: d.Care, Notes: d.Notes, Position: m.position(), Epoch: m.epoch,
	}
	for _, x := range d.Must {
		out.Must = append(out.Must, &pb.Duty{Treatment: given(x.Treatment), Text: x.Text, Section: x.Source.Section, Mark: x.Source.Mark})
	}
	for _, x := range d.MayNot {
		out.MayNot = append(out.MayNot, &pb.Term{Term: x.Term, Why: x.Why, Section: x.Source.Section, Mark: x.Source.Mark})
	}
	for _, x := range d.Codes {
		out.Codes = append(out.Codes, &pb.TreatmentCode{Letter: x.Letter, Meaning: x.Meaning, Treatment: string(x.Treatment), List: x.List})
	}
	return out, nil
}
