package evidence

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Properties over random lives of stones. A life is built in a world; its steps are dated one day after another.

// life is a world in which a random number of lots live.
type life struct {
	*world
	r    *rapid.T
	open map[string]int64 // lots with stones in them, and how many
	day  int
	made int
	// counts are what the laboratory counted, of some outcomes.
	counts []Validation
}

func newLife(t testing.TB, r *rapid.T) *life {
	l := &life{world: newWorld(t), r: r, open: map[string]int64{}, counts: drawCounts(r)}
	for range rapid.IntRange(1, 3).Draw(r, "roots") {
		n := rapid.SampledFrom([]int64{1, 1, 2, 3, 5, 6, 400}).Draw(r, "pieces")
		lot := l.name()
		kind := rapid.SampledFrom([]opal.MaterialKind{opal.Hydrophane, opal.Matrix, opal.Fire}).Draw(r, "kind")
		if rapid.Bool().Draw(r, "mined") {
			l.post("mine", lot, l.tick(), minedOf(kind, n))
		} else {
			l.post("mine", lot, l.tick(), acquired(n))
		}
		l.open[lot] = n
	}
	return l
}

// drawCounts draws counts of known stones for the graded outcomes: of few and of many stones, telling much, little and nothing.
func drawCounts(r *rapid.T) []Validation {
	kind := rapid.IntRange(0, 4).Draw(r, "counts")
	if kind == 0 {
		return nil
	}
	rand := rand.New(rand.NewPCG(1, rapid.Uint64().Draw(r, "which counts")))
	var out []Validation
	for i, rule := range Latest().Rules() {
		if rule.Stance != PointsTo && rule.Stance != PointsAway || rand.IntN(5) == 0 {
			continue
		}
		all, of := []int64{3, 6, 20, 60}[rand.IntN(4)], []int64{3, 6, 20, 60}[rand.IntN(4)]
		with, without := all, int64(0)
		if rule.Stance == PointsAway {
			with, without = 0, of
		}
		if rand.IntN(5) < kind-1 {
			with, without = rand.Int64N(all+1), rand.Int64N(of+1)
		}
		out = append(out, validation(fmt.Sprintf("lab/v%d", i), rule.Outcome, rule.Treatment, with, all, without, of))
	}
	return out
}

func (l *life) query(lot string) Query { return l.counted(l.world.query(lot)) }

// counted lets the laboratory's counts stand behind its tests.
func (l *life) counted(q Query) Query {
	if l.counts != nil {
		q.Validated, q.Ratios = validated(l.counts...), allRatios
	}
	return q
}

// tellingRules are the rows that say something of a test.
var tellingRules = slices.DeleteFunc(slices.Clone(Latest().Rules()), func(r Rule) bool {
	return r.Stance == Silent || r.Method == anyWord || r.Method == materialWord
})

// allRatios remembers what many lives ask again.
var allRatios = &Ratios{}

func (l *life) name() string {
	l.made++
	return fmt.Sprintf("mine.n%d", l.made)
}

// tick is the next day; sometimes it is the same day again, so that times overlap.
func (l *life) tick() string {
	if l.day == 0 || rapid.IntRange(0, 3).Draw(l.r, "same day") > 0 {
		l.day++
	}
	return dayOf(l.day)
}

func dayOf(n int) string {
	return opal.Instant(1767225600_000000 + int64(n)*86400_000000).Time().Format("2006-01-02")
}

func (l *life) lots() []string {
	var out []string
	for lot := range l.open {
		out = append(out, lot)
	}
	slices.Sort(out)
	return out
}

func (l *life) anyLot() string { return rapid.SampledFrom(l.lots()).Draw(l.r, "lot") }

// drawTest draws a test of a lot of so many pieces, with any outcome.
func drawTest(r *rapid.T, pieces int64) *opal.Tested {
	m := rapid.SampledFrom(opal.AllMethods()).Draw(r, "method")
	o := rapid.SampledFrom(opal.Outcomes(m)).Draw(r, "outcome")
	if rapid.IntRange(0, 3).Draw(r, "says nothing, mostly") > 0 {
		rule := rapid.SampledFrom(tellingRules).Draw(r, "rule")
		m, o = rule.Method, rule.Outcome
	}
	x := tested(m, o, rapid.SampledFrom([][]opal.Treatment{
		nil, {opal.Dye, opal.Smoke}, opal.AllTreatments(), opal.AllTreatments()}).Draw(r, "looked for")...)
	if x.Outcome == opal.NothingSeen && x.LookedFor == nil {
		x.LookedFor = opal.AllTreatments()
	}
	if rapid.IntRange(0, 3).Draw(r, "no protocol") > 0 {
		x.Protocol = "P-1"
	}
	if rapid.Bool().Draw(r, "sampled") {
		of := rapid.SampledFrom([]int64{pieces, pieces, pieces, 3, 6}).Draw(r, "of")
		n := min(of, rapid.SampledFrom([]int64{1, 2, 4, 60, 200}).Draw(r, "tested"))
		k := min(n, rapid.SampledFrom([]int64{0, 0, 1, n}).Draw(r, "positive"))
		x.Sample = opal.Sample{Kind: opal.Picked, Tested: &n, Of: &of, Positive: &k}
		if rapid.Bool().Draw(r, "drawn") {
			x.Sample.Kind, x.Sample.Selection, x.Sample.SelectedBy = opal.Random, opal.NumberedDraw, "draw-hand"
		}
	}
	if rapid.IntRange(0, 4).Draw(r, "no conditions") == 0 {
		x.Conditions = nil
	}
	return x
}

func drawTreatment(r *rapid.T) opal.Treatment {
	return rapid.SampledFrom(opal.AllTreatments()).Draw(r, "treatment")
}

// lived adds random tests, treatments and moves of custody.
func (l *life) lived(steps int) {
	for range steps {
		lot := l.anyLot()
		switch rapid.IntRange(0, 9).Draw(l.r, "what") {
		case 0:
			l.post("mine", lot, l.tick(), treated(drawTreatment(l.r)))
		case 1:
			l.post("mine", lot, l.tick(), &opal.Sold{To: opal.Outside})
			l.post("mine", lot, l.tick(), &opal.Reopened{Why: opal.BoughtBack})
		case 2:
			l.post("mine", lot, l.tick(), &opal.Described{BodyColour: rapid.SampledFrom([]string{"white", "brown"}).Draw(l.r, "colour")})
		case 3:
			l.parted()
		default:
			l.post("lab", lot, l.tick(), drawTest(l.r, l.open[lot]))
		}
	}
}

// parted splits, cuts or combines, and answers the lots that the new ones were made of.
func (l *life) parted() (from, to []string) {
	lot := l.anyLot()
	n := l.open[lot]
	switch rapid.IntRange(0, 3).Draw(l.r, "how") {
	case 0: // split
		manner := rapid.SampledFrom(opal.AllSplitManners()).Draw(l.r, "manner")
		take := rapid.Int64Range(1, n).Draw(l.r, "taken")
		child := l.name()
		if take == n {
			l.post("mine", lot, l.tick(), split(manner, parts(child, int(n))))
			delete(l.open, lot)
		} else {
			l.post("mine", lot, l.tick(), splitRest(manner, n-take, parts(child, int(take))))
			l.open[lot] = n - take
		}
		l.open[child] = take
		return []string{lot}, []string{child}
	case 1: // cut
		var stones []string
		for range rapid.IntRange(1, 3).Draw(l.r, "stones") {
			stones = append(stones, l.name())
		}
		l.post("mine", lot, l.tick(), cutInto(stones...))
		delete(l.open, lot)
		for _, s := range stones {
			l.open[s] = 1
		}
		return []string{lot}, stones
	case 2: // a part handed over for testing
		if n == 1 {
			return nil, nil
		}
		child := l.name()
		l.post("mine", lot, l.tick(), &opal.HandedOver{To: "lab", Purpose: opal.ForTesting, Part: &opal.PartOf{Lot: child, Pieces: pieces(1), Mass: "1.000 g"}})
		l.open[lot], l.open[child] = n-1, 1
		return []string{lot}, []string{child}
	default: // combine
		other := l.anyLot()
		if other == lot {
			return nil, nil
		}
		c := l.name()
		l.post("mine", c, l.tick(), combined(n+l.open[other], lot, other))
		l.open[c] = n + l.open[other]
		delete(l.open, lot)
		delete(l.open, other)
		return []string{lot, other}, []string{c}
	}
}

// asOfNow asks as of the end of the present day, by all that is known.
func (l *life) asOfNow(lot string) *Status {
	q := l.query(lot)
	q.AsOf, q.WithoutSales = instant(l.t, dayOf(l.day)), true
	return l.ask(q)
}

// ranks are the ranks of the verdicts, worst first.
func ranks(s *Status) []int {
	var out []int
	for _, t := range s.Treatments {
		points := slices.ContainsFunc(t.Evidence, func(x Item) bool {
			if x.LR != nil {
				return x.Counts && x.LR.Lower > 1
			}
			return x.Counts && (x.Stance == PointsTo || x.Stance == Shows || x.Kind == ItemDeclaration)
		})
		out = append(out, rank(t.Verdict, points))
	}
	return out
}

// notBetter checks that no verdict of after is better than the one before.
func notBetter(r *rapid.T, what string, before, after *Status) {
	b, a := ranks(before), ranks(after)
	for i := range b {
		if a[i] > b[i] {
			r.Fatalf("%s bettered %s: %s of %s before (%s), %s of %s after (%s)", what, before.Treatments[i].Treatment,
				before.Treatments[i].Verdict, before.Lot, before.Treatments[i].Statement,
				after.Treatments[i].Verdict, after.Lot, after.Treatments[i].Statement)
		}
	}
}

// No sequence of splits, sorts, cuts and combinations betters a verdict: what is made is no better than what it was made of.
func TestPartingNeverBetters(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := newLife(t, r)
		l.lived(rapid.IntRange(0, 12).Draw(r, "steps"))
		l.day++ // What is known is known before the stones are parted.
		before := map[string]*Status{}
		for _, lot := range l.lots() {
			before[lot] = l.asOfNow(lot)
		}
		for range rapid.IntRange(1, 4).Draw(r, "partings") {
			l.day++
			from, to := l.parted()
			for _, child := range to {
				after := l.asOfNow(child)
				for _, parent := range from {
					notBetter(r, fmt.Sprintf("making %s of %s", child, parent), before[parent], after)
				}
				before[child] = after
			}
			for _, parent := range from {
				if _, still := l.open[parent]; still {
					after := l.asOfNow(parent)
					notBetter(r, "taking a part of "+parent, before[parent], after)
					before[parent] = after
				}
			}
		}
	})
}

// What says nothing changes nothing.
func TestSilenceChangesNothing(t *testing.T) {
	silent := []*opal.Tested{
		tested(opal.UVLongWave, "STRONG"), tested(opal.UVShortWave, "INERT"), tested(opal.Polariscope, "STRAIN_SHADOWS"),
		tested(opal.Microscope, "COLOUR_UNEVEN"), tested(opal.Microscope, opal.Unreadable), tested(opal.XRF, "BARIUM_HIGH"),
		tested(opal.Infrared, opal.Unreadable, opal.Resin), tested(opal.SideView, "HIDDEN_BY_SETTING"),
	}
	rapid.Check(t, func(r *rapid.T) {
		l := newLife(t, r)
		l.lived(rapid.IntRange(0, 12).Draw(r, "steps"))
		before := map[string]*Status{}
		for _, lot := range l.lots() {
			before[lot] = l.asOfNow(lot)
		}
		lot := l.anyLot()
		l.post("lab", lot, dayOf(rapid.IntRange(1, l.day).Draw(r, "day")), rapid.SampledFrom(silent).Draw(r, "silent"))
		for _, lot := range l.lots() {
			sameVerdicts(r, "a silent test", before[lot], l.asOfNow(lot))
		}
	})
}

func sameVerdicts(r *rapid.T, what string, before, after *Status) {
	for i := range before.Treatments {
		b, a := before.Treatments[i], after.Treatments[i]
		if a.Verdict != b.Verdict || a.Strength != b.Strength || a.Share != b.Share {
			r.Fatalf("%s changed %s of %s from %s %s (%s) to %s %s (%s)", what, b.Treatment, before.Lot, b.Verdict, b.Strength, b.Statement, a.Verdict, a.Strength, a.Statement)
		}
	}
	if before.Overall != after.Overall {
		r.Fatalf("%s changed the overall verdict of %s from %s to %s", what, before.Lot, before.Overall, after.Overall)
	}
}

// One more find never betters a verdict, on whatever lot and day it was made.
func TestFindsNeverBetter(t *testing.T) {
	var finds []*opal.Tested
	for _, r := range Latest().Rules() {
		if r.Stance == Shows && r.Method != anyWord {
			finds = append(finds, tested(r.Method, r.Outcome))
			n, k := int64(2), int64(1)
			x := tested(r.Method, r.Outcome)
			x.Sample = opal.Sample{Kind: opal.Picked, Tested: &n, Of: pieces(5), Positive: &k}
			finds = append(finds, x)
		}
	}
	rapid.Check(t, func(r *rapid.T) {
		l := newLife(t, r)
		l.lived(rapid.IntRange(0, 12).Draw(r, "steps"))
		before := map[string]*Status{}
		for _, lot := range l.lots() {
			before[lot] = l.asOfNow(lot)
		}
		lot := l.anyLot()
		l.post("lab", lot, dayOf(rapid.IntRange(1, l.day).Draw(r, "day")), rapid.SampledFrom(finds).Draw(r, "find"))
		for _, lot := range l.lots() {
			notBetter(r, "a find", before[lot], l.asOfNow(lot))
		}
	})
}

// A withdrawn test is as one that never was.
func TestWithdrawingIsNeverHaving(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := newLife(t, r)
		l.lived(rapid.IntRange(0, 12).Draw(r, "steps"))
		before := map[string]*Status{}
		for _, lot := range l.lots() {
			before[lot] = l.asOfNow(lot)
		}
		lot := l.anyLot()
		id := l.post("lab", lot, dayOf(rapid.IntRange(1, l.day).Draw(r, "day")), drawTest(r, l.open[lot]))
		l.post("lab", lot, dayOf(l.day), &opal.Withdrawn{Event: id, Because: "mixed up"})
		for _, lot := range l.lots() {
			sameVerdicts(r, "a withdrawn test", before[lot], l.asOfNow(lot))
		}
	})
}

// The order in which tests and treatments with given dates arrive never matters.
func TestArrivalNeverMatters(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := newLife(t, r)
		type posted struct {
			party, lot, at string
			body           any
		}
		var late []posted
		// What moves stones happens in its order; each step is followed by things that are posted now in one world, and at the end, in
		// any order, in the other.
		other := newWorld(t)
		replay := func() {
			for i := len(other.events); i < len(l.events); i++ {
				ev := l.events[i].Event
				if ev.Tested == nil && ev.Treated == nil {
					other.record(ev)
				} else {
					other.events = append(other.events, l.events[i]) // Not yet.
				}
			}
		}
		for range rapid.IntRange(1, 8).Draw(r, "steps") {
			if rapid.IntRange(0, 2).Draw(r, "move") == 0 {
				l.parted()
			}
			lot := l.anyLot()
			p := posted{lot: lot, at: l.tick()}
			if rapid.Bool().Draw(r, "test") {
				p.party, p.body = "lab", drawTest(r, l.open[lot])
			} else {
				p.party, p.body = "mine", treated(drawTreatment(r))
			}
			l.post(p.party, p.lot, p.at, p.body)
			late = append(late, p)
		}
		replay()
		for _, p := range rapid.Permutation(late).Draw(r, "order") {
			other.post(p.party, p.lot, p.at, p.body)
		}
		for _, lot := range l.lots() {
			q := l.counted(other.query(lot))
			q.AsOf, q.WithoutSales = instant(t, dayOf(l.day)), true
			sameVerdicts(r, "the order of arrival", l.asOfNow(lot), other.ask(q))
		}
	})
}

// Every sentence is one, and none says more than it may, whatever happened.
func TestWordsOfAnyLife(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := newLife(t, r)
		l.lived(rapid.IntRange(0, 20).Draw(r, "steps"))
		for _, lot := range l.lots() {
			l.checkWords(lot)
		}
	})
}
