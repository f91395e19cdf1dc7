package status

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// A report that comes late speaks of every stone that was made of its lot since. The status of each is right in the next read, because a
// status reads upwards; nobody has to be visited for that. Who holds or sold such stones, though, is to be told, and that is found by
// walking down. The fold only leaves a job; the walk is done beside it, for as long as it takes. What it tells follows from the
// log up to the report's position alone, so that a rebuild tells the same.

// announce leaves a job for an event that may concern others than those who see it anyway.
func (f *folding) announce(rec *opal.Recorded) error {
	ev := &rec.Event
	j := &job{Event: ev.ID(), Kind: ev.Kind(), Lot: ev.Lot, When: rec.When}
	switch {
	case ev.Treated != nil || ev.Tested != nil:
		j.Treatment = treatmentOf(ev)
	case ev.Withdrawn != nil || ev.Corrected != nil:
		id := ""
		if ev.Withdrawn != nil {
			id = ev.Withdrawn.Event
		} else {
			id = ev.Corrected.Event
		}
		target, err := f.about(id)
		if err != nil {
			return err
		}
		switch target.Event.Kind() {
		case opal.KindTreated, opal.KindTested, opal.KindAcquired, opal.KindMined:
		default:
			return nil
		}
		j.Lot, j.When, j.Treatment = target.Event.Lot, f.reach(ev, target), treatmentOf(&target.Event)
	default:
		return nil
	}
	r, err := f.lot(j.Lot)
	if err != nil {
		return err
	}
	if r == nil {
		return fmt.Errorf("lot %s is not in the projection", j.Lot)
	}
	if r.Summary.FirstParted == 0 && len(r.Summary.Sales) == 0 && r.now().Holder == ev.Party {
		return nil
	}
	f.left = append(f.left, rec.Position)
	return write(f.batch, f.store.codecs.job, keyJob(rec.Position), j)
}

// jobs are the positions of the jobs that are still to be done: the store has them too, but one that did many holds on to the room of
// their keys for a while, and every stream asks for the oldest.
type jobs struct {
	mu   sync.Mutex
	list []uint64 // guarded by mu, ascending
}

func (j *jobs) add(positions []uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.list = append(j.list, positions...)
}

// oldest answers the first position.
func (j *jobs) oldest() (position uint64, ok bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.list) == 0 {
		return 0, false
	}
	return j.list[0], true
}

// done takes the first one off.
func (j *jobs) done() {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.list = j.list[1:]
}

// loadJobs reads them from a store.
func loadJobs(s *store) (*jobs, error) {
	j := &jobs{}
	prefix := []byte{kindJob}
	return j, s.each(prefix, after(prefix), func(key, _ []byte) (bool, error) {
		j.list = append(j.list, lastPosition(key))
		return true, nil
	})
}

// reach is the time of what an event amends; a correction may have moved it, and then both times count.
func (f *folding) reach(ev *opal.Event, target *opal.Recorded) opal.When {
	when := target.When
	if ev.Corrected == nil || ev.Corrected.Replacement == nil || ev.Corrected.Replacement.OccurredAt == "" {
		return when
	}
	moved, err := opal.ParseWhen(ev.Corrected.Replacement.OccurredAt, f.zone(target.Position))
	if err != nil {
		return when // the log took it, so it is a time; and if it is none, the old one still counts
	}
	return opal.When{From: min(when.From, moved.From), To: max(when.To, moved.To)}
}

// treatmentOf names the one treatment that an event is about; "" if it is about none, or several.
func treatmentOf(ev *opal.Event) opal.Treatment {
	if ev.Treated != nil {
		return ev.Treated.Treatment
	}
	if ev.Tested == nil {
		return ""
	}
	one := opal.Treatment("")
	for _, finding := range ev.Tested.Findings {
		switch finding.Treatment {
		case "", one:
		default:
			if one != "" {
				return ""
			}
			one = finding.Treatment
		}
	}
	return one
}

// walk is one job on its way down.
type walk struct {
	store    *store
	job      *job
	position uint64
	alerts   map[affected]*alertRecord
}

// affected is who an alert is for.
type affected struct {
	party string
	side  side
}

// errStopped says that a walk was given up; it starts again from the top.
var errStopped = errors.New("the walk was stopped")

// tell does the oldest job, if there is one: all its alerts and the end of the job go into the store at once. wake hears of the position and
// the parties told while the job still holds watches back: one that could pass the position before it has the candidate would never
// tell of it.
func tell(ctx context.Context, s *store, left *jobs, wake func(parties []string, position uint64)) (more bool, err error) {
	position, more := left.oldest()
	if !more {
		return false, nil
	}
	j, err := find(s, s.codecs.job, keyJob(position))
	if err == nil && j == nil {
		err = fmt.Errorf("the job of position %d is missing", position)
	}
	if err != nil {
		return false, err
	}
	parties, err := walkDown(ctx, s, position, j)
	if err != nil {
		return false, err
	}
	wake(parties, position)
	left.done()
	return true, nil
}

func walkDown(ctx context.Context, s *store, position uint64, j *job) ([]string, error) {
	w := &walk{store: s, job: j, position: position, alerts: map[affected]*alertRecord{}}
	if err := w.down(ctx); err != nil {
		return nil, err
	}
	b := s.db.NewBatch()
	defer func() { _ = b.Close() }()
	parties := make([]string, 0, len(w.alerts))
	for who, a := range w.alerts {
		parties = append(parties, who.party)
		if err := write(b, s.codecs.alert, keyAlert(who.party, who.side, position), a); err != nil {
			return nil, err
		}
	}
	if err := b.Delete(keyJob(position), nil); err != nil {
		return nil, err
	}
	if err := b.Commit(pebble.NoSync); err != nil {
		return nil, fmt.Errorf("store the alerts of event %s: %w", j.Event, err)
	}
	return parties, nil
}

// down visits the lot and all that was made of it before the event.
func (w *walk) down(ctx context.Context) error {
	type step struct{ lot, parent string }
	seen := map[string]bool{w.job.Lot: true}
	queue := []step{{lot: w.job.Lot}}
	for len(queue) > 0 {
		lot, parent := queue[0].lot, queue[0].parent
		queue = queue[1:]
		r, err := w.store.peek(lot)
		if err != nil {
			return err
		}
		if r == nil {
			return fmt.Errorf("lot %s is not in the projection", lot)
		}
		concerns, err := w.concerns(parent, r)
		if err != nil {
			return err
		}
		if !concerns {
			continue
		}
		w.visit(lot, r)
		if ctx.Err() != nil {
			return errStopped
		}
		err = w.store.children(lot, func(position uint64, child string) (bool, error) {
			if position > w.position {
				return false, nil
			}
			if !seen[child] {
				seen[child] = true
				queue = append(queue, step{child, lot})
			}
			return true, nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// concerns tells whether the event speaks of a lot that was made of the job's: not if the lot was parted off before what is
// reported, or if it never came to be.
func (w *walk) concerns(parent string, r *lotRecord) (bool, error) {
	if parent == "" {
		return true, nil
	}
	opening := openingAt(&r.Summary, w.position+1)
	if opening == nil || opening.Fact.At.Before(w.job.When) {
		return false, nil
	}
	p, err := w.store.lot(parent)
	if err != nil || p == nil {
		return false, err
	}
	undone := slices.ContainsFunc(p.Summary.Undone, func(u evidence.Undone) bool {
		return u.Event == opening.Fact.Event && u.Position <= w.position
	})
	return !undone, nil
}

func (w *walk) visit(lot string, r *lotRecord) {
	if h := r.at(w.position); h.Holder != "" && h.Holder != opal.Outside && !endedAt(&r.Summary, w.position+1) {
		w.count(affected{h.Holder, holding}, lot)
	}
	told := map[string]bool{}
	for i := range r.Summary.Sales {
		s := &r.Summary.Sales[i]
		seller := s.Fact.Party
		if !told[seller] && liveAt(&s.Fact, w.position+1) && !s.Fact.At.Before(w.job.When) && !w.returned(r, s) {
			told[seller] = true
			w.count(affected{seller, selling}, lot)
		}
	}
}

// returned tells whether a sold lot's title was sent back.
func (w *walk) returned(r *lotRecord, sale *evidence.Sale) bool {
	return slices.ContainsFunc(r.Summary.Moves, func(m evidence.Move) bool {
		return m.Kind == opal.KindReturned && m.Sale == sale.Fact.Event && liveAt(&m.Fact, w.position+1)
	})
}

func (w *walk) count(who affected, lot string) {
	a := w.alerts[who]
	if a == nil {
		a = &alertRecord{Event: w.job.Event, Kind: w.job.Kind, Lot: w.job.Lot, Treatment: w.job.Treatment}
		w.alerts[who] = a
	}
	a.Count++
	if len(a.Lots) < alertLots {
		a.Lots = append(a.Lots, lot)
	}
}

// liveAt tells whether a reading of an event was the valid one for somebody who knew all events before a position.
func liveAt(f *evidence.Fact, knownAt uint64) bool {
	since := f.Since
	if since == 0 {
		since = f.Position
	}
	return since < knownAt && (f.Until == 0 || f.Until >= knownAt)
}

// openingAt is how a lot came to be, as known before a position; nil: it had not, or that was withdrawn.
func openingAt(s *evidence.Summary, knownAt uint64) *evidence.Opening {
	for i := range s.Openings {
		if liveAt(&s.Openings[i].Fact, knownAt) {
			return &s.Openings[i]
		}
	}
	return nil
}

// endedAt tells whether nothing was left in a lot, because all of it had become other lots.
func endedAt(s *evidence.Summary, knownAt uint64) bool {
	for i := range s.Changes {
		c := &s.Changes[i]
		if c.Ends && c.Kind != opal.KindClosed && liveAt(&c.Fact, knownAt) {
			return true
		}
	}
	return false
}
