package account

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func decide(v View, rec *opal.Recorded) ([]opal.Finding, *fault.Error, error) {
	bare := *rec
	bare.Findings = nil
	c := court{v: v, rec: &bare, future: rec.RecordedAt}
	f := c.decide()
	if c.err != nil {
		return nil, nil, fmt.Errorf("judge event %s at %d: %w", rec.Event.ID(), rec.Position, c.err)
	}
	if f != nil {
		return nil, f, nil
	}
	return c.findings, nil, nil
}

// court judges one event. Its methods answer a refusal or nil; an error of the View is kept in err and outranks whatever they answer.
type court struct {
	v        View
	pol      *opal.Policy
	rec      *opal.Recorded
	findings []opal.Finding
	err      error
	// future is the log's clock, against which an event may not be dated ahead; 0 for an event that is judged again.
	future opal.Instant
	// again: the event stands in the log already and is judged again in its old place, because an earlier one is amended. Only the lot's
	// own account is asked then: its children exist, and the line is balanced for the whole amendment at once.
	again bool
}

// broken keeps an error of the View. The refusal it answers only ends the judging.
func (c *court) broken(err error) *fault.Error {
	c.err = err
	return fault.New(fault.InternalError, "", "the accounts could not be read")
}

func (c *court) find(f opal.Finding) { c.findings = append(c.findings, f) }

func (c *court) decide() *fault.Error {
	log, err := c.v.Log()
	if err != nil {
		return c.broken(err)
	}
	e := &c.rec.Event
	if e.LogOpened != nil {
		return c.logOpened(log)
	}
	if log == nil {
		return c.broken(fmt.Errorf("the log has not been opened"))
	}
	c.pol = &log.Policy
	switch kind := e.Kind(); {
	case kind == "":
		return c.broken(fmt.Errorf("the event has no body"))
	case !kind.HasLot():
		return c.directory(log)
	case kind == opal.KindCorrected, kind == opal.KindWithdrawn:
		return c.amendment()
	case kind.OpensLot():
		return c.opening()
	}
	l, f := c.known("lot", e.Lot)
	if f != nil {
		return f
	}
	if f := c.expected(l); f != nil {
		return f
	}
	return c.own(l)
}

// known finds a lot that an event names.
func (c *court) known(field, id string) (*Lot, *fault.Error) {
	l, err := c.v.Lot(id)
	if err != nil {
		return nil, c.broken(err)
	}
	if l == nil {
		return nil, unknownLot(field, id)
	}
	return l, nil
}

// unused checks that a new lot's id was never used.
func (c *court) unused(field, id string) *fault.Error {
	l, err := c.v.Lot(id)
	if err != nil {
		return c.broken(err)
	}
	if l != nil {
		return lotExists(field, id)
	}
	return nil
}

// expected checks the revision that the poster knew.
func (c *court) expected(l *Lot) *fault.Error {
	if want := c.rec.Event.ExpectedRevision; want != nil && *want != l.Revision {
		return fault.New(fault.EtagMismatch, "expectedRevision", "found %d, but the latest event of lot %s is at position %d; accepted is that one, after reading what it changed", *want, l.ID, l.Revision)
	}
	return nil
}

// enrolled finds the party that a field names.
func (c *court) enrolled(field, id string) *fault.Error {
	p, err := c.v.Party(id)
	if err != nil {
		return c.broken(err)
	}
	if p == nil || id == opal.Admin {
		return unknownParty(field, id)
	}
	return nil
}

// own judges an event of a lot's own against the account as it stood before.
func (c *court) own(l *Lot) *fault.Error {
	switch e := &c.rec.Event; {
	case e.Split != nil, e.Cut != nil:
		return c.takenApart(l)
	case e.Tested != nil:
		return c.tested(l)
	case e.Treated != nil:
		return c.treated(l)
	case e.Described != nil:
		return c.described(l)
	case e.NothingDone != nil:
		return c.nothingDone(l)
	case e.HandedOver != nil, e.Sold != nil:
		return c.offered(l)
	case e.Received != nil:
		return c.received(l)
	case e.Refused != nil:
		return c.refused(l)
	case e.Returned != nil:
		return c.returned(l)
	case e.Counted != nil:
		return c.counted(l)
	case e.Set != nil, e.Unset != nil:
		return c.setOrUnset(l)
	case e.ReferenceSet != nil:
		return c.referenceSet(l)
	case e.Closed != nil:
		return c.closed(l)
	case e.Reopened != nil:
		return c.reopened(l)
	case e.HandleIssued != nil, e.HandleRevoked != nil:
		return c.handle(l)
	}
	return c.broken(fmt.Errorf("no rule for a %s", c.rec.Event.Kind()))
}
