package harness_test

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health/grpc_health_v1"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
)

func TestConfigurationsThatAreRefused(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*harness.Config)
		says   []string
	}{
		{"no folder", func(c *harness.Config) { c.DataDir = "" }, []string{"data", "found nothing", "accepted is a folder"}},
		{"log name", func(c *harness.Config) { c.LogName = "Opal Log" }, []string{"log name", `"Opal Log"`, "accepted"}},
		{"zone", func(c *harness.Config) { c.ZoneMinutes = 841 }, []string{"zone", "841", "-840 to 840"}},
		{"half of TLS", func(c *harness.Config) { c.TLSCert = "cert.pem" }, []string{"TLS", "both or neither"}},
		{"clients' certificates without TLS", func(c *harness.Config) { c.ClientCA = "ca.pem" }, []string{"client CA", "without TLS", "accepted"}},
		{"revoked ones of nobody", func(c *harness.Config) { c.ClientCRL = "crl.pem" }, []string{"client CRL", "without a client CA", "accepted"}},
		{"an issuer alone", func(c *harness.Config) { c.OIDCIssuer = "https://login.example" }, []string{"OIDC client id", "OIDC party claim", "accepted"}},
		{"an issuer in the clear", func(c *harness.Config) {
			c.OIDCIssuer, c.OIDCClientID, c.OIDCPartyClaim = "http://login.example", "x", "y"
		}, []string{"OIDC issuer", "http://login.example", "https"}},
		{"an issuer without HTTP", func(c *harness.Config) {
			c.OIDCIssuer, c.OIDCClientID, c.OIDCPartyClaim, c.Listen = "https://login.example", "x", "y", ""
		}, []string{"without an HTTP address"}},
		{"a secret of no issuer", func(c *harness.Config) { c.OIDCClientSecretFile = "none" }, []string{"OIDC issuer", "OIDC client id"}},
		{"a secret that is not there", func(c *harness.Config) {
			c.OIDCIssuer, c.OIDCClientID, c.OIDCPartyClaim, c.OIDCClientSecretFile = "https://login.example", "x", "y", "none.secret"
		}, []string{"OIDC client secret", "none.secret"}},
		{"replicas of the embedded journal", func(c *harness.Config) { c.Replicas = 3 }, []string{"replicas", "found 3", "accepted is 1"}},
		{"every address", func(c *harness.Config) { c.Listen = "0.0.0.0:0" }, []string{"listen", `"0.0.0.0:0"`, "without TLS", "loopback"}},
		{"no host", func(c *harness.Config) { c.Listen = ":0" }, []string{"listen", `":0"`, "without TLS"}},
		{"a machine's name", func(c *harness.Config) { c.Listen = "opal.example:8080" }, []string{"listen", "without TLS"}},
		{"gRPC on every address", func(c *harness.Config) { c.GRPCListen = "[::]:0" }, []string{"gRPC listen", "without TLS"}},
		{"several at once", func(c *harness.Config) { c.ZoneMinutes, c.LogName, c.Listen = -900, "-", ":0" }, []string{"zone", "log name", "listen"}},
		{"no such certificate", func(c *harness.Config) { c.TLSCert, c.TLSKey = "none.pem", "none.key" }, []string{"certificate", "none.pem"}},
		{"no address", func(c *harness.Config) { c.Listen = "127.0.0.1:99999" }, []string{"listen for HTTP", "99999"}},
		{"rate", func(c *harness.Config) { c.EventsPerSecond = -1 }, []string{"rate", "-1", "accepted"}},
		{"burst", func(c *harness.Config) { c.Burst = 10 }, []string{"burst", "10", "1000"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg := harness.Config{DataDir: filepath.Join(t.TempDir(), "data"), Listen: "127.0.0.1:0", GRPCListen: "127.0.0.1:0"}
			c.change(&cfg)
			n, err := harness.Start(t.Context(), cfg)
			if err == nil {
				n.Stop(context.Background())
				t.Fatal("it was taken")
			}
			for _, s := range c.says {
				if !strings.Contains(err.Error(), s) {
					t.Errorf("%q does not say %q", err, s)
				}
			}
		})
	}
}

// What goes wrong while a node starts leaves nothing running, and nothing that keeps it from being started when it is mended.
func TestStartsThatFail(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	if _, err := harness.Start(t.Context(), harness.Config{DataDir: dir, Listen: taken.Addr().String()}); err == nil || !strings.Contains(err.Error(), "listen for HTTP") {
		t.Errorf("a port that is taken: %v", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if n, err := harness.Start(ended, harness.Config{DataDir: dir}); err == nil {
		n.Stop(context.Background())
		t.Error("a start that was called off started")
	}
	n := start(t, dir, nil)
	n.enrol(t, "harrow-gully", "MINER")
	token := n.AdminToken()
	if _, err := harness.Start(t.Context(), harness.Config{DataDir: dir}); err == nil {
		t.Error("two nodes run on one folder")
	}
	n.get(t, "harrow-gully", "/v1/lots").ok(t) // the first is none the worse
	n.down(t)
	for name, c := range map[string]struct {
		change func(*harness.Config)
		says   string
	}{
		"another log's name":  {func(c *harness.Config) { c.LogName = "other" }, "journal"},
		"another log's token": {func(c *harness.Config) { c.AdminToken = "lp_of-another-log" }, "LOTPAPER_ADMIN_TOKEN"},
		"another node's keys": {func(c *harness.Config) { renamed(t, filepath.Join(dir, "keys"), filepath.Join(dir, "keys.away")) }, "key"},
		"a file for a folder": {func(c *harness.Config) { c.DataDir = filepath.Join(dir, harness.AdminTokenFile) }, "data folder"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := harness.Config{DataDir: dir, Listen: "127.0.0.1:0"}
			c.change(&cfg)
			n, err := harness.Start(t.Context(), cfg)
			if err == nil {
				n.Stop(context.Background())
				t.Error("it started")
			} else if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q does not say %q", err, c.says)
			}
			if away := filepath.Join(dir, "keys.away"); exists(away) {
				os.RemoveAll(filepath.Join(dir, "keys"))
				renamed(t, away, filepath.Join(dir, "keys"))
			}
		})
	}
	n.up(t)
	if n.AdminToken() != token {
		t.Error("the admin's token has changed")
	}
	n.get(t, "harrow-gully", "/v1/lots").ok(t)
	if err := n.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	if err := n.Stop(t.Context()); err != nil {
		t.Errorf("stopped twice: %v", err)
	}
}

func renamed(t *testing.T, from, to string) {
	t.Helper()
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
}

func exists(name string) bool {
	_, err := os.Stat(name)
	return err == nil
}

// An admin whose token is kept elsewhere may remove the file: the node starts and the token counts.
func TestAdminTokenKeptElsewhere(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	file, token := n.AdminTokenFile(), n.AdminToken()
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%s: %v, %v", file, info, err)
	}
	n.down(t)
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	n.up(t)
	if n.AdminToken() != "" || exists(file) {
		t.Errorf("the node knows a token: %q", n.AdminToken())
	}
	n.tokens["admin"] = token
	n.enrol(t, "harrow-gully", "MINER")
	n.down(t)
	n.cfg.AdminToken = token
	n.up(t)
	if n.AdminTokenFile() != "" || exists(file) {
		t.Error("a token that was given is written down")
	}
	n.enrol(t, "moor-shop", "RETAILER")
}

// A node is up within a second, new or not.
func TestStartTakesNoTime(t *testing.T) {
	n := minerNode(t, nil)
	n.down(t)
	for _, dir := range []string{t.TempDir(), n.cfg.DataDir} {
		began := time.Now()
		other := start(t, dir, nil)
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		if err := other.WaitReady(ctx); err != nil {
			t.Error(err)
		}
		cancel()
		took := time.Since(began)
		other.down(t)
		t.Logf("up after %s, down after %s more", took, time.Since(began)-took)
		if took > time.Second {
			t.Errorf("it took %s", took)
		}
	}
}

// certificate makes one that the machine itself vouches for.
func certificate(t *testing.T) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	pkcs, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for name, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: pkcs}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AddCert(parsed)
	return cert, key, pool
}

// With a certificate the node listens on any address, and speaks TLS alone there.
func TestTLS(t *testing.T) {
	cert, key, pool := certificate(t)
	n := start(t, t.TempDir(), func(c *harness.Config) {
		c.TLSCert, c.TLSKey, c.Listen, c.GRPCListen = cert, key, "0.0.0.0:0", "0.0.0.0:0"
	})
	local := func(addr string) string {
		_, port, err := net.SplitHostPort(addr)
		if err != nil {
			t.Fatal(err)
		}
		return net.JoinHostPort("127.0.0.1", port)
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}
	defer transport.CloseIdleConnections()
	res, err := (&http.Client{Transport: transport}).Get("https://" + local(n.HTTPAddr()) + "/healthz")
	if err != nil || res.StatusCode != 200 {
		t.Fatalf("HTTPS: %v, %v", res, err)
	}
	res.Body.Close()
	if res, err := n.client.Get("http://" + local(n.HTTPAddr()) + "/healthz"); err == nil {
		res.Body.Close()
		if res.StatusCode == 200 {
			t.Error("the node answers in the clear")
		}
	}
	conn, err := grpc.NewClient(local(n.GRPCAddr()), grpc.WithTransportCredentials(credentials.NewClientTLSFromCert(pool, "")))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := pb.NewStatusServiceClient(conn).ListLots(n.with(t.Context(), "admin"), &pb.ListLotsRequest{}); err != nil {
		t.Errorf("gRPC over TLS: %v", err)
	}
}

// Behind a proxy that ends TLS the node may listen anywhere.
func TestBehindAProxy(t *testing.T) {
	n := start(t, t.TempDir(), func(c *harness.Config) { c.BehindTLSProxy, c.Listen = true, "0.0.0.0:0" })
	if !strings.Contains(n.HTTPAddr(), ":") {
		t.Errorf("it listens on %q", n.HTTPAddr())
	}
}

// watching reads one event stream of a node.
type watching struct {
	t    *testing.T
	res  *http.Response
	buf  *bufio.Reader
	last string // the id that a reader would go on after
}

func (n *node) watch(t *testing.T, as, path, last string) *watching {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+n.HTTPAddr()+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+n.tokens[as])
	if last != "" {
		req.Header.Set("Last-Event-ID", last)
	}
	res, err := n.client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { res.Body.Close() })
	if res.StatusCode != 200 {
		t.Fatalf("%d", res.StatusCode)
	}
	return &watching{t: t, res: res, buf: bufio.NewReader(res.Body), last: last}
}

// next gives the data of the next event; ok is false at the end of the stream.
func (w *watching) next() (a answer, kind string, ok bool) {
	w.t.Helper()
	for {
		line, err := w.buf.ReadString('\n')
		if err != nil {
			return a, kind, false
		}
		field, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		switch field {
		case "id":
			w.last = value
		case "event":
			kind = value
		case "data":
			a = answer{code: 200, raw: []byte(value)}
		case "":
			if a.raw != nil && line == "\n" {
				return a, kind, true
			}
		}
	}
}

// TestWatch follows a lot and what its holder holds, is cut off, goes on, and ends with the node.
func TestWatch(t *testing.T) {
	n := minerNode(t, nil)
	n.post(t, "harrow-gully", "harrow-gully.r1", `{"occurredAt":"2025-04-01","moisture":"DRY","split":{"rest":{"pieces":300,"mass":"0.940 kg"},"children":[{"lot":"harrow-gully.c1","pieces":100,"mass":"0.310 kg"}]}}`).ok(t)
	of := n.watch(t, "harrow-gully", "/v1/watch?lot=harrow-gully.c1", "")
	first := n.post(t, "harrow-gully", "harrow-gully.c1", `{"occurredAt":"2025-04-02","described":{"bodyColour":"milky"}}`).ok(t)
	a, kind, ok := of.next()
	if !ok || kind != "event" || a.text(t, "event", "event") != first.text(t, "event") || a.text(t, "position") != first.text(t, "position") {
		t.Fatalf("%s %s", kind, a.raw)
	}
	// An event of an ancestor that bears on the lot changes its status.
	late := n.post(t, "harrow-gully", "harrow-gully.r1", `{"occurredAt":"2025-03-10","treated":{"treatment":"SMOKE"}}`).ok(t)
	a, kind, ok = of.next()
	if !ok || kind != "status" || a.text(t, "event", "event") != late.text(t, "event") || a.text(t, "status", "overallAfter") != "DECLARED" {
		t.Fatalf("%s %s", kind, a.raw)
	}
	// Cut off, with events meanwhile: the reader goes on and misses none and sees none twice.
	of.res.Body.Close()
	var missed []string
	for range 3 {
		missed = append(missed, n.post(t, "harrow-gully", "harrow-gully.c1", described).ok(t).text(t, "event"))
	}
	of = n.watch(t, "harrow-gully", "/v1/watch?lot=harrow-gully.c1", of.last)
	for _, want := range missed {
		if a, _, ok := of.next(); !ok || a.text(t, "event", "event") != want {
			t.Fatalf("%s, want %s", a.raw, want)
		}
	}
	// A reader who was cut off before the first event knows where to go on.
	quiet := n.watch(t, "harrow-gully", "/v1/watch?holder=me", "")
	for quiet.last == "" {
		line, err := quiet.buf.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if id, ok := strings.CutPrefix(line, "id: "); ok {
			quiet.last = strings.TrimSpace(id)
		}
	}
	quiet.res.Body.Close()
	want := n.post(t, "harrow-gully", "harrow-gully.c1", described).ok(t).text(t, "event")
	quiet = n.watch(t, "harrow-gully", "/v1/watch?holder=me", quiet.last)
	if a, _, ok := quiet.next(); !ok || a.text(t, "event", "event") != want {
		t.Fatalf("%s, want %s", a.raw, want)
	}

	// Open streams do not keep a node from stopping, and end properly.
	began := time.Now()
	n.down(t)
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("the node took %s to stop", took)
	}
	if a, _, ok := quiet.next(); ok {
		t.Errorf("after the end: %s", a.raw)
	}
}

// TestManyCallers lets parties post and read at once: each finds what it has posted.
func TestManyCallers(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	const parties, each = 8, 25
	errs := make(chan error, parties)
	for p := range parties {
		n.enrol(t, fmt.Sprintf("miner-%d", p), "MINER")
	}
	for p := range parties {
		go func() {
			party := fmt.Sprintf("miner-%d", p)
			errs <- func() error {
				for i := range each {
					lot := fmt.Sprintf("%s.r%d", party, i)
					a, err := n.try(t.Context(), call{method: "POST", path: "/v1/lots/" + lot + "/events", as: party, body: event(minedBody)})
					if err != nil || a.code != 200 {
						return fmt.Errorf("post %s: %d %s %v", lot, a.code, a.raw, err)
					}
					if a, err = n.try(t.Context(), call{method: "GET", path: "/v1/lots/" + lot + "/status", as: party}); err != nil || a.code != 200 {
						return fmt.Errorf("read %s: %d %s %v", lot, a.code, a.raw, err)
					}
				}
				return nil
			}()
		}()
	}
	for range parties {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	if got := n.next(); got != 1+parties+parties*each {
		t.Errorf("the log has %d events", got)
	}
}

// wantHealth waits until the gRPC health service says so; it follows /healthz within a second.
func wantHealth(t *testing.T, n *node, want grpc_health_v1.HealthCheckResponse_ServingStatus) {
	t.Helper()
	client := grpc_health_v1.NewHealthClient(n.Conn())
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		res, err := client.Check(t.Context(), &grpc_health_v1.HealthCheckRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if res.GetStatus() == want {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("gRPC health is %s, want %s", res.GetStatus(), want)
		}
	}
}

func TestHealthOfANodeThatCanAnswer(t *testing.T) {
	wantHealth(t, minerNode(t, nil), grpc_health_v1.HealthCheckResponse_SERVING)
}
