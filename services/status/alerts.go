package status

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// ListAlerts lists what the caller was alerted of, the newest first. An alert tells of the moment of its event; what became of the lots since is told by their status.
// Alerts of the newest events may still be on their way, as in a watch.
func (s *Service) ListAlerts(ctx context.Context, in *pb.ListAlertsRequest) (*pb.ListAlertsResponse, error) {
	party, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	size, err := pageSize(in.PageSize)
	if err != nil {
		return nil, err
	}
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	question := query(m.epoch, "alerts", party)
	from, err := parseToken(in.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	if from == nil {
		from = &cursor{next: m.next, last: string(append(binary.BigEndian.AppendUint64(nil, m.next), 0))}
	}
	if len(from.last) != 9 {
		return nil, fault.New(fault.InvalidField, "pageToken", "found a token that is not of this log")
	}
	before, last := binary.BigEndian.Uint64([]byte(from.last)), side(from.last[8])
	type place struct {
		position uint64
		side     side
	}
	var places []place
	for _, side := range [...]side{holding, selling} {
		end := before
		if side < last { // of one event the seller's stands first, and the holder's is still to come
			end++
		}
		list, err := m.view.store.lastAlerted(party, side, end, size+1)
		if err != nil {
			return nil, err
		}
		for _, p := range list {
			places = append(places, place{p, side})
		}
	}
	slices.SortFunc(places, func(a, b place) int {
		if a.position != b.position {
			return cmp.Compare(b.position, a.position)
		}
		return cmp.Compare(b.side, a.side)
	})
	out := &pb.ListAlertsResponse{Position: wire.Position(from.next - 1), Epoch: m.epoch}
	for _, p := range places {
		if len(out.Alerts) == size {
			end := out.Alerts[size-1]
			of := holding
			if end.Side == "sold" {
				of = selling
			}
			out.NextPageToken = cursor{from.next, string(append(binary.BigEndian.AppendUint64(nil, uint64(end.Position)), byte(of)))}.token(question)
			break
		}
		a, err := find(m.view.store, m.view.store.codecs.alert, keyAlert(party, p.side, p.position))
		if err != nil {
			return nil, err
		}
		e, err := s.log.At(p.position)
		if err != nil {
			return nil, err
		}
		if a == nil || e == nil {
			return nil, fmt.Errorf("the alert of %s at %d has no event or no record", party, p.position)
		}
		of := "holder"
		if p.side == selling {
			of = "sold"
		}
		out.Alerts = append(out.Alerts, &pb.ListedAlert{Position: wire.Position(p.position), RecordedAt: e.Recorded.RecordedAt.String(), Side: of, Alert: alertOut(a, p.side)})
	}
	return out, nil
}
