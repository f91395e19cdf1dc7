package harness_test

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// provocation is one way to be refused, over both surfaces.
type provocation struct {
	name   string
	reason fault.Reason
	// rest and rpc do the same over either; one of them may be missing where the other has nothing like it.
	rest *call
	rpc  func(ctx context.Context, n *node) error
	as   string // of rpc
	// What comes back. The HTTP status follows from the table below unless it is set.
	http  int
	grpc  codes.Code
	field string
	// says are parts of the message: what was found, and what is accepted.
	says []string
}

// grpcCodes and httpStatuses are the table that callers rely on, by reason.
func grpcCodes() map[fault.Reason]codes.Code {
	table := map[fault.Reason]codes.Code{}
	for code, reasons := range map[codes.Code][]fault.Reason{
		codes.InvalidArgument:  {fault.InvalidField, fault.FutureTime, fault.BadSignature, fault.TooLarge},
		codes.Unauthenticated:  {fault.NoToken, fault.BadToken, fault.BadCertificate},
		codes.PermissionDenied: {fault.NotHolder, fault.NotYourEvent, fault.UnknownKey, fault.KeyRevoked, fault.NotAllowed},
		codes.NotFound:         {fault.UnknownLot, fault.UnknownEvent, fault.UnknownHandle, fault.UnknownAttachment, fault.UnknownTile, fault.UnknownParty, fault.NoRoute},
		codes.Unimplemented:    {fault.MethodNotAllowed},
		codes.AlreadyExists:    {fault.LotExists, fault.PartyExists, fault.RequestIDReused},
		codes.FailedPrecondition: {
			fault.LotClosed, fault.HandoverPending, fault.MassGain, fault.PieceMismatch, fault.BeforeLotOpened, fault.OutOfOrder, fault.HasLaterEvents, fault.TooDeep,
		},
		codes.Aborted:           {fault.EtagMismatch, fault.EpochChanged},
		codes.ResourceExhausted: {fault.RateLimited, fault.DiskReserve},
		codes.Unavailable:       {fault.LogReadOnly, fault.LogTooNew, fault.NotCaughtUp, fault.NoSequencer, fault.IssuerUnavailable},
		codes.Internal:          {fault.InternalError},
	} {
		for _, r := range reasons {
			table[r] = code
		}
	}
	return table
}

func httpStatus(r fault.Reason) int {
	switch r {
	case fault.DiskReserve:
		return 507
	}
	return map[codes.Code]int{
		codes.InvalidArgument: 400, codes.Unauthenticated: 401, codes.PermissionDenied: 403, codes.NotFound: 404, codes.Unimplemented: 405,
		codes.AlreadyExists: 409, codes.FailedPrecondition: 400, codes.Aborted: 409, codes.ResourceExhausted: 429, codes.Unavailable: 503,
		codes.Internal: 500,
	}[grpcCodes()[r]]
}

// check provokes it over both surfaces and compares, and that nothing was stored.
func (p provocation) check(t *testing.T, n *node) {
	t.Helper()
	want := refusal{http: p.http, grpc: int(p.grpc), reason: string(p.reason), field: p.field}
	if want.http == 0 {
		want.http = httpStatus(p.reason)
	}
	if want.grpc == 0 {
		want.grpc = int(grpcCodes()[p.reason])
	}
	before := n.next()
	if p.rest != nil {
		c := *p.rest
		got := n.do(t, c).refusal(t)
		p.saysAll(t, "REST", got.message)
		got.message = ""
		if got != want {
			t.Errorf("REST: %+v, want %+v", got, want)
		}
	}
	if p.rpc != nil {
		err := p.rpc(n.with(t.Context(), p.as), n)
		s, f := status.Convert(err), rpc.FaultOf(err)
		if f == nil {
			t.Fatalf("gRPC: %v (%v) carries no reason", s.Code(), err)
		}
		p.saysAll(t, "gRPC", f.Message)
		got := refusal{want.http, int(s.Code()), string(f.Reason), f.Field, ""}
		if got != want {
			t.Errorf("gRPC: %+v, want %+v", got, want)
		}
	}
	if after := n.next(); after != before {
		t.Errorf("%d events were stored", after-before)
	}
}

func (p provocation) saysAll(t *testing.T, surface, message string) {
	t.Helper()
	t.Logf("%s %s: %s", surface, p.reason, message)
	for _, s := range p.says {
		if !strings.Contains(message, s) {
			t.Errorf("%s: %q does not say %q", surface, message, s)
		}
	}
}

// posted is a provocation by posting an event about a lot.
func posted(name string, reason fault.Reason, as, lot, body, field string, says ...string) provocation {
	body = event(body)
	return provocation{
		name: name, reason: reason, field: field, says: says, as: as,
		rest: &call{method: "POST", path: "/v1/lots/" + lot + "/events", as: as, body: body},
		rpc: func(ctx context.Context, n *node) error {
			_, err := n.intake().Append(ctx, &pb.AppendRequest{Lot: lot, Event: mustMessage(body)})
			return err
		},
	}
}

// asked is a provocation by a question about a lot.
func asked(name string, reason fault.Reason, as, path, field string, rpc func(context.Context, *node) error, says ...string) provocation {
	return provocation{name: name, reason: reason, field: field, says: says, as: as, rest: &call{method: "GET", path: path, as: as}, rpc: rpc}
}

// scene is what the provocations find: lots in every state, and keys.
type scene struct {
	*node
	key, revoked, stranger envelope.Signer
	sale                   string // the id of a sale by the miner
	sharedID               string // a request id that the miner has used
	strangersEvent         string // an event of the dealer's
}

const (
	minedBody = `{"occurredAt":"2025-03-04","moisture":"DRY","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE"},"pieces":400,"mass":"1.250 kg"}}`
	minedMore = `{"occurredAt":"2025-03-04","moisture":"DRY","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE"},"pieces":300,"mass":"0.900 kg"}}`
)

func newScene(t *testing.T) *scene {
	t.Helper()
	s := &scene{node: start(t, t.TempDir(), nil)}
	for party, role := range map[string]string{
		"harrow-gully": "MINER", "ash-works": "TREATER", "tallow-street": "DEALER", "north-bench": "LABORATORY", "moor-shop": "RETAILER",
	} {
		s.enrol(t, party, role)
	}
	post := func(lot, body string) answer { t.Helper(); return s.post(t, "harrow-gully", lot, body).ok(t) }
	for _, code := range []string{"r1", "closed", "pending", "counted", "parted"} {
		post("harrow-gully."+code, minedBody)
	}
	post("harrow-gully.closed", `{"occurredAt":"2025-03-10","closed":{"reason":"LOST"}}`)
	post("harrow-gully.pending", `{"occurredAt":"2025-03-10","handedOver":{"to":"ash-works","purpose":"TREATMENT"}}`)
	post("harrow-gully.counted", `{"occurredAt":"2025-05-01","moisture":"DRY","counted":{"pieces":399,"mass":"1.249 kg","why":"LOST"}}`)
	a := post("harrow-gully.parted", `{"occurredAt":"2025-04-01","moisture":"DRY","split":{"children":[{"lot":"harrow-gully.part-a","pieces":200,"mass":"0.625 kg"},{"lot":"harrow-gully.part-b","pieces":200,"mass":"0.625 kg"}]}}`)
	s.sale = a.text(t, "event")
	post("harrow-gully.part-b", `{"occurredAt":"2025-04-02","described":{"bodyColour":"milky"}}`)
	s.sharedID = strings.TrimPrefix(s.sale, "harrow-gully/")
	s.strangersEvent = s.post(t, "tallow-street", "tallow-street.b1",
		`{"occurredAt":"2025-03-04","acquired":{"material":{"kind":"HYDROPHANE"},"pieces":10,"mass":"20 g"}}`).ok(t).text(t, "event")

	// A line of the greatest depth: each split takes the one piece on.
	post("harrow-gully.d0", `{"occurredAt":"2025-03-04","moisture":"DRY","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE"},"pieces":1,"mass":"5.00 ct"}}`)
	depth := int(opal.DefaultPolicy().MaxDepth)
	var line []string
	for i := range depth {
		line = append(line, event(fmt.Sprintf(`{"lot":"harrow-gully.d%d","occurredAt":"2025-04-01","moisture":"DRY","split":{"children":[{"lot":"harrow-gully.d%d","pieces":1,"mass":"5.00 ct"}]}}`, i, i+1)))
	}
	s.do(t, call{method: "POST", path: "/v1/events:batch", as: "harrow-gully", body: `{"events":[` + strings.Join(line, ",") + `]}`}).ok(t)

	s.key, s.revoked, s.stranger = signer(1), signer(2), signer(3)
	for _, k := range []envelope.Signer{s.key, s.revoked} {
		public := k.Private.Public().(ed25519.PublicKey)
		s.log(t, "admin", fmt.Sprintf(`{"occurredAt":"2025-03-01","keyAdded":{"party":"harrow-gully","publicKey":%q,"use":"SIGN"}}`, base64.StdEncoding.EncodeToString(public))).ok(t)
	}
	s.log(t, "admin", fmt.Sprintf(`{"occurredAt":"2025-03-02","keyRevoked":{"party":"harrow-gully","keyId":%q,"because":"lost"}}`, s.revoked.KeyID)).ok(t)
	return s
}

// log posts an event without a lot.
func (n *node) log(t *testing.T, as, body string) answer {
	t.Helper()
	return n.do(t, call{method: "POST", path: "/v1/events", as: as, body: event(body)})
}

func signer(seed byte) envelope.Signer {
	return envelope.NewSigner(ed25519.NewKeyFromSeed([]byte(strings.Repeat(string(rune(seed)), 32))))
}

// signed is a provocation by an envelope that a party signed itself. spoil may alter the request before it is sent.
func (s *scene) signed(t *testing.T, name string, reason fault.Reason, by envelope.Signer, spoil func(*pb.SignedEnvelope), field string, says ...string) provocation {
	t.Helper()
	ev := &opal.Event{
		Party: "harrow-gully", Lot: "harrow-gully.r1", OccurredAt: "2025-04-01", Described: &opal.Described{BodyColour: "milky"},
	}
	id, err := opal.ParseRequestID(newID())
	if err != nil {
		t.Fatal(err)
	}
	ev.RequestID = id
	sealed, err := envelope.Seal(ev, func(path string) [16]byte { return [16]byte{} })
	if err != nil {
		t.Fatal(err)
	}
	wrapped, err := envelope.Wrap(envelope.Payload{
		Version: envelope.PayloadVersion, LogName: "lotpaper", Party: "harrow-gully", Statements: [][32]byte{sealed.Hash},
	}, by)
	if err != nil {
		t.Fatal(err)
	}
	m := &pb.SignedEnvelope{Envelope: wrapped, Statements: [][]byte{sealed.Bytes}}
	if spoil != nil {
		spoil(m)
	}
	body, err := json.Marshal(map[string]any{"envelopes": []any{map[string]any{"envelope": m.Envelope, "statements": m.Statements}}})
	if err != nil {
		t.Fatal(err)
	}
	return provocation{
		name: name, reason: reason, field: field, says: says, as: "harrow-gully",
		rest: &call{method: "POST", path: "/v1/events:append", as: "harrow-gully", body: string(body)},
		rpc: func(ctx context.Context, n *node) error {
			_, err := n.intake().AppendEnvelopes(ctx, &pb.AppendEnvelopesRequest{Envelopes: []*pb.SignedEnvelope{m}})
			return err
		},
	}
}

// resigned spoils the signature itself: the payload is another's.
func (s *scene) resigned(t *testing.T) func(*pb.SignedEnvelope) {
	t.Helper()
	return func(m *pb.SignedEnvelope) {
		e, err := envelope.Decode(m.Envelope)
		if err != nil {
			t.Fatal(err)
		}
		e.Signatures[0].Sig[7] ^= 1
		if m.Envelope, err = e.Encode(); err != nil {
			t.Fatal(err)
		}
	}
}

// provocations lists a way or more for every reason that an ordinary node refuses with.
func (s *scene) provocations(t *testing.T) []provocation {
	t.Helper()
	getLot := func(lot string) func(context.Context, *node) error {
		return func(ctx context.Context, n *node) error {
			_, err := n.status().GetLot(ctx, &pb.GetLotRequest{Lot: lot})
			return err
		}
	}
	m := "harrow-gully"
	split := func(rest string) string { return `{"occurredAt":"2025-04-01","moisture":"DRY","split":{` + rest + `}}` }
	var many []string
	for i := range 1001 {
		many = append(many, fmt.Sprintf(`{"lot":"harrow-gully.m%d"}`, i))
	}
	epoch, old := "00000000000000000000000000000000", s.epoch(t)
	huge := strings.Repeat("x", 1<<20)
	zero := int64(0)
	return []provocation{
		// Shape.
		posted("no body", fault.InvalidField, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01"}`, "", "found no body", "accepted"),
		posted("no time", fault.InvalidField, m, "harrow-gully.r1", `{"described":{"bodyColour":"red"}}`, "occurredAt", "found", "accepted"),
		posted("no request id", fault.InvalidField, m, "harrow-gully.r1", `{"requestId":"","occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`, "requestId", "found", "accepted"),
		posted("lot of the address and of the body differ", fault.InvalidField, m, "harrow-gully.r1", `{"lot":"harrow-gully.r2","occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`, "lot", "harrow-gully.r2", "harrow-gully.r1"),
		posted("no lot id", fault.InvalidField, m, "Harrow", minedBody, "lot", "Harrow", "accepted"),
		posted("no country", fault.InvalidField, m, "harrow-gully.r9", strings.Replace(minedBody, `"ET"`, `"XX"`, 1), "mined.origin.country", "XX", "accepted"),
		posted("mass without a unit", fault.InvalidField, m, "harrow-gully.r9", strings.Replace(minedBody, `1.250 kg`, `1.250`, 1), "mined.mass", "1.250", "accepted"),
		posted("negative count within a list", fault.InvalidField, m, "harrow-gully.r1", split(`"children":[{"lot":"harrow-gully.x1","pieces":1,"mass":"3 g"},{"lot":"harrow-gully.x2","pieces":-1,"mass":"3 g"}]`), "split.children[1].pieces", "-1", "accepted"),
		posted("unknown outcome", fault.InvalidField, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01","tested":{"method":"MICROSCOPE","sample":{"kind":"WHOLE"},"outcome":"PRETTY"}}`, "tested.outcome", "PRETTY", "CARBON_SPECKS"),
		posted("control character", fault.InvalidField, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01","remark":"a\u0007b","described":{"bodyColour":"red"}}`, "remark", "accepted"),
		posted("an answer's field", fault.InvalidField, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01","position":"7","described":{"bodyColour":"red"}}`, "position"),
		posted("another's lot prefix", fault.InvalidField, m, "tallow-street.r1", minedBody, "lot", "tallow-street", "accepted"),
		{name: "event without a lot at a lot", reason: fault.InvalidField, as: "admin", field: "lot", says: []string{"found", "accepted"},
			rest: &call{method: "POST", path: "/v1/lots/admin.x/events", as: "admin", body: event(`{"occurredAt":"2025-04-01","enrolled":{"party":"x-y","roles":["MINER"],"tokenHash":"` + strings.Repeat("ab", 32) + `"}}`)}},
		{name: "event about a lot without one", reason: fault.InvalidField, as: m, field: "lot", says: []string{"accepted"},
			rest: &call{method: "POST", path: "/v1/events", as: m, body: event(`{"lot":"harrow-gully.r1","occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`)},
			rpc: func(ctx context.Context, n *node) error {
				_, err := n.intake().AppendLogEvent(ctx, &pb.AppendLogEventRequest{Event: mustMessage(event(`{"lot":"harrow-gully.r1","occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`))})
				return err
			}},
		{name: "bad JSON", reason: fault.InvalidField, says: []string{"not JSON"}, rest: &call{method: "POST", path: "/v1/lots/harrow-gully.r1/events", as: m, body: `{"lot"`}},
		{name: "unknown field", reason: fault.InvalidField, field: "mined.colour", says: []string{`"colour"`, "pieces"}, rest: &call{method: "POST", path: "/v1/lots/harrow-gully.r9/events", as: m, body: `{"mined":{"colour":"red"}}`}},
		{name: "unknown parameter", reason: fault.InvalidField, field: "colour", says: []string{`"colour"`, "minPosition"}, rest: &call{method: "GET", path: "/v1/lots/harrow-gully.r1?colour=red", as: m}},
		asked("page too large", fault.InvalidField, m, "/v1/lots?pageSize=1001", "pageSize", nil, "1001", "1000"),
		asked("no time to ask about", fault.InvalidField, m, "/v1/lots/harrow-gully.r1/status?asOf=yesterday", "asOf", func(ctx context.Context, n *node) error {
			asOf := "yesterday"
			_, err := n.status().GetStatus(ctx, &pb.GetStatusRequest{Lot: "harrow-gully.r1", AsOf: &asOf})
			return err
		}, "yesterday", "accepted"),
		posted("a day to come", fault.FutureTime, m, "harrow-gully.r1", `{"occurredAt":"2999-01-01","described":{"bodyColour":"red"}}`, "occurredAt", "2999-01-01", "accepted"),
		s.signed(t, "spoilt signature", fault.BadSignature, s.key, s.resigned(t), "envelopes[0].envelope.signatures[0].sig", "found", "accepted"),
		s.signed(t, "spoilt statement", fault.InvalidField, s.key, func(m *pb.SignedEnvelope) {
			m.Statements[0] = append([]byte{}, m.Statements[0]...)
			m.Statements[0][9] ^= 1
		}, "envelopes[0].statements[0]", "SHA-256", "lists"),

		// Size.
		posted("children", fault.TooLarge, m, "harrow-gully.r1", split(`"children":[`+strings.Join(many, ",")+`]`), "split.children", "1,001", "1,000"),
		posted("remark", fault.TooLarge, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01","remark":"`+strings.Repeat("x", 2001)+`","described":{"bodyColour":"red"}}`, "remark", "2,001", "2,000"),
		{name: "batch", reason: fault.TooLarge, as: m, field: "events", says: []string{"1001", "1000"},
			rest: &call{method: "POST", path: "/v1/events:batch", as: m, body: `{"events":[` + strings.TrimSuffix(strings.Repeat(`{},`, 1001), ",") + `]}`},
			rpc: func(ctx context.Context, n *node) error {
				_, err := n.intake().AppendBatch(ctx, &pb.AppendBatchRequest{Events: make([]*pb.Event, 1001)})
				return err
			}},
		{name: "body", reason: fault.TooLarge, as: m, http: 413, says: []string{"1048577", "1048576"},
			rest: &call{method: "POST", path: "/v1/lots/harrow-gully.r1/events", as: m, body: huge + "x"}},
		{name: "message", reason: fault.TooLarge, as: m, says: []string{"accepted are at most 1048576"},
			rpc: func(ctx context.Context, n *node) error {
				_, err := n.intake().Append(ctx, &pb.AppendRequest{Lot: "harrow-gully.r1", Event: &pb.Event{Remark: &huge}})
				return err
			}},

		// Who.
		posted("no token", fault.NoToken, "", "harrow-gully.r1", minedBody, "", "found no token", "Authorization: Bearer"),
		asked("no token to read", fault.NoToken, "", "/v1/lots/harrow-gully.r1", "", getLot("harrow-gully.r1"), "found no token"),
		posted("bad token", fault.BadToken, "nobody", "harrow-gully.r1", minedBody, "", "not in force"),
		posted("another's lot", fault.NotHolder, "tallow-street", "harrow-gully.r1", split(`"children":[{"lot":"tallow-street.x1","pieces":400,"mass":"1.250 kg"}]`), "lot", "tallow-street", "harrow-gully"),
		posted("another's event", fault.NotYourEvent, m, "tallow-street.b1", `{"occurredAt":"2025-04-01","withdrawn":{"event":"`+s.strangersEvent+`","because":"mistake"}}`, "withdrawn.event", "tallow-street", "accepted"),
		s.signed(t, "unknown key", fault.UnknownKey, s.stranger, nil, "envelopes[0].envelope.signatures[0].keyId", s.stranger.KeyID, "accepted"),
		s.signed(t, "revoked key", fault.KeyRevoked, s.revoked, nil, "envelopes[0].envelope.signatures[0].keyId", s.revoked.KeyID, "accepted"),
		posted("no miner", fault.NotAllowed, "tallow-street", "tallow-street.r1", minedBody, "mined", "MINER"),
		posted("another's name", fault.NotAllowed, m, "harrow-gully.r1", `{"party":"tallow-street","occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`, "party", "tallow-street", "harrow-gully"),
		{name: "no admin", reason: fault.NotAllowed, as: m, says: []string{"ADMIN"},
			rest: &call{method: "POST", path: "/v1/parties", as: m, body: `{"party":"new-house","roles":["DEALER"]}`},
			rpc: func(ctx context.Context, n *node) error {
				_, err := n.intake().CreateParty(ctx, &pb.CreatePartyRequest{Party: "new-house", Roles: []string{"DEALER"}})
				return err
			}},

		// What there is not.
		posted("unknown lot", fault.UnknownLot, m, "harrow-gully.r99", `{"occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`, "lot", "harrow-gully.r99"),
		posted("unknown lot in the body", fault.UnknownLot, m, "harrow-gully.r98", `{"occurredAt":"2025-04-01","combined":{"parents":["harrow-gully.r1","harrow-gully.r99"],"pieces":1,"mass":"1 g"}}`, "combined.parents[1]", "harrow-gully.r99"),
		asked("unknown lot to read", fault.UnknownLot, m, "/v1/lots/harrow-gully.r99", "lot", getLot("harrow-gully.r99"), "harrow-gully.r99"),
		asked("no lot id to read", fault.UnknownLot, m, "/v1/lots/Harrow", "lot", getLot("Harrow"), "Harrow"),
		posted("unknown event", fault.UnknownEvent, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01","withdrawn":{"event":"harrow-gully/00000000-0000-4000-8000-000000000001","because":"mistake"}}`, "withdrawn.event", "harrow-gully/00000000-0000-4000-8000-000000000001"),
		asked("unknown handle", fault.UnknownHandle, "", "/v1/stones/aaaaaaaaaaaaaaaaaaaaaaaaaa", "handle", func(ctx context.Context, n *node) error {
			_, err := n.status().GetStone(ctx, &pb.GetStoneRequest{Handle: "aaaaaaaaaaaaaaaaaaaaaaaaaa"})
			return err
		}, "found no stone"),
		s.anothersHandle(t),
		asked("unknown attachment", fault.UnknownAttachment, m, "/v1/attachments/"+strings.Repeat("ab", 32), "sha256", func(ctx context.Context, n *node) error {
			stream, err := n.attachments().GetAttachment(ctx, &pb.GetAttachmentRequest{Sha256: strings.Repeat("ab", 32)})
			if err == nil {
				_, err = stream.Recv()
			}
			return err
		}, strings.Repeat("ab", 32), "on this node"),
		asked("unknown tile", fault.UnknownTile, "", "/log/tile/0/x009/000", "number", func(ctx context.Context, n *node) error {
			_, err := n.transparency().GetTile(ctx, &pb.GetTileRequest{Number: 9000, Width: 256})
			return err
		}, "tile 9000 of level 0"),
		{name: "unknown party in the address", reason: fault.UnknownParty, as: "admin", field: "party", says: []string{"new-house", "accepted"},
			rest: &call{method: "POST", path: "/v1/parties/new-house/tokens", as: "admin", body: `{}`},
			rpc: func(ctx context.Context, n *node) error {
				_, err := n.intake().CreateToken(ctx, &pb.CreateTokenRequest{Party: "new-house"})
				return err
			}},
		inBody(posted("unknown party in the body", fault.UnknownParty, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01","sold":{"to":"new-house"}}`, "sold.to", "new-house", "accepted")),
		{name: "no route", reason: fault.NoRoute, says: []string{"/v1/gems"}, rest: &call{method: "GET", path: "/v1/gems", as: m}},
		{name: "no method", reason: fault.MethodNotAllowed, as: m, says: []string{"found", "accepted"},
			rest: &call{method: "PUT", path: "/v1/lots/harrow-gully.r1", as: m},
			rpc: func(ctx context.Context, n *node) error {
				return n.Conn().Invoke(ctx, "/lotpaper.v1.IntakeService/Erase", &pb.AppendRequest{}, &pb.AppendResponse{})
			}},

		// What there is already.
		posted("lot", fault.LotExists, m, "harrow-gully.r1", minedBody, "lot", "harrow-gully.r1"),
		posted("lot as a child", fault.LotExists, m, "harrow-gully.r1", split(`"children":[{"lot":"harrow-gully.closed","pieces":400,"mass":"1.250 kg"}]`), "split.children[0].lot", "harrow-gully.closed"),
		{name: "party", reason: fault.PartyExists, as: "admin", field: "party", says: []string{"moor-shop", "accepted"},
			rest: &call{method: "POST", path: "/v1/parties", as: "admin", body: `{"party":"moor-shop","roles":["RETAILER"]}`},
			rpc: func(ctx context.Context, n *node) error {
				_, err := n.intake().CreateParty(ctx, &pb.CreatePartyRequest{Party: "moor-shop", Roles: []string{"RETAILER"}})
				return err
			}},
		posted("request id", fault.RequestIDReused, m, "harrow-gully.r1", `{"requestId":"`+s.sharedID+`","occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`, "requestId", s.sharedID, "accepted"),

		// What the account does not allow.
		posted("closed", fault.LotClosed, m, "harrow-gully.closed", split(`"children":[{"lot":"harrow-gully.x1","pieces":400,"mass":"1.250 kg"}]`), "lot", "closed", "accepted"),
		posted("split before", fault.LotClosed, m, "harrow-gully.parted", split(`"children":[{"lot":"harrow-gully.x1","pieces":400,"mass":"1.250 kg"}]`), "lot", "was split", "accepted"),
		posted("pending", fault.HandoverPending, m, "harrow-gully.pending", split(`"children":[{"lot":"harrow-gully.x1","pieces":400,"mass":"1.250 kg"}]`), "lot", "ash-works", "accepted"),
		posted("mass gained in a split", fault.MassGain, m, "harrow-gully.r1", split(`"children":[{"lot":"harrow-gully.x1","pieces":200,"mass":"0.700 kg"},{"lot":"harrow-gully.x2","pieces":200,"mass":"0.700 kg"}]`), "split.children", "1400.000 g", "1250.000 g", "accepted is at most"),
		posted("piece too few", fault.PieceMismatch, m, "harrow-gully.r1", split(`"children":[{"lot":"harrow-gully.x1","pieces":200,"mass":"0.625 kg"},{"lot":"harrow-gully.x2","pieces":199,"mass":"0.625 kg"}]`), "split.children", "399", "400"),
		posted("piece too many", fault.PieceMismatch, m, "harrow-gully.r1", split(`"rest":{"pieces":1,"mass":"3 g"},"children":[{"lot":"harrow-gully.x2","pieces":400,"mass":"1.247 kg"}]`), "split.children", "401", "400"),
		posted("before its opening", fault.BeforeLotOpened, m, "harrow-gully.r1", `{"occurredAt":"2025-03-03","moisture":"DRY","split":{"children":[{"lot":"harrow-gully.x1","pieces":400,"mass":"1.250 kg"}]}}`, "occurredAt", "2025-03-03", "2025-03-04"),
		posted("before the last", fault.OutOfOrder, m, "harrow-gully.counted", `{"occurredAt":"2025-04-30","moisture":"DRY","counted":{"pieces":399,"why":"RECOUNT"}}`, "occurredAt", "2025-04-30", "2025-05-01"),
		posted("children have lived", fault.HasLaterEvents, m, "harrow-gully.parted", `{"occurredAt":"2025-04-03","withdrawn":{"event":"`+s.sale+`","because":"mistake"}}`, "withdrawn.event", "harrow-gully.part-b"),
		posted("too deep", fault.TooDeep, m, fmt.Sprintf("harrow-gully.d%d", opal.DefaultPolicy().MaxDepth), `{"occurredAt":"2025-04-01","moisture":"DRY","split":{"children":[{"lot":"harrow-gully.x1","pieces":1,"mass":"5.00 ct"}]}}`, "split.children[0]", "found", "accepted are at most 256"),

		// What the caller knew.
		posted("an older revision", fault.EtagMismatch, m, "harrow-gully.r1", `{"occurredAt":"2025-04-01","expectedRevision":1,"described":{"bodyColour":"red"}}`, "expectedRevision", "1"),
		{name: "an older entity tag", reason: fault.EtagMismatch, http: 412, field: "expectedRevision", says: []string{"1"},
			rest: &call{method: "POST", path: "/v1/lots/harrow-gully.r1/events", as: m, body: event(`{"occurredAt":"2025-04-01","described":{"bodyColour":"red"}}`), header: map[string]string{"If-Match": `"1"`}}},
		asked("another epoch", fault.EpochChanged, m, "/v1/lots/harrow-gully.r1?minPosition=0&epoch="+epoch, "epoch", func(ctx context.Context, n *node) error {
			_, err := n.status().GetLot(ctx, &pb.GetLotRequest{Lot: "harrow-gully.r1", MinPosition: &zero, Epoch: &epoch})
			return err
		}, epoch, old),
		asked("another epoch to go on from", fault.EpochChanged, m, "/v1/watch?lot=harrow-gully.r1&after="+epoch+"/3", "epoch", func(ctx context.Context, n *node) error {
			after := epoch + "/3"
			stream, err := n.status().Watch(ctx, &pb.WatchRequest{Lot: &[]string{"harrow-gully.r1"}[0], After: &after})
			if err == nil {
				_, err = stream.Recv()
			}
			return err
		}, epoch, old),
	}
}

// inBody is for what stands in a body and is not found: the request is wrong, not its address.
func inBody(p provocation) provocation {
	p.http, p.grpc = 400, codes.InvalidArgument
	return p
}

func mustMessage(body string) *pb.Event {
	m := &pb.Event{}
	if err := protojson.Unmarshal([]byte(body), m); err != nil {
		panic(fmt.Sprintf("%s: %v", body, err))
	}
	return m
}

func (n *node) epoch(t *testing.T) string {
	t.Helper()
	return n.get(t, "", "/v1/log").ok(t).text(t, "epoch")
}

// anothersHandle: a handle that is not one's own to revoke looks like one that there is not.
func (s *scene) anothersHandle(t *testing.T) provocation {
	t.Helper()
	handle := s.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t).text(t, "handle")
	return provocation{
		name: "another's handle", reason: fault.UnknownHandle, as: "tallow-street", field: "handle", says: []string{handle},
		rest: &call{method: "DELETE", path: "/v1/stones/" + handle, as: "tallow-street"},
		rpc: func(ctx context.Context, n *node) error {
			_, err := n.intake().DeleteHandle(ctx, &pb.DeleteHandleRequest{Handle: handle})
			return err
		},
	}
}

func TestErrors(t *testing.T) {
	s := newScene(t)
	s.tokens["nobody"] = "lp_not-a-token"
	for _, p := range s.provocations(t) {
		t.Run(string(p.reason)+"/"+p.name, func(t *testing.T) { p.check(t, s.node) })
	}
}
