package rpc

import (
	"context"
	"net"
	"net/netip"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// The rates of a party where none are set.
const (
	DefaultEventsPerSecond = 5_000
	DefaultBurst           = 10_000
	// leastBurst lets the largest atomic batch through.
	leastBurst = 1_000
)

// eventsIn counts the events that a message posts, which is what a party's rate is measured in. Messages that post none are free.
func eventsIn(m any) int {
	switch m := m.(type) {
	case *pb.AppendRequest, *pb.AppendLogEventRequest, *pb.CreatePartyRequest, *pb.CreateTokenRequest, *pb.DeleteTokenRequest,
		*pb.CreateHandleRequest, *pb.DeleteHandleRequest, *pb.RevealFieldRequest, *pb.EraseFieldsRequest:
		return 1
	case *pb.AppendBatchRequest:
		return max(1, len(m.GetEvents()))
	case *pb.AppendStreamRequest:
		return max(1, len(m.GetEvents()))
	case *pb.PutAttachmentRequest: // a kilobyte of a file as an event, so that a party's rate bounds what it stores
		return 1 + len(m.GetChunk())>>10
	case *pb.AppendEnvelopesRequest:
		n := 0
		for _, e := range m.GetEnvelopes() {
			n += len(e.GetStatements())
		}
		return max(1, n)
	}
	return 0
}

// The rate at which one address may look stones up by their public handles without a token: more than any shop scans, and so few that handles cannot be tried out.
const (
	DefaultLookupsPerSecond = 20
	DefaultLookupBurst      = 200
)

// lookups are the public methods that find something by a secret in the request.
var lookups = map[string]bool{
	pb.StatusService_GetStone_FullMethodName:            true,
	pb.StatusService_GetStoneHistory_FullMethodName:     true,
	pb.StatusService_GetStoneDisclosure_FullMethodName:  true,
	pb.TransparencyService_GetStoneProof_FullMethodName: true,
	pb.AttachmentService_GetStonePicture_FullMethodName: true,
}

// lookUp counts a look-up by an address, or refuses it.
func (e *edge) lookUp(ctx context.Context, method string, caller Caller) error {
	if caller.Party != "" || !lookups[method] {
		return nil
	}
	address := clientAddress(ctx)
	if address == "" { // a call within the process, by nobody from outside
		return nil
	}
	wait, ok := e.looks.reserve(address, 1)
	if ok {
		return nil
	}
	return fault.New(fault.RateLimited, "", "found more than %v look-ups a second from %s, which is what an address may make without a token", float64(e.looks.perSecond), address).Retry(wait)
}

// clientAddress is where a call comes from: its peer, or, if that is the gateway in this process, the gateway's own peer, which it writes last. Of an IPv6 address the
// first half counts: the rest a client chooses as it likes.
func clientAddress(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok || p.Addr == nil {
		return ""
	}
	host, _, err := net.SplitHostPort(p.Addr.String())
	if p.Addr.Network() == inProcess {
		list := metadata.ValueFromIncomingContext(ctx, "x-forwarded-for")
		if len(list) == 0 {
			return ""
		}
		all := strings.Split(list[len(list)-1], ",")
		host, err = strings.TrimSpace(all[len(all)-1]), nil
	}
	a, perr := netip.ParseAddr(host)
	if err != nil || perr != nil {
		return host
	}
	if a = a.Unmap(); a.Is4() {
		return a.String()
	}
	prefix, err := a.WithZone("").Prefix(64)
	if err != nil {
		return host
	}
	return prefix.String()
}

// inProcess is what the listener within the process calls its network.
const inProcess = "bufconn"

// limiter keeps one bucket of events per party.
type limiter struct {
	perSecond rate.Limit
	burst     int
	now       func() time.Time

	mu      sync.Mutex
	parties map[string]*rate.Limiter // guarded by mu
}

func newLimiter(perSecond float64, burst int, now func() time.Time) *limiter {
	return &limiter{perSecond: rate.Limit(perSecond), burst: burst, now: now, parties: map[string]*rate.Limiter{}}
}

func (l *limiter) bucket(party string) *rate.Limiter {
	l.mu.Lock()
	defer l.mu.Unlock()
	b, ok := l.parties[party]
	if !ok {
		l.forgetFull()
		b = rate.NewLimiter(l.perSecond, l.burst)
		l.parties[party] = b
	}
	return b
}

// forgetFull drops the buckets that are full again, once there are many: a full one is as good as a new one.
func (l *limiter) forgetFull() {
	const many = 4_096
	if len(l.parties) < many {
		return
	}
	now := l.now()
	for party, b := range l.parties {
		if b.TokensAt(now) >= float64(l.burst) {
			delete(l.parties, party)
		}
	}
}

// take takes n events from the party's bucket, or refuses and says when they will be there. More than the bucket ever holds are as
// many as it holds: how many one call may post is checked elsewhere.
func (l *limiter) take(party string, n int) *fault.Error {
	wait, ok := l.reserve(party, n)
	if ok {
		return nil
	}
	return fault.New(fault.RateLimited, "", "found more than %v events a second from %s, which is what a party may post", float64(l.perSecond), party).
		Retry(wait)
}

// reserve takes n from a bucket, or says when they will be there.
func (l *limiter) reserve(key string, n int) (wait time.Duration, ok bool) {
	now := l.now()
	r := l.bucket(key).ReserveN(now, min(n, l.burst))
	if wait = r.DelayFrom(now); wait <= 0 {
		return 0, true
	}
	r.CancelAt(now)
	return wait, false
}

// wait takes n events as soon as they are there: a stream is not refused but read more slowly.
func (l *limiter) wait(ctx context.Context, party string, n int) error {
	now := l.now()
	wait := l.bucket(party).ReserveN(now, min(n, l.burst)).DelayFrom(now)
	if wait <= 0 {
		return nil
	}
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
