package account

import (
	"cmp"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The rules of title and custody, event by event.

// offered judges sold and handedOver, of a whole lot or of a part.
func (c *court) offered(l *Lot) *fault.Error {
	e := &c.rec.Event
	part := soldPart(e)
	if part != nil && !c.again {
		if f := c.unused(partField(e, 0)+".lot", part.Lot); f != nil {
			return f
		}
	}
	terms := c.handOver
	if e.Sold != nil {
		terms = c.sale
	}
	if f := cmp.Or(c.open(l), c.inHand(l)); f != nil {
		return f
	}
	if f := terms(l); f != nil {
		return f
	}
	if f := cmp.Or(c.inOrder(l), c.notEmpty(l)); f != nil || part == nil {
		return f
	}
	return cmp.Or(c.depth(l, partField(e, 0)), c.partFigures(l, part))
}

// sale: only the owner sells, or a holder on consignment that names the owner.
func (c *court) sale(l *Lot) *fault.Error {
	s := c.rec.Event.Sold
	switch {
	case s.OnBehalfOf == "" && l.Owner != l.Holder:
		return fault.New(fault.NotHolder, "sold.onBehalfOf", "lot %s %s, and found is a sale that names no owner; accepted is %s in onBehalfOf", l.ID, heldBy(l), l.Owner)
	case s.OnBehalfOf != "" && s.OnBehalfOf != l.Owner:
		return fault.New(fault.NotAllowed, "sold.onBehalfOf", "found %s, but the owner of lot %s is %s; accepted is the owner", s.OnBehalfOf, l.ID, l.Owner)
	case s.To == opal.Outside:
		return nil
	}
	return c.enrolled("sold.to", s.To)
}

// handOver: a holder that returns a lot gives it to its owner or to somebody who held it before.
func (c *court) handOver(l *Lot) *fault.Error {
	h := c.rec.Event.HandedOver
	if f := c.enrolled("handedOver.to", h.To); f != nil {
		return f
	}
	if h.Purpose != opal.ForReturn || l.Owner == l.Holder || h.To == l.Owner {
		return nil
	}
	if !slices.ContainsFunc(l.Custody, func(s Custody) bool { return s.Holder == h.To }) {
		return fault.New(fault.NotAllowed, "handedOver.to", "found %s with purpose RETURN, which neither owns lot %s nor held it before; accepted is its owner, %s, or an earlier holder", h.To, l.ID, l.Owner)
	}
	return nil
}

// partFigures: a part is less than the lot. Its rest is computed, so it can make no mass.
func (c *court) partFigures(l *Lot, p *opal.PartOf) *fault.Error {
	field := partField(&c.rec.Event, 0)
	if l.Pieces != nil {
		switch {
		case p.Pieces == nil || p.Manner == opal.Sawn:
			f := opal.Finding{Code: opal.FindPiecesNotCounted, Lot: l.ID}
			if p.Pieces == nil {
				f.Pieces = *l.Pieces
			}
			c.find(f)
		case *p.Pieces >= *l.Pieces:
			return fault.New(fault.PieceMismatch, field+".pieces", "found %s of the lot's %d; accepted is a part that leaves at least 1, or the whole lot without a part", counted(*p.Pieces), *l.Pieces)
		}
	}
	if w := p.Mass.Weight(); w.Micrograms >= l.Micrograms {
		return fault.New(fault.MassGain, field+".mass", "the part weighs %s, the whole lot %s; accepted is a part that leaves a rest, or the whole lot without a part", figure(w.Micrograms), figure(l.Micrograms))
	}
	return nil
}

// received judges the receipt by the named party, or the sender's taking back. What was measured becomes the account: a lot that
// arrived is there, whatever it weighs, so nothing is refused for its figures.
func (c *court) received(l *Lot) *fault.Error {
	if f := cmp.Or(c.open(l), c.answers(l, c.rec.Event.Received.CameBack), c.inOrder(l)); f != nil {
		return f
	}
	return c.arrival(l)
}

// answers checks that the poster is who may end the pending hand-over: the party it names, or its sender where it takes the lot back.
func (c *court) answers(l *Lot, sender bool) *fault.Error {
	party, p := c.rec.Event.Party, l.Pending
	switch {
	case p == nil:
		return fault.New(fault.NotHolder, "lot", "lot %s is not under way to anybody, it %s; accepted is the answer to a pending sale or hand-over", l.ID, heldBy(l))
	case sender && p.From != party:
		return fault.New(fault.NotHolder, "received.cameBack", "found cameBack by %s, but lot %s was sent by %s; accepted is cameBack by the sender", party, l.ID, p.From)
	case !sender && p.To != party:
		return fault.New(fault.NotHolder, "lot", "found an answer by %s, but lot %s is under way from %s to %s; accepted is the answer of the party it was sent to", party, l.ID, p.From, p.To)
	}
	return nil
}

// arrival compares what was sent with what arrived.
func (c *court) arrival(l *Lot) *fault.Error {
	e, r := &c.rec.Event, c.rec.Event.Received
	less := opal.Finding{Code: opal.FindArrivalDifference, Lot: l.ID}
	more := opal.Finding{Code: opal.FindArrivalGain, Lot: l.ID}
	if r.Pieces != nil && l.Pieces != nil {
		if n := *r.Pieces - *l.Pieces; n < 0 {
			less.Pieces = n
		} else {
			more.Pieces = n
		}
	}
	if r.Mass != "" {
		b := c.against(l, r.Mass, e.Moisture)
		v := b.verdict()
		if b.gain() > 0 && v != made && !c.again {
			// The line's one allowance may be used up already: then this is a gain, too.
			_, whole, f := c.lineWith(l, l.weighedAgain(r.Mass, e.Moisture, nil, false).tally)
			if f != nil {
				return f
			}
			if whole.verdict() == made {
				v = made
			}
		}
		switch v {
		case made:
			more.Micrograms, more.PartsPerMillion = b.gain(), partsPerMillion(b.gain(), b.in)
			v = even
		case missing:
			less.Micrograms, less.PartsPerMillion = b.gain(), partsPerMillion(b.gain(), b.in)
			v = even
		}
		c.weighed(l.ID, b, v)
	}
	for _, f := range []opal.Finding{less, more} {
		if f.Pieces != 0 || f.Micrograms != 0 {
			c.find(f)
		}
	}
	// A gain past the allowance has been made the base's above, so this refuses nothing.
	return c.line(l, "received.mass", l.effect(e, c.findings).tally)
}

func (c *court) refused(l *Lot) *fault.Error {
	return cmp.Or(c.open(l), c.answers(l, false), c.inOrder(l))
}

// returned sends the title of a sold lot back; the stones follow with a hand-over. The sale may be of a lot that this one was split or
// cut from.
func (c *court) returned(l *Lot) *fault.Error {
	e, r := &c.rec.Event, c.rec.Event.Returned
	sale, err := c.v.Recorded(r.Sale)
	if err != nil {
		return c.broken(err)
	}
	if sale == nil {
		return fault.New(fault.UnknownEvent, "returned.sale", "found %q, which this log does not know; accepted is the id of the sale", r.Sale)
	}
	if sale.Event.Sold == nil {
		return fault.New(fault.InvalidField, "returned.sale", "found %q, which is a %s; accepted is the id of the sale", r.Sale, sale.Event.Kind())
	}
	if f := cmp.Or(c.open(l), c.inHand(l)); f != nil {
		return f
	}
	if sale.Event.Sold.To != e.Party {
		return fault.New(fault.NotYourEvent, "returned.sale", "found a sale to %s; accepted is a sale to %s", sale.Event.Sold.To, e.Party)
	}
	sold := sale.Event.Lot
	if sale.Event.Sold.Part != nil {
		sold = sale.Event.Sold.Part.Lot
	}
	from := l
	for from.ID != sold {
		if len(from.Parents) != 1 {
			return fault.New(fault.InvalidField, "returned.sale", "found the sale of lot %s, from which lot %s was not split or cut; accepted is the sale by which %s got it", sold, l.ID, e.Party)
		}
		if from, err = c.v.Lot(from.Parents[0]); err != nil || from == nil {
			return c.broken(cmp.Or(err, errMissing))
		}
	}
	return c.inOrder(l)
}

// sellerOf says whose title a returned lot is again.
func sellerOf(sale *opal.Event) string {
	if sale.Sold.OnBehalfOf != "" {
		return sale.Sold.OnBehalfOf
	}
	return sale.Party
}

// setOrUnset: no weighing is asked, and it may be told later, by the holder.
func (c *court) setOrUnset(l *Lot) *fault.Error {
	e := &c.rec.Event
	if f := cmp.Or(c.open(l), c.inHand(l), c.notBeforeOpening(l, c.rec.When, "occurredAt")); f != nil {
		return f
	}
	held, err := c.held(l, e.Party, c.rec.When, c.rec.When)
	if err != nil {
		return c.broken(err)
	}
	if !held {
		return fault.New(fault.OutOfOrder, "occurredAt", "found %s, when %s did not hold lot %s; accepted is a time since it has held it", stamp(c.rec.When), e.Party, l.ID)
	}
	if f := c.notAhead(c.rec.When, "occurredAt"); f != nil || e.Unset == nil {
		return f
	}
	switch {
	case l.SetIn == "":
		return fault.New(fault.InvalidField, "unset", "lot %s is not set in anything; accepted is unset after set", l.ID)
	case e.Unset.Piece != "" && e.Unset.Piece != l.SetIn:
		return fault.New(fault.InvalidField, "unset.piece", "found %q, but lot %s is set in %q; accepted is that piece, or none named", e.Unset.Piece, l.ID, l.SetIn)
	}
	return nil
}

// referenceSet is taken from the holder or the owner.
func (c *court) referenceSet(l *Lot) *fault.Error {
	party := c.rec.Event.Party
	if f := c.open(l); f != nil {
		return f
	}
	if party != l.Holder && party != l.Owner {
		return notHolder(l, party)
	}
	return cmp.Or(c.notBeforeOpening(l, c.rec.When, "occurredAt"), c.notAhead(c.rec.When, "occurredAt"))
}

func (c *court) closed(l *Lot) *fault.Error { return c.mover(l) }

// reopened is posted by the last holder of a lot that was closed or sold out of the log.
func (c *court) reopened(l *Lot) *fault.Error {
	party := c.rec.Event.Party
	switch {
	case l.State == Open && l.Holder != opal.Outside:
		return fault.New(fault.NotAllowed, "reopened", "lot %s is open and %s; accepted is a lot that was closed, or sold out of the log", l.ID, heldBy(l))
	case l.State != Open && l.State != Closed:
		return closedFault("lot", l)
	}
	if last := l.lastParty(); last != party {
		return fault.New(fault.NotHolder, "lot", "found %s, but lot %s was held last by %s; accepted is the last holder", party, l.ID, last)
	}
	return c.inOrder(l)
}

// handle judges handleIssued and handleRevoked: by the lot's owner, its holder or last holder, or the admin. The first handle is derived
// from the lot's id with a secret, so it cannot be checked here that a revoked handle is the lot's: one that is not does nothing.
func (c *court) handle(l *Lot) *fault.Error {
	e := &c.rec.Event
	if l.State == Void {
		return closedFault("lot", l)
	}
	if e.Party != l.Owner && e.Party != l.lastParty() && e.Party != opal.Admin {
		return notHolder(l, e.Party)
	}
	if f := c.notAhead(c.rec.When, "occurredAt"); f != nil {
		return f
	}
	if e.HandleRevoked != nil {
		h := e.HandleRevoked.Handle
		switch {
		case slices.Contains(l.RevokedHandles, h):
			return fault.New(fault.UnknownHandle, "handleRevoked.handle", "found %s, which was revoked before; accepted is a handle that still answers", h)
		case len(l.RevokedHandles) > MaxHandles:
			return fault.New(fault.TooLarge, "handleRevoked.handle", "lot %s has %d revoked handles; accepted are at most %d", l.ID, len(l.RevokedHandles), MaxHandles+1)
		}
		return nil
	}
	h := e.HandleIssued.Handle
	switch {
	case slices.Contains(l.Handles, h) || slices.Contains(l.RevokedHandles, h):
		return fault.New(fault.InvalidField, "handleIssued.handle", "found %s, which lot %s has had before; accepted is a new one", h, l.ID)
	case len(l.Handles) >= MaxHandles:
		return fault.New(fault.TooLarge, "handleIssued.handle", "lot %s has %d further handles; accepted are at most %d", l.ID, len(l.Handles), MaxHandles)
	}
	return nil
}
