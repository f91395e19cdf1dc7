package rpc

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// MaxMessage is the largest message that a server takes where nothing else is set, as large as the largest REST body.
const MaxMessage = 1 << 20

// Config is what a server needs.
type Config struct {
	Directory Directory
	// Certificates knows whose the certificates of clients are; nil: none count.
	Certificates Certificates
	// Now is the clock; unset: the machine's.
	Now func() time.Time
	// Log is for what callers are not told; unset: nowhere.
	Log *slog.Logger
	// Access says who may call which method; unset: Methods().
	Access map[string]Access
	// EventsPerSecond is what one party may post for long, Burst how many at once, at least 1,000; unset: the defaults.
	EventsPerSecond float64
	Burst           int
	// LookupsPerSecond is how many stones one address may look up without a token for long, LookupBurst how many at once; unset: the defaults.
	LookupsPerSecond float64
	LookupBurst      int
	// MaxMessage is the largest message in bytes; unset: MaxMessage.
	MaxMessage int
	// MaxStreams bounds the calls under way on one connection; unset: 1,024.
	MaxStreams uint32
	// Credentials and the like, of whoever listens on more than the loopback.
	Options []grpc.ServerOption
}

func (c *Config) complete() error {
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Access == nil {
		c.Access = Methods()
	}
	if c.EventsPerSecond == 0 {
		c.EventsPerSecond = DefaultEventsPerSecond
	}
	if c.Burst == 0 {
		c.Burst = max(DefaultBurst, int(c.EventsPerSecond))
	}
	if c.LookupsPerSecond == 0 {
		c.LookupsPerSecond = DefaultLookupsPerSecond
	}
	if c.LookupBurst == 0 {
		c.LookupBurst = DefaultLookupBurst
	}
	if c.MaxMessage == 0 {
		c.MaxMessage = MaxMessage
	}
	if c.MaxStreams == 0 {
		c.MaxStreams = 1_024
	}
	var faults []error
	if c.Directory == nil {
		faults = append(faults, errors.New("no directory of parties and tokens"))
	}
	if !(c.EventsPerSecond > 0) {
		faults = append(faults, fmt.Errorf("found a rate of %v events a second, accepted is more than 0", c.EventsPerSecond))
	}
	if c.Burst < leastBurst {
		faults = append(faults, fmt.Errorf("found a burst of %d events, accepted are at least %d: an atomic batch must fit", c.Burst, leastBurst))
	}
	if c.MaxMessage < 0 {
		faults = append(faults, fmt.Errorf("found a largest message of %d bytes, accepted is more than 0", c.MaxMessage))
	}
	return errors.Join(faults...)
}

// Server is a gRPC server behind the edge, with health and reflection. Services are registered before Serve.
type Server struct {
	grpc   *grpc.Server
	edge   *edge
	health *health.Server
}

var _ reflection.GRPCServer = (*Server)(nil)

// NewServer makes a server.
func NewServer(cfg Config) (*Server, error) {
	if err := cfg.complete(); err != nil {
		return nil, fmt.Errorf("configure the gRPC server: %w", err)
	}
	s := &Server{edge: newEdge(cfg, NewAuthenticator(cfg.Directory, cfg.Certificates, cfg.Now)), health: health.NewServer()}
	options := append([]grpc.ServerOption{
		grpc.ForceServerCodecV2(newCodec(cfg.MaxMessage)),
		grpc.MaxRecvMsgSize(slack * cfg.MaxMessage),
		grpc.MaxConcurrentStreams(cfg.MaxStreams),
		grpc.ConnectionTimeout(20 * time.Second),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: time.Minute, Timeout: 20 * time.Second}),
		grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
			method, _ := grpc.MethodFromServerStream(stream)
			return Status(fault.New(fault.MethodNotAllowed, "", "found the method %s, accepted are those of the contract", method))
		}),
	}, cfg.Options...)
	s.grpc = grpc.NewServer(options...)
	grpc_health_v1.RegisterHealthServer(s, s.health)
	reflection.Register(s)
	return s, nil
}

// RegisterService puts a service behind the edge.
func (s *Server) RegisterService(d *grpc.ServiceDesc, impl any) {
	s.grpc.RegisterService(s.edge.wrap(d), impl)
}

// GetServiceInfo lists the services, for reflection.
func (s *Server) GetServiceInfo() map[string]grpc.ServiceInfo { return s.grpc.GetServiceInfo() }

// Authenticator finds out who calls over another way than gRPC, by the same rules.
func (s *Server) Authenticator() *Authenticator { return s.edge.auth }

// SetReady tells the health service whether the node can answer.
func (s *Server) SetReady(ready bool) {
	state := grpc_health_v1.HealthCheckResponse_NOT_SERVING
	if ready {
		state = grpc_health_v1.HealthCheckResponse_SERVING
	}
	s.health.SetServingStatus("", state)
}

// Serve answers calls until Stop; it may be called for several listeners.
func (s *Server) Serve(l net.Listener) error {
	if err := s.grpc.Serve(l); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
		return fmt.Errorf("serve gRPC on %s: %w", l.Addr(), err)
	}
	return nil
}

// Stop takes no new calls, lets those under way end, and when ctx is done ends them.
func (s *Server) Stop(ctx context.Context) {
	s.health.Shutdown()
	done := make(chan struct{})
	go func() {
		s.grpc.GracefulStop()
		close(done)
	}()
	select {
	case <-done:
	case <-ctx.Done():
		s.grpc.Stop()
		<-done
	}
}
