package sampling

import (
	"fmt"
	"math"
	"strconv"

	"gonum.org/v1/gonum/mathext"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/numeric"
)

// Largest figures that are taken.
const (
	MaxParcel = 1_000_000
	// MaxWithErrors is the largest sample with a test that errs: there each limit sums over what the test may have got wrong.
	MaxWithErrors = 20_000
)

// Counts are stones of known history on which a test was tried: the outcome was seen on TreatedWith of TreatedAll treated stones and on
// UntreatedWith of UntreatedAll untreated ones.
type Counts struct {
	TreatedWith, TreatedAll, UntreatedWith, UntreatedAll int64
}

// Question asks what a sample says. The names of faults are those of its fields as JSON writes them.
type Question struct {
	// Parcel is the number of stones, of which Tested were tested; Positives were shown as treated.
	Parcel, Tested, Positives int64
	// Confidence of the limits, above 0.5 and below 1.
	Confidence float64
	// TwoSided shares the error between the limits; else each has all of it.
	TwoSided bool
	Test     Test
	// Counts, if given, are what the test's figures come from; the probability for an untested stone then reckons with what so few stones
	// leave open. Test must be Perfect then.
	Counts *Counts
}

// Answer is what a sample says.
type Answer struct {
	Limits
	Tested, Positives int64
	Confidence        float64
	TwoSided          bool
	// Untested is the probability that a stone which nobody tested is treated: the mean of its share over what the sample leaves open,
	// beginning with Jeffreys' prior. It is no limit.
	Untested float64
	Notes    []string
}

// Infer answers a question.
func Infer(q Question) (*Answer, *fault.Error) {
	if f := q.check(); f != nil {
		return nil, f
	}
	test := q.Test
	if q.Counts != nil {
		test = q.Counts.test()
	}
	alpha := 1 - q.Confidence
	if q.TwoSided {
		alpha /= 2
	}
	a := &Answer{
		Limits: test.limits(q.Parcel, q.Tested, q.Positives, alpha), Tested: q.Tested, Positives: q.Positives,
		Confidence: q.Confidence, TwoSided: q.TwoSided,
	}
	if q.Counts != nil {
		a.Untested = q.Counts.untested(q.Tested, q.Positives)
		a.note("The limits take the shares of the test from the means of %d treated and %d untreated stones of known history; only the probability for an untested stone reckons with how few they are.",
			q.Counts.TreatedAll, q.Counts.UntreatedAll)
	} else {
		a.Untested = test.untested(q.Tested, q.Positives)
	}
	if !a.Fits {
		a.note("No number of treated stones goes with %d of %d found and a test of these figures at this confidence, so there are no limits.", q.Positives, q.Tested)
	}
	if q.Tested == q.Parcel && test.perfect() {
		a.note("Every stone was tested.")
	}
	a.note("This holds for a sample drawn blindly; of stones that somebody chose it says nothing.")
	return a, nil
}

func (a *Answer) note(format string, args ...any) {
	a.Notes = append(a.Notes, fmt.Sprintf(format, args...))
}

func (q *Question) check() *fault.Error {
	if f := parcelSize(q.Parcel); f != nil {
		return f
	}
	switch {
	case q.Tested < 1 || q.Tested > q.Parcel:
		return fault.New(fault.InvalidField, "sampleSize", "found %d, accepted are 1 to %d, the stones of the parcel", q.Tested, q.Parcel)
	case q.Positives < 0 || q.Positives > q.Tested:
		return fault.New(fault.InvalidField, "positives", "found %d, accepted are 0 to %d, the stones tested", q.Positives, q.Tested)
	}
	if f := confidence(q.Confidence); f != nil {
		return f
	}
	if q.Counts != nil {
		if f := q.Counts.check(); f != nil {
			return f
		}
		if !q.Test.perfect() {
			return fault.New(fault.InvalidField, "sensitivity", "found %v beside counts, accepted are the counts of known stones or the figures of the test, not both", q.Test.Sensitivity)
		}
	} else if f := q.Test.check(); f != nil {
		return f
	}
	if (q.Counts != nil || !q.Test.perfect()) && q.Tested > MaxWithErrors {
		return fault.New(fault.InvalidField, "sampleSize", "found %d with a test that errs, accepted with one are at most %d", q.Tested, MaxWithErrors)
	}
	return nil
}

func parcelSize(n int64) *fault.Error {
	if n < 1 || n > MaxParcel {
		return fault.New(fault.InvalidField, "lotSize", "found %d, accepted are 1 to %d stones", n, MaxParcel)
	}
	return nil
}

func confidence(c float64) *fault.Error {
	if !(c > 0.5 && c <= 0.999999) { // so written, NaN is refused too
		return fault.New(fault.InvalidField, "confidence", "found %v, accepted is a number above 0.5 and up to 0.999999, such as 0.95", c)
	}
	return nil
}

func (t Test) check() *fault.Error {
	switch {
	case !(t.Sensitivity > 0 && t.Sensitivity <= 1):
		return fault.New(fault.InvalidField, "sensitivity", "found %v, accepted is a number above 0 and up to 1", t.Sensitivity)
	case !(t.Specificity >= 0 && t.Specificity <= 1):
		return fault.New(fault.InvalidField, "specificity", "found %v, accepted is a number from 0 to 1", t.Specificity)
	case t.Sensitivity+t.Specificity <= 1:
		return fault.New(fault.InvalidField, "specificity", "found %v with a sensitivity of %v: such a test shows untreated stones no less often than treated ones; accepted are figures that add up to more than 1",
			t.Specificity, t.Sensitivity)
	}
	return nil
}

func (c *Counts) check() *fault.Error {
	for _, x := range [...]struct {
		name      string
		with, all int64
	}{{"treated", c.TreatedWith, c.TreatedAll}, {"untreated", c.UntreatedWith, c.UntreatedAll}} {
		if x.all < 1 || x.all > MaxParcel {
			return fault.New(fault.InvalidField, x.name+"All", "found %d, accepted are 1 to %d stones of known history", x.all, MaxParcel)
		}
		if x.with < 0 || x.with > x.all {
			return fault.New(fault.InvalidField, x.name+"With", "found %d, accepted are 0 to %d", x.with, x.all)
		}
	}
	if t := c.test(); t.Sensitivity+t.Specificity <= 1 {
		return fault.New(fault.InvalidField, "untreatedWith", "found the outcome on %d of %d untreated and %d of %d treated stones: no more often on the treated ones, so it says nothing; accepted is an outcome that does",
			c.UntreatedWith, c.UntreatedAll, c.TreatedWith, c.TreatedAll)
	}
	return nil
}

// test takes the means of Jeffreys' posteriors for the shares.
func (c *Counts) test() Test {
	return Test{
		Sensitivity: (float64(c.TreatedWith) + 0.5) / (float64(c.TreatedAll) + 1),
		Specificity: 1 - (float64(c.UntreatedWith)+0.5)/(float64(c.UntreatedAll)+1),
	}
}

// untested is E[θ | positives of n]: θ the share of treated stones where the parcel comes from, with Jeffreys' prior Beta(½, ½). With a perfect
// test that is (k+½)/(n+1). Else the likelihood of k is q^k (1−q)^(n−k) with q = θ·sensitivity + (1−θ)(1−specificity), and the mean
// is found by quadrature over φ with θ = sin²φ, in which the prior is even.
func (t Test) untested(n, k int64) float64 {
	if t.perfect() {
		return (float64(k) + 0.5) / (float64(n) + 1)
	}
	mean, _, _ := t.posterior(n, k, 64)
	return mean
}

// posterior gives E[θ], and the evidence ∫ L as its logarithm at the peak and the integral relative to that.
func (t Test) posterior(n, k int64, count int) (mean, peak, relative float64) {
	log := func(phi float64) float64 {
		s := math.Sin(phi)
		theta := s * s
		q := theta*t.Sensitivity + (1-theta)*(1-t.Specificity)
		l := 0.0
		if k > 0 {
			l += float64(k) * math.Log(q)
		}
		if n > k {
			l += float64(n-k) * math.Log1p(-q)
		}
		return l
	}
	// The peak lies where q is k/n, or at an end.
	share := (float64(k)/float64(n) - (1 - t.Specificity)) / (t.Sensitivity + t.Specificity - 1)
	top := math.Asin(math.Sqrt(min(max(share, 0), 1)))
	peak = log(top)
	const drop = 50 // e^−50 of the peak no longer matters
	edge := func(outer float64) float64 {
		inner := top
		if log(outer) > peak-drop {
			return outer
		}
		for range 60 {
			if mid := (inner + outer) / 2; log(mid) > peak-drop {
				inner = mid
			} else {
				outer = mid
			}
		}
		return outer
	}
	from, to := edge(0), edge(math.Pi/2)
	sum, weighted := 0.0, 0.0
	numeric.Panels(from, to, count, func(phi, w float64) {
		s := math.Sin(phi)
		l := w * math.Exp(log(phi)-peak)
		sum += l
		weighted += l * s * s
	})
	return weighted / sum, peak, sum
}

// untested is the same with the test's own shares drawn from Jeffreys' posteriors of the counts: what so few known stones leave open is
// integrated over, and never plugged in.
func (c *Counts) untested(n, k int64) float64 {
	type point struct{ x, weight float64 }
	quantiles := func(with, all int64) (list []point) {
		a, b := float64(with)+0.5, float64(all-with)+0.5
		numeric.Panels(0, 1, 2, func(u, w float64) { list = append(list, point{mathext.InvRegIncBeta(a, b, u), w}) })
		return list
	}
	hits, errors := quantiles(c.TreatedWith, c.TreatedAll), quantiles(c.UntreatedWith, c.UntreatedAll)
	type part struct{ mean, peak, mass float64 }
	var parts []part
	highest := math.Inf(-1)
	for _, h := range hits {
		for _, e := range errors {
			t := Test{h.x, 1 - e.x}
			if h.x == e.x {
				continue // such a test says nothing, and the point has no mass
			}
			turned := h.x < e.x
			n, k := n, k
			if turned { // it shows the untreated ones: θ and 1−θ change places
				t = Test{e.x, 1 - h.x}
			}
			mean, peak, mass := t.posterior(n, k, 6)
			if turned {
				mean = 1 - mean
			}
			parts = append(parts, part{mean, peak, mass * h.weight * e.weight})
			highest = max(highest, peak)
		}
	}
	sum, weighted := 0.0, 0.0
	for _, p := range parts {
		m := p.mass * math.Exp(p.peak-highest)
		sum += m
		weighted += m * p.mean
	}
	return weighted / sum
}

// Sentence says it in one line that can be printed. It never calls a stone untreated that nobody tested.
func (a *Answer) Sentence() string {
	side := "one-sided"
	if a.TwoSided {
		side = "two-sided"
	}
	found := fmt.Sprintf("%s of %s stones drawn blindly from %s were found treated", count(a.Positives), count(a.Tested), count(a.Of))
	if a.Positives == 1 {
		found = fmt.Sprintf("1 of %s stones drawn blindly from %s was found treated", count(a.Tested), count(a.Of))
	}
	level := strconv.FormatFloat(a.Confidence*100, 'g', 6, 64) + " %, " + side
	switch {
	case !a.Fits:
		return found + "; with a test of these figures that says nothing of the others."
	case a.Tested == a.Of && a.Lower == a.Upper:
		return found + "; every stone was tested."
	case a.Positives == 0:
		return fmt.Sprintf("%s: at most %s of the %s may be treated (%s). The others were not tested.", found, count(a.Upper), count(a.Of), level)
	default:
		return fmt.Sprintf("%s: at least %s and at most %s of the %s are (%s). The others were not tested.", found, count(a.Lower), count(a.Upper), count(a.Of), level)
	}
}

// count writes a number with commas between thousands.
func count(n int64) string {
	s := strconv.FormatInt(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Point is how well a number of treated stones goes with what was found.
type Point struct {
	Treated int64
	// Fit is the probability of exactly what was found, relative to that of the number that goes with it best.
	Fit float64
}

// Picture gives at most so many points over all numbers of treated stones, evenly spread, for a drawing.
func Picture(q Question, most int) ([]Point, *fault.Error) {
	if f := q.check(); f != nil {
		return nil, f
	}
	test := q.Test
	if q.Counts != nil {
		test = q.Counts.test()
	}
	n := min(int64(max(most, 2)), q.Parcel+1)
	list := make([]Point, n)
	best := 0.0
	for i := range list {
		k := int64(i) * q.Parcel / (n - 1)
		list[i] = Point{k, test.found(q.Positives, q.Parcel, k, q.Tested)}
		best = max(best, list[i].Fit)
	}
	for i := range list {
		if best > 0 {
			list[i].Fit /= best
		}
	}
	return list, nil
}
