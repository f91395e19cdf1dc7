package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The limits of what one call may post.
const (
	MaxBatchEvents = 1_000
	MaxBatchBytes  = 384 << 10 // of statements
)

// Log is what this node has applied of the log. It is safe for many readers at once.
type Log interface {
	// Next gives the position of the event to come, and the log's epoch.
	Next() (position uint64, epoch [16]byte)
	// Wait returns once the event at a position is applied, or with the context's error.
	Wait(ctx context.Context, position uint64) error
	// Recorded finds an event by its id "<party>/<requestId>", nil: there is none.
	Recorded(id string) (*opal.Recorded, error)
}

// Directory knows parties and their keys, as of what this node has applied. It is safe for many readers at once.
type Directory interface {
	// Party gives a directory entry, nil: there is none. It is not to be changed.
	Party(id string) (*account.Party, error)
	// KeyHolder names the party that a key is of; "": nobody.
	KeyHolder(keyID string) (string, error)
}

// Openings keeps private values.
type Openings interface {
	// PutOpenings stores private values; they are on disk when it returns.
	PutOpenings(list ...eventlog.EventOpenings) error
}

// Handles finds lots by their public handles.
type Handles interface {
	// LotOf gives the lot that a handle leads to; "": it is unknown or revoked.
	LotOf(handle string) (string, error)
}

// Sequencer takes submissions to whoever sequences the log.
type Sequencer interface {
	// Send hands a submission on and returns. Submissions of one caller arrive in the order in which they were sent. answered is called
	// exactly once, perhaps before Send returns: with an answer, or with an error. An error that is a fault says what became of the
	// submission; after any other it may be in the log or not.
	Send(s *bus.Submission, answered func(*bus.Answer, error))
}

// Assays computes what measurements say.
type Assays interface {
	// Compute answers what the measurement of an event's test says; the event has one. A fault's field is a path within the measurement.
	// The same event always gets the same answer, except that a spectrum's file must be here.
	Compute(ctx context.Context, ev *opal.Event) (*opal.Computed, *fault.Error)
}

// Config is what an intake needs.
type Config struct {
	// LogName stands in every envelope.
	LogName string
	// Signer is the intake key, which attests for the party whose token posted.
	Signer envelope.Signer
	// SaltSecret makes the salts of private values, the same on every node.
	SaltSecret []byte
	Log        Log
	Directory  Directory
	Openings   Openings
	Handles    Handles
	Sequencer  Sequencer
	// Assays computes what measurements say; nil: none are taken.
	Assays Assays
	// Rand is for tokens, handles and request ids that callers leave to us.
	Rand io.Reader
	// Now is the clock for the events that the intake itself dates.
	Now    func() time.Time
	Logger *slog.Logger

	// InFlight is how many submissions may wait for their answers at once; 0: 2.
	InFlight int
	// MaxQueued bounds the bytes that wait to be sent; 0: 32 MiB.
	MaxQueued int
	// StreamWindow is how many batches of one stream may wait for their answers; 0: 8.
	StreamWindow int
}

func (c *Config) complete() error {
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	c.InFlight = orDefault(c.InFlight, 2)
	c.MaxQueued = orDefault(c.MaxQueued, 32<<20)
	c.StreamWindow = orDefault(c.StreamWindow, 8)
	var faults []error
	if err := opal.CheckLogName(c.LogName); err != nil {
		faults = append(faults, fmt.Errorf("log name: %w", err))
	}
	if len(c.SaltSecret) < 32 {
		faults = append(faults, fmt.Errorf("salt secret: found %d bytes, accepted are at least 32", len(c.SaltSecret)))
	}
	for name, missing := range map[string]bool{
		"signer": c.Signer.Private == nil, "log": c.Log == nil, "directory": c.Directory == nil, "openings": c.Openings == nil, "handles": c.Handles == nil,
		"sequencer": c.Sequencer == nil, "source of randomness": c.Rand == nil,
	} {
		if missing {
			faults = append(faults, fmt.Errorf("no %s", name))
		}
	}
	if c.InFlight < 0 || c.StreamWindow < 0 || c.MaxQueued < MaxBatchBytes {
		faults = append(faults, fmt.Errorf("found %d submissions in flight, a window of %d and %d bytes of queue; accepted are numbers above 0, and a queue that holds a batch",
			c.InFlight, c.StreamWindow, c.MaxQueued))
	}
	return errors.Join(faults...)
}

func orDefault(n, otherwise int) int {
	if n == 0 {
		return otherwise
	}
	return n
}

// Service answers the intake's calls. Close ends it.
type Service struct {
	pb.UnimplementedIntakeServiceServer
	cfg   Config
	queue *coalescer
}

var _ pb.IntakeServiceServer = (*Service)(nil)

// New makes a service and starts to send.
func New(cfg Config) (*Service, error) {
	if err := cfg.complete(); err != nil {
		return nil, fmt.Errorf("configure the intake: %w", err)
	}
	return &Service{cfg: cfg, queue: newCoalescer(cfg)}, nil
}

// Close takes no more events, and returns once those taken are answered.
func (s *Service) Close() { s.queue.close() }

// EventResult says where a posted event stands in the log.
type EventResult struct {
	Event    string // its id
	Lot      string
	Position uint64
	// Duplicate marks an event that was in the log already.
	Duplicate bool
	Findings  []opal.Finding
}

// Submit posts events of one party, all of them or none, and returns once they are in the log. The events have been checked
// (wire.EventToDomain); their Party is set here. A fault names the event in its field: "events[3].split.children[0].mass".
func (s *Service) Submit(ctx context.Context, party string, events []*opal.Event) ([]EventResult, *fault.Error) {
	results, f := s.submit(ctx, party, events)
	return results, f.inBatch()
}

// refusal is a fault with the event of the batch that it speaks of, or bus.WholeGroup.
type refusal struct {
	*fault.Error
	event int
}

func whole(f *fault.Error) *refusal {
	if f == nil {
		return nil
	}
	return &refusal{f, bus.WholeGroup}
}

// inBatch puts the event's place in front of the field.
func (r *refusal) inBatch() *fault.Error {
	if r == nil {
		return nil
	}
	if r.event == bus.WholeGroup {
		return r.Error
	}
	return under(fmt.Sprintf("events[%d]", r.event), r.Error)
}

// alone gives the fault of a post of one event, whose fields are the event's own.
func (r *refusal) alone() *fault.Error {
	if r == nil {
		return nil
	}
	return r.Error
}

// under puts a prefix in front of a fault's field.
func under(prefix string, f *fault.Error) *fault.Error {
	c := *f
	switch {
	case c.Field == "":
		c.Field = prefix
	case c.Field[0] == '[':
		c.Field = prefix + c.Field
	default:
		c.Field = prefix + "." + c.Field
	}
	return &c
}

// submit seals the events, hands them on, and waits for the answer.
func (s *Service) submit(ctx context.Context, party string, events []*opal.Event) ([]EventResult, *refusal) {
	if f := knownTables(events); f != nil {
		return nil, f
	}
	p, f := s.seal(ctx, party, events)
	if f != nil {
		return nil, f
	}
	if f := s.queue.post(ctx, p, false); f != nil {
		return nil, whole(f)
	}
	return s.await(ctx, p)
}

// await waits for a post's answer, and for this node to have applied what the answer speaks of.
func (s *Service) await(ctx context.Context, p *post) ([]EventResult, *refusal) {
	select {
	case out := <-p.done:
		if out.refused != nil {
			return nil, out.refused
		}
		return s.results(ctx, p, out.events), nil
	case <-ctx.Done():
		return nil, whole(gaveUp())
	}
}

// gaveUp is told to a caller whose deadline passed: its events may still get into the log.
func gaveUp() *fault.Error {
	return fault.New(fault.NoSequencer, "", "the call's deadline passed before the log had answered, and the events may be in it; sending them again with the same request ids is safe").
		Retry(retryAfter)
}

func (s *Service) results(ctx context.Context, p *post, events []bus.EventResult) []EventResult {
	out := make([]EventResult, len(events))
	last := uint64(0)
	for i, e := range events {
		out[i] = EventResult{Event: p.events[i].ID(), Lot: p.events[i].Lot, Position: e.Position, Duplicate: e.Duplicate, Findings: e.Findings}
		last = max(last, e.Position)
	}
	// The events are in the log whatever comes of this: it is only so that who posts here reads its own write here.
	_ = s.cfg.Log.Wait(ctx, last)
	return out
}
