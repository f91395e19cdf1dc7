package account

import (
	"errors"
	"fmt"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Corrections and withdrawals.
//
// What a poster states about stones it may correct or withdraw at any date. What moved mass, pieces or custody can only be amended while
// everything that came later still holds: the lot's history is told again and judged again from the amended event on, with the policy
// in force now. A withdrawn opening, split, cut or combination makes its children VOID, which needs that no child has an event of its
// own; the parents open again.

// amendment is a correction or withdrawal with what it is about.
type amendment struct {
	rec *opal.Recorded
	// named is the event it names, about the one whose standing changes: the same, or what a withdrawn correction had corrected.
	named, about *opal.Recorded
	field        string // the path of the event id
}

// amendmentOf reads which event an amendment is about.
func amendmentOf(v View, rec *opal.Recorded) (a amendment, f *fault.Error, err error) {
	a.rec = rec
	var id string
	if rec.Event.Corrected != nil {
		id, a.field = rec.Event.Corrected.Event, "corrected.event"
	} else {
		id, a.field = rec.Event.Withdrawn.Event, "withdrawn.event"
	}
	if a.named, err = v.Recorded(id); err != nil {
		return a, nil, err
	}
	if a.named == nil {
		return a, fault.New(fault.UnknownEvent, a.field, "found %q, which this log does not know; accepted is the id of an earlier event of yours", id), nil
	}
	a.about = a.named
	if k := a.named.Event.Corrected; k != nil && rec.Event.Withdrawn != nil {
		if a.about, err = v.Recorded(k.Event); err == nil && a.about == nil {
			err = errMissing
		}
	}
	return a, nil, err
}

// amendment judges corrected and withdrawn.
func (c *court) amendment() *fault.Error {
	e := &c.rec.Event
	var l *Lot
	if e.Lot != "" {
		var f *fault.Error
		if l, f = c.known("lot", e.Lot); f != nil {
			return f
		}
		if f := c.expected(l); f != nil {
			return f
		}
	}
	a, f, err := amendmentOf(c.v, c.rec)
	if err != nil {
		return c.broken(err)
	}
	if f != nil {
		return f
	}
	named := &a.named.Event
	switch {
	case named.Lot != e.Lot && named.Lot == "":
		return fault.New(fault.InvalidField, "lot", "found %s, but event %s is about no lot; accepted is none", e.Lot, named.ID())
	case named.Lot != e.Lot:
		return fault.New(fault.InvalidField, a.field, "found %s, which is an event of lot %s; accepted is an event of the lot that this one is about, %s", named.ID(), named.Lot, e.Lot)
	case named.Party != e.Party:
		return fault.New(fault.NotYourEvent, a.field, "found an event of %s; accepted from %s is an event of its own", named.Party, e.Party)
	}
	if f := c.amendable(&a); f != nil {
		return f
	}
	if f := c.notAhead(c.rec.When, "occurredAt"); f != nil || l == nil {
		return f
	}
	return c.amend(l, &a)
}

// amendable checks the kinds.
func (c *court) amendable(a *amendment) *fault.Error {
	e, named := &c.rec.Event, &a.named.Event
	kind := named.Kind()
	if e.Corrected != nil {
		if e.Corrected.Replacement == nil {
			return fault.New(fault.InvalidField, "corrected.replacement", "found nothing; accepted is the whole corrected body, a %s", kind)
		}
		if got := e.Corrected.Replacement.Kind(); got != kind {
			return fault.New(fault.InvalidField, "corrected.replacement", "found %s for an event that is %s; accepted is the same kind of body", got, kind)
		}
		return nil
	}
	switch {
	case kind == opal.KindWithdrawn:
		return fault.New(fault.NotAllowed, a.field, "found a withdrawal; accepted is an event that stands, and what was withdrawn is posted anew")
	case !kind.HasLot() && kind != opal.KindMethodValidated:
		return fault.New(fault.NotAllowed, a.field, "found %s; accepted is an event about a lot, or methodValidated: the directory is changed by events of its own", kind)
	}
	return nil
}

// later refuses because of a later event.
func (a *amendment) later(id, why string) *fault.Error {
	return fault.New(fault.HasLaterEvents, a.field, "event %s rests on event %s%s; accepted is an event on which no later one rests", id, a.about.Event.ID(), why)
}

// amend judges an amendment of a lot's event.
func (c *court) amend(l *Lot, a *amendment) *fault.Error {
	history, err := c.v.History(l.ID)
	if err != nil {
		return c.broken(err)
	}
	before, err := tell(c.v, history, nil)
	if err != nil {
		return c.broken(err)
	}
	for _, r := range []*opal.Recorded{a.named, a.about} {
		if by, gone := before.withdrawn[r.Event.ID()]; gone {
			return fault.New(fault.HasLaterEvents, a.field, "event %s was withdrawn by event %s; accepted is an event that stands", r.Event.ID(), by)
		}
	}
	withdraws := a.named == a.about && c.rec.Event.Withdrawn != nil
	id := a.about.Event.ID()
	if withdraws && id == l.OpenedBy && l.OpenedKind.OpensLot() {
		return c.withdrawOpening(l, a, before)
	}
	after, err := tell(c.v, history, c.rec)
	if err != nil {
		return fault.New(fault.InvalidField, "corrected.replacement.occurredAt", "%s", err.Error())
	}
	old := before.find(id)
	if old == nil {
		return c.broken(errMissing)
	}
	touched := touchesFigures(old.rec)
	if !withdraws {
		touched = !sameFigures(old.rec, after.find(id).rec)
		if f := sameLots(a, l, old.rec, after.find(id).rec); f != nil {
			return f
		}
	}
	if touched {
		if f := c.standing(l, a, before, after, withdraws); f != nil {
			if c.err != nil || !withdraws || !statement(old.rec) {
				return f
			}
			// A statement can always be withdrawn; what was weighed with it stays.
			c.findings = []opal.Finding{{Code: opal.FindReportedLate, Lot: l.ID, DelaySeconds: delay(a.named.RecordedAt, c.rec.RecordedAt), Note: lateKept}}
			return nil
		}
	} else if c.rec.Event.Corrected != nil {
		c.findings = append(c.findings, withoutAmendments(old.rec.Findings)...)
	}
	c.amendedLate(l, a)
	return nil
}

// statement tells whether an event says something of stones, and moves figures only by the way.
func statement(r *opal.Recorded) bool {
	return r.Event.Tested != nil || r.Event.Treated != nil || r.Event.Described != nil
}

// withoutAmendments leaves out what the findings say of earlier corrections themselves.
func withoutAmendments(fs []opal.Finding) []opal.Finding {
	var kept []opal.Finding
	for _, f := range fs {
		if f.Code != opal.FindReportedLate || f.Note == "" {
			kept = append(kept, f)
		}
	}
	return kept
}

// amendedLate notes an amendment that comes after the lot has moved on, otherwise than by the amended event itself.
func (c *court) amendedLate(l *Lot, a *amendment) {
	id := a.about.Event.ID()
	ended := l.State != Open && l.ClosedBy != id
	gone := l.Holder != c.rec.Event.Party && l.Custody[len(l.Custody)-1].Event != id
	if !ended && !gone && !a.about.When.Before(l.LastMove) {
		return
	}
	note := lateCorrection
	if c.rec.Event.Withdrawn != nil {
		note = lateWithdrawal
	}
	c.find(opal.Finding{Code: opal.FindReportedLate, Lot: l.ID, DelaySeconds: delay(a.named.RecordedAt, c.rec.RecordedAt), Note: note})
}

// sameLots checks that a correction names the lots that the event named: those are opened, and an id is never used twice.
func sameLots(a *amendment, l *Lot, old, corrected *opal.Recorded) *fault.Error {
	was, is := opal.NewLots(&old.Event), opal.NewLots(&corrected.Event)
	if old.Event.Combined != nil {
		was, is = old.Event.Combined.Parents, corrected.Event.Combined.Parents
	}
	if slices.Equal(was, is) {
		return nil
	}
	return fault.New(fault.InvalidField, "corrected.replacement."+string(old.Event.Kind()), "found the lots %v, the event of lot %s named %v; accepted are the same in the same order: other lots need a withdrawal and a new event", clipList(is), l.ID, clipList(was))
}

func clipList(ids []string) []string { return ids[:min(len(ids), 10)] }

// withdrawOpening: the lot becomes VOID, if nothing has happened to it.
func (c *court) withdrawOpening(l *Lot, a *amendment, s *story) *fault.Error {
	for i := range s.entries {
		r := s.entries[i].rec
		if id := r.Event.ID(); id != l.OpenedBy && r.Event.Withdrawn == nil && !s.entries[i].silent {
			return a.later(id, "")
		}
	}
	if l.State != Open {
		return a.later(l.ClosedBy, "")
	}
	c.amendedLate(l, a)
	return nil
}

// standing checks that what came later still stands after an amendment that touches figures.
func (c *court) standing(l *Lot, a *amendment, before, after *story, withdraws bool) *fault.Error {
	id := a.about.Event.ID()
	old, _, err := retell(c.v, l, before, id, Keep, nil)
	if err != nil {
		return c.broken(err)
	}
	if withdraws && len(old.parts) > 0 {
		if f := c.childless(l, a, before, old.parts); f != nil {
			return f
		}
	}
	renewed, f, err := retell(c.v, l, after, id, Keep, c.judgeAgain(a, after.find(id)))
	if err != nil {
		return c.broken(err)
	}
	if f != nil || c.err != nil {
		return f
	}
	if !withdraws {
		for i := range renewed.parts {
			if sameOpening(old.parts[i], renewed.parts[i]) {
				continue
			}
			if f := c.untouched(a, old.parts[i].ID); f != nil {
				return f
			}
		}
	}
	if l.State != Open && l.ClosedBy != id && (renewed.tally.total != old.tally.total || renewed.tally.base != old.tally.base || !sameStanding(old.lot, renewed.lot)) {
		return a.later(l.ClosedBy, ", which ended the lot")
	}
	t := tally{total: renewed.tally.total - old.tally.total, base: renewed.tally.base - old.tally.base, variance: renewed.tally.variance - old.tally.variance, earned: renewed.tally.earned}
	if withdrawal := c.rec.Event.Withdrawn != nil; withdrawal || t.excess() <= 0 {
		// A withdrawal brings back what was judged when it came, and a finer scale than before is no news of an amendment.
		return nil
	}
	return c.line(l, a.field, t)
}

// sameStanding tells whether two accounts of a lot agree in figures and custody.
func sameStanding(a, b *Lot) bool {
	return a.State == b.State && a.Micrograms == b.Micrograms && samePieces(a.Pieces, b.Pieces) && a.Owner == b.Owner && a.Holder == b.Holder &&
		(a.Pending == nil) == (b.Pending == nil)
}

func samePieces(a, b *int64) bool { return a == b || a != nil && b != nil && *a == *b }

// sameOpening tells whether an event opens a child alike, but for its form.
func sameOpening(a, b *Lot) bool {
	if a.OpenedAt != b.OpenedAt || a.Micrograms != b.Micrograms || a.Mass != b.Mass || !samePieces(a.Pieces, b.Pieces) ||
		a.Moisture != b.Moisture || a.Holder != b.Holder || a.Owner != b.Owner {
		return false
	}
	p, q := a.OpenedPending, b.OpenedPending
	return p == q || p != nil && q != nil && *p == *q
}

// childless checks that a split, cut or sold part can be taken back: no child has an event of its own, and the parent has not changed
// hands or ended since.
func (c *court) childless(l *Lot, a *amendment, s *story, children []*Lot) *fault.Error {
	for _, child := range children {
		if f := c.untouched(a, child.ID); f != nil {
			return f
		}
	}
	id := a.about.Event.ID()
	for i := range s.entries {
		r := s.entries[i].rec
		if r.Position <= a.about.Position || s.entries[i].silent {
			continue
		}
		e := &r.Event
		if e.Received != nil || e.Returned != nil || e.Reopened != nil || e.Closed != nil || e.Cut != nil ||
			e.Split != nil && e.Split.Rest == nil || (e.Sold != nil || e.HandedOver != nil) && soldPart(e) == nil {
			return a.later(e.ID(), "")
		}
	}
	if l.State != Open && l.ClosedBy != id {
		return a.later(l.ClosedBy, "")
	}
	return nil
}

// untouched checks that a child has no event of its own and is open.
func (c *court) untouched(a *amendment, id string) *fault.Error {
	child, err := c.v.Lot(id)
	if err != nil || child == nil {
		return c.broken(errors.Join(err, errMissing))
	}
	if child.Events > 0 {
		history, err := c.v.History(id)
		if err != nil {
			return c.broken(err)
		}
		s, err := tell(c.v, history, nil)
		if err != nil {
			return c.broken(err)
		}
		for i := range s.entries {
			if r := s.entries[i].rec; r.Event.Withdrawn == nil {
				return a.later(r.Event.ID(), " (it is an event of lot "+id+")")
			}
		}
	}
	if child.State != Open {
		return a.later(child.ClosedBy, " (it closed lot "+id+")")
	}
	return nil
}

// judgeAgain judges the amended event in its place, and all later ones of the lot after it.
func (c *court) judgeAgain(a *amendment, amended *entry) func(*Lot, *entry) *fault.Error {
	corrects := c.rec.Event.Corrected != nil
	return func(l *Lot, en *entry) *fault.Error {
		r := en.rec
		if r.Position < a.about.Position || r.Position >= c.rec.Position || r.Event.Withdrawn != nil || en.silent {
			return nil
		}
		sub := court{v: c.v, pol: c.pol, rec: r, again: true}
		this := amended != nil && en.rec == amended.rec && corrects
		if this {
			sub.future = c.future
		}
		var f *fault.Error
		if l == nil {
			f = sub.openedAgain()
		} else {
			f = sub.own(l)
		}
		if sub.err != nil {
			return c.broken(sub.err)
		}
		if this {
			if f != nil {
				f.Field = path("corrected.replacement", f.Field)
				return f
			}
			c.findings = append(c.findings, sub.findings...)
			r.Findings = sub.findings // r is the corrected copy
			return nil
		}
		if f != nil {
			return a.later(r.Event.ID(), ": without it, "+f.Message)
		}
		for _, found := range sub.findings {
			switch found.Code {
			case opal.FindUnexplainedLoss, opal.FindArrivalDifference, opal.FindArrivalGain:
				if !has(r.Findings, found.Code, found.Lot) {
					return a.later(r.Event.ID(), fmt.Sprintf(", whose balance would then be off by %s", figure(found.Micrograms)))
				}
			}
		}
		return nil
	}
}

// openedAgain judges the figures of a corrected opening.
func (c *court) openedAgain() *fault.Error {
	e := &c.rec.Event
	if f := c.notAhead(c.rec.When, "occurredAt"); f != nil {
		return f
	}
	switch {
	case e.Mined != nil:
		c.coarseWeighing(e.Lot, e.Mined.Mass.Weight())
	case e.Acquired != nil:
		c.coarseWeighing(e.Lot, e.Acquired.Mass.Weight())
	default:
		parents, err := parentsOf(c.v, e)
		if err != nil {
			return c.broken(err)
		}
		for _, p := range parents {
			if before := p.MoveBefore; before != nil && c.rec.When.Before(*before) {
				return fault.New(fault.OutOfOrder, "occurredAt", "found %s, but the latest event that moved lot %s is of %s; accepted is that time or a later one", stamp(c.rec.When), p.ID, stamp(*before))
			}
		}
		return c.combinedFigures(parents)
	}
	return nil
}
