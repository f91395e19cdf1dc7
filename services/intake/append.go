package intake

import (
	"context"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// Append posts one event about a lot.
func (s *Service) Append(ctx context.Context, req *pb.AppendRequest) (*pb.AppendResponse, error) {
	who, f := caller(ctx)
	if f != nil {
		return nil, f
	}
	m := req.GetEvent()
	if m == nil {
		m = &pb.Event{}
	}
	if req.GetLot() != "" {
		if m.GetLot() != "" && m.GetLot() != req.GetLot() {
			return nil, fault.New(fault.InvalidField, "lot", "found %q, and the request is addressed to %q; accepted is the same lot", clip(m.GetLot()), clip(req.GetLot()))
		}
		m.Lot = &req.Lot
	}
	if m.RequestId, f = identify(ctx, m.RequestId); f != nil {
		return nil, f
	}
	if f := expect(ctx, m); f != nil {
		return nil, f
	}
	ev, f := read(&who.Party, m)
	if f != nil {
		return nil, f
	}
	if f := aboutLot(ev); f != nil {
		return nil, f
	}
	results, refused := s.submit(ctx, who.Party, []*opal.Event{ev})
	if refused != nil {
		return nil, refused.alone()
	}
	return s.answer(results)[0], nil
}

// AppendLogEvent posts one event without a lot.
func (s *Service) AppendLogEvent(ctx context.Context, req *pb.AppendLogEventRequest) (*pb.AppendLogEventResponse, error) {
	who, f := caller(ctx)
	if f != nil {
		return nil, f
	}
	if f := unconditional(ctx); f != nil {
		return nil, f
	}
	m := req.GetEvent()
	if m == nil {
		m = &pb.Event{}
	}
	if m.RequestId, f = identify(ctx, m.RequestId); f != nil {
		return nil, f
	}
	ev, f := read(&who.Party, m)
	if f != nil {
		return nil, f
	}
	if f := aboutLog(ev); f != nil {
		return nil, f
	}
	results, refused := s.submit(ctx, who.Party, []*opal.Event{ev})
	if refused != nil {
		return nil, refused.alone()
	}
	a := s.answer(results)[0]
	return &pb.AppendLogEventResponse{Event: a.Event, Position: a.Position, Epoch: a.Epoch, Findings: a.Findings}, nil
}

// AppendBatch posts events, all of them or none.
func (s *Service) AppendBatch(ctx context.Context, req *pb.AppendBatchRequest) (*pb.AppendBatchResponse, error) {
	who, f := caller(ctx)
	if f != nil {
		return nil, f
	}
	if f := unconditional(ctx); f != nil {
		return nil, f
	}
	key, f := keyOf(ctx)
	if f != nil {
		return nil, f
	}
	events, f := readBatch(who.Party, key, req.GetEvents())
	if f != nil {
		return nil, f
	}
	results, f := s.Submit(ctx, who.Party, events)
	if f != nil {
		return nil, f
	}
	return &pb.AppendBatchResponse{Results: s.answer(results)}, nil
}

// readBatch reads the events of a batch. Those without an id of their own get one that follows from the call's key, if it has one.
func readBatch(party string, key opal.RequestID, list []*pb.Event) ([]*opal.Event, *fault.Error) {
	if f := checkCount("events", len(list)); f != nil {
		return nil, f
	}
	events := make([]*opal.Event, len(list))
	for i, m := range list {
		if m != nil && m.GetRequestId() == "" && !key.IsZero() {
			id := derived(key, i).String()
			m.RequestId = &id
		}
		ev, f := read(&party, m)
		if f != nil {
			return nil, (&refusal{f, i}).inBatch()
		}
		events[i] = ev
	}
	return events, nil
}

// answer writes results.
func (s *Service) answer(results []EventResult) []*pb.AppendResponse {
	_, e := s.cfg.Log.Next()
	epoch := wire.Epoch(e)
	out := make([]*pb.AppendResponse, len(results))
	for i := range results {
		r := &results[i]
		out[i] = &pb.AppendResponse{
			Event: r.Event, Position: wire.Position(r.Position), Epoch: epoch, Lot: r.Lot, Findings: wire.FindingsFromDomain(r.Event, r.Findings),
		}
	}
	return out
}
