package status

import (
	"context"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// GetStatus answers a lot's treatment status: what was so at asOf, by what the log knew at knownAt.
func (s *Service) GetStatus(ctx context.Context, in *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
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
	return m.status(q)
}

// status answers a question.
func (m *moment) status(q evidence.Query) (*pb.GetStatusResponse, error) {
	status, err := evidence.Evaluate(q)
	if err != nil {
		return nil, fmt.Errorf("evaluate lot %s: %w", q.Lot, err)
	}
	return &pb.GetStatusResponse{
		Lot: q.Lot, AsOf: q.AsOf.String(), KnownAt: wire.Position(q.KnownAt - 1), Treatments: treatmentsOut(status.Treatments),
		Overall: string(status.Overall), Custody: custodyOut(status.Custody), Sales: salesOut(status.Sales), Record: recordOut(&status.Record),
		RuleTable: status.RuleTable, Position: m.position(), Epoch: m.epoch, Statement: status.Statement,
	}, nil
}

// question reads what status and claims have in common.
func (s *Service) question(m *moment, lot string, asOf, knownAt *string) (evidence.Query, error) {
	at, err := s.asOf(m, asOf)
	if err != nil {
		return evidence.Query{}, err
	}
	known, err := m.known(knownAt)
	if err != nil {
		return evidence.Query{}, err
	}
	if _, err := m.lot(lot, known); err != nil {
		return evidence.Query{}, err
	}
	return m.query(lot, at, known), nil
}

// maxClaims bounds the claims of one question.
const maxClaims = 50

// CheckClaims tells whether the record supports claims about a lot.
func (s *Service) CheckClaims(ctx context.Context, in *pb.CheckClaimsRequest) (*pb.CheckClaimsResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	if n := len(in.GetClaims()); n == 0 || n > maxClaims {
		return nil, fault.New(fault.InvalidField, "claims", "found %d claims, accepted are 1 to %d of %s", n, maxClaims, joined(opal.AllClaimKinds()))
	}
	claims, f := wire.ClaimsToDomain(in.GetClaims())
	if f != nil {
		return nil, f
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
	results, err := evidence.CheckClaims(q, claims)
	if err != nil {
		return nil, fmt.Errorf("check claims about lot %s: %w", q.Lot, err)
	}
	out := &pb.CheckClaimsResponse{AsOf: q.AsOf.String(), KnownAt: wire.Position(q.KnownAt - 1), Position: m.position(), Epoch: m.epoch}
	for i := range results {
		r := &results[i]
		out.Results = append(out.Results, &pb.ClaimResult{
			Claim: wire.ClaimFromDomain(r.Claim), Verdict: string(r.Verdict), Strength: given(r.Strength), Because: r.Because, Missing: r.Missing,
		})
	}
	return out, nil
}

func treatmentsOut(list []evidence.TreatmentStatus) []*pb.TreatmentStatus {
	out := make([]*pb.TreatmentStatus, len(list))
	for i := range list {
		t := &list[i]
		out[i] = &pb.TreatmentStatus{
			Treatment: string(t.Treatment), Verdict: string(t.Verdict), Strength: given(t.Strength), Log10Lr: t.Log10LR, Statement: t.Statement,
			LikelihoodRatio: ratioOut(t.LR, t.Level), BySample: t.BySample,
		}
		if s := t.Sample; s != nil {
			out[i].Sample = &pb.SampleSupport{
				Event: s.Event, Tested: int32(s.Tested), Of: int32(s.Of), Positive: int32(s.Positive), LowerTreated: int32(s.Lower), UpperTreated: int32(s.Upper),
				Bound: int32(s.Bound), Among: int32(s.Among), Sorted: s.Sorted, Lost: s.Lost, UntestedProbability: s.Untested,
			}
		}
		if t.Share != 0 {
			share := float64(t.Share) / 1e6
			out[i].Share = &share
		}
		for j := range t.Evidence {
			out[i].Evidence = append(out[i].Evidence, itemOut(&t.Evidence[j]))
		}
	}
	return out
}

func ratioOut(lr *evidence.LikelihoodRatio, level float64) *pb.LikelihoodRatio {
	if lr == nil {
		return nil
	}
	return &pb.LikelihoodRatio{Ratio: lr.Point, Lower: lr.Lower, Upper: lr.Upper, Level: level}
}

func itemOut(e *evidence.Item) *pb.EvidenceItem {
	var known *pb.KnownCounts
	if c := e.Counted; c != nil {
		known = &pb.KnownCounts{
			TreatedWith: wire.Count(&c.TreatedWith), TreatedAll: wire.Count(&c.TreatedAll),
			UntreatedWith: wire.Count(&c.UntreatedWith), UntreatedAll: wire.Count(&c.UntreatedAll),
		}
	}
	return &pb.EvidenceItem{
		Known: known, KnownBy: given(e.CountedBy), Formula: given(e.Formula), LikelihoodRatio: ratioOut(e.LR, evidence.ItemLevel),
		Event: e.Event, Position: wire.Position(e.Position), Lot: e.Lot, Party: e.Party, OccurredAt: e.OccurredAt, Kind: string(e.Kind),
		Method: given(e.Method), Outcome: given(e.Outcome), Where: given(e.Where), Stance: given(e.Stance), Coverage: given(e.Coverage),
		Counts: e.Counts, SetAside: given(e.SetAside), Rule: given(e.Rule), Source: given(e.Source), Group: given(e.Group),
		Tested: wire.Count(e.Tested), Of: wire.Count(e.Of), Positive: wire.Count(e.Positive), Text: e.Text,
	}
}

func custodyOut(list []evidence.CustodySpan) []*pb.CustodySpan {
	out := make([]*pb.CustodySpan, len(list))
	for i := range list {
		c := &list[i]
		out[i] = &pb.CustodySpan{
			Holder: given(c.Holder), From: momentOut(c.From, false), To: momentOut(c.To, true), Documented: c.Documented, Because: c.Because, Lot: c.Lot,
		}
	}
	return out
}

// momentOut writes one end of a span: of a day, its beginning or its end.
func momentOut(w *opal.When, end bool) *string {
	if w == nil {
		return nil
	}
	s := w.From.String()
	if end {
		s = w.To.String()
	}
	return &s
}

func salesOut(list []evidence.SaleClaims) []*pb.SaleClaims {
	out := make([]*pb.SaleClaims, len(list))
	for i := range list {
		c := &list[i]
		out[i] = &pb.SaleClaims{Event: c.Event, Lot: c.Lot, Party: c.Party, To: c.To, OccurredAt: c.OccurredAt, Returned: c.Returned}
		for j := range c.Claims {
			claim := &c.Claims[j]
			out[i].Claims = append(out[i].Claims, &pb.ClaimThenAndNow{
				Claim: wire.ClaimFromDomain(claim.Claim), Then: string(claim.Then), Now: string(claim.Now), Because: claim.Because,
			})
		}
	}
	return out
}

func recordOut(r *evidence.Record) *pb.Record {
	out := &pb.Record{Stated: int32(r.Stated), Hands: int32(r.Hands), Gaps: int32(r.Gaps), Text: r.Text}
	for i := range r.Statements {
		h := &r.Statements[i]
		out.Statements = append(out.Statements, &pb.HandStatement{
			Event: h.Event, Party: h.Party, Lot: h.Lot, From: h.From.From.String(), To: h.To.To.String(), Contradicted: h.Contradicted,
		})
	}
	return out
}
