package account

import (
	"errors"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/opal"
)

func apply(v View, rec *opal.Recorded) (*Changes, error) {
	c, err := applied(v, rec)
	if err != nil {
		return nil, fmt.Errorf("apply event %s at %d: %w", rec.Event.ID(), rec.Position, err)
	}
	return c, nil
}

func applied(v View, rec *opal.Recorded) (*Changes, error) {
	e := &rec.Event
	kind := e.Kind()
	switch {
	case !kind.HasLot(), e.Lot == "":
		return applyDirectory(v, rec)
	case kind == opal.KindCorrected, kind == opal.KindWithdrawn:
		return applyAmendment(v, rec)
	case kind.OpensLot():
		return applyOpening(v, rec)
	}
	l, err := v.Lot(e.Lot)
	if err != nil {
		return nil, err
	}
	if l == nil {
		return nil, fmt.Errorf("lot %s: %w", e.Lot, errMissing)
	}
	en := entry{rec: rec, source: e.ID()}
	if e.Returned != nil {
		sale, err := v.Recorded(e.Returned.Sale)
		if err != nil || sale == nil || sale.Event.Sold == nil {
			return nil, errors.Join(err, errMissing)
		}
		en.seller = sellerOf(&sale.Event)
	}
	next := l.clone()
	changes := &Changes{Lots: []*Lot{next}}
	changes.Lots = append(changes.Lots, l.openChildren(en)...)
	return changes, changes.line(v, l.Root, next.take(en, Keep))
}

// line adds a tally to a line.
func (c *Changes) line(v View, root string, t tally) error {
	if t == (tally{}) {
		return nil
	}
	line, err := v.Line(root)
	if err != nil {
		return err
	}
	next := Line{Root: root}
	if line != nil {
		next = *line
	}
	if next.add(t); line != nil && next == *line {
		return nil
	}
	c.Lines = append(c.Lines, &next)
	return nil
}

// add puts a tally on the line. A variance that was added is taken off again later; what rounding leaves of it is none.
func (l *Line) add(t tally) {
	l.Base += t.base
	l.Total += t.total
	l.Earned |= t.earned
	l.Variance = max(0, l.Variance+t.variance)
}

func applyOpening(v View, rec *opal.Recorded) (*Changes, error) {
	en := entry{rec: rec, source: rec.Event.ID()}
	if rec.Event.Combined == nil {
		l, t := openSource(en)
		c := &Changes{Lots: []*Lot{l}}
		return c, c.line(v, l.Root, t)
	}
	parents, err := parentsOf(v, &rec.Event)
	if err != nil {
		return nil, err
	}
	l, t, err := openCombined(v, en, parents, nil)
	if err != nil {
		return nil, err
	}
	c := &Changes{Lots: make([]*Lot, 0, len(parents)+1)}
	c.Lots = append(c.Lots, l)
	for _, p := range parents {
		next := p.clone()
		next.joined(rec, en.source, l.ID)
		c.Lots = append(c.Lots, next)
	}
	return c, c.line(v, l.Root, t)
}

// void ends a lot whose opening was withdrawn.
func (l *Lot) void(rec *opal.Recorded) {
	l.close(Void, rec.Event.ID(), rec.When)
	l.Pending = nil
	l.Revision = rec.Position
}

// applyAmendment tells the lot's history again.
func applyAmendment(v View, rec *opal.Recorded) (*Changes, error) {
	l, err := v.Lot(rec.Event.Lot)
	if err != nil || l == nil {
		return nil, errors.Join(err, errMissing)
	}
	a, f, err := amendmentOf(v, rec)
	if err != nil || f != nil {
		return nil, errors.Join(err, errMissing)
	}
	history, err := v.History(l.ID)
	if err != nil {
		return nil, err
	}
	before, err := tell(v, history, nil)
	if err != nil {
		return nil, err
	}
	id := a.about.Event.ID()
	old, _, err := retell(v, l, before, id, Keep, nil)
	if err != nil {
		return nil, err
	}
	withdraws := rec.Event.Withdrawn != nil && a.named == a.about
	if withdraws && id == l.OpenedBy && l.OpenedKind.OpensLot() {
		return withdrawnOpening(v, rec, l, old.tally)
	}
	after, err := tell(v, history, rec)
	if err != nil {
		return nil, err
	}
	renewed, _, err := retell(v, l, after, id, Keep, nil)
	if err != nil {
		return nil, err
	}
	next := renewed.lot
	next.Events++
	next.Amended++
	next.Revision = rec.Position
	c := &Changes{Lots: []*Lot{next}}
	if err := c.children(v, rec, old.parts, renewed.parts); err != nil {
		return nil, err
	}
	if id == l.OpenedBy && l.OpenedKind == opal.KindCombined && next.OpenedAt != l.OpenedAt {
		if err := c.rejoin(v, rec, next); err != nil {
			return nil, err
		}
	}
	t := renewed.tally
	t.total -= old.tally.total
	t.base -= old.tally.base
	t.variance -= old.tally.variance
	return c, c.line(v, l.Root, t)
}

// children makes VOID what is not opened any more, and opens anew what is opened otherwise.
func (c *Changes) children(v View, rec *opal.Recorded, was, is []*Lot) error {
	for i, w := range was {
		same := i < len(is) && sameOpening(w, is[i])
		if same && w.Form == is[i].Form {
			continue
		}
		child, err := v.Lot(w.ID)
		if err != nil || child == nil {
			return errors.Join(err, errMissing)
		}
		next := child.clone()
		switch {
		case same:
			next.Form, next.Revision = is[i].Form, rec.Position
		case i < len(is):
			// Its own events are all withdrawn by now; what is left to say of them is told again.
			is[i].Events, is[i].Amended, is[i].Revision = child.Events, child.Amended, rec.Position
			if next, err = retold(v, is[i], Keep); err != nil {
				return err
			}
		default:
			next.void(rec)
		}
		c.Lots = append(c.Lots, next)
	}
	return nil
}

// rejoin moves the end of a combination's parents to its corrected time.
func (c *Changes) rejoin(v View, rec *opal.Recorded, l *Lot) error {
	for _, id := range l.Parents {
		p, err := v.Lot(id)
		if err != nil || p == nil {
			return errors.Join(err, errMissing)
		}
		next := p.clone()
		next.parted(rec, l.ID)
		at := *rec
		at.When = l.OpenedAt
		next.joined(&at, l.OpenedBy, l.ID)
		c.Lots = append(c.Lots, next)
	}
	return nil
}

// withdrawnOpening makes the lot VOID, and opens the parents of a combination again.
func withdrawnOpening(v View, rec *opal.Recorded, l *Lot, opening tally) (*Changes, error) {
	next := l.clone()
	next.void(rec)
	next.Events++
	next.Amended++
	next.note(rec.Event.ID(), true, rec.Findings, Keep)
	c := &Changes{Lots: []*Lot{next}}
	if l.OpenedKind == opal.KindCombined {
		for _, id := range l.Parents {
			p, err := v.Lot(id)
			if err != nil || p == nil {
				return nil, errors.Join(err, errMissing)
			}
			parent := p.clone()
			parent.parted(rec, l.ID)
			c.Lots = append(c.Lots, parent)
		}
	}
	return c, c.line(v, l.Root, tally{total: -opening.total, base: -opening.base, variance: -opening.variance})
}
