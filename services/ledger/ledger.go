package ledger

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Journal is the durable list of blocks; *bus.Journal is one.
type Journal interface {
	eventlog.JournalReader
	// Publish writes a message behind the sequence expected and answers its own, which is one more. Without an error it is durable.
	// bus.ErrFenced: another message stands there, or ours from an earlier try. bus.ErrAmbiguous: it may be there, may come to be there
	// later, or never. Any other error: it is not there and will not be.
	Publish(ctx context.Context, expected uint64, data []byte) (uint64, error)
}

var _ Journal = (*bus.Journal)(nil)

// Config says what a ledger writes to and on whose behalf.
type Config struct {
	LogName string
	// Sequencer names this node in its blocks.
	Sequencer string
	Keys      *envelope.Keys
	// Policy and AdminToken (its hash) go into the first event of a new log; an existing log has its own.
	Policy     opal.Policy
	AdminToken [32]byte

	Log     *eventlog.Log
	Journal Journal
	// Conn is where submissions come from and notices go to; nil: only Submit is served.
	Conn  *nats.Conn
	Codec *bus.Codec

	// Level is the newest level that this node can write; 0: opal.Level. A log that is written at a newer one takes nothing from it.
	Level uint64

	// Free says how many bytes are free where the log lies; nil: nobody asks. Below Reserve (0: 256 MiB) appends are refused.
	Free    func() (uint64, error)
	Reserve uint64

	// PublishWithin bounds one wait for the journal's acknowledgement (0: 5 s), SettleWithin all tries to learn what became of
	// a block (0: 20 s).
	PublishWithin, SettleWithin time.Duration
	// AuditShare is the part of one core that the background audit may take; 0: 0.05, negative: no audit.
	AuditShare float64

	Clock  func() time.Time // nil: time.Now
	Rand   io.Reader        // nil: crypto/rand
	Logger *slog.Logger     // nil: nobody is told
}

func (c *Config) setDefaults() {
	if c.Level == 0 {
		c.Level = opal.Level
	}
	if c.Reserve == 0 {
		c.Reserve = 256 << 20
	}
	if c.PublishWithin == 0 {
		c.PublishWithin = 5 * time.Second
	}
	if c.SettleWithin == 0 {
		c.SettleWithin = 20 * time.Second
	}
	if c.AuditShare == 0 {
		c.AuditShare = 0.05
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	if c.Rand == nil {
		c.Rand = rand.Reader
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	if c.Codec == nil {
		c.Codec = bus.NewCodec()
	}
}

// Ledger takes submissions and appends them to the log.
type Ledger struct {
	cfg Config
	log *eventlog.Log
	// jobs are submissions on their way to the sequencer, queued their bytes together.
	jobs    chan *job
	queued  atomic.Int64
	lowDisk atomic.Bool
	sub     *nats.Subscription
	grown   chan struct{} // holds one word when there is a notice to send

	// entering is held while a submission is put in the queue; stopped, guarded by it, closes the queue.
	entering sync.RWMutex
	stopped  bool

	stop context.CancelFunc
	wg   sync.WaitGroup
}

// maxQueued bounds the submissions that wait, in bytes, and maxJobs in number. Beyond it callers are told to come again.
const (
	maxQueued = 32 << 20
	maxJobs   = 1024
)

// Start compares log and journal, opens the log if it is new, and begins to take submissions.
//
// A log whose two copies do not agree is started too: it answers LOG_READ_ONLY to whoever wants to append, and can be read. What is
// refused is a log of another name or with other keys than those given.
func Start(ctx context.Context, cfg Config) (*Ledger, error) {
	cfg.setDefaults()
	l := &Ledger{cfg: cfg, log: cfg.Log, jobs: make(chan *job, maxJobs), grown: make(chan struct{}, 1)}
	if err := l.recover(ctx); err != nil {
		return nil, err
	}
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	l.stop = stop
	l.checkDisk(ctx)
	s := newSequencer(l)
	l.wg.Go(func() { s.run(run) })
	l.wg.Go(func() { l.watchDisk(run) })
	if cfg.AuditShare > 0 {
		l.wg.Go(func() { l.audit(run) })
	}
	if cfg.Conn != nil {
		l.wg.Go(func() { l.sendNotices(run) })
		if err := l.subscribe(); err != nil {
			l.Stop()
			return nil, err
		}
	}
	return l, nil
}

// recover brings the store up to the journal and checks that both are of this log.
func (l *Ledger) recover(ctx context.Context) error {
	done, err := l.log.CatchUp(ctx, l.cfg.Journal)
	if _, ok := errors.AsType[*eventlog.Mismatch](err); ok {
		// The log has refused further events and said why; what can be read is served.
		return l.checkIdentity()
	}
	if err != nil {
		return fmt.Errorf("start the ledger: %w", err)
	}
	if done.Blocks > 0 {
		l.cfg.Logger.InfoContext(ctx, "replayed the journal", "blocks", done.Blocks, "events", done.Events)
	}
	if l.log.Head().Seq == 0 {
		if err := l.open(ctx); err != nil {
			return fmt.Errorf("open a new log: %w", err)
		}
	}
	return l.checkIdentity()
}

// Stop ends the taking of submissions, waits for the block on its way, and refuses what is still waiting.
func (l *Ledger) Stop() {
	if l.sub != nil {
		_ = l.sub.Unsubscribe() // the connection may be closed already
	}
	l.entering.Lock()
	if !l.stopped {
		l.stopped = true
		close(l.jobs)
	}
	l.entering.Unlock()
	l.stop()
	l.wg.Wait()
}

// Submit appends a submission in process and waits for its answer. The submission's bytes must not be changed afterwards.
func (l *Ledger) Submit(ctx context.Context, s *bus.Submission) (*bus.Answer, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	answered := make(chan *bus.Answer, 1)
	l.enter(s, 0, func(a *bus.Answer) { answered <- a })
	select {
	case a := <-answered:
		return a, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// enter prepares a submission and queues it. reply is called once, from any goroutine.
func (l *Ledger) enter(s *bus.Submission, size int, reply func(*bus.Answer)) {
	j := newJob(s, size, reply)
	if f := l.closed(); f != nil {
		j.refuseAll(f)
		return
	}
	l.prepare(j, s)
	if j.undecided() == 0 {
		j.finish()
		return
	}
	l.entering.RLock()
	defer l.entering.RUnlock()
	if l.stopped {
		j.refuseAll(errStopping())
		return
	}
	if l.queued.Add(int64(size)) > maxQueued {
		l.queued.Add(-int64(size))
		j.refuseAll(errBusy())
		return
	}
	select {
	case l.jobs <- j:
	default:
		l.queued.Add(-int64(size))
		j.refuseAll(errBusy())
	}
}

// closed says why nothing can be appended at the moment, if so.
func (l *Ledger) closed() *fault.Error {
	if f := l.log.ReadOnly(); f != nil {
		return f
	}
	if l.lowDisk.Load() {
		return fault.New(fault.DiskReserve, "", "less than %d MiB are free where the log lies; events are taken again when there is more", l.cfg.Reserve>>20).Retry(30 * time.Second)
	}
	return nil
}

func errStopping() *fault.Error {
	return fault.New(fault.NoSequencer, "", "the ledger is stopping").Retry(2 * time.Second)
}

func errBusy() *fault.Error {
	return fault.New(fault.NoSequencer, "", "the ledger has more to do than it can take").Retry(250 * time.Millisecond)
}

// subscribe takes submissions from the bus.
func (l *Ledger) subscribe() error {
	sub, err := l.cfg.Conn.Subscribe(bus.SubjectAppend(l.cfg.LogName), func(m *nats.Msg) {
		reply := func(a *bus.Answer) {
			b, err := l.cfg.Codec.EncodeAnswer(a)
			if err == nil {
				err = m.Respond(b)
			}
			if err != nil {
				l.cfg.Logger.Error("answer not sent", "error", err)
			}
		}
		s, err := l.cfg.Codec.DecodeSubmission(m.Data)
		if err != nil {
			f, ok := fault.As(err)
			if !ok {
				f = fault.New(fault.InternalError, "", "the submission cannot be read")
			}
			reply(&bus.Answer{Refusal: bus.Refuse(f, bus.WholeGroup)})
			return
		}
		l.enter(s, len(m.Data), reply)
	})
	if err != nil {
		return fmt.Errorf("take submissions from the bus: %w", err)
	}
	// What waits is bounded by the queue behind, which answers; the connection must not drop a request without an answer.
	if err := sub.SetPendingLimits(-1, -1); err != nil {
		return fmt.Errorf("take submissions from the bus: %w", err)
	}
	l.sub = sub
	return l.cfg.Conn.Flush()
}

// noticeEvery is the shortest time between two notices: followers read on from where they are, however far the log has come.
const noticeEvery = 5 * time.Millisecond

// notify has followers told how far the log is.
func (l *Ledger) notify() {
	select {
	case l.grown <- struct{}{}:
	default: // somebody has said so already
	}
}

// sendNotices tells followers how far the log is, when it has grown and not too often.
func (l *Ledger) sendNotices(ctx context.Context) {
	rest := time.NewTimer(0)
	defer rest.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-l.grown:
		}
		next, epoch := l.log.Next()
		b, err := l.cfg.Codec.EncodeNotice(bus.Notice{Epoch: epoch, Next: next})
		if err == nil {
			err = l.cfg.Conn.Publish(bus.SubjectNotice(l.cfg.LogName), b)
		}
		if err != nil {
			l.cfg.Logger.WarnContext(ctx, "notice not sent", "error", err) // followers ask now and then without one
		}
		rest.Reset(noticeEvery)
		select {
		case <-ctx.Done():
			return
		case <-rest.C:
		}
	}
}
