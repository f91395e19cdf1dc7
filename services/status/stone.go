package status

import (
	"context"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// maxForwards bounds how often one stone can have been cut again, as far as a handle follows it.
const maxForwards = 256

// unknownHandle says the same of a handle that never was, that was revoked, and that is no handle: nobody learns which there once were.
func unknownHandle() *fault.Error {
	return fault.New(fault.UnknownHandle, "handle", "found no stone under this handle; accepted is the handle of a stone as its label shows it, if it was not revoked")
}

// GetStone answers a stone's public record by its handle. Everybody may ask. The handle of a stone that was cut again into one stone
// leads to that one.
func (s *Service) GetStone(ctx context.Context, in *pb.GetStoneRequest) (*pb.GetStoneResponse, error) {
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	if opal.CheckHandle(in.GetHandle()) != nil {
		return nil, unknownHandle()
	}
	h, err := find(m.view.store, m.view.store.codecs.handle, keyHandle(in.GetHandle()))
	if err != nil {
		return nil, err
	}
	if h == nil || h.Revoked != nil {
		return nil, unknownHandle()
	}
	a, forwards, err := s.forward(h.Lot)
	if err != nil {
		return nil, err
	}
	asOf, err := s.asOf(m, in.AsOf)
	if err != nil {
		return nil, err
	}
	if _, err := m.lot(a.ID, m.next); err != nil {
		if fault.Of(err) == fault.UnknownLot {
			err = unknownHandle() // it came after the position that the answer reflects
		}
		return nil, err
	}
	q := m.query(a.ID, asOf, m.next)
	q.WithoutSales = true
	status, err := evidence.Evaluate(q)
	if err != nil {
		return nil, fmt.Errorf("evaluate lot %s: %w", a.ID, err)
	}
	return &pb.GetStoneResponse{
		Handle: in.GetHandle(), ForwardsTo: given(forwards), Lot: a.ID, State: string(a.State), Material: wire.MaterialFromDomain(&a.Material),
		Form: string(a.Form), Pieces: wire.Count(a.Pieces), Mass: massText(a), MassMicrograms: a.Micrograms, OriginCountry: given(status.OriginCountry),
		Treatments: treatmentsOut(status.Treatments), Overall: string(status.Overall), Custody: custodyOut(status.Custody),
		Statement: status.Statement, AsOf: asOf.String(), Position: m.position(), Epoch: m.epoch,
	}, nil
}

// LotOf gives the lot that a public handle leads to; "": it is unknown or revoked. Whoever revokes a handle names it alone.
func (s *Service) LotOf(handle string) (string, error) {
	if opal.CheckHandle(handle) != nil {
		return "", nil
	}
	m, done, err := s.begin(context.Background(), nil, nil, nil)
	if err != nil {
		return "", err
	}
	defer done()
	h, err := find(m.view.store, m.view.store.codecs.handle, keyHandle(handle))
	if err != nil || h == nil || h.Revoked != nil {
		return "", err
	}
	return h.Lot, nil
}

// forward follows a stone that was cut again, as long as each time one stone was made of it and that one has a handle that answers:
// who revoked the new stone's handles does not want it found.
func (s *Service) forward(lot string) (a *account.Lot, handle string, err error) {
	if a, err = s.account(lot); err != nil {
		return nil, "", err
	}
	for range maxForwards {
		if a.State != account.Cut {
			break
		}
		cut, err := s.log.Recorded(a.ClosedBy)
		if err != nil {
			return nil, "", err
		}
		if cut == nil || cut.Event.Cut == nil {
			break
		}
		c := cut.Event.Cut
		if c.Manner != opal.Recut && c.Manner != opal.Repolish || len(c.Stones) != 1 {
			break
		}
		next, err := s.account(c.Stones[0].Lot)
		if err != nil {
			return nil, "", err
		}
		active := s.handles(next)
		if len(active) == 0 {
			break
		}
		a, handle = next, active[0]
	}
	return a, handle, nil
}
