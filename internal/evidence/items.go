package evidence

import (
	"slices"
	"strings"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// outcomesOf lists what a test showed: each finding, and the outcome where no finding repeats it.
func outcomesOf(t *TestFact) []opal.TestFinding {
	word, findings := t.judged()
	if len(findings) == 0 && len(t.Also) == 0 && t.Identity != opal.Assembled {
		return []opal.TestFinding{{Outcome: word}}
	}
	var out []opal.TestFinding
	if word != "" && !slices.ContainsFunc(findings, func(f opal.TestFinding) bool { return f.Outcome == word }) {
		out = append(out, opal.TestFinding{Outcome: word})
	}
	for _, o := range t.Also {
		out = append(out, opal.TestFinding{Outcome: o})
	}
	out = append(out, findings...)
	if t.Identity == opal.Assembled {
		out = append(out, opal.TestFinding{Outcome: assembledWord})
	}
	return out
}

// weighed is an item with what judging needs beside it.
type weighed struct {
	item *Item
	rule *Rule
	test *lineTest
	// find: a sign on some stone of a sample, however picked.
	find bool
	// restrains: an absence that was set aside because of what came after it, or of what lies over it. It says nothing any more, and yet what it said
	// keeps others of its group from saying more than they did beside it.
	restrains bool
}

// weighing gathers the items of one treatment. The items' memory is taken once, so that pointers into it stay.
type weighing struct {
	items   []Item
	weighed []weighed
}

// add adds the items that a test gives for a treatment: those that say something or, if none does, the first.
func (g *weighing) add(l *line, t *lineTest, treatment opal.Treatment) {
	start := len(g.weighed)
	for i := range t.outcomes {
		g.items = append(g.items, Item{})
		w := l.weigh(t, i, treatment, &g.items[len(g.items)-1])
		switch n := len(g.weighed); {
		case w.item.Stance == Silent && n > start:
			g.items = g.items[:len(g.items)-1]
			continue
		case n == start+1 && g.weighed[start].item.Stance == Silent:
			// What says something takes the place of what does not.
			*g.weighed[start].item = *w.item
			w.item = g.weighed[start].item
			g.items, g.weighed = g.items[:len(g.items)-1], g.weighed[:start]
		}
		g.weighed = append(g.weighed, w)
	}
}

// weigh finds what one outcome of a test says of a treatment.
func (l *line) weigh(t *lineTest, outcome int, treatment opal.Treatment, item *Item) weighed {
	f, finding := t.fact, t.outcomes[outcome]
	*item = Item{
		Event: f.Fact.Event, Position: f.Fact.Position, Lot: t.lot, Party: f.Fact.Party, At: f.Fact.At, OccurredAt: f.Fact.OccurredAt,
		Kind: ItemTest, Method: f.Method, Outcome: finding.Outcome, Where: finding.Where, Coverage: t.coverage,
		Tested: t.tested, Of: t.of, Positive: t.positive, Text: t.starts[outcome],
	}
	w := weighed{test: t, item: item}
	rule := l.fitting(t, finding, treatment)
	if (rule.Stance == Shows || rule.Stance == PointsTo) && t.positive != nil && *t.positive == 0 && l.lookedFor(t, finding, treatment) && !f.read() {
		// None of them showed it, and it was looked for: that is what NOTHING_SEEN says. What the service read in a spectrum nobody counts away.
		word := finding.Outcome
		finding.Outcome = opal.NothingSeen
		if !l.w.brief {
			item.Text = textTest(f, &finding) + " (none of them showed " + plainWord(word) + ")"
		}
		rule = l.fitting(t, finding, treatment)
	}
	w.rule = rule.Rule
	w.item.Rule, w.item.Source, w.item.Group, w.item.Extent = rule.id, rule.Source, rule.Group, rule.Extent
	w.item.Counted, w.item.CountedBy = l.counts(t, finding.Outcome, treatment, rule.Rule)
	stance := rule.Stance
	if stance != Silent && !l.recorded(t, rule.Rule, w.item.Counted) {
		stance = lowered(stance)
		w.item.SetAside = textNotRecorded(rule.Needs)
	}

	presence := stance == Shows || stance == PointsTo
	none, some := t.positive != nil && *t.positive == 0, t.positive != nil && *t.positive > 0
	switch {
	case presence && none:
		stance, w.item.SetAside = Silent, textNoneShowed(t.tested)
	case !presence && some && !t.direct() && l.lookedFor(t, finding, treatment):
		// None is said to show it, and some are counted as showing it: what supports less holds.
		stance, w.find = PointsTo, true
		w.item.Counted, w.item.CountedBy = nil, "" // those are of the outcome that the others had
	case t.bulk && stance != Shows:
		if stance != Silent {
			w.item.SetAside = textBulk
		}
		stance = Silent
	case t.coverage == SampleOf && stance == Shows:
		w.find = true
	}
	if t.away != nil && (stance == Shows || stance == PointsTo) && t.treatedAfterLeaving(treatment, l.w.q.KnownAt) {
		stance, w.find, w.item.SetAside = Silent, false, textTreatedAfterLeaving
	}
	w.item.Stance = stance
	if w.item.SetAside == "" {
		l.ratio(&w)
	}
	if lr := w.item.LR; lr != nil && t.coverage == SampleOf && stance == PointsTo && lr.finds() {
		w.find = true // on that stone it would be found
	}
	return w
}

// towards tells whether an item points to the treatment (1), away from it (−1), or says nothing (0). Where known stones were counted, they decide
// and not the table's stance.
func (w *weighed) towards() int {
	switch x := w.item; {
	case x.LR != nil && x.LR.Lower > 1:
		return 1
	case x.LR.against():
		return -1
	case x.LR != nil:
		return 0
	case x.Stance == Shows || x.Stance == PointsTo:
		return 1
	case x.Stance == Excludes || x.Stance == PointsAway:
		return -1
	}
	return 0
}

// lowered is the stance one class down.
func lowered(s Stance) Stance {
	switch s {
	case Shows:
		return PointsTo
	case Excludes:
		return PointsAway
	default:
		return Silent
	}
}

// fitting finds the row of the table for an outcome.
func (l *line) fitting(t *lineTest, finding opal.TestFinding, treatment opal.Treatment) namedRule {
	rules := l.w.rules.Table.byTest[testKey{t.fact.Method, finding.Outcome, treatment}]
	for _, r := range rules {
		if l.fits(t, finding, treatment, r.when) {
			return r
		}
	}
	// A word that this table does not know says nothing.
	return namedRule{&Rule{Stance: Silent, Source: textUnknownWord}, string(t.fact.Method) + "/" + string(finding.Outcome) + "/" + string(treatment)}
}

func (l *line) fits(t *lineTest, finding opal.TestFinding, treatment opal.Treatment, terms []term) bool {
	for _, c := range terms {
		ok := false
		switch c.name {
		case termKind:
			ok = slices.Contains(c.values, string(l.material().Kind))
		case termLook:
			ok = slices.Contains(c.values, string(l.material().Look))
		case termWhere:
			ok = slices.Contains(c.values, string(finding.Where))
		case termLooked:
			ok = l.lookedFor(t, finding, treatment)
		case termSank:
			ok = l.sank(t, finding.Outcome)
		case termSameMoisture:
			ok = l.sameMoistureAsLast(t)
		}
		if !ok {
			return false
		}
	}
	return true
}

// lookedFor tells whether the tester says that the treatment was looked for.
func (l *line) lookedFor(t *lineTest, finding opal.TestFinding, treatment opal.Treatment) bool {
	return finding.Treatment == treatment || slices.Contains(t.fact.LookedFor, treatment)
}

// uptakeRank orders the outcomes of water tests by how much the stone drank; 0 for an outcome that says nothing of it.
func uptakeRank(o opal.Outcome) int {
	switch o {
	case "NEGLIGIBLE", "STAYED_ON_TOP":
		return 1
	case "SLIGHT", "SOAKED_IN_SLOWLY":
		return 2
	case "MODERATE", "SOAKED_IN":
		return 3
	case "STRONG":
		return 4
	}
	return 0
}

// sank tells whether an earlier test of the same stone by the same method showed a higher uptake.
func (l *line) sank(t *lineTest, o opal.Outcome) bool {
	if !t.direct() {
		return false
	}
	for i := range l.tests {
		was := &l.tests[i]
		if was.fact == t.fact || was.withdrawn || !was.direct() || was.fact.Method != t.fact.Method || t.fact.Fact.At.Before(was.fact.Fact.At) {
			continue
		}
		for _, f := range was.outcomes {
			if uptakeRank(f.Outcome) > uptakeRank(o) {
				return true
			}
		}
	}
	return false
}

// sameMoistureAsLast tells whether the same stone had been tested before by the same method at the same stated moisture. Of several tests
// that may have been the last one, one of the same moisture is enough.
func (l *line) sameMoistureAsLast(t *lineTest) bool {
	if !t.direct() || t.fact.Moisture == opal.MoistureUnknown {
		return false
	}
	var last *lineTest
	same := false
	for i := range l.tests {
		was := &l.tests[i]
		if was.fact == t.fact || was.withdrawn || !was.direct() || was.fact.Method != t.fact.Method || t.fact.Fact.At.Before(was.fact.Fact.At) {
			continue
		}
		match := was.fact.Moisture == t.fact.Moisture
		switch {
		case last == nil || last.fact.Fact.At.Before(was.fact.Fact.At):
			last, same = was, match
		case !was.fact.Fact.At.Before(last.fact.Fact.At):
			same = same || match
		}
	}
	return same
}

// recorded tells whether the test recorded what the row needs.
func (l *line) recorded(t *lineTest, r *Rule, counted *Counted) bool {
	switch r.Needs {
	case "":
		return true
	case needsCounts:
		return counted != nil
	case needsGirdle:
		return said(t.fact.Conditions, yesWhole, "wholegirdle", "girdle", "wholegirdleseen", "wholegirdlevisible")
	case needsCleaned:
		return said(t.fact.Conditions, anythingButNo, "cleaned", "cleanedbefore", "cleanedwith", "cleaning")
	case needsMagnification:
		return said(t.fact.Conditions, anythingButNo, "magnification")
	case needsSpots:
		return said(t.fact.Conditions, anythingButNo, "spots", "spot", "points")
	case needsSolvent:
		return said(t.fact.Conditions, anythingButNo, "solvent", "solvents")
	}
	return false
}

// said tells whether a condition of one of the names has a fitting value. Names are compared by their letters alone, so that "whole
// girdle" and "wholeGirdle" are the same.
func said(conditions map[string]string, fitting func(value string) bool, names ...string) bool {
	for name, value := range conditions {
		if slices.Contains(names, letters(name)) && fitting(strings.ToLower(strings.TrimSpace(value))) {
			return true
		}
	}
	return false
}

func letters(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case 'a' <= r && r <= 'z':
			return r
		case 'A' <= r && r <= 'Z':
			return r + ('a' - 'A')
		}
		return -1
	}, s)
}

func yesWhole(v string) bool {
	return slices.Contains([]string{"yes", "true", "whole", "seen", "visible", "all", "the whole", "whole girdle", "whole girdle seen"}, v)
}

func anythingButNo(v string) bool {
	return !slices.Contains([]string{"", "no", "false", "none", "not", "unknown", "-", "0"}, v)
}

// setAside decides which of the items count. found tells which treatments were found on the stone, for what they mask.
func (l *line) setAside(w *weighed, treatment opal.Treatment, found map[opal.Treatment]bool) {
	item := w.item
	reason, restrains := l.reason(w, treatment, found)
	if reason != "" {
		item.SetAside, w.find, w.restrains = reason, false, restrains
	}
	item.Counts = reason == "" && item.Stance != Silent
}

// compromised tells whether the key that spoke for a fact's party was in other hands when this reading of the fact was posted.
func (l *line) compromised(f *Fact) bool {
	if l.w.q.Compromised == nil {
		return false
	}
	yes, err := l.w.q.Compromised(f.Party, f.since())
	if err != nil {
		l.w.err = err
	}
	return yes
}

// reason says why an item does not count; "": it does, as far as its stance goes. restrains: it is an absence that was once valid.
func (l *line) reason(w *weighed, treatment opal.Treatment, found map[opal.Treatment]bool) (reason string, restrains bool) {
	t, item := w.test, w.item
	f := &t.fact.Fact
	switch {
	case t.withdrawn:
		return textWithdrawn(f), false
	case l.compromised(f):
		return textCompromised(f.Party), false
	case t.stranger && item.Stance != Silent:
		return textStranger(f.Party), false
	}
	if item.Stance == PointsTo && item.LR.against() {
		return textSignAgainst, false
	}
	absence := w.towards() < 0 || w.towards() == 0 && item.Stance == PointsAway
	if !absence && !(low(item.Outcome) && item.Stance != Silent) {
		return "", false
	}
	if absence {
		if t.fact.reading().contested {
			return textContested(item.Outcome), false
		}
		if !t.surely {
			return textPerhapsAfter, true
		}
		for i := range l.declared {
			d := &l.declared[i]
			if d.treatment == treatment && !d.taken && !d.stated && !d.fact.At.Before(t.at) {
				return textTreatedAfter(d), true
			}
		}
		for i := range l.gaps {
			if l.gaps[i].after(t.at) {
				return textGapAfter(&l.spans[l.gaps[i].span]), true
			}
		}
		if w.rule.Reach == SurfaceOnly && l.surfaceCutAfter(t.seg, t.at) {
			return textSurfaceCut, true
		}
	}
	if reason = l.masked(w, absence, found); reason != "" {
		return reason, absence
	}
	return l.notDry(w), false
}

// low tells a clean or low outcome: one that the stone's being covered or filled could bring about.
func low(o opal.Outcome) bool {
	switch o {
	case "NEGLIGIBLE", "SLIGHT", "STAYED_ON_TOP", "SOAKED_IN_SLOWLY", "CLEAN_AFTER_WIPE", "CLEAN_AFTER_LONG_CONTACT", "MARKED_ONLY", "NO_CHANGE",
		opal.NothingSeen:
		return true
	}
	return false
}

// masked says what on the stone keeps a test from seeing what is under it.
func (l *line) masked(w *weighed, absence bool, found map[opal.Treatment]bool) string {
	t := w.test
	water := t.fact.Method == opal.WaterUptake || t.fact.Method == opal.WaterDrop
	if !low(w.item.Outcome) || !water && t.fact.Method != opal.Swab && t.fact.Method != opal.HotPoint {
		return ""
	}
	for _, mask := range [...]opal.Treatment{opal.Resin, opal.Coating, opal.OilWax} {
		for i := range l.declared {
			d := &l.declared[i]
			if d.treatment == mask && !d.taken && !t.fact.Fact.At.Before(d.fact.At) {
				return textMasked(mask)
			}
		}
		// When something found was put there, nobody knows: it may have been there before the test. It takes away what speaks for the
		// stone, and never what speaks against it.
		if absence && found[mask] {
			return textMasked(mask)
		}
	}
	return ""
}

// notDry tells whether a water test that took up little began with a wet stone.
func (l *line) notDry(w *weighed) string {
	m := w.test.fact.Method
	if moisture := w.test.fact.Moisture; low(w.item.Outcome) && (m == opal.WaterUptake || m == opal.WaterDrop) && moisture != opal.Dry && moisture != opal.Room {
		return textNotDry(moisture)
	}
	return ""
}
