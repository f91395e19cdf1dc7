//go:build !js

package eventlog

import (
	"context"
	"errors"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
)

// JournalReader is what the log needs of the journal. Both answer from what is durable, and a message once read stays as it is.
type JournalReader interface {
	// Read gives the message at a sequence; found is false only if the journal says that it has none there.
	Read(ctx context.Context, seq uint64) (data []byte, found bool, err error)
	// Span says where the journal begins and ends, and how many messages it holds; (1, 0, 0) if it is empty.
	Span(ctx context.Context) (first, last, count uint64, err error)
}

// CaughtUp says what CatchUp did.
type CaughtUp struct {
	// Blocks and Events are how many were replayed from the journal.
	Blocks, Events uint64
	// Refilled is set if the store had lost what it had flushed, and got it back from the journal.
	Refilled *Mismatch
}

// CatchUp compares the log with the journal and replays what the log does not have yet. If the two are not copies of one log the
// error is a *Mismatch, and the log takes no events from then on; any other error says that the comparison could not be made.
//
// It belongs to the goroutine that stages and commits, and may be called whenever the journal may have grown by another's hand.
func (l *Log) CatchUp(ctx context.Context, j JournalReader) (*CaughtUp, error) {
	done := &CaughtUp{}
	err := l.catchUp(ctx, j, done)
	if m, ok := errors.AsType[*Mismatch](err); ok {
		l.Refuse(m)
	}
	return done, err
}

func (l *Log) catchUp(ctx context.Context, j JournalReader, done *CaughtUp) error {
	first, last, count, err := j.Span(ctx)
	if err != nil {
		return fmt.Errorf("compare with the journal: %w", err)
	}
	head := l.Head()
	if err := l.compareEnds(head, first, last); err != nil {
		return err
	}
	if last >= first && count != last-first+1 {
		return l.findHole(ctx, j, first, last, count)
	}
	if head.Seq > 0 {
		data, found, err := j.Read(ctx, head.Seq)
		switch {
		case err != nil:
			return fmt.Errorf("compare with the journal: %w", err)
		case !found:
			return l.mismatch("journal", head.Seq, head.Seq, errors.New("the block is missing"))
		case block.Hash(data) != head.Hash:
			return l.mismatch("journal", head.Seq, head.Seq, fmt.Errorf("the block has the hash %x, the one that was applied %x", block.Hash(data), head.Hash))
		}
	}
	if head.Seq < l.flushed.Seq {
		done.Refilled = &Mismatch{Copy: "store", Seq: head.Seq + 1, From: head.Next, To: l.flushed.Next - 1,
			Err: fmt.Errorf("it was flushed up to block %d and has come back with %d", l.flushed.Seq, head.Seq)}
		l.opts.Logger.ErrorContext(ctx, "store has lost records, taking them from the journal", "error", done.Refilled)
	}
	return l.replay(ctx, j, last, done)
}

// compareEnds finds a journal that is shorter than it was, at either end.
func (l *Log) compareEnds(head Head, first, last uint64) error {
	if last < head.Seq {
		return l.mismatch("journal", last+1, head.Seq, fmt.Errorf("it ends with block %d, the store has applied %d", last, head.Seq))
	}
	if last < l.flushed.Seq {
		return &Mismatch{Copy: "journal", Seq: last + 1, From: head.Next, To: l.flushed.Next - 1,
			Err: fmt.Errorf("it ends with block %d, and %d were applied and flushed", last, l.flushed.Seq)}
	}
	if last > 0 && first != 1 {
		return l.mismatch("journal", 1, first-1, fmt.Errorf("it begins with block %d", first))
	}
	return nil
}

// findHole names the first block that the journal says it lacks.
func (l *Log) findHole(ctx context.Context, j JournalReader, first, last, count uint64) error {
	missing := last - first + 1 - count
	for seq := first; seq <= last; seq++ {
		_, found, err := j.Read(ctx, seq)
		if err != nil {
			return fmt.Errorf("look for the hole in the journal: %w", err)
		}
		if !found {
			return l.mismatch("journal", seq, seq, fmt.Errorf("the block is missing, %d are missing in all", missing))
		}
	}
	return &Mismatch{Copy: "journal", From: 0, To: Unbounded,
		Err: fmt.Errorf("it counts %d blocks from %d to %d, and each can be read", count, first, last)}
}

// mismatch names the positions of blocks, as far as the store knows them.
func (l *Log) mismatch(copyName string, seq, lastSeq uint64, err error) *Mismatch {
	m := &Mismatch{Copy: copyName, Seq: seq, To: Unbounded, Err: err}
	scanErr := l.blockRecords(0, func(first uint64, r *blockRecord) (bool, error) {
		if r.Seq == seq {
			m.From = first
		}
		if r.Seq == lastSeq {
			m.To = first + uint64(len(r.Lots)) - 1
		}
		return r.Seq < lastSeq, nil
	})
	if scanErr != nil {
		m.Err = fmt.Errorf("%w (and the positions cannot be told: %w)", err, scanErr)
	}
	return m
}

// message is a journal message that was read ahead.
type message struct {
	seq   uint64
	data  []byte
	found bool
	err   error
}

// replay applies the journal's blocks behind the head, up to last.
func (l *Log) replay(ctx context.Context, j JournalReader, last uint64, done *CaughtUp) error {
	ctx, stop := context.WithCancel(ctx)
	ahead := make(chan message, 4)
	finished := make(chan struct{})
	go func() {
		defer close(finished)
		defer close(ahead)
		for seq := l.Head().Seq + 1; seq <= last; seq++ {
			m := message{seq: seq}
			m.data, m.found, m.err = j.Read(ctx, seq)
			select {
			case ahead <- m:
			case <-ctx.Done():
				return
			}
		}
	}()
	defer func() {
		stop()
		<-finished
	}()
	for m := range ahead {
		if m.err != nil {
			return fmt.Errorf("replay block %d: %w", m.seq, m.err)
		}
		head := l.Head()
		if !m.found {
			return blockFault(&head, m.seq, errors.New("the block is missing"))
		}
		s, err := l.Follow(m.seq, m.data)
		if err != nil {
			return err
		}
		if m.seq == l.flushed.Seq && s.Hash != l.flushed.Hash {
			return blockFault(&head, m.seq, fmt.Errorf("the block has the hash %x, the one that was flushed %x", s.Hash, l.flushed.Hash))
		}
		done.Blocks++
		done.Events += uint64(len(s.Block.Events))
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return nil
}

// Follow applies one block of the journal that follows the head.
func (l *Log) Follow(seq uint64, data []byte) (*Sealed, error) {
	return l.follow(seq, data, nil)
}

// FollowWith is Follow, and shows each record that the block makes.
func (l *Log) FollowWith(seq uint64, data []byte, show func(key, value []byte) error) error {
	_, err := l.follow(seq, data, show)
	return err
}

func (l *Log) follow(seq uint64, data []byte, show func(key, value []byte) error) (*Sealed, error) {
	head := l.Head()
	s, err := openBlock(&head, l, seq, data, nil)
	if err != nil {
		return nil, err
	}
	st, err := l.Stage(s)
	if err != nil {
		return nil, err
	}
	if show != nil {
		if err := st.Records(show); err != nil {
			st.Drop()
			return nil, err
		}
	}
	return s, l.Commit(st)
}

// Judge decides an event anew on a state, as the ledger did when it was appended.
type Judge func(State, *envelope.Envelope, *Event) error
