package status

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Who holds and who owns a lot follows from the accepted events alone; internal/account has judged them. The account says who it is
// now; the projection also needs to know who it was at each position, for lists, alerts and watches.

// begin is the first hold of a lot.
func begin(position uint64, event, holder, owner string) []hold {
	return []hold{{From: position, Holder: holder, Owner: owner, Event: event}}
}

// move puts a new hold on the record.
func (r *lotRecord) move(h hold) {
	list := make([]hold, 0, len(r.Holds)+1)
	list = append(append(list, r.Holds...), h)
	if len(list) > maxHolds {
		list = append(list[:1], list[2:]...)
	}
	r.Holds = list
}

// offer notes a hand-over that waits for an answer. A buyer outside the log answers nothing: the stones are gone at once.
func (r *lotRecord) offer(position uint64, p *pending) {
	if p.To == opal.Outside {
		r.move(hold{From: position, Holder: opal.Outside, Owner: opal.Outside, Event: p.Event})
		return
	}
	r.Pending = p
}

// openCustody gives the lots that an event opens to their first holder and owner.
func (f *folding) openCustody(rec *opal.Recorded) error {
	ev := &rec.Event
	id := ev.ID()
	holder, owner := ev.Party, ev.Party
	from := ev.Lot
	if ev.Combined != nil && len(ev.Combined.Parents) > 0 {
		from = ev.Combined.Parents[0]
	}
	if ev.Mined == nil && ev.Acquired == nil {
		parent, err := f.lot(from)
		if err != nil {
			return err
		}
		if parent == nil {
			return fmt.Errorf("event %s makes lots of %s, which the projection does not have", id, from)
		}
		h := parent.now()
		holder, owner = h.Holder, h.Owner
	}
	for _, lot := range opal.NewLots(ev) {
		r, err := f.change(lot)
		if err != nil {
			return err
		}
		r.Holds = begin(rec.Position, id, holder, owner)
	}
	return nil
}

// custody folds an event of custody into the record of its lot.
func (f *folding) custody(rec *opal.Recorded) error {
	ev := &rec.Event
	id := ev.ID()
	switch {
	case ev.Sold != nil:
		return f.offer(rec, ev.Sold.Part, &pending{Event: id, To: ev.Sold.To, Title: true})
	case ev.HandedOver != nil:
		return f.offer(rec, ev.HandedOver.Part, &pending{Event: id, To: ev.HandedOver.To})
	case ev.Received == nil && ev.Refused == nil && ev.Returned == nil && ev.Closed == nil && ev.Reopened == nil:
		return nil
	}
	r, err := f.change(ev.Lot)
	if err != nil {
		return err
	}
	h := r.now()
	next := hold{From: rec.Position, Holder: h.Holder, Owner: h.Owner, Event: id}
	switch {
	case ev.Refused != nil, ev.Received != nil && ev.Received.CameBack:
		if r.Pending != nil {
			r.Dropped, r.Pending = &dropped{By: id, Pending: *r.Pending}, nil
		}
		return nil
	case ev.Received != nil:
		next.Holder, next.Ended = ev.Party, r.Pending
		if r.Pending != nil && r.Pending.Title {
			next.Owner = ev.Party
		}
		r.Pending = nil
	case ev.Returned != nil:
		// The title goes back; the stones stay with the buyer until it hands them over.
		seller, err := f.seller(ev.Returned.Sale)
		if err != nil {
			return err
		}
		next.Owner = seller
	case ev.Closed != nil:
		if ev.Closed.Reason != opal.ClosedToAWearer {
			return nil
		}
		next.Holder, next.Owner = opal.Outside, opal.Outside
	case ev.Reopened != nil:
		if h.Holder != opal.Outside {
			return nil
		}
		next.Holder, next.Owner = ev.Party, ev.Party
		if ev.Reopened.Why == opal.ReopenRepair {
			next.Owner = opal.Outside
		}
	}
	r.move(next)
	return nil
}

func (f *folding) offer(rec *opal.Recorded, part *opal.PartOf, p *pending) error {
	lot := rec.Event.Lot
	if part != nil {
		lot = part.Lot
	}
	r, err := f.change(lot)
	if err != nil {
		return err
	}
	r.offer(rec.Position, p)
	return nil
}

// seller is whose title a sale gave away: the owner's for whom a holder sold, else the poster's.
func (f *folding) seller(sale string) (string, error) {
	rec, err := f.log.Recorded(sale)
	if err != nil {
		return "", err
	}
	if rec == nil || rec.Event.Sold == nil {
		return "", fmt.Errorf("sale %s is not in the log", sale)
	}
	if owner := rec.Event.Sold.OnBehalfOf; owner != "" {
		return owner, nil
	}
	return rec.Event.Party, nil
}

// undoCustody folds the withdrawal of an event of custody: a hand-over that waits is cancelled, a hold that the event brought about ends.
func (f *folding) undoCustody(rec, target *opal.Recorded) error {
	id := target.Event.ID()
	corrected := rec.Event.Withdrawn.Event != id // it is a correction that is withdrawn, and the event stands as it was posted
	r, err := f.change(lotOf(&target.Event))
	if err != nil {
		return err
	}
	switch {
	case r.Pending != nil && r.Pending.Event == id && corrected:
		r.Pending = nil
		return f.custody(target)
	case corrected:
		return nil
	case r.Pending != nil && r.Pending.Event == id:
		r.Pending = nil
		return nil
	case r.Dropped != nil && r.Dropped.By == id:
		again := r.Dropped.Pending
		r.Pending, r.Dropped = &again, nil
		return nil
	}
	n := len(r.Holds)
	if n < 2 || r.Holds[n-1].Event != id {
		return nil
	}
	before := r.Holds[n-2]
	r.Pending = r.Holds[n-1].Ended
	r.move(hold{From: rec.Position, Holder: before.Holder, Owner: before.Owner, Event: before.Event})
	return nil
}

// correctCustody folds the correction of a hand-over or sale that still waits: it may name another party.
func (f *folding) correctCustody(rec, target *opal.Recorded) error {
	replaced := rec.Event.Corrected.Replacement
	if replaced == nil || replaced.Sold == nil && replaced.HandedOver == nil {
		return nil
	}
	r, err := f.change(lotOf(&target.Event))
	if err != nil {
		return err
	}
	if r.Pending == nil || r.Pending.Event != target.Event.ID() {
		return nil
	}
	p := *r.Pending
	if replaced.Sold != nil {
		p.To = replaced.Sold.To
	} else {
		p.To = replaced.HandedOver.To
	}
	r.Pending = nil
	r.offer(rec.Position, &p)
	return nil
}

// lotOf is the lot whose stones an event moves or tells of: the part that a sale or hand-over splits off, else the event's own.
func lotOf(ev *opal.Event) string {
	switch {
	case ev.Sold != nil && ev.Sold.Part != nil:
		return ev.Sold.Part.Lot
	case ev.HandedOver != nil && ev.HandedOver.Part != nil:
		return ev.HandedOver.Part.Lot
	}
	return ev.Lot
}
