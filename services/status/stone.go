package status

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/eventlog"
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

// stone is what a public handle leads to, at a moment.
type stone struct {
	*account.Lot
	forwards string
}

// byHandle finds the stone of a handle. Everybody may ask. The handle of a stone that was cut again into one stone leads to that one.
func (s *Service) byHandle(m *moment, handle string) (*stone, error) {
	if opal.CheckHandle(handle) != nil {
		return nil, unknownHandle()
	}
	h, err := find(m.view.store, m.view.store.codecs.handle, keyHandle(handle))
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
	if _, err := m.lot(a.ID, m.next); err != nil {
		if fault.Of(err) == fault.UnknownLot {
			err = unknownHandle() // it came after the position that the answer reflects
		}
		return nil, err
	}
	return &stone{a, forwards}, nil
}

// GetStone answers a stone's public record by its handle.
func (s *Service) GetStone(ctx context.Context, in *pb.GetStoneRequest) (*pb.GetStoneResponse, error) {
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	a, err := s.byHandle(m, in.GetHandle())
	if err != nil {
		return nil, err
	}
	asOf, err := s.asOf(m, in.AsOf)
	if err != nil {
		return nil, err
	}
	q := m.query(a.ID, asOf, m.next)
	q.WithoutSales = true
	status, err := evidence.Evaluate(q)
	if err != nil {
		return nil, fmt.Errorf("evaluate lot %s: %w", a.ID, err)
	}
	pictures, err := s.pictures(m, a.ID)
	if err != nil {
		return nil, fmt.Errorf("find the pictures of lot %s: %w", a.ID, err)
	}
	return &pb.GetStoneResponse{
		Handle: in.GetHandle(), ForwardsTo: given(a.forwards), Lot: a.ID, State: string(a.State), Material: wire.MaterialFromDomain(&a.Material),
		Form: string(a.Form), Pieces: wire.Count(a.Pieces), Mass: massText(a.Lot), MassMicrograms: a.Micrograms, OriginCountry: given(status.OriginCountry),
		Treatments: treatmentsOut(status.Treatments), Overall: string(status.Overall), Custody: custodyOut(status.Custody),
		Statement: status.Statement, AsOf: asOf.String(), Position: m.position(), Epoch: m.epoch, Pictures: pictures,
	}, nil
}

// GetStoneHistory lists the events behind a stone's public record.
func (s *Service) GetStoneHistory(ctx context.Context, in *pb.GetStoneHistoryRequest) (*pb.GetHistoryResponse, error) {
	return s.history(ctx, "", &pb.GetHistoryRequest{PageSize: in.PageSize, PageToken: in.PageToken, MinPosition: in.MinPosition, Epoch: in.Epoch},
		func(m *moment) (string, error) {
			a, err := s.byHandle(m, in.GetHandle())
			if err != nil {
				return "", err
			}
			return a.ID, nil
		})
}

// GetStoneDisclosure answers what a seller has to tell of the stone of a handle.
func (s *Service) GetStoneDisclosure(ctx context.Context, in *pb.GetStoneDisclosureRequest) (*pb.GetDisclosureResponse, error) {
	return s.disclose(ctx, &pb.GetDisclosureRequest{Market: in.Market, AsOf: in.AsOf, MinPosition: in.MinPosition, Epoch: in.Epoch},
		func(m *moment) (string, error) {
			a, err := s.byHandle(m, in.GetHandle())
			if err != nil {
				return "", err
			}
			return a.ID, nil
		})
}

// Bounds of what a public record shows of pictures.
const (
	mostPictures  = 8
	mostDescribed = 2_000 // events of the lot that are looked through
)

// pictures finds the pictures on the public record of a lot: images attached to events of the lot itself that describe it, and that nobody withdrew. They say nothing
// of it that counts, so that the newest few are enough.
func (s *Service) pictures(m *moment, lot string) (list []*pb.Attachment, err error) {
	seen := 0
	err = s.log.Events(lot, 0, m.next, func(e *eventlog.Event) error {
		if seen++; seen > mostDescribed {
			return errEnough
		}
		ev := &e.Recorded.Event
		if ev.Described == nil || len(ev.Attachments) == 0 {
			return nil
		}
		marked, err := find(m.view.store, m.view.store.codecs.marks, keyMarks(e.ID()))
		if err != nil || marked != nil && marked.Withdrawn != nil && marked.Withdrawn.Position < m.next {
			return err
		}
		for i := range ev.Attachments {
			x := &ev.Attachments[i]
			if x.MediaType == "image/jpeg" || x.MediaType == "image/png" {
				list = append(list, &pb.Attachment{Sha256: proto.String(hex.EncodeToString(x.SHA256[:])), MediaType: proto.String(x.MediaType)})
			}
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	slices.Reverse(list)
	return list[:min(len(list), mostPictures)], nil
}

// IsPicture tells whether a file is one of the pictures on the public record of a handle's stone. An unknown handle is a fault.
func (s *Service) IsPicture(ctx context.Context, handle string, hash [32]byte) (bool, error) {
	m, done, err := s.begin(ctx, nil, nil, nil)
	if err != nil {
		return false, err
	}
	defer done()
	a, err := s.byHandle(m, handle)
	if err != nil {
		return false, err
	}
	list, err := s.pictures(m, a.ID)
	if err != nil {
		return false, fmt.Errorf("find the pictures of lot %s: %w", a.ID, err)
	}
	name := hex.EncodeToString(hash[:])
	return slices.ContainsFunc(list, func(x *pb.Attachment) bool { return x.GetSha256() == name }), nil
}

// StoneLot gives the lot that a public handle leads to now, through what was cut of it again. An unknown handle is a fault.
func (s *Service) StoneLot(ctx context.Context, handle string) (string, error) {
	m, done, err := s.begin(ctx, nil, nil, nil)
	if err != nil {
		return "", err
	}
	defer done()
	a, err := s.byHandle(m, handle)
	if err != nil {
		return "", err
	}
	return a.ID, nil
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
