package evidence

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// fewestKnown is how many treated and how many untreated stones of known history counts need before they make a ratio; with fewer, an outcome
// gives a direction and nothing more.
const fewestKnown = 5

// Bounds of a verdict by weight: the ratio itself, and the end of its interval that lies nearer to 1.
const (
	foundRatio, foundCautious         = 100.0, 10.0
	suspectedRatio, suspectedCautious = 10.0, 3.0
	absentRatio, absentCautious       = 1.0 / 10, 1.0 / 3
)

// published stands for whose the counts are that the table holds.
const published = "published"

// ItemLevel is the level of an item's own interval.
const ItemLevel = 0.95

// Validation is what a laboratory counted on stones of known history, for one method under one protocol of its own.
type Validation struct {
	// Event is its id.
	Event string
	Rows  []opal.ValidationRow
	// Lots are the stones; a stone is never compared with itself.
	Lots []string
	// Named are the Lots with what they came from, as Kins gives them; nil: it is found for each question.
	Named []Kin
	// Stones are those of Lots that count, where the laboratory states no Rows and has its own tests of them counted.
	Stones []ReferenceStone
}

// counts finds the stones of known history behind an outcome: those of the laboratory that tested, under the protocol that it names, or else
// the table's published ones. from says whose they are.
func (l *line) counts(t *lineTest, outcome opal.Outcome, treatment opal.Treatment, rule *Rule) (c *Counted, from string) {
	if rule.Stance != PointsTo && rule.Stance != PointsAway {
		return nil, ""
	}
	if c, from := l.ownCounts(t, outcome, treatment); c != nil {
		return c, from
	}
	if rule.Counted != nil {
		return rule.Counted, published
	}
	return nil, ""
}

// ownCounts adds up what the tester's laboratory validated. Each stone counts once: counts that name stones which were counted again later, or that
// name none where later ones are there, give way to the later ones. And the stone asked about is left out.
func (l *line) ownCounts(t *lineTest, outcome opal.Outcome, treatment opal.Treatment) (*Counted, string) {
	if l.w.q.Validated == nil || t.fact.Protocol == "" {
		return nil, ""
	}
	lab := Laboratory{t.fact.Fact.Party, t.fact.Method, t.fact.Protocol}
	key := countsKey{lab, outcome, treatment}
	if c, ok := l.counted[key]; ok {
		return c.counted, c.from
	}
	c, from := l.ownCountsOf(lab, outcome, treatment)
	if l.counted == nil {
		l.counted = map[countsKey]countsFrom{}
	}
	l.counted[key] = countsFrom{c, from}
	return c, from
}

// countsKey names the counts of a laboratory for an outcome and a treatment, and countsFrom remembers them for a line: many tests may show the same.
type countsKey struct {
	lab       Laboratory
	outcome   opal.Outcome
	treatment opal.Treatment
}

type countsFrom struct {
	counted *Counted
	from    string
}

func (l *line) ownCountsOf(lab Laboratory, outcome opal.Outcome, treatment opal.Treatment) (*Counted, string) {
	list, ok := l.w.validated[lab]
	if !ok {
		var err error
		if list, err = l.w.q.Validated(lab.Party, lab.Method, lab.Protocol, l.w.q.KnownAt); err != nil {
			l.w.err = fmt.Errorf("read the counts of %s: %w", lab.Party, err)
			return nil, ""
		}
		list = slices.Clone(list) // to which what the stones came from is added
		l.w.validated[lab] = list
	}
	own, ok := l.ownKin()
	if !ok {
		return nil, ""
	}
	var sum Counted
	var from []string
	var counted kinSet
	for i := len(list) - 1; i >= 0; i-- {
		v := &list[i]
		if len(from) > 0 && counted.empty() {
			break // what counts names no stones, so that any of an older one may be among them
		}
		if len(v.Rows) == 0 {
			c := v.of(outcome, treatment, func(s *ReferenceStone) bool { return counted.has(&s.Kin) || own.one(&s.Kin) })
			if c.TreatedAll+c.UntreatedAll == 0 {
				continue
			}
			sum.add(c)
			from = append(from, v.Event+" ("+strconv.FormatInt(c.TreatedAll+c.UntreatedAll, 10)+" of its own tests)")
			for j := 0; i > 0 && j < len(v.Stones); j++ { // a lot that was named and did not count may have counted before
				counted.add(&v.Stones[j].Kin)
			}
			continue
		}
		at := slices.IndexFunc(v.Rows, func(r opal.ValidationRow) bool { return r.Outcome == outcome && r.Treatment == treatment })
		if at < 0 || len(from) > 0 && len(v.Lots) == 0 {
			continue
		}
		named, ok := l.w.named(v)
		if !ok {
			return nil, ""
		}
		if slices.ContainsFunc(named, func(k Kin) bool { return counted.has(&k) }) {
			continue
		}
		r := &v.Rows[at]
		c := Counted{r.TreatedWith, r.TreatedAll, r.UntreatedWith, r.UntreatedAll}
		if !l.leaveOut(&c, lab, own, named, treatment) {
			continue
		}
		sum.add(c)
		from = append(from, v.Event)
		for j := 0; i > 0 && j < len(named); j++ {
			counted.add(&named[j])
		}
	}
	if len(from) == 0 {
		return nil, ""
	}
	slices.Reverse(from)
	return &sum, strings.Join(from, ", ")
}

func (c *Counted) add(x Counted) {
	c.TreatedWith += x.TreatedWith
	c.TreatedAll += x.TreatedAll
	c.UntreatedWith += x.UntreatedWith
	c.UntreatedAll += x.UntreatedAll
}

// ownKin is what the lot asked about came from. All of it was read before.
func (l *line) ownKin() (*Kin, bool) {
	if l.self == nil {
		mixed, err := l.w.ancestry(l.parts)
		if err != nil {
			l.w.err = err
			return nil, false
		}
		k := l.kin(mixed)
		l.self = &k
	}
	return l.self, true
}

// named are the stones behind stated counts.
func (w *walker) named(v *Validation) ([]Kin, bool) {
	if v.Named == nil && len(v.Lots) > 0 {
		var err error
		if v.Named, _, err = Kins(w.q.Get, v.Lots, w.q.KnownAt); err != nil {
			w.err = err
			return nil, false
		}
	}
	return v.Named, true
}

// leaveOut takes the lots that are of one stone with the one asked about out of counts that they are among: no stone is a witness in its own cause. What one
// showed when it was counted is not asked: whatever says less is taken out. Where the record does not say as what a stone was counted, the counts
// can't be used (false).
func (l *line) leaveOut(c *Counted, lab Laboratory, own *Kin, named []Kin, treatment opal.Treatment) bool {
	for i := range named {
		if !own.one(&named[i]) {
			continue
		}
		s, err := l.w.q.Get(named[i].Lot)
		if err != nil {
			l.w.err = err
		}
		if s == nil {
			return false
		}
		treated, untreated := s.marked(treatment, lab.Party, l.w.q.KnownAt)
		if treated == untreated {
			return false // as which of the two it was counted, nobody can tell
		}
		with, all, other, otherAll := &c.TreatedWith, &c.TreatedAll, c.UntreatedWith, c.UntreatedAll
		if !treated {
			with, all, other, otherAll = &c.UntreatedWith, &c.UntreatedAll, c.TreatedWith, c.TreatedAll
		}
		if *all == 0 {
			return false
		}
		// It is taken from those that showed the outcome if they showed it more often than the others did, and else from those that did not: either
		// way the two shares come nearer to each other. Only where there are none of them it is taken from the rest.
		more := *with*otherAll > other**all
		if *with > 0 && (more || *with == *all) {
			*with--
		}
		*all--
	}
	return true
}

// marked tells how a stone is marked as one of known history: by a party, or by anybody ("").
func (s *Summary) marked(treatment opal.Treatment, party string, knownAt uint64) (treated, untreated bool) {
	for i := range s.Known {
		k := &s.Known[i]
		if !k.Fact.live(knownAt) || party != "" && k.Fact.Party != party {
			continue
		}
		treated = treated || k.Known == opal.KnownTreated && k.Treatment == treatment
		untreated = untreated || k.Known == opal.KnownUntreated && (k.Treatment == "" || k.Treatment == treatment)
	}
	return treated, untreated
}

// enough tells whether counts make a ratio.
func (c *Counted) enough() bool {
	return c != nil && c.TreatedAll >= fewestKnown && c.UntreatedAll >= fewestKnown
}

// ratio gives an item its likelihood ratio, if the stones behind it are enough.
func (l *line) ratio(w *weighed) {
	item := w.item
	if item.Stance != PointsTo && item.Stance != PointsAway || !item.Counted.enough() {
		return
	}
	lr := l.w.q.Ratios.Of(*item.Counted, ItemLevel)
	item.LR = &lr
	if !l.w.brief {
		item.Formula = textFormula(*item.Counted)
	}
}

// textFormula says how the ratio and its interval come from the counts.
func textFormula(c Counted) string {
	n := func(v int64) string { return strconv.FormatInt(v, 10) }
	treated, untreated := n(c.TreatedWith), n(c.UntreatedWith)
	return "((" + treated + " + ½)/(" + n(c.TreatedAll) + " + 1)) / ((" + untreated + " + ½)/(" + n(c.UntreatedAll) +
		" + 1)); interval: exact quantiles of the ratio of Beta(" + treated + ".5, " + n(c.TreatedAll-c.TreatedWith) + ".5) to Beta(" +
		untreated + ".5, " + n(c.UntreatedAll-c.UntreatedWith) + ".5)"
}

// weight is what the graded items on the stone itself say together of one treatment.
type weight struct {
	// ratio is the product over the groups; nil: nothing has one that says anything.
	ratio *LikelihoodRatio
	level float64
	// group is a single one that makes the treatment suspected, or else the largest; nil: none points to the treatment.
	group *LikelihoodRatio
	// contrary: something points to the treatment in a group that counts as pointing away, or without a ratio.
	contrary bool
	// surface: all that points away sees the surface alone.
	surface bool
}

// groupWeight is what the items of one group say: outcomes of one group sense the same thing and are no independent witnesses.
type groupWeight struct {
	best *weighed // the one most towards "treated"
	// pointing are those that point to the treatment, with their intervals at the product's level.
	pointing []LikelihoodRatio
	level    LikelihoodRatio // of the best, at the product's level
	contrary bool            // one points to the treatment, without a ratio
}

// groupOrder is the order in which groups are multiplied, so that a product is the same to the last digit.
var groupOrder = [...]Group{Organics, Carbon, Colour, Pores, Build}

// together puts the counted items on the stone itself together: of each group the item most towards "treated" counts, and the groups multiply. An item
// whose interval holds 1 says nothing and takes nobody's place.
//
// More evidence for a treatment never makes the verdict better, nor more against it worse. So where the product falls short of FOUND, what points to
// the treatment is also tried without the groups that only widen the interval, and with the other items of a group; and where it falls short of
// NOT_FOUND, without the groups pointing away whose intervals hold 1 at the product's level. If that decides, it is the answer. And a clean result that
// ended, by a cut, a gap or what lies over it, takes its place beside the others of its group still, or cutting a stone would better it.
func (l *line) together(treatment opal.Treatment, own *weighing) weight {
	out := weight{surface: true}
	var groups [len(groupOrder)]groupWeight
	used := 0
	for i := range own.weighed {
		w := &own.weighed[i]
		x := w.item
		if !x.Counts || !w.test.direct() {
			continue
		}
		g := &groups[max(0, slices.Index(groupOrder[:], x.Group))]
		switch {
		case x.LR == nil:
			g.contrary = g.contrary || x.Stance == PointsTo
		case x.LR.Says():
			if g.best == nil {
				used++
			}
			if g.best == nil || x.LR.Point > g.best.item.LR.Point || x.LR.Point == g.best.item.LR.Point && x.LR.Lower > g.best.item.LR.Lower {
				g.best = w
			}
			if x.LR.Point > 1 && (out.group == nil || out.group.suspects() < x.LR.suspects() || out.group.suspects() == x.LR.suspects() && out.group.Point < x.LR.Point) {
				out.group = x.LR
			}
		}
	}
	if used == 0 {
		return out
	}
	for i := range own.weighed {
		w := &own.weighed[i]
		if !w.restrains || !w.test.direct() || w.item.LR == nil || w.item.LR.Upper >= 1 {
			continue
		}
		if g := &groups[max(0, slices.Index(groupOrder[:], w.item.Group))]; g.best != nil && w.item.LR.Point > g.best.item.LR.Point {
			g.best = w
			if !l.w.brief {
				w.item.Text = strings.TrimSuffix(w.item.Text, ".") + "; what it said still keeps others of its kind from saying more."
			}
		}
	}
	out.level = 1 - (1-ItemLevel)/float64(max(l.w.rules.Table.groups[treatment], used))
	for i := range own.weighed {
		if w := &own.weighed[i]; w.item.Counts && w.test.direct() && w.item.LR != nil && w.item.LR.Lower > 1 {
			g := &groups[max(0, slices.Index(groupOrder[:], w.item.Group))]
			if lr := l.w.q.Ratios.Of(*w.item.Counted, out.level); !slices.Contains(g.pointing, lr) {
				g.pointing = append(g.pointing, lr)
			}
		}
	}
	product := LikelihoodRatio{1, 1, 1}
	for i := range groups {
		g := &groups[i]
		if g.best == nil {
			continue
		}
		g.level = l.w.q.Ratios.Of(*g.best.item.Counted, out.level)
		product = product.times(g.level)
		if g.best.item.LR.Point < 1 {
			out.contrary = out.contrary || g.contrary
			out.surface = out.surface && g.best.rule.Reach == SurfaceOnly
		}
	}
	if !product.finds() && !product.denies() {
		product = decided(&groups, product)
	}
	product = LikelihoodRatio{numeric.Nine(product.Point), numeric.Nine(product.Lower), numeric.Nine(product.Upper)}
	out.ratio = &product
	return out
}

func (r LikelihoodRatio) times(x LikelihoodRatio) LikelihoodRatio {
	return LikelihoodRatio{float64(r.Point * x.Point), float64(r.Lower * x.Lower), float64(r.Upper * x.Upper)}
}

// against tells whether known stones showed an outcome surely more often untreated than treated; not without a ratio.
func (r *LikelihoodRatio) against() bool { return r != nil && r.Upper < 1 }

// finds, suspects and denies tell what a ratio makes of the verdict.
func (r LikelihoodRatio) finds() bool { return r.Point >= foundRatio && r.Cautious() >= foundCautious }

func (r LikelihoodRatio) suspects() int {
	if r.Point >= suspectedRatio && r.Cautious() >= suspectedCautious {
		return 1
	}
	return 0
}

func (r LikelihoodRatio) denies() bool {
	return r.Point <= absentRatio && r.Cautious() <= absentCautious
}

// decided looks for a product that decides where the whole one does not; the whole one if there is none.
func decided(groups *[len(groupOrder)]groupWeight, whole LikelihoodRatio) LikelihoodRatio {
	found := whole
	var choose func(i int, product LikelihoodRatio)
	choose = func(i int, product LikelihoodRatio) {
		if i == len(groups) {
			if product.finds() && (!found.finds() || product.Point > found.Point) {
				found = product
			}
			return
		}
		g := &groups[i]
		if len(g.pointing) > 0 || g.best == nil {
			choose(i+1, product)
		} else {
			choose(i+1, product.times(g.level))
		}
		for _, lr := range g.pointing {
			choose(i+1, product.times(lr))
		}
	}
	choose(0, LikelihoodRatio{1, 1, 1})
	if found.finds() {
		return found
	}
	clean := LikelihoodRatio{1, 1, 1}
	for i := range groups {
		if g := &groups[i]; g.best != nil && (g.best.item.LR.Point > 1 || g.level.Upper < 1) {
			clean = clean.times(g.level)
		}
	}
	if clean.denies() {
		return clean
	}
	return whole
}

func (w *weight) found() bool { return w.ratio != nil && w.ratio.finds() }

func (w *weight) suspected() bool { return w.group != nil && w.group.suspects() > 0 }

func (w *weight) absent() bool { return w.ratio != nil && !w.contrary && w.ratio.denies() }

// fewest is how many treated and as many untreated stones of known history a laboratory must have counted, all of them with the right outcome, so that
// a clean one denies a treatment.
func (w *walker) fewest(treatment opal.Treatment) int64 {
	level := 1 - (1-ItemLevel)/float64(max(1, w.rules.Table.groups[treatment]))
	n := int64(fewestKnown)
	for !w.q.Ratios.Of(Counted{0, n, n, n}, level).denies() {
		n++
	}
	return n
}

// odds are those that none of the treatments was done on which counts say something, if each of them was as likely as not beforehand and they have
// nothing to do with each other; reckoned are these treatments.
func (w *walker) odds(r *lineResult) (odds float64, reckoned []opal.Treatment) {
	none := 1.0
	for i := range r.treatments {
		if lr := r.treatments[i].weight.ratio; lr != nil {
			none = float64(none / (1 + lr.Point))
			reckoned = append(reckoned, w.treatments[i])
		}
	}
	if len(reckoned) == 0 {
		return 0, nil
	}
	return numeric.Nine(none / (1 - none)), reckoned
}

// textOdds says them. They rest on a supposition, which the sentence names.
func textOdds(odds float64, reckoned []opal.Treatment) string {
	names := make([]string, len(reckoned))
	for i, t := range reckoned {
		names[i] = noun(t)
	}
	against := rough(odds) + " to 1"
	if odds < 1 {
		against = "1 to " + rough(1/odds)
	}
	if len(names) == 1 {
		return "If it had been as likely as not beforehand, the counts of known stones would make the odds that there is no " + strings.TrimPrefix(names[0], "a ") + " about " + against + "."
	}
	return "If each had been as likely as not beforehand, the counts of known stones would make the odds that there is none of " + strings.Join(names, ", ") + " about " + against + "."
}

// textRatio says how much more probable findings are one way than the other, never how probable the treatment is.
func textRatio(lr LikelihoodRatio, level float64) string {
	if !lr.Says() {
		return "about as probable if the stone is treated as if it is not"
	}
	ratio, cautious, first, second := lr.Point, lr.Cautious(), "is treated", "is not"
	if lr.Point < 1 {
		ratio, cautious, first, second = 1/ratio, 1/cautious, "is not treated", "is"
	}
	return "about " + rough(ratio) + " times more probable if the stone " + first + " than if it " + second + " (at least " + rough(cautious) + " times, " +
		strconv.FormatFloat(level*100, 'g', 4, 64) + " %)"
}

// rough writes a ratio with two or three digits: it is no better known.
func rough(v float64) string {
	switch {
	case v < 10:
		return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
	case v < 1000:
		return strconv.FormatFloat(math.Round(v), 'f', -1, 64)
	default:
		return strconv.FormatFloat(v, 'g', 2, 64)
	}
}

// textCounts says which stones of known history stand behind an outcome, and what follows.
func textCounts(item *Item) string {
	c := item.Counted
	if c == nil || item.Stance != PointsTo && item.Stance != PointsAway {
		return ""
	}
	n := func(v int64) string { return strconv.FormatInt(v, 10) }
	s := "; on known stones it was seen on " + n(c.TreatedWith) + " of " + n(c.TreatedAll) + " treated and " + n(c.UntreatedWith) + " of " + n(c.UntreatedAll) + " untreated"
	if item.LR == nil {
		return s + ", too few for more than a direction"
	}
	return s + ", so it is " + textRatio(*item.LR, ItemLevel)
}
