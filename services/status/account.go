package status

import (
	"context"
	"encoding/base64"
	"math"
	"slices"
	"time"

	"github.com/lotpaper/lotpaper/internal/account"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// GetLog tells where the log stands. It does not wait for the projection.
func (s *Service) GetLog(ctx context.Context, in *pb.GetLogRequest) (*pb.GetLogResponse, error) {
	head := s.log.Head()
	if err := sameEpoch(in.Epoch, head.Epoch); err != nil {
		return nil, err
	}
	want := uint64(0)
	if in.MinPosition != nil {
		p, f := wire.PositionToDomain("minPosition", *in.MinPosition)
		if f != nil {
			return nil, f
		}
		want = p
	}
	bounded, cancel := context.WithTimeout(ctx, s.patience(ctx))
	defer cancel()
	if err := s.log.Wait(bounded, want); err != nil {
		return nil, behind(s.log.Head().Next, want+1)
	}
	head = s.log.Head()
	state, err := s.log.Log()
	if err != nil {
		return nil, err
	}
	out := &pb.GetLogResponse{
		Log: head.LogName, Epoch: wire.Epoch(head.Epoch), Position: wire.Position(head.Next - 1), Size: wire.Position(head.Next),
	}
	root := head.Root()
	out.Root = base64.StdEncoding.EncodeToString(root[:])
	if state != nil {
		out.Policy = wire.PolicyFromDomain(&state.Policy)
		rules, err := rulesOf(state.Policy)
		if err != nil {
			return nil, err
		}
		out.RuleTable = rules.Table.Version
	}
	return out, nil
}

// GetLot answers a lot's account.
func (s *Service) GetLot(ctx context.Context, in *pb.GetLotRequest) (*pb.GetLotResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	a, err := s.account(in.GetLot())
	if err != nil {
		return nil, err
	}
	out := &pb.GetLotResponse{
		Lot: a.ID, State: string(a.State), Material: wire.MaterialFromDomain(&a.Material), Form: string(a.Form), Pieces: wire.Count(a.Pieces),
		Mass: massText(a), MassMicrograms: a.Micrograms, Moisture: given(a.Moisture), Owner: a.Owner, Holder: a.Holder,
		Purpose: given(a.Purpose), Parents: a.Parents, Children: a.Children, ChildCount: int32(min(a.ChildCount, math.MaxInt32)), SetIn: given(a.SetIn),
		OpenedBy: a.OpenedBy, OpenedAt: m.stated(a.OpenedAt), ClosedBy: given(a.ClosedBy), Revision: wire.Position(a.Revision),
		Position: m.position(), Epoch: m.epoch,
	}
	if h := s.handles(a); len(h) > 0 {
		out.Handle, out.Handles = h[0], h[1:]
	}
	for i := range a.Weighings {
		w := &a.Weighings[i]
		out.Weighings = append(out.Weighings, &pb.Weighing{
			Event: w.Event, OccurredAt: m.stated(w.At), Mass: given(w.Mass), MassMicrograms: w.Micrograms, StepMicrograms: w.Step,
			Moisture: given(w.Moisture), Pieces: wire.Count(w.Pieces),
		})
	}
	if p := a.Pending; p != nil {
		out.Pending = &pb.Pending{Event: p.Event, From: p.From, To: p.To, Kind: "handedOver", Purpose: given(p.Purpose), Since: m.stated(p.At)}
		if p.Title {
			out.Pending.Kind = "sold"
		}
	}
	for i := range a.Findings {
		out.Findings = append(out.Findings, wire.FindingFromDomain(a.Findings[i].Event, &a.Findings[i].Finding))
	}
	err = m.view.store.sales(a.ID, func(_ uint64, sale *saleRecord) {
		out.Findings = append(out.Findings, wire.FindingsFromDomain(sale.Event, sale.Found)...)
	})
	return out, err
}

// account reads the account of a lot that must exist.
func (s *Service) account(id string) (*account.Lot, error) {
	if opal.CheckLot(id) != nil {
		return nil, unknownLot(id)
	}
	a, err := s.log.Lot(id)
	if err != nil {
		return nil, err
	}
	if a == nil {
		return nil, unknownLot(id)
	}
	return a, nil
}

// handles are the public handles of a lot that answer, the first one first.
func (s *Service) handles(a *account.Lot) []string {
	all := append([]string{s.cfg.Handle(a.ID)}, a.Handles...)
	return slices.DeleteFunc(all, func(h string) bool { return h == "" || slices.Contains(a.RevokedHandles, h) })
}

// massText is the mass as recorded, or, where it was computed since, as computed.
func massText(a *account.Lot) string {
	if a.Mass != "" && a.Mass.Weight().Micrograms == a.Micrograms {
		return string(a.Mass)
	}
	return opal.FormatCarats(a.Micrograms)
}

// stated writes a time as it was stated: a moment, or a day in the log's zone.
func (m *moment) stated(w opal.When) string {
	if !w.IsDay() {
		return w.From.String()
	}
	zone := time.Duration(m.view.policies.before(m.next).ZoneMinutes) * time.Minute
	return w.From.Time().Add(zone).Format(time.DateOnly)
}

// given leaves out what is not known.
func given[T ~string](v T) *string {
	if v == "" {
		return nil
	}
	s := string(v)
	return &s
}
