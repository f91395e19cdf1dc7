package evidence

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/sampling"
)

// Laboratory is a method as one laboratory carries it out and has counted it on stones of known history.
type Laboratory struct {
	Party    string
	Method   opal.Method
	Protocol string
}

// Next says which tests would tell more of a lot.
type Next struct {
	Lot     string
	AsOf    opal.Instant
	KnownAt uint64
	// Open are the treatments that nothing decides yet.
	Open []opal.Treatment
	// Tests are the methods that may tell of one of them, the most useful first.
	Tests []NextTest
	// SampleSize is how many stones, drawn blindly, must be tested without a find before a clean outcome denies a treatment of the whole parcel;
	// nil: the lot is one stone, or its pieces are not counted.
	SampleSize, Of *int64
	Text           string
}

// NextTest is one way to learn more.
type NextTest struct {
	Method opal.Method
	// Party and Protocol name the laboratory whose counts stand behind Bits; "": the table's published ones do, or none.
	Party, Protocol string
	// Bits is the information to be expected of all open treatments together; nil: no known stones were counted, so that it cannot be said.
	Bits *float64
	Harm Harm
	// Minutes is how long it takes until the stone is as it was before.
	Minutes int64
	// Record is what the test must record, or its outcome counts one class less.
	Record     []string
	Treatments []NextTreatment
	Text       string
}

// NextTreatment is what the test may tell of one treatment.
type NextTreatment struct {
	Treatment opal.Treatment
	Verdict   Verdict // as it is now
	Bits      *float64
	Outcomes  []NextOutcome
}

// NextOutcome is what one outcome on the stone would make of the verdict.
type NextOutcome struct {
	Outcome  opal.Outcome
	Where    opal.Place
	Stance   Stance
	Verdict  Verdict
	Strength Strength
}

// Harm is what a test does to a stone.
type Harm string

// The harms, the least first.
const (
	Harmless Harm = "NONE"
	Wets     Harm = "WETS"    // wets it for days, and can crack it
	Touches  Harm = "TOUCHES" // a solvent touches it
	Marks    Harm = "MARKS"   // leaves a mark
)

// harmOf is what a method does to an opal, and the minutes until the stone is as before. That a soaked hydrophane needs about a week to its old
// mass, and can crack, is in a lab note of Gems & Gemology 52(1), 2016; the other times and harms are common practice, no published source.
func harmOf(m opal.Method) (Harm, int64) {
	const hour, day = 60, 24 * 60
	switch m {
	case opal.WaterUptake:
		return Wets, 7 * day
	case opal.Hydrostatic:
		return Wets, 7 * day
	case opal.WaterDrop:
		return Wets, hour
	case opal.Refractometer: // hydrophane takes up the contact liquid
		return Wets, hour
	case opal.Swab:
		return Touches, day
	case opal.HotPoint:
		return Marks, 10
	case opal.Microscope, opal.UVShortWave, opal.UVLongWave, opal.Polariscope, opal.SideView:
		return Harmless, 15
	default:
		return Harmless, hour
	}
}

var harmOrder = [...]Harm{Harmless, Wets, Touches, Marks}

func (h Harm) rank() int { return slices.Index(harmOrder[:], h) }

// enoughBits is how much a test must tell so that it comes before one that harms the stone.
const enoughBits = 0.1

// settled tells whether no test can change what is known of a treatment for the better, or need not.
func settled(v Verdict) bool {
	switch v {
	case Declared, Found, NotFound, NotApplicable, Undeterminable:
		return true
	}
	return false
}

// nextTests ranks what may be tested next.
func nextTests(q Query, laboratories []Laboratory) (*Next, error) {
	q.Get = remember(q.Get)
	w, err := newWalker(q)
	if err != nil {
		return nil, err
	}
	w.brief = true
	out := &Next{Lot: q.Lot, AsOf: q.AsOf, KnownAt: q.KnownAt}
	l, parts, err := w.prepare(q.Lot, nil)
	if errors.Is(err, errVoid) {
		out.Text = textVoid
		return out, nil
	}
	if err != nil {
		return nil, err
	}
	now, err := l.judgeAll(parts)
	if err != nil {
		return nil, err
	}
	for i, t := range w.treatments {
		if !settled(now[i].verdict) {
			out.Open = append(out.Open, t)
		}
	}
	n := &nextRun{l: l, parts: parts, now: now}
	for _, m := range opal.AllMethods() {
		if n.forbidden(m) {
			continue
		}
		if err := n.add(Laboratory{Method: m}); err != nil {
			return nil, err
		}
	}
	for _, lab := range laboratories {
		if n.forbidden(lab.Method) {
			continue
		}
		if err := n.add(lab); err != nil {
			return nil, err
		}
	}
	out.Tests = rankTests(n.tests)
	out.SampleSize, out.Of = l.sampleSize()
	out.Text = textNext(out)
	return out, nil
}

// nextRun is one line with what is known of it now, on which outcomes are tried.
type nextRun struct {
	l     *line
	parts []*lineResult
	now   []treatmentResult
	tests []NextTest
}

// forbidden tells whether the stone would come apart: an assembled one is neither soaked nor swabbed nor heated (common practice, no
// published source).
func (n *nextRun) forbidden(m opal.Method) bool {
	switch m {
	case opal.WaterUptake, opal.Hydrostatic, opal.Swab, opal.HotPoint:
		for i, t := range n.l.w.treatments {
			if t == opal.Backing {
				return against(n.now[i].verdict)
			}
		}
	}
	return false
}

// add tries a method, as a laboratory carries it out.
func (n *nextRun) add(lab Laboratory) error {
	test := NextTest{Method: lab.Method, Party: lab.Party, Protocol: lab.Protocol}
	test.Harm, test.Minutes = harmOf(lab.Method)
	var found []NextTreatment
	for i, t := range n.l.w.treatments {
		if settled(n.now[i].verdict) {
			continue
		}
		x := NextTreatment{Treatment: t, Verdict: n.now[i].verdict}
		rows, err := n.rows(lab, t)
		if err != nil {
			return err
		}
		if bits, ok := information(lab.Method, rows, n.l.probability(&n.now[i])); ok {
			x.Bits = &bits
			total := bits
			if test.Bits != nil {
				total += *test.Bits
			}
			total = numeric.Nine(total)
			test.Bits = &total
		}
		found = append(found, x)
	}
	if lab.Party != "" && test.Bits == nil {
		return nil // it counted nothing of what is open
	}
	for _, o := range opal.Outcomes(lab.Method) {
		if o == opal.Unreadable {
			continue
		}
		for _, where := range n.places(lab.Method, o) {
			if err := n.try(lab, opal.TestFinding{Outcome: o, Where: where}, &test, found); err != nil {
				return err
			}
		}
	}
	for _, x := range found {
		if len(x.Outcomes) > 0 {
			test.Treatments = append(test.Treatments, x)
		}
	}
	if len(test.Treatments) > 0 {
		test.Text = textNextTest(&test)
		n.tests = append(n.tests, test)
	}
	return nil
}

// places are the places of a finding that make a difference to the table's rows.
func (n *nextRun) places(m opal.Method, o opal.Outcome) []opal.Place {
	places := []opal.Place{""}
	for _, t := range n.l.w.treatments {
		for _, r := range n.l.w.rules.Table.byTest[testKey{m, o, t}] {
			for _, c := range r.when {
				if c.name == termWhere && !slices.Contains(places, opal.Place(c.values[0])) {
					places = append(places, opal.Place(c.values[0]))
				}
			}
		}
	}
	return places
}

// try adds what an outcome would make of the verdicts.
func (n *nextRun) try(lab Laboratory, finding opal.TestFinding, test *NextTest, found []NextTreatment) error {
	l := n.l
	at := opal.When{From: l.w.q.AsOf, To: l.w.q.AsOf}
	fact := &TestFact{
		Fact:   Fact{Position: l.w.q.KnownAt, Party: lab.Party, At: at},
		Method: lab.Method, Findings: []opal.TestFinding{finding}, LookedFor: l.w.treatments, Protocol: lab.Protocol,
		Sample: opal.Sample{Kind: opal.Whole}, Moisture: opal.Dry, Conditions: everythingRecorded(),
	}
	probe := &lineTest{fact: fact, coverage: ThisStone}
	if !slices.ContainsFunc(found, func(x NextTreatment) bool { return l.fitting(probe, finding, x.Treatment).Stance != Silent }) {
		return nil
	}
	saved := l.tests
	l.tests = append(slices.Clip(saved), lineTest{
		lot: l.segs[0].s.Lot, fact: fact, at: at, coverage: ThisStone, surely: true,
		outcomes: outcomesOf(fact), starts: []string{""},
	})
	then, err := l.judgeAll(n.parts)
	l.tests = saved
	if err != nil {
		return err
	}
	for i := range found {
		x := &found[i]
		k := slices.Index(l.w.treatments, x.Treatment)
		i := slices.IndexFunc(then[k].items, func(y Item) bool { return y.Kind == ItemTest && y.Event == "" })
		if i < 0 || then[k].items[i].Stance == Silent {
			continue
		}
		rule := l.fitting(probe, finding, x.Treatment)
		if need := needsWord(rule.Needs); need != "" && !slices.Contains(test.Record, need) {
			test.Record = append(test.Record, need)
		}
		x.Outcomes = append(x.Outcomes, NextOutcome{
			Outcome: finding.Outcome, Where: finding.Where, Stance: then[k].items[i].Stance, Verdict: then[k].verdict, Strength: then[k].strength,
		})
	}
	return nil
}

// everythingRecorded are the conditions with which no row counts one class less.
func everythingRecorded() map[string]string {
	return map[string]string{"cleaned": "yes", "wholeGirdle": "yes", "magnification": "yes", "spots": "yes", "solvent": "yes"}
}

// needsWord is the name of the condition that a row needs; "": none, or counts.
func needsWord(needs string) string {
	switch needs {
	case needsCounts:
		return ""
	case needsGirdle:
		return "wholeGirdle"
	}
	return needs
}

// probability is how probable the treatment is now, if it was even before anything was known: from the combined ratio or, where there is
// none, from a sample of the parcel, or else ½.
func (l *line) probability(r *treatmentResult) float64 {
	switch {
	case r.weight.ratio != nil:
		return r.weight.ratio.Point / (1 + r.weight.ratio.Point)
	case r.sample != nil && !r.sample.lost && !r.sample.sorted:
		return r.sample.untested
	}
	return 0.5
}

// outcomeCounts are the stones on which a word, or a more extreme one, was seen.
type outcomeCounts struct {
	outcome opal.Outcome
	Counted
}

// rows finds the counts of a method's words for a treatment.
func (n *nextRun) rows(lab Laboratory, t opal.Treatment) ([]outcomeCounts, error) {
	l := n.l
	fact := &TestFact{Fact: Fact{Party: lab.Party}, Method: lab.Method, Protocol: lab.Protocol, LookedFor: l.w.treatments, Moisture: opal.Dry}
	var out []outcomeCounts
	for _, o := range opal.Outcomes(lab.Method) {
		test := &lineTest{fact: fact, coverage: ThisStone}
		rule := l.fitting(test, opal.TestFinding{Outcome: o}, t)
		c, from := l.counts(test, o, t, rule.Rule)
		if l.w.err != nil {
			return nil, l.w.err
		}
		if c.enough() && rule.Stance == PointsTo {
			if lr := l.w.q.Ratios.Of(*c, ItemLevel); lr.against() {
				continue // a sign that counts cannot turn, and that so tells nothing
			}
		}
		if c.enough() && (lab.Party == "") == (from == published) {
			out = append(out, outcomeCounts{o, *c})
		}
	}
	return out, nil
}

// chains lists words of a method of which each is more extreme than the one before, so that its stones are among those counted for that one.
func chains(m opal.Method) [][]opal.Outcome {
	switch m {
	case opal.WaterUptake:
		return [][]opal.Outcome{{"SLIGHT", "NEGLIGIBLE"}, {"MODERATE", "STRONG"}}
	case opal.WaterDrop:
		return [][]opal.Outcome{{"SOAKED_IN_SLOWLY", "STAYED_ON_TOP"}}
	case opal.Infrared:
		return [][]opal.Outcome{{"ORGANICS_PRESENT", "RAISED", "MANY"}, {"AS_UNTREATED", "NONE"}}
	}
	return nil
}

// information is what a method is expected to tell of a treatment that has the probability p now, in bits:
//
//	I = H(p) − Σ P(outcome) H(p | outcome)
//
// with the rate (aᵢ+½)/(A+K/2) of each of the method's K words on treated stones, and likewise on untreated ones: the means under Jeffreys' prior. The
// words that nobody counted stand together. Where the counts do not go together as those of words that exclude each other, the word that tells most,
// against all others, is taken, which tells no more than all of them would.
func information(m opal.Method, rows []outcomeCounts, p float64) (bits float64, ok bool) {
	if len(rows) == 0 {
		return 0, false
	}
	words := len(opal.Outcomes(m)) - 1 // UNREADABLE tells nothing and is not one of them
	if disjoint, fits := apart(m, rows); fits {
		return numeric.Nine(expected(disjoint, words, p)), true
	}
	for _, r := range rows {
		bits = max(bits, expected([]outcomeCounts{r}, 2, p))
	}
	return numeric.Nine(bits), true
}

// apart takes from each word's stones those of the more extreme words; fits tells whether all of them are of one set of stones.
func apart(m opal.Method, rows []outcomeCounts) (out []outcomeCounts, fits bool) {
	out = slices.Clone(rows)
	at := func(o opal.Outcome) int {
		return slices.IndexFunc(out, func(r outcomeCounts) bool { return r.outcome == o })
	}
	for _, chain := range chains(m) {
		last := -1
		for _, o := range chain {
			i := at(o)
			if i < 0 {
				continue
			}
			if last >= 0 {
				out[last].TreatedWith -= out[i].TreatedWith
				out[last].UntreatedWith -= out[i].UntreatedWith
			}
			last = i
		}
	}
	var treated, untreated int64
	for i := range out {
		r := &out[i]
		if r.TreatedWith < 0 || r.UntreatedWith < 0 || r.TreatedAll != out[0].TreatedAll || r.UntreatedAll != out[0].UntreatedAll {
			return nil, false
		}
		treated += r.TreatedWith
		untreated += r.UntreatedWith
	}
	return out, treated <= out[0].TreatedAll && untreated <= out[0].UntreatedAll
}

// expected sums over the words counted, and over the others as one.
func expected(rows []outcomeCounts, words int, p float64) float64 {
	a, b := float64(rows[0].TreatedAll), float64(rows[0].UntreatedAll)
	half := float64(words) / 2
	after, restTreated, restUntreated := 0.0, 1.0, 1.0
	one := func(treated, untreated float64) {
		if all := p*treated + (1-p)*untreated; all > 0 {
			after += float64(all * entropy(p*treated/all))
		}
	}
	for i := range rows {
		treated, untreated := (float64(rows[i].TreatedWith)+0.5)/(a+half), (float64(rows[i].UntreatedWith)+0.5)/(b+half)
		restTreated -= treated
		restUntreated -= untreated
		one(treated, untreated)
	}
	one(max(restTreated, 0), max(restUntreated, 0))
	return max(0, entropy(p)-after)
}

// entropy is that of a yes or no with the probability p, in bits.
func entropy(p float64) float64 {
	if p <= 0 || p >= 1 {
		return 0
	}
	return float64(-p*math.Log2(p)) - float64((1-p)*math.Log2(1-p))
}

// rankTests orders by bits, then by what the outcomes could decide, then harm, then time. A method that harms the stone is never first while
// another tells a tenth of a bit.
func rankTests(tests []NextTest) []NextTest {
	slices.SortStableFunc(tests, func(a, b NextTest) int {
		return cmp.Or(-cmp.Compare(bitsOf(&a), bitsOf(&b)), -cmp.Compare(a.decides(), b.decides()), cmp.Compare(a.Harm.rank(), b.Harm.rank()),
			cmp.Compare(a.Minutes, b.Minutes))
	})
	if len(tests) == 0 || tests[0].Harm == Harmless {
		return tests
	}
	gentle := slices.IndexFunc(tests, func(t NextTest) bool { return t.Harm == Harmless && bitsOf(&t) >= enoughBits })
	if gentle > 0 {
		first := tests[gentle]
		copy(tests[1:gentle+1], tests[:gentle])
		tests[0] = first
	}
	return tests
}

// bitsOf is the stated information; what is not stated comes after all that is.
func bitsOf(t *NextTest) float64 {
	if t.Bits == nil {
		return -1
	}
	return *t.Bits
}

// decides counts the treatments of which an outcome would deny or show the treatment.
func (t *NextTest) decides() int {
	n := 0
	for i := range t.Treatments {
		if slices.ContainsFunc(t.Treatments[i].Outcomes, func(o NextOutcome) bool {
			return o.Verdict != t.Treatments[i].Verdict && (o.Verdict == NotFound || o.Verdict == Found)
		}) {
			n++
		}
	}
	return n
}

// sampleSize is how many stones of a parcel must be tested without a find so that a clean outcome denies a treatment of all of them.
func (l *line) sampleSize() (size, of *int64) {
	now := opal.When{From: l.w.q.AsOf, To: l.w.q.AsOf}
	pieces := l.segs[0].s.piecesAt(now, l.w.q.KnownAt)
	if pieces == nil || *pieces < 2 || *pieces > sampling.MaxParcel {
		return nil, nil
	}
	most := *pieces * l.w.rules.SampleBound / 1_000_000
	plan, f := sampling.Wish{Parcel: *pieces, MaxTreated: &most, Confidence: 0.95, Sensitivity: 1}.Find()
	if f != nil {
		return nil, nil
	}
	return &plan.SampleSize, pieces
}

// textNextTest says what a test is good for and what it does to the stone.
func textNextTest(t *NextTest) string {
	var b strings.Builder
	b.WriteString(upperFirst(methodNoun(t.Method)))
	if t.Party != "" {
		fmt.Fprintf(&b, " by %s under its protocol %s", t.Party, t.Protocol)
	}
	var names []string
	for i := range t.Treatments {
		names = append(names, noun(t.Treatments[i].Treatment))
	}
	b.WriteString(" may tell of " + strings.Join(names, ", "))
	if t.Bits != nil {
		fmt.Fprintf(&b, ": %s bits are to be expected", rough(*t.Bits))
	} else {
		b.WriteString(": how much is not stated, because no counts of known stones are published")
	}
	switch t.Harm {
	case Wets:
		b.WriteString("; it wets the stone and can crack it")
	case Touches:
		b.WriteString("; a solvent touches the stone: it is flammable, see to fresh air, and ask the owner first")
	case Marks:
		b.WriteString("; it marks the stone and gives off fumes: only with the owner's consent")
	}
	switch t.Method {
	case opal.UVShortWave, opal.UVLongWave, opal.DeepUVImaging:
		b.WriteString("; the light harms eyes and skin")
	case opal.XRF:
		b.WriteString("; ionising radiation, for trained people with the local licence")
	}
	return b.String() + "."
}

// textNext says what comes first.
func textNext(n *Next) string {
	if len(n.Open) == 0 {
		return "No treatment is open that a test could still tell."
	}
	if len(n.Tests) == 0 {
		return "No test of the table can tell what is open."
	}
	s := n.Tests[0].Text
	if n.SampleSize != nil {
		s += fmt.Sprintf(" To say so of the parcel, %d of its %d stones must be drawn blindly and tested, and none may show it.", *n.SampleSize, *n.Of)
	}
	return s
}
