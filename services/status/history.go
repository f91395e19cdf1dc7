package status

import (
	"context"
	"encoding/binary"
	"fmt"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// GetHistory lists the events of a lot and those of its ancestors that bear on it, oldest first by position. Pages are pinned: what
// came after the first page is left out.
func (s *Service) GetHistory(ctx context.Context, in *pb.GetHistoryRequest) (*pb.GetHistoryResponse, error) {
	party, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	return s.history(ctx, party, in, func(*moment) (string, error) { return in.GetLot(), nil })
}

// history answers for GetHistory, as a party may see the events; "": as everybody may. The lot is found at the moment of the answer.
func (s *Service) history(ctx context.Context, party string, in *pb.GetHistoryRequest, lotAt func(*moment) (string, error)) (*pb.GetHistoryResponse, error) {
	size, err := pageSize(in.PageSize)
	if err != nil {
		return nil, err
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
	question := query(m.epoch, "history", party, lot, in.GetKnownAt())
	from, err := parseToken(in.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	first, known := uint64(0), uint64(0)
	if from == nil {
		if known, err = m.known(in.KnownAt); err != nil {
			return nil, err
		}
	} else {
		if len(from.last) != 8 || from.next > m.next {
			return nil, fault.New(fault.InvalidField, "pageToken", "found a token that is not of this log")
		}
		first, known = binary.BigEndian.Uint64([]byte(from.last))+1, from.next
	}
	if _, err := m.lot(lot, known); err != nil {
		return nil, err
	}
	line, err := lineOf(m.view.store, s.log, lot, known)
	if err != nil {
		return nil, err
	}
	var signers func(*eventlog.Event) ([]string, error)
	if in.GetSigners() {
		of, done, err := s.log.SignersOf()
		if err != nil {
			return nil, err
		}
		defer func() { _ = done() }()
		signers = of
	}
	inDoubt := doubtful(m.view.doubts.all(), s.log, known)
	out := &pb.GetHistoryResponse{Position: wire.Position(known - 1), Epoch: m.epoch}
	last := uint64(0)
	err = line.each(m.view.store, first, known, func(e *eventlog.Event) (bool, error) {
		if len(out.Events) == size {
			out.NextPageToken = cursor{known, string(binary.BigEndian.AppendUint64(nil, last))}.token(question)
			return false, nil
		}
		last = e.Recorded.Position
		ev, err := s.present(m.view.store, e, party, known, signers)
		if err != nil {
			return false, err
		}
		if inDoubt != nil {
			yes, err := inDoubt(e.Recorded.Event.Party, e.Recorded.Position)
			if err != nil {
				return false, err
			}
			if yes {
				ev.Doubtful = proto.String("the key that signed it was in other hands by then, as the log learnt later")
			}
		}
		out.Events = append(out.Events, ev)
		return true, nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the history of lot %s: %w", lot, err)
	}
	return out, nil
}

// present writes an event as a party may see it: private fields to its poster, and to whom the poster showed them, with what judging found, and with the marks of
// later events as far as they were known before a position. signers, if given, tells whose keys signed.
func (s *Service) present(st *store, e *eventlog.Event, party string, known uint64, signers func(*eventlog.Event) ([]string, error)) (*pb.Event, error) {
	shown, err := s.log.Show(e, party)
	if err != nil {
		return nil, err
	}
	out := wire.RecordedFromDomain(shown.Recorded)
	out.Withheld, out.Erased = shown.Withheld, shown.Erased
	if signers != nil {
		if out.SignedBy, err = s.signedBy(e, signers); err != nil {
			return nil, err
		}
	}
	sale, err := s.judged(st, e)
	if err != nil {
		return nil, err
	}
	if sale != nil {
		out.Findings = append(out.Findings, wire.FindingsFromDomain(e.ID(), sale.Found)...)
	}
	marked, err := find(st, st.codecs.marks, keyMarks(e.ID()))
	if err != nil || marked == nil {
		return out, err
	}
	if w := marked.Withdrawn; w != nil && w.Position < known {
		out.WithdrawnBy = &w.Event
	}
	for i := range marked.Corrected {
		c := &marked.Corrected[i]
		if c.Position >= known {
			continue
		}
		// A correction can be withdrawn itself; then the one before it stands.
		own, err := find(st, st.codecs.marks, keyMarks(c.Event))
		if err != nil {
			return nil, err
		}
		if own == nil || own.Withdrawn == nil || own.Withdrawn.Position >= known {
			out.CorrectedBy = &c.Event
		}
	}
	return out, nil
}

// signedBy tells whose keys signed for an event.
func (s *Service) signedBy(e *eventlog.Event, signers func(*eventlog.Event) ([]string, error)) ([]*pb.SignedBy, error) {
	ids, err := signers(e)
	if err != nil {
		return nil, fmt.Errorf("find who signed %s: %w", e.ID(), err)
	}
	var out []*pb.SignedBy
	for _, id := range ids {
		holder, err := s.log.KeyHolder(id)
		if err != nil {
			return nil, fmt.Errorf("find whose the key %s is: %w", id, err)
		}
		out = append(out, &pb.SignedBy{KeyId: id, Party: holder})
	}
	return out, nil
}

// judged finds what was judged of the claims that an event makes; nil: it makes none.
func (s *Service) judged(st *store, e *eventlog.Event) (*saleRecord, error) {
	ev := &e.Recorded.Event
	lot := lotOf(ev)
	switch {
	case ev.Sold != nil, ev.Closed != nil:
	case ev.Corrected != nil && ev.Corrected.Replacement != nil && (ev.Corrected.Replacement.Sold != nil || ev.Corrected.Replacement.Closed != nil):
		target, err := s.log.Recorded(ev.Corrected.Event)
		if err != nil || target == nil {
			return nil, err
		}
		lot = lotOf(&target.Event)
	default:
		return nil, nil
	}
	return find(st, st.codecs.sale, keySale(lot, e.Recorded.Position))
}
