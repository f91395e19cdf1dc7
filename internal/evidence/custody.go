package evidence

import (
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

const microsPerDay = 24 * 60 * 60 * 1_000_000

// custody fills in who held the stones and when nobody says so, the eldest lot first.
func (l *line) custody() {
	for i := len(l.segs) - 1; i >= 0; i-- {
		c := custodian{l: l, seg: &l.segs[i], holder: l.segs[i].open.Holder, from: &l.segs[i].open.Fact.At, event: l.segs[i].open.Fact.Event}
		c.run(i == len(l.segs)-1)
	}
}

// custodian follows the moves of one lot.
type custodian struct {
	l       *line
	seg     *seg
	holder  string // "": outside the log
	from    *opal.When
	event   string // by which the present span began
	pending *Move
	closed  *Move
}

func (c *custodian) run(eldest bool) {
	asOf, knownAt := c.l.w.q.AsOf, c.l.w.q.KnownAt
	o := c.seg.open
	if o.Fact.At.From > asOf {
		return
	}
	if eldest && o.Kind == opal.KindAcquired {
		c.gap(nil, c.from, true, textAcquiredGap(o.Fact.Party), o.Fact.Event)
	}
	for i := range c.seg.s.Moves {
		m := &c.seg.s.Moves[i]
		if m.Fact.live(knownAt) && m.Fact.At.From <= asOf && (c.seg.cut == nil || !c.seg.cut.Before(m.Fact.At)) {
			c.move(m)
		}
	}
	c.end()
}

// move follows one event.
func (c *custodian) move(m *Move) {
	at := &m.Fact.At
	switch m.Kind {
	case opal.KindSold, opal.KindHandedOver:
		if m.To == opal.Outside {
			c.held(at)
			c.holder, c.from, c.event = "", at, m.Fact.Event
			return
		}
		c.pending = m
	case opal.KindReceived:
		c.back(m)
		if c.pending != nil {
			late := c.overdue()
			if m.CameBack {
				c.undocumentedTransit(late, at)
			} else {
				if late != nil && !late.Before(*at) {
					late = nil // It arrived in time.
				}
				if late != nil {
					c.held(late)
					c.gap(late, at, false, textLateGap(c.pending.To, c.l.w.rules.TransitDays), c.pending.Fact.Event)
				} else {
					c.held(at)
				}
				if m.Gain {
					c.gap(&c.pending.Fact.At, at, false, textGainGap(m.Fact.Party), m.Fact.Event)
				}
				c.holder, c.from, c.event = m.Fact.Party, at, m.Fact.Event
			}
			c.pending = nil
		}
	case opal.KindRefused:
		if c.pending != nil {
			c.undocumentedTransit(c.overdue(), at)
			c.pending = nil
		}
	case opal.KindReturned:
		c.back(m)
	case opal.KindClosed:
		c.held(at)
		c.closed, c.pending = m, nil
	case opal.KindReopened:
		c.back(m)
		if c.closed != nil {
			c.gap(&c.closed.Fact.At, at, false, textReopenedGap(m.Fact.Party), m.Fact.Event)
			c.closed = nil
		}
		c.holder, c.from, c.event = m.Fact.Party, at, m.Fact.Event
	}
}

// back ends a time outside the log.
func (c *custodian) back(m *Move) {
	if c.holder != "" {
		return
	}
	c.gap(c.from, &m.Fact.At, false, textOutsideGap, c.event)
	c.holder, c.from, c.event = m.Fact.Party, &m.Fact.At, m.Fact.Event
}

// overdue is when the pending hand-over has been under way for too long.
func (c *custodian) overdue() *opal.When {
	days := c.l.w.rules.TransitDays * microsPerDay
	at := c.pending.Fact.At
	return &opal.When{From: at.From + opal.Instant(days), To: at.To + opal.Instant(days)}
}

// undocumentedTransit notes the part of a hand-over that came to nothing in which it had been under way for too long.
func (c *custodian) undocumentedTransit(late, at *opal.When) {
	if !late.Before(*at) {
		return
	}
	c.held(late)
	c.gap(late, at, false, textLateGap(c.pending.To, c.l.w.rules.TransitDays), c.pending.Fact.Event)
	c.from, c.event = at, c.pending.Fact.Event
}

// end closes the last span of the lot.
func (c *custodian) end() {
	until := c.seg.cut
	if until != nil && until.From > c.l.w.q.AsOf {
		until = nil
	}
	switch {
	case c.closed != nil:
	case c.holder == "":
		c.gap(c.from, until, false, textOutsideGap, c.event)
	case c.pending != nil:
		late := c.overdue()
		still := until == nil && late.From < c.l.w.q.AsOf
		if still || until != nil && late.Before(*until) {
			c.held(late)
			c.gap(late, until, false, textLateGap(c.pending.To, c.l.w.rules.TransitDays), c.pending.Fact.Event)
			return
		}
		c.held(until)
	default:
		c.held(until)
	}
}

// held notes that the present holder held the stones until then; nil: still.
func (c *custodian) held(to *opal.When) {
	if c.holder == "" {
		return
	}
	c.l.spans = append(c.l.spans, CustodySpan{
		Holder: c.holder, From: c.from, To: to, Documented: true, Because: textHeldBy(c.seg, c.event), Lot: c.seg.s.Lot, Event: c.event,
	})
}

func (c *custodian) gap(from, to *opal.When, opening bool, because, event string) {
	c.l.spans = append(c.l.spans, CustodySpan{From: from, To: to, Because: because, Lot: c.seg.s.Lot, Event: event})
	c.l.gaps = append(c.l.gaps, gap{from: from, to: to, opening: opening, span: len(c.l.spans) - 1})
}

// heldFrom answers when a party first held a lot of the line and when it last gave it away, as people read it; "" where it did not.
func (l *line) heldFrom(party string) (from, to string) {
	for i := range l.spans {
		s := &l.spans[i]
		if s.Holder != party {
			continue
		}
		if from == "" {
			from = textDay(*s.From)
		}
		to = ""
		if s.To != nil {
			to = textDay(*s.To)
		}
	}
	return from, to
}

// record counts the hands that state that they did nothing.
func (w *walker) record(r *lineResult) Record {
	var out Record
	var hands []string
	for i := range r.spans {
		s := &r.spans[i]
		if !s.Documented {
			out.Gaps++
		} else if !slices.Contains(hands, s.Holder) {
			hands = append(hands, s.Holder)
		}
	}
	out.Hands = int64(len(hands))
	for i := range r.nothing {
		n := &r.nothing[i]
		out.Statements = append(out.Statements, HandStatement{
			Event: n.fact.Fact.Event, Party: n.fact.Fact.Party, Lot: n.lot, From: n.fact.From, To: n.fact.To, Contradicted: r.contradicts(n.fact),
		})
	}
	still := ""
	for _, hand := range hands {
		states, last := w.statesNothing(r, hand)
		if !states {
			continue
		}
		out.Stated++
		if last != nil {
			still = hand + " up to " + textDay(*last)
		}
	}
	mined := !slices.ContainsFunc(r.roots, func(o *Opening) bool { return o.Kind != opal.KindMined })
	out.Text = textRecord(out, mined, still)
	return out
}

// statesNothing tells whether a party's statements cover all the time in which it held the stones. For the present holder, whose time
// has no end yet, they must begin with it; last is then how far they go.
func (w *walker) statesNothing(r *lineResult, hand string) (states bool, last *opal.When) {
	for i := range r.spans {
		s := &r.spans[i]
		if s.Holder != hand {
			continue
		}
		reached := s.From.From
		covered := false
		// Each round takes the statement that goes furthest among those that begin no later than what is covered so far.
		for {
			furthest := reached
			var to opal.When
			for j := range r.nothing {
				n := &r.nothing[j]
				f := n.fact
				if f.Fact.Party == hand && f.From.From <= reached && f.To.To > furthest && w.descends(n.lot, s.Lot) {
					furthest, to = f.To.To, f.To
				}
			}
			if furthest == reached {
				break
			}
			reached, covered = furthest, true
			if s.To == nil {
				last = &to
			}
		}
		if s.To != nil && (reached < s.To.To) || s.To == nil && !covered {
			return false, nil
		}
	}
	return true, last
}

// contradicts tells whether something was declared or found that a hand's statement denies: a treatment dated in that time, or one found
// later without a date of its own.
func (r *lineResult) contradicts(n *NothingFact) bool {
	for i := range r.treatments {
		for j := range r.treatments[i].items {
			item := &r.treatments[i].items[j]
			switch {
			case !item.Counts || item.At.Before(n.From):
			case item.Kind == ItemDeclaration && !n.To.Before(item.At):
				return true
			case item.Kind == ItemTest && item.Stance == Shows && item.Coverage != SampleOf:
				return true
			}
		}
	}
	return false
}
