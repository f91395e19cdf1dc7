package harness_test

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"

	"github.com/lotpaper/lotpaper/internal/clientcert/certtest"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/staff/issuertest"
)

// secured is a node that asks clients for certificates.
type secured struct {
	*node
	ca  *certtest.Authority
	crl string
}

func startSecured(t *testing.T, change func(*harness.Config)) *secured {
	t.Helper()
	s := &secured{ca: certtest.New(t, "the operator's own", nil), crl: filepath.Join(t.TempDir(), "crl.pem")}
	certtest.Write(t, s.crl, s.ca.Revoke(t, 1, nil))
	cert, key := certtest.Files(t, s.ca.Server(t))
	s.node = start(t, t.TempDir(), func(c *harness.Config) {
		c.TLSCert, c.TLSKey, c.ClientCA, c.ClientCRL = cert, key, certtest.File(t, s.ca), s.crl
		if change != nil {
			change(c)
		}
	})
	s.client = s.presenting(t)
	return s
}

// presenting gives a client that presents a certificate, or none. Without cookies and redirects: what is sent is what the test says.
func (s *secured) presenting(t *testing.T, certs ...tls.Certificate) *http.Client {
	t.Helper()
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: s.ca.Pool(), Certificates: certs}}
	t.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// send sends by that client.
func (s *secured) send(t *testing.T, client *http.Client, c call) answer {
	t.Helper()
	before := s.client
	s.client = client
	defer func() { s.client = before }()
	return s.do(t, c)
}

const minedByMachine = `{"occurredAt":"2025-03-04","moisture":"ROOM","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE","look":"TRANSLUCENT"},"pieces":400,"mass":"1.250 kg"}}`

// A machine with its party's certificate reads and posts over both surfaces without a token, and nothing beyond.
func TestMachinesByCertificate(t *testing.T) {
	s := startSecured(t, nil)
	s.enrol(t, "harrow-gully", "MINER")
	s.enrol(t, "moor-shop", "RETAILER")
	cert := s.ca.Client(t, nil, "lotpaper:party:harrow-gully")
	machine := s.presenting(t, cert)
	post := func(lot string) call {
		return call{method: "POST", path: "/v1/lots/" + lot + "/events", body: event(minedByMachine)}
	}
	s.send(t, machine, post("harrow-gully.r1")).ok(t)
	if got := s.send(t, machine, call{method: "GET", path: "/v1/lots/harrow-gully.r1"}).ok(t).text(t, "owner"); got != "harrow-gully" {
		t.Errorf("the lot is of %q", got)
	}
	conn, err := grpc.NewClient(s.GRPCAddr(), grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{RootCAs: s.ca.Pool(), Certificates: []tls.Certificate{cert}})))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	status := pb.NewStatusServiceClient(conn)
	if lot, err := status.GetLot(t.Context(), &pb.GetLotRequest{Lot: "harrow-gully.r1"}); err != nil || lot.GetOwner() != "harrow-gully" {
		t.Errorf("over gRPC: %v, %v", lot, err)
	}
	others := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+s.tokens["moor-shop"])
	if _, err := status.ListLots(others, &pb.ListLotsRequest{}); rpc.FaultOf(err) == nil || rpc.FaultOf(err).Reason != fault.BadToken {
		t.Errorf("with another's token, over gRPC: %v", err)
	}
	// A token that the machine makes for its party ends with the certificate.
	token := func(expires string) answer {
		body, err := json.Marshal(map[string]any{"expires": expires, "scopes": []string{"READ"}})
		if err != nil {
			t.Fatal(err)
		}
		return s.send(t, machine, call{method: "POST", path: "/v1/parties/harrow-gully/tokens", body: string(body)})
	}
	if r := token("2100-01-01T00:00:00Z").refusal(t); r.reason != "NOT_ALLOWED" || r.field != "expires" || !strings.Contains(r.message, "the certificate of the call ends at") {
		t.Errorf("a token that outlives the certificate: %+v", r)
	}
	token(cert.Leaf.NotAfter.UTC().Format("2006-01-02T15:04:05Z")).ok(t)

	for name, c := range map[string]struct {
		client *http.Client
		call   call
		reason string
		field  string
	}{
		"another site's page":             {machine, call{method: "POST", path: "/v1/lots/harrow-gully.r2/events", body: event(minedByMachine), header: map[string]string{"Sec-Fetch-Site": "cross-site"}}, "NOT_ALLOWED", "Origin"},
		"another site's page, by name":    {machine, call{method: "POST", path: "/v1/lots/harrow-gully.r2/events", body: event(minedByMachine), header: map[string]string{"Origin": "https://elsewhere.example"}}, "NOT_ALLOWED", "Origin"},
		"what the admin may":              {machine, call{method: "POST", path: "/v1/parties", body: `{"party":"new-one","displayName":"New","roles":["MINER"]}`}, "NOT_ALLOWED", ""},
		"another's token":                 {machine, call{method: "GET", path: "/v1/lots", as: "moor-shop"}, "BAD_TOKEN", ""},
		"the admin's token":               {machine, call{method: "GET", path: "/v1/lots", as: "admin"}, "BAD_TOKEN", ""},
		"another's token, public":         {machine, call{method: "GET", path: "/v1/log", as: "moor-shop"}, "BAD_TOKEN", ""},
		"nobody's certificate":            {s.presenting(t, s.ca.Client(t, nil, "lotpaper:party:nobody-here")), call{method: "GET", path: "/v1/lots"}, "BAD_CERTIFICATE", ""},
		"the admin's certificate":         {s.presenting(t, s.ca.Client(t, nil, "lotpaper:party:admin")), call{method: "GET", path: "/v1/lots"}, "BAD_CERTIFICATE", ""},
		"no certificate":                  {s.client, call{method: "GET", path: "/v1/lots"}, "NO_TOKEN", ""},
		"a word that was made up":         {s.client, call{method: "GET", path: "/v1/lots", header: map[string]string{"Authorization": "Vouched eyJQYXJ0eSI6ImFkbWluIn0"}}, "BAD_TOKEN", ""},
		"a word that was made up, public": {s.client, call{method: "GET", path: "/v1/log", header: map[string]string{"Authorization": "Vouched eyJQYXJ0eSI6ImFkbWluIn0"}}, "BAD_TOKEN", ""},
		"a word as metadata":              {s.client, call{method: "GET", path: "/v1/lots", header: map[string]string{"Grpc-Metadata-Authorization": "Bearer " + s.tokens["admin"]}}, "NO_TOKEN", ""},
	} {
		t.Run(name, func(t *testing.T) {
			if r := s.send(t, c.client, c.call).refusal(t); r.reason != c.reason || r.field != c.field {
				t.Errorf("%+v, want %s %q", r, c.reason, c.field)
			}
		})
	}
	// Public routes are public, whatever certificate comes along.
	for _, client := range []*http.Client{machine, s.client, s.presenting(t, s.ca.Client(t, nil, "lotpaper:party:nobody-here"))} {
		s.send(t, client, call{method: "GET", path: "/v1/log"}).ok(t)
		s.send(t, client, call{method: "GET", path: "/log/checkpoint"}).ok(t)
		s.send(t, client, call{method: "GET", path: "/healthz"}).ok(t)
	}
	s.send(t, machine, call{method: "GET", path: "/v1/lots", as: "harrow-gully"}).ok(t)

	certtest.Write(t, s.crl, s.ca.Revoke(t, 2, nil, cert))
	if r := s.send(t, machine, call{method: "GET", path: "/v1/lots"}).refusal(t); r.reason != "BAD_CERTIFICATE" || !strings.Contains(r.message, "revoked") {
		t.Errorf("revoked, on a connection that stands: %+v", r)
	}
	if _, err := status.ListLots(t.Context(), &pb.ListLotsRequest{}); rpc.FaultOf(err) == nil || rpc.FaultOf(err).Reason != fault.BadCertificate {
		t.Errorf("revoked, over gRPC: %v", err)
	}
	for what, client := range map[string]*http.Client{
		"revoked": s.presenting(t, cert), "of another authority": s.presenting(t, certtest.New(t, "somebody else's", nil).Client(t, nil, "lotpaper:party:harrow-gully")),
	} {
		// A client leaves out what the server's hints exclude, so it is made to send it.
		client.Transport.(*http.Transport).TLSClientConfig.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
			return &client.Transport.(*http.Transport).TLSClientConfig.Certificates[0], nil
		}
		if res, err := client.Get("https://" + s.HTTPAddr() + "/healthz"); err == nil {
			res.Body.Close()
			t.Errorf("%s: the handshake was not refused", what)
		}
	}
}

// noParty is a node whose clients come with a certificate of a party that nobody enrolled.
func noParty(t *testing.T) (*node, []provocation) {
	s := startSecured(t, nil)
	s.enrol(t, "harrow-gully", "MINER")
	cert := s.ca.Client(t, nil, "lotpaper:party:nobody-here")
	s.client.CloseIdleConnections()
	s.client = s.presenting(t, cert)
	return s.node, []provocation{asked("a certificate of nobody", fault.BadCertificate, "", "/v1/lots", "", func(ctx context.Context, n *node) error {
		conn, err := grpc.NewClient(n.GRPCAddr(), grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{RootCAs: s.ca.Pool(), Certificates: []tls.Certificate{cert}})))
		if err != nil {
			return err
		}
		defer conn.Close()
		_, err = pb.NewStatusServiceClient(conn).ListLots(ctx, &pb.ListLotsRequest{})
		return err
	}, "nobody-here", "not enrolled", "accepted")}
}

// A browser's session on a real node: it works beside a certificate of the same party alone, and ends with the token that it was begun with.
func TestSessions(t *testing.T) {
	s := startSecured(t, nil)
	s.enrol(t, "harrow-gully", "MINER")
	s.enrol(t, "moor-shop", "RETAILER")
	begin := func(client *http.Client, party string) answer {
		return s.send(t, client, call{method: "POST", path: "/session", body: `{"token":"` + s.tokens[party] + `"}`, header: map[string]string{"Content-Type": "application/json"}})
	}
	machine := s.presenting(t, s.ca.Client(t, nil, "lotpaper:party:harrow-gully"))
	if r := begin(machine, "moor-shop").refusal(t); r.reason != "BAD_TOKEN" {
		t.Errorf("a session of another party than the certificate: %+v", r)
	}
	session := func(party string) map[string]string {
		a := begin(s.client, party).ok(t)
		c := (&http.Response{Header: a.header}).Cookies()[0]
		if !c.Secure || c.Name != "__Host-lotpaper-session" {
			t.Errorf("the cookie is %v", c)
		}
		return map[string]string{"Cookie": c.Name + "=" + c.Value, "X-CSRF-Token": a.text(t, "csrfToken")}
	}
	gully, shop := session("harrow-gully"), session("moor-shop")
	s.send(t, s.client, call{method: "POST", path: "/v1/lots/harrow-gully.r1/events", body: event(minedByMachine), header: gully}).ok(t)
	s.send(t, machine, call{method: "GET", path: "/v1/lots/harrow-gully.r1", header: gully}).ok(t)
	if r := s.send(t, machine, call{method: "GET", path: "/v1/lots", header: shop}).refusal(t); r.reason != "BAD_TOKEN" || !strings.Contains(r.message, "certificate of harrow-gully") {
		t.Errorf("another party's session beside a certificate: %+v", r)
	}
	if r := s.send(t, s.client, call{method: "POST", path: "/v1/parties/harrow-gully/tokens", body: `{}`, header: gully}).refusal(t); r.field != "expires" || !strings.Contains(r.message, "the session of the call ends at") {
		t.Errorf("a token that outlives the session: %+v", r)
	}
	// The first token of harrow-gully is revoked by another, and with it goes the session.
	first := sha256.Sum256([]byte(s.tokens["harrow-gully"]))
	s.send(t, s.client, call{method: "DELETE", path: "/v1/parties/harrow-gully/tokens/" + hex.EncodeToString(first[:8]), as: "admin"}).ok(t)
	if r := s.send(t, s.client, call{method: "GET", path: "/v1/lots", header: gully}).refusal(t); r.reason != "BAD_TOKEN" || !strings.Contains(r.message, "session") {
		t.Errorf("after its token was revoked: %+v", r)
	}
	s.send(t, s.client, call{method: "GET", path: "/v1/lots", header: shop}).ok(t)
}

// staffed is a node whose people log in by an issuer.
func staffed(t *testing.T, issuer *issuertest.Issuer) *secured {
	t.Helper()
	return startSecured(t, func(c *harness.Config) {
		secret := filepath.Join(t.TempDir(), "secret")
		certtest.Write(t, secret, []byte(issuertest.ClientSecret+"\n"))
		c.OIDCIssuer, c.OIDCClientID, c.OIDCClientSecretFile, c.OIDCPartyClaim = issuer.URL, issuertest.ClientID, secret, "works_for"
	})
}

// A person goes to the issuer and back, and then has a session of the party that the issuer names, if there is one.
func TestPeopleByIssuer(t *testing.T) {
	issuer := issuertest.New(t)
	s := staffed(t, issuer)
	logIn := func(change func(cookie *string, query url.Values)) answer {
		t.Helper()
		a := s.send(t, s.client, call{method: "GET", path: "/session/login"})
		if a.code != 303 {
			t.Fatalf("%d %s", a.code, a.raw)
		}
		c := (&http.Response{Header: a.header}).Cookies()[0]
		cookie, query := c.Name+"="+c.Value, issuer.LogIn(t, a.header.Get("Location"))
		if change != nil {
			change(&cookie, query)
		}
		return s.send(t, s.client, call{method: "GET", path: "/session/callback?" + query.Encode(), header: map[string]string{"Cookie": cookie}})
	}
	if r := logIn(nil).refusal(t); r.reason != "NOT_ALLOWED" || !strings.Contains(r.message, "harrow-gully, which is not enrolled") {
		t.Errorf("before the party is enrolled: %+v", r)
	}
	s.enrol(t, "harrow-gully", "MINER")
	a := logIn(nil).ok(t)
	var session map[string]string
	for _, c := range (&http.Response{Header: a.header}).Cookies() {
		if c.Name == "__Host-lotpaper-session" {
			session = map[string]string{"Cookie": c.Name + "=" + c.Value}
		}
	}
	told := s.send(t, s.client, call{method: "GET", path: "/session", header: session}).ok(t)
	if told.text(t, "party") != "harrow-gully" || len(told.list(t, "scopes")) != 2 {
		t.Errorf("%s", told.raw)
	}
	post := func() answer {
		return s.send(t, s.client, call{method: "POST", path: "/v1/lots/harrow-gully.r1/events", body: event(minedByMachine), header: session})
	}
	if r := post().refusal(t); r.field != "X-CSRF-Token" {
		t.Errorf("%+v", r)
	}
	session["X-CSRF-Token"] = told.text(t, "csrfToken")
	post().ok(t)
	if r := s.send(t, s.client, call{method: "POST", path: "/v1/parties", body: `{"party":"new-one","displayName":"New","roles":["MINER"]}`, header: session}).refusal(t); r.reason != "NOT_ALLOWED" || !strings.Contains(r.message, "found a session with the scopes READ, POST") {
		t.Errorf("what the admin may: %+v", r)
	}
	if a := s.send(t, s.client, call{method: "DELETE", path: "/session", header: session}); a.code != 204 {
		t.Errorf("%d %s", a.code, a.raw)
	}
	if r := s.send(t, s.client, call{method: "GET", path: "/v1/lots", header: session}).refusal(t); r.reason != "BAD_TOKEN" {
		t.Errorf("after it has ended: %+v", r)
	}
	for name, c := range map[string]struct {
		change func(cookie *string, query url.Values)
		token  func(header, claims map[string]any)
		reason string
	}{
		"state mismatch":   {func(_ *string, q url.Values) { q.Set("state", strings.Repeat("a", 43)) }, nil, "NOT_ALLOWED"},
		"another browser":  {func(c *string, _ url.Values) { *c = "" }, nil, "NOT_ALLOWED"},
		"wrong nonce":      {nil, func(_, claims map[string]any) { claims["nonce"] = "x" }, "BAD_TOKEN"},
		"wrong audience":   {nil, func(_, claims map[string]any) { claims["aud"] = "x" }, "BAD_TOKEN"},
		"other issuer":     {nil, func(_, claims map[string]any) { claims["iss"] = "https://elsewhere.example" }, "BAD_TOKEN"},
		"expired":          {nil, func(_, claims map[string]any) { claims["exp"] = 1 }, "BAD_TOKEN"},
		"alg none":         {nil, func(header, _ map[string]any) { header["alg"] = "none" }, "BAD_TOKEN"},
		"an unknown party": {nil, func(_, claims map[string]any) { claims["works_for"] = "nobody-here" }, "NOT_ALLOWED"},
		"the admin":        {nil, func(_, claims map[string]any) { claims["works_for"] = "admin" }, "NOT_ALLOWED"},
	} {
		t.Run(name, func(t *testing.T) {
			issuer.Change(c.token)
			a := logIn(c.change)
			if r := a.refusal(t); r.reason != c.reason || strings.Contains(strings.Join(a.header.Values("Set-Cookie"), "|"), "lotpaper-session") {
				t.Errorf("%+v, %v; want %s", r, a.header.Values("Set-Cookie"), c.reason)
			}
		})
	}
}

// noIssuer is a node whose issuer of logins does not answer.
func noIssuer(t *testing.T) (*node, []provocation) {
	issuer := issuertest.New(t)
	issuer.Down(true)
	s := staffed(t, issuer)
	return s.node, []provocation{{name: "the issuer is down", reason: fault.IssuerUnavailable, rest: &call{method: "GET", path: "/session/login"}, says: []string{"issuer", "tried again"}}}
}
