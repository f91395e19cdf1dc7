package intake

import (
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// quickLog is a log that does nothing but count, after a delay in which a block would be written: what is left is intake's own cost.
type quickLog struct {
	*fakeLog
	next  atomic.Uint64
	sent  atomic.Uint64
	delay time.Duration
	// turn makes one block wait for the one before.
	turn sync.Mutex
}

func (l *quickLog) Next() (uint64, [16]byte)                    { return l.next.Load(), [16]byte{1} }
func (l *quickLog) Wait(context.Context, uint64) error          { return nil }
func (l *quickLog) PutOpenings(...eventlog.EventOpenings) error { return nil }
func (l *quickLog) Send(s *bus.Submission, answered func(*bus.Answer, error)) {
	go func() {
		l.turn.Lock()
		if l.delay > 0 {
			time.Sleep(l.delay)
		}
		a := l.answer(s)
		l.turn.Unlock()
		answered(a, nil)
	}()
}

func (l *quickLog) answer(s *bus.Submission) *bus.Answer {
	a := &bus.Answer{}
	l.sent.Add(1)
	for i := range s.Envelopes {
		for _, n := range s.Envelopes[i].Groups {
			r := bus.GroupResult{Events: make([]bus.EventResult, n)}
			for j := range r.Events {
				r.Events[j].Position = l.next.Add(1) - 1
			}
			a.Results = append(a.Results, r)
		}
	}
	return a
}

func benchService(b *testing.B, delay time.Duration, over *bus.Bus, change func(*Config)) (*Service, *quickLog) {
	b.Helper()
	l := &quickLog{fakeLog: newFakeLog(), delay: delay}
	cfg := configOf(l.fakeLog)
	cfg.Log, cfg.Openings, cfg.Sequencer = l, l, l
	if over != nil {
		overNATS(b, over, 5*time.Second)(&cfg)
		sub, err := over.Conn().Subscribe(bus.SubjectAppend(logName), func(m *nats.Msg) {
			s, err := over.Codec.DecodeSubmission(m.Data)
			if err != nil {
				b.Error(err)
				return
			}
			go func() {
				l.turn.Lock()
				time.Sleep(delay)
				data, _ := over.Codec.EncodeAnswer(l.answer(s))
				l.turn.Unlock()
				respond(m, data)
			}()
		})
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = sub.Unsubscribe() })
	}
	if change != nil {
		change(&cfg)
	}
	s, err := New(cfg)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(s.Close)
	return s, l
}

// callers runs post from many goroutines until b.N events are posted, n a call, and reports events a second and processor time an event.
func callers(b *testing.B, l *quickLog, many, n int, post func(caller int, ids []opal.RequestID) error) {
	b.Helper()
	var left atomic.Int64
	left.Store(int64(b.N))
	var wg sync.WaitGroup
	b.ReportAllocs()
	b.ResetTimer()
	before := processorTime(b)
	for c := range many {
		wg.Add(1)
		go func() {
			defer wg.Done()
			ids := make([]opal.RequestID, n)
			for call := 0; left.Add(int64(-n)) >= int64(-n); call++ {
				for i := range ids {
					binary.BigEndian.PutUint32(ids[i][0:], uint32(c)+1)
					binary.BigEndian.PutUint64(ids[i][4:], uint64(call*n+i))
				}
				if err := post(c, ids); err != nil {
					b.Error(err)
					return
				}
			}
		}()
	}
	wg.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(float64(l.next.Load())/float64(l.sent.Load()), "events/submission")
	b.ReportMetric(float64((processorTime(b)-before).Nanoseconds())/1e3/float64(b.N), "cpu-µs/event")
}

func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// benchEvent is an event as most are: a few words, no private value.
func benchEvent(party string, id opal.RequestID) *opal.Event {
	pieces := int64(12)
	return &opal.Event{
		RequestID: id, Lot: party + ".r7", OccurredAt: "2026-03-04T10:20:00Z", Moisture: opal.Dry,
		Counted: &opal.Counted{Pieces: &pieces, Mass: "34.20 ct", Why: opal.Recount},
	}
}

// One party a caller, as a federation posts; and one for all.
func party(caller int) string { return fmt.Sprintf("party-%d", caller) }

func BenchmarkSubmit(b *testing.B) {
	for _, n := range []int{1, 16, 256} {
		for name, by := range map[string]func(int) string{"parties": party, "party": func(int) string { return "party-0" }} {
			b.Run(fmt.Sprintf("64x%d/%s", n, name), func(b *testing.B) {
				s, l := benchService(b, time.Millisecond, nil, nil)
				callers(b, l, 64, n, func(c int, ids []opal.RequestID) error {
					events := make([]*opal.Event, len(ids))
					for i, id := range ids {
						events[i] = benchEvent(by(c), id)
					}
					if _, f := s.Submit(context.Background(), by(c), events); f != nil {
						return f
					}
					return nil
				})
			})
		}
	}
}

// With a block that takes as long as a disk does: how many submissions should be in flight?
func BenchmarkInFlight(b *testing.B) {
	for _, inFlight := range []int{1, 2, 3, 4} {
		for _, n := range []int{1, 16} {
			b.Run(fmt.Sprintf("%d/64x%d", inFlight, n), func(b *testing.B) {
				s, l := benchService(b, time.Millisecond, openBus(b), func(c *Config) { c.InFlight = inFlight })
				callers(b, l, 64, n, func(c int, ids []opal.RequestID) error {
					events := make([]*opal.Event, len(ids))
					for i, id := range ids {
						events[i] = benchEvent(party(c%8), id)
					}
					if _, f := s.Submit(context.Background(), party(c%8), events); f != nil {
						return f
					}
					return nil
				})
			})
		}
	}
}

func BenchmarkGRPC(b *testing.B) {
	for _, n := range []int{1, 16} {
		b.Run(fmt.Sprintf("64x%d", n), func(b *testing.B) {
			s, l := benchService(b, time.Millisecond, nil, nil)
			server, err := rpc.NewServer(rpc.Config{Directory: l, EventsPerSecond: 1e9, Burst: 1e9})
			if err != nil {
				b.Fatal(err)
			}
			pb.RegisterIntakeServiceServer(server, s)
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				b.Fatal(err)
			}
			served := make(chan error, 1)
			go func() { served <- server.Serve(listener) }()
			conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() {
				conn.Close()
				server.Stop(context.Background())
				if err := <-served; err != nil {
					b.Error(err)
				}
			})
			client := pb.NewIntakeServiceClient(conn)
			callers(b, l, 64, n, func(_ int, ids []opal.RequestID) error {
				if n == 1 {
					_, err := client.Append(as("miner"), &pb.AppendRequest{Event: wire.EventFromDomain(benchEvent("harrow-gully", ids[0]))})
					return err
				}
				req := &pb.AppendBatchRequest{Events: make([]*pb.Event, len(ids))}
				for i, id := range ids {
					req.Events[i] = wire.EventFromDomain(benchEvent("harrow-gully", id))
				}
				_, err := client.AppendBatch(as("miner"), req)
				return err
			})
		})
	}
}

func BenchmarkEventToDomain(b *testing.B) {
	m := wire.EventFromDomain(benchEvent("harrow-gully", requestID(1)))
	b.ReportAllocs()
	for b.Loop() {
		if _, f := wire.EventToDomain(m); f != nil {
			b.Fatal(f)
		}
	}
}
