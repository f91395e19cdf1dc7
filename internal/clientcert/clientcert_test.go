package clientcert_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"encoding/pem"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/clientcert"
	"github.com/lotpaper/lotpaper/internal/clientcert/certtest"
	"github.com/lotpaper/lotpaper/internal/fault"
)

const ours = "lotpaper:party:harrow-gully"

// handshake connects with a certificate and gives the server's view of the connection, or why it refused.
func handshake(t *testing.T, a *clientcert.Authority, server *certtest.Authority, own tls.Certificate, client ...tls.Certificate) (tls.ConnectionState, error) {
	t.Helper()
	cfg := &tls.Config{Certificates: []tls.Certificate{own}}
	a.Ask(cfg)
	near, far := net.Pipe()
	defer near.Close()
	defer far.Close()
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		c := tls.Client(far, &tls.Config{
			RootCAs: server.Pool(), ServerName: "127.0.0.1",
			// In place of Certificates, which leaves out what the server's hints exclude.
			GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
				if len(client) == 0 {
					return &tls.Certificate{}, nil
				}
				return &client[0], nil
			},
		})
		if c.Handshake() == nil {
			c.Read(make([]byte, 1)) // the refusal, if there is one
		}
	}()
	s := tls.Server(near, cfg)
	err := s.Handshake()
	state := s.ConnectionState()
	near.Close()
	<-ended
	return state, err
}

// world is an authority of ours with a node's certificate.
type world struct {
	ca  *certtest.Authority
	own tls.Certificate
	dir string
	now time.Time
	log bytes.Buffer
}

func newWorld(t *testing.T) *world {
	ca := certtest.New(t, "the operator's own", nil)
	return &world{ca: ca, own: ca.Server(t), dir: t.TempDir(), now: time.Now()}
}

func (w *world) open(t *testing.T, ca, crl string) *clientcert.Authority {
	t.Helper()
	a, err := clientcert.Open(clientcert.Options{CA: ca, CRL: crl, Now: func() time.Time { return w.now }, Log: slog.New(slog.NewTextHandler(&w.log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestHandshake(t *testing.T) {
	w := newWorld(t)
	a := w.open(t, certtest.File(t, w.ca), "")
	stranger := certtest.New(t, "somebody else's", nil)
	twin := certtest.New(t, "the operator's own", nil) // the same name and another key
	usage := func(u ...x509.ExtKeyUsage) func(*x509.Certificate) {
		return func(c *x509.Certificate) { c.ExtKeyUsage = u }
	}
	middle := certtest.New(t, "in between", w.ca)
	below := middle.Client(t, nil, ours)
	below.Certificate = append(below.Certificate, middle.Cert.Raw)
	for name, c := range map[string]struct {
		client tls.Certificate
		taken  bool
	}{
		"for clients":                     {w.ca.Client(t, nil, ours), true},
		"for clients and servers":         {w.ca.Client(t, usage(x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth), ours), true},
		"signed by one that ours signed":  {below, true},
		"of another authority":            {stranger.Client(t, nil, ours), false},
		"of another one of the same name": {twin.Client(t, nil, ours), false},
		"for servers":                     {w.ca.Client(t, usage(x509.ExtKeyUsageServerAuth), ours), false},
		"for nothing in particular":       {w.ca.Client(t, usage(), ours), false},
		"for anything":                    {w.ca.Client(t, usage(x509.ExtKeyUsageAny), ours), false},
		"that has expired":                {w.ca.Client(t, func(c *x509.Certificate) { c.NotAfter = time.Now().Add(-time.Minute) }, ours), false},
		"that is not valid yet":           {w.ca.Client(t, func(c *x509.Certificate) { c.NotBefore = time.Now().Add(time.Minute) }, ours), false},
		"an authority's":                  {w.ca.Client(t, func(c *x509.Certificate) { c.IsCA, c.BasicConstraintsValid = true, true }, ours), false},
		"signed by a client":              {signedByClient(t, w.ca), false},
		"with the certificate of a stolen name, and without its key": {tls.Certificate{Certificate: w.ca.Client(t, nil, ours).Certificate, PrivateKey: stranger.Client(t, nil).PrivateKey}, false},
	} {
		t.Run(name, func(t *testing.T) {
			state, err := handshake(t, a, w.ca, w.own, c.client)
			if (err == nil) != c.taken {
				t.Fatalf("the handshake ended with %v", err)
			}
			if !c.taken {
				return
			}
			party, until, err := a.Holder(&state)
			if err != nil || party != "harrow-gully" || !until.Equal(c.client.Leaf.NotAfter) {
				t.Errorf("%q until %v, %v; want harrow-gully until %v", party, until, err, c.client.Leaf.NotAfter)
			}
		})
	}
	if state, err := handshake(t, a, w.ca, w.own); err != nil || len(state.PeerCertificates) != 0 {
		t.Errorf("a client without a certificate: %v", err)
	}
	if _, _, err := a.Holder(&tls.ConnectionState{PeerCertificates: []*x509.Certificate{w.ca.Client(t, nil, ours).Leaf}}); fault.Of(err) != fault.BadCertificate {
		t.Errorf("a certificate that nobody verified: %v", err)
	}
}

// signedByClient is signed by a client that plays the authority.
func signedByClient(t *testing.T, ca *certtest.Authority) tls.Certificate {
	t.Helper()
	player := certtest.New(t, "a client", nil)
	c := player.Client(t, nil, ours)
	c.Certificate = append(c.Certificate, ca.Client(t, nil, ours).Certificate[0])
	return c
}

func TestNamesOfParties(t *testing.T) {
	w := newWorld(t)
	a := w.open(t, certtest.File(t, w.ca), "")
	for name, c := range map[string]struct {
		uris []string
		says string // "": it names harrow-gully
	}{
		"one":                       {[]string{ours}, ""},
		"one beside another scheme": {[]string{"spiffe://gully.example/importer", ours}, ""},
		"none":                      {nil, "found a certificate with 0 URIs"},
		"of another scheme":         {[]string{"spiffe://gully.example/harrow-gully"}, "found a certificate with 0 URIs"},
		"two":                       {[]string{ours, "lotpaper:party:moor-shop"}, "with 2 URIs"},
		"the same twice":            {[]string{ours, ours}, "with 2 URIs"},
		"one and one of no party":   {[]string{ours, "lotpaper:node:one"}, "with 2 URIs"},
		"of no party":               {[]string{"lotpaper:node:harrow-gully"}, `"lotpaper:node:harrow-gully", accepted`},
		"with slashes":              {[]string{"lotpaper://party:1/harrow-gully"}, "accepted is exactly one"},
		"with a query":              {[]string{ours + "?scope=ADMIN"}, "accepted is exactly one"},
		"with a fragment":           {[]string{ours + "#x"}, "accepted is exactly one"},
		"in capitals":               {[]string{"lotpaper:party:Harrow-Gully"}, "party id"},
		"escaped":                   {[]string{"lotpaper:party:harrow%2Dgully"}, "party id"},
		"nobody":                    {[]string{"lotpaper:party:"}, "party id"},
		"the admin":                 {[]string{"lotpaper:party:admin"}, "reserved word"},
		"the world outside":         {[]string{"lotpaper:party:outside"}, "reserved word"},
		"a very long one":           {[]string{"lotpaper:" + strings.Repeat("x", 500)}, "…"},
	} {
		t.Run(name, func(t *testing.T) {
			state, err := handshake(t, a, w.ca, w.own, w.ca.Client(t, nil, c.uris...))
			if err != nil {
				t.Fatal(err)
			}
			party, _, err := a.Holder(&state)
			if c.says == "" {
				if err != nil || party != "harrow-gully" {
					t.Fatalf("%q, %v", party, err)
				}
				return
			}
			if fault.Of(err) != fault.BadCertificate || party != "" || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "accepted is") || len(err.Error()) > 400 {
				t.Errorf("%q, %v; want BAD_CERTIFICATE with %q", party, err, c.says)
			}
		})
	}
	// One whose scheme is in capitals, which net/url would write small.
	state, err := handshake(t, a, w.ca, w.own, w.ca.Client(t, func(c *x509.Certificate) { c.URIs = []*url.URL{{Scheme: "LOTPAPER", Opaque: "party:harrow-gully"}} }))
	if err != nil {
		t.Fatal(err)
	}
	if party, _, err := a.Holder(&state); err != nil || party != "harrow-gully" {
		t.Errorf("a scheme in capitals is the same scheme (RFC 3986, section 3.1): %q, %v", party, err)
	}
}

// What ends while a connection stands ends for its next call.
func TestConnectionsOutliveNothing(t *testing.T) {
	w := newWorld(t)
	crl := filepath.Join(w.dir, "crl.pem")
	certtest.Write(t, crl, w.ca.Revoke(t, 1, nil))
	a := w.open(t, certtest.File(t, w.ca), crl)
	client := w.ca.Client(t, nil, ours)
	state, err := handshake(t, a, w.ca, w.own, client)
	if err != nil {
		t.Fatal(err)
	}
	holds := func(says string) {
		t.Helper()
		_, _, err := a.Holder(&state)
		if says == "" && err != nil || says != "" && (fault.Of(err) != fault.BadCertificate || !strings.Contains(err.Error(), says)) {
			t.Errorf("%v, want %q", err, says)
		}
	}
	holds("")
	certtest.Write(t, crl, w.ca.Revoke(t, 2, nil, w.ca.Client(t, nil, ours)))
	holds("") // another one was revoked
	certtest.Write(t, crl, w.ca.Revoke(t, 3, nil, client))
	holds("revoked")
	if _, err := handshake(t, a, w.ca, w.own, client); err == nil {
		t.Error("a revoked certificate is taken in the handshake")
	}
	certtest.Write(t, crl, w.ca.Revoke(t, 2, nil)) // the older list again
	holds("revoked")
	if !strings.Contains(w.log.String(), "number 3") {
		t.Errorf("the log says nothing of the older list: %s", &w.log)
	}
	certtest.Write(t, crl, certtest.New(t, "the operator's own", nil).Revoke(t, 4, nil)) // a forged one
	holds("revoked")
	certtest.Write(t, crl, []byte("half of a li"))
	holds("revoked")
	if err := os.Remove(crl); err != nil {
		t.Fatal(err)
	}
	holds("revoked")
	holds("revoked")
	if n := strings.Count(w.log.String(), "is gone"); n != 1 {
		t.Errorf("the log says %d times that the file is gone", n)
	}
	certtest.Write(t, crl, w.ca.Revoke(t, 5, nil))
	holds("") // it was on hold
	w.now = w.now.Add(59 * time.Minute)
	holds("")
	w.now = w.now.Add(2 * time.Minute)
	holds("valid from")
}

// A list that has not been renewed says nothing any more, and then no certificate counts.
func TestListsExpire(t *testing.T) {
	w := newWorld(t)
	crl := filepath.Join(w.dir, "crl.der")
	block, _ := pem.Decode(w.ca.Revoke(t, 1, func(l *x509.RevocationList) { l.NextUpdate = time.Now().Add(time.Minute) }))
	certtest.Write(t, crl, block.Bytes) // DER is taken as well
	a := w.open(t, certtest.File(t, w.ca), crl)
	state, err := handshake(t, a, w.ca, w.own, w.ca.Client(t, nil, ours))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := a.Holder(&state); err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(2 * time.Minute)
	if _, _, err := a.Holder(&state); fault.Of(err) != fault.BadCertificate || !strings.Contains(err.Error(), "was good until") {
		t.Errorf("with a list that has expired: %v", err)
	}
	certtest.Write(t, crl, w.ca.Revoke(t, 2, nil))
	if _, _, err := a.Holder(&state); err != nil {
		t.Errorf("with the next list: %v", err)
	}
}

// An authority in between needs a list of its own: whoever can have it sign could not be stopped otherwise.
func TestListsOfAuthoritiesBetween(t *testing.T) {
	w := newWorld(t)
	middle := certtest.New(t, "in between", w.ca)
	client := middle.Client(t, nil, ours)
	client.Certificate = append(client.Certificate, middle.Cert.Raw)
	crl := filepath.Join(w.dir, "crl.pem")
	certtest.Write(t, crl, w.ca.Revoke(t, 1, nil))
	if _, err := handshake(t, w.open(t, certtest.File(t, w.ca), crl), w.ca, w.own, client); err == nil || !strings.Contains(err.Error(), "no list") {
		t.Errorf("without a list of the one between: %v", err)
	}
	certtest.Write(t, crl, append(w.ca.Revoke(t, 1, nil), middle.Revoke(t, 1, nil)...))
	if _, err := handshake(t, w.open(t, certtest.File(t, w.ca, middle), crl), w.ca, w.own, client); err != nil {
		t.Errorf("with lists of both: %v", err)
	}
	between := tls.Certificate{Leaf: middle.Cert}
	certtest.Write(t, crl, append(w.ca.Revoke(t, 1, nil, between), middle.Revoke(t, 1, nil)...))
	if _, err := handshake(t, w.open(t, certtest.File(t, w.ca, middle), crl), w.ca, w.own, client); err == nil || !strings.Contains(err.Error(), "revoked") {
		t.Errorf("with the one between revoked: %v", err)
	}
}

func TestFilesThatAreRefused(t *testing.T) {
	w := newWorld(t)
	good, other := certtest.File(t, w.ca), certtest.New(t, "another", nil)
	cert, key := certtest.Files(t, w.ca.Client(t, nil, ours))
	critical := func(l *x509.RevocationList) {
		l.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 28}, Critical: true, Value: []byte{0x30, 0}}}
	}
	list := func(data ...[]byte) string {
		name := filepath.Join(t.TempDir(), "crl")
		certtest.Write(t, name, bytes.Join(data, nil))
		return name
	}
	for name, c := range map[string]struct{ ca, crl, says string }{
		"no file":                   {filepath.Join(w.dir, "none.pem"), "", "none.pem"},
		"an empty file":             {list(), "", "found no certificate"},
		"a key":                     {key, "", `found a block "PRIVATE KEY"`},
		"a client's certificate":    {cert, "", "may sign no others"},
		"no file of lists":          {good, filepath.Join(w.dir, "none.crl"), "none.crl"},
		"no list":                   {good, list([]byte("words")), "no list of revoked certificates"},
		"certificates for lists":    {good, good, `found a block "CERTIFICATE"`},
		"a list of another":         {good, list(other.Revoke(t, 1, nil)), "none of the client authorities signed"},
		"a list of changes only":    {good, list(w.ca.Revoke(t, 1, critical)), "critical extension 2.5.29.28"},
		"two lists of one":          {good, list(w.ca.Revoke(t, 1, nil), w.ca.Revoke(t, 2, nil)), "two lists"},
		"no list of one of two":     {certtest.File(t, w.ca, other), list(w.ca.Revoke(t, 1, nil)), `found no list of "CN=another"`},
		"a list that has expired":   {good, list(w.ca.Revoke(t, 1, func(l *x509.RevocationList) { l.NextUpdate = time.Now().Add(-time.Minute) })), "was good until"},
		"more than anybody revokes": {good, list(make([]byte, 16<<20+1)), "at most"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := clientcert.Open(clientcert.Options{CA: c.ca, CRL: c.crl})
			if err == nil || !strings.Contains(err.Error(), c.says) || !strings.HasPrefix(err.Error(), "client C") {
				t.Errorf("%v, want %q", err, c.says)
			}
		})
	}
}

// A connection that is resumed skips the look at the certificate, and ours all the same.
func TestResumedConnections(t *testing.T) {
	w := newWorld(t)
	crl := filepath.Join(w.dir, "crl.pem")
	certtest.Write(t, crl, w.ca.Revoke(t, 1, nil))
	a := w.open(t, certtest.File(t, w.ca), crl)
	server := &tls.Config{Certificates: []tls.Certificate{w.own}}
	a.Ask(server)
	l, err := tls.Listen("tcp", "127.0.0.1:0", server)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	cert := w.ca.Client(t, nil, ours)
	client := &tls.Config{RootCAs: w.ca.Pool(), Certificates: []tls.Certificate{cert}, ClientSessionCache: tls.NewLRUClientSessionCache(1)}
	connect := func() (resumed bool, party string, err error) {
		t.Helper()
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			if c, err := tls.Dial("tcp", l.Addr().String(), client); err == nil {
				c.Read(make([]byte, 1)) // takes the ticket in, too
				c.Close()
			}
		}()
		defer func() { <-ended }()
		c, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		s := c.(*tls.Conn)
		if err := s.Handshake(); err != nil {
			return false, "", err
		}
		state := s.ConnectionState()
		if party, _, err = a.Holder(&state); err == nil {
			_, err = s.Write([]byte("x"))
		}
		return state.DidResume, party, err
	}
	for _, again := range []bool{false, true} {
		if resumed, party, err := connect(); err != nil || resumed != again || party != "harrow-gully" {
			t.Fatalf("resumed %v, %q, %v", resumed, party, err)
		}
	}
	certtest.Write(t, crl, w.ca.Revoke(t, 2, nil, cert))
	if _, party, err := connect(); err == nil || !strings.Contains(err.Error(), "revoked") {
		t.Errorf("resumed after it was revoked: %q, %v", party, err)
	}
}
