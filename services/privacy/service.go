package privacy

import (
	"context"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// Log is a node's copy of the log with the private values that it keeps. It is safe for many callers at once.
type Log interface {
	Event(id string) (*eventlog.Event, error)
	Party(id string) (*account.Party, error)
	Reveal(e *eventlog.Event, path, party string) error
	Erase(e *eventlog.Event, paths []string) ([]string, error)
}

var _ Log = (*eventlog.Log)(nil)

// Service answers the calls.
type Service struct {
	pb.UnimplementedPrivacyServiceServer
	log Log
}

var _ pb.PrivacyServiceServer = (*Service)(nil)

// New makes a service.
func New(log Log) *Service { return &Service{log: log} }

// own finds an event of the caller's; the admin's, too, if it may act for others.
func (s *Service) own(ctx context.Context, id string, orAdmin bool) (*eventlog.Event, error) {
	c, ok := rpc.CallerFrom(ctx)
	if !ok {
		return nil, fault.New(fault.NoToken, "", "found no token; accepted is the token of an enrolled party")
	}
	e, err := s.log.Event(id)
	if err != nil {
		return nil, err
	}
	if e == nil {
		return nil, fault.New(fault.UnknownEvent, "event", "found %q, accepted is the id of an event of this log, <party>/<requestId>", clip(id))
	}
	if party := e.Recorded.Event.Party; party != c.Party && !(orAdmin && c.Party == opal.Admin) {
		return nil, fault.New(fault.NotYourEvent, "event", "found an event of %s, accepted is one of your own: its private values are its poster's matter", party)
	}
	return e, nil
}

// RevealField shows one private value of the caller's own event to another party.
func (s *Service) RevealField(ctx context.Context, in *pb.RevealFieldRequest) (*pb.RevealFieldResponse, error) {
	e, err := s.own(ctx, in.GetEvent(), false)
	if err != nil {
		return nil, err
	}
	p, err := s.log.Party(in.GetTo())
	if err != nil {
		return nil, err
	}
	if p == nil || p.ID == opal.Admin {
		return nil, fault.InBody(fault.New(fault.UnknownParty, "to", "found %q, accepted is a party that is enrolled in this log", clip(in.GetTo())))
	}
	if err := s.log.Reveal(e, in.GetPath(), p.ID); err != nil {
		return nil, err
	}
	return &pb.RevealFieldResponse{Event: e.ID(), Path: in.GetPath(), To: p.ID}, nil
}

// EraseFields destroys the keys of private values.
func (s *Service) EraseFields(ctx context.Context, in *pb.EraseFieldsRequest) (*pb.EraseFieldsResponse, error) {
	if in.GetAll() == (len(in.GetPaths()) > 0) {
		return nil, fault.New(fault.InvalidField, "paths", "found paths and all, or neither; accepted is one of the two")
	}
	e, err := s.own(ctx, in.GetEvent(), true)
	if err != nil {
		return nil, err
	}
	erased, err := s.log.Erase(e, in.GetPaths())
	if err != nil {
		return nil, err
	}
	return &pb.EraseFieldsResponse{Event: e.ID(), Erased: erased}, nil
}

func clip(s string) string { return s[:min(len(s), 80)] }
