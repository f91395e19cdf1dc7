package account

import (
	"errors"
	"fmt"
	"reflect"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// A correction or a withdrawal does not undo anything step by step: the lot's own history is told again, without the event or with its
// new body, and the account that comes out replaces the old one. The old history and the new one are told by the same code, and the
// difference of their tallies is what the line gains or loses. The cost is the lot's own events, however many descendants it has.

var errMissing = errors.New("an account that must be there is missing")

// story is a lot's own history as it stands.
type story struct {
	entries []entry
	// withdrawn names the withdrawal of each event that has one.
	withdrawn map[string]string
	// ids are all events of the lot's own, amendments and withdrawn ones among them.
	ids map[string]bool
}

// lateKept is the note of a withdrawal whose event had weighed or used up stones, where later events rest on those figures: the
// statement is withdrawn, the figures stand.
const lateKept = lateWithdrawal + "; what was weighed stands, since later events rest on it"

// tell reads a history, with one more amendment if extra is given. Of a corrected event the last correction that was not withdrawn
// holds; its findings are those of the correction.
func tell(v View, history []opal.Recorded, extra *opal.Recorded) (*story, error) {
	log, err := v.Log()
	if err != nil || log == nil {
		return nil, errors.Join(err, errMissing)
	}
	s := &story{withdrawn: map[string]string{}, ids: make(map[string]bool, len(history))}
	corrections := map[string][]*opal.Recorded{}
	kept := map[string]bool{}
	read := func(r *opal.Recorded) {
		id := r.Event.ID()
		s.ids[id] = true
		switch {
		case r.Event.Withdrawn != nil:
			s.withdrawn[r.Event.Withdrawn.Event] = id
			kept[r.Event.Withdrawn.Event] = keepsFigures(r.Findings)
		case r.Event.Corrected != nil:
			corrections[r.Event.Corrected.Event] = append(corrections[r.Event.Corrected.Event], r)
		}
	}
	for i := range history {
		read(&history[i])
	}
	if extra != nil {
		read(extra)
	}
	s.entries = make([]entry, 0, len(history)+1)
	add := func(r *opal.Recorded) error {
		id := r.Event.ID()
		if r.Event.Corrected != nil {
			return nil
		}
		if _, gone := s.withdrawn[id]; gone && !kept[id] {
			return nil
		}
		en := entry{rec: r, source: id, silent: kept[id]}
		for _, c := range corrections[id] {
			if _, gone := s.withdrawn[c.Event.ID()]; gone {
				continue
			}
			next, err := replaced(en.rec, c, log.Policy.ZoneMinutes)
			if err != nil {
				return err
			}
			en.rec, en.source = next, c.Event.ID()
		}
		if ret := en.rec.Event.Returned; ret != nil {
			sale, err := v.Recorded(ret.Sale)
			if err != nil || sale == nil {
				return errors.Join(err, errMissing)
			}
			en.seller = sellerOf(&sale.Event)
		}
		s.entries = append(s.entries, en)
		return nil
	}
	for i := range history {
		if err := add(&history[i]); err != nil {
			return nil, err
		}
	}
	if extra != nil {
		err = add(extra)
	}
	return s, err
}

func keepsFigures(fs []opal.Finding) bool {
	for i := range fs {
		if fs[i].Code == opal.FindReportedLate && fs[i].Note == lateKept {
			return true
		}
	}
	return false
}

// replaced gives an event with the body, time and moisture of its correction; what the correction leaves out stays.
func replaced(r, correction *opal.Recorded, zoneMinutes int64) (*opal.Recorded, error) {
	n := correction.Event.Corrected.Replacement
	c := *r
	c.Event = opal.Event{
		RequestID: r.Event.RequestID, Lot: r.Event.Lot, Party: r.Event.Party, OccurredAt: r.Event.OccurredAt, Moisture: r.Event.Moisture,
		Attachments: r.Event.Attachments,
		Mined:       n.Mined, Acquired: n.Acquired, Split: n.Split, Combined: n.Combined, Cut: n.Cut, Tested: n.Tested, Treated: n.Treated,
		Described: n.Described, HandedOver: n.HandedOver, Sold: n.Sold, Received: n.Received, NothingDone: n.NothingDone,
		Counted: n.Counted, Closed: n.Closed, MethodValidated: n.MethodValidated,
	}
	if n.Moisture != opal.MoistureUnknown {
		c.Event.Moisture = n.Moisture
	}
	if n.OccurredAt != "" {
		when, err := opal.ParseWhen(n.OccurredAt, zoneMinutes)
		if err != nil {
			return nil, fmt.Errorf("correction %s: %w", correction.Event.ID(), err)
		}
		c.Event.OccurredAt, c.When = n.OccurredAt, when
	}
	c.Findings = correction.Findings
	return &c, nil
}

// figuresOf leaves of an event what the accounts are judged by; two events that agree in it differ in nothing that moves a lot.
func figuresOf(r *opal.Recorded) opal.Event {
	e := r.Event
	k := opal.Event{Moisture: e.Moisture}
	switch {
	case e.Mined != nil:
		k.Mined = &opal.Mined{Pieces: e.Mined.Pieces, Mass: e.Mined.Mass}
	case e.Acquired != nil:
		k.Acquired = &opal.Acquired{Pieces: e.Acquired.Pieces, Mass: e.Acquired.Mass}
	case e.Split != nil:
		s := *e.Split
		s.SortedBy, s.Selected, s.Selection = "", "", ""
		s.Loss = figuresOfLoss(s.Loss)
		if s.Manner != opal.Sawn {
			s.Manner = ""
		}
		k.Split = &s
	case e.Cut != nil:
		c := opal.Cut{Offcuts: e.Cut.Offcuts, Loss: figuresOfLoss(e.Cut.Loss)}
		for _, s := range e.Cut.Stones {
			c.Stones = append(c.Stones, opal.Stone{Lot: s.Lot, Pieces: s.Pieces, Mass: s.Mass, Moisture: s.Moisture})
		}
		k.Cut = &c
	case e.Tested != nil:
		k.Tested = &opal.Tested{Destroyed: e.Tested.Destroyed}
	case e.Treated != nil:
		k.Treated = &opal.Treated{MassBefore: e.Treated.MassBefore, MassAfter: e.Treated.MassAfter}
	case e.Described != nil:
		k.Described = &opal.Described{MeasuredMass: e.Described.MeasuredMass}
	case e.Sold != nil:
		k.Sold = &opal.Sold{To: e.Sold.To, Part: e.Sold.Part, OnBehalfOf: e.Sold.OnBehalfOf}
	case e.Closed != nil:
		k.Closed = &opal.Closed{Reason: e.Closed.Reason}
	default:
		k = e
		k.RequestID, k.OccurredAt, k.Attachments, k.Remark = opal.RequestID{}, "", nil, ""
		k.ExpectedRevision = nil
	}
	return k
}

func figuresOfLoss(l *opal.Loss) *opal.Loss {
	if l == nil {
		return nil
	}
	return &opal.Loss{Mass: l.Mass, Pieces: l.Pieces}
}

// sameFigures tells whether an amendment changes nothing that the accounts are judged by.
func sameFigures(a, b *opal.Recorded) bool {
	return a.When == b.When && reflect.DeepEqual(figuresOf(a), figuresOf(b))
}

// touchesFigures tells whether an event weighed, counted, used up or moved anything.
func touchesFigures(r *opal.Recorded) bool {
	switch e := &r.Event; {
	case e.NothingDone != nil, e.ReferenceSet != nil, e.HandleIssued != nil, e.HandleRevoked != nil:
		return false
	case e.Tested != nil:
		return e.Tested.Destroyed != nil
	case e.Treated != nil:
		return e.Treated.MassAfter != "" && !cameLate(r.Findings)
	case e.Described != nil:
		return e.Described.MeasuredMass != "" && !cameLate(r.Findings)
	}
	return true
}

// find gives the entry of an event.
func (s *story) find(id string) *entry {
	for i := range s.entries {
		if s.entries[i].rec.Event.ID() == id {
			return &s.entries[i]
		}
	}
	return nil
}

// retelling is what a story makes of the account.
type retelling struct {
	lot   *Lot
	tally tally
	parts []*Lot // the lots that the event in question made, as it opened them
}

// retell makes the account of l from a story. about is the event in question; judge, if given, is asked before each event is taken, and
// may set its findings.
func retell(v View, l *Lot, s *story, about string, keep int, judge func(l *Lot, en *entry) *fault.Error) (r retelling, f *fault.Error, err error) {
	entries := s.entries
	if l.OpenedKind.OpensLot() {
		if len(entries) == 0 || entries[0].rec.Event.ID() != l.OpenedBy {
			return r, nil, fmt.Errorf("lot %s: its history does not begin with its opening: %w", l.ID, errMissing)
		}
		if judge != nil {
			if f := judge(nil, &entries[0]); f != nil {
				return r, f, nil
			}
		}
		if r.lot, r.tally, err = openAgain(v, l, entries[0]); err != nil {
			return r, nil, err
		}
		entries = entries[1:]
	} else {
		r.lot = l.asOpened(s.ids)
	}
	for i := range entries {
		if judge != nil {
			if f := judge(r.lot, &entries[i]); f != nil {
				return r, f, nil
			}
		}
		if about != "" && entries[i].rec.Event.ID() == about {
			r.parts = r.lot.openChildren(entries[i])
		}
		r.tally.add(r.lot.take(entries[i], keep))
	}
	if l.State == Combined {
		join, err := v.Recorded(l.ClosedBy)
		if err != nil || join == nil {
			return r, nil, errors.Join(err, errMissing)
		}
		at := *join
		at.When = *l.ClosedAt
		r.lot.joined(&at, l.ClosedBy, join.Event.Lot)
	}
	r.lot.Events, r.lot.Amended, r.lot.Revision = l.Events, l.Amended, l.Revision
	return r, nil, nil
}

// openAgain opens a lot from its own opening event.
func openAgain(v View, was *Lot, en entry) (*Lot, tally, error) {
	if en.rec.Event.Combined == nil {
		l, t := openSource(en)
		return l, t, nil
	}
	parents, err := parentsOf(v, &en.rec.Event)
	if err != nil {
		return nil, tally{}, err
	}
	return openCombined(v, en, parents, was)
}

func parentsOf(v View, e *opal.Event) ([]*Lot, error) {
	parents := make([]*Lot, len(e.Combined.Parents))
	for i, id := range e.Combined.Parents {
		l, err := v.Lot(id)
		if err != nil || l == nil {
			return nil, errors.Join(err, errMissing)
		}
		parents[i] = l
	}
	return parents, nil
}

// retold tells a lot's history as it stands.
func retold(v View, l *Lot, keep int) (*Lot, error) {
	history, err := v.History(l.ID)
	if err != nil {
		return nil, err
	}
	s, err := tell(v, history, nil)
	if err != nil {
		return nil, err
	}
	r, _, err := retell(v, l, s, "", keep, nil)
	return r.lot, err
}
