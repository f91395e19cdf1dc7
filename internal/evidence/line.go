package evidence

import (
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// maxLots bounds how many lots an answer may rest on.
const maxLots = 10_000

// walker answers one query. It reads each summary once.
type walker struct {
	q          Query
	rules      Rules
	treatments []opal.Treatment
	// brief leaves out the sentences on single tests, which a claim does not show.
	brief bool
	read  map[string]*Summary
	// parts remembers what was made of a lot up to the time that a part of it went on, so that ancestors which meet again are judged
	// once.
	parts map[partKey]*lineResult
	// ancestors remembers what a lot was made of, for the lots that somebody stated something about.
	ancestors map[string]map[string]bool
	// validated remembers what laboratories counted.
	validated map[Laboratory][]Validation
	// err is what went wrong where no error is returned.
	err error
}

type partKey struct {
	lot   string
	leave opal.When
}

func newWalker(q Query) (*walker, error) {
	if q.Ratios == nil {
		q.Ratios = &Ratios{}
	}
	w := &walker{q: q, treatments: opal.AllTreatments(), read: map[string]*Summary{}, parts: map[partKey]*lineResult{}, ancestors: map[string]map[string]bool{}, validated: map[Laboratory][]Validation{}}
	if q.Rules == nil {
		p := opal.DefaultPolicy()
		w.rules = Rules{Table: Latest(), TransitDays: p.TransitDays, SampleBound: p.SampleBound}
		return w, nil
	}
	var err error
	w.rules, err = q.Rules(q.KnownAt)
	if w.rules.Table == nil && err == nil {
		w.rules.Table = Latest()
	}
	return w, err
}

// summary reads a lot's summary; nil: there is none.
func (w *walker) summary(lot string) (*Summary, error) {
	if s, ok := w.read[lot]; ok {
		return s, nil
	}
	if len(w.read) >= maxLots {
		return nil, fault.New(fault.TooDeep, "lot", "the status of %s rests on more than %d lots, which is the most that is looked at", w.q.Lot, maxLots)
	}
	s, err := w.q.Get(lot)
	if err != nil {
		return nil, err
	}
	if s != nil && (len(s.Openings) == 0 || !s.known(w.q.KnownAt)) {
		s = nil
	}
	w.read[lot] = s
	return s, nil
}

// line is the way of a stone from the lot that was asked for up to a lot that was mined, acquired or combined.
type line struct {
	w    *walker
	segs []seg // the youngest first
	// parts are the lots that the eldest was combined of.
	parts []Parent

	spans []CustodySpan // the eldest lot's first
	gaps  []gap
	tests []lineTest
	// declared are the declarations that bear on the stone and stand.
	declared []declaration
	// counted remembers the counts that laboratories have for outcomes, and self what the lot came from, which does not count for it.
	counted map[countsKey]countsFrom
	self    *Kin
}

// seg is one lot of a line. Its history is the stone's own up to cut, when the next younger lot was made of it (nil: the youngest).
type seg struct {
	s    *Summary
	open *Opening
	cut  *opal.When
}

// gap is a time in which nobody documents who held the stones.
type gap struct {
	from *opal.When // nil: unknown
	to   *opal.When // nil: still
	// opening: it lies before the lot was opened, hence before whatever was done to it later.
	opening bool
	span    int // in line.spans
}

// after tells whether the gap may lie after a time, wholly or in part.
func (g *gap) after(at opal.When) bool { return !g.opening && (g.to == nil || !g.to.Before(at)) }

// build walks up from a lot. leave is when what is asked about left it; nil: it has not.
func (w *walker) build(lot string, leave *opal.When) (*line, error) {
	l := &line{w: w}
	for {
		s, err := w.summary(lot)
		if err != nil {
			return nil, err
		}
		if s == nil {
			return nil, fault.New(fault.UnknownLot, "lot", "found %s, which the log does not know at that position", lot)
		}
		open := s.opening(w.q.KnownAt)
		if open == nil {
			return nil, errVoid
		}
		l.segs = append(l.segs, seg{s, open, leave})
		if len(open.Parents) == 0 {
			return l, nil
		}
		for _, p := range open.Parents {
			parent, err := w.summary(p.Lot)
			if err != nil {
				return nil, err
			}
			if parent != nil && parent.undone(open.Fact.Event, w.q.KnownAt) {
				return nil, errVoid
			}
		}
		leave = &open.Fact.At
		if open.Kind == opal.KindCombined {
			l.parts = open.Parents
			return l, nil
		}
		lot = open.Parents[0].Lot
	}
}

// partsLeft is the time at which the parts of the eldest lot were put together.
func (l *line) partsLeft() opal.When { return l.segs[len(l.segs)-1].open.Fact.At }

// reaches tells whether something that happened to a lot of the line may have happened to the stone: before the part went on that the
// stone was in, or at a time that cannot be told from that.
func (l *line) reaches(i int, at opal.When) bool {
	g := &l.segs[i]
	return at.From <= l.w.q.AsOf && (g.cut == nil || !g.cut.Before(at))
}

// surely tells whether it happened to the stone for certain: wholly before the part went on and before the time asked for.
func (l *line) surely(i int, at opal.When) bool {
	g := &l.segs[i]
	return at.To <= l.w.q.AsOf && (g.cut == nil || at.Before(*g.cut))
}

// material is what the line's eldest lot was said to be made of.
func (l *line) material() *opal.Material { return &l.segs[len(l.segs)-1].open.Material }

// holds tells whether a lot is one of the line's, not older than its i-th.
func (l *line) holds(lots []string, i int) (int, bool) {
	for j := i; j >= 0; j-- {
		if slices.Contains(lots, l.segs[j].s.Lot) {
			return j, true
		}
	}
	return 0, false
}

// surfaceCutAfter answers when a cut or saw opened a new surface at or after a time, in the lot itself or a younger one.
func (l *line) surfaceCutAfter(i int, at opal.When) bool {
	for j := i; j >= 0; j-- {
		g := &l.segs[j]
		if j < i && (g.open.Kind == opal.KindCut || g.open.Manner == opal.Sawn) && g.open.Fact.At.From <= l.w.q.AsOf {
			return true
		}
		if g.s.sawnAfter(at, l.w.q.KnownAt) {
			return true
		}
	}
	return false
}

// declaration is a declared or stated treatment that bears on the line.
type declaration struct {
	seg       int
	fact      *Fact
	treatment opal.Treatment
	extent    opal.Extent
	medium    string
	late      int64
	// stated: said of a lot that was acquired, by its new owner.
	stated bool
	// taken tells how a declaration ended that no longer stands: by whom it was withdrawn or corrected away.
	taken bool
	// left: by then others held the lot or what was made of it, so that the suspicion stays.
	left bool
}

// declarations gathers them. A declaration that a correction moved out of the stone's history, or turned into another treatment, is
// one that was taken back.
func (l *line) declarations() []declaration {
	var out []declaration
	for i := range l.segs {
		s := l.segs[i].s
		for j := range s.Treated {
			t := &s.Treated[j]
			d := declaration{seg: i, fact: &t.Fact, treatment: t.Treatment, extent: t.Extent, medium: t.Medium, late: t.Late}
			if !t.Fact.known(l.w.q.KnownAt) || !l.reaches(i, t.Fact.At) {
				continue
			}
			if t.Fact.ended(l.w.q.KnownAt) {
				d.taken = true
				if slices.ContainsFunc(s.Treated, func(x TreatedFact) bool {
					return x.Fact.Event == t.Fact.Event && x.Treatment == t.Treatment && x.Fact.live(l.w.q.KnownAt) && l.reaches(i, x.Fact.At)
				}) {
					continue
				}
				d.left = s.leftBefore(&t.Fact)
			}
			out = append(out, d)
		}
		for j := range s.Openings {
			o := &s.Openings[j]
			if !o.Fact.known(l.w.q.KnownAt) || o.Fact.At.From > l.w.q.AsOf {
				continue
			}
			for _, treatment := range o.StatedTreatments {
				d := declaration{seg: i, fact: &o.Fact, treatment: treatment, stated: true}
				if o.Fact.ended(l.w.q.KnownAt) {
					if live := s.opening(l.w.q.KnownAt); live != nil && slices.Contains(live.StatedTreatments, treatment) {
						continue
					}
					d.taken, d.left = true, s.leftBefore(&o.Fact)
				}
				out = append(out, d)
			}
		}
	}
	return out
}

// leftBefore tells whether, when a reading ended, the lot had left its poster's hands or had children, sales or hand-overs that others
// may have relied on. A hand-over that brought the lot to the poster is none.
func (s *Summary) leftBefore(f *Fact) bool {
	if s.FirstParted != 0 && s.FirstParted < f.Until {
		return true
	}
	for i := range s.Moves {
		m := &s.Moves[i]
		given := m.Kind == opal.KindSold || m.Kind == opal.KindHandedOver || m.Kind == opal.KindClosed
		if given && m.Fact.Position < f.Until && (m.Fact.Party == f.Party || m.Fact.Position > f.Position) {
			return true
		}
	}
	return false
}

// descends tells whether a lot is another one or was made of it. Both were read before.
func (w *walker) descends(lot, from string) bool {
	if lot == from {
		return true
	}
	set, ok := w.ancestors[lot]
	if !ok {
		set = map[string]bool{}
		w.ancestors[lot] = set
		for next := []string{lot}; len(next) > 0; next = next[1:] {
			s := w.read[next[0]]
			if s == nil || s.opening(w.q.KnownAt) == nil {
				continue
			}
			for _, p := range s.opening(w.q.KnownAt).Parents {
				if !set[p.Lot] {
					set[p.Lot] = true
					next = append(next, p.Lot)
				}
			}
		}
	}
	return set[from]
}
