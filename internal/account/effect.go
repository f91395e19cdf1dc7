package account

import (
	"github.com/lotpaper/lotpaper/internal/opal"
)

// What an event does to the figures of its lot and of its line. Judging and applying both ask here, so that they cannot differ.

// part is a lot that a split, cut, sale or hand-over makes.
type part struct {
	lot      string
	pieces   *int64
	mass     opal.Mass
	moisture opal.Moisture
	form     opal.Form
	offcut   bool
}

// partsOf lists the lots that an event makes out of its lot, in the order in which it names them.
func partsOf(l *Lot, e *opal.Event) []part {
	switch {
	case e.Split != nil:
		list := make([]part, len(e.Split.Children))
		for i := range e.Split.Children {
			list[i] = childOf(l, e, &e.Split.Children[i])
		}
		return list
	case e.Cut != nil:
		list := make([]part, 0, len(e.Cut.Stones)+len(e.Cut.Offcuts))
		for i := range e.Cut.Stones {
			s := &e.Cut.Stones[i]
			form := s.Form
			if form == "" {
				form = opal.Cabochon
			}
			list = append(list, part{lot: s.Lot, pieces: s.Pieces, mass: s.Mass, moisture: either(s.Moisture, e.Moisture), form: form})
		}
		for i := range e.Cut.Offcuts {
			p := childOf(l, e, &e.Cut.Offcuts[i])
			p.offcut = true
			list = append(list, p)
		}
		return list
	}
	if p := soldPart(e); p != nil {
		return []part{{lot: p.Lot, pieces: p.Pieces, mass: p.Mass, moisture: either(p.Moisture, e.Moisture), form: l.Form}}
	}
	return nil
}

func childOf(l *Lot, e *opal.Event, p *opal.Part) part {
	return part{lot: p.Lot, pieces: p.Pieces, mass: p.Mass, moisture: either(p.Moisture, e.Moisture), form: l.Form}
}

// either prefers what the part states over what the event states for all.
func either(own, common opal.Moisture) opal.Moisture {
	if own != opal.MoistureUnknown {
		return own
	}
	return common
}

// soldPart gives the part that a sale or hand-over splits off.
func soldPart(e *opal.Event) *opal.PartOf {
	switch {
	case e.Sold != nil:
		return e.Sold.Part
	case e.HandedOver != nil:
		return e.HandedOver.Part
	}
	return nil
}

// lossOf gives the stated loss of a split or cut.
func lossOf(e *opal.Event) *opal.Loss {
	switch {
	case e.Split != nil:
		return e.Split.Loss
	case e.Cut != nil:
		return e.Cut.Loss
	}
	return nil
}

// byDifference tells whether what a cut or sawing did not keep is swarf, its mass not stated.
func byDifference(e *opal.Event) bool {
	if e.Cut == nil && (e.Split == nil || e.Split.Manner != opal.Sawn) {
		return false
	}
	loss := lossOf(e)
	return loss == nil || loss.Mass == ""
}

// tally is what an event adds to the line of its lot.
type tally struct {
	total, base int64
	variance    float64
	earned      Earned
}

func (t *tally) add(o tally) {
	t.total += o.total
	t.base += o.base
	t.variance += o.variance
	t.earned |= o.earned
}

// excess is by how much the line's stones gained on its base.
func (t tally) excess() int64 { return t.total - t.base }

// effect is what an event makes of its lot's figures.
type effect struct {
	weighed  bool // the fields down to lost hold the new figures
	mass     opal.Mass
	weight   opal.Weight
	moisture opal.Moisture
	variance float64
	pieces   *int64
	lost     int64
	tally    tally
}

// taken is what a split or cut took apart: the sums of its balance.
type taken struct {
	balance balance // without the allowance
	earned  Earned
	// stones is the mass of a cut's finished stones, the offcuts apart.
	stones int64
	lost   int64 // stated
	parts  float64
}

// takeApart sums up a split or cut.
func (l *Lot) takeApart(e *opal.Event, parts []part) taken {
	var t taken
	for i := range parts {
		w := parts[i].mass.Weight()
		t.balance.out += w.Micrograms
		t.parts += stepVariance(w.Step)
		t.earned |= earns(l.Moisture, parts[i].moisture)
		if !parts[i].offcut {
			t.stones += w.Micrograms
		}
	}
	if e.Split != nil && e.Split.Rest != nil {
		w := e.Split.Rest.Mass.Weight()
		t.balance.out += w.Micrograms
		t.parts += stepVariance(w.Step)
		t.earned |= earns(l.Moisture, either(e.Split.Rest.Moisture, e.Moisture))
	}
	if loss := lossOf(e); loss != nil && loss.Mass != "" {
		w := loss.Mass.Weight()
		t.lost = w.Micrograms
		t.balance.out += w.Micrograms
		t.parts += stepVariance(w.Step)
	}
	t.balance.in = l.Micrograms
	t.balance.variance = l.Variance + t.parts
	return t
}

// has tells whether a finding of this code speaks of the lot.
func has(fs []opal.Finding, code, lot string) bool {
	for i := range fs {
		if fs[i].Code == code && fs[i].Lot == lot {
			return true
		}
	}
	return false
}

// The notes of a REPORTED_LATE that speaks of a correction or withdrawal itself, and not of the event it amends.
const (
	lateCorrection = "a correction"
	lateWithdrawal = "a withdrawal"
)

// cameLate tells whether an event was judged a late report: its masses are evidence then, and no weighings of the account.
func cameLate(fs []opal.Finding) bool {
	for i := range fs {
		if fs[i].Code == opal.FindReportedLate && fs[i].Note == "" {
			return true
		}
	}
	return false
}

// effect answers what an event, with its findings, does to its lot. The zero effect: nothing.
func (l *Lot) effect(e *opal.Event, fs []opal.Finding) effect {
	switch {
	case e.Split != nil, e.Cut != nil:
		return l.splitEffect(e, fs)
	case soldPart(e) != nil:
		return l.partEffect(e, soldPart(e))
	case e.Tested != nil && e.Tested.Destroyed != nil:
		return l.destroyedEffect(e.Tested.Destroyed)
	case e.Treated != nil && e.Treated.MassAfter != "" && !cameLate(fs):
		return l.treatedEffect(e, fs)
	case e.Described != nil && e.Described.MeasuredMass != "" && !cameLate(fs):
		return l.weighedAgain(e.Described.MeasuredMass, e.Moisture, l.Pieces, has(fs, opal.FindUnexplainedLoss, l.ID))
	case e.Received != nil && (e.Received.Mass != "" || e.Received.Pieces != nil):
		return l.receivedEffect(e, fs)
	case e.Counted != nil:
		return l.countedEffect(e)
	}
	return effect{}
}

// weighedAgain is a second weighing of the whole lot. A loss is lost for good where gone says so, else the line weighs less.
func (l *Lot) weighedAgain(m opal.Mass, moisture opal.Moisture, pieces *int64, gone bool) effect {
	w := m.Weight()
	ef := effect{
		weighed: true, mass: m, weight: w, moisture: moisture, variance: stepVariance(w.Step), pieces: pieces, lost: l.Lost,
		tally: tally{total: w.Micrograms - l.Micrograms, variance: stepVariance(w.Step) - l.Variance, earned: earns(l.Moisture, moisture)},
	}
	if gone && ef.tally.total < 0 {
		ef.lost -= ef.tally.total
		ef.tally.total = 0
	}
	return ef
}

// unweighed keeps the account's mass and sets the pieces.
func (l *Lot) unweighed(pieces *int64) effect {
	return effect{
		weighed: true, weight: opal.Weight{Micrograms: l.Micrograms, Step: l.Step}, moisture: l.Moisture, variance: l.Variance,
		pieces: pieces, lost: l.Lost,
	}
}

func (l *Lot) splitEffect(e *opal.Event, fs []opal.Finding) effect {
	parts := partsOf(l, e)
	t := l.takeApart(e, parts)
	ef := effect{tally: tally{total: t.balance.gain(), variance: t.parts - l.Variance, earned: t.earned}}
	lost := t.lost
	if ef.tally.total < 0 {
		switch {
		case byDifference(e):
			ef.tally.total = 0 // swarf is part of the line
		case has(fs, opal.FindUnexplainedLoss, l.ID):
			lost -= ef.tally.total
			ef.tally.total = 0
		}
	}
	if e.Split == nil || e.Split.Rest == nil {
		return ef
	}
	rest := e.Split.Rest
	ef.weighed = true
	ef.mass, ef.weight, ef.moisture = rest.Mass, rest.Mass.Weight(), either(rest.Moisture, e.Moisture)
	ef.variance = stepVariance(ef.weight.Step)
	ef.lost = l.Lost + lost
	ef.pieces = rest.Pieces
	if ef.pieces == nil {
		ef.pieces = l.restPieces(e, parts)
	}
	return ef
}

// restPieces counts what a split leaves where the poster did not: known in, all known out, and nothing sawn. nil: not counted.
func (l *Lot) restPieces(e *opal.Event, parts []part) *int64 {
	if l.Pieces == nil || e.Split.Manner == opal.Sawn {
		return nil
	}
	n := *l.Pieces - lostPieces(e)
	for i := range parts {
		if parts[i].pieces == nil {
			return nil
		}
		n -= *parts[i].pieces
	}
	return &n
}

func lostPieces(e *opal.Event) int64 {
	if loss := lossOf(e); loss != nil && loss.Pieces != nil {
		return *loss.Pieces
	}
	return 0
}

// partEffect takes a sold or handed-over part off: nobody weighed the rest, so it is computed.
func (l *Lot) partEffect(e *opal.Event, p *opal.PartOf) effect {
	w := p.Mass.Weight()
	ef := l.unweighed(nil)
	ef.weight.Micrograms -= w.Micrograms
	ef.variance += stepVariance(w.Step)
	ef.tally.variance = 2 * stepVariance(w.Step)
	ef.tally.earned = earns(l.Moisture, either(p.Moisture, e.Moisture))
	if l.Pieces != nil && p.Pieces != nil && p.Manner != opal.Sawn {
		n := *l.Pieces - *p.Pieces
		ef.pieces = &n
	}
	return ef
}

func (l *Lot) destroyedEffect(d *opal.Destroyed) effect {
	ef := l.unweighed(l.Pieces)
	if d.Mass != "" {
		w := d.Mass.Weight()
		gone := min(w.Micrograms, l.Micrograms)
		ef.weight.Micrograms -= gone
		ef.variance += stepVariance(w.Step)
		ef.tally.variance = 2 * stepVariance(w.Step)
	}
	if d.Pieces != nil && l.Pieces != nil {
		n := *l.Pieces - *d.Pieces
		ef.pieces = &n
		if n == 0 {
			ef.weight.Micrograms = 0
		}
	}
	return ef
}

// treatedEffect: what the treatment added (after − before) is the root's side's, too.
func (l *Lot) treatedEffect(e *opal.Event, fs []opal.Finding) effect {
	t := e.Treated
	if t.MassBefore == "" {
		ef := l.weighedAgain(t.MassAfter, e.Moisture, l.Pieces, false)
		ef.tally.base = max(0, ef.tally.total)
		return ef
	}
	before, after := t.MassBefore.Weight(), t.MassAfter.Weight()
	ef := l.weighedAgain(t.MassBefore, e.Moisture, l.Pieces, has(fs, opal.FindUnexplainedLoss, l.ID))
	added := after.Micrograms - before.Micrograms
	ef.mass, ef.weight, ef.variance = t.MassAfter, after, stepVariance(after.Step)
	ef.tally.total += added
	ef.tally.base = max(0, added)
	ef.tally.variance = stepVariance(after.Step) - l.Variance
	return ef
}

// receivedEffect makes what was measured on arrival the account. A gain beyond the balance rule is accepted, and so the root's side's.
func (l *Lot) receivedEffect(e *opal.Event, fs []opal.Finding) effect {
	pieces := e.Received.Pieces
	if pieces == nil {
		pieces = l.Pieces
	}
	if e.Received.Mass == "" {
		return l.unweighed(pieces)
	}
	lost, gain := false, false
	for i := range fs {
		if fs[i].Lot == l.ID {
			lost = lost || fs[i].Code == opal.FindArrivalDifference && fs[i].Micrograms < 0
			gain = gain || fs[i].Code == opal.FindArrivalGain && fs[i].Micrograms > 0
		}
	}
	ef := l.weighedAgain(e.Received.Mass, e.Moisture, pieces, lost)
	if gain {
		ef.tally.base = max(0, ef.tally.total)
	}
	return ef
}

// countedEffect sets pieces and mass anew. What was lost and is found again comes back; what is found beyond that is the root's side's.
func (l *Lot) countedEffect(e *opal.Event) effect {
	n := e.Counted
	pieces := n.Pieces
	if pieces == nil {
		pieces = l.Pieces
	}
	if n.Mass == "" {
		return l.unweighed(pieces)
	}
	ef := l.weighedAgain(n.Mass, e.Moisture, pieces, n.Why == opal.LostCount || n.Why == opal.BrokenCount)
	if n.Why == opal.FoundCount && ef.tally.total > 0 {
		back := min(ef.tally.total, l.Lost)
		ef.lost -= back
		ef.tally.total -= back
		ef.tally.base = ef.tally.total
	}
	return ef
}
