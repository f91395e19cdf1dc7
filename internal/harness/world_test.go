package harness_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc/metadata"

	"github.com/lotpaper/lotpaper/internal/harness"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

func TestMain(m *testing.M) {
	if os.Getenv(childEnv) != "" {
		os.Exit(child())
	}
	// Whatever a node starts has ended when Stop returns.
	goleak.VerifyTestMain(m, goleak.IgnoreCurrent())
}

// node is a running node with the tokens of its parties.
type node struct {
	*harness.Node
	cfg    harness.Config
	tokens map[string]string
	client *http.Client
}

// start starts a node on a folder; change may alter its configuration.
func start(t *testing.T, dir string, change func(*harness.Config)) *node {
	t.Helper()
	cfg := harness.Config{DataDir: dir, Listen: "127.0.0.1:0", GRPCListen: "127.0.0.1:0"}
	if change != nil {
		change(&cfg)
	}
	n := &node{cfg: cfg, tokens: map[string]string{}}
	n.up(t)
	t.Cleanup(func() { n.down(t) })
	return n
}

// up starts the node, with the tokens of before.
func (n *node) up(t *testing.T) {
	t.Helper()
	started, err := harness.Start(t.Context(), n.cfg)
	if err != nil {
		t.Fatal(err)
	}
	n.Node, n.client = started, &http.Client{Transport: &http.Transport{}}
	n.tokens["admin"] = started.AdminToken()
}

// down stops it. A second time does nothing.
func (n *node) down(t *testing.T) {
	t.Helper()
	if n.Node == nil {
		return
	}
	n.client.CloseIdleConnections()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 20*time.Second)
	defer cancel()
	if err := n.Stop(ctx); err != nil {
		t.Errorf("stop: %v", err)
	}
	n.Node = nil
}

// next is the position that the next event will have.
func (n *node) next() uint64 {
	p, _ := n.Log.Next()
	return p
}

// call is one REST request. as names the party whose token goes with it; "": none.
type call struct {
	method, path, as, body string
	header                 map[string]string
}

// answer is what came back.
type answer struct {
	code   int
	header http.Header
	raw    []byte
}

func (n *node) do(t *testing.T, c call) answer {
	t.Helper()
	a, err := n.try(t.Context(), c)
	if err != nil {
		t.Fatalf("%s %s: %v", c.method, c.path, err)
	}
	return a
}

// try is do for callers that expect the node to go away.
func (n *node) try(ctx context.Context, c call) (answer, error) {
	scheme := "http://"
	if n.cfg.TLSCert != "" {
		scheme = "https://"
	}
	req, err := http.NewRequestWithContext(ctx, c.method, scheme+n.HTTPAddr()+c.path, strings.NewReader(c.body))
	if err != nil {
		return answer{}, err
	}
	if c.as != "" {
		token, ok := n.tokens[c.as]
		if !ok {
			return answer{}, fmt.Errorf("nobody enrolled %s", c.as)
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for name, value := range c.header {
		req.Header.Set(name, value)
	}
	res, err := n.client.Do(req)
	if err != nil {
		return answer{}, err
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	return answer{res.StatusCode, res.Header, raw}, err
}

// ok wants 200.
func (a answer) ok(t *testing.T) answer {
	t.Helper()
	if a.code != 200 {
		t.Fatalf("%d %s", a.code, a.raw)
	}
	return a
}

// value walks into the JSON: names, and numbers as places in a list. nil: it is not there.
func (a answer) value(t *testing.T, path ...any) any {
	t.Helper()
	var v any
	d := json.NewDecoder(bytes.NewReader(a.raw))
	d.UseNumber()
	if err := d.Decode(&v); err != nil {
		t.Fatalf("%d %q: %v", a.code, a.raw, err)
	}
	for _, p := range path {
		switch p := p.(type) {
		case string:
			m, _ := v.(map[string]any)
			v = m[p]
		case int:
			l, _ := v.([]any)
			if p >= len(l) {
				return nil
			}
			v = l[p]
		}
	}
	return v
}

// text gives a string, or a number or boolean as one; "": it is not there.
func (a answer) text(t *testing.T, path ...any) string {
	t.Helper()
	return asText(a.value(t, path...))
}

func asText(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case json.Number:
		return v.String()
	case bool:
		return strconv.FormatBool(v)
	}
	return ""
}

// number gives a whole number, written either way.
func (a answer) number(t *testing.T, path ...any) int64 {
	t.Helper()
	s := a.text(t, path...)
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		t.Fatalf("%v is %q in %s", path, s, a.raw)
	}
	return n
}

// list gives a list.
func (a answer) list(t *testing.T, path ...any) []any {
	t.Helper()
	l, _ := a.value(t, path...).([]any)
	return l
}

// refusal is what the body of an error says; its form is checked on the way.
type refusal struct {
	http    int
	grpc    int
	reason  string
	field   string
	message string
}

func (a answer) refusal(t *testing.T) refusal {
	t.Helper()
	info := "type.googleapis.com/google.rpc.ErrorInfo"
	if a.code < 400 || a.text(t, "details", 0, "@type") != info || a.text(t, "details", 0, "domain") != "lotpaper" || a.text(t, "message") == "" {
		t.Fatalf("%d %s: want code, message, and details with an ErrorInfo of lotpaper first", a.code, a.raw)
	}
	return refusal{a.code, int(a.number(t, "code")), a.text(t, "details", 0, "reason"), a.text(t, "details", 0, "metadata", "field"), a.text(t, "message")}
}

// enrol admits a party.
func (n *node) enrol(t *testing.T, party string, roles ...string) {
	t.Helper()
	list, err := json.Marshal(roles)
	if err != nil {
		t.Fatal(err)
	}
	a := n.do(t, call{method: "POST", path: "/v1/parties", as: "admin", body: fmt.Sprintf(`{"party":%q,"displayName":"The house of %s","roles":%s}`, party, party, list)}).ok(t)
	n.tokens[party] = a.text(t, "token")
}

var ids atomic.Uint64

// newID makes a request id that no other call in this process gets.
func newID() string { return fmt.Sprintf("2b1f6c9e-7c0a-4d5e-9a57-%012x", ids.Add(1)) }

// event completes an event's JSON: with a request id, if it has none.
func event(body string) string {
	if strings.Contains(body, `"requestId"`) {
		return body
	}
	return `{"requestId":"` + newID() + `",` + strings.TrimPrefix(body, "{")
}

// post posts an event about a lot over REST.
func (n *node) post(t *testing.T, as, lot, body string) answer {
	t.Helper()
	return n.do(t, call{method: "POST", path: "/v1/lots/" + lot + "/events", as: as, body: event(body)})
}

func (n *node) get(t *testing.T, as, path string) answer {
	t.Helper()
	return n.do(t, call{method: "GET", path: path, as: as})
}

// with puts a party's token on a context for gRPC.
func (n *node) with(ctx context.Context, as string) context.Context {
	if as == "" {
		return ctx
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+n.tokens[as])
}

func (n *node) intake() pb.IntakeServiceClient { return pb.NewIntakeServiceClient(n.Conn()) }
func (n *node) attachments() pb.AttachmentServiceClient {
	return pb.NewAttachmentServiceClient(n.Conn())
}
func (n *node) status() pb.StatusServiceClient { return pb.NewStatusServiceClient(n.Conn()) }

// flipFile changes one byte of a file.
func flipFile(t *testing.T, name string, at int64) {
	t.Helper()
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var b [1]byte
	if _, err := f.ReadAt(b[:], at); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 0x40
	if _, err := f.WriteAt(b[:], at); err != nil {
		t.Fatal(err)
	}
}

// largest finds the largest file below a folder.
func largest(t *testing.T, dir string) (name string, size int64) {
	t.Helper()
	err := filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err == nil && info.Mode().IsRegular() && info.Size() > size {
			name, size = path, info.Size()
		}
		return err
	})
	if err != nil || name == "" {
		t.Fatalf("no file below %s: %v", dir, err)
	}
	return name, size
}
