package rpc

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/emptypb"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/clientcert"
	"github.com/lotpaper/lotpaper/internal/clientcert/certtest"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// served is a server with all services, which do nothing, on a TLS listener, within the process and in the clear.
type served struct {
	*Server
	ca   *certtest.Authority
	addr string
	crl  string
	in   *bufconn.Listener
}

func serveAll(t *testing.T) *served {
	t.Helper()
	s := &served{ca: certtest.New(t, "the operator's own", nil), crl: t.TempDir() + "/crl.pem"}
	certtest.Write(t, s.crl, s.ca.Revoke(t, 1, nil))
	clients, err := clientcert.Open(clientcert.Options{CA: certtest.File(t, s.ca), CRL: s.crl})
	if err != nil {
		t.Fatal(err)
	}
	cfg := &tls.Config{Certificates: []tls.Certificate{s.ca.Server(t)}}
	clients.Ask(cfg)
	dir := &directory{tokens: map[string]entry{
		"both":    {"harrow-gully", account.Token{}},
		"read":    {"harrow-gully", account.Token{Scopes: []opal.Scope{opal.ScopeRead}}},
		"post":    {"harrow-gully", account.Token{Scopes: []opal.Scope{opal.ScopePost}}},
		"all":     {"harrow-gully", account.Token{Scopes: opal.AllScopes()}},
		"admin":   {opal.Admin, account.Token{Scopes: []opal.Scope{opal.ScopeAdmin}}},
		"other":   {"moor-shop", account.Token{}},
		"old":     {"harrow-gully", account.Token{Expires: 1}},
		"revoked": {"harrow-gully", account.Token{RevokedAt: new(uint64)}},
	}}
	serve := func(l net.Listener, server *Server) {
		pb.RegisterIntakeServiceServer(server, pb.UnimplementedIntakeServiceServer{})
		pb.RegisterStatusServiceServer(server, pb.UnimplementedStatusServiceServer{})
		pb.RegisterLaboratoryServiceServer(server, pb.UnimplementedLaboratoryServiceServer{})
		pb.RegisterAttachmentServiceServer(server, pb.UnimplementedAttachmentServiceServer{})
		pb.RegisterPrivacyServiceServer(server, pb.UnimplementedPrivacyServiceServer{})
		pb.RegisterTransparencyServiceServer(server, pb.UnimplementedTransparencyServiceServer{})
		ended := make(chan error, 1)
		go func() { ended <- server.Serve(l) }()
		t.Cleanup(func() {
			ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
			defer cancel()
			server.Stop(ctx)
			if err := <-ended; err != nil {
				t.Error(err)
			}
		})
	}
	make := func(options ...grpc.ServerOption) *Server {
		server, err := NewServer(Config{Directory: dir, Certificates: clients, Options: options, EventsPerSecond: 1e9, LookupsPerSecond: 1e9, LookupBurst: 1e9})
		if err != nil {
			t.Fatal(err)
		}
		return server
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.addr, s.in = l.Addr().String(), bufconn.Listen(1<<20)
	outer := make(grpc.Creds(credentials.NewTLS(cfg)))
	s.Server = make()
	// The harshest case: outside and inside share the key, so that only the listener tells them apart.
	outer.edge.auth.vouching = s.edge.auth.vouching
	serve(l, outer)
	serve(s.in, s.Server)
	return s
}

// connect connects over TLS, with a certificate or without.
func (s *served) connect(t *testing.T, client ...tls.Certificate) *grpc.ClientConn {
	t.Helper()
	cfg := &tls.Config{RootCAs: s.ca.Pool(), Certificates: client}
	return dial(t, s.addr, grpc.WithTransportCredentials(credentials.NewTLS(cfg)))
}

// within connects as the gateway does.
func (s *served) within(t *testing.T) *grpc.ClientConn {
	t.Helper()
	return dial(t, "passthrough:///node", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return s.in.DialContext(ctx) }))
}

func dial(t *testing.T, to string, options ...grpc.DialOption) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(to, options...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// try calls any method with an empty message and gives the reason for which the edge refused it; "": it got to the service.
func try(t *testing.T, conn *grpc.ClientConn, method string, header ...string) fault.Reason {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	for _, h := range header {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", h)
	}
	// A stream may carry a call of one message each way as well.
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, method)
	if err == nil {
		_ = stream.SendMsg(&emptypb.Empty{}) // what went wrong is told by RecvMsg
		_ = stream.CloseSend()
		err = stream.RecvMsg(&emptypb.Empty{})
	}
	if err == nil || err == io.EOF {
		return ""
	}
	f := FaultOf(err)
	if f == nil {
		if code := status.Code(err); code != codes.Unimplemented && code != codes.InvalidArgument { // the service's own words
			t.Fatalf("%s: %v", method, err)
		}
		return ""
	}
	return f.Reason
}

// Who may call what: every kind of caller with every method. What is not written here is refused.
func TestWhoMayCallWhat(t *testing.T) {
	s := serveAll(t)
	ours := s.ca.Client(t, nil, "lotpaper:party:harrow-gully")
	bare, within := s.connect(t), s.within(t)
	with, nobodys := s.connect(t, ours), s.connect(t, s.ca.Client(t, nil, "lotpaper:party:nobody-here"))
	unnamed, admins := s.connect(t, s.ca.Client(t, nil)), s.connect(t, s.ca.Client(t, nil, "lotpaper:party:admin"))
	onHold := s.ca.Client(t, nil, "lotpaper:party:harrow-gully")
	revoked := s.connect(t, onHold)
	if got := try(t, revoked, pb.StatusService_GetLot_FullMethodName); got != "" {
		t.Fatalf("before it is revoked: %s", got)
	}
	certtest.Write(t, s.crl, s.ca.Revoke(t, 2, nil, onHold)) // the connection stands
	word := s.edge.auth.Vouch(Caller{Party: "harrow-gully", Scopes: ReadAndPost(), Means: ByCertificate})
	readsOnly := s.edge.auth.Vouch(Caller{Party: "harrow-gully", Scopes: []opal.Scope{opal.ScopeRead}})
	forged := NewAuthenticator(s.edge.auth.directory, nil, time.Now).Vouch(Caller{Party: opal.Admin, Scopes: opal.AllScopes()})
	changed := []byte(word)
	changed[len(changed)-1] ^= 1

	const (
		read  = 1 << Read
		post  = 1 << Post
		admin = 1 << Admin
	)
	for name, c := range map[string]struct {
		conn   *grpc.ClientConn
		header []string
		may    int          // beside what is public
		reason fault.Reason // of the refusal; "": NOT_ALLOWED
		public fault.Reason // of the refusal of public methods; "": they are open
	}{
		"nobody":                            {bare, nil, 0, fault.NoToken, ""},
		"an empty header":                   {bare, []string{""}, 0, fault.NoToken, fault.NoToken},
		"an unknown token":                  {bare, []string{"Bearer nobody"}, 0, fault.BadToken, fault.BadToken},
		"a token that has expired":          {bare, []string{"Bearer old"}, 0, fault.BadToken, fault.BadToken},
		"a token that was revoked":          {bare, []string{"Bearer revoked"}, 0, fault.BadToken, fault.BadToken},
		"two tokens":                        {bare, []string{"Bearer both", "Bearer both"}, 0, fault.BadToken, fault.BadToken},
		"a token to read":                   {bare, []string{"Bearer read"}, read, "", ""},
		"a token to post":                   {bare, []string{"Bearer post"}, post, "", ""},
		"a token":                           {bare, []string{"Bearer both"}, read | post, "", ""},
		"the admin":                         {bare, []string{"Bearer admin"}, read | post | admin, "", ""},
		"a certificate":                     {with, nil, read | post, "", ""},
		"a certificate, token to read":      {with, []string{"Bearer read"}, read, "", ""},
		"a certificate, token to post":      {with, []string{"Bearer post"}, post, "", ""},
		"a certificate, token for all":      {with, []string{"Bearer all"}, read | post | admin, "", ""},
		"a certificate, another's token":    {with, []string{"Bearer other"}, 0, fault.BadToken, fault.BadToken},
		"a certificate, the admin's token":  {with, []string{"Bearer admin"}, 0, fault.BadToken, fault.BadToken},
		"a certificate, an unknown token":   {with, []string{"Bearer nobody"}, 0, fault.BadToken, fault.BadToken},
		"a certificate, an empty header":    {with, []string{""}, 0, fault.NoToken, fault.NoToken},
		"nobody's certificate":              {nobodys, nil, 0, fault.BadCertificate, ""},
		"nobody's certificate and a token":  {nobodys, []string{"Bearer both"}, 0, fault.BadCertificate, fault.BadCertificate},
		"a certificate without a name":      {unnamed, nil, 0, fault.BadCertificate, ""},
		"the admin's certificate":           {admins, nil, 0, fault.BadCertificate, ""},
		"a revoked certificate":             {revoked, nil, 0, fault.BadCertificate, ""},
		"a revoked certificate and a token": {revoked, []string{"Bearer both"}, 0, fault.BadCertificate, fault.BadCertificate},
		"the gateway's word":                {within, []string{word}, read | post, "", ""},
		"the gateway's word, to read":       {within, []string{readsOnly}, read, "", ""},
		"the gateway's word, from outside":  {bare, []string{word}, 0, fault.BadToken, fault.BadToken},
		"the same with a certificate":       {with, []string{word}, 0, fault.BadToken, fault.BadToken},
		"a word of another process":         {within, []string{forged}, 0, fault.BadToken, fault.BadToken},
		"a word that was changed":           {within, []string{string(changed)}, 0, fault.BadToken, fault.BadToken},
		"half a word":                       {within, []string{word[:20]}, 0, fault.BadToken, fault.BadToken},
		"the word alone":                    {within, []string{"Vouched "}, 0, fault.BadToken, fault.BadToken},
		"the word twice":                    {within, []string{word, word}, 0, fault.BadToken, fault.BadToken},
		"nobody within":                     {within, nil, 0, fault.NoToken, ""},
	} {
		t.Run(name, func(t *testing.T) {
			for method, access := range Methods() {
				want := c.reason
				switch {
				case access == Public:
					want = c.public
				case c.may&(1<<access) != 0:
					want = ""
				case want == "":
					want = fault.NotAllowed
				}
				if got := try(t, c.conn, method, c.header...); got != want {
					t.Errorf("%s: %q, want %q", method, got, want)
				}
			}
		})
	}
}

// Who calls by a certificate is known to the service, with the end of the certificate.
func TestCallerByCertificate(t *testing.T) {
	s := serveAll(t)
	auth := s.edge.auth
	client := s.ca.Client(t, nil, "lotpaper:party:harrow-gully")
	state := &tls.ConnectionState{PeerCertificates: []*x509.Certificate{client.Leaf}, VerifiedChains: [][]*x509.Certificate{{client.Leaf, s.ca.Cert}}}
	who, err := auth.Caller(Credentials{TLS: state})
	if err != nil || who.Party != "harrow-gully" || who.Means != ByCertificate || who.Expires != opal.InstantOf(client.Leaf.NotAfter) || who.Has(opal.ScopeAdmin) {
		t.Errorf("%+v, %v", who, err)
	}
	back, ok := auth.vouched(auth.Vouch(who))
	if !ok || back.Party != who.Party || back.Expires != who.Expires || back.Means != who.Means || !slices.Equal(back.Scopes, who.Scopes) {
		t.Errorf("the word for %+v is read as %+v", who, back)
	}
	s.edge.auth.directory.(*directory).err = io.ErrClosedPipe
	if _, err := auth.Caller(Credentials{TLS: state}); err == nil || fault.Of(err) != fault.InternalError || !strings.Contains(err.Error(), "harrow-gully") {
		t.Errorf("with a directory that fails: %v", err)
	}
	// Without authorities nobody's certificate counts, whatever the connection says.
	if _, err := NewAuthenticator(auth.directory, nil, time.Now).Caller(Credentials{TLS: state}); fault.Of(err) != fault.NoToken {
		t.Errorf("without authorities: %v", err)
	}
}
