package intake

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/grpc/codes"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func openBus(t testing.TB) *bus.Bus {
	t.Helper()
	b, err := bus.Open(context.Background(), bus.Config{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return b
}

func overNATS(t testing.TB, b *bus.Bus, within time.Duration) func(*Config) {
	t.Helper()
	n, err := NewNATS(b, logName, within)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := n.Close(); err != nil {
			t.Error(err)
		}
	})
	return func(c *Config) { c.Sequencer = n }
}

// ledgerOn answers the submissions of a bus from a fake log, in their order.
func ledgerOn(t testing.TB, b *bus.Bus, l *fakeLog, reply func(*nats.Msg, []byte)) {
	t.Helper()
	sub, err := b.Conn().Subscribe(bus.SubjectAppend(logName), func(m *nats.Msg) {
		s, err := b.Codec.DecodeSubmission(m.Data)
		if err != nil {
			t.Error(err)
			return
		}
		data, err := b.Codec.EncodeAnswer(l.sequence(s))
		if err != nil {
			t.Error(err)
			return
		}
		reply(m, data)
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := sub.Unsubscribe(); err != nil {
			t.Error(err)
		}
	})
}

func respond(m *nats.Msg, data []byte) { _ = m.Respond(data) }

func TestNATS(t *testing.T) {
	b := openBus(t)
	s := start(t, overNATS(t, b, 5*time.Second))
	// Nobody listens: told at once, and nothing was stored.
	began := time.Now()
	_, err := s.Append(as("miner"), &pb.AppendRequest{Event: described(t, 1)})
	f := wantFault(t, err, fault.NoSequencer, codes.Unavailable, "", "nobody sequences the log at this moment, and nothing was stored")
	if f.RetryAfter <= 0 || time.Since(began) > 3*time.Second {
		t.Errorf("after %s, retry after %s", time.Since(began), f.RetryAfter)
	}
	ledgerOn(t, b, s.fakeLog, respond)
	var wg sync.WaitGroup
	for i := range 200 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			token := []string{"miner", "shop"}[i%2]
			m := described(t, i+1)
			r, err := s.Append(as(token), &pb.AppendRequest{Event: m})
			if err != nil {
				t.Error(err)
				return
			}
			if id := s.inLog()[r.Position]; id != r.Event || !strings.HasSuffix(r.Event, m.GetRequestId()) {
				t.Errorf("told %v, and there is %s", r, id)
			}
		}()
	}
	wg.Wait()
	if len(s.inLog()) != 200 {
		t.Errorf("%d events", len(s.inLog()))
	}
	s.judge = func(*opal.Event) *fault.Error {
		return fault.New(fault.HandoverPending, "lot", "found a lot on its way, accepted is one that has arrived")
	}
	_, err = s.Append(as("miner"), &pb.AppendRequest{Event: described(t, 900)})
	wantFault(t, err, fault.HandoverPending, codes.FailedPrecondition, "lot", "on its way")
}

// Submissions arrive in the order in which they were sent, whatever the time that their answers take.
func TestNATSKeepsOrder(t *testing.T) {
	b := openBus(t)
	n, err := NewNATS(b, logName, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var came []string
	sub, err := b.Conn().Subscribe(bus.SubjectAppend(logName), func(m *nats.Msg) {
		s, err := b.Codec.DecodeSubmission(m.Data)
		if err != nil {
			t.Error(err)
			return
		}
		came = append(came, string(s.Envelopes[0].Envelope))
		data, _ := b.Codec.EncodeAnswer(&bus.Answer{})
		time.AfterFunc(time.Duration(len(came)%3)*time.Millisecond, func() { _ = m.Respond(data) })
	})
	if err != nil {
		t.Fatal(err)
	}
	const many = 500
	answered := make(chan int, many)
	for i := range many {
		s := &bus.Submission{Envelopes: []bus.SubmittedEnvelope{{Envelope: []byte(fmt.Sprint(i)), Statements: [][]byte{{1}}, Groups: []int{1}}}}
		n.Send(s, func(a *bus.Answer, err error) {
			if err != nil || a == nil {
				t.Errorf("%d: %v", i, err)
			}
			answered <- i
		})
	}
	seen := map[int]bool{}
	for range many {
		seen[<-answered] = true
	}
	if len(seen) != many {
		t.Errorf("%d were answered", len(seen))
	}
	if err := sub.Unsubscribe(); err != nil {
		t.Error(err)
	}
	if err := n.Close(); err != nil {
		t.Error(err)
	}
	for i, text := range came {
		if text != fmt.Sprint(i) {
			t.Fatalf("%s came as number %d", text, i)
		}
	}
}

func TestNATSWithoutAnswer(t *testing.T) {
	tests := map[string]struct {
		reply   func(*nats.Msg, []byte)
		message string
	}{
		"silence":          {func(*nats.Msg, []byte) {}, "nothing came within 200ms"},
		"no answer at all": {func(m *nats.Msg, _ []byte) { respond(m, []byte("hello")) }, "may be in the log"},
		"half an answer":   {func(m *nats.Msg, data []byte) { respond(m, data[:len(data)-1]) }, "may be in the log"},
		"of nothing":       {func(m *nats.Msg, _ []byte) { respond(m, nil) }, "may be in the log"},
		"twice": {func(m *nats.Msg, data []byte) {
			respond(m, []byte("first"))
			respond(m, data)
		}, "may be in the log"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			b := openBus(t)
			s := start(t, overNATS(t, b, 200*time.Millisecond))
			ledgerOn(t, b, s.fakeLog, test.reply)
			_, err := s.Append(as("miner"), &pb.AppendRequest{Event: described(t, 1)})
			f := wantFault(t, err, fault.NoSequencer, codes.Unavailable, "", test.message)
			if f.RetryAfter <= 0 {
				t.Error("no time to try again")
			}
			if len(s.inLog()) != 1 {
				t.Errorf("the log has %v", s.inLog())
			}
		})
	}
}

// The same request after a lost answer is the same event.
func TestRetryAfterALostAnswer(t *testing.T) {
	b := openBus(t)
	s := start(t, overNATS(t, b, 100*time.Millisecond))
	lost := false
	ledgerOn(t, b, s.fakeLog, func(m *nats.Msg, data []byte) {
		if !lost {
			lost = true
			return
		}
		respond(m, data)
	})
	post := func() (*pb.AppendResponse, error) {
		return s.Append(as("miner"), &pb.AppendRequest{Event: described(t, 1)})
	}
	if _, err := post(); err == nil {
		t.Fatal("the answer was not lost")
	}
	r, err := post()
	if err != nil || r.Position != 0 || len(s.inLog()) != 1 {
		t.Errorf("got %v, %v, and the log has %v", r, err, s.inLog())
	}
}

func TestNATSIsClosed(t *testing.T) {
	b := openBus(t)
	n, err := NewNATS(b, logName, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	sub, err := b.Conn().Subscribe(bus.SubjectAppend(logName), func(*nats.Msg) {})
	if err != nil {
		t.Fatal(err)
	}
	defer sub.Unsubscribe()
	failed := make(chan error, 2)
	s := &bus.Submission{Envelopes: []bus.SubmittedEnvelope{{Envelope: []byte{1}, Statements: [][]byte{{1}}, Groups: []int{1}}}}
	n.Send(s, func(_ *bus.Answer, err error) { failed <- err })
	if err := n.Close(); err != nil {
		t.Error(err)
	}
	if err := <-failed; err == nil || !strings.Contains(err.Error(), "stopping") {
		t.Errorf("got %v", err)
	}
	s.Envelopes[0].Statements[0] = make([]byte, bus.MaxMessage)
	n.Send(s, func(_ *bus.Answer, err error) { failed <- err })
	if err := <-failed; fault.Of(err) != fault.TooLarge {
		t.Errorf("got %v", err)
	}
	b.Conn().Close()
	s.Envelopes[0].Statements[0] = []byte{1}
	n.Send(s, func(_ *bus.Answer, err error) { failed <- err })
	if err := <-failed; err == nil || !strings.Contains(err.Error(), "the bus") {
		t.Errorf("got %v", err)
	}
}
