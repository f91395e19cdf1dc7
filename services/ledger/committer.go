package ledger

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// What becomes of a block that is not committed. These sentences are told to callers; what the journal or the store said is not.
var (
	errTaken     = errors.New("another block took its place in the journal")
	errUnsettled = errors.New("the journal does not say whether it has it")
	errTurnedOff = errors.New("the journal did not take it")
	// errBroken is a fault of this program or of the store.
	errBroken = errors.New("the block could not be made or stored")
)

// refusalOf is what those are told who wait for a block that failed. Their events may be in the log all the same (errUnsettled): the same
// request, sent again, is answered with what became of it.
func (l *Ledger) refusalOf(err error) *fault.Error {
	if f := l.log.ReadOnly(); f != nil {
		return f
	}
	for _, why := range []error{errTaken, errUnsettled, errTurnedOff} {
		if errors.Is(err, why) {
			return fault.New(fault.NoSequencer, "", "the block was not confirmed (%v); sent again with the same ids, the events are in the log once at most", why).Retry(time.Second)
		}
	}
	return fault.New(fault.InternalError, "", "%v", errBroken)
}

// commitAll brings one block after the other into the log, until flights is closed.
func (l *Ledger) commitAll(ctx context.Context, flights <-chan *flight, landed chan<- landing) {
	for f := range flights {
		err := l.commit(ctx, f)
		if err != nil {
			l.cfg.Logger.Error("block not committed", "first", f.draft.First(), "events", len(f.draft.Events()), "error", err)
		}
		landed <- landing{f, err}
	}
}

// commit seals, publishes and applies a block and answers its groups. With an error the groups are answered as well.
func (l *Ledger) commit(ctx context.Context, f *flight) error {
	sealed, err := l.seal(f)
	if err == nil {
		err = l.bring(ctx, sealed)
	}
	if err != nil {
		for _, g := range f.groups {
			g.refuse(l.refusalOf(err), bus.WholeGroup)
		}
		return err
	}
	// Whoever waits is answered before the place is free for the next block: their next events are then in it.
	for _, g := range f.groups {
		g.confirm()
	}
	l.notify()
	return nil
}

func (l *Ledger) seal(f *flight) (*eventlog.Sealed, error) {
	head := l.log.Head()
	sealed, err := f.draft.Seal(&head, l.cfg.Sequencer)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errBroken, err)
	}
	return sealed, nil
}

// bring gets a sealed block into the journal and then into the store. Its records are written out while the journal is at work.
func (l *Ledger) bring(ctx context.Context, sealed *eventlog.Sealed) error {
	published := make(chan error, 1)
	go func() { published <- l.settle(ctx, sealed) }()
	staged, err := l.log.Stage(sealed)
	if journalErr := <-published; journalErr != nil {
		if err == nil {
			staged.Drop()
		}
		return fmt.Errorf("%s: %w", sealed, journalErr)
	}
	if err == nil {
		err = l.log.Commit(staged)
	}
	if err != nil {
		// The journal has the block and the store has not. The log is read only from here: a start replays it.
		l.log.Refuse(&eventlog.Mismatch{Copy: "store", Seq: sealed.Seq, From: sealed.Block.First, To: sealed.After.Next - 1, Err: err})
		return fmt.Errorf("%w: %w", errBroken, err)
	}
	return nil
}

// settle publishes a block and does not come back before it is known what became of it, or SettleWithin has passed.
//
// An acknowledgement is the commit. Everything else is looked up and never guessed: the only place where the block can stand is the sequence
// behind the one it was made for, so what stands there decides. It is this block: it is committed, whatever the answer was (the
// acknowledgement was lost, or the second try met the first). It is another: this one will never be in the log. There is none: the
// same bytes are published once more with the same expectation; should the first try arrive after all, one of the two is turned away, and it
// does not matter which.
func (l *Ledger) settle(ctx context.Context, s *eventlog.Sealed) error {
	deadline := time.Now().Add(l.cfg.SettleWithin)
	pause := 5 * time.Millisecond
	for {
		err := l.publish(ctx, s)
		if err == nil {
			return nil
		}
		if !errors.Is(err, bus.ErrFenced) && !errors.Is(err, bus.ErrAmbiguous) {
			return fmt.Errorf("%w: %w", errTurnedOff, err)
		}
		there, lookErr := l.look(ctx, s)
		switch {
		case lookErr == nil && there == ours:
			return nil
		case lookErr == nil && there == another:
			return fmt.Errorf("%w: %w", errTaken, err)
		}
		if time.Now().After(deadline) || ctx.Err() != nil {
			return fmt.Errorf("%w: %w", errUnsettled, errors.Join(err, lookErr))
		}
		select {
		case <-time.After(pause):
		case <-ctx.Done():
		}
		pause = min(2*pause, time.Second)
	}
}

func (l *Ledger) publish(ctx context.Context, s *eventlog.Sealed) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), l.cfg.PublishWithin)
	defer cancel()
	_, err := l.cfg.Journal.Publish(ctx, s.Seq-1, s.Bytes)
	return err
}

// place is what stands in the journal where a block should.
type place uint8

const (
	empty place = iota
	ours
	another
)

func (l *Ledger) look(ctx context.Context, s *eventlog.Sealed) (place, error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), l.cfg.PublishWithin)
	defer cancel()
	data, found, err := l.cfg.Journal.Read(ctx, s.Seq)
	switch {
	case err != nil || !found:
		return empty, err
	case block.Hash(data) == s.Hash:
		return ours, nil
	}
	return another, nil
}

// othersSince tells whether a block behind a position was sealed by another node.
func (l *Ledger) othersSince(position uint64) bool {
	others := false
	err := l.log.Blocks(position, func(b *block.Block) error {
		others = others || b.Sequencer != l.cfg.Sequencer
		return nil
	})
	return others || err != nil
}
