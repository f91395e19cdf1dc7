package evidence

import (
	"cmp"
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Corrections and withdrawals never erase: they end one reading of a record and, for a correction, start another beside it. Withdrawing a
// correction starts the reading before it once more.

// corrected folds a correction into the lot that the amended event was posted on, and into the lots that it made.
func (f *folding) corrected(x *opal.Corrected) error {
	s, err := f.edit(f.ev.Lot)
	if err != nil {
		return err
	}
	r := x.Replacement
	at := f.fact.At
	if r.OccurredAt != "" {
		if at, err = opal.ParseWhen(r.OccurredAt, f.zone); err != nil {
			return err
		}
	}
	a := &amendment{f: f, event: x.Event, because: x.Because, occurredAt: r.OccurredAt, at: at}
	if err := a.ofRecords(s, r); err != nil {
		return err
	}
	if err := a.ofChildren(r); err != nil {
		return err
	}
	if len(a.remade) > 0 {
		s.Remade = append(s.Remade, Remade{Event: f.fact.Event, Lots: a.remade})
	}
	return nil
}

// withdrawn folds a withdrawal.
func (f *folding) withdrawn(x *opal.Withdrawn) error {
	s, err := f.edit(f.ev.Lot)
	if err != nil {
		return err
	}
	a := &amendment{f: f, event: x.Event, because: x.Because, withdraws: true}
	opened := slices.ContainsFunc(s.Openings, func(o Opening) bool { return o.Fact.Event == x.Event })
	madeLots := !opened && slices.ContainsFunc(s.Changes, func(c Change) bool { return c.Fact.Event == x.Event && c.madeLots() })
	if opened && s.last().Kind == opal.KindCombined {
		// What a withdrawn combination was made of is as it was before.
		for _, p := range s.last().Parents {
			parent, err := f.edit(p.Lot)
			if err != nil {
				return err
			}
			parent.Changes = endAll(parent.Changes, func(c *Change) *Fact { return &c.Fact }, a)
		}
	}
	a.endRecords(s)
	if madeLots {
		s.Undone = append(s.Undone, Undone{Event: x.Event, Position: f.rec.Position})
	}
	for _, made := range s.Remade {
		if made.Event != x.Event {
			continue
		}
		for _, lot := range made.Lots {
			child, err := f.edit(lot)
			if err != nil {
				return err
			}
			a.endRecords(child)
		}
	}
	return nil
}

// madeLots tells whether the change made other lots.
func (c *Change) madeLots() bool {
	return c.Manner != "" || c.Kind == opal.KindCut || c.Kind == opal.KindCombined
}

// amendment is what a correction or withdrawal does to one reading.
type amendment struct {
	f          *folding
	event      string
	because    string
	withdraws  bool
	occurredAt string // "": unchanged
	at         opal.When
	remade     []string // the lots whose openings were said anew
}

// end ends a reading.
func (a *amendment) end(was *Fact) {
	was.Until, was.EndedBy, was.Because, was.Withdrawn = a.f.rec.Position, a.f.fact.Event, a.because, a.withdraws
}

// next starts the reading that follows.
func (a *amendment) next(was Fact) Fact {
	was.Since, was.Reading = a.f.rec.Position, a.f.fact.Event
	was.Until, was.EndedBy, was.Because, was.Withdrawn = 0, "", "", false
	if a.occurredAt != "" {
		was.OccurredAt, was.At = a.occurredAt, a.at
	}
	return was
}

// endAll ends the standing reading of a withdrawn event. Where what was withdrawn is a correction, the last reading that does not come
// from a withdrawn one starts again.
func endAll[T any](old []T, fact func(*T) *Fact, a *amendment) []T {
	first := 0
	for first < len(old) && fact(&old[first]).Reading != a.event && (fact(&old[first]).Event != a.event || fact(&old[first]).Until != 0) {
		first++
	}
	if first == len(old) {
		return old
	}
	out, live := slices.Clone(old), -1
	for i := first; i < len(out); i++ {
		f := fact(&out[i])
		switch {
		case f.Reading == a.event:
			f.TakenBack = a.f.rec.Position
			if f.Until == 0 {
				live = i
			}
		case f.Event == a.event && f.Until == 0:
			a.end(f)
		}
	}
	if live < 0 {
		return out
	}
	// The readings of one event stand together, in their order.
	for j := live - 1; j >= 0 && fact(&out[j]).Event == fact(&out[live]).Event; j-- {
		if was := *fact(&out[j]); was.TakenBack == 0 {
			again := out[j]
			next := a.next(was)
			next.Reading = was.Reading
			*fact(&again) = next
			a.end(fact(&out[live]))
			fact(&out[live]).Withdrawn = false // The correction is withdrawn, not the event.
			return slices.Insert(out, live+1, again)
		}
	}
	return out
}

// endRecords ends what the amended event said of its lot.
func (a *amendment) endRecords(s *Summary) {
	s.Openings = endAll(s.Openings, func(x *Opening) *Fact { return &x.Fact }, a)
	s.Changes = endAll(s.Changes, func(x *Change) *Fact { return &x.Fact }, a)
	s.Treated = endAll(s.Treated, func(x *TreatedFact) *Fact { return &x.Fact }, a)
	s.Tests = endAll(s.Tests, func(x *TestFact) *Fact { return &x.Fact }, a)
	s.Looks = endAll(s.Looks, func(x *LookFact) *Fact { return &x.Fact }, a)
	s.Moves = endAll(s.Moves, func(x *Move) *Fact { return &x.Fact }, a)
	s.Nothing = endAll(s.Nothing, func(x *NothingFact) *Fact { return &x.Fact }, a)
	s.Sales = endAll(s.Sales, func(x *Sale) *Fact { return &x.Fact }, a)
	s.Known = endAll(s.Known, func(x *KnownFact) *Fact { return &x.Fact }, a)
}

// replace ends the standing reading of the amended event and puts the corrected one beside it.
func replace[T any](old []T, fact func(*T) *Fact, a *amendment, body func(was T, f Fact) (T, error)) ([]T, error) {
	for i := range old {
		if was := *fact(&old[i]); was.Event != a.event || was.Until != 0 {
			continue
		}
		out := make([]T, 0, len(old)+1)
		out = append(out, old[:i+1]...)
		f := a.next(*fact(&out[i]))
		next, err := body(old[i], f)
		if err != nil {
			return nil, err
		}
		a.end(fact(&out[i]))
		*fact(&next) = f
		return append(append(out, next), old[i+1:]...), nil
	}
	return old, nil
}

// ofRecords replaces what the amended event said of its own lot.
func (a *amendment) ofRecords(s *Summary, r *opal.Replacement) (err error) {
	moisture := func(was opal.Moisture) opal.Moisture { return cmp.Or(r.Moisture, was) }
	set := func(e error) { err = cmp.Or(err, e) }
	var e error

	if r.Mined != nil || r.Acquired != nil || r.Combined != nil {
		s.Openings, e = replace(s.Openings, func(x *Opening) *Fact { return &x.Fact }, a, func(o Opening, _ Fact) (Opening, error) {
			o.fill(r.Mined, r.Acquired)
			if r.Combined != nil {
				o.Pieces, o.Micrograms = number(r.Combined.Pieces), micrograms(r.Combined.Mass)
			}
			o.Moisture = moisture(o.Moisture)
			return o, nil
		})
		set(e)
	}
	if r.Tested != nil {
		s.Tests, e = replace(s.Tests, func(x *TestFact) *Fact { return &x.Fact }, a, func(t TestFact, f Fact) (TestFact, error) {
			return newTest(f, r.Tested, moisture(t.Moisture), a.f.rec.Computed), nil
		})
		set(e)
	}
	if r.Treated != nil {
		s.Treated, e = replace(s.Treated, func(x *TreatedFact) *Fact { return &x.Fact }, a, func(t TreatedFact, f Fact) (TreatedFact, error) {
			next := newTreated(f, r.Treated)
			next.Late = t.Late
			return next, nil
		})
		set(e)
	}
	if r.Described != nil {
		s.Looks, e = replace(s.Looks, func(x *LookFact) *Fact { return &x.Fact }, a, func(_ LookFact, f Fact) (LookFact, error) {
			return newLook(f, r.Described), nil
		})
		set(e)
	}
	if r.NothingDone != nil {
		s.Nothing, e = replace(s.Nothing, func(x *NothingFact) *Fact { return &x.Fact }, a, func(_ NothingFact, f Fact) (NothingFact, error) {
			return newNothing(f, r.NothingDone, a.f.zone)
		})
		set(e)
	}
	if r.HandedOver != nil || r.Sold != nil || r.Received != nil || r.Closed != nil {
		a.ofCustody(s, r)
	}
	s.Changes, e = replace(s.Changes, func(x *Change) *Fact { return &x.Fact }, a, func(c Change, _ Fact) (Change, error) {
		return changed(s, c, r), nil
	})
	set(e)
	return err
}

// changed is the corrected change of pieces or mass.
func changed(s *Summary, was Change, r *opal.Replacement) Change {
	switch {
	case r.Split != nil:
		return splitChange(r.Split)
	case r.Sold != nil && r.Sold.Part != nil:
		return partChange(opal.KindSold, r.Sold.Part)
	case r.HandedOver != nil && r.HandedOver.Part != nil:
		return partChange(opal.KindHandedOver, r.HandedOver.Part)
	case r.Counted != nil:
		next := counted(s, r.Counted)
		next.Pieces, next.Micrograms = orWas(r.Counted.Pieces, was.Pieces), cmp.Or(micrograms(r.Counted.Mass), was.Micrograms)
		return next
	case r.Received != nil:
		was.Pieces, was.Micrograms = orWas(r.Received.Pieces, was.Pieces), cmp.Or(micrograms(r.Received.Mass), was.Micrograms)
	case r.Treated != nil:
		was.Micrograms = cmp.Or(micrograms(r.Treated.MassAfter), was.Micrograms)
	case r.Described != nil:
		was.Micrograms = cmp.Or(micrograms(r.Described.MeasuredMass), was.Micrograms)
	case r.Tested != nil && r.Tested.Destroyed != nil:
		was.Pieces, was.Micrograms = number(r.Tested.Destroyed.Pieces), micrograms(r.Tested.Destroyed.Mass)
	case r.Tested != nil:
		was.Pieces, was.Micrograms = new(int64(0)), 0
	}
	return was
}

func orWas(p, was *int64) *int64 {
	if p == nil {
		return was
	}
	return number(p)
}

// ofCustody replaces moves and sales.
func (a *amendment) ofCustody(s *Summary, r *opal.Replacement) {
	s.Moves, _ = replace(s.Moves, func(x *Move) *Fact { return &x.Fact }, a, func(m Move, _ Fact) (Move, error) {
		switch {
		case r.HandedOver != nil:
			m.To, m.Purpose = r.HandedOver.To, r.HandedOver.Purpose
		case r.Sold != nil:
			m.To = r.Sold.To
		case r.Received != nil:
			m.CameBack, m.Gain = r.Received.CameBack, a.f.found(opal.FindArrivalGain)
		case r.Closed != nil:
			m.Reason = r.Closed.Reason
		}
		return m, nil
	})
	s.Sales, _ = replace(s.Sales, func(x *Sale) *Fact { return &x.Fact }, a, func(x Sale, _ Fact) (Sale, error) {
		switch {
		case r.Sold != nil:
			x.To, x.Claims = r.Sold.To, list(r.Sold.Claims)
		case r.Closed != nil:
			x.Claims = list(r.Closed.Claims)
		}
		return x, nil
	})
}

// ofChildren replaces the openings of the lots that the amended event made.
func (a *amendment) ofChildren(r *opal.Replacement) error {
	child := func(lot string, body func(o *Opening)) error {
		was, err := a.f.get(lot)
		if err != nil || was == nil || !slices.ContainsFunc(was.Openings, func(o Opening) bool { return o.Fact.Event == a.event }) {
			return err // A lot that the event did not make.
		}
		c, err := a.f.edit(lot)
		if err != nil {
			return err
		}
		a.remade = append(a.remade, lot)
		c.Openings, err = replace(c.Openings, func(x *Opening) *Fact { return &x.Fact }, a, func(o Opening, _ Fact) (Opening, error) {
			body(&o)
			return o, nil
		})
		return err
	}
	if x := r.Split; x != nil {
		for i := range x.Children {
			p := &x.Children[i]
			if err := child(p.Lot, func(o *Opening) {
				o.splitAs(x)
				o.Pieces, o.Micrograms, o.Moisture = number(p.Pieces), micrograms(p.Mass), p.Moisture
				o.Alone = x.Rest == nil && len(x.Children) == 1
			}); err != nil {
				return err
			}
		}
	}
	if x := r.Cut; x != nil {
		for i := range x.Stones {
			if err := child(x.Stones[i].Lot, func(o *Opening) { o.cutAs(x); o.stoneAs(x, &x.Stones[i]) }); err != nil {
				return err
			}
		}
		for i := range x.Offcuts {
			p := &x.Offcuts[i]
			if err := child(p.Lot, func(o *Opening) {
				o.cutAs(x)
				o.Pieces, o.Micrograms, o.Moisture = number(p.Pieces), micrograms(p.Mass), p.Moisture
			}); err != nil {
				return err
			}
		}
	}
	var part *opal.PartOf
	switch {
	case r.Sold != nil:
		part = r.Sold.Part
	case r.HandedOver != nil:
		part = r.HandedOver.Part
	}
	if part == nil {
		return nil
	}
	if err := child(part.Lot, func(o *Opening) { o.partAs(part) }); err != nil {
		return err
	}
	if c, ok := a.f.edits[part.Lot]; ok {
		a.ofCustody(c, r)
	}
	return nil
}
