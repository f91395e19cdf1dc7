package evidence

import (
	"strconv"

	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/sampling"
)

// sampleConfidence is that of the limits which a sample gives, one-sided.
const sampleConfidence = 0.95

// drawn is what a sample that was drawn blindly says of the stone asked about, which was not in it.
type drawn struct {
	w *weighed
	// Limits are those of the parcel when it was drawn.
	sampling.Limits
	tested, positives int64
	untested          float64
	// bound of among may be treated where the stone is now: after sorting, all of them may have come this way.
	bound, among int64
	// sorted: the parcel was sorted since; lost: it was parted in a way that leaves nothing of the statement.
	sorted, lost bool
}

// suffices tells whether so few may be treated that the treatment counts as not found.
func (s *drawn) suffices(partsPerMillion int64) bool {
	return s.Fits && !s.lost && float64(s.bound)*1e6 <= float64(partsPerMillion*s.among)
}

// random tells whether the stones tested were drawn blindly, by somebody with no interest in them, from all the pieces that there were; and
// how many of how many they were.
func (l *line) random(t *lineTest) (tested, of int64, ok bool) {
	sample := &t.fact.Sample
	by, selection := sample.SelectedBy, sample.Selection
	pieces := t.of
	if t.away != nil {
		left := t.away[0].opening(l.w.q.KnownAt)
		if left.Manner != opal.SampleSent || len(t.away) > 1 {
			return 0, 0, false
		}
		by, selection = left.SelectedBy, left.Selection
		if sent := left.Pieces; sent == nil || t.tested == nil || *t.tested != *sent {
			return 0, 0, false // some of those drawn were left out again
		}
	} else {
		if sample.Kind != opal.Random {
			return 0, 0, false
		}
		if there := l.segs[t.seg].s.piecesAt(t.fact.Fact.At, l.w.q.KnownAt); there == nil || pieces == nil || *there != *pieces {
			return 0, 0, false
		}
	}
	switch {
	case selection != opal.NumberedDraw && selection != opal.Riffled, by == "", by == opal.Outside, !l.independent(by):
		return 0, 0, false
	case t.tested == nil || pieces == nil || *t.tested < 1 || *t.tested > *pieces || *pieces > sampling.MaxParcel:
		return 0, 0, false
	}
	return *t.tested, *pieces, true
}

// independent tells whether a party never owned, bought or sold stones of the line, nor held them for anything but testing.
func (l *line) independent(party string) bool {
	if l.interested(party) {
		return false
	}
	for i := range l.segs {
		for j := range l.segs[i].s.Moves {
			m := &l.segs[i].s.Moves[j]
			if m.To == party && (m.Kind != opal.KindHandedOver || m.Purpose != opal.ForTesting) {
				return false
			}
		}
	}
	return true
}

// sample reckons what a sample says of the stone; nil: it was not drawn blindly, and says nothing of others.
func (l *line) sample(w *weighed) *drawn {
	t := w.test
	if t.coverage != SampleOf || t.positive == nil {
		return nil
	}
	if uptakeRank(w.item.Outcome) > 0 {
		return nil // how many drank so is no count of treated stones
	}
	tested, of, ok := l.random(t)
	if !ok || *t.positive > tested {
		return nil
	}
	a, f := sampling.Infer(sampling.Question{Parcel: of, Tested: tested, Positives: *t.positive, Confidence: sampleConfidence, Test: sampling.Perfect()})
	if f != nil {
		return nil
	}
	s := &drawn{w: w, Limits: a.Limits, tested: tested, positives: *t.positive, untested: numeric.Nine(a.Untested), bound: a.Upper, among: of}
	l.support(s)
	for i := t.seg; i >= 0; i-- {
		g := &l.segs[i]
		if i < t.seg {
			l.part(s, g.open)
		}
		l.parted(s, i, t)
	}
	return s
}

// support finds what the sample makes of a stone that was not in it, with the counts behind the outcome. It is never surer than the same outcome on the
// stone itself would make it, if treatment were as likely as not.
func (l *line) support(s *drawn) {
	x := s.w.item
	if !x.Counted.enough() {
		return
	}
	shown := *x.Counted
	if x.Stance == PointsAway {
		// What was counted is the clean outcome, and what shows a stone as treated is any other.
		shown.TreatedWith, shown.UntreatedWith = shown.TreatedAll-shown.TreatedWith, shown.UntreatedAll-shown.UntreatedWith
	}
	if p, ok := l.w.q.Ratios.Untested(shown, s.tested, s.positives); ok {
		s.untested = p
	}
	if x.LR == nil {
		return
	}
	itself := numeric.Nine(x.LR.Point / (1 + x.LR.Point))
	switch {
	case s.positives == 0 && itself < 0.5:
		s.untested = max(s.untested, itself)
	case s.positives > 0 && itself > 0.5:
		s.untested = min(s.untested, itself)
	}
}

// part takes the statement along to what an event made of the lot before.
func (l *line) part(s *drawn, o *Opening) {
	switch {
	case o.Kind == opal.KindCut || o.CutManner != "" || o.Manner == opal.Sawn || o.Kind == opal.KindCombined || o.Pieces == nil:
		s.lost = true // of one treated piece several stones may have been made
	case o.Manner == opal.Unsorted || o.Manner == opal.SampleSent:
	default:
		s.sort(*o.Pieces)
	}
}

// sort reckons with somebody having chosen: as many of the treated stones as there may be went into these.
func (s *drawn) sort(pieces int64) {
	s.sorted = true
	s.bound, s.among = min(pieces, s.bound), pieces
}

// parted reckons with what was taken out of the i-th lot of the line after the sample was drawn, and before the stone left it.
func (l *line) parted(s *drawn, i int, t *lineTest) {
	g := &l.segs[i]
	since := func(at opal.When) bool { return i < t.seg || !at.Before(t.at) }
	if o := g.s.Older; o != nil && since(o.Last) {
		s.lost = s.lost || o.Sorted || o.Sawn
	}
	for j := range g.s.Changes {
		c := &g.s.Changes[j]
		leaves := i > 0 && c.Fact.Event == l.segs[i-1].open.Fact.Event // the stone itself; see part
		if leaves || !c.Fact.live(l.w.q.KnownAt) || !l.reaches(i, c.Fact.At) || !since(c.Fact.At) {
			continue
		}
		switch {
		case c.Kind == opal.KindCounted:
			s.lost = true // stones were found, or lost, that nobody knows of
		case !c.madeLots() || c.Ends || c.Manner == opal.Unsorted || c.Manner == opal.SampleSent:
		case c.Manner == opal.Sawn:
			s.lost = true
		default: // what is left is what nobody took
			left := c.Pieces
			if c.Taken {
				left, _ = g.s.account(g.cut, l.w.q.KnownAt)
			}
			if left == nil {
				s.lost = true
				return
			}
			s.sort(*left)
		}
	}
}

// sampleClean finds the best of the samples in which nothing was found; nil: there is none. One counts, whatever the methods: they saw the same
// stones.
func (l *line) sampleClean(own *weighing) *drawn {
	var best *drawn
	for i := range own.weighed {
		w := &own.weighed[i]
		if !w.item.Counts || w.find || w.test.direct() || w.item.Stance != PointsAway && w.item.Stance != Excludes || w.test.positive == nil || *w.test.positive != 0 {
			continue
		}
		s := l.sample(w)
		if s != nil && (best == nil || s.share() < best.share()) {
			best = s
		}
	}
	return best
}

// share is the largest share of treated stones that is left possible.
func (s *drawn) share() float64 {
	if s.lost || s.among == 0 {
		return 1
	}
	return float64(s.bound) / float64(s.among)
}

// decides tells whether the outcome on the stone itself would deny the treatment: no sample says more than that.
func (s *drawn) decides() bool {
	x := s.w.item
	if x.Stance == Excludes {
		return s.w.rule.Extent == ""
	}
	return x.LR != nil && x.LR.Point <= absentRatio && x.LR.Cautious() <= absentCautious
}

// strength is the one that the outcome on the stone itself would have.
func (s *drawn) strength() Strength {
	if s.w.item.Stance == Excludes {
		return BySign
	}
	return Word(s.w.item.LR.Cautious())
}

// findStrength is what a find on another stone rests on.
func (w *weighed) findStrength() Strength {
	if w.item.LR == nil {
		return BySign
	}
	return Word(w.item.LR.Cautious())
}

// sampleFound finds the sample with finds that says most, for the limits that stand beside SUSPECTED; nil: none was drawn blindly.
func (l *line) sampleFound(own *weighing) *drawn {
	var best *drawn
	for i := range own.weighed {
		w := &own.weighed[i]
		if !w.item.Counts || !w.find {
			continue
		}
		if s := l.sample(w); s != nil && s.positives > 0 && (best == nil || s.Lower*best.Of > best.Lower*s.Of) {
			best = s
		}
	}
	return best
}

// textSampled says what the sample leaves possible. It always says that the stone was not in it.
func textSampled(s *drawn) string {
	text := strconv.FormatInt(s.positives, 10) + " of " + plural(s.tested, "stone", "stones") + " drawn blindly from " + strconv.FormatInt(s.Of, 10) + " showed it, so "
	limit := " (95 %, one-sided)"
	switch {
	case s.positives > 0:
		text += "at least " + strconv.FormatInt(s.Lower, 10) + " and at most " + strconv.FormatInt(s.Upper, 10) + " of them are treated" + limit
		if c := s.Child(s.among); s.sorted && !s.lost && c.Lower > 0 {
			text += ", and at least " + strconv.FormatInt(c.Lower, 10) + " of the " + strconv.FormatInt(s.among, 10) + " that this stone is one of, however they were sorted"
		}
	case s.lost:
		text += "at most " + strconv.FormatInt(s.Upper, 10) + " of them were treated" + limit + ", but of what was made of the parcel since nothing is known"
	case s.sorted && s.bound == s.among:
		text += "at most " + strconv.FormatInt(s.Upper, 10) + " of them are treated" + limit + ", but it was sorted since, and all " + strconv.FormatInt(s.among, 10) +
			" that this stone is one of may be among them"
	case s.sorted:
		text += "at most " + strconv.FormatInt(s.bound, 10) + " of the " + strconv.FormatInt(s.among, 10) + " that this stone is one of may be treated" + limit + ", however they were sorted"
	default:
		text += "at most " + strconv.FormatInt(s.Upper, 10) + " of them may be treated" + limit
	}
	return text + "; this stone was not tested."
}
