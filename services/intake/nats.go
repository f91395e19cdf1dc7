package intake

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// NATS is a Sequencer over the bus: each submission is a request, sent on one connection and therefore in order, and answers are told
// apart by the subject that they come to. It never waits for an answer while it sends, which the request call of the client library would.
type NATS struct {
	conn    *nats.Conn
	codec   *bus.Codec
	subject string
	inbox   string // of answers, with a point at the end
	within  time.Duration
	sub     *nats.Subscription

	mu      sync.Mutex
	last    uint64
	waiting map[uint64]*waiting
}

type waiting struct {
	answered func(*bus.Answer, error)
	timer    *time.Timer
}

var _ Sequencer = (*NATS)(nil)

// AnswerWithin is how long an answer may take where nothing else is set. A change of the journal's leader takes some seconds, and
// who asks meanwhile is better told to come again than kept.
const AnswerWithin = 5 * time.Second

// NewNATS makes a sequencer over the bus for a log. Close ends it.
func NewNATS(b *bus.Bus, log string, within time.Duration) (*NATS, error) {
	n := &NATS{
		conn: b.Conn(), codec: b.Codec, subject: bus.SubjectAppend(log), inbox: nats.NewInbox() + ".", within: within, waiting: map[uint64]*waiting{},
	}
	var err error
	if n.sub, err = n.conn.Subscribe(n.inbox+"*", n.receive); err != nil {
		return nil, fmt.Errorf("listen for the sequencer's answers: %w", err)
	}
	return n, nil
}

// Close stops listening. What still waits is told that there was no answer.
func (n *NATS) Close() error {
	err := n.sub.Unsubscribe()
	n.mu.Lock()
	left := n.waiting
	n.waiting = map[uint64]*waiting{}
	n.mu.Unlock()
	for _, w := range left {
		w.timer.Stop()
		w.answered(nil, errors.New("this node is stopping"))
	}
	return err
}

// Send implements Sequencer.
func (n *NATS) Send(s *bus.Submission, answered func(*bus.Answer, error)) {
	data, err := n.codec.EncodeSubmission(s)
	if err != nil {
		answered(nil, asFault(err)) // it was not sent
		return
	}
	n.mu.Lock()
	n.last++
	id := n.last
	w := &waiting{answered: answered}
	w.timer = time.AfterFunc(n.within, func() { n.answer(id, nil, fmt.Errorf("nothing came within %s", n.within)) })
	n.waiting[id] = w
	n.mu.Unlock()
	if err := n.conn.PublishRequest(n.subject, n.inbox+strconv.FormatUint(id, 36), data); err != nil {
		n.answer(id, nil, fmt.Errorf("the bus: %w", err))
	}
}

// receive takes an answer from the bus.
func (n *NATS) receive(m *nats.Msg) {
	id, err := strconv.ParseUint(strings.TrimPrefix(m.Subject, n.inbox), 36, 64)
	if err != nil {
		return
	}
	if len(m.Data) == 0 && m.Header.Get("Status") == "503" {
		n.answer(id, nil, fault.New(fault.NoSequencer, "", "nobody sequences the log at this moment, and nothing was stored; the same may be sent again").Retry(retryAfter))
		return
	}
	a, err := n.codec.DecodeAnswer(m.Data)
	if err != nil {
		// Not wrapped: a fault in there would speak of the answer, and be taken for one that speaks of the events.
		err = fmt.Errorf("its answer cannot be read: %v", err)
	}
	n.answer(id, a, err)
}

// answer ends a submission's wait, once.
func (n *NATS) answer(id uint64, a *bus.Answer, err error) {
	n.mu.Lock()
	w, ok := n.waiting[id]
	delete(n.waiting, id)
	n.mu.Unlock()
	if !ok {
		return
	}
	w.timer.Stop()
	w.answered(a, err)
}
