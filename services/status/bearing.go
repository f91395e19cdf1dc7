package status

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"

	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// Bearing is a lot's status with what it rests on.
type Bearing struct {
	Status *pb.GetStatusResponse
	// Lots are those whose events were read for it, the lot itself among them; Positions are further events: policies, laboratories' counts, keys in other hands.
	Lots      []string
	Positions []uint64
	// Size is how many events of the log were known, and Rules the rule table that judged.
	Size  uint64
	Rules []byte
}

// Bearing answers the status of a lot, by all that this node knows, with what it rests on: the same question, asked of those events alone, has the same answer
// (see Replay).
func (s *Service) Bearing(ctx context.Context, in *pb.GetStatusRequest) (*Bearing, error) {
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	q, err := s.question(m, in.GetLot(), in.AsOf, nil)
	if err != nil {
		return nil, err
	}
	out := &Bearing{Size: m.next}
	read, asked := map[string]bool{}, map[evidence.Laboratory]bool{}
	q.Get = func(lot string) (*evidence.Summary, error) {
		read[lot] = true
		return m.view.store.summary(lot)
	}
	// What is remembered of known stones would hide what it was read from.
	counts := counting{list: m.view.counts.all(), get: q.Get, head: m.next}
	q.Validated = func(party string, method opal.Method, protocol string, knownAt uint64) ([]evidence.Validation, error) {
		asked[evidence.Laboratory{Party: party, Method: method, Protocol: protocol}] = true
		return counts.validated(party, method, protocol, knownAt)
	}
	if out.Status, err = m.status(q); err != nil {
		return nil, err
	}
	for _, p := range m.view.policies.all() {
		out.Positions = append(out.Positions, p.position)
	}
	for _, d := range m.view.doubts.all() {
		out.Positions = append(out.Positions, d.Position)
	}
	for _, v := range counts.list {
		if !asked[evidence.Laboratory{Party: v.Party, Method: v.Body.Method, Protocol: v.Body.Protocol}] {
			continue
		}
		// The event itself, whatever brought this reading, and what ended it.
		e, err := s.log.Recorded(v.Event)
		if err != nil {
			return nil, fmt.Errorf("read the counts of %s: %w", v.Event, err)
		}
		if e != nil {
			out.Positions = append(out.Positions, e.Position)
		}
		out.Positions = append(out.Positions, v.Since)
		if v.Until != 0 {
			out.Positions = append(out.Positions, v.Until)
		}
		for _, lot := range v.Body.Lots {
			read[lot] = true
		}
	}
	slices.Sort(out.Positions)
	out.Positions = slices.Compact(out.Positions)
	out.Lots = sorted(read)
	rules, err := m.view.policies.rules(m.next)
	out.Rules = rules.Table.Source()
	return out, err
}

func (p *policies) all() []policyAt {
	p.mu.RLock()
	defer p.mu.RUnlock()
	return p.list
}

// replayed is a log of which there are some events alone; nobody follows it.
type (
	replayed struct {
		someEvents
		noTail
		Accounts
	}
	someEvents interface{ Events }
	noTail     interface{ Tail }
)

// Replay answers a lot's status from some events alone, which were checked before and come in their order: by all events of a log of that size and epoch of which
// these are the ones that bear on it.
func Replay(log Events, list []*opal.Recorded, lot, asOf string, size uint64, epoch [16]byte) (*pb.GetStatusResponse, error) {
	p := &projection{log: replayed{someEvents: log}, fs: vfs.NewMem(), handle: func(string) string { return "" }, ratios: &evidence.Ratios{}, watch: newRegistry(), logger: slog.New(slog.DiscardHandler)}
	f, err := p.openFolder("replay")
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.store.close() }()
	f.unjudged = true
	g := f.newFolding()
	defer func() { _ = g.batch.Close() }()
	at := meta{Epoch: epoch, Next: size}
	for _, rec := range list {
		if err := g.event(rec); err != nil {
			return nil, fmt.Errorf("fold the event at %d: %w", rec.Position, err)
		}
		at.RecordedAt = rec.RecordedAt
	}
	if err := g.finish(&at); err != nil {
		return nil, err
	}
	f.policies.add(g.policies)
	if g.valid != nil {
		f.validations.set(g.valid)
	}
	f.compromises.add(g.doubts)
	p.attach(f)
	m := &moment{p.live, p.log, size, wire.Epoch(epoch)}
	when, err := opal.ParseWhen(strings.TrimSpace(asOf), 0)
	if err != nil {
		return nil, fault.New(fault.InvalidField, "asOf", "%s", err.Error())
	}
	if _, err := m.lot(lot, size); err != nil {
		return nil, err
	}
	return m.status(m.query(lot, when.To, size))
}
