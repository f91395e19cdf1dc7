// Package harness puts a whole node together in one process: bus, log, ledger, projection, intake, gRPC and REST, in the order in
// which they need each other, and takes it apart in the reverse one. `serve`, `demo` and the tests about the whole system start the
// same node.
//
// It promises that Start either gives a node that answers or leaves nothing running, and that Stop returns only when every goroutine
// of the node has ended and everything acknowledged is on disk. It holds wiring and no rule of the trade.
package harness

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"github.com/lotpaper/lotpaper/internal/assay"
	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/clientcert"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/session"
	"github.com/lotpaper/lotpaper/internal/spectrum"
	"github.com/lotpaper/lotpaper/internal/staff"
	"github.com/lotpaper/lotpaper/services/attachments"
	"github.com/lotpaper/lotpaper/services/gateway"
	"github.com/lotpaper/lotpaper/services/intake"
	"github.com/lotpaper/lotpaper/services/laboratory"
	"github.com/lotpaper/lotpaper/services/ledger"
	"github.com/lotpaper/lotpaper/services/pages"
	"github.com/lotpaper/lotpaper/services/privacy"
	"github.com/lotpaper/lotpaper/services/status"
	"github.com/lotpaper/lotpaper/services/transparency"
)

// Config is everything that can be set on a node. The zero value, with DataDir, is a node on its own with the embedded journal.
type Config struct {
	// DataDir is where keys, journal, log and projection lie. It is made if it does not exist.
	DataDir string
	// LogName names a new log, and must be that of an existing one; empty: "lotpaper".
	LogName string
	// ZoneMinutes is the offset east of UTC in which a bare date is a day. Used for a new log only: it is part of the policy.
	ZoneMinutes int64
	// AdminToken is the admin's token; empty: a new log gets one, which is written to AdminTokenFile.
	AdminToken string

	// NATSURL is an external NATS server or cluster; empty: the embedded one. NATSCredentials is a file of NATS credentials.
	NATSURL, NATSCredentials string
	// Replicas of the journal on an external NATS: 1, 3 or 5; 0: 3.
	Replicas int

	// Listen is the HTTP address, GRPCListen the gRPC one; empty: none. "127.0.0.1:0" takes a free port.
	Listen, GRPCListen string
	// TLSCert and TLSKey are PEM files. A listener on an address that is not the loopback needs them, or BehindTLSProxy.
	TLSCert, TLSKey string
	// ClientCA is a PEM file of the authorities whose certificates clients may present in place of a token, ClientCRL a file of those that
	// they revoked; empty: none.
	ClientCA, ClientCRL string
	// OIDCIssuer is an OpenID Connect issuer that logs people in, who then work for the party in the claim OIDCPartyClaim; empty: none.
	// OIDCClientID and the secret in the file OIDCClientSecretFile are what it knows this node by; a public client has no secret.
	OIDCIssuer, OIDCClientID, OIDCClientSecretFile, OIDCPartyClaim string
	// BehindTLSProxy says that whoever reaches this node from other machines does so through something that ends TLS.
	BehindTLSProxy bool
	// PublicAddress is where people reach the pages, such as https://stones.example. It stands in the links on labels; "": the host that a request names.
	PublicAddress string

	// Reserve is the free space in bytes below which appends and uploads are refused; 0: 256 MiB.
	Reserve uint64
	// EventsPerSecond and Burst bound what one party may post; 0: the defaults of internal/rpc.
	EventsPerSecond float64
	Burst           int
	// AuditShare is the part of one core that the background audit may take; 0: 0.05, negative: none.
	AuditShare float64
	Logger     *slog.Logger
}

// AdminTokenFile is the file, under the data folder, that holds a generated admin token.
const AdminTokenFile = "admin-token"

var logName = regexp.MustCompile(`^[a-z][a-z0-9-]{0,31}$`)

// check answers everything that is wrong with a configuration at once.
func (c *Config) check() error {
	if c.LogName == "" {
		c.LogName = "lotpaper"
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	var wrong []error
	if c.DataDir == "" {
		wrong = append(wrong, errors.New("data: found nothing, accepted is a folder"))
	}
	if !logName.MatchString(c.LogName) {
		wrong = append(wrong, fmt.Errorf("log name: found %q, accepted is a small letter, then up to 31 small letters, digits or hyphens", c.LogName))
	}
	if c.ZoneMinutes < -840 || c.ZoneMinutes > 840 {
		wrong = append(wrong, fmt.Errorf("zone: found %d minutes, accepted are -840 to 840", c.ZoneMinutes))
	}
	if (c.TLSCert == "") != (c.TLSKey == "") {
		wrong = append(wrong, errors.New("TLS: found one of certificate and key, accepted are both or neither"))
	}
	if c.ClientCA != "" && c.TLSCert == "" {
		wrong = append(wrong, errors.New("client CA: found one without TLS, accepted is one together with a certificate and its key of this node: a proxy that ends TLS keeps the clients' certificates"))
	}
	if c.ClientCRL != "" && c.ClientCA == "" {
		wrong = append(wrong, errors.New("client CRL: found one without a client CA, accepted is one of a client CA that is given"))
	}
	if c.OIDCIssuer+c.OIDCClientID+c.OIDCClientSecretFile+c.OIDCPartyClaim != "" {
		if err := c.staff().Check(); err != nil {
			wrong = append(wrong, err)
		}
		if c.Listen == "" {
			wrong = append(wrong, errors.New("OIDC issuer: found one without an HTTP address, accepted is one where people log in over HTTP"))
		}
	}
	if c.NATSURL == "" && c.Replicas > 1 {
		wrong = append(wrong, fmt.Errorf("replicas: found %d, accepted is 1 without an external NATS", c.Replicas))
	}
	if c.TLSCert == "" && !c.BehindTLSProxy {
		for name, addr := range map[string]string{"listen": c.Listen, "gRPC listen": c.GRPCListen} {
			if addr != "" && !loopback(addr) {
				wrong = append(wrong, fmt.Errorf("%s: found %q without TLS, accepted is a loopback address, a certificate with its key, or the word that a proxy ends TLS: tokens must not cross a network in the clear", name, addr))
			}
		}
	}
	if u, err := url.Parse(c.PublicAddress); c.PublicAddress != "" && (err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil) {
		wrong = append(wrong, fmt.Errorf("public address: found %q, accepted is https or http with a host and nothing behind it, such as https://stones.example", c.PublicAddress))
	}
	return errors.Join(wrong...)
}

// staff is what logs people in, but for the secret.
func (c *Config) staff() staff.Config {
	return staff.Config{Issuer: c.OIDCIssuer, ClientID: c.OIDCClientID, PartyClaim: c.OIDCPartyClaim, Log: c.Logger}
}

// loopback tells whether only this machine can reach an address.
func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// Node is a running node.
type Node struct {
	cfg        Config
	adminToken string

	// Log, Status, Intake and Bus are the node's parts, for those who run in the same process.
	Log    *eventlog.Log
	Status *status.Service
	Intake *intake.Service
	Bus    *bus.Bus
	Keys   *envelope.Keys
	Ledger *ledger.Ledger
	// Attachments are the files on this node.
	Attachments *attachment.Store

	http       *http.Server
	httpLn     net.Listener
	grpcLn     net.Listener
	inProcess  *bufconn.Listener
	clientConn *grpc.ClientConn

	serving sync.WaitGroup
	// closers undo what Start did, last first.
	closers []func(context.Context) error
	once    sync.Once
	stopErr error
}

// Start brings a node up. When it returns, the log is compared with its journal and the node takes requests; the projection may still
// be catching up, which /healthz tells.
func Start(ctx context.Context, cfg Config) (_ *Node, err error) {
	if err := cfg.check(); err != nil {
		return nil, fmt.Errorf("configuration: %w", err)
	}
	n := &Node{cfg: cfg}
	defer func() {
		if err != nil {
			err = errors.Join(err, n.Stop(context.WithoutCancel(ctx)))
		}
	}()
	if err := os.MkdirAll(cfg.DataDir, 0o700); err != nil {
		return nil, fmt.Errorf("make the data folder: %w", err)
	}
	if n.Keys, err = envelope.LoadOrCreateKeys(cfg.DataDir, rand.Reader); err != nil {
		return nil, fmt.Errorf("load keys: %w", err)
	}
	if err := n.openLog(ctx); err != nil {
		return nil, err
	}
	if err := n.openServices(); err != nil {
		return nil, err
	}
	if err := n.listen(ctx); err != nil {
		return nil, err
	}
	return n, nil
}

// openLog starts bus, log and ledger.
func (n *Node) openLog(ctx context.Context) error {
	cfg := n.cfg
	b, err := bus.Open(ctx, bus.Config{
		Dir: filepath.Join(cfg.DataDir, "journal"), URL: cfg.NATSURL, Credentials: cfg.NATSCredentials, Replicas: cfg.Replicas, Logger: cfg.Logger,
	})
	if err != nil {
		return fmt.Errorf("open the bus: %w", err)
	}
	n.Bus = b
	n.onStop(func(context.Context) error { b.Close(); return nil })

	l, err := eventlog.Open(eventlog.Options{Dir: cfg.DataDir, Logger: cfg.Logger})
	if err != nil {
		return fmt.Errorf("open the log: %w", err)
	}
	n.Log = l
	n.onStop(func(context.Context) error { return l.Close() })

	next, _ := l.Next()
	journal, err := b.Journal(ctx, cfg.LogName, next == 0)
	if err != nil {
		return fmt.Errorf("open the journal: %w", err)
	}
	_, last, _, err := journal.Span(ctx)
	if err != nil {
		return fmt.Errorf("open the journal: %w", err)
	}
	hash, err := n.admin(next == 0 && last == 0) // the store alone may not have flushed anything yet
	if err != nil {
		return err
	}
	policy := opal.DefaultPolicy()
	policy.ZoneMinutes = cfg.ZoneMinutes
	policy.RuleTable = evidence.Latest().Hash
	sequencer, err := os.Hostname()
	if err != nil || sequencer == "" {
		sequencer = "node"
	}
	led, err := ledger.Start(ctx, ledger.Config{
		LogName: cfg.LogName, Sequencer: sequencer, Keys: n.Keys, Policy: policy, AdminToken: hash,
		Log: l, Journal: journal, Conn: b.Conn(), Codec: b.Codec,
		Free: n.free, Reserve: cfg.Reserve,
		AuditShare: cfg.AuditShare, Logger: cfg.Logger,
	})
	if err != nil {
		return fmt.Errorf("start the ledger: %w", err)
	}
	n.Ledger = led
	n.onStop(func(context.Context) error { led.Stop(); return nil })

	if _, token, found, err := l.TokenParty(hash); err != nil {
		return fmt.Errorf("look the admin token up: %w", err)
	} else if n.adminToken != "" && (!found || token.RevokedAt != nil) {
		return fmt.Errorf("admin token: the one in %s is not in force in this log; accepted is one that is, or none: then the node works without, and the admin has it elsewhere", n.tokenSource())
	}
	return nil
}

// free is how many bytes are free where the data lies.
func (n *Node) free() (uint64, error) { return freeBytes(n.cfg.DataDir) }

// admin finds the admin's token: the one given, the one kept, or for a new log a new one.
func (n *Node) admin(newLog bool) (hash [32]byte, err error) {
	file := filepath.Join(n.cfg.DataDir, AdminTokenFile)
	if n.adminToken = n.cfg.AdminToken; n.adminToken != "" {
		return envelope.TokenHash(n.adminToken), nil
	}
	kept, err := os.ReadFile(file)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return hash, fmt.Errorf("read the admin token: %w", err)
	}
	if n.adminToken = strings.TrimSpace(string(kept)); n.adminToken != "" {
		return envelope.TokenHash(n.adminToken), nil
	}
	if !newLog {
		return hash, nil // the admin has it elsewhere; the node works without
	}
	n.adminToken, hash = envelope.NewToken(rand.Reader)
	if err := keepToken(file, n.adminToken); err != nil {
		return hash, fmt.Errorf("keep the admin token: %w", err)
	}
	return hash, nil
}

// tokenSource says where the admin's token came from.
func (n *Node) tokenSource() string {
	if n.cfg.AdminToken != "" {
		return "LOTPAPER_ADMIN_TOKEN"
	}
	return filepath.Join(n.cfg.DataDir, AdminTokenFile)
}

// keepToken writes the token's file, all of it or none: the log is about to know the token by its hash alone.
func keepToken(file, token string) (err error) {
	beside := file + ".new"
	f, err := os.OpenFile(beside, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.WriteString(token + "\n")
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(beside, file); err != nil {
		return err
	}
	folder, err := os.Open(filepath.Dir(file))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// openServices starts the store of files, the projection and the intake.
func (n *Node) openServices() error {
	cfg := n.cfg
	files, err := attachment.Open(filepath.Join(cfg.DataDir, "attachments"), attachment.Options{Free: n.free, Reserve: cfg.Reserve})
	if err != nil {
		return err
	}
	n.Attachments = files
	n.onStop(func(context.Context) error { return files.Close() })
	st, err := status.Open(status.Config{Dir: cfg.DataDir, Log: n.Log, Handle: n.Keys.Handle, Logger: cfg.Logger})
	if err != nil {
		return fmt.Errorf("open the projection: %w", err)
	}
	n.Status = st
	n.onStop(func(context.Context) error { return st.Close() })

	requests, err := intake.NewNATS(n.Bus, cfg.LogName, intake.AnswerWithin)
	if err != nil {
		return fmt.Errorf("connect intake and ledger: %w", err)
	}
	n.onStop(func(context.Context) error { return requests.Close() })
	in, err := intake.New(intake.Config{
		LogName: cfg.LogName, Signer: envelope.NewSigner(n.Keys.Intake), SaltSecret: n.Keys.SaltSecret[:],
		Log: n.Log, Directory: n.Log, Openings: n.Log, Handles: st, Sequencer: requests,
		Assays: laboratory.Assays{Material: func(lot string) (opal.Material, error) {
			l, err := n.Log.Lot(lot)
			if l == nil || err != nil {
				return opal.Material{}, err
			}
			return l.Material, nil
		}, Before: func(ctx context.Context, ev *opal.Event) (opal.Moisture, *assay.Earlier, error) {
			now, reading, then, err := st.WeighedBefore(ctx, ev)
			if reading == nil || err != nil {
				return now, nil, err
			}
			return now, &assay.Earlier{Reading: reading, Moisture: then}, nil
		}, Known: func(ctx context.Context, laboratory string, method opal.Method, protocol, lot string) ([]spectrum.Reference, error) {
			list, err := st.References(ctx, laboratory, method, protocol, lot)
			if err != nil {
				return nil, err
			}
			var known []spectrum.Reference
			for _, r := range list {
				if r.Computed != nil {
					known = append(known, spectrum.Reference{Material: r.Material, Figures: r.Computed.Figures})
				}
			}
			return known, nil
		}, File: func(hash [32]byte) ([]byte, error) {
			data, err := files.Read(hash, spectrum.MaxBytes)
			if errors.Is(err, attachment.ErrMissing) {
				return nil, nil
			}
			return data, err
		}},
		Rand: rand.Reader, Now: time.Now, Logger: cfg.Logger,
	})
	if err != nil {
		return fmt.Errorf("start the intake: %w", err)
	}
	n.Intake = in
	n.onStop(func(context.Context) error { in.Close(); return nil })
	return nil
}

// mayRead tells whether a party may read a file.
func (n *Node) mayRead(ctx context.Context, party string, hash attachment.Hash, lot string) (bool, error) {
	return n.Status.MayRead(ctx, party, hash, lot)
}

// isPicture tells whether a file is a picture on the public record of a handle's stone.
func (n *Node) isPicture(ctx context.Context, handle string, hash attachment.Hash) (bool, error) {
	return n.Status.IsPicture(ctx, handle, hash)
}

// stoneLot gives the lot that a public handle leads to.
func (n *Node) stoneLot(ctx context.Context, handle string) (string, error) {
	return n.Status.StoneLot(ctx, handle)
}

// records answers what a lot's status rests on.
func (n *Node) records(ctx context.Context, in *pb.GetStatusRequest) (*transparency.Bearing, error) {
	b, err := n.Status.Bearing(ctx, in)
	if err != nil {
		return nil, err
	}
	return &transparency.Bearing{Status: b.Status, Lots: b.Lots, Positions: b.Positions, Size: b.Size, Rules: b.Rules}, nil
}

// encryption reads what the listeners speak TLS with. nil: they do not.
func (n *Node) encryption() (*tls.Config, rpc.Certificates, error) {
	cfg := n.cfg
	if cfg.TLSCert == "" {
		return nil, nil, nil
	}
	own, err := tls.LoadX509KeyPair(cfg.TLSCert, cfg.TLSKey)
	if err != nil {
		return nil, nil, fmt.Errorf("load the certificate: %w", err)
	}
	out := &tls.Config{Certificates: []tls.Certificate{own}, MinVersion: tls.VersionTLS12}
	if cfg.ClientCA == "" {
		return out, nil, nil
	}
	clients, err := clientcert.Open(clientcert.Options{CA: cfg.ClientCA, CRL: cfg.ClientCRL, Log: cfg.Logger})
	if err != nil {
		return nil, nil, err
	}
	clients.Ask(out)
	return out, clients, nil
}

// logins prepares what logs people in; nil: nobody does. The issuer itself is asked once somebody comes.
func (n *Node) logins() (gateway.Staff, error) {
	if n.cfg.OIDCIssuer == "" {
		return nil, nil
	}
	cfg := n.cfg.staff()
	if file := n.cfg.OIDCClientSecretFile; file != "" {
		b, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("read the OIDC client secret: %w", err)
		}
		if cfg.ClientSecret = strings.TrimSpace(string(b)); cfg.ClientSecret == "" {
			return nil, fmt.Errorf("OIDC client secret: found nothing in %s, accepted is a file that holds it, or no file for a public client", file)
		}
	}
	l, err := staff.New(cfg)
	if err != nil {
		return nil, err
	}
	n.onStop(func(context.Context) error { l.Close(); return nil })
	return l, nil
}

// newServer makes a gRPC server with all services.
func (n *Node) newServer(certificates rpc.Certificates, options ...grpc.ServerOption) (*rpc.Server, error) {
	cfg := n.cfg
	s, err := rpc.NewServer(rpc.Config{
		Directory: n.Log, Certificates: certificates, Log: cfg.Logger, EventsPerSecond: cfg.EventsPerSecond, Burst: cfg.Burst, Options: options,
	})
	if err != nil {
		return nil, fmt.Errorf("make the gRPC server: %w", err)
	}
	pb.RegisterIntakeServiceServer(s, n.Intake)
	pb.RegisterStatusServiceServer(s, n.Status)
	pb.RegisterLaboratoryServiceServer(s, laboratory.New())
	pb.RegisterAttachmentServiceServer(s, attachments.New(n.Attachments, n.mayRead, n.isPicture, cfg.Logger))
	pb.RegisterPrivacyServiceServer(s, privacy.New(n.Log))
	pb.RegisterTransparencyServiceServer(s, transparency.New(n.Log, n.Keys.Checkpoint, n.records, n.stoneLot))
	return s, nil
}

// listen starts the gRPC server, on its listener and in process for the gateway, and the HTTP server.
func (n *Node) listen(ctx context.Context) error {
	cfg := n.cfg
	encrypted, certificates, err := n.encryption()
	if err != nil {
		return err
	}
	server, err := n.newServer(certificates)
	if err != nil {
		return err
	}
	servers := []*rpc.Server{server}
	public := server
	if encrypted != nil {
		if public, err = n.newServer(certificates, grpc.Creds(credentials.NewTLS(encrypted))); err != nil {
			return err
		}
		servers = append(servers, public)
	}
	n.onStop(func(ctx context.Context) error {
		n.Status.EndWatches()
		for _, s := range servers {
			s.Stop(ctx)
		}
		return nil
	})
	n.tellHealth(servers)
	n.giveBack()
	n.inProcess = bufconn.Listen(1 << 20)
	n.serve("gRPC in process", func() error { return server.Serve(n.inProcess) })
	if cfg.GRPCListen != "" {
		if n.grpcLn, err = net.Listen("tcp", cfg.GRPCListen); err != nil {
			return fmt.Errorf("listen for gRPC: %w", err)
		}
		n.serve("gRPC", func() error { return public.Serve(n.grpcLn) })
	}
	conn, err := grpc.NewClient("passthrough:///node",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return n.inProcess.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		return fmt.Errorf("connect gateway and services: %w", err)
	}
	n.clientConn = conn
	n.onStop(func(context.Context) error { return conn.Close() })
	if cfg.Listen == "" {
		return nil
	}
	logins, err := n.logins()
	if err != nil {
		return err
	}
	secure := encrypted != nil || cfg.BehindTLSProxy
	people, err := pages.New(pages.Config{Conn: conn, Address: cfg.PublicAddress, Secure: secure, StaffLogin: logins != nil, Logger: cfg.Logger})
	if err != nil {
		return fmt.Errorf("make the pages: %w", err)
	}
	handler, err := gateway.New(ctx, gateway.Config{
		Conn:     conn,
		Callers:  server.Authenticator(),
		Sessions: session.New(server.Authenticator(), time.Now),
		Staff:    logins,
		Secure:   secure,
		Pages:    people.Handlers(), LargeBodies: pages.LargeBodies(),
		Ready:  n.Ready,
		Logger: cfg.Logger,
	})
	if err != nil {
		return fmt.Errorf("make the gateway: %w", err)
	}
	if n.httpLn, err = net.Listen("tcp", cfg.Listen); err != nil {
		return fmt.Errorf("listen for HTTP: %w", err)
	}
	n.http = &http.Server{
		Handler: handler, TLSConfig: encrypted, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10, ErrorLog: slog.NewLogLogger(cfg.Logger.Handler(), slog.LevelDebug),
		BaseContext: func(net.Listener) context.Context { return context.WithoutCancel(ctx) },
	}
	n.serve("HTTP", func() error {
		if encrypted != nil {
			return n.http.ServeTLS(n.httpLn, "", "")
		}
		return n.http.Serve(n.httpLn)
	})
	n.onStop(func(ctx context.Context) error {
		n.Status.EndWatches() // an open stream would keep the server from ending
		if err := n.http.Shutdown(ctx); err != nil {
			return n.http.Close()
		}
		return nil
	})
	return nil
}

// tellHealth keeps the gRPC health service at what /healthz says.
func (n *Node) tellHealth(servers []*rpc.Server) {
	say := func() bool {
		ready := n.Ready() == nil
		for _, s := range servers {
			s.SetReady(ready)
		}
		return ready
	}
	ctx, cancel := context.WithCancel(context.Background())
	n.onStop(func(context.Context) error { cancel(); return nil })
	say()
	n.serving.Go(func() {
		for wait := 5 * time.Millisecond; ; {
			select {
			case <-ctx.Done():
				return
			case <-time.After(wait):
			}
			if say() {
				wait = time.Second // it was caught up once: from here on only trouble changes it
			}
		}
	})
}

// serve runs a server until it is stopped; Stop waits for it.
func (n *Node) serve(what string, run func() error) {
	n.serving.Go(func() {
		err := run()
		if err != nil && !errors.Is(err, http.ErrServerClosed) && !errors.Is(err, grpc.ErrServerStopped) && !errors.Is(err, net.ErrClosed) && !errors.Is(err, io.EOF) {
			n.cfg.Logger.Error("a server ended", "server", what, "error", err)
		}
	})
}

func (n *Node) onStop(f func(context.Context) error) { n.closers = append(n.closers, f) }

// Stop takes the node apart: no new requests, those under way end, the block on its way is settled, everything is flushed.
func (n *Node) Stop(ctx context.Context) error {
	n.once.Do(func() {
		var failed []error
		for i := len(n.closers) - 1; i >= 0; i-- {
			if err := n.closers[i](ctx); err != nil {
				failed = append(failed, err)
			}
		}
		n.serving.Wait()
		n.stopErr = errors.Join(failed...)
	})
	return n.stopErr
}

// Ready tells why the node cannot answer everything yet; nil: it can.
func (n *Node) Ready() error {
	if err := n.Status.Ready(); err != nil {
		return err
	}
	if ro := n.Log.ReadOnly(); ro != nil {
		return ro
	}
	return nil
}

// WaitReady waits until the node can answer everything.
func (n *Node) WaitReady(ctx context.Context) error {
	for {
		err := n.Ready()
		if err == nil || fault.Of(err) == fault.LogReadOnly {
			return err
		}
		select {
		case <-ctx.Done():
			return errors.Join(ctx.Err(), err)
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// HTTPAddr is the address that HTTP is served on; "" without one.
func (n *Node) HTTPAddr() string { return addrOf(n.httpLn) }

// GRPCAddr is the address that gRPC is served on; "" without one.
func (n *Node) GRPCAddr() string { return addrOf(n.grpcLn) }

func addrOf(l net.Listener) string {
	if l == nil {
		return ""
	}
	return l.Addr().String()
}

// Conn is a gRPC connection within the process.
func (n *Node) Conn() *grpc.ClientConn { return n.clientConn }

// AdminToken is the admin's token; "" if this node does not know it.
func (n *Node) AdminToken() string { return n.adminToken }

// AdminTokenFile is where a generated admin token is kept; "" if it was given from outside.
func (n *Node) AdminTokenFile() string {
	if n.cfg.AdminToken != "" {
		return ""
	}
	return filepath.Join(n.cfg.DataDir, AdminTokenFile)
}
