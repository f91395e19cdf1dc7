package evidence

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// errVoid: the lot, or one that it was made of, never came to be.
var errVoid = errors.New("the event that made the lot was withdrawn")

// lineResult is what is known of a lot, or of what it was up to the time that a part of it went on.
type lineResult struct {
	lot        string
	treatments []treatmentResult // in the order of walker.treatments
	spans      []CustodySpan
	nothing    []nothingRef
	roots      []*Opening
	sales      []saleRef
	// growth: natural growth was seen on the stone itself; synthetic: it was identified as synthetic or an imitation; near: another
	// stone of its parcel was.
	growth, synthetic, near bool
}

type nothingRef struct {
	lot  string
	fact *NothingFact
}

type saleRef struct {
	lot  string
	sale *Sale
}

// treatmentResult is what is known of one treatment.
type treatmentResult struct {
	verdict  Verdict
	strength Strength
	// weight is what graded outcomes say together; byWeight: the verdict rests on it.
	weight   weight
	byWeight bool
	// sample is what a sample drawn blindly says of the stone, which was not in it; nil: none does. bySample: the verdict rests on it.
	sample   *drawn
	bySample bool
	items    []Item
	// points: something that counts points to the treatment.
	points bool
	// surface: a NOT_FOUND that rests on the surface alone, and ends with the next cut.
	surface bool
	// share of the lot that the verdict comes from, in parts per million; 0: all of it.
	share     int64
	statement string
}

// rank orders verdicts, worst first, for the overall verdict and for combining: OPEN with nothing that points to treatment is better
// than NOT_TESTED. UNDETERMINABLE and NOT_APPLICABLE come last, because they don't count.
func rank(v Verdict, points bool) int {
	switch v {
	case Declared:
		return 0
	case Found:
		return 1
	case Conflicting:
		return 2
	case Suspected:
		return 3
	case Open:
		if points {
			return 4
		}
		return 6
	case NotTested:
		return 5
	case NotFound:
		return 7
	}
	return 8
}

// evaluate answers a status.
func evaluate(q Query) (*Status, error) {
	q.Get = remember(q.Get)
	w, err := newWalker(q)
	if err != nil {
		return nil, err
	}
	out := &Status{Lot: q.Lot, AsOf: q.AsOf, KnownAt: q.KnownAt, RuleTable: w.rules.Table.Version}
	r, err := w.line(q.Lot, nil)
	if errors.Is(err, errVoid) {
		w.void(out)
		return out, nil
	}
	if err != nil {
		return nil, err
	}
	best := rank(NotApplicable, false)
	out.Overall = NotApplicable
	for i := range r.treatments {
		t := &r.treatments[i]
		out.Treatments = append(out.Treatments, TreatmentStatus{
			Treatment: w.treatments[i], Verdict: t.verdict, Strength: t.strength, Evidence: t.items, Share: t.share, Statement: t.statement,
		})
		out.Treatments[len(out.Treatments)-1].BySample = t.bySample
		if s := t.sample; s != nil {
			out.Treatments[len(out.Treatments)-1].Sample = &SampleSupport{
				Event: s.w.item.Event, Tested: s.tested, Of: s.Of, Positive: s.positives, Lower: s.Lower, Upper: s.Upper,
				Bound: s.bound, Among: s.among, Sorted: s.sorted, Lost: s.lost, Untested: s.untested,
			}
		}
		if lr := t.weight.ratio; lr != nil {
			log := numeric.Nine(math.Log10(lr.Point))
			last := &out.Treatments[len(out.Treatments)-1]
			last.LR, last.Level, last.Log10LR = lr, t.weight.level, &log
		}
		if n := rank(t.verdict, t.points); n < best {
			best, out.Overall = n, t.verdict
		}
	}
	out.Custody = r.spans
	out.Record = w.record(r)
	out.OriginCountry = r.country()
	out.Statement = textStatus(w.treatments, r.treatments, out.Record.Gaps)
	if !q.WithoutSales {
		if out.Sales, err = w.sales(r); err != nil {
			return nil, err
		}
	}
	out.Lots = len(w.read)
	return out, nil
}

// void is the status of a lot that never came to be.
func (w *walker) void(out *Status) {
	out.Void, out.Overall, out.Statement, out.Lots = true, NotTested, textVoid, len(w.read)
	for _, t := range w.treatments {
		v := NotTested
		if t == opal.Heat {
			v = Undeterminable
		}
		out.Treatments = append(out.Treatments, TreatmentStatus{Treatment: t, Verdict: v, Statement: textVoid})
	}
	out.Record.Text = textVoid
}

// remember reads each summary once for all the questions that one answer takes.
func remember(get func(string) (*Summary, error)) func(string) (*Summary, error) {
	read := map[string]*Summary{}
	return func(lot string) (*Summary, error) {
		if s, ok := read[lot]; ok {
			return s, nil
		}
		s, err := get(lot)
		if err == nil {
			read[lot] = s
		}
		return s, err
	}
}

// line judges a lot, or what it was up to the time that a part of it went on.
func (w *walker) line(lot string, leave *opal.When) (*lineResult, error) {
	l, parts, err := w.prepare(lot, leave)
	if err != nil {
		return nil, err
	}
	r := &lineResult{lot: lot}
	for _, part := range parts {
		r.merge(part)
	}
	l.describe(r)
	r.treatments, err = l.judgeAll(parts)
	return r, err
}

// prepare gathers what bears on a lot, and judges the lots that its eldest was combined of.
func (w *walker) prepare(lot string, leave *opal.When) (*line, []*lineResult, error) {
	l, err := w.build(lot, leave)
	if err != nil {
		return nil, nil, err
	}
	l.custody()
	l.declared = l.declarations()
	slices.SortStableFunc(l.declared, func(a, b declaration) int { return cmp.Compare(a.fact.Position, b.fact.Position) })
	if err := l.gather(); err != nil {
		return nil, nil, err
	}
	var parts []*lineResult
	for _, p := range l.parts {
		part, err := w.part(p.Lot, l.partsLeft())
		if err != nil {
			return nil, nil, err
		}
		parts = append(parts, part)
	}
	return l, parts, nil
}

// judgeAll finds the verdict of every treatment, in the order of walker.treatments.
func (l *line) judgeAll(parts []*lineResult) ([]treatmentResult, error) {
	own := l.ownItems()
	if l.w.err != nil {
		return nil, l.w.err
	}
	out := make([]treatmentResult, len(own))
	for i, treatment := range l.w.treatments {
		out[i] = l.judge(treatment, own[i])
		if len(parts) > 0 {
			l.combine(treatment, &out[i], i, parts)
		}
		out[i].statement = l.statement(treatment, &out[i])
	}
	return out, nil
}

// part judges one of the lots that were combined, up to then.
func (w *walker) part(lot string, leave opal.When) (*lineResult, error) {
	key := partKey{lot, leave}
	if r, ok := w.parts[key]; ok {
		return r, nil
	}
	r, err := w.line(lot, &leave)
	if err != nil {
		return nil, err
	}
	w.parts[key] = r
	return r, nil
}

// ownItems weighs the line's tests for every treatment, in the order of walker.treatments.
func (l *line) ownItems() []weighing {
	own := make([]weighing, len(l.w.treatments))
	room := len(l.declared) + 2
	for i := range l.tests {
		room += len(l.tests[i].outcomes)
	}
	found := map[opal.Treatment]bool{}
	for i, treatment := range l.w.treatments {
		g := weighing{items: make([]Item, 0, room), weighed: make([]weighed, 0, len(l.tests))}
		next := 0
		for j := range l.tests {
			next = l.addDeclared(&g, treatment, next, l.tests[j].fact.Fact.Position)
			g.add(l, &l.tests[j], treatment)
		}
		l.addDeclared(&g, treatment, next, now)
		own[i] = g
		// What is found on the stone may hide other things, so the finds come first: they are never masked.
		for j := range g.weighed {
			x := &g.weighed[j]
			if reason, _ := l.reason(x, treatment, nil); x.item.Stance == Shows && x.test.direct() && reason == "" {
				found[treatment] = true
			}
		}
	}
	for i, treatment := range l.w.treatments {
		for j := range own[i].weighed {
			x := &own[i].weighed[j]
			l.setAside(x, treatment, found)
			if !l.w.brief {
				x.item.Text = textItem(treatment, x)
			}
		}
	}
	return own
}

// addDeclared adds the declarations and statements up to a position, from the given one of the line's on; it answers where it stopped.
func (l *line) addDeclared(g *weighing, treatment opal.Treatment, next int, before uint64) int {
	for ; next < len(l.declared) && l.declared[next].fact.Position < before; next++ {
		if l.declared[next].treatment == treatment {
			g.items = append(g.items, l.declaredItem(&l.declared[next]))
		}
	}
	return next
}

// judge finds the verdict of one treatment from the line's own items. The rules are tried in the order of how bad they are, but for
// NOT_FOUND, which is tried before OPEN.
func (l *line) judge(treatment opal.Treatment, own weighing) treatmentResult {
	r := treatmentResult{items: own.items, surface: true}
	var declared, withdrawn, shows, excludes, sealExcluded, cracks, contrary, sample, open bool
	var sampled Strength
	for i := range l.declared {
		if d := &l.declared[i]; d.treatment == treatment {
			declared = declared || !d.taken
			withdrawn = withdrawn || d.taken && d.left
		}
	}
	for i := range own.weighed {
		w := &own.weighed[i]
		if !w.item.Counts {
			continue
		}
		direct := w.test.direct()
		open = true
		if w.find {
			sample = true
			sampled = stronger(sampled, w.findStrength())
		}
		towards := w.towards()
		r.points = r.points || towards > 0
		switch {
		case !direct || towards == 0:
			// It was tested for, and the outcome says nothing of this stone either way.
		case w.item.Stance == Shows:
			shows = true
		case towards > 0:
			contrary = true
		case w.item.Stance == Excludes:
			excludes = excludes || w.rule.Extent == ""
			sealExcluded = sealExcluded || w.rule.Extent != ""
			r.surface = r.surface && w.rule.Reach == SurfaceOnly
		case w.item.Stance == PointsAway && (w.item.Method == opal.Infrared || w.item.Method == opal.Microscope):
			cracks = true
		}
	}
	r.items = append(r.items, l.statedUntreated()...)
	r.weight = l.together(treatment, &own)
	if sample {
		r.sample = l.sampleFound(&own)
	} else {
		r.sample = l.sampleClean(&own)
	}
	absent := (excludes || sealExcluded && cracks) && !contrary && !shows
	weightless := r.weight.absent() && !shows
	switch {
	case declared:
		r.verdict, r.strength = Declared, ByRecord
	case shows && !excludes:
		r.verdict, r.strength = Found, BySign
	case r.weight.found():
		r.verdict, r.strength, r.byWeight = Found, Word(r.weight.ratio.Cautious()), true
	case shows:
		r.verdict, r.strength = Conflicting, BySign
	case withdrawn:
		r.verdict, r.strength = Suspected, ByRecord
	case r.weight.suspected():
		r.verdict, r.strength, r.byWeight = Suspected, Word(r.weight.group.Cautious()), true
	case sample && !absent && !weightless:
		r.verdict, r.strength = Suspected, sampled
	case absent:
		r.verdict, r.strength = NotFound, BySign
	case weightless:
		r.verdict, r.strength, r.byWeight = NotFound, Word(r.weight.ratio.Cautious()), true
		r.surface = r.weight.surface
	case !r.points && r.sample != nil && r.sample.decides() && r.sample.suffices(l.w.rules.SampleBound):
		r.verdict, r.strength, r.bySample = NotFound, r.sample.strength(), true
		r.surface = r.sample.w.rule.Reach == SurfaceOnly
	default:
		l.judgeOpen(treatment, open, &r)
		r.bySample = r.verdict == Open && r.sample != nil && !r.points
		if r.verdict == Open && r.weight.ratio != nil && r.weight.ratio.Says() {
			r.strength, r.byWeight = Word(r.weight.ratio.Cautious()), true
		}
	}
	r.points = r.points || declared || withdrawn
	r.surface = r.surface && r.verdict == NotFound
	return r
}

// judgeOpen is for a treatment of which nothing decides.
func (l *line) judgeOpen(treatment opal.Treatment, open bool, r *treatmentResult) {
	if treatment == opal.Heat {
		r.verdict = Undeterminable
		return
	}
	if !r.points {
		for _, rule := range l.w.rules.Table.ofMaterial[treatment] {
			if look := l.ofThisMaterial(rule); look != nil {
				r.verdict, r.strength = NotApplicable, ByRecord
				r.items = append(r.items, l.materialItem(treatment, rule, look))
				return
			}
		}
	}
	r.verdict = NotTested
	if open {
		r.verdict = Open
	}
}

// ofThisMaterial tells whether a row on the material fits the stone, and answers the description that it rests on. The colour must be
// what the lot itself was described as, by a party with no interest in it, surely and with no gap since, and nobody may have said
// otherwise of the line.
func (l *line) ofThisMaterial(rule *Rule) *LookFact {
	var look *LookFact
	for _, c := range rule.when {
		switch c.name {
		case termKind:
			if !slices.Contains(c.values, string(l.material().Kind)) {
				return nil
			}
		case termLook:
			if !slices.Contains(c.values, string(l.material().Look)) {
				return nil
			}
		case termColour:
			if look = l.described(c.values); look == nil {
				return nil
			}
		}
	}
	return look
}

func (l *line) described(colours []string) *LookFact {
	var own *LookFact
	for i := range l.segs {
		g := &l.segs[i]
		if c := g.open.Material.BodyColour; c != "" && !slices.Contains(colours, colourWord(c)) {
			return nil
		}
		for j := range g.s.Looks {
			f := &g.s.Looks[j]
			if f.BodyColour == "" || !f.Fact.live(l.w.q.KnownAt) || !l.reaches(i, f.Fact.At) {
				continue
			}
			if !slices.Contains(colours, colourWord(f.BodyColour)) {
				return nil
			}
			if i == 0 && !l.interested(f.Fact.Party) && l.surely(i, f.Fact.At) && !slices.ContainsFunc(l.gaps, func(x gap) bool { return x.after(f.Fact.At) }) {
				own = f
			}
		}
	}
	return own
}

// interested tells whether a party opened, parted, bought or sold stones of the line: what it says of its own goods is heard where it speaks
// for a treatment, and never spares a test.
func (l *line) interested(party string) bool {
	for i := range l.segs {
		g := &l.segs[i]
		if g.open.Fact.Party == party || g.open.Holder == party {
			return true
		}
		for j := range g.s.Sales {
			if s := &g.s.Sales[j]; s.Fact.Party == party || s.To == party {
				return true
			}
		}
	}
	return false
}

// colourWord is a body colour as the table writes it.
func colourWord(c string) string {
	switch letters(c) {
	case "white":
		return "WHITE"
	case "colourless", "colorless":
		return "COLOURLESS"
	}
	return ""
}

func (l *line) materialItem(treatment opal.Treatment, rule *Rule, look *LookFact) Item {
	f := &look.Fact
	return Item{
		Event: f.Event, Position: f.Position, Lot: l.segs[0].s.Lot, Party: f.Party, At: f.At, OccurredAt: f.OccurredAt, Kind: ItemStated,
		Stance: StanceInapplicable, Counts: true, Rule: rule.idFor(materialWord, materialWord, treatment), Source: rule.Source,
		Text: textMaterial(treatment, look),
	}
}

// declaredItem is the item of a declaration.
func (l *line) declaredItem(d *declaration) Item {
	f := d.fact
	item := Item{
		Event: f.Event, Position: f.Position, Lot: l.segs[d.seg].s.Lot, Party: f.Party, At: f.At, OccurredAt: f.OccurredAt,
		Kind: ItemDeclaration, Extent: d.extent, Counts: true,
	}
	if d.stated {
		item.Kind = ItemStated
	}
	if d.taken && !d.left {
		item.Counts, item.SetAside = false, textWithdrawn(f)
	}
	from, to := "", ""
	if d.late > 0 {
		from, to = l.heldFrom(f.Party)
	}
	item.Text = textDeclared(d, from, to)
	return item
}

// statedUntreated are the words of those who acquired a lot as untreated: shown, and no evidence.
func (l *line) statedUntreated() []Item {
	o := l.segs[len(l.segs)-1].open
	if !o.StatedUntreated || o.Fact.At.From > l.w.q.AsOf {
		return nil
	}
	f := &o.Fact
	return []Item{{
		Event: f.Event, Position: f.Position, Lot: l.segs[len(l.segs)-1].s.Lot, Party: f.Party, At: f.At, OccurredAt: f.OccurredAt,
		Kind: ItemStated, Stance: Silent, Text: textStatedUntreated(f),
	}}
}
