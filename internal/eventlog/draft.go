//go:build !js

package eventlog

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Head is where a log stands: all that the next block is made from, beside its events. A Head is a value; its tree is never
// appended to in place.
type Head struct {
	Epoch   [16]byte
	LogName string
	// Seq and Hash are the journal sequence and the hash of the last block; 0 and zeros before the first.
	Seq  uint64
	Hash [32]byte
	// Next is the position of the next event.
	Next uint64
	// RecordedAt is the time of the last block.
	RecordedAt opal.Instant
	tree       block.Tree
}

// Root is the root of the tree over all events before Next.
func (h *Head) Root() [32]byte { return h.tree.Root() }

// Draft is a block that is being filled: a layer for its events and the envelopes that they came in.
type Draft struct {
	*Layer
	RecordedAt opal.Instant
	// PolicyVersion is the one in force at the block's start.
	PolicyVersion uint64
	envelopes     [][]byte
	hashes        [][32]byte
	numbers       map[[32]byte]uint32
	size          int
}

// NewDraft makes an empty draft on a state whose next position is first.
func NewDraft(below State, first uint64, recordedAt opal.Instant, policyVersion uint64) *Draft {
	return &Draft{
		Layer: NewLayer(below, first), RecordedAt: recordedAt, PolicyVersion: policyVersion,
		numbers: map[[32]byte]uint32{}, size: block.MaxOverhead,
	}
}

// Reset empties a draft for use again, once its block is applied: what was made of it (a Sealed) must not be used any more.
func (d *Draft) Reset(below State, first uint64) {
	d.Layer.Reset(below, first)
	d.RecordedAt, d.PolicyVersion, d.size = 0, 0, block.MaxOverhead
	clear(d.numbers)
	d.envelopes, d.hashes = nil, d.hashes[:0] // the block that was made holds the envelopes
}

// SizeWith says how large the block would be with these events of that envelope.
func (d *Draft) SizeWith(env []byte, hash [32]byte, events []*Event) (int, error) {
	size := d.size
	if _, ok := d.numbers[hash]; !ok {
		size += block.EnvelopeSize(env)
	}
	for _, e := range events {
		entry := entryOf(e)
		n, err := entry.Size()
		if err != nil {
			return 0, fmt.Errorf("measure event %s: %w", e.ID(), err)
		}
		size += n
	}
	return size, nil
}

func entryOf(e *Event) block.Entry {
	return block.Entry{
		Envelope: e.Envelope, Index: e.Index, Statement: e.Statement, Findings: e.Recorded.Findings, Outcome: e.Outcome,
	}
}

// EnvelopeNumber gives the number that an envelope has in the block, or will have if an event of it is put in next.
func (d *Draft) EnvelopeNumber(hash [32]byte) uint32 {
	if n, ok := d.numbers[hash]; ok {
		return n
	}
	return uint32(len(d.envelopes))
}

// Accept takes in the envelope of events that are put on the draft's layer, by Apply or Merge, and whose Envelope is EnvelopeNumber. The
// size is that of SizeWith.
func (d *Draft) Accept(env []byte, hash [32]byte, size int) {
	if _, ok := d.numbers[hash]; !ok {
		d.numbers[hash] = uint32(len(d.envelopes))
		d.envelopes = append(d.envelopes, env)
		d.hashes = append(d.hashes, hash)
	}
	d.size = size
}

// Sealed is a finished block with everything that applying it takes.
type Sealed struct {
	Block *block.Block
	// Bytes is what the journal holds, Hash its hash, Seq the only sequence at which it may stand.
	Bytes []byte
	Hash  [32]byte
	Seq   uint64
	Draft *Draft
	// After is the head once the block is applied.
	After  Head
	leaves [][32]byte
}

// Seal finishes a draft behind a head.
func (d *Draft) Seal(head *Head, sequencer string) (*Sealed, error) {
	if len(d.events) == 0 || d.first != head.Next {
		return nil, fmt.Errorf("seal a block of %d events at %d behind %d", len(d.events), d.first, head.Next)
	}
	b := &block.Block{
		Format: block.Format, LeastReader: 1, Epoch: head.Epoch, LogName: head.LogName, First: d.first, Prev: head.Hash,
		RecordedAt: d.RecordedAt, PolicyVersion: d.PolicyVersion, Sequencer: sequencer,
		Envelopes: d.envelopes, Events: make([]block.Entry, len(d.events)),
	}
	for i, e := range d.events {
		b.Events[i] = entryOf(e)
	}
	s := &Sealed{Block: b, Draft: d, Seq: head.Seq + 1}
	s.grow(head, d.hashes)
	b.Root = s.After.tree.Root()
	var err error
	if s.Bytes, err = b.Encode(); err != nil {
		return nil, fmt.Errorf("seal the block at %d: %w", d.first, err)
	}
	s.finish()
	return s, nil
}

// grow makes the leaves and the tree behind them.
func (s *Sealed) grow(head *Head, envelopes [][32]byte) {
	s.After = *head
	s.leaves = make([][32]byte, len(s.Block.Events))
	var buf [block.LeafSize]byte
	for i, e := range s.Draft.events {
		r := e.Recorded
		leaf := block.Leaf{
			Epoch: s.Block.Epoch, Position: r.Position, RecordedAt: s.Block.RecordedAt, EnvelopeHash: envelopes[e.Envelope],
			Index: e.Index, StatementHash: e.StatementHash, OutcomeHash: block.OutcomeHash(r.Findings, e.Outcome),
		}
		s.leaves[i] = s.After.tree.Append(leaf.Append(buf[:0]))
	}
}

// finish fills in what follows from the bytes.
func (s *Sealed) finish() {
	s.Hash = block.Hash(s.Bytes)
	s.After.Epoch, s.After.LogName = s.Block.Epoch, s.Block.LogName
	s.After.Seq, s.After.Hash = s.Seq, s.Hash
	s.After.Next = s.Block.First + uint64(len(s.Block.Events))
	s.After.RecordedAt = s.Block.RecordedAt
}

// openBlock reads a block from the journal behind a head: it checks that the block follows, and applies its events, with their stored
// findings, to a layer on the state. judge, if it is given, is called before each event is applied, with the state just before it.
//
// A block that does not follow is a *Mismatch.
func openBlock(head *Head, below State, seq uint64, data []byte, judge Judge) (*Sealed, error) {
	b, err := block.Decode(data)
	if err != nil {
		return nil, blockFault(head, seq, err)
	}
	if err := follows(head, b, seq); err != nil {
		return nil, err
	}
	envelopes, err := b.CheckEnvelopes()
	if err != nil {
		return nil, blockFault(head, seq, err)
	}
	d := NewDraft(below, b.First, b.RecordedAt, b.PolicyVersion)
	d.envelopes, d.hashes = b.Envelopes, b.EnvelopeHashes()
	for i := range b.Events {
		if err := d.replay(b, i, envelopes[b.Events[i].Envelope], judge); err != nil {
			return nil, blockFault(head, seq, fmt.Errorf("event at position %d: %w", b.First+uint64(i), err))
		}
	}
	if log, err := d.Log(); err != nil {
		return nil, err
	} else if log == nil || log.Epoch != b.Epoch || log.Name != b.LogName {
		return nil, blockFault(head, seq, fmt.Errorf("it is of the log %q, epoch %x, and its first event opens another", b.LogName, b.Epoch))
	}
	s := &Sealed{Block: b, Bytes: data, Seq: seq, Draft: d}
	s.grow(head, d.hashes)
	if got := s.After.tree.Root(); got != b.Root {
		return nil, blockFault(head, seq, fmt.Errorf("the tree's root is %x, the block says %x", got, b.Root))
	}
	s.finish()
	return s, nil
}

// replay puts event i of a decoded block on the draft.
func (d *Draft) replay(b *block.Block, i int, env *envelope.Envelope, judge Judge) error {
	entry := &b.Events[i]
	e, err := NewEvent(env.Payload.Party, entry.Statement, env.Payload.Statements[entry.Index])
	if err != nil {
		return err
	}
	e.Envelope, e.Index = entry.Envelope, entry.Index
	if err := e.SetOutcome(entry.Outcome); err != nil {
		return err
	}
	if err := e.Place(d, d.Next(), b.RecordedAt); err != nil {
		return err
	}
	e.Recorded.Findings = entry.Findings
	if judge != nil {
		if err := judge(d.Layer, env, e); err != nil {
			return err
		}
	}
	return d.Apply(e)
}

// follows checks all of a block that the head alone decides.
func follows(head *Head, b *block.Block, seq uint64) error {
	what := func(format string, args ...any) error { return blockFault(head, seq, fmt.Errorf(format, args...)) }
	switch {
	case seq != head.Seq+1:
		return what("it stands at journal sequence %d, the next is %d", seq, head.Seq+1)
	case b.First != head.Next:
		return what("it begins at position %d, the next is %d", b.First, head.Next)
	case b.Prev != head.Hash:
		return what("it names %x as the block before, that one is %x", b.Prev, head.Hash)
	case head.Seq > 0 && b.Epoch != head.Epoch:
		return what("it is of epoch %x, the log is %x", b.Epoch, head.Epoch)
	case head.Seq > 0 && b.LogName != head.LogName:
		return what("it is of the log %q, this is %q", b.LogName, head.LogName)
	case b.RecordedAt < head.RecordedAt:
		return what("it was recorded at %s, before the block before it at %s", b.RecordedAt, head.RecordedAt)
	}
	return nil
}
