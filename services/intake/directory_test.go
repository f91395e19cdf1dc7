package intake

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestCreateParty(t *testing.T) {
	s := start(t, nil)
	req := func() *pb.CreatePartyRequest {
		return &pb.CreatePartyRequest{Party: "tarn-export", DisplayName: "Tarn & Töchter", Contact: "dock 4", Roles: []string{"EXPORTER", "DEALER"}}
	}
	got, err := s.CreateParty(as("admin"), req())
	if err != nil {
		t.Fatal(err)
	}
	hash := envelope.TokenHash(got.Token)
	if got.Party != "tarn-export" || !strings.HasPrefix(got.Token, "lp_") || got.TokenId != tokenID(hash) || len(got.TokenId) != 16 || got.Position != 0 || got.Epoch != epoch {
		t.Errorf("got %v", got)
	}
	ev := s.known[s.inLog()[0]].Event
	if ev.Party != opal.Admin || ev.Enrolled.TokenHash != hash || ev.Enrolled.DisplayName != "Tarn & Töchter" || ev.OccurredAt != "2026-03-04T05:06:07Z" || ev.RequestID.IsZero() {
		t.Errorf("in the log: %+v %+v", ev, ev.Enrolled)
	}
	for id, b := range s.bytes {
		if strings.Contains(string(b), got.Token) || strings.Contains(string(b), "Tarn &") {
			t.Errorf("%s tells a secret: %q", id, b)
		}
	}
	// The token works at once.
	if _, err := s.Append(as(got.Token), &pb.AppendRequest{Event: described(t, 3)}); err != nil {
		t.Error(err)
	}
	_, err = s.CreateParty(as("admin"), req())
	wantFault(t, err, fault.PartyExists, codes.AlreadyExists, "party", "found tarn-export, which is enrolled")
	same := req()
	same.RequestId = ev.RequestID.String()
	_, err = s.CreateParty(as("admin"), same)
	wantFault(t, err, fault.PartyExists, codes.AlreadyExists, "party", "")
}

func TestDirectoryRefusals(t *testing.T) {
	s := start(t, nil)
	s.judge = func(ev *opal.Event) *fault.Error {
		switch {
		case ev.TokenRevoked != nil:
			return fault.New(fault.InvalidField, "tokenRevoked.token", "found none of this id")
		case ev.HandleRevoked != nil, ev.HandleIssued != nil:
			return fault.New(fault.NotHolder, "lot", "you do not hold it")
		}
		return nil
	}
	party := func(token string, change func(*pb.CreatePartyRequest), headers ...string) error {
		r := &pb.CreatePartyRequest{Party: "tarn-export", Roles: []string{"DEALER"}}
		change(r)
		_, err := s.CreateParty(as(token, headers...), r)
		return err
	}
	tests := map[string]struct {
		call    func() error
		reason  fault.Reason
		code    codes.Code
		field   string
		message string
	}{
		"a party enrols": {func() error { return party("miner", func(r *pb.CreatePartyRequest) {}) }, fault.NotAllowed, codes.PermissionDenied, "", "asks for ADMIN"},
		"no party":       {func() error { return party("admin", func(r *pb.CreatePartyRequest) { r.Party = "" }) }, fault.InvalidField, codes.InvalidArgument, "party", "found nothing"},
		"admin":          {func() error { return party("admin", func(r *pb.CreatePartyRequest) { r.Party = "admin" }) }, fault.InvalidField, codes.InvalidArgument, "party", "reserved"},
		"no roles":       {func() error { return party("admin", func(r *pb.CreatePartyRequest) { r.Roles = nil }) }, fault.InvalidField, codes.InvalidArgument, "roles", "found nothing"},
		"an odd role": {func() error {
			return party("admin", func(r *pb.CreatePartyRequest) { r.Roles = []string{"DEALER", "KING"} })
		},
			fault.InvalidField, codes.InvalidArgument, "roles[1]", `found "KING"`},
		"a decomposed name": {func() error {
			return party("admin", func(r *pb.CreatePartyRequest) { r.DisplayName = "To\u0308chter" })
		},
			fault.InvalidField, codes.InvalidArgument, "displayName", "normal form C"},
		"an odd id":  {func() error { return party("admin", func(r *pb.CreatePartyRequest) { r.RequestId = "7" }) }, fault.InvalidField, codes.InvalidArgument, "requestId", "UUID"},
		"an odd key": {func() error { return party("admin", func(r *pb.CreatePartyRequest) {}, "idempotency-key", "7") }, fault.InvalidField, codes.InvalidArgument, "Idempotency-Key", "UUID"},
		"two ids": {func() error {
			return party("admin", func(r *pb.CreatePartyRequest) { r.RequestId = requestID(1).String() }, "idempotency-key", requestID(2).String())
		}, fault.InvalidField, codes.InvalidArgument, "requestId", "beside the Idempotency-Key"},
		"another's token": {func() error {
			_, err := s.CreateToken(as("miner"), &pb.CreateTokenRequest{Party: "moor-shop"})
			return err
		}, fault.NotAllowed, codes.PermissionDenied, "party", `found "moor-shop", and the token is of harrow-gully`},
		"an admin's token": {func() error {
			_, err := s.CreateToken(as("miner"), &pb.CreateTokenRequest{Party: "harrow-gully", Scopes: []string{"READ", "ADMIN"}})
			return err
		}, fault.NotAllowed, codes.PermissionDenied, "scopes", "found ADMIN, which the token of the call does not have"},
		"more than it may": {func() error {
			_, err := s.CreateToken(as("poster"), &pb.CreateTokenRequest{Party: "moor-shop"})
			return err
		}, fault.NotAllowed, codes.PermissionDenied, "scopes", "stands for READ and POST, and the token of the call does not have READ"},
		"longer than it may": {func() error {
			_, err := s.CreateToken(as("young"), &pb.CreateTokenRequest{Party: "moor-shop", Expires: "2100-01-01T00:00:01Z"})
			return err
		}, fault.NotAllowed, codes.PermissionDenied, "expires", "the token of the call ends at 2100-01-01T00:00:00Z"},
		"without an end": {func() error {
			_, err := s.CreateToken(as("young"), &pb.CreateTokenRequest{Party: "moor-shop"})
			return err
		}, fault.NotAllowed, codes.PermissionDenied, "expires", `found ""`},
		"an odd scope": {func() error {
			_, err := s.CreateToken(as("miner"), &pb.CreateTokenRequest{Party: "harrow-gully", Scopes: []string{"WRITE"}})
			return err
		}, fault.InvalidField, codes.InvalidArgument, "scopes[0]", `found "WRITE"`},
		"an odd end": {func() error {
			_, err := s.CreateToken(as("miner"), &pb.CreateTokenRequest{Party: "harrow-gully", Expires: "soon"})
			return err
		}, fault.InvalidField, codes.InvalidArgument, "expires", `found "soon"`},
		"a token for nobody": {func() error {
			_, err := s.CreateToken(as("admin"), &pb.CreateTokenRequest{Party: "nobody-here"})
			return err
		}, fault.UnknownParty, codes.NotFound, "party", `found "nobody-here"`},
		"revokes another's": {func() error {
			_, err := s.DeleteToken(as("miner"), &pb.DeleteTokenRequest{Party: "moor-shop", TokenId: "0011223344556677"})
			return err
		}, fault.NotAllowed, codes.PermissionDenied, "party", ""},
		"revokes nobody's": {func() error {
			_, err := s.DeleteToken(as("admin"), &pb.DeleteTokenRequest{Party: "nobody-here", TokenId: "0011223344556677"})
			return err
		}, fault.UnknownParty, codes.NotFound, "party", ""},
		"an odd token id": {func() error {
			_, err := s.DeleteToken(as("miner"), &pb.DeleteTokenRequest{Party: "harrow-gully", TokenId: "x"})
			return err
		}, fault.InvalidField, codes.InvalidArgument, "tokenId", `found "x"`},
		"an unknown token": {func() error {
			_, err := s.DeleteToken(as("miner"), &pb.DeleteTokenRequest{Party: "harrow-gully", TokenId: "0011223344556677"})
			return err
		}, fault.InvalidField, codes.InvalidArgument, "tokenId", "found none of this id"},
		"an odd lot": {func() error {
			_, err := s.CreateHandle(as("miner"), &pb.CreateHandleRequest{Lot: "x"})
			return err
		}, fault.InvalidField, codes.InvalidArgument, "lot", `found "x"`},
		"a handle of another's lot": {func() error {
			_, err := s.CreateHandle(as("miner"), &pb.CreateHandleRequest{Lot: "moor-shop.r7"})
			return err
		}, fault.NotHolder, codes.PermissionDenied, "lot", "do not hold"},
		"an odd handle": {func() error {
			_, err := s.DeleteHandle(as("miner"), &pb.DeleteHandleRequest{Handle: "x"})
			return err
		}, fault.InvalidField, codes.InvalidArgument, "handle", `found "x"`},
		"an unknown handle": {func() error {
			_, err := s.DeleteHandle(as("miner"), &pb.DeleteHandleRequest{Handle: "bbbbbbbbbbbbbbbbbbbbbbbbba"})
			return err
		}, fault.UnknownHandle, codes.NotFound, "handle", "leads to no lot that is yours"},
		"another's handle": {func() error {
			_, err := s.DeleteHandle(as("shop"), &pb.DeleteHandleRequest{Handle: "aaaaaaaaaaaaaaaaaaaaaaaaaa"})
			return err
		}, fault.UnknownHandle, codes.NotFound, "handle", "leads to no lot that is yours"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) { wantFault(t, test.call(), test.reason, test.code, test.field, test.message) })
	}
	if len(s.inLog()) != 0 {
		t.Errorf("in the log: %v", s.inLog())
	}
	for name, call := range map[string]func(context.Context) error{
		"CreateParty": func(ctx context.Context) error {
			_, err := s.service.CreateParty(ctx, &pb.CreatePartyRequest{})
			return err
		},
		"CreateToken": func(ctx context.Context) error {
			_, err := s.service.CreateToken(ctx, &pb.CreateTokenRequest{})
			return err
		},
		"DeleteToken": func(ctx context.Context) error {
			_, err := s.service.DeleteToken(ctx, &pb.DeleteTokenRequest{})
			return err
		},
		"CreateHandle": func(ctx context.Context) error {
			_, err := s.service.CreateHandle(ctx, &pb.CreateHandleRequest{})
			return err
		},
		"DeleteHandle": func(ctx context.Context) error {
			_, err := s.service.DeleteHandle(ctx, &pb.DeleteHandleRequest{})
			return err
		},
		"AppendEnvelopes": func(ctx context.Context) error {
			_, err := s.service.AppendEnvelopes(ctx, &pb.AppendEnvelopesRequest{})
			return err
		},
		"AppendLogEvent": func(ctx context.Context) error {
			_, err := s.service.AppendLogEvent(ctx, &pb.AppendLogEventRequest{})
			return err
		},
		"AppendBatch": func(ctx context.Context) error {
			_, err := s.service.AppendBatch(ctx, &pb.AppendBatchRequest{})
			return err
		},
	} {
		if err := call(context.Background()); fault.Of(err) != fault.NoToken {
			t.Errorf("%s without a caller: %v", name, err)
		}
	}
}

// A party makes and ends its own tokens; the admin those of all.
func TestTokens(t *testing.T) {
	s := start(t, nil)
	own, err := s.CreateToken(as("miner"), &pb.CreateTokenRequest{Party: "harrow-gully", Scopes: []string{"READ"}, Expires: "2027-01-01T00:00:00Z"})
	if err != nil || own.TokenId != tokenID(envelope.TokenHash(own.Token)) {
		t.Fatalf("got %v, %v", own, err)
	}
	ev := s.known[s.inLog()[0]].Event
	if ev.Party != opal.Admin || ev.Remark != "asked for by harrow-gully with a token of its own" || ev.TokenIssued.Party != "harrow-gully" || len(ev.TokenIssued.Scopes) != 1 || ev.TokenIssued.Expires != "2027-01-01T00:00:00Z" {
		t.Errorf("in the log: %+v", ev.TokenIssued)
	}
	if _, err := s.CreateToken(as("young"), &pb.CreateTokenRequest{Party: "moor-shop", Expires: "2099-12-31T00:00:00Z"}); err != nil {
		t.Error(err)
	}
	other, err := s.CreateToken(as("admin"), &pb.CreateTokenRequest{Party: "moor-shop"})
	if err != nil || other.Token == own.Token {
		t.Errorf("got %v, %v", other, err)
	}
	// The same deletion again, by its id, is the same event, although the clock has moved on: see the next test.
	if r, err := s.DeleteToken(as("miner"), &pb.DeleteTokenRequest{Party: "harrow-gully", TokenId: own.TokenId}); err != nil || r.Position != 3 || r.Epoch != epoch {
		t.Errorf("got %v, %v", r, err)
	}
	if ev := s.known[s.inLog()[3]].Event; ev.Party != opal.Admin || ev.TokenRevoked.Token != own.TokenId {
		t.Errorf("in the log: %+v", ev)
	}
	// Two parties may use one id.
	for _, who := range []string{"miner", "shop"} {
		party := map[string]string{"miner": "harrow-gully", "shop": "moor-shop"}[who]
		if _, err := s.CreateToken(as(who, "idempotency-key", requestID(8).String()), &pb.CreateTokenRequest{Party: party}); err != nil {
			t.Error(err)
		}
	}
	// A token is shown once: its request cannot be made again.
	key := requestID(9).String()
	if _, err := s.CreateToken(as("miner", "idempotency-key", key), &pb.CreateTokenRequest{Party: "harrow-gully"}); err != nil {
		t.Fatal(err)
	}
	_, err = s.CreateToken(as("miner", "idempotency-key", key), &pb.CreateTokenRequest{Party: "harrow-gully"})
	wantFault(t, err, fault.RequestIDReused, codes.AlreadyExists, "requestId", "")
}

// What the node itself chose the first time (the time, a handle) is taken over when the same request comes again.
func TestRepeatedCalls(t *testing.T) {
	s := start(t, nil)
	issue := func(id int) *pb.CreateHandleResponse {
		r, err := s.CreateHandle(as("miner", "idempotency-key", requestID(id).String()), &pb.CreateHandleRequest{Lot: "harrow-gully.r7"})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	a, b, c := issue(1), issue(1), issue(2)
	if a.Handle != b.Handle || a.Position != b.Position || c.Handle == a.Handle || len(a.Handle) != 26 {
		t.Errorf("got %v, %v, %v", a, b, c)
	}
	moved := s.service.cfg.Now().AddDate(0, 0, 1)
	later, _ := newService(t, func(c *Config) {
		*c = configOf(s.fakeLog)
		c.Now = func() time.Time { return moved }
	})
	ctx := callerContext("harrow-gully", requestID(3))
	first, err := s.DeleteToken(as("miner", "idempotency-key", requestID(3).String()), &pb.DeleteTokenRequest{Party: "harrow-gully", TokenId: "0011223344556677"})
	if err != nil {
		t.Fatal(err)
	}
	again, err := later.DeleteToken(ctx, &pb.DeleteTokenRequest{Party: "harrow-gully", TokenId: "0011223344556677"})
	if err != nil || again.Position != first.Position {
		t.Errorf("a day later: %v, %v", again, err)
	}
	_, err = later.DeleteToken(ctx, &pb.DeleteTokenRequest{Party: "harrow-gully", TokenId: "ffffffffffffffff"})
	if fault.Of(err) != fault.RequestIDReused {
		t.Errorf("another request under the same id: %v", err)
	}
	// A handle that was revoked leads nowhere any more, and its revocation can be repeated all the same.
	revoke := func() (*pb.DeleteHandleResponse, error) {
		return s.DeleteHandle(as("miner", "idempotency-key", requestID(4).String()), &pb.DeleteHandleRequest{Handle: "aaaaaaaaaaaaaaaaaaaaaaaaaa"})
	}
	d, err := revoke()
	if err != nil {
		t.Fatal(err)
	}
	s.fakeLog.mu.Lock()
	delete(s.lots, "aaaaaaaaaaaaaaaaaaaaaaaaaa")
	s.fakeLog.mu.Unlock()
	if e, err := revoke(); err != nil || e.Position != d.Position {
		t.Errorf("again: %v, %v", e, err)
	}
}

// What the node cannot read is its own failure and not the caller's.
func TestUnreadable(t *testing.T) {
	broken := errors.New("read the record")
	s, _ := newService(t, func(c *Config) {
		c.Directory, c.Handles = brokenReader{broken}, brokenReader{broken}
	})
	ctx := callerContext(opal.Admin, opal.RequestID{})
	for name, call := range map[string]func() error{
		"party": func() error {
			_, err := s.CreateParty(ctx, &pb.CreatePartyRequest{Party: "tarn-export", Roles: []string{"DEALER"}})
			return err
		},
		"token": func() error { _, err := s.CreateToken(ctx, &pb.CreateTokenRequest{Party: "tarn-export"}); return err },
		"handle": func() error {
			_, err := s.DeleteHandle(ctx, &pb.DeleteHandleRequest{Handle: "aaaaaaaaaaaaaaaaaaaaaaaaaa"})
			return err
		},
		"envelope": func() error { _, err := s.AppendEnvelopes(ctx, signed(t, opal.Admin, 1, nil)); return err },
	} {
		if err := call(); !errors.Is(err, broken) || fault.Of(err) != fault.InternalError {
			t.Errorf("%s: %v", name, err)
		}
	}
	s.cfg.Log = brokenLog{s.cfg.Log, broken}
	if _, err := s.CreateHandle(ctx, &pb.CreateHandleRequest{Lot: "harrow-gully.r7"}); !errors.Is(err, broken) {
		t.Errorf("log: %v", err)
	}
}

type brokenReader struct{ err error }

func (b brokenReader) Party(string) (*account.Party, error) { return nil, b.err }
func (b brokenReader) KeyHolder(string) (string, error)     { return "", b.err }
func (b brokenReader) LotOf(string) (string, error)         { return "", b.err }

type brokenLog struct {
	Log
	err error
}

func (b brokenLog) Recorded(string) (*opal.Recorded, error) { return nil, b.err }
