package account

import (
	"cmp"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Who may do what, and when.

// allowedFor lists what a holder that is not the owner may post, by the purpose it holds the lot for.
func allowedFor(p opal.Purpose) []string {
	any := []string{"tested", "described", "nothingDone", "counted", "handedOver with purpose RETURN or on for the same purpose"}
	switch p {
	case opal.ForCutting:
		return append(any, "split", "cut")
	case opal.ForTreatment:
		return append(any, "treated")
	case opal.ForConsignment:
		return append(any, "split", "sold on the owner's behalf")
	case opal.ForSetting:
		return append(any, "set", "unset")
	case opal.ForTesting:
		return append(any, "closed with reason DESTROYED_IN_TEST")
	}
	return any
}

// mayHolder tells whether the holder may post this now: an owner all, another holder what its purpose covers.
func mayHolder(l *Lot, e *opal.Event) bool {
	if l.Owner == l.Holder {
		return true
	}
	p := l.Purpose
	maySplit := p == opal.ForCutting || p == opal.ForConsignment
	switch {
	case e.Tested != nil, e.Described != nil, e.NothingDone != nil, e.Counted != nil:
		return true
	case e.HandedOver != nil:
		return (e.HandedOver.Purpose == opal.ForReturn || e.HandedOver.Purpose == p) && (e.HandedOver.Part == nil || maySplit)
	case e.Split != nil:
		return maySplit
	case e.Cut != nil:
		return p == opal.ForCutting
	case e.Treated != nil:
		return p == opal.ForTreatment
	case e.Sold != nil:
		return p == opal.ForConsignment
	case e.Set != nil, e.Unset != nil:
		return p == opal.ForSetting
	case e.Closed != nil:
		// A stone that a wearer left for repair goes back to somebody who is not in the log.
		return p == opal.ForTesting && e.Closed.Reason == opal.ClosedInTest || l.Owner == opal.Outside
	}
	return false
}

// mover checks an event that moves mass, pieces or custody: the lot is open, in the poster's hands, nothing is under way, the purpose
// covers it, and it is in order of time.
func (c *court) mover(l *Lot) *fault.Error {
	return cmp.Or(c.open(l), c.inHand(l), c.inOrder(l))
}

func (c *court) open(l *Lot) *fault.Error {
	if l.State != Open {
		return closedFault("lot", l)
	}
	return nil
}

// inHand checks custody and purpose.
func (c *court) inHand(l *Lot) *fault.Error {
	e := &c.rec.Event
	if p := l.Pending; p != nil && (p.To == e.Party || l.Holder == e.Party) {
		return underWay(l)
	}
	if l.Holder != e.Party {
		return notHolder(l, e.Party)
	}
	if !mayHolder(l, e) {
		return notFor(l, e.Party, e.Kind())
	}
	return nil
}

// inOrder checks the time of an event that moves mass, pieces or custody.
func (c *court) inOrder(l *Lot) *fault.Error {
	if f := c.notBeforeOpening(l, c.rec.When, "occurredAt"); f != nil {
		return f
	}
	if c.rec.When.Before(l.LastMove) {
		return fault.New(fault.OutOfOrder, "occurredAt", "found %s, but the latest event that moved mass, pieces or custody of lot %s is of %s; accepted is that time or a later one", stamp(c.rec.When), l.ID, stamp(l.LastMove))
	}
	return c.notAhead(c.rec.When, "occurredAt")
}

func (c *court) notBeforeOpening(l *Lot, at When, field string) *fault.Error {
	if !at.Before(l.OpenedAt) {
		return nil
	}
	more := ""
	if len(l.Parents) > 0 {
		more = "; what happened earlier belongs to the lot it came from"
	}
	return fault.New(fault.BeforeLotOpened, field, "found %s, but lot %s was opened at %s; accepted is that time or a later one%s", stamp(at), l.ID, stamp(l.OpenedAt), more)
}

// notAhead checks that a time is not ahead of the log's clock.
func (c *court) notAhead(at When, field string) *fault.Error {
	if c.future == 0 {
		return nil
	}
	latest := c.future + opal.Instant(c.pol.FutureSeconds*1_000_000)
	if at.From > latest {
		return fault.New(fault.FutureTime, field, "found %s, which is ahead of the log's clock (%s); accepted is at most %d seconds ahead", stamp(at), c.future, c.pol.FutureSeconds)
	}
	return nil
}

// evidence checks an event that may come late, about the time from one moment to another (for all but nothingDone the same): it is taken
// from whoever held the lot then (or, for a test, was sent it), whether the lot is now open, closed or elsewhere.
//
// It is late, and gets REPORTED_LATE with the delay, when the lot has already had a later-dated event that moved mass, pieces or custody,
// or has ended, or is no longer in the poster's hands. What its poster measured is evidence then, and not a weighing of the account.
func (c *court) evidence(l *Lot, from, to When, fromField, toField string) (late bool, f *fault.Error) {
	if l.State == Void {
		return false, closedFault("lot", l)
	}
	if f := c.notBeforeOpening(l, from, fromField); f != nil {
		return false, f
	}
	if l.ClosedAt != nil && l.ClosedAt.Before(to) {
		return false, closedFault(toField, l)
	}
	if late, f = c.heldThen(l, from, to); f == nil {
		f = c.notAhead(to, toField)
	}
	if f == nil && late {
		c.find(opal.Finding{Code: opal.FindReportedLate, Lot: l.ID, DelaySeconds: delay(to.To, c.rec.RecordedAt)})
	}
	return late, f
}

// delay counts the seconds from one moment to another.
func delay(from, to opal.Instant) int64 { return max(0, int64(to-from)/1_000_000) }

// heldThen tells whether the poster could know what it says, and whether it says so late.
func (c *court) heldThen(l *Lot, from, to When) (late bool, f *fault.Error) {
	e, p := &c.rec.Event, l.Pending
	late = true
	if l.State == Open && l.Holder == e.Party {
		if p != nil && p.At.Before(to) {
			return false, underWay(l)
		}
		if late = to.Before(l.LastMove); !late {
			if !mayHolder(l, e) {
				return false, notFor(l, e.Party, e.Kind())
			}
			if from == to {
				return false, nil
			}
		}
	}
	held, err := c.held(l, e.Party, from, to)
	if err != nil {
		return false, c.broken(err)
	}
	if held {
		return late, nil
	}
	if e.Tested != nil {
		if p != nil && p.To == e.Party && !to.Before(p.At) {
			return false, nil
		}
		for _, s := range l.Sent {
			if s.To == e.Party && !to.Before(s.From) && !s.Until.Before(to) {
				return true, nil
			}
		}
	}
	then := "at " + stamp(to)
	if from != to {
		then = "all the time from " + stamp(from) + " to " + stamp(to)
	}
	return false, fault.New(fault.NotHolder, "lot", "%s did not hold lot %s %s (it %s now); accepted is a report by a party that held it then", e.Party, l.ID, then, heldBy(l))
}

// held tells whether a party held the lot from one time to another. Times that only overlap count as held.
func (c *court) held(l *Lot, party string, from, to When) (bool, error) {
	if heldIn(l.Custody, party, from, to) {
		return true, nil
	}
	if l.CustodyCount <= int64(len(l.Custody)) {
		return false, nil
	}
	// Spans were left out of the account's list: tell the whole story.
	whole, err := retold(c.v, l, all)
	if err != nil {
		return false, err
	}
	return heldIn(whole.Custody, party, from, to), nil
}

func heldIn(spans []Custody, party string, from, to When) bool {
	begun := false
	for i := range spans {
		s := &spans[i]
		if s.Holder != party {
			begun = false
			continue
		}
		if !begun {
			begun = !from.Before(s.From) && (s.To == nil || !s.To.Before(from))
		}
		if begun && (s.To == nil || !s.To.Before(to)) {
			return true
		}
	}
	return false
}
