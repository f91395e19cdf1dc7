package evidence

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// fewestKnown is how many treated and how many untreated stones of known history counts need before they make a ratio; with fewer, an outcome
// gives a direction and nothing more.
const fewestKnown = 5

// fewestForClaim is how many of each are needed, all of them with the right outcome, before a clean one denies a treatment.
const fewestForClaim = 10

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

// ownCounts adds up what the tester's laboratory validated. Counts that name no stones, or stones that were counted before, take the place of
// the earlier ones: each stone counts once.
func (l *line) ownCounts(t *lineTest, outcome opal.Outcome, treatment opal.Treatment) (*Counted, string) {
	if l.w.q.Validated == nil || t.fact.Protocol == "" {
		return nil, ""
	}
	list, err := l.w.q.Validated(t.fact.Fact.Party, t.fact.Method, t.fact.Protocol, l.w.q.KnownAt)
	if err != nil {
		l.w.err = fmt.Errorf("read the counts of %s: %w", t.fact.Fact.Party, err)
		return nil, ""
	}
	var sum *Counted
	from := ""
	counted := map[string]bool{}
	for i := range list {
		v := &list[i]
		if slices.ContainsFunc(v.Lots, l.isOfLine) {
			continue // this very stone is one of the known ones
		}
		at := slices.IndexFunc(v.Rows, func(r opal.ValidationRow) bool { return r.Outcome == outcome && r.Treatment == treatment })
		if at < 0 {
			continue
		}
		again := len(v.Lots) == 0 || len(counted) == 0 || slices.ContainsFunc(v.Lots, func(lot string) bool { return counted[lot] })
		r := &v.Rows[at]
		if sum == nil || again {
			sum, from, counted = &Counted{}, "", map[string]bool{}
		}
		sum.TreatedWith += r.TreatedWith
		sum.TreatedAll += r.TreatedAll
		sum.UntreatedWith += r.UntreatedWith
		sum.UntreatedAll += r.UntreatedAll
		if from != "" {
			from += ", "
		}
		from += v.Event
		for _, lot := range v.Lots {
			counted[lot] = true
		}
	}
	return sum, from
}

func (l *line) isOfLine(lot string) bool {
	return slices.ContainsFunc(l.segs, func(g seg) bool { return g.s.Lot == lot })
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
}

// weight is what the graded items on the stone itself say together of one treatment.
type weight struct {
	// ratio is the product over the groups; nil: nothing has one that says anything.
	ratio *LikelihoodRatio
	level float64
	// group is the largest single one, for SUSPECTED; nil: none points to the treatment.
	group *LikelihoodRatio
	// contrary: something points to the treatment in a group that counts as pointing away, or without a ratio.
	contrary bool
	// surface: all that points away sees the surface alone.
	surface bool
}

// together puts the counted items on the stone itself together. Outcomes of one group sense the same thing and are no independent witnesses: of
// each group the item most towards "treated" counts. An item whose interval holds 1 says nothing and takes nobody's place.
func (l *line) together(treatment opal.Treatment, own *weighing) weight {
	out := weight{surface: true}
	best := map[Group]*weighed{}
	pointing := map[Group]bool{}
	for i := range own.weighed {
		w := &own.weighed[i]
		x := w.item
		if !x.Counts || !w.test.direct() {
			continue
		}
		switch {
		case x.LR == nil:
			pointing[x.Group] = pointing[x.Group] || x.Stance == PointsTo
		case x.LR.Says():
			if b := best[x.Group]; b == nil || x.LR.Point > b.item.LR.Point {
				best[x.Group] = w
			}
		}
	}
	if len(best) == 0 {
		return out
	}
	groups := max(l.w.rules.Table.groups[treatment], len(best))
	out.level = 1 - (1-ItemLevel)/float64(groups)
	product := LikelihoodRatio{1, 1, 1}
	for _, group := range [...]Group{Organics, Carbon, Colour, Pores, Build} {
		w := best[group]
		if w == nil {
			continue
		}
		lr := l.w.q.Ratios.Of(*w.item.Counted, out.level)
		product.Point = float64(product.Point * lr.Point)
		product.Lower = float64(product.Lower * lr.Lower)
		product.Upper = float64(product.Upper * lr.Upper)
		if one := w.item.LR; one.Point > 1 && (out.group == nil || one.Lower > out.group.Lower) {
			out.group = one
		}
		if w.item.LR.Point < 1 {
			out.contrary = out.contrary || pointing[group]
			out.surface = out.surface && w.rule.Reach == SurfaceOnly
		}
	}
	product.Point, product.Lower, product.Upper = nine(product.Point), nine(product.Lower), nine(product.Upper)
	out.ratio = &product
	return out
}

func (w *weight) found() bool {
	return w.ratio != nil && w.ratio.Point >= foundRatio && w.ratio.Cautious() >= foundCautious
}

func (w *weight) suspected() bool {
	return w.group != nil && w.group.Point >= suspectedRatio && w.group.Cautious() >= suspectedCautious
}

func (w *weight) absent() bool {
	return w.ratio != nil && !w.contrary && w.ratio.Point <= absentRatio && w.ratio.Cautious() <= absentCautious
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
	return fmt.Sprintf("about %s times more probable if the stone %s than if it %s (at least %s times, %s %%)",
		rough(ratio), first, second, rough(cautious), strconv.FormatFloat(level*100, 'g', 4, 64))
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
	s := fmt.Sprintf("; on known stones it was seen on %d of %d treated and %d of %d untreated", c.TreatedWith, c.TreatedAll, c.UntreatedWith, c.UntreatedAll)
	if item.LR == nil {
		return s + ", too few for more than a direction"
	}
	return s + ", so it is " + textRatio(*item.LR, ItemLevel)
}
