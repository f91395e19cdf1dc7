package status

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// folder folds blocks into a store. It is the only writer of what it writes. What it makes of a block follows from the blocks up to that
// one alone: folding them again into another store gives the same bytes.
type folder struct {
	store    *store
	log      Events
	handle   func(lot string) string
	policies *policies
	jobs     *jobs
	at       meta
	// validations are what laboratories counted.
	validations *validations
	compromises *compromises
	ratios      *evidence.Ratios
	// unjudged: what was claimed at sales is not judged, because nobody will read it.
	unjudged bool
	// references are the counts that are remembered of what is in the store.
	references *references
	// watch, if set, learns which lots and parties each event concerns, once it is in the store; told are those of the last block.
	watch *registry
	told  []concerned
}

// errOtherLog says that the store holds the projection of another log, or of one that has since changed.
var errOtherLog = errors.New("the projection was made of another log")

// blocks folds some blocks that follow each other. The store holds all of them or nothing; what it holds is the same, however a log's
// blocks are parted into groups.
func (f *folder) blocks(group []*eventlog.Applied) error {
	g := f.newFolding()
	defer func() { _ = g.batch.Close() }()
	g.watched = f.watch != nil && f.watch.any()
	f.told = nil
	var told []concerned
	at := f.at
	for _, a := range group {
		b := a.Block
		if b.First != at.Next || b.Prev != at.Block {
			return fmt.Errorf("fold the block at %d: the projection stands at %d: %w", b.First, at.Next, errOtherLog)
		}
		for _, rec := range a.Events {
			if err := g.event(rec); err != nil {
				return fmt.Errorf("fold the event at %d: %w", rec.Position, err)
			}
			if g.watched {
				told = append(told, g.concerned)
			}
		}
		at = meta{Epoch: b.Epoch, Next: b.First + uint64(len(a.Events)), Block: a.Hash, RecordedAt: b.RecordedAt}
		if err := g.batch.Set(keyTime(int64(at.RecordedAt), b.First), binary.BigEndian.AppendUint64(nil, at.Next), nil); err != nil {
			return fmt.Errorf("fold the block at %d: %w", b.First, err)
		}
	}
	f.references.touch(maps.Keys(g.lots))
	err := g.finish(&at)
	f.references.done()
	if err != nil {
		return fmt.Errorf("fold the blocks before %d: %w", at.Next, err)
	}
	f.at = at
	f.policies.add(g.policies)
	if g.valid != nil {
		f.validations.set(g.valid)
	}
	f.compromises.add(g.doubts)
	f.jobs.add(g.left)
	for i := range told {
		f.watch.tell(&told[i])
	}
	f.told = told
	return nil
}

func (f *folder) newFolding() *folding {
	g := &folding{
		folder: f, batch: f.store.db.NewBatch(), lots: map[string]*changed{}, handles: map[string]*handleRecord{},
		marks: map[string]*marks{}, roles: map[string]bool{},
	}
	g.facts = evidence.NewFolder(g.summary)
	return g
}

// folding is some blocks on their way into the store.
type folding struct {
	*folder
	batch     *pebble.Batch
	facts     *evidence.Folder
	lots      map[string]*changed
	handles   map[string]*handleRecord
	marks     map[string]*marks
	roles     map[string]bool // keys that are in the store or the batch
	policies  []policyAt
	valid     []validation // all readings, if the blocks change them; nil: they do not
	doubts    []compromise // keys that turned out to have been in other hands
	left      []uint64     // positions of jobs
	watched   bool         // somebody watches
	concerned concerned
}

// changed is a lot's record as the blocks make it.
type changed struct {
	record *lotRecord
	// own: the record is this fold's and may be changed in place.
	own bool
	// opened: the lot is new, so that none of its keys is in the store.
	opened bool
	size   int // encoded
}

// lot reads a record as the events so far made it.
func (f *folding) lot(id string) (*lotRecord, error) {
	if c := f.lots[id]; c != nil {
		return c.record, nil
	}
	return f.store.lot(id)
}

func (f *folding) summary(id string) (*evidence.Summary, error) {
	r, err := f.lot(id)
	if r == nil || err != nil {
		return nil, err
	}
	return &r.Summary, nil
}

// change gives a record that may be changed. Its lists are still shared.
func (f *folding) change(id string) (*lotRecord, error) {
	c := f.lots[id]
	if c == nil {
		r, err := f.store.lot(id)
		if err != nil {
			return nil, err
		}
		if r == nil {
			return nil, fmt.Errorf("lot %s is not in the projection", id)
		}
		c = &changed{record: r}
		f.lots[id] = c
	}
	if !c.own {
		own := *c.record
		c.record, c.own = &own, true
	}
	return c.record, nil
}

// keep puts a summary in the place of the older one.
func (f *folding) keep(s *evidence.Summary) error {
	c := f.lots[s.Lot]
	if c == nil {
		c = &changed{}
		if len(s.Openings) == 1 && s.Openings[0].Fact.Position == s.Revision {
			c.opened = true // so there is nothing to look for
		} else {
			var err error
			if c.record, err = f.store.lot(s.Lot); err != nil {
				return err
			}
		}
		f.lots[s.Lot] = c
	}
	next := lotRecord{Summary: *s}
	if c.record != nil {
		next.Holds, next.Pending, next.Dropped = c.record.Holds, c.record.Pending, c.record.Dropped
	}
	c.record, c.own = &next, true
	return nil
}

// event folds one event.
func (f *folding) event(rec *opal.Recorded) error {
	ev := &rec.Event
	f.concerned = concerned{position: rec.Position}
	if f.watched {
		f.before(ev)
	}
	summaries, err := f.facts.Fold(rec, f.zone(rec.Position))
	if err != nil {
		return err
	}
	for _, s := range summaries {
		if err := f.keep(s); err != nil {
			return err
		}
	}
	opened := opal.NewLots(ev)
	if len(opened) > 0 {
		if err := f.open(rec, opened); err != nil {
			return err
		}
	}
	if err := f.custody(rec); err != nil {
		return err
	}
	if err := f.directory(rec); err != nil {
		return err
	}
	if err := f.amend(rec); err != nil {
		return err
	}
	if err := f.validate(rec); err != nil {
		return err
	}
	if err := f.compromise(rec); err != nil {
		return err
	}
	if err := f.useFiles(rec); err != nil {
		return err
	}
	if !f.unjudged {
		if err := f.judgeSale(rec); err != nil {
			return err
		}
	}
	if err := f.announce(rec); err != nil {
		return err
	}
	if err := f.listRoles(rec, opened); err != nil {
		return err
	}
	if f.watched {
		f.concern(ev, opened)
	}
	return nil
}

// open writes what comes with new lots: their edges, their first handles.
func (f *folding) open(rec *opal.Recorded, opened []string) error {
	if err := f.openCustody(rec); err != nil {
		return err
	}
	parents := []string{rec.Event.Lot}
	switch {
	case rec.Event.Mined != nil, rec.Event.Acquired != nil:
		parents = nil
	case rec.Event.Combined != nil:
		parents = rec.Event.Combined.Parents
	}
	for i, lot := range opened {
		for _, parent := range parents {
			if err := f.batch.Set(keyChild(parent, rec.Position, i), []byte(lot), nil); err != nil {
				return err
			}
		}
		if h := f.handle(lot); h != "" {
			f.handles[h] = &handleRecord{Lot: lot, Issued: rec.Position}
		}
	}
	return nil
}

// directory folds handles and policies.
func (f *folding) directory(rec *opal.Recorded) error {
	ev := &rec.Event
	switch {
	case ev.HandleIssued != nil:
		return f.setHandle(ev.HandleIssued.Handle, func(h *handleRecord) *handleRecord {
			if h != nil {
				return h // it leads to where it was first given to
			}
			return &handleRecord{Lot: ev.Lot, Issued: rec.Position}
		})
	case ev.HandleRevoked != nil:
		return f.setHandle(ev.HandleRevoked.Handle, func(h *handleRecord) *handleRecord {
			if h == nil || h.Lot != ev.Lot || h.Revoked != nil {
				return h // nobody ends a handle of another lot
			}
			return &handleRecord{Lot: h.Lot, Issued: h.Issued, Revoked: &rec.Position}
		})
	case ev.PolicySet != nil:
		return f.setPolicy(rec.Position, ev.PolicySet.Policy)
	case ev.LogOpened != nil:
		return f.setPolicy(rec.Position, ev.LogOpened.Policy)
	}
	return nil
}

// setHandle changes what a handle leads to.
func (f *folding) setHandle(handle string, change func(*handleRecord) *handleRecord) error {
	h := f.handles[handle]
	if h == nil {
		var err error
		if h, err = find(f.store, f.store.codecs.handle, keyHandle(handle)); err != nil {
			return err
		}
	}
	if next := change(h); next != nil {
		f.handles[handle] = next
	}
	return nil
}

func (f *folding) setPolicy(position uint64, p opal.Policy) error {
	f.policies = append(f.policies, policyAt{position, p})
	return write(f.batch, f.store.codecs.policy, keyPolicy(position), &p)
}

// policyBefore is the policy in force for the event at a position.
func (f *folding) policyBefore(position uint64) opal.Policy {
	for i := len(f.policies) - 1; i >= 0; i-- {
		if f.policies[i].position < position {
			return f.policies[i].policy
		}
	}
	return f.folder.policies.before(position)
}

func (f *folding) zone(position uint64) int64 { return f.policyBefore(position).ZoneMinutes }

// rules answers what judges for somebody who knew all events before a position.
func (f *folding) rules(knownAt uint64) (evidence.Rules, error) {
	return rulesOf(f.policyBefore(knownAt))
}

// amend marks the event that a correction or withdrawal amends, and folds what that means for custody.
func (f *folding) amend(rec *opal.Recorded) error {
	ev := &rec.Event
	id := ""
	switch {
	case ev.Corrected != nil:
		id = ev.Corrected.Event
	case ev.Withdrawn != nil:
		id = ev.Withdrawn.Event
	default:
		return nil
	}
	m := f.marks[id]
	if m == nil {
		var err error
		if m, err = find(f.store, f.store.codecs.marks, keyMarks(id)); err != nil {
			return err
		}
		if m == nil {
			m = &marks{}
		}
		f.marks[id] = m
	}
	by := mark{Event: ev.ID(), Position: rec.Position}
	if ev.Withdrawn != nil {
		m.Withdrawn = &by
	} else {
		m.Corrected = append(m.Corrected, by)
	}
	target, err := f.about(id)
	if err != nil {
		return err
	}
	if lotOf(&target.Event) == "" {
		return nil
	}
	if ev.Withdrawn != nil {
		return f.undoCustody(rec, target)
	}
	return f.correctCustody(rec, target)
}

// about finds the event whose standing an amendment of an event changes: that one, or what it corrected itself.
func (f *folding) about(id string) (*opal.Recorded, error) {
	target, err := f.recorded(id)
	if err != nil || target.Event.Corrected == nil {
		return target, err
	}
	return f.recorded(target.Event.Corrected.Event)
}

// recorded finds an event that must be there.
func (f *folding) recorded(id string) (*opal.Recorded, error) {
	rec, err := f.log.Recorded(id)
	if err != nil {
		return nil, err
	}
	if rec == nil {
		return nil, fmt.Errorf("event %s is not in the log", id)
	}
	return rec, nil
}

// listRoles notes for each party that an event gave something to do with a lot from which position on it has.
func (f *folding) listRoles(rec *opal.Recorded, opened []string) error {
	lots := opened
	if ev := &rec.Event; len(opened) == 0 && ev.Lot != "" {
		lots = []string{lotOf(ev)}
	}
	for _, lot := range lots {
		c := f.lots[lot]
		if c == nil || !c.own {
			continue
		}
		for i := len(c.record.Holds) - 1; i >= 0 && c.record.Holds[i].From == rec.Position; i-- {
			h := c.record.Holds[i]
			for _, party := range [...]string{h.Holder, h.Owner} {
				if err := f.listRole(party, lot, rec.Position, c.opened); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func (f *folding) listRole(party, lot string, position uint64, opened bool) error {
	if party == "" || party == opal.Outside {
		return nil
	}
	key := keyRoles(party, lot)
	if f.roles[string(key)] {
		return nil
	}
	f.roles[string(key)] = true
	if !opened {
		if has, err := f.store.has(key); has || err != nil {
			return err
		}
	}
	return f.batch.Set(key, binary.BigEndian.AppendUint64(nil, position), nil)
}

// before notes who is concerned by an event because it holds the lot when it comes, as concern does for afterwards.
func (f *folding) before(ev *opal.Event) {
	if r, err := f.lot(ev.Lot); err == nil && r != nil {
		f.concerned.parties = append(f.concerned.parties, r.now().Holder)
	}
}

func (f *folding) concern(ev *opal.Event, opened []string) {
	c := &f.concerned
	if ev.Lot != "" {
		c.lots = append(c.lots, ev.Lot)
	}
	c.lots = append(c.lots, opened...)
	if ev.Combined != nil {
		c.lots = append(c.lots, ev.Combined.Parents...)
	}
	if r := f.lots[lotOf(ev)]; r != nil && r.record != nil {
		c.parties = append(c.parties, r.record.now().Holder)
		if p := r.record.Pending; p != nil {
			c.parties = append(c.parties, p.To)
		}
	}
}

// writeOut encodes what the blocks changed into the batch, in the order of keys.
func (f *folding) writeOut() error {
	for _, lot := range sorted(f.lots) {
		c := f.lots[lot]
		if !c.own {
			continue
		}
		value, err := f.store.codecs.lot.Append(nil, c.record)
		if err != nil {
			return fmt.Errorf("write the record of lot %s: %w", lot, err)
		}
		if err := f.batch.Set(keySummary(lot), value, nil); err != nil {
			return err
		}
		c.size = len(value)
		if err := f.listOffer(lot, c); err != nil {
			return err
		}
	}
	for _, handle := range sorted(f.handles) {
		if err := write(f.batch, f.store.codecs.handle, keyHandle(handle), f.handles[handle]); err != nil {
			return err
		}
	}
	for _, id := range sorted(f.marks) {
		if err := write(f.batch, f.store.codecs.marks, keyMarks(id), f.marks[id]); err != nil {
			return err
		}
	}
	return nil
}

// listOffer keeps the list of what waits for a party's receipt at what the lot's record says.
func (f *folding) listOffer(lot string, c *changed) error {
	before := ""
	if !c.opened {
		old, err := f.store.lot(lot)
		if err != nil {
			return err
		}
		before = old.offeredTo()
	}
	now := c.record.offeredTo()
	if before == now {
		return nil
	}
	if before != "" {
		if err := f.batch.Delete(keyOffer(before, lot), nil); err != nil {
			return err
		}
	}
	if now == "" {
		return nil
	}
	return f.batch.Set(keyOffer(now, lot), nil, nil)
}

// finish commits the blocks, and only then lets readers see their records in the cache.
func (f *folding) finish(next *meta) error {
	if err := f.writeOut(); err != nil {
		return err
	}
	if err := write(f.batch, f.store.codecs.meta, keyMeta(), next); err != nil {
		return err
	}
	if err := f.batch.Commit(pebble.NoSync); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	for lot, c := range f.lots {
		if c.own {
			f.store.lots.put(lot, c.record, c.size)
		}
	}
	return nil
}

func sorted[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
