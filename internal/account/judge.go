package account

import (
	"cmp"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The rules of pieces and mass, event by event.

// opening judges mined, acquired and combined.
func (c *court) opening() *fault.Error {
	e := &c.rec.Event
	if f := c.unused("lot", e.Lot); f != nil {
		return f
	}
	if e.Combined != nil {
		return c.combined()
	}
	p, err := c.v.Party(e.Party)
	if err != nil {
		return c.broken(err)
	}
	if p == nil || e.Party == opal.Admin {
		return fault.New(fault.NotAllowed, "party", "found %s, which is no enrolled party; accepted from one that is", e.Party)
	}
	if e.Mined != nil && !p.hasRole(opal.Miner) {
		return fault.New(fault.NotAllowed, "mined", "%s has no role MINER; accepted from a party with that role, or as acquired, which leaves the past undocumented", e.Party)
	}
	if f := c.notAhead(c.rec.When, "occurredAt"); f != nil {
		return f
	}
	m := opal.Mass("")
	if e.Mined != nil {
		m = e.Mined.Mass
	} else {
		m = e.Acquired.Mass
	}
	c.coarseWeighing(e.Lot, m.Weight())
	return nil
}

// coarseWeighing notes a weighing whose uncertainty is too large a share of the mass.
func (c *court) coarseWeighing(lot string, w opal.Weight) {
	c.coarse(lot, balance{in: w.Micrograms, out: w.Micrograms, variance: stepVariance(w.Step)})
}

func (c *court) coarse(lot string, b balance) {
	if b.coarse(c.pol.CoarseWeighing) && !has(c.findings, opal.FindCoarseWeighing, lot) {
		c.find(opal.Finding{Code: opal.FindCoarseWeighing, Lot: lot, PartsPerMillion: partsPerMillion(int64(b.u()), b.in)})
	}
}

// weighed notes what a balance shows short of a refusal.
func (c *court) weighed(lot string, b balance, v verdict) {
	c.coarse(lot, b)
	code := ""
	switch v {
	case gained:
		code = opal.FindMoistureSizedGain
	case dried:
		code = opal.FindMoistureSizedLoss
	case missing:
		code = opal.FindUnexplainedLoss
	default:
		return
	}
	c.find(opal.Finding{Code: code, Lot: lot, Micrograms: b.gain(), PartsPerMillion: partsPerMillion(b.gain(), b.in)})
}

// secondWeighing judges a weighing of the whole lot against its account.
func (c *court) secondWeighing(l *Lot, field string, m opal.Mass, moisture opal.Moisture) *fault.Error {
	b := c.against(l, m, moisture)
	v := b.verdict()
	if v == made {
		return massMade(field, "the lot now weighs", "its account has", b)
	}
	c.weighed(l.ID, b, v)
	return nil
}

// against compares a weighing of the whole lot with its account.
func (c *court) against(l *Lot, m opal.Mass, moisture opal.Moisture) balance {
	w := m.Weight()
	return balance{
		in: l.Micrograms, out: w.Micrograms, variance: l.Variance + stepVariance(w.Step),
		allowance: allowance(c.pol, l.Material.Kind, earns(l.Moisture, moisture), l.Micrograms),
	}
}

// line balances all stones of the line against its base after this event: one allowance for all. An event that itself gains is refused
// past twice the allowance. One that gains nothing, but weighs on a finer scale than before, can bring to light what a coarse weighing
// had hidden: that is told and not refused.
func (c *court) line(l *Lot, field string, t tally) *fault.Error {
	gains := t.excess() > 0
	if c.again || !gains && t.variance >= 0 {
		return nil
	}
	line, b, f := c.lineWith(l, t)
	if f != nil {
		return f
	}
	if b.verdict() != made {
		return nil
	}
	twice := b
	twice.allowance *= 2
	if gains && twice.verdict() == made {
		return massMade(field, "with this, all stones of the line of lot "+line.Root+" weigh", "the lot they come from gives", twice)
	}
	if !gains || c.rec.Event.Corrected != nil {
		if _, before, _ := c.lineWith(l, tally{}); before.verdict() == made {
			return nil // told already
		}
	}
	c.find(opal.Finding{Code: opal.FindLineGain, Lot: l.ID, Micrograms: b.gain(), PartsPerMillion: partsPerMillion(b.gain(), b.in)})
	return nil
}

// lineWith gives the balance of the lot's line as an event would leave it, with one allowance.
func (c *court) lineWith(l *Lot, t tally) (*Line, balance, *fault.Error) {
	line, err := c.v.Line(l.Root)
	if err != nil {
		return nil, balance{}, c.broken(err)
	}
	if line == nil {
		line = &Line{Root: l.Root}
	}
	base := line.Base + t.base
	return line, balance{
		in: base, out: line.Total + t.total, variance: max(0, line.Variance+t.variance),
		allowance: allowance(c.pol, l.Material.Kind, line.Earned|t.earned, base),
	}, nil
}

// takenApart judges split and cut.
func (c *court) takenApart(l *Lot) *fault.Error {
	e := &c.rec.Event
	parts := partsOf(l, e)
	for i := range parts {
		if c.again {
			break
		}
		if f := c.unused("", parts[i].lot); f != nil {
			f.Field = partField(e, i) + ".lot"
			return f
		}
	}
	if f := cmp.Or(c.mover(l), c.notEmpty(l), c.depth(l, partField(e, 0))); f != nil {
		return f
	}
	if e.Split != nil {
		if f := c.splitPieces(l, parts); f != nil {
			return f
		}
	}
	return c.splitMass(l, parts)
}

// partField is the path of the i-th part in the order of partsOf.
func partField(e *opal.Event, i int) string {
	switch {
	case e.Split != nil:
		return index("split.children", i)
	case e.Cut != nil && i < len(e.Cut.Stones):
		return index("cut.stones", i)
	case e.Cut != nil:
		return index("cut.offcuts", i-len(e.Cut.Stones))
	case e.Sold != nil:
		return "sold.part"
	}
	return "handedOver.part"
}

// notEmpty refuses to go on with a lot that tests have used up.
func (c *court) notEmpty(l *Lot) *fault.Error {
	if l.Pieces != nil && *l.Pieces == 0 {
		return fault.New(fault.PieceMismatch, "lot", "nothing is left of lot %s, its tests used it up; accepted is that it is closed with reason DESTROYED_IN_TEST", l.ID)
	}
	return nil
}

// depth bounds the ancestry of a lot's children.
func (c *court) depth(l *Lot, field string) *fault.Error {
	if c.again {
		return nil
	}
	return c.deep(field, l.Depth+1, l.Ancestors+1)
}

func (c *court) deep(field string, depth, above int64) *fault.Error {
	if depth > c.pol.MaxDepth {
		return fault.New(fault.TooDeep, field, "found a lot with %d generations above it, accepted are at most %d", depth, c.pol.MaxDepth)
	}
	if above > c.pol.MaxAncestors {
		return fault.New(fault.TooDeep, field, "found a lot with at least %d ancestors, accepted are at most %d", above, c.pol.MaxAncestors)
	}
	return nil
}

// splitPieces: UNSORTED, SORTED and SAMPLE keep the count exactly, SAWN may raise it.
func (c *court) splitPieces(l *Lot, parts []part) *fault.Error {
	if l.Pieces == nil {
		return nil
	}
	e, in := &c.rec.Event, *l.Pieces
	lost := lostPieces(e)
	known, unknown := lost, 0
	for i := range parts {
		if parts[i].pieces == nil {
			unknown++
		} else {
			known += *parts[i].pieces
		}
	}
	sawn := e.Split.Manner == opal.Sawn
	if rest := e.Split.Rest; rest != nil {
		switch {
		case rest.Pieces != nil:
			known += *rest.Pieces
		case unknown > 0 || sawn:
			unknown++
		case in-known < 1:
			return fault.New(fault.PieceMismatch, "split.rest", "the children%s have %s of the lot's %d, which leaves none for the rest; accepted is a rest of at least 1 piece, or a split without one", andLoss(lost), counted(known), in)
		default:
			known = in // the rest is counted by difference
		}
	}
	switch {
	case unknown > 0:
		if known > in && !sawn {
			return fault.New(fault.PieceMismatch, "split.children", "the counted parts%s have %s, the lot has %d; accepted are at most as many", andLoss(lost), counted(known), in)
		}
		c.find(opal.Finding{Code: opal.FindPiecesNotCounted, Lot: l.ID, Pieces: max(0, in-known)})
	case sawn && known < in:
		return fault.New(fault.PieceMismatch, "split.children", "the parts%s have %s, the lot has %d; accepted are at least as many, since sawing takes none away", andLoss(lost), counted(known), in)
	case !sawn && known != in:
		return fault.New(fault.PieceMismatch, "split.children", "the parts%s have %s together, the lot has %d; accepted is exactly the lot's count", andLoss(lost), counted(known), in)
	}
	return nil
}

func andLoss(lost int64) string {
	if lost == 0 {
		return ""
	}
	return " and the loss of " + strconv.FormatInt(lost, 10)
}

// splitMass balances a split or cut, and judges a cut's yield.
func (c *court) splitMass(l *Lot, parts []part) *fault.Error {
	e := &c.rec.Event
	t := l.takeApart(e, parts)
	b := t.balance
	b.allowance = allowance(c.pol, l.Material.Kind, t.earned, b.in)
	field := "split.children"
	if e.Cut != nil {
		field = "cut.stones"
	}
	v := b.verdict()
	if v == made {
		return massMade(field, "all parts together weigh", "the lot weighs", b)
	}
	if byDifference(e) && b.gain() < 0 {
		v = even // swarf
	}
	c.weighed(l.ID, b, v)
	if e.Cut != nil && l.Form == opal.Rough {
		if yield := partsPerMillion(t.stones, b.in); yield > c.pol.UnusualYield {
			c.find(opal.Finding{Code: opal.FindUnusualYield, Lot: l.ID, PartsPerMillion: yield})
		}
	}
	return c.line(l, field, l.effect(e, c.findings).tally)
}

// combined judges a combination.
func (c *court) combined() *fault.Error {
	e := &c.rec.Event
	parents := make([]*Lot, len(e.Combined.Parents))
	for i, id := range e.Combined.Parents {
		l, f := c.known(index("combined.parents", i), id)
		if f != nil {
			return f
		}
		parents[i] = l
	}
	for _, rule := range []func(*Lot) *fault.Error{c.open, c.inHand, c.inOrder, c.notEmpty} {
		for i, l := range parents {
			if f := rule(l); f != nil {
				if f.Field == "lot" {
					f.Field = index("combined.parents", i)
				}
				return f
			}
		}
	}
	return c.combinedFigures(parents)
}

// combinedFigures judges depth, pieces and mass of a combination.
func (c *court) combinedFigures(parents []*Lot) *fault.Error {
	e := &c.rec.Event
	u, err := unite(c.v, parents, e.Moisture)
	if err != nil {
		return c.broken(err)
	}
	if !c.again {
		above, err := ancestors(c.v, parents, c.pol.MaxAncestors)
		if err != nil {
			return c.broken(err)
		}
		if f := c.deep("combined.parents", u.depth, above); f != nil {
			return f
		}
	}
	if got := e.Combined.Pieces; got != nil {
		switch {
		case u.unknown == 0 && *got != u.pieces:
			return fault.New(fault.PieceMismatch, "combined.pieces", "found %s, the parts have %d together; accepted is exactly their sum", counted(*got), u.pieces)
		case *got < u.pieces+u.unknown:
			return fault.New(fault.PieceMismatch, "combined.pieces", "found %s, the counted parts have %d together and %d more are not counted; accepted are at least %d", counted(*got), u.pieces, u.unknown, u.pieces+u.unknown)
		}
	}
	if u.unknown > 0 && u.pieces > 0 {
		c.find(opal.Finding{Code: opal.FindPiecesNotCounted, Lot: e.Lot})
	}
	w := e.Combined.Mass.Weight()
	b := balance{
		in: u.in, out: w.Micrograms, variance: u.variance + stepVariance(w.Step),
		allowance: allowance(c.pol, u.material.Kind, u.earned, u.in),
	}
	v := b.verdict()
	if v == made {
		return massMade("combined.mass", "the new lot weighs", "its parts weigh", b)
	}
	c.weighed(e.Lot, b, v)
	if c.again {
		return nil
	}
	t := u.tally(w.Micrograms, stepVariance(w.Step))
	return c.line(&Lot{ID: e.Lot, Root: e.Lot, Material: u.material}, "combined.mass", t)
}

// tested judges a test; only what it destroyed touches the account.
func (c *court) tested(l *Lot) *fault.Error {
	t := c.rec.Event.Tested
	if !c.again {
		for i, id := range t.Sample.Lots {
			if _, f := c.known(index("tested.sample.lots", i), id); f != nil {
				return f
			}
		}
	}
	if t.Destroyed == nil {
		_, f := c.evidence(l, c.rec.When, c.rec.When, "occurredAt", "occurredAt")
		return f
	}
	if f := c.mover(l); f != nil {
		return f
	}
	if n := t.Destroyed.Pieces; n != nil && l.Pieces != nil && *n > *l.Pieces {
		return fault.New(fault.PieceMismatch, "tested.destroyed.pieces", "found %s destroyed, the lot has %d; accepted are at most as many", counted(*n), *l.Pieces)
	}
	if m := t.Destroyed.Mass; m != "" {
		if b := c.against(l, m, l.Moisture); b.verdict() == made {
			return massMade("tested.destroyed.mass", "destroyed were", "the lot weighs", b)
		}
	}
	return nil
}

// treated judges a treatment; in a late report the masses are evidence only.
func (c *court) treated(l *Lot) *fault.Error {
	e, t := &c.rec.Event, c.rec.Event.Treated
	late, f := c.evidence(l, c.rec.When, c.rec.When, "occurredAt", "occurredAt")
	if f != nil || late {
		return f
	}
	if t.MassBefore != "" {
		if f := c.secondWeighing(l, "treated.massBefore", t.MassBefore, e.Moisture); f != nil {
			return f
		}
	}
	if t.MassAfter == "" {
		return nil
	}
	c.coarseWeighing(l.ID, t.MassAfter.Weight())
	if t.MassBefore == "" {
		// Nobody weighed right before, so stones that were slipped in look like what a treatment adds: the paper says how much it is.
		if b := c.against(l, t.MassAfter, e.Moisture); b.verdict() == made {
			c.find(opal.Finding{Code: opal.FindTreatmentGain, Lot: l.ID, Micrograms: b.gain(), PartsPerMillion: partsPerMillion(b.gain(), b.in)})
		}
	}
	return c.line(l, "treated.massBefore", l.effect(e, c.findings).tally)
}

func (c *court) described(l *Lot) *fault.Error {
	e := &c.rec.Event
	late, f := c.evidence(l, c.rec.When, c.rec.When, "occurredAt", "occurredAt")
	if f != nil || late || e.Described.MeasuredMass == "" {
		return f
	}
	if f := c.secondWeighing(l, "described.measuredMass", e.Described.MeasuredMass, e.Moisture); f != nil {
		return f
	}
	return c.line(l, "described.measuredMass", l.effect(e, c.findings).tally)
}

func (c *court) nothingDone(l *Lot) *fault.Error {
	n := c.rec.Event.NothingDone
	from, err := opal.ParseWhen(n.From, c.pol.ZoneMinutes)
	if err != nil {
		return fault.New(fault.InvalidField, "nothingDone.from", "%s", err.Error())
	}
	to, err := opal.ParseWhen(n.To, c.pol.ZoneMinutes)
	if err != nil {
		return fault.New(fault.InvalidField, "nothingDone.to", "%s", err.Error())
	}
	if _, f := c.evidence(l, from, to, "nothingDone.from", "nothingDone.to"); f != nil {
		return f
	}
	return c.notAhead(c.rec.When, "occurredAt")
}

// counted sets pieces and mass anew. A gain stands under the balance rule; what was lost before may be found again.
func (c *court) counted(l *Lot) *fault.Error {
	e, n := &c.rec.Event, c.rec.Event.Counted
	if f := c.mover(l); f != nil {
		return f
	}
	change := opal.Finding{Code: opal.FindCountChanged, Lot: l.ID}
	if n.Pieces != nil && l.Pieces != nil {
		change.Pieces = *n.Pieces - *l.Pieces
		switch {
		case n.Why == opal.LostCount && change.Pieces > 0:
			return fault.New(fault.PieceMismatch, "counted.pieces", "found %s with why LOST, the lot has %d; accepted are at most as many, or another why", counted(*n.Pieces), *l.Pieces)
		case n.Why == opal.FoundCount && change.Pieces < 0:
			return fault.New(fault.PieceMismatch, "counted.pieces", "found %s with why FOUND, the lot has %d; accepted are at least as many, or another why", counted(*n.Pieces), *l.Pieces)
		}
	}
	if n.Mass != "" {
		b := c.against(l, n.Mass, e.Moisture)
		if n.Why == opal.FoundCount {
			b.allowance += l.Lost
		}
		v := b.verdict()
		if v == made {
			return massMade("counted.mass", "the lot now weighs", "its account has", b)
		}
		change.Micrograms = b.gain()
		change.PartsPerMillion = partsPerMillion(b.gain(), b.in)
		if v != gained || n.Why == opal.FoundCount {
			v = even // the change of count says it
		}
		c.weighed(l.ID, b, v)
	}
	if change.Pieces != 0 || change.Micrograms != 0 {
		c.find(change)
	}
	return c.line(l, "counted.mass", l.effect(e, c.findings).tally)
}
