package intake

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// callerContext is the context of a call in process.
func callerContext(party string, key opal.RequestID) context.Context {
	ctx := rpc.WithCaller(context.Background(), rpc.Caller{Party: party, Scopes: opal.AllScopes()})
	if !key.IsZero() {
		ctx = metadata.NewIncomingContext(ctx, metadata.Pairs("idempotency-key", key.String()))
	}
	return ctx
}

// sealFor makes the statement of an event with salts that the party chose.
func sealFor(t testing.TB, ev *opal.Event) *envelope.Sealed {
	t.Helper()
	s, err := envelope.Seal(ev, func(path string) [16]byte { return [16]byte{byte(len(path)), 1} })
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// signed makes a request of two events that a party signed itself; change may spoil it, and what it is made of.
func signed(t testing.TB, party string, key byte, change func(*envelope.Payload, []*opal.Event), more ...ed25519.PrivateKey) *pb.AppendEnvelopesRequest {
	t.Helper()
	events := []*opal.Event{smallEvent(1), smallEvent(2)}
	events[1].Remark = "from the north wall"
	events[1].Attachments = []opal.Attachment{{SHA256: [32]byte{1}, MediaType: "image/jpeg", Name: "seam"}}
	p := envelope.Payload{Version: envelope.PayloadVersion, LogName: logName, Party: party}
	if change != nil {
		change(&p, events)
	}
	m := &pb.SignedEnvelope{}
	for i, ev := range events {
		s := sealFor(t, ev)
		m.Statements = append(m.Statements, s.Bytes)
		p.Statements = append(p.Statements, s.Hash)
		for _, o := range s.Openings {
			m.Openings = append(m.Openings, &pb.Opening{Statement: int32(i), Path: o.Path, Salt: o.Salt[:], Value: o.Value})
		}
	}
	signers := []envelope.Signer{envelope.NewSigner(seeded(key))}
	for _, k := range more {
		signers = append(signers, envelope.NewSigner(k))
	}
	b, err := envelope.Wrap(p, signers...)
	if err != nil {
		t.Fatal(err)
	}
	m.Envelope = b
	return &pb.AppendEnvelopesRequest{Envelopes: []*pb.SignedEnvelope{m}}
}

func TestAppendEnvelopes(t *testing.T) {
	s := start(t, nil)
	req := signed(t, "harrow-gully", 1, nil)
	for range 2 { // the second time it is there already
		got, err := s.AppendEnvelopes(as("miner"), req)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Results) != 2 || got.Results[1].Position != 1 || got.Results[1].Event != "harrow-gully/"+requestID(2).String() || got.Results[1].Lot != "harrow-gully.r7" || got.Results[0].Epoch != epoch {
			t.Errorf("got %v", got)
		}
	}
	if b := s.came()[0].Envelopes[0].Envelope; !bytes.Equal(b, req.Envelopes[0].Envelope) {
		t.Error("the envelope was not sent as it is")
	}
	ev := s.known[s.inLog()[1]].Event
	if ev.Remark != "from the north wall" || ev.Attachments[0].Name != "seam" {
		t.Errorf("in the log: %+v", ev)
	}
	// Another party's signature may stand beside.
	if _, err := s.AppendEnvelopes(as("miner"), signed(t, "harrow-gully", 1, nil, seeded(4))); err != nil {
		t.Error(err)
	}
	// What another party's own key signed may be brought by anybody.
	brought, err := s.AppendEnvelopes(as("miner"), signed(t, "moor-shop", 4, nil))
	if err != nil || brought.Results[0].Event != "moor-shop/"+requestID(1).String() {
		t.Errorf("brought for another: %v, %v", brought, err)
	}
	s.judge = func(ev *opal.Event) *fault.Error {
		if ev.RequestID == requestID(8) {
			return fault.New(fault.LotClosed, "lot", "it is closed")
		}
		return nil
	}
	_, err = s.AppendEnvelopes(as("miner"), signed(t, "harrow-gully", 1, func(_ *envelope.Payload, e []*opal.Event) {
		e[0].RequestID, e[1].RequestID = requestID(7), requestID(8)
	}))
	wantFault(t, err, fault.LotClosed, codes.FailedPrecondition, "envelopes[0].statements[1].lot", "it is closed")
	s.fail = fault.New(fault.LogReadOnly, "", "read only")
	_, err = s.AppendEnvelopes(as("miner"), req)
	wantFault(t, err, fault.LogReadOnly, codes.Unavailable, "", "")
}

func TestEnvelopeRefusals(t *testing.T) {
	s := start(t, nil)
	plain := func(change func(*envelope.Payload, []*opal.Event)) *pb.AppendEnvelopesRequest {
		return signed(t, "harrow-gully", 1, change)
	}
	spoiled := func(change func(*pb.SignedEnvelope)) *pb.AppendEnvelopesRequest {
		r := plain(nil)
		change(r.Envelopes[0])
		return r
	}
	const at = "envelopes[0]"
	tests := map[string]struct {
		req     *pb.AppendEnvelopesRequest
		reason  fault.Reason
		code    codes.Code
		field   string
		message string
	}{
		"none":          {&pb.AppendEnvelopesRequest{}, fault.InvalidField, codes.InvalidArgument, "envelopes", "found 0, accepted is one at a time"},
		"two":           {&pb.AppendEnvelopesRequest{Envelopes: append(plain(nil).Envelopes, plain(nil).Envelopes...)}, fault.InvalidField, codes.InvalidArgument, "envelopes", "found 2"},
		"no statements": {spoiled(func(m *pb.SignedEnvelope) { m.Statements = nil }), fault.InvalidField, codes.InvalidArgument, at + ".statements", "found none"},
		"too many":      {spoiled(func(m *pb.SignedEnvelope) { m.Statements = make([][]byte, 1_001) }), fault.TooLarge, codes.InvalidArgument, at + ".statements", "found 1001"},
		"too large": {spoiled(func(m *pb.SignedEnvelope) { m.Statements = [][]byte{make([]byte, 200_000), make([]byte, 200_000)} }),
			fault.TooLarge, codes.InvalidArgument, at + ".statements", "found 400000 bytes"},
		"no envelope":   {spoiled(func(m *pb.SignedEnvelope) { m.Envelope = []byte("x") }), fault.InvalidField, codes.InvalidArgument, at + ".envelope", ""},
		"a longer one":  {spoiled(func(m *pb.SignedEnvelope) { m.Envelope = append(m.Envelope, 0) }), fault.InvalidField, codes.InvalidArgument, at + ".envelope", ""},
		"another log":   {plain(func(p *envelope.Payload, _ []*opal.Event) { p.LogName = "other.example" }), fault.InvalidField, codes.InvalidArgument, at + ".envelope.payload.logName", `found "other.example"`},
		"another party": {signed(t, "moor-shop", 1, nil), fault.NotAllowed, codes.PermissionDenied, at + ".envelope.payload.party", `found "moor-shop" without a signature by a key of its own, and the token is of harrow-gully`},
		"one missing":   {spoiled(func(m *pb.SignedEnvelope) { m.Statements = m.Statements[:1] }), fault.InvalidField, codes.InvalidArgument, at + ".statements", "found 1, accepted are as many as the envelope lists, 2"},
		"changed":       {spoiled(func(m *pb.SignedEnvelope) { m.Statements[1][5] ^= 1 }), fault.InvalidField, codes.InvalidArgument, at + ".statements[1]", "found bytes with the SHA-256"},
		"unknown key":   {signed(t, "harrow-gully", 7, nil), fault.UnknownKey, codes.PermissionDenied, at + ".envelope.signatures[0].keyId", "a key that the log knows"},
		"revoked key":   {signed(t, "harrow-gully", 2, nil), fault.KeyRevoked, codes.PermissionDenied, at + ".envelope.signatures[0].keyId", "revoked at position 3"},
		"checkpoint's":  {signed(t, "harrow-gully", 3, nil), fault.UnknownKey, codes.PermissionDenied, at + ".envelope.signatures[0].keyId", "a key for CHECKPOINT"},
		"another's key": {signed(t, "harrow-gully", 4, nil), fault.UnknownKey, codes.PermissionDenied, at + ".envelope.signatures", "found no signature by a key of harrow-gully"},
		"bad signature": {spoiled(func(m *pb.SignedEnvelope) { m.Envelope[len(m.Envelope)-1] ^= 1 }), fault.BadSignature, codes.InvalidArgument, at + ".envelope.signatures[0].sig", "found a signature that the key"},
		"logOpened": {plain(func(_ *envelope.Payload, e []*opal.Event) {
			e[0].Lot, e[0].Described, e[0].LogOpened = "", nil, &opal.LogOpened{LogName: logName, Policy: opal.DefaultPolicy()}
		}), fault.InvalidField, codes.InvalidArgument, at + ".statements[0].logOpened", "only the log itself"},
		"a shape": {plain(func(_ *envelope.Payload, e []*opal.Event) { e[1].Described.BodyTone = 12 }), fault.InvalidField, codes.InvalidArgument, at + ".statements[1].described.bodyTone", "found 12"},
		"a claim": {plain(func(_ *envelope.Payload, e []*opal.Event) {
			e[1].Described, e[1].Sold = nil, &opal.Sold{To: "moor-shop", Claims: []opal.Claim{{Claim: "PRETTY"}}}
		}), fault.InvalidField, codes.InvalidArgument, at + ".statements[1].sold.claims[0]", "PRETTY"},
		"decomposed":    {plain(func(_ *envelope.Payload, e []*opal.Event) { e[1].Remark = "u\u0308" }), fault.InvalidField, codes.InvalidArgument, at + ".statements[1].remark", "normal form C"},
		"no opening":    {spoiled(func(m *pb.SignedEnvelope) { m.Openings = m.Openings[:1] }), fault.InvalidField, codes.InvalidArgument, at + ".statements[1].attachments[0].name", "found a commitment and no opening"},
		"another value": {spoiled(func(m *pb.SignedEnvelope) { m.Openings[0].Value = "from the south wall" }), fault.InvalidField, codes.InvalidArgument, at + ".statements[1].remark", "another value or salt"},
		"no value":      {spoiled(func(m *pb.SignedEnvelope) { m.Openings[0].Value = "" }), fault.InvalidField, codes.InvalidArgument, at + ".statements[1].remark", "without a value"},
		"a short salt":  {spoiled(func(m *pb.SignedEnvelope) { m.Openings[1].Salt = m.Openings[1].Salt[1:] }), fault.InvalidField, codes.InvalidArgument, at + ".openings[1].salt", "found 15 bytes"},
		"of none":       {spoiled(func(m *pb.SignedEnvelope) { m.Openings[1].Statement = 2 }), fault.InvalidField, codes.InvalidArgument, at + ".openings[1].statement", "found 2, accepted is 0 to 1"},
		"of less":       {spoiled(func(m *pb.SignedEnvelope) { m.Openings[1].Statement = -1 }), fault.InvalidField, codes.InvalidArgument, at + ".openings[1].statement", "found -1"},
		"twice":         {spoiled(func(m *pb.SignedEnvelope) { m.Openings = append(m.Openings, m.Openings[0]) }), fault.InvalidField, codes.InvalidArgument, at + ".openings[2].path", "twice"},
		"one too many": {spoiled(func(m *pb.SignedEnvelope) {
			m.Openings = append(m.Openings, &pb.Opening{Statement: 1, Path: "sold.price", Salt: make([]byte, 16), Value: "9"})
		}), fault.InvalidField, codes.InvalidArgument, at + ".statements[1].sold.price", "found an opening and no commitment"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := s.AppendEnvelopes(as("miner"), test.req)
			wantFault(t, err, test.reason, test.code, test.field, test.message)
		})
	}
	if len(s.came()) != 0 {
		t.Errorf("%d submissions were sent", len(s.came()))
	}
	_, err := s.AppendEnvelopes(as("miner", "idempotency-key", "7"), plain(nil))
	wantFault(t, err, fault.InvalidField, codes.InvalidArgument, "Idempotency-Key", "")
	r := plain(nil)
	r.Envelopes[0].Statements[0] = []byte("no statement")
	if _, err := s.AppendEnvelopes(as("miner"), r); !strings.Contains(err.Error(), "SHA-256") {
		t.Errorf("got %v", err)
	}
}
