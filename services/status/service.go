package status

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// Config is what a Service needs.
type Config struct {
	// Dir is the node's data folder; the projection lies in Dir/status-<schema>.
	Dir string
	Log Log
	// Handle gives a lot's first public handle.
	Handle func(lot string) string
	// FS is the file system; unset: the disk's.
	FS vfs.FS
	// Now is the clock, for questions that name no time; unset: the machine's.
	Now    func() time.Time
	Logger *slog.Logger
	// Patience is how long a read waits for a position if its context does not say; unset: 5 s.
	Patience time.Duration
	// MaxWatches bounds the streams of one caller; unset: 32. Heartbeat is how often a quiet one gives a sign of life; unset: 15 s.
	// SendWithin is how long a notice may take to be read; unset: 10 s.
	MaxWatches int
	Heartbeat  time.Duration
	SendWithin time.Duration
}

func (c *Config) complete() error {
	if c.Log == nil || c.Handle == nil || c.Dir == "" {
		return errors.New("configure the status service: it needs a folder, a log and the key of handles")
	}
	if c.FS == nil {
		c.FS = vfs.Default
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	if c.Patience <= 0 {
		c.Patience = 5 * time.Second
	}
	if c.MaxWatches <= 0 {
		c.MaxWatches = 32
	}
	if c.Heartbeat <= 0 {
		c.Heartbeat = 15 * time.Second
	}
	if c.SendWithin <= 0 {
		c.SendWithin = 10 * time.Second
	}
	return nil
}

// Service answers the questions of the contract's StatusService. It is safe for many callers at once.
type Service struct {
	pb.UnimplementedStatusServiceServer
	cfg  Config
	log  Log
	proj *projection
}

var _ pb.StatusServiceServer = (*Service)(nil)

// Open opens the projection, or begins to make it, and follows the log from then on. Questions may be asked at once; until the
// projection has caught up they wait.
func Open(cfg Config) (*Service, error) {
	if err := cfg.complete(); err != nil {
		return nil, err
	}
	p, err := openProjection(cfg.Log, cfg.Handle, cfg.FS, cfg.Dir, cfg.Logger)
	if err != nil {
		return nil, err
	}
	return &Service{cfg: cfg, log: cfg.Log, proj: p}, nil
}

// Close ends all watches and the following, and writes everything to disk. Whoever serves the methods has stopped doing so before.
func (s *Service) Close() error { return s.proj.closed() }

// EndWatches ends the streams that are open, so that a server that waits for its calls can stop.
func (s *Service) EndWatches() { s.proj.watch.close() }

// Rebuild makes the projection anew beside the one that is read, and then puts it in its place. The questions asked meanwhile are
// answered from the old one.
func (s *Service) Rebuild(ctx context.Context) error { return s.proj.rebuild(ctx) }

// Ready tells why the service cannot answer yet; nil: it can. It waits a moment for what has been applied just now.
func (s *Service) Ready() error {
	want, _ := s.log.Next()
	ctx, cancel := context.WithTimeout(context.Background(), settle)
	defer cancel()
	next, err := s.await(ctx, max(want, 1))
	if _, _, failed := s.proj.place.now(); failed != nil {
		return fault.New(fault.NotCaughtUp, "", "the projection has stopped before position %d; the server's log says why", next).Retry(time.Second)
	}
	return err
}

// settle is how long a question for readiness waits: under load the projection is always some blocks behind, and yet ready.
const settle = 250 * time.Millisecond

// Position is the position before which every event is in the projection.
func (s *Service) Position() uint64 {
	next, _, _ := s.proj.place.now()
	return next
}

func behind(next, want uint64) *fault.Error {
	return fault.New(fault.NotCaughtUp, "", "%d events of %d that the answer must reflect have been read so far; try again", next, want).Retry(time.Second)
}

// moment is what an answer reflects.
type moment struct {
	view  *view
	log   Log
	next  uint64 // every event before it
	epoch string
}

// position is the last position that the answer reflects.
func (m *moment) position() int64 { return wire.Position(m.next - 1) }

// begin waits until the projection reflects what a read must reflect. done must be called when the read has ended.
//
// A position always names an event: an answer's position is the last one that it reflects, and a question's minPosition is one that
// the answer must reflect. So the position that a write answered, and the one that another read answered, can both be given back.
func (s *Service) begin(ctx context.Context, minPosition *int64, inEpoch, knownAt *string) (m *moment, done func(), err error) {
	want, epoch := s.log.Next()
	if err := sameEpoch(inEpoch, epoch); err != nil {
		return nil, nil, err
	}
	if minPosition != nil {
		p, f := wire.PositionToDomain("minPosition", *minPosition)
		if f != nil {
			return nil, nil, f
		}
		want = max(want, p+1)
	}
	if p, ok, f := knownPosition(knownAt); f != nil {
		return nil, nil, f
	} else if ok {
		want = max(want, p+1)
	}
	next, err := s.await(ctx, max(want, 1))
	if err != nil {
		return nil, nil, err
	}
	v, done := s.proj.read()
	return &moment{v, s.log, next, wire.Epoch(epoch)}, done, nil
}

// sameEpoch refuses a question that was meant for the log before it was restored.
func sameEpoch(given *string, epoch [16]byte) error {
	if given == nil || *given == "" {
		return nil
	}
	e, f := wire.EpochToDomain("epoch", *given)
	if f != nil {
		return f
	}
	if e != epoch {
		return epochChanged(*given, epoch)
	}
	return nil
}

func epochChanged(given string, epoch [16]byte) *fault.Error {
	return fault.New(fault.EpochChanged, "epoch", "found the epoch %s, accepted is %x: the log was restored, and earlier positions mean nothing in it", given, epoch)
}

// patience is how long to wait for a caller: a little less than it waits itself, so that it learns why there is no answer.
func (s *Service) patience(ctx context.Context) time.Duration {
	deadline, ok := ctx.Deadline()
	if !ok {
		return s.cfg.Patience
	}
	left := time.Until(deadline)
	return max(0, min(left-left/10, left-20*time.Millisecond))
}

// await waits until the projection has reached a position.
func (s *Service) await(ctx context.Context, want uint64) (uint64, error) {
	timer := time.NewTimer(s.patience(ctx))
	defer timer.Stop()
	for {
		next, changed, failed := s.proj.place.now()
		if next >= want {
			return next, nil
		}
		if failed != nil {
			return next, fmt.Errorf("the projection does not go on: %w", failed)
		}
		s.proj.place.hurry()
		select {
		case <-changed:
		case <-timer.C:
			return next, behind(next, want)
		case <-ctx.Done():
			return next, behind(next, want)
		}
	}
}

// knownPosition reads a knownAt that is a position.
func knownPosition(knownAt *string) (position uint64, ok bool, f *fault.Error) {
	if knownAt == nil || *knownAt == "" || len(*knownAt) > 19 {
		return 0, false, nil
	}
	for i := range len(*knownAt) {
		if c := (*knownAt)[i]; c < '0' || c > '9' {
			return 0, false, nil
		}
	}
	p, err := strconv.ParseInt(*knownAt, 10, 64)
	if err != nil {
		return 0, false, fault.New(fault.InvalidField, "knownAt", "found %q, accepted is a position such as 4711 or a time such as 2026-03-04T10:20:00Z", *knownAt)
	}
	return uint64(p), true, nil
}

// known is the position before which everything was known: at the time or position that was asked for, else now.
func (m *moment) known(knownAt *string) (uint64, error) {
	if knownAt == nil || *knownAt == "" {
		return m.next, nil
	}
	if p, ok, f := knownPosition(knownAt); f != nil {
		return 0, f
	} else if ok {
		return p + 1, nil
	}
	when, err := opal.ParseWhen(*knownAt, 0)
	if err != nil || when.IsDay() {
		return 0, fault.New(fault.InvalidField, "knownAt", "found %q, accepted is a position such as 4711 or a time such as 2026-03-04T10:20:00Z", *knownAt)
	}
	next, err := m.view.store.knownBy(when.From)
	return min(next, m.next), err
}

// asOf is the time that was asked about: its end, if it is a day.
func (s *Service) asOf(m *moment, given *string) (opal.Instant, error) {
	if given == nil || *given == "" {
		return opal.InstantOf(s.cfg.Now()), nil
	}
	when, err := opal.ParseWhen(*given, m.view.policies.before(m.next).ZoneMinutes)
	if err != nil {
		return 0, fault.New(fault.InvalidField, "asOf", "%s", err.Error())
	}
	return when.To, nil
}

// caller is who asks.
func caller(ctx context.Context) (string, error) {
	c, ok := rpc.CallerFrom(ctx)
	if !ok {
		return "", fault.New(fault.NoToken, "", "found no token; accepted is the token of an enrolled party")
	}
	return c.Party, nil
}

func unknownLot(id string) *fault.Error {
	if err := opal.CheckLot(id); err != nil {
		return fault.New(fault.UnknownLot, "lot", "%s", err.Error())
	}
	return fault.New(fault.UnknownLot, "lot", "found %s, which is no lot of this log; accepted is the id of a lot that was opened in it", id)
}

// lot reads the record of a lot that must have been there before a position.
func (m *moment) lot(id string, known uint64) (*lotRecord, error) {
	if opal.CheckLot(id) != nil {
		return nil, unknownLot(id)
	}
	r, err := m.view.store.lot(id)
	if err != nil {
		return nil, err
	}
	if r == nil || len(r.Summary.Openings) == 0 || r.Summary.Openings[0].Fact.Position >= m.next {
		return nil, unknownLot(id)
	}
	if first := r.Summary.Openings[0].Fact.Position; first >= known {
		return nil, fault.New(fault.UnknownLot, "lot", "found %s, whose first event is at position %d, after what was to be known; accepted is a knownAt from there on", id, first)
	}
	return r, nil
}

// query asks internal/evidence.
func (m *moment) query(lot string, asOf opal.Instant, known uint64) evidence.Query {
	return evidence.Query{Lot: lot, Compromised: doubtful(m.view.doubts.all(), m.log, known), Get: m.view.store.summary, AsOf: asOf, KnownAt: known, Rules: m.view.policies.rules,
		Validated: counting{m.view.counts.all(), m.view.store.summary, m.view.references, m.next}.validated, Ratios: m.view.ratios}
}
