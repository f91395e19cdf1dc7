package gateway

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/session"
)

const goodToken = "lp_a-token-in-force"

// More tokens: one that only reads, one of another party, and the admin's.
const readToken, shopToken, adminToken = "lp_only-reads", "lp_of-a-shop", "lp_of-the-admin"

// directory knows these tokens.
type directory struct{}

func (directory) TokenParty(hash [32]byte) (*account.Party, *account.Token, bool, error) {
	for text, party := range map[string]string{goodToken: "harrow-gully", readToken: "harrow-gully", shopToken: "moor-shop", adminToken: opal.Admin} {
		if hash == envelope.TokenHash(text) {
			t := &account.Token{Hash: hash}
			switch text {
			case readToken:
				t.Scopes = []opal.Scope{opal.ScopeRead}
			case adminToken:
				t.Scopes = []opal.Scope{opal.ScopeAdmin}
			}
			return &account.Party{ID: party}, t, true, nil
		}
	}
	return nil, nil, false, nil
}

func (directory) Party(id string) (*account.Party, error) {
	if id != "harrow-gully" && id != "moor-shop" {
		return nil, nil
	}
	return &account.Party{ID: id}, nil
}

// intakeFake is the intake's side; a function that is not set answers that it is not served.
type intakeFake struct {
	pb.UnimplementedIntakeServiceServer
	append func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error)
	batch  func(context.Context, *pb.AppendBatchRequest) (*pb.AppendBatchResponse, error)
	revoke func(context.Context, *pb.DeleteTokenRequest) (*pb.DeleteTokenResponse, error)
	party  func(context.Context, *pb.CreatePartyRequest) (*pb.CreatePartyResponse, error)
}

func (f *intakeFake) CreateParty(ctx context.Context, r *pb.CreatePartyRequest) (*pb.CreatePartyResponse, error) {
	return f.party(ctx, r)
}

func (f *intakeFake) Append(ctx context.Context, r *pb.AppendRequest) (*pb.AppendResponse, error) {
	return f.append(ctx, r)
}

func (f *intakeFake) AppendBatch(ctx context.Context, r *pb.AppendBatchRequest) (*pb.AppendBatchResponse, error) {
	return f.batch(ctx, r)
}

func (f *intakeFake) DeleteToken(ctx context.Context, r *pb.DeleteTokenRequest) (*pb.DeleteTokenResponse, error) {
	return f.revoke(ctx, r)
}

// statusFake is the projection's side.
type statusFake struct {
	pb.UnimplementedStatusServiceServer
	lot   func(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error)
	lots  func(context.Context, *pb.ListLotsRequest) (*pb.ListLotsResponse, error)
	watch func(*pb.WatchRequest, grpc.ServerStreamingServer[pb.WatchResponse]) error
	stone func(context.Context, *pb.GetStoneRequest) (*pb.GetStoneResponse, error)
}

func (f *statusFake) GetStone(ctx context.Context, r *pb.GetStoneRequest) (*pb.GetStoneResponse, error) {
	return f.stone(ctx, r)
}

func (f *statusFake) GetLot(ctx context.Context, r *pb.GetLotRequest) (*pb.GetLotResponse, error) {
	return f.lot(ctx, r)
}

func (f *statusFake) ListLots(ctx context.Context, r *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
	return f.lots(ctx, r)
}

func (f *statusFake) Watch(r *pb.WatchRequest, s grpc.ServerStreamingServer[pb.WatchResponse]) error {
	return f.watch(r, s)
}

// filesFake keeps no files.
type filesFake struct {
	pb.UnimplementedAttachmentServiceServer
	put func(grpc.ClientStreamingServer[pb.PutAttachmentRequest, pb.PutAttachmentResponse]) error
}

func (f *filesFake) PutAttachment(s grpc.ClientStreamingServer[pb.PutAttachmentRequest, pb.PutAttachmentResponse]) error {
	return f.put(s)
}

// lines keeps what was logged.
type lines struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// world is a gateway before fake services, the edge between them being the real one.
type world struct {
	intake intakeFake
	status statusFake
	files  filesFake
	log    lines
	server *httptest.Server
}

// newWorld starts one; change may alter the gateway's configuration and the HTTP server's, which speaks HTTP/2 if it has one for TLS.
func newWorld(t *testing.T, change func(*Config, *http.Server)) *world {
	t.Helper()
	w := &world{}
	logger := slog.New(slog.NewTextHandler(&w.log, nil))
	edge, err := rpc.NewServer(rpc.Config{Directory: directory{}, Log: logger})
	if err != nil {
		t.Fatal(err)
	}
	pb.RegisterIntakeServiceServer(edge, &w.intake)
	pb.RegisterStatusServiceServer(edge, &w.status)
	pb.RegisterAttachmentServiceServer(edge, &w.files)
	ln := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- edge.Serve(ln) }()
	conn, err := grpc.NewClient("passthrough:///node",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return ln.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	cfg := Config{
		Conn:     conn,
		Callers:  edge.Authenticator(),
		Sessions: session.New(edge.Authenticator(), time.Now),
		Ready:    func() error { return nil },
		Logger:   logger,
	}
	server := &http.Server{ReadTimeout: time.Minute}
	if change != nil {
		change(&cfg, server)
	}
	handler, err := New(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	w.server = httptest.NewUnstartedServer(handler)
	server.Handler = handler
	w.server.Config = server
	if server.TLSConfig == nil {
		w.server.Start()
	} else {
		w.server.EnableHTTP2 = true
		w.server.StartTLS()
	}
	t.Cleanup(func() {
		w.server.CloseClientConnections()
		w.server.Close()
		conn.Close()
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		edge.Stop(ctx)
		if err := <-served; err != nil {
			t.Errorf("serve: %v", err)
		}
	})
	return w
}

// request is one call; header pairs follow name and value.
type request struct {
	method, path string
	body         io.Reader
	header       []string
	noToken      bool
}

type answer struct {
	code   int
	proto  string
	header http.Header
	body   []byte
}

func (w *world) do(t *testing.T, q request) answer {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), q.method, w.server.URL+q.path, q.body)
	if err != nil {
		t.Fatal(err)
	}
	if !q.noToken {
		req.Header.Set("Authorization", "Bearer "+goodToken)
	}
	for i := 0; i+1 < len(q.header); i += 2 {
		req.Header.Add(q.header[i], q.header[i+1])
	}
	res, err := w.server.Client().Do(req)
	if err != nil {
		t.Fatalf("%s %s: %v", q.method, q.path, err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatalf("%s %s: %v", q.method, q.path, err)
	}
	a := answer{res.StatusCode, res.Proto, res.Header, body}
	if a.code >= 400 && q.method != http.MethodHead {
		a.refusal(t)
	}
	return a
}

func (w *world) post(t *testing.T, path, body string, header ...string) answer {
	t.Helper()
	return w.do(t, request{method: "POST", path: path, body: strings.NewReader(body), header: header})
}

func (w *world) get(t *testing.T, path string, header ...string) answer {
	t.Helper()
	return w.do(t, request{method: "GET", path: path, header: header})
}

// refusal is what the body of every answer from 400 on says.
type refusal struct {
	Code    int
	Message string
	Reason  string
	Field   string
	Request string
}

// refusal reads the body of an error and checks its form: {code, message, details}, the first detail an ErrorInfo of ours.
func (a answer) refusal(t *testing.T) refusal {
	t.Helper()
	var body struct {
		Code    *int
		Message *string
		Details []struct {
			Type            string `json:"@type"`
			Reason, Domain  string
			Metadata        map[string]string
			RequestID       string
			FieldViolations []struct{ Field, Description string }
		}
	}
	d := json.NewDecoder(bytes.NewReader(a.body))
	if err := d.Decode(&body); err != nil {
		t.Fatalf("%d %q: %v", a.code, a.body, err)
	}
	var top map[string]json.RawMessage
	if err := json.Unmarshal(a.body, &top); err != nil || len(top) != 3 {
		t.Errorf("%d %s: want code, message and details alone", a.code, a.body)
	}
	if ct := a.header.Get("Content-Type"); ct != "application/json" {
		t.Errorf("%d: Content-Type %q", a.code, ct)
	}
	if body.Code == nil || *body.Code == 0 || body.Message == nil || *body.Message == "" || len(body.Details) == 0 {
		t.Fatalf("%d %s: want code, message and details", a.code, a.body)
	}
	first := body.Details[0]
	if first.Type != "type.googleapis.com/google.rpc.ErrorInfo" || first.Domain != "lotpaper" || first.Reason == "" {
		t.Fatalf("%d %s: the first detail is no ErrorInfo of lotpaper", a.code, a.body)
	}
	r := refusal{Code: *body.Code, Message: *body.Message, Reason: first.Reason, Field: first.Metadata["field"]}
	for _, d := range body.Details[1:] {
		switch d.Type {
		case "type.googleapis.com/google.rpc.BadRequest":
			if len(d.FieldViolations) != 1 || d.FieldViolations[0].Field != r.Field {
				t.Errorf("%s: BadRequest and ErrorInfo name different fields", a.body)
			}
		case "type.googleapis.com/google.rpc.RequestInfo":
			r.Request = d.RequestID
		}
	}
	return r
}

// md gives one value of a call's metadata.
func md(ctx context.Context, name string) string {
	return strings.Join(metadata.ValueFromIncomingContext(ctx, name), "|")
}
