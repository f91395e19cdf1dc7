package ledger

import (
	"crypto/sha256"
	"fmt"
	"sync/atomic"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// maxBatch is the most bytes of statements that one atomic batch may have.
const maxBatch = 384 << 10

// job is a submission on its way. Each group is decided once, by whoever has it at that time; the last one sends the answer.
type job struct {
	groups []*group
	size   int
	answer bus.Answer
	left   atomic.Int64
	reply  func(*bus.Answer)
}

// group is one atomic batch.
type group struct {
	job    *job
	number int // of the result in the answer
	env    *sentEnvelope
	events []*eventlog.Event
	// results is what the group is answered if the block it waits for is acknowledged.
	results []bus.EventResult
	// twins are events of the group that are in it twice, by index.
	twins []twin
}

type twin struct{ first, second int }

// sentEnvelope is an envelope as it was sent.
type sentEnvelope struct {
	*envelope.Envelope
	bytes []byte
	hash  [32]byte
	// vouched is the state of the directory in which the signers were found to be in order; 0: not yet. Owned by the sequencer.
	vouched uint64
	// zone is the one in which the events' shapes were checked.
	zone int64
}

func newJob(s *bus.Submission, size int, reply func(*bus.Answer)) *job {
	n := 0
	for i := range s.Envelopes {
		n += len(s.Envelopes[i].Groups)
	}
	j := &job{size: size, reply: reply, groups: make([]*group, n)}
	groups := make([]group, n)
	for i := range groups {
		groups[i].job, groups[i].number = j, i
		j.groups[i] = &groups[i]
	}
	j.answer.Results = make([]bus.GroupResult, n)
	j.left.Store(int64(n))
	return j
}

func (j *job) undecided() int64 { return j.left.Load() }

// finish sends an answer that was complete before anybody waited for it.
func (j *job) finish() { j.reply(&j.answer) }

// refuseAll refuses every group of a job that was not queued.
func (j *job) refuseAll(f *fault.Error) {
	for _, g := range j.groups {
		if r := &j.answer.Results[g.number]; r.Refusal == nil {
			r.Refusal = bus.Refuse(f, bus.WholeGroup)
		}
	}
	j.finish()
}

// decide settles a group, once.
func (g *group) decide(r bus.GroupResult) {
	g.job.answer.Results[g.number] = r
	if g.job.left.Add(-1) == 0 {
		g.job.finish()
	}
}

func (g *group) refuse(f *fault.Error, event int) {
	g.decide(bus.GroupResult{Refusal: bus.Refuse(f, event)})
}

// confirm answers the results: the block that they wait for is acknowledged and applied.
func (g *group) confirm() { g.decide(bus.GroupResult{Events: g.results}) }

// prepare does all of a submission that needs no state, or any: it runs beside the sequencer. Groups that are refused here have
// their result, and are no longer in j.groups.
//
// Whatever intake has checked already is checked here once more, except for the signatures: this is the last door before bytes become
// permanent, and what a mistake lets through here can stop a replay for ever. It costs about 3 microseconds an event, on another core than
// judging. A signature would cost 44 and is checked behind instead, on what was appended.
func (l *Ledger) prepare(j *job, s *bus.Submission) {
	var zone int64
	if state, _ := l.log.Log(); state != nil {
		zone = state.Policy.ZoneMinutes
	}
	rest := j.groups
	j.groups = make([]*group, 0, len(rest))
	for i := range s.Envelopes {
		sent := &s.Envelopes[i]
		env, f := l.readEnvelope(sent)
		var events []*eventlog.Event
		var results []bus.EventResult
		if env != nil {
			env.zone = zone
			events, results = eventlog.NewEvents(len(sent.Statements)), make([]bus.EventResult, len(sent.Statements))
		}
		first := 0
		for _, n := range sent.Groups {
			g := rest[0]
			rest = rest[1:]
			g.env = env
			event := bus.WholeGroup
			refusal := f
			if refusal == nil {
				g.events, g.results = events[first:first+n:first+n], results[first:first+n:first+n]
				refusal, event = g.read(sent, first, n)
			}
			if refusal != nil {
				j.answer.Results[g.number].Refusal = bus.Refuse(refusal, event)
				j.left.Add(-1)
			} else {
				j.groups = append(j.groups, g)
			}
			first += n
		}
	}
}

func (l *Ledger) readEnvelope(sent *bus.SubmittedEnvelope) (*sentEnvelope, *fault.Error) {
	env, err := envelope.Decode(sent.Envelope)
	if err != nil {
		return nil, asFault(err, "the envelope cannot be read")
	}
	if name := env.Payload.LogName; name != l.cfg.LogName {
		return nil, fault.New(fault.InvalidField, "payload.logName", "found %q, accepted is %q, the name of this log", name, l.cfg.LogName)
	}
	if got, want := len(sent.Statements), len(env.Payload.Statements); got != want {
		return nil, fault.New(fault.InvalidField, "statements", "found %d statements, accepted are the %d that the envelope lists", got, want)
	}
	return &sentEnvelope{Envelope: env, bytes: sent.Envelope, hash: envelope.Hash(sent.Envelope)}, nil
}

// read decodes the n statements of the group, of which the first has that index in the envelope.
func (g *group) read(sent *bus.SubmittedEnvelope, first, n int) (*fault.Error, int) {
	statements, outcomes := sent.Statements, sent.Outcomes
	for len(outcomes) > 0 && int64(outcomes[0].Index) < int64(first) {
		outcomes = outcomes[1:]
	}
	size := 0
	for i := range n {
		size += len(statements[first+i])
	}
	if n > 1 && size > maxBatch {
		return fault.New(fault.TooLarge, "", "found a batch of %d bytes, accepted are at most %d", size, maxBatch), bus.WholeGroup
	}
	payload := &g.env.Payload
	for i, e := range g.events {
		at := first + i
		b := statements[at]
		hash := sha256.Sum256(b)
		if hash != payload.Statements[at] {
			return fault.New(fault.InvalidField, fmt.Sprintf("statements[%d]", at), "found a statement with the hash %x, accepted is the one with %x, which the envelope lists there", hash, payload.Statements[at]), i
		}
		if err := e.Read(payload.Party, b, hash); err != nil {
			return asFault(err, "the statement cannot be read"), i
		}
		e.Index = uint32(at)
		if f := opal.Check(&e.Recorded.Event, g.env.zone); f != nil {
			return f, i
		}
		var outcome []byte
		if len(outcomes) > 0 && int64(outcomes[0].Index) == int64(at) {
			outcome, outcomes = outcomes[0].Outcome, outcomes[1:]
		}
		if f := measured(e, outcome); f != nil {
			return f, i
		}
	}
	return nil, bus.WholeGroup
}

// measured puts what was computed from a measurement beside the event. Each measurement has its outcome, and nothing else has one.
func measured(e *eventlog.Event, outcome []byte) *fault.Error {
	t, path := e.Recorded.Event.Test()
	if has := t != nil && t.Measurement != nil; has != (len(outcome) > 0) {
		return fault.New(fault.InternalError, path, "a measurement and its computed outcome do not come together")
	}
	if err := e.SetOutcome(outcome); err != nil {
		return asFault(err, "the computed outcome cannot be read")
	}
	if c := e.Recorded.Computed; c != nil {
		for _, o := range append([]opal.Outcome{c.Outcome}, c.Also...) {
			if o != "" && !t.Method.KnowsOutcome(o) {
				return fault.New(fault.InternalError, path+".measurement", "found the computed outcome %s, which is none of %s", o, t.Method)
			}
		}
	}
	return nil
}

// asFault gives the fault of an error that should carry one.
func asFault(err error, otherwise string) *fault.Error {
	if f, ok := fault.As(err); ok {
		return f
	}
	return fault.New(fault.InternalError, "", "%s", otherwise)
}
