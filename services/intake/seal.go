package intake

import (
	"context"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// post is one atomic batch of one party, from the moment it is sealed until it is answered.
type post struct {
	party      string
	statements [][]byte
	hashes     [][32]byte
	openings   []eventlog.EventOpenings
	// signed is the party's own envelope; nil: the intake signs.
	signed []byte
	// events are those of the statements, for the answer.
	events []*opal.Event
	// outcomes are what was computed from measurements, by the index of the statement within the post.
	outcomes []bus.SubmittedOutcome
	// size is what the post adds to a submission at most.
	size int
	// gone tells that nobody waits any more.
	gone <-chan struct{}
	// done gets the one outcome.
	done chan outcome
}

type outcome struct {
	events  []bus.EventResult
	refused *refusal
}

// What a statement adds to a submission beside its own bytes (its hash in the envelope, the heads of both, a group), and what an
// envelope adds (names, signature, heads). Both are more than enough.
const (
	perStatement = 48
	perEnvelope  = 640
)

func newPost(ctx context.Context, party string, n int) *post {
	return &post{
		party: party, statements: make([][]byte, 0, n), hashes: make([][32]byte, 0, n), events: make([]*opal.Event, 0, n),
		size: perEnvelope, gone: ctx.Done(), done: make(chan outcome, 1),
	}
}

// add puts a statement and its event into the post.
func (p *post) add(ev *opal.Event, statement []byte, hash [32]byte, openings []envelope.Opening) {
	p.statements = append(p.statements, statement)
	p.hashes = append(p.hashes, hash)
	p.events = append(p.events, ev)
	p.size += len(statement) + perStatement
	if len(openings) > 0 {
		p.openings = append(p.openings, eventlog.EventOpenings{Party: p.party, RequestID: ev.RequestID, StatementHash: hash, Openings: openings})
	}
}

// measure has what the measurement of the post's last event says computed, if it has one.
func (s *Service) measure(ctx context.Context, p *post, ev *opal.Event) *fault.Error {
	t, path := ev.Test()
	if t == nil || t.Measurement == nil {
		return nil
	}
	if s.cfg.Assays == nil {
		return fault.New(fault.InvalidField, path+".measurement", "found a measurement, accepted by this node is the outcome alone")
	}
	// A request that is repeated has its first answer, even if the file that it was computed from is gone: the ledger compares the content.
	rec, err := s.cfg.Log.Recorded(ev.ID())
	if err != nil {
		return asFault(fmt.Errorf("look for the event: %w", err))
	}
	var c *opal.Computed
	if rec != nil {
		c = rec.Computed
	}
	if c == nil {
		var f *fault.Error
		if c, f = s.cfg.Assays.Compute(ctx, ev); f != nil {
			return under(path+".measurement", f)
		}
	}
	b, err := block.EncodeOutcome(c)
	if err != nil {
		return under(path, asFault(err))
	}
	p.outcomes = append(p.outcomes, bus.SubmittedOutcome{Index: uint32(len(p.statements) - 1), Outcome: b})
	p.size += len(b) + perStatement
	return nil
}

// seal makes a post of a party's events. The same events under the same ids always make the same bytes.
func (s *Service) seal(ctx context.Context, party string, events []*opal.Event) (*post, *refusal) {
	if f := checkCount("events", len(events)); f != nil {
		return nil, whole(f)
	}
	p := newPost(ctx, party, len(events))
	total := 0
	for i, ev := range events {
		ev.Party = party
		sealed, err := envelope.Seal(ev, s.salts(party, ev.RequestID))
		if err != nil {
			return nil, &refusal{asFault(err), i}
		}
		total += len(sealed.Bytes)
		p.add(ev, sealed.Bytes, sealed.Hash, sealed.Openings)
		if f := s.measure(ctx, p, ev); f != nil {
			return nil, &refusal{f, i}
		}
	}
	if f := checkBytes("events", total); f != nil {
		return nil, whole(f)
	}
	return p, nil
}

// salts gives the salts of a request. Most events have no private value, and then none is prepared.
func (s *Service) salts(party string, id opal.RequestID) func(string) [16]byte {
	var salt func(string) [16]byte
	return func(path string) [16]byte {
		if salt == nil {
			salt = envelope.Salts(s.cfg.SaltSecret, party, id)
		}
		return salt(path)
	}
}

// knownTable refuses a policy that judges by a rule table which this version does not have: nobody could say any more what the record
// shows, and what the log holds cannot be taken back.
func knownTable(ev *opal.Event) *fault.Error {
	if ev.PolicySet == nil || ev.PolicySet.Policy.RuleTable == ([32]byte{}) {
		return nil
	}
	table := ev.PolicySet.Policy.RuleTable
	if _, ok := evidence.TableByHash(table); ok {
		return nil
	}
	return fault.New(fault.InvalidField, "policySet.policy.ruleTable", "found %x, which this version does not have; accepted is the SHA-256 of a rule table that it has, such as the latest, %x",
		table, evidence.Latest().Hash)
}

// knownTables is knownTable for all events of a post.
func knownTables(events []*opal.Event) *refusal {
	for i, ev := range events {
		if f := knownTable(ev); f != nil {
			return &refusal{f, i}
		}
	}
	return nil
}

func checkCount(field string, n int) *fault.Error {
	switch {
	case n == 0:
		return fault.New(fault.InvalidField, field, "found none, accepted are 1 to %d", MaxBatchEvents)
	case n > MaxBatchEvents:
		return fault.New(fault.TooLarge, field, "found %d, accepted are at most %d at once", n, MaxBatchEvents)
	}
	return nil
}

func checkBytes(field string, n int) *fault.Error {
	if n <= MaxBatchBytes {
		return nil
	}
	return fault.New(fault.TooLarge, field, "found %d bytes of statements, accepted are at most %d at once", n, MaxBatchBytes)
}

// asFault gives the fault in an error; what has none is INTERNAL, with the error's text for the log alone.
func asFault(err error) *fault.Error {
	if f, ok := fault.As(err); ok {
		return f
	}
	return fault.New(fault.InternalError, "", "%s", fmt.Sprint(err))
}
