package intake

import (
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// The calls that make a directory event of a plainer request. They are dated by the node's clock. A request id is optional here: who
// sends one may send the same again, as with any event; but a token is shown once, and the second answer cannot show it.

// CreateParty enrols a party with a first token.
func (s *Service) CreateParty(ctx context.Context, req *pb.CreatePartyRequest) (*pb.CreatePartyResponse, error) {
	who, f := caller(ctx)
	if f != nil {
		return nil, f
	}
	token, hash := envelope.NewToken(s.cfg.Rand)
	roles := make([]opal.Role, len(req.GetRoles()))
	for i, r := range req.GetRoles() {
		roles[i] = opal.Role(r)
	}
	ev := &opal.Event{Enrolled: &opal.Enrolled{
		Party: req.GetParty(), Roles: roles, TokenHash: hash, DisplayName: req.GetDisplayName(), Contact: req.GetContact(),
	}}
	c := call{ctx: ctx, who: who, ev: ev, requestID: req.GetRequestId(), body: "enrolled"}
	r, err := s.make(c, func() error {
		// Before the sequencer is asked, so that a second request is told this whatever its id.
		known, err := s.cfg.Directory.Party(req.GetParty())
		if err != nil {
			return fmt.Errorf("look up the party %s: %w", req.GetParty(), err)
		}
		if known != nil {
			return fault.New(fault.PartyExists, "party", "found %s, which is enrolled; accepted is a new id", req.GetParty())
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &pb.CreatePartyResponse{Party: req.GetParty(), Token: token, TokenId: tokenID(hash), Position: r.Position, Epoch: r.Epoch}, nil
}

// CreateToken issues another token.
func (s *Service) CreateToken(ctx context.Context, req *pb.CreateTokenRequest) (*pb.CreateTokenResponse, error) {
	who, f := ownOrAdmin(ctx, req.GetParty())
	if f != nil {
		return nil, f
	}
	token, hash := envelope.NewToken(s.cfg.Rand)
	ev := &opal.Event{TokenIssued: &opal.TokenIssued{Party: req.GetParty(), TokenHash: hash, Expires: req.GetExpires()}}
	for _, scope := range req.GetScopes() {
		ev.TokenIssued.Scopes = append(ev.TokenIssued.Scopes, opal.Scope(scope))
	}
	if f := noMoreThanOwn(who, ev.TokenIssued); f != nil {
		return nil, f
	}
	r, err := s.make(call{ctx: ctx, who: who, ev: ev, requestID: req.GetRequestId(), body: "tokenIssued"}, func() error { return s.known(req.GetParty()) })
	if err != nil {
		return nil, err
	}
	return &pb.CreateTokenResponse{Party: req.GetParty(), Token: token, TokenId: tokenID(hash), Position: r.Position, Epoch: r.Epoch}, nil
}

// DeleteToken revokes a token.
func (s *Service) DeleteToken(ctx context.Context, req *pb.DeleteTokenRequest) (*pb.DeleteTokenResponse, error) {
	who, f := ownOrAdmin(ctx, req.GetParty())
	if f != nil {
		return nil, f
	}
	ev := &opal.Event{TokenRevoked: &opal.TokenRevoked{Party: req.GetParty(), Token: req.GetTokenId()}}
	c := call{ctx: ctx, who: who, ev: ev, requestID: req.GetRequestId(), body: "tokenRevoked", names: map[string]string{"token": "tokenId"}}
	r, err := s.make(c, func() error { return s.known(req.GetParty()) })
	if err != nil {
		return nil, err
	}
	return &pb.DeleteTokenResponse{Position: r.Position, Epoch: r.Epoch}, nil
}

// CreateHandle makes another public handle for a lot.
func (s *Service) CreateHandle(ctx context.Context, req *pb.CreateHandleRequest) (*pb.CreateHandleResponse, error) {
	who, f := caller(ctx)
	if f != nil {
		return nil, f
	}
	var bits [16]byte
	if _, err := io.ReadFull(s.cfg.Rand, bits[:]); err != nil {
		return nil, fmt.Errorf("make a handle: %w", err)
	}
	ev := &opal.Event{Lot: req.GetLot(), HandleIssued: &opal.HandleIssued{Handle: opal.Handle(bits)}}
	r, err := s.make(call{ctx: ctx, who: who, ev: ev, requestID: req.GetRequestId(), body: "handleIssued"}, nil)
	if err != nil {
		return nil, err
	}
	return &pb.CreateHandleResponse{Handle: ev.HandleIssued.Handle, Position: r.Position, Epoch: r.Epoch}, nil
}

// DeleteHandle revokes a public handle. Who may not revoke it is told that there is none: a handle says nothing of the lot's parties.
func (s *Service) DeleteHandle(ctx context.Context, req *pb.DeleteHandleRequest) (*pb.DeleteHandleResponse, error) {
	who, f := caller(ctx)
	if f != nil {
		return nil, f
	}
	if err := opal.CheckHandle(req.GetHandle()); err != nil {
		return nil, fault.New(fault.InvalidField, "handle", "%s", err.Error())
	}
	unknown := fault.New(fault.UnknownHandle, "handle", "found %s, which leads to no lot that is yours; accepted is a public handle in force", req.GetHandle())
	ev := &opal.Event{HandleRevoked: &opal.HandleRevoked{Handle: req.GetHandle()}}
	c := call{ctx: ctx, who: who, ev: ev, requestID: req.GetRequestId(), body: "handleRevoked"}
	c.complete = func() error {
		lot, err := s.cfg.Handles.LotOf(req.GetHandle())
		if err != nil {
			return fmt.Errorf("look up the handle %s: %w", req.GetHandle(), err)
		}
		if lot == "" {
			return unknown
		}
		ev.Lot = lot
		return nil
	}
	r, err := s.make(c, nil)
	if f, ok := fault.As(err); ok && (f.Reason == fault.NotHolder || f.Reason == fault.UnknownLot || f.Reason == fault.NotAllowed) {
		return nil, unknown
	}
	if err != nil {
		return nil, err
	}
	return &pb.DeleteHandleResponse{Position: r.Position, Epoch: r.Epoch}, nil
}

// ownOrAdmin lets the admin through, and a party to what is its own.
func ownOrAdmin(ctx context.Context, party string) (rpc.Caller, *fault.Error) {
	who, f := caller(ctx)
	if f != nil {
		return who, f
	}
	if who.Party != party && !who.Has(opal.ScopeAdmin) {
		return who, fault.New(fault.NotAllowed, "party", "found %q, and the token is of %s; accepted is one's own id, or any from the admin", clip(party), who.Party)
	}
	return who, nil
}

// noMoreThanOwn keeps a party's token from making one that may do more, or longer, than it may itself.
func noMoreThanOwn(who rpc.Caller, t *opal.TokenIssued) *fault.Error {
	if who.Has(opal.ScopeAdmin) {
		return nil
	}
	asked, given := t.Scopes, "found %s, which the %s of the call does not have; accepted are its own scopes"
	if len(asked) == 0 {
		asked, given = rpc.ReadAndPost(), "found none, which stands for READ and POST, and the %[2]s of the call does not have %[1]s; accepted are its own scopes"
	}
	for _, scope := range asked {
		if slices.Contains(opal.AllScopes(), scope) && !who.Has(scope) {
			return fault.New(fault.NotAllowed, "scopes", given, scope, who.Means)
		}
	}
	if who.Expires == 0 {
		return nil
	}
	if end, err := opal.ParseWhen(t.Expires, 0); t.Expires == "" || err == nil && end.To > who.Expires {
		return fault.New(fault.NotAllowed, "expires", "found %q, and the %s of the call ends at %s; accepted is a time no later", clip(t.Expires), who.Means, who.Expires)
	}
	return nil
}

// known refuses a party that the directory does not have; it stands in the address, so it is not found.
func (s *Service) known(party string) error {
	p, err := s.cfg.Directory.Party(party)
	if err != nil {
		return fmt.Errorf("look up the party %s: %w", party, err)
	}
	if p == nil {
		return fault.New(fault.UnknownParty, "party", "found %q, which is not enrolled; accepted is the id of an enrolled party", clip(party))
	}
	return nil
}

// tokenID names a token without telling it: the first 16 hexadecimal digits of its hash.
func tokenID(hash [32]byte) string { return hex.EncodeToString(hash[:8]) }

// call is a request that becomes an event.
type call struct {
	ctx       context.Context
	who       rpc.Caller
	ev        *opal.Event
	requestID string
	// body is the event's body, and names are fields of it that the request calls otherwise: faults speak of the request's fields.
	body  string
	names map[string]string
	// complete sets what the event needs and a repeated request does not have to look up again.
	complete func() error
}

// make posts the event of a call. refuse looks for what is wrong with the request once its shape is right, before the event is posted.
func (s *Service) make(c call, refuse func() error) (*pb.AppendResponse, error) {
	ev := c.ev
	ev.Party = c.who.Party
	if err := s.identify(c); err != nil {
		return nil, err
	}
	c.inAdminsName()
	repeated, err := s.repeat(ev)
	if err != nil {
		return nil, err
	}
	if !repeated {
		ev.OccurredAt = s.cfg.Now().UTC().Format(time.RFC3339)
		if c.complete != nil {
			if err := c.complete(); err != nil {
				return nil, err
			}
		}
	}
	if f := check(ev); f != nil {
		return nil, c.spelled(f)
	}
	if refuse != nil {
		if err := refuse(); err != nil {
			return nil, err
		}
	}
	results, refused := s.submit(c.ctx, ev.Party, []*opal.Event{ev})
	if refused != nil {
		return nil, c.spelled(refused.alone())
	}
	return s.answer(results)[0], nil
}

// identify gives the call's event its request id: the request's, the call's, or a new one.
func (s *Service) identify(c call) error {
	given, f := identify(c.ctx, &c.requestID)
	if f != nil {
		return f
	}
	if *given == "" {
		id, err := s.fresh()
		c.ev.RequestID = id
		return err
	}
	id, err := opal.ParseRequestID(*given)
	if err != nil {
		return fault.New(fault.InvalidField, "requestId", "%s", err.Error())
	}
	c.ev.RequestID = id
	return nil
}

// inAdminsName makes a directory event that a party asks for the admin's, who alone may post such: what a party may have by its own token
// is granted in the admin's name. The remark keeps who asked, and the id is made of the party's, so that two parties' ids never meet.
func (c *call) inAdminsName() {
	if c.ev.Kind().HasLot() || c.who.Party == opal.Admin {
		return
	}
	c.ev.Party = opal.Admin
	c.ev.Remark = "asked for by " + c.who.Party + " with a token of its own"
	c.ev.RequestID = made("lotpaper/own/v1", []byte(c.who.Party), []byte{0}, c.ev.RequestID[:])
}

// repeat looks for an event of the same party under the same id. If that says the same but for what the node itself chose then (the time,
// a handle), the event takes that over, so that its bytes are those of the first; another event is left to the sequencer to refuse.
func (s *Service) repeat(ev *opal.Event) (bool, error) {
	rec, err := s.cfg.Log.Recorded(ev.ID())
	if err != nil {
		return false, fmt.Errorf("look up the event %s: %w", ev.ID(), err)
	}
	if rec == nil || rec.Event.Kind() != ev.Kind() {
		return false, nil
	}
	first := &rec.Event
	switch {
	case ev.TokenRevoked != nil && *first.TokenRevoked == *ev.TokenRevoked:
	case ev.HandleIssued != nil && first.Lot == ev.Lot:
		ev.HandleIssued.Handle = first.HandleIssued.Handle
	case ev.HandleRevoked != nil && *first.HandleRevoked == *ev.HandleRevoked:
		ev.Lot = first.Lot
	default:
		return false, nil
	}
	ev.OccurredAt = first.OccurredAt
	return true, nil
}

// spelled gives a fault about the event the name of the request's own field.
func (c *call) spelled(f *fault.Error) *fault.Error {
	f = wire.Spelled(f)
	name, ok := strings.CutPrefix(f.Field, c.body+".")
	if !ok {
		return f
	}
	if other, ok := c.names[name]; ok {
		name = other
	}
	out := *f
	out.Field = name
	return &out
}
