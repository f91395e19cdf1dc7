package account

import (
	"github.com/lotpaper/lotpaper/internal/opal"
)

// How lots are opened, and what each event of a lot's own makes of its account. The methods that change a lot work on a copy that
// nobody else has seen (clone); its lists are still shared with the original and are therefore never changed in place.

// clone gives a copy whose lists are shared.
func (l *Lot) clone() *Lot {
	c := *l
	return &c
}

// with appends to a shared list.
func with[T any](list []T, x T) []T {
	return append(list[:len(list):len(list)], x)
}

// kept appends to a shared list of at most keep entries: the first one stays, of the others the latest.
func kept[T any](list []T, x T, keep int) []T {
	if len(list) < keep {
		return with(list, x)
	}
	c := make([]T, 0, keep)
	c = append(c, list[0])
	c = append(c, list[2:]...)
	return append(c, x)
}

// all is the keep of a fold that leaves nothing out.
const all = 1 << 30

// figures sets pieces and mass, and lists them as a weighing.
func (l *Lot) figures(id string, at When, ef *effect, keep int) {
	if ef.mass != "" {
		l.Mass = ef.mass
	}
	l.Micrograms, l.Step, l.Moisture = ef.weight.Micrograms, ef.weight.Step, ef.moisture
	l.Variance, l.Pieces, l.Lost = ef.variance, ef.pieces, ef.lost
	l.Weighings = kept(l.Weighings, Weighing{
		Event: id, At: at, Mass: ef.mass, Micrograms: l.Micrograms, Step: l.Step, Moisture: l.Moisture, Pieces: l.Pieces,
	}, keep)
	l.WeighingCount++
}

// moved notes the time of an event that moved mass, pieces or custody. Times that overlap are joined to the later ends.
func (l *Lot) moved(at When) {
	l.LastMove = later(l.LastMove, at)
}

func later(a, b When) When {
	return When{From: max(a.From, b.From), To: max(a.To, b.To)}
}

// span begins a span of custody and ends the one before.
func (l *Lot) span(id string, at When, holder, owner string, purpose opal.Purpose, keep int) {
	l.endSpan(at)
	l.Holder, l.Owner, l.Purpose = holder, owner, purpose
	l.Custody = kept(l.Custody, Custody{Holder: holder, From: at, Purpose: purpose, Event: id, Owner: owner}, keep)
	l.CustodyCount++
}

// endSpan ends the open span of custody.
func (l *Lot) endSpan(at When) {
	n := len(l.Custody)
	if n == 0 || l.Custody[n-1].To != nil {
		return
	}
	c := append([]Custody(nil), l.Custody...)
	c[n-1].To = &at
	l.Custody = c
}

// close ends the lot.
func (l *Lot) close(to State, id string, at When) {
	l.State, l.ClosedAt, l.ClosedBy = to, &at, id
	l.endSpan(at)
}

// note keeps the findings of an event that speak of this lot. Those that name no lot speak of the event's own.
func (l *Lot) note(id string, own bool, fs []opal.Finding, keep int) {
	for i := range fs {
		if fs[i].Lot == l.ID || fs[i].Lot == "" && own {
			l.Findings = kept(l.Findings, LotFinding{Event: id, Finding: fs[i]}, keep)
			l.FindingCount++
		}
	}
}

// lastParty gives the last holder that is a party of the log.
func (l *Lot) lastParty() string {
	for i := len(l.Custody) - 1; i >= 0; i-- {
		if l.Custody[i].Holder != opal.Outside {
			return l.Custody[i].Holder
		}
	}
	return ""
}

// purposeOnArrival says what a party holds a received lot for: nothing, if it is its own; what the sender held it for, if it came back.
func purposeOnArrival(l *Lot, p *Pending) opal.Purpose {
	switch {
	case p.Title || p.To == l.Owner:
		return ""
	case p.Purpose == opal.ForReturn && l.Purpose != "":
		return l.Purpose
	}
	return p.Purpose
}

// entry is an event as it stands, and where its findings come from: the event itself, or the correction that replaced its body.
type entry struct {
	rec    *opal.Recorded
	source string
	seller string // of a return: whose title it is again
	silent bool   // withdrawn, but its figures stand
}

// take makes of the account what an event of the lot's own makes of it, other than its opening, and answers what it adds to the line.
func (l *Lot) take(en entry, keep int) tally {
	rec := en.rec
	e := &rec.Event
	id, at := e.ID(), rec.When
	ef := l.effect(e, rec.Findings)
	if ef.weighed {
		l.figures(id, at, &ef, keep)
		l.moved(at)
	}
	switch {
	case e.Split != nil, e.Cut != nil, soldPart(e) != nil:
		made := opal.NewLots(e)
		n := len(l.Children)
		l.Children = append(l.Children[:n:n], made[:min(len(made), MaxListed-n)]...)
		l.ChildCount += int64(len(made))
		l.moved(at)
		switch {
		case e.Cut != nil:
			l.close(Cut, id, at)
		case e.Split != nil && e.Split.Rest == nil:
			l.close(Split, id, at)
		}
	case e.Sold != nil, e.HandedOver != nil:
		l.offer(offered(e, rec.When), keep)
		l.moved(at)
	case e.Received != nil:
		l.receive(e, id, at, keep)
	case e.Refused != nil:
		l.cameToNothing(at, keep)
		l.moved(at)
	case e.Returned != nil:
		// The stones stay with the buyer until it hands them over.
		l.span(id, at, l.Holder, en.seller, opal.ForReturn, keep)
		l.moved(at)
	case e.Set != nil:
		l.SetIn = e.Set.Piece
	case e.Unset != nil:
		l.SetIn = ""
	case e.Closed != nil:
		l.moved(at)
		if e.Closed.Reason == opal.ClosedToAWearer {
			l.span(id, at, opal.Outside, opal.Outside, "", keep)
		}
		l.close(Closed, id, at)
	case e.Reopened != nil:
		l.reopen(e, id, at, keep)
	case e.HandleIssued != nil:
		l.Handles = with(l.Handles, e.HandleIssued.Handle)
	case e.HandleRevoked != nil:
		l.RevokedHandles = with(l.RevokedHandles, e.HandleRevoked.Handle)
	}
	if !en.silent {
		l.note(en.source, true, rec.Findings, keep)
	}
	l.Events++
	l.Revision = max(l.Revision, rec.Position)
	return ef.tally
}

// offered is the pending hand-over that a sale or hand-over opens.
func offered(e *opal.Event, at When) *Pending {
	if e.Sold != nil {
		return &Pending{Event: e.ID(), To: e.Sold.To, From: e.Party, Title: true, At: at}
	}
	return &Pending{Event: e.ID(), To: e.HandedOver.To, From: e.Party, Purpose: e.HandedOver.Purpose, At: at}
}

// offer opens the hand-over; a buyer outside the log answers nothing, so the stones are gone at once.
func (l *Lot) offer(p *Pending, keep int) {
	if p.To == opal.Outside {
		l.span(p.Event, p.At, opal.Outside, opal.Outside, "", keep)
		return
	}
	l.Pending = p
}

// receive ends the pending hand-over.
func (l *Lot) receive(e *opal.Event, id string, at When, keep int) {
	l.moved(at)
	if e.Received.CameBack || l.Pending == nil {
		l.cameToNothing(at, keep)
		return
	}
	p := l.Pending
	owner := l.Owner
	if p.Title {
		owner = p.To
	}
	l.span(id, at, p.To, owner, purposeOnArrival(l, p), keep)
	l.Pending = nil
}

// cameToNothing ends the pending hand-over without a move.
func (l *Lot) cameToNothing(at When, keep int) {
	if l.Pending == nil {
		return
	}
	l.Sent = kept(l.Sent, Sent{To: l.Pending.To, From: l.Pending.At, Until: at, Event: l.Pending.Event}, keep)
	l.Pending = nil
}

// reopen opens a closed lot, or one that was sold out of the log, in the hands that held it last. A stone that a wearer brings for repair
// stays the wearer's.
func (l *Lot) reopen(e *opal.Event, id string, at When, keep int) {
	l.State, l.ClosedAt, l.ClosedBy = Open, nil, ""
	holder, owner, purpose := l.Holder, l.Owner, l.Purpose
	if holder == opal.Outside {
		holder, owner = e.Party, e.Party
		if e.Reopened.Why == opal.ReopenRepair {
			owner, purpose = opal.Outside, opal.ForRepair
		}
	}
	l.span(id, at, holder, owner, purpose, keep)
	l.moved(at)
}

// opened begins an account.
func opened(id string, rec *opal.Recorded, material opal.Material, form opal.Form, holder, owner string, purpose opal.Purpose) *Lot {
	l := &Lot{
		ID: id, State: Open, OpenedBy: rec.Event.ID(), OpenedKind: rec.Event.Kind(), OpenedAt: rec.When, OpenedPos: rec.Position,
		Material: material, Form: form, Root: id, LastMove: rec.When, Revision: rec.Position,
	}
	l.span(l.OpenedBy, rec.When, holder, owner, purpose, Keep)
	return l
}

// weighedFirst sets the figures of the opening.
func (l *Lot) weighedFirst(m opal.Mass, moisture opal.Moisture, pieces *int64) {
	w := m.Weight()
	l.figures(l.OpenedBy, l.OpenedAt, &effect{mass: m, weight: w, moisture: moisture, variance: stepVariance(w.Step), pieces: pieces}, Keep)
}

// openSource opens a lot that comes from no other, and its line: base and total are the same weighing.
func openSource(en entry) (*Lot, tally) {
	e := &en.rec.Event
	var l *Lot
	if m := e.Mined; m != nil {
		l = opened(e.Lot, en.rec, m.Material, orRough(m.Form), e.Party, e.Party, "")
		l.weighedFirst(m.Mass, e.Moisture, m.Pieces)
	} else {
		a := e.Acquired
		l = opened(e.Lot, en.rec, a.Material, orRough(a.Form), e.Party, e.Party, "")
		l.weighedFirst(a.Mass, e.Moisture, a.Pieces)
	}
	l.note(en.source, true, en.rec.Findings, Keep)
	l.Events = 1
	return l, tally{total: l.Micrograms, base: l.Micrograms, variance: 2 * l.Variance}
}

func orRough(f opal.Form) opal.Form {
	if f == "" {
		return opal.Rough
	}
	return f
}

// openChildren opens the lots that a split, cut, sale or hand-over makes of the lot as it stood before.
func (l *Lot) openChildren(en entry) []*Lot {
	e := &en.rec.Event
	parts := partsOf(l, e)
	if len(parts) == 0 {
		return nil
	}
	id := e.ID()
	lots := make([]*Lot, len(parts))
	block := make([]Lot, len(parts))
	parents := []string{l.ID}
	for i := range parts {
		p := &parts[i]
		c := &block[i]
		*c = Lot{
			ID: p.lot, State: Open, OpenedBy: id, OpenedKind: e.Kind(), OpenedAt: en.rec.When, OpenedPos: en.rec.Position,
			Material: l.Material, Form: p.form, Parents: parents, Depth: l.Depth + 1, Ancestors: l.Ancestors + 1, Root: l.Root,
			LastMove: en.rec.When, Revision: en.rec.Position,
		}
		if e.Cut == nil {
			c.SetIn, c.OpenedSetIn = l.SetIn, l.SetIn
		}
		c.span(c.OpenedBy, en.rec.When, l.Holder, l.Owner, l.Purpose, Keep)
		c.weighedFirst(p.mass, p.moisture, p.pieces)
		if soldPart(e) != nil {
			c.OpenedPending = offered(e, en.rec.When)
			c.offer(c.OpenedPending, Keep)
		}
		c.note(en.source, false, en.rec.Findings, Keep)
		lots[i] = c
	}
	return lots
}

// asOpened rebuilds a child's account as its opening left it: the first weighing and the first span of custody are always kept. The
// findings of the opening are those that none of the lot's own events made.
func (l *Lot) asOpened(own map[string]bool) *Lot {
	first, span := l.Weighings[0], l.Custody[0]
	c := &Lot{
		ID: l.ID, State: Open, OpenedBy: l.OpenedBy, OpenedKind: l.OpenedKind, OpenedAt: l.OpenedAt, OpenedPos: l.OpenedPos,
		Material: l.Material, Form: l.Form, Parents: l.Parents, Depth: l.Depth, Ancestors: l.Ancestors, Root: l.Root,
		SetIn: l.OpenedSetIn, OpenedSetIn: l.OpenedSetIn, LastMove: l.OpenedAt, Revision: l.OpenedPos,
	}
	c.span(l.OpenedBy, l.OpenedAt, span.Holder, span.Owner, span.Purpose, Keep)
	c.weighedFirst(first.Mass, first.Moisture, first.Pieces)
	if l.OpenedPending != nil {
		c.OpenedPending = l.OpenedPending
		c.offer(l.OpenedPending, Keep)
	}
	for _, f := range l.Findings {
		if !own[f.Event] {
			c.Findings = with(c.Findings, f)
			c.FindingCount++
		}
	}
	return c
}
