package evidence

import (
	"cmp"
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// lineTest is a test that bears on the stone, with how it touches it.
type lineTest struct {
	seg  int
	lot  string
	fact *TestFact
	// at is the time for which an absence speaks: the test's, or for a stone sent away when it was parted off.
	at       opal.When
	coverage Coverage
	// bulk: several pieces were measured together, so that the outcome is nobody's own.
	bulk bool
	// away: it was made on a stone that was sent away for testing, while the stone asked about stayed; these are the lots that the
	// tested stone went through since it left.
	away []*Summary
	// surely: it lies wholly inside the stone's history, not merely perhaps.
	surely bool
	// Stones tested, in the parcel, and that showed it; nil: not stated.
	tested, of, positive *int64
	withdrawn            bool
	// stranger: it names a stone that its poster had no longer, or not yet, in its hands, so that it says nothing of that stone.
	stranger bool

	// outcomes are what it showed; starts is how the sentence on each begins.
	outcomes []opal.TestFinding
	starts   []string
}

// direct tells whether the test was made on the stone itself, or on the piece that it was cut from.
func (t *lineTest) direct() bool { return t.coverage == ThisStone || t.coverage == SourcePiece }

// take lists a test.
func (l *line) take(t lineTest) {
	t.outcomes = outcomesOf(t.fact)
	t.starts = make([]string, len(t.outcomes))
	for i := 0; i < len(t.outcomes) && !l.w.brief; i++ {
		t.starts[i] = textTest(t.fact, &t.outcomes[i])
	}
	l.tests = append(l.tests, t)
}

// gather lists the tests that bear on the stone, in the order of the log.
func (l *line) gather() error {
	for i := len(l.segs) - 1; i >= 0; i-- {
		s := l.segs[i].s
		for j := range s.Tests {
			f := &s.Tests[j]
			live := f.Fact.live(l.w.q.KnownAt)
			if !live && !f.Fact.withdrawn(l.w.q.KnownAt) {
				continue
			}
			// A test that names the lots it touched speaks of those, whatever lot it was posted on.
			of, named := l.holds(f.Sample.Lots, i)
			if !named {
				of = i
			}
			if !l.reaches(of, f.Fact.At) {
				continue
			}
			t := lineTest{seg: of, lot: s.Lot, fact: f, at: f.Fact.At, surely: l.surely(of, f.Fact.At), withdrawn: !live}
			t.stranger = of < i && l.stranger(&t, i)
			l.cover(&t, named)
			l.take(t)
		}
		if err := l.gatherAway(i, s, l.segs[i].cut, nil); err != nil {
			return err
		}
	}
	slices.SortStableFunc(l.tests, func(a, b lineTest) int { return cmp.Compare(a.fact.Fact.Position, b.fact.Fact.Position) })
	return nil
}

// stranger tells whether a test that was posted on the line's i-th lot, and names a younger one, was made when the stone had gone on from
// the lot and its poster did not hold it. Whoever holds what is left of a parcel can make no test of the stones that left it.
func (l *line) stranger(t *lineTest, i int) bool {
	f := &t.fact.Fact
	if f.At.Before(*l.segs[i].cut) {
		return false
	}
	for j := i - 1; j >= 0; j-- {
		g := &l.segs[j]
		if g.cut != nil && g.cut.Before(f.At) {
			continue
		}
		for k := range l.spans {
			s := &l.spans[k]
			if s.Lot == g.s.Lot && s.Holder == f.Party && !f.At.Before(*s.From) && (s.To == nil || !s.To.Before(f.At)) {
				return false
			}
		}
	}
	return true
}

// cover says how a test made on a lot of the line touches the stone; named: it names that lot among those that it touched.
func (l *line) cover(t *lineTest, named bool) {
	s, sample := l.segs[t.seg].s, &t.fact.Sample
	pieces := s.piecesAt(t.fact.Fact.At, l.w.q.KnownAt)
	t.tested, t.of, t.positive = sample.Tested, sample.Of, sample.Positive
	if len(sample.Lots) > 0 {
		t.coverage = SampleOf
		if named && single(pieces) && t.same() && !t.stranger {
			t.coverage = l.directFrom(t.seg)
		}
		return
	}
	if single(pieces) {
		t.coverage = l.directFrom(t.seg)
		return
	}
	t.coverage = SampleOf
	if t.of == nil {
		t.of = pieces
	}
	if t.tested == nil && sample.Kind == opal.Whole {
		if t.positive == nil {
			t.bulk = true
			return
		}
		t.tested = pieces
	}
	// A result per piece of the whole parcel is a result of each stone, if all were alike and none came to it later.
	if t.tested != nil && pieces != nil && *t.tested == *pieces && t.same() && !s.grewAfter(t.fact.Fact.At, l.w.q.KnownAt) {
		t.coverage = ThisStone
	}
}

// same tells whether all stones tested gave the same outcome: all of them showed it, or none did.
func (t *lineTest) same() bool {
	return t.positive == nil || *t.positive == 0 || t.tested != nil && *t.positive == *t.tested ||
		t.tested == nil && len(t.fact.Sample.Lots) == int(*t.positive)
}

// directFrom tells the stone itself from the piece that it was cut from, for a piece that the i-th lot of the line consists of.
func (l *line) directFrom(i int) Coverage {
	for j := i - 1; j >= 0; j-- {
		if o := l.segs[j].open; !o.Alone || !single(o.Pieces) {
			return SourcePiece
		}
	}
	return ThisStone
}

func single(pieces *int64) bool { return pieces != nil && *pieces == 1 }

// piecesAt is how many pieces the lot had at a time; nil: not known.
func (s *Summary) piecesAt(at opal.When, knownAt uint64) *int64 {
	pieces, _ := s.account(&at, knownAt)
	return pieces
}

// gatherAway adds the tests of the stones that were sent away from a lot before the stone asked about left it. via are the lots that
// the stones went through since they left the line's i-th.
func (l *line) gatherAway(i int, s *Summary, cut *opal.When, via []*Summary) error {
	knownAt := l.w.q.KnownAt
	for k := range s.Away {
		a := &s.Away[k]
		if a.Position >= knownAt || a.At.From > l.w.q.AsOf || cut != nil && cut.Before(a.At) || s.undone(a.Event, knownAt) {
			continue
		}
		if _, own := l.holds([]string{a.Lot}, len(l.segs)-1); own {
			continue
		}
		child, err := l.w.summary(a.Lot)
		if err != nil {
			return err
		}
		if child == nil || child.opening(knownAt) == nil {
			continue
		}
		through := append(slices.Clip(via), child)
		l.gatherAwayTests(i, through)
		// What was made of a stone that was sent away was sent away too.
		if err := l.gatherAway(i, child, nil, through); err != nil {
			return err
		}
	}
	return nil
}

func (l *line) gatherAwayTests(i int, via []*Summary) {
	knownAt := l.w.q.KnownAt
	child, left := via[len(via)-1], via[0].opening(knownAt)
	for j := range child.Tests {
		f := &child.Tests[j]
		live := f.Fact.live(knownAt)
		if !live && !f.Fact.withdrawn(knownAt) || f.Fact.At.From > l.w.q.AsOf {
			continue
		}
		t := lineTest{
			seg: i, lot: child.Lot, fact: f, at: left.Fact.At, away: via, coverage: SampleOf, withdrawn: !live,
			surely: f.Fact.At.To <= l.w.q.AsOf && l.surely(i, left.Fact.At),
			tested: f.Sample.Tested, positive: f.Sample.Positive, of: left.Parents[0].Pieces,
		}
		pieces := child.piecesAt(f.Fact.At, knownAt)
		switch {
		case single(pieces):
			t.tested = pieces
		case t.tested == nil && f.Sample.Kind == opal.Whole && t.positive == nil:
			t.bulk = true
		case t.tested == nil && f.Sample.Kind == opal.Whole:
			t.tested = pieces
		}
		l.take(t)
	}
}

// treatedAfterLeaving tells whether a stone that was sent away was treated so only after it had been parted off, so that a find on it says
// nothing of the stones that stayed.
func (t *lineTest) treatedAfterLeaving(treatment opal.Treatment, knownAt uint64) bool {
	for _, s := range t.away {
		for i := range s.Treated {
			f := &s.Treated[i]
			if f.Treatment == treatment && f.Fact.live(knownAt) && t.at.Before(f.Fact.At) {
				return true
			}
		}
	}
	return false
}
