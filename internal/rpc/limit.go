package rpc

import (
	"context"
	"sync"
	"time"

	"golang.org/x/time/rate"

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
		*pb.CreateHandleRequest, *pb.DeleteHandleRequest:
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
	now := l.now()
	r := l.bucket(party).ReserveN(now, min(n, l.burst))
	wait := r.DelayFrom(now)
	if wait <= 0 {
		return nil
	}
	r.CancelAt(now)
	return fault.New(fault.RateLimited, "", "found more than %v events a second from %s, which is what a party may post", float64(l.perSecond), party).
		Retry(wait)
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
