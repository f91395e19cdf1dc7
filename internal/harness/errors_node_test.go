package harness_test

import (
	"context"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// specialNodes are the refusals that need a node of their own: what it is that goes wrong there, and how a caller meets it.
func specialNodes() map[fault.Reason]func(*testing.T) (*node, []provocation) {
	return map[fault.Reason]func(*testing.T) (*node, []provocation){
		fault.DiskReserve:       fullDisk,
		fault.LogReadOnly:       damagedCopy,
		fault.LogTooNew:         newerTable,
		fault.RateLimited:       tinyRate,
		fault.NotCaughtUp:       farAhead,
		fault.NoSequencer:       noLedger,
		fault.InternalError:     noProjection,
		fault.BadCertificate:    noParty,
		fault.IssuerUnavailable: noIssuer,
	}
}

func TestErrorsOfSpecialNodes(t *testing.T) {
	for reason, make := range specialNodes() {
		t.Run(string(reason), func(t *testing.T) {
			n, list := make(t)
			for _, p := range list {
				if p.reason != reason {
					t.Errorf("%s provokes %s", p.name, p.reason)
				}
				t.Run(p.name, func(t *testing.T) { p.check(t, n) })
			}
		})
	}
}

// minerNode is a node with a miner and one lot.
func minerNode(t *testing.T, change func(*harness.Config)) *node {
	t.Helper()
	n := start(t, t.TempDir(), change)
	n.enrol(t, "harrow-gully", "MINER", "DEALER")
	n.post(t, "harrow-gully", "harrow-gully.r1", minedBody).ok(t)
	return n
}

const described = `{"occurredAt":"2025-04-01","described":{"bodyColour":"milky"}}`

// fullDisk keeps more space free than any disk has.
func fullDisk(t *testing.T) (*node, []provocation) {
	n := minerNode(t, nil)
	n.down(t)
	n.cfg.Reserve = 1 << 62
	n.up(t)
	p := posted("less free than is kept", fault.DiskReserve, "harrow-gully", "harrow-gully.r1", described, "", "MiB")
	enrol := provocation{name: "a party", reason: fault.DiskReserve, as: "admin", says: p.says,
		rest: &call{method: "POST", path: "/v1/parties", as: "admin", body: `{"party":"new-house","roles":["DEALER"]}`},
		rpc: func(ctx context.Context, n *node) error {
			_, err := n.intake().CreateParty(ctx, &pb.CreatePartyRequest{Party: "new-house", Roles: []string{"DEALER"}})
			return err
		}}
	file := provocation{name: "a file", reason: fault.DiskReserve, as: "harrow-gully", says: p.says,
		rest: &call{method: "POST", path: "/v1/attachments", as: "harrow-gully", body: strings.Repeat("a", 8<<20), header: map[string]string{"Content-Type": "text/plain"}},
		rpc: func(ctx context.Context, n *node) error {
			stream, err := n.attachments().PutAttachment(ctx)
			if err == nil {
				err = stream.Send(&pb.PutAttachmentRequest{MediaType: proto.String("text/plain"), Chunk: []byte("a")})
			}
			if err == nil {
				_, err = stream.CloseAndRecv()
			}
			return err
		}}
	n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t) // reading goes on
	return n, []provocation{p, enrol, file}
}

// damagedCopy changes one byte of the journal while the node is down.
func damagedCopy(t *testing.T) (*node, []provocation) {
	n := minerNode(t, nil)
	for range 20 {
		n.post(t, "harrow-gully", "harrow-gully.r1", described).ok(t)
	}
	n.down(t)
	name, size := largest(t, filepath.Join(n.cfg.DataDir, "journal"))
	flipFile(t, name, size/2)
	n.up(t)
	// The damage is in the middle, so it is the background audit that finds it.
	for end := time.Now().Add(30 * time.Second); n.Log.ReadOnly() == nil; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("nobody has found the damage")
		}
	}
	n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t) // reading goes on
	if r := n.do(t, call{method: "GET", path: "/healthz"}).refusal(t); r.http != 503 || r.reason != string(fault.LogReadOnly) {
		t.Errorf("/healthz: %+v", r)
	}
	wantHealth(t, n, grpc_health_v1.HealthCheckResponse_NOT_SERVING)
	return n, []provocation{posted("copies that differ", fault.LogReadOnly, "harrow-gully", "harrow-gully.r1", described, "", "journal", "position", "fsck")}
}

// newerTable appends a policy that judges by a rule table of a later version, as a node of that version would.
func newerTable(t *testing.T) (*node, []provocation) {
	n := minerNode(t, nil)
	policy := opal.DefaultPolicy()
	policy.Version++
	policy.RuleTable = [32]byte{0xfe, 0xed}
	body := `{"occurredAt":"2025-03-05","policySet":{"policy":{"version":"2","level":"1","ruleTable":"feed` + strings.Repeat("0", 60) + `"}}}`
	if r := n.log(t, "admin", body).refusal(t); r.reason != string(fault.InvalidField) {
		t.Fatalf("this version takes a table that it does not have: %+v", r)
	}
	id, err := opal.ParseRequestID(newID())
	if err != nil {
		t.Fatal(err)
	}
	sealed, err := envelope.Seal(&opal.Event{Party: "admin", RequestID: id, OccurredAt: "2025-03-05", PolicySet: &opal.PolicySet{Policy: policy}},
		func(string) [16]byte { return [16]byte{} })
	if err != nil {
		t.Fatal(err)
	}
	wrapped, err := envelope.Wrap(envelope.Payload{
		Version: envelope.PayloadVersion, LogName: "lotpaper", Party: "admin", Statements: [][32]byte{sealed.Hash},
	}, envelope.NewSigner(n.Keys.Intake))
	if err != nil {
		t.Fatal(err)
	}
	got, err := n.Ledger.Submit(t.Context(), &bus.Submission{Envelopes: []bus.SubmittedEnvelope{{
		Envelope: wrapped, Statements: [][]byte{sealed.Bytes}, Groups: []int{1},
	}}})
	if err != nil || got.Refusal != nil || got.Results[0].Refusal != nil {
		t.Fatalf("%+v, %v", got, err)
	}
	return n, []provocation{asked("a newer rule table", fault.LogTooNew, "harrow-gully", "/v1/lots/harrow-gully.r1/status", "", func(ctx context.Context, n *node) error {
		_, err := n.status().GetStatus(ctx, &pb.GetStatusRequest{Lot: "harrow-gully.r1"})
		return err
	}, "feed", "newer version")}
}

// tinyRate lets a party post an atomic batch at once and then one event in about three hours.
func tinyRate(t *testing.T) (*node, []provocation) {
	n := minerNode(t, func(c *harness.Config) { c.EventsPerSecond, c.Burst = 0.0001, 1_000 })
	// Even events that are refused for their shape count, since they were read.
	n.do(t, call{method: "POST", path: "/v1/events:batch", as: "harrow-gully", body: `{"events":[` + strings.TrimSuffix(strings.Repeat(`{},`, 999), ",") + `]}`}).refusal(t)
	a := n.post(t, "harrow-gully", "harrow-gully.r1", described)
	if seconds, err := strconv.Atoi(a.header.Get("Retry-After")); err != nil || seconds < 1_000 {
		t.Errorf("Retry-After %q", a.header.Get("Retry-After"))
	}
	n.enrol(t, "tallow-street", "DEALER") // others are not held up
	return n, []provocation{posted("too fast", fault.RateLimited, "harrow-gully", "harrow-gully.r1", described, "", "found more than", "0.0001", "harrow-gully")}
}

// farAhead asks for a position that nobody has written, with little time.
func farAhead(t *testing.T) (*node, []provocation) {
	n := minerNode(t, nil)
	p := asked("a position to come", fault.NotCaughtUp, "harrow-gully", "/v1/lots/harrow-gully.r1?minPosition=1000000", "", func(ctx context.Context, n *node) error {
		ctx, cancel := context.WithTimeout(ctx, 300*time.Millisecond)
		defer cancel()
		far := int64(1_000_000)
		_, err := n.status().GetLot(ctx, &pb.GetLotRequest{Lot: "harrow-gully.r1", MinPosition: &far})
		return err
	}, "1000001")
	p.rest.header = map[string]string{"Grpc-Timeout": "300m"}
	a := n.do(t, *p.rest)
	if a.code != 503 || a.header.Get("Retry-After") == "" {
		t.Errorf("%d, Retry-After %q", a.code, a.header.Get("Retry-After"))
	}
	return n, []provocation{p}
}

// noLedger has nobody who sequences: the ledger has stopped and the rest has not.
func noLedger(t *testing.T) (*node, []provocation) {
	n := minerNode(t, nil)
	n.Ledger.Stop()
	n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t) // reading goes on
	a := n.post(t, "harrow-gully", "harrow-gully.r1", described)
	if a.code != 503 || a.header.Get("Retry-After") == "" {
		t.Errorf("%d, Retry-After %q", a.code, a.header.Get("Retry-After"))
	}
	return n, []provocation{posted("the ledger has stopped", fault.NoSequencer, "harrow-gully", "harrow-gully.r1", described, "", "again")}
}

// noProjection closes the projection under the node, which nobody does to a node that runs: what then goes wrong is nobody's refusal.
func noProjection(t *testing.T) (*node, []provocation) {
	n := minerNode(t, nil)
	n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t) // so that it is not merely behind
	if err := n.Status.Close(); err != nil {
		t.Fatal(err)
	}
	p := asked("the projection is gone", fault.InternalError, "harrow-gully", "/v1/lots/harrow-gully.r1", "", func(ctx context.Context, n *node) error {
		_, err := n.status().GetLot(ctx, &pb.GetLotRequest{Lot: "harrow-gully.r1"})
		return err
	}, "request id")
	a := n.do(t, *p.rest)
	id := a.header.Get("X-Request-Id")
	if id == "" || !strings.Contains(a.refusal(t).message, id) || strings.Contains(string(a.raw), "pebble") {
		t.Errorf("request id %q: %s", id, a.raw)
	}
	return n, []provocation{p}
}

// Every reason that there is comes about on a real node, over gRPC and over REST.
func TestEveryReasonIsProvoked(t *testing.T) {
	s := newScene(t)
	type seen struct{ rest, rpc bool }
	provoked := map[fault.Reason]seen{}
	for _, p := range s.provocations(t) {
		was := provoked[p.reason]
		provoked[p.reason] = seen{was.rest || p.rest != nil, was.rpc || p.rpc != nil}
	}
	for reason := range specialNodes() {
		provoked[reason] = seen{true, true} // check does either of what each of them makes
	}
	restOnly := map[fault.Reason]string{
		fault.IssuerUnavailable: "people log in with a browser",
		fault.NoRoute:           "gRPC has methods and no addresses: a method that there is not is METHOD_NOT_ALLOWED",
	}
	file, err := parser.ParseFile(token.NewFileSet(), filepath.Join("..", "fault", "fault.go"), nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	declared := 0
	ast.Inspect(file, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if typ, ok := v.Type.(*ast.Ident); !ok || typ.Name != "Reason" {
			return true
		}
		word, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
		if err != nil {
			t.Fatal(err)
		}
		declared++
		reason := fault.Reason(word)
		if _, ok := grpcCodes()[reason]; !ok {
			t.Errorf("%s has no line in the table of codes", reason)
		}
		got := provoked[reason]
		if !got.rest {
			t.Errorf("nothing provokes %s over REST", reason)
		}
		if !got.rpc && restOnly[reason] == "" {
			t.Errorf("nothing provokes %s over gRPC", reason)
		}
		return true
	})
	if declared < 30 || declared != len(grpcCodes()) {
		t.Errorf("%d reasons are declared, the table has %d", declared, len(grpcCodes()))
	}
}

// A request with two faults is told of the one that comes first: token, size, shape, idempotency, whether the lot is there, whether it is
// open, custody and role, order in time, pieces, mass.
func TestOrderOfChecks(t *testing.T) {
	s := newScene(t)
	s.tokens["nobody"] = "lp_not-a-token"
	m := "harrow-gully"
	split := func(when, rest string) string {
		return `{"occurredAt":"` + when + `","moisture":"DRY","split":{` + rest + `}}`
	}
	wrongPieces := `"children":[{"lot":"harrow-gully.x1","pieces":401,"mass":"1.250 kg"}]`
	wrongBoth := `"children":[{"lot":"harrow-gully.x1","pieces":401,"mass":"9 kg"}]`
	reused := func(body string) string { return `{"requestId":"` + s.sharedID + `",` + strings.TrimPrefix(body, "{") }
	for _, p := range []provocation{
		posted("no token before shape", fault.NoToken, "", "harrow-gully.r1", `{"occurredAt":"whenever"}`, ""),
		posted("bad token before size", fault.BadToken, "nobody", "harrow-gully.r1", `{"occurredAt":"2025-04-01","remark":"`+strings.Repeat("x", 5_000)+`","described":{}}`, ""),
		{name: "size before shape", reason: fault.TooLarge, http: 413, rest: &call{method: "POST", path: "/v1/lots/harrow-gully.r1/events", as: m, body: strings.Repeat("x", 1<<20+1)}},
		posted("shape before idempotency", fault.InvalidField, m, "harrow-gully.r1", reused(`{"occurredAt":"2025-04-01","counted":{"pieces":-1,"why":"LOST"}}`), "counted.pieces"),
		posted("idempotency before the lot", fault.RequestIDReused, m, "harrow-gully.r99", reused(described), "requestId"),
		posted("idempotency before the closed lot", fault.RequestIDReused, m, "harrow-gully.closed", reused(split("2025-04-01", wrongPieces)), "requestId"),
		posted("the lot before custody", fault.UnknownLot, "tallow-street", "harrow-gully.r99", split("2025-04-01", `"children":[{"lot":"tallow-street.x1","pieces":401,"mass":"1 kg"}]`), "lot"),
		posted("closed before custody", fault.LotClosed, "tallow-street", "harrow-gully.closed", split("2025-04-01", `"children":[{"lot":"tallow-street.x1","pieces":401,"mass":"1 kg"}]`), "lot"),
		posted("closed before pieces", fault.LotClosed, m, "harrow-gully.closed", split("2025-04-01", wrongPieces), "lot"),
		posted("custody before order in time", fault.NotHolder, "tallow-street", "harrow-gully.counted", split("2025-04-30", `"children":[{"lot":"tallow-street.x1","pieces":401,"mass":"1.250 kg"}]`), "lot"),
		posted("custody before pieces", fault.NotHolder, "tallow-street", "harrow-gully.r1", split("2025-04-01", `"children":[{"lot":"tallow-street.x1","pieces":401,"mass":"1.250 kg"}]`), "lot"),
		posted("pending before pieces", fault.HandoverPending, m, "harrow-gully.pending", split("2025-04-01", wrongPieces), "lot"),
		posted("role before the lot's other faults", fault.NotAllowed, "tallow-street", "tallow-street.r1", strings.Replace(minedBody, "2025-03-04", "2025-03-04", 1), "mined"),
		posted("before its opening before pieces", fault.BeforeLotOpened, m, "harrow-gully.r1", split("2025-01-01", wrongPieces), "occurredAt"),
		posted("order in time before pieces", fault.OutOfOrder, m, "harrow-gully.counted", split("2025-04-30", wrongPieces), "occurredAt"),
		posted("order in time before mass", fault.OutOfOrder, m, "harrow-gully.counted", split("2025-04-30", strings.Replace(wrongBoth, "401", "399", 1)), "occurredAt"),
		posted("pieces before mass", fault.PieceMismatch, m, "harrow-gully.r1", split("2025-04-01", wrongBoth), "split.children"),
	} {
		t.Run(p.name, func(t *testing.T) { p.check(t, s.node) })
	}
}

// A batch is stored whole or not at all, and the refusal names the event.
func TestRefusedBatch(t *testing.T) {
	n := minerNode(t, nil)
	before := n.next()
	good, bad := event(described), event(`{"occurredAt":"2025-04-01","moisture":"DRY","split":{"children":[{"lot":"harrow-gully.x1","pieces":401,"mass":"1.250 kg"}]}}`)
	in := func(body string) string { return `{"lot":"harrow-gully.r1",` + strings.TrimPrefix(body, "{") }
	for _, c := range []struct{ name, body, field string }{
		{"the last is wrong", in(good) + "," + in(bad), "events[1].split.children"},
		{"the first is wrong", in(bad) + "," + in(good), "events[0].split.children"},
		{"a shape is wrong", in(good) + `,{"lot":"harrow-gully.r1"}`, "events[1]"},
		{"it follows from the one before", in(event(`{"occurredAt":"2025-04-01","closed":{"reason":"LOST"}}`)) + "," + in(event(`{"occurredAt":"2025-04-02","counted":{"pieces":1,"why":"RECOUNT"}}`)), "events[1].lot"},
	} {
		r := n.do(t, call{method: "POST", path: "/v1/events:batch", as: "harrow-gully", body: `{"events":[` + c.body + `]}`}).refusal(t)
		if !strings.HasPrefix(r.field, c.field) {
			t.Errorf("%s: %+v, want %s", c.name, r, c.field)
		}
		if n.next() != before {
			t.Fatalf("%s: something was stored", c.name)
		}
	}
}
