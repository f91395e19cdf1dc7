//go:build !js

package eventlog

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Report is what Fsck found.
type Report struct {
	// What was looked at.
	Blocks, Events, Envelopes, Signatures, Records, Files uint64
	// Openings are events whose private values are kept and fit; Unopened those that commit to values which are not kept here.
	Openings, Unopened uint64
	// Erased are events of whose private values nothing is left.
	Erased uint64
	// Next is the position behind the last event that was derived anew, and Root the root of the tree over all of them.
	Next uint64
	Root [32]byte
	// Problems are in the order in which they were found; More counts those beyond the first thousand.
	Problems []Problem
	More     uint64
	// Notes are worth knowing and may be in order: the events counted in Unopened, the first thousand of them.
	Notes []Problem
}

// Problem is one thing that is wrong.
type Problem struct {
	// Copy is "journal", "store" or "openings"; "log" if both copies agree on something that cannot be.
	Copy string
	// Seq is the block's journal sequence, 0 if none is meant.
	Seq uint64
	// From and To are the positions touched; both are Unbounded if no position is meant.
	From, To uint64
	// What names file, record or event, and says what was found.
	What string
}

// String is the problem in one line.
func (p Problem) String() string {
	s := p.Copy
	if p.Seq > 0 {
		s += fmt.Sprintf(", block %d", p.Seq)
	}
	switch {
	case p.From == Unbounded:
	case p.To == Unbounded:
		s += fmt.Sprintf(", positions from %d on", p.From)
	case p.From == p.To:
		s += fmt.Sprintf(", position %d", p.From)
	default:
		s += fmt.Sprintf(", positions %d to %d", p.From, p.To)
	}
	return s + ": " + p.What
}

// OK tells whether nothing is wrong.
func (r *Report) OK() bool { return len(r.Problems) == 0 }

const mostProblems = 1000

func (r *Report) add(p Problem) {
	if len(r.Problems) == mostProblems {
		r.More++
		return
	}
	r.Problems = append(r.Problems, p)
}

func (r *Report) addError(copyName string, err error) {
	if m, ok := errors.AsType[*Mismatch](err); ok {
		r.add(Problem{m.Copy, m.Seq, m.From, m.To, m.Err.Error()})
		return
	}
	r.add(Problem{copyName, 0, Unbounded, Unbounded, err.Error()})
}

// Fsck derives the whole log anew from the journal's bytes and holds everything that is stored against it.
//
// Of each block: it decodes strictly, it follows the one before by position, hash and time, its envelopes list its statements, every
// signature verifies and is by a key that counted at that position, no event id stands twice, judging the events anew gives the stored
// findings, and the tree over all leaves has the root that the block names. Of the store: each file's checksums hold, each record is byte for byte what the
// journal makes, none is missing or left over, and each block made from the store is byte for byte the journal's. Private values fit
// their commitments.
//
// Where one copy lacks a block the other's is taken, so that the rest can be checked too. Neither copy is changed; a scratch store is
// made in the data folder, about as large as the log's, and removed again. The log must not be appended to meanwhile.
//
// The error says that the check could not be made; what is wrong with the log is in the report.
func Fsck(ctx context.Context, j JournalReader, l *Log, progress func(done, total uint64)) (*Report, error) {
	if progress == nil {
		progress = func(uint64, uint64) {}
	}
	c := &checker{ctx: ctx, journal: j, log: l, report: &Report{}, progress: progress}
	fs, dir := l.opts.FS, l.opts.FS.PathJoin(l.opts.Dir, "fsck")
	if err := fs.RemoveAll(dir); err != nil {
		return nil, fmt.Errorf("clear the scratch folder: %w", err)
	}
	var err error
	c.scratch, err = Open(Options{Dir: dir, FS: fs, FlushEvery: -1, CacheBytes: 16 << 20, MemTableBytes: 16 << 20})
	if err == nil {
		err = c.run()
		err = errors.Join(err, c.scratch.Close())
	}
	return c.report, errors.Join(err, fs.RemoveAll(dir))
}

// checker is one run of Fsck.
type checker struct {
	ctx      context.Context
	journal  JournalReader
	log      *Log
	scratch  *Log
	report   *Report
	progress func(done, total uint64)
	compared bool
}

func (c *checker) run() error {
	c.files()
	_, last, _, err := c.journal.Span(c.ctx)
	if err != nil {
		return err
	}
	head := c.log.Head()
	if m, ok := errors.AsType[*Mismatch](c.log.compareEnds(head, 1, last)); ok {
		c.report.addError("journal", m)
	}
	if f := c.log.flushed; head.Seq < f.Seq {
		c.report.add(Problem{"store", head.Seq + 1, head.Next, f.Next - 1,
			fmt.Sprintf("it was flushed up to block %d and has come back with %d; a start takes the rest from the journal again", f.Seq, head.Seq)})
	}
	if head.Seq == 0 {
		c.compareRecords() // with nothing: what the store has applied of the journal is none, and the node would replay it all
	}
	total := max(last, head.Seq)
	for seq := uint64(1); seq <= total; seq++ {
		if err := c.ctx.Err(); err != nil {
			return err
		}
		more, err := c.block(seq, last)
		if err != nil || !more {
			return err
		}
		if seq == head.Seq {
			c.compareRecords()
		}
		c.progress(seq, total)
	}
	done := c.scratch.Head()
	c.report.Next, c.report.Root = done.Next, done.Root()
	return nil
}

// block checks one block of either copy; more is false if the log cannot be derived further.
func (c *checker) block(seq, last uint64) (more bool, err error) {
	head := c.scratch.Head()
	inLog := c.log.Head().Next > head.Next
	var journal, store []byte
	if seq <= last {
		data, found, err := c.journal.Read(c.ctx, seq)
		switch {
		case c.ctx.Err() != nil:
			return false, c.ctx.Err()
		case err != nil:
			c.report.add(Problem{"journal", seq, head.Next, Unbounded, "the block cannot be read: " + err.Error()})
		case !found:
			c.report.add(Problem{"journal", seq, head.Next, Unbounded, "the block is missing"})
		default:
			journal = data
		}
	}
	if inLog {
		var at uint64
		at, store, err = c.log.BlockBytes(head.Next)
		if err == nil && at != seq {
			err = fmt.Errorf("the record at position %d says that it is of block %d", head.Next, at)
		}
		if err != nil {
			c.report.add(Problem{"store", seq, head.Next, head.Next, "the block cannot be made again: " + err.Error()})
			store = nil
		}
	}
	if journal != nil && store != nil && !bytes.Equal(journal, store) {
		c.report.add(Problem{"log", seq, head.Next, Unbounded, fmt.Sprintf("journal and store hold different blocks, %x and %x",
			block.Hash(journal), block.Hash(store))})
	}
	for _, source := range []struct {
		name string
		data []byte
	}{{"journal", journal}, {"store", store}} {
		if source.data == nil {
			continue
		}
		sealed, err := c.derive(source.name, seq, source.data)
		if err != nil {
			return false, err
		}
		if sealed != nil {
			c.events(sealed)
			return true, nil
		}
	}
	c.report.add(Problem{"log", seq, head.Next, Unbounded, "neither copy has a block that follows here; nothing behind it was checked"})
	return false, nil
}

// derive applies a block to the scratch store, judging it anew; nil: it is not sound, and the report says so.
func (c *checker) derive(copyName string, seq uint64, data []byte) (*Sealed, error) {
	head := c.scratch.Head()
	var checked *envelope.Envelope
	judge := func(v State, env *envelope.Envelope, e *Event) error {
		fresh := env != checked
		checked = env
		return c.judge(v, env, e, seq, fresh)
	}
	sealed, err := openBlock(&head, c.scratch, seq, data, judge)
	if err != nil {
		if m, ok := errors.AsType[*Mismatch](err); ok {
			m.Copy = copyName
		}
		c.report.addError(copyName, err)
		return nil, nil
	}
	st, err := c.scratch.Stage(sealed)
	if err == nil {
		err = c.scratch.Commit(st)
	}
	if err != nil {
		return nil, fmt.Errorf("scratch: %w", err)
	}
	c.report.Blocks++
	c.report.Events += uint64(len(sealed.Block.Events))
	c.report.Envelopes += uint64(len(sealed.Block.Envelopes))
	return sealed, nil
}

// judge holds an event against what the log's rules say. What it finds is reported and does not stop the derivation: the event is in the
// log, and those behind it were judged with it. Only an error of the scratch store is answered.
func (c *checker) judge(v State, env *envelope.Envelope, e *Event, seq uint64, freshEnvelope bool) error {
	wrong := func(format string, args ...any) {
		at := e.Recorded.Position
		c.report.add(Problem{"log", seq, at, at, fmt.Sprintf("event %s of lot %q: ", e.ID(), e.Recorded.Event.Lot) + fmt.Sprintf(format, args...)})
	}
	known, err := v.Posted(e.Recorded.Event.Party, e.Recorded.Event.RequestID)
	if err != nil {
		return err
	}
	if known != nil {
		wrong("the id stands at position %d already", known.Position)
	}
	if freshEnvelope {
		if err := c.signatures(v, env, e, wrong); err != nil {
			return err
		}
	}
	zone := int64(0)
	if log, err := v.Log(); err != nil {
		return err
	} else if log != nil {
		zone = log.Policy.ZoneMinutes
	}
	if f := opal.Check(&e.Recorded.Event, zone); f != nil {
		wrong("its shape is refused: %v", f)
	}
	again := *e.Recorded
	again.Findings = nil
	findings, refusal, err := account.Decide(v, &again)
	switch {
	case err != nil:
		return err
	case refusal != nil:
		wrong("judged anew it is refused: %v", refusal)
	case !slices.Equal(findings, e.Recorded.Findings):
		wrong("judged anew it has the findings %+v, stored are %+v", findings, e.Recorded.Findings)
	}
	return nil
}

// signatures verifies an envelope as its first event in a block finds it.
func (c *checker) signatures(v State, env *envelope.Envelope, e *Event, wrong func(string, ...any)) error {
	if opened := e.Recorded.Event.LogOpened; opened != nil {
		if err := CheckOpening(env, opened); err != nil {
			wrong("its envelope: %v", err)
		}
		c.report.Signatures += uint64(len(env.Signatures))
		return nil
	}
	refusal, err := CheckSigners(v, env, e.Recorded.Position)
	if err != nil {
		return err
	}
	if refusal != nil {
		wrong("its envelope: %v", refusal)
		return nil
	}
	if err := CheckSignatures(v, env); err != nil {
		if _, ok := errors.AsType[*StoreError](err); ok {
			return err
		}
		wrong("its envelope: %v", err)
	}
	c.report.Signatures += uint64(len(env.Signatures))
	return nil
}

// events checks the private values of a block's events.
func (c *checker) events(s *Sealed) {
	for _, e := range s.Draft.events {
		statement, err := envelope.DecodeStatement(e.Statement)
		if err != nil || len(statement.Commitments) == 0 {
			continue
		}
		at := e.Recorded.Position
		list, erased, err := c.log.OpeningsOf(e)
		switch {
		case err == nil && len(list) == 0 && len(erased) > 0:
			c.report.Erased++
			continue
		case err == nil && len(list) == 0:
			c.report.Unopened++
			if len(c.report.Notes) < mostProblems {
				c.report.Notes = append(c.report.Notes, Problem{"openings", s.Seq, at, at, fmt.Sprintf("event %s: its private values are not kept here", e.ID())})
			}
			continue
		case err == nil:
			err = statement.Reveal(list)
		}
		if err != nil {
			c.report.add(Problem{"openings", s.Seq, at, at, fmt.Sprintf("event %s: %v", e.ID(), err)})
			continue
		}
		c.report.Openings++
	}
}

// compareRecords holds every record of the store against the scratch store's, which is at the same block.
func (c *checker) compareRecords() {
	if c.compared {
		return
	}
	c.compared = true
	if err := c.compare(); err != nil {
		c.report.addError("store", err)
	}
}

func (c *checker) compare() (err error) {
	got, err := c.log.db.NewIter(&pebble.IterOptions{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, got.Close()) }()
	want, err := c.scratch.db.NewIter(&pebble.IterOptions{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, want.Close()) }()
	wrong := func(key []byte, what string) {
		c.report.add(Problem{"store", 0, Unbounded, Unbounded, "the " + describeKey(key) + " " + what})
	}
	ok, okWant := got.First(), want.First()
	for ok || okWant {
		if ok && bytes.Equal(got.Key(), auditKey()) {
			ok = got.Next()
			continue
		}
		order := 0
		switch {
		case !ok && got.Error() != nil:
			return got.Error()
		case !ok:
			order = 1
		case !okWant:
			order = -1
		default:
			order = bytes.Compare(got.Key(), want.Key())
		}
		switch {
		case order < 0:
			wrong(got.Key(), "should not be there")
			ok = got.Next()
			continue
		case order > 0:
			wrong(want.Key(), "is missing")
			okWant = want.Next()
			continue
		}
		a, err := got.ValueAndErr()
		if err != nil {
			return err
		}
		b, err := want.ValueAndErr()
		if err != nil {
			return err
		}
		if !bytes.Equal(a, b) {
			wrong(got.Key(), fmt.Sprintf("differs from what the events make: found %s, derived %s", sample(a), sample(b)))
		}
		c.report.Records++
		ok, okWant = got.Next(), want.Next()
	}
	return errors.Join(got.Error(), want.Error())
}

// sample shows the size and beginning of a value.
func sample(b []byte) string { return fmt.Sprintf("%d bytes %.16x…", len(b), b) }
