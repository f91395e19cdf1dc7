package sampling

import (
	"math"
	"sort"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Wish asks how many stones must be drawn so that, if no more than AllowedFinds of them are found treated, one of two sentences holds:
//
//	MaxTreated m:  at most m stones of the parcel are treated
//	MaxFraction f: fewer than the share f of them are
//
// Exactly one of the two is given.
type Wish struct {
	Parcel      int64
	MaxTreated  *int64
	MaxFraction *float64
	Confidence  float64
	// Sensitivity of the test, above 0 and up to 1. A test that takes untreated stones for treated costs finds, not confidence.
	Sensitivity float64
	// AllowedFinds is how many treated stones may be found; mostly 0.
	AllowedFinds int64
}

// Plan is the answer.
type Plan struct {
	SampleSize int64
	// Treated is the smallest number of treated stones that the sentence excludes; Confidence is what the plan reaches, at least what was
	// asked for.
	Treated    int64
	Confidence float64
}

// Find finds the smallest sample. It is not always smaller for a smaller parcel: where a share is asked for, the number of stones that it is of the
// parcel is rounded up.
func (w Wish) Find() (*Plan, *fault.Error) {
	treated, f := w.excluded()
	if f != nil {
		return nil, f
	}
	test := Test{w.Sensitivity, 1}
	alpha := 1 - w.Confidence
	missed := func(n int64) float64 { return test.misses(w.AllowedFinds, w.Parcel, treated, n) }
	if best := missed(w.Parcel); best > alpha*tie {
		if w.AllowedFinds >= treated && w.Sensitivity == 1 {
			return nil, fault.New(fault.InvalidField, "allowedFinds", "found %d, accepted are fewer than the %d treated stones that are to be excluded", w.AllowedFinds, treated)
		}
		return nil, fault.New(fault.InvalidField, "sensitivity", "found %v: with all %s stones tested the confidence would be %s; accepted is a test that misses less, or a lower confidence",
			w.Sensitivity, count(w.Parcel), strconv.FormatFloat(floor(1-best), 'g', -1, 64))
	}
	n := int64(sort.Search(int(w.Parcel), func(i int) bool { return missed(int64(i)) <= alpha*tie }))
	return &Plan{SampleSize: n, Treated: treated, Confidence: 1 - missed(n)}, nil
}

// floor keeps four digits of a confidence, and never gives more than there is.
func floor(c float64) float64 { return math.Floor(c*1e4) / 1e4 }

// excluded checks the wish and says how many treated stones there must not be.
func (w *Wish) excluded() (int64, *fault.Error) {
	if f := parcelSize(w.Parcel); f != nil {
		return 0, f
	}
	if f := confidence(w.Confidence); f != nil {
		return 0, f
	}
	if !(w.Sensitivity > 0 && w.Sensitivity <= 1) {
		return 0, fault.New(fault.InvalidField, "sensitivity", "found %v, accepted is a number above 0 and up to 1", w.Sensitivity)
	}
	if w.AllowedFinds < 0 || w.AllowedFinds > MaxWithErrors {
		return 0, fault.New(fault.InvalidField, "allowedFinds", "found %d, accepted are 0 to %d", w.AllowedFinds, MaxWithErrors)
	}
	switch m, share := w.MaxTreated, w.MaxFraction; {
	case m == nil && share == nil:
		return 0, fault.New(fault.InvalidField, "maxTreated", "found neither maxTreated nor maxFraction, accepted is one of them")
	case m != nil && share != nil:
		return 0, fault.New(fault.InvalidField, "maxTreated", "found maxTreated and maxFraction, accepted is one of them")
	case m != nil && (*m < 0 || *m >= w.Parcel):
		return 0, fault.New(fault.InvalidField, "maxTreated", "found %d, accepted are 0 to %d, fewer than the parcel has", *m, w.Parcel-1)
	case m != nil:
		return *m + 1, nil
	case !(*share > 0 && *share <= 1):
		return 0, fault.New(fault.InvalidField, "maxFraction", "found %v, accepted is a share above 0 and up to 1, such as 0.05", *share)
	default:
		exact := *share * float64(w.Parcel)
		// A share such as 0.07 of 100 is 7 stones, not the 7.000000000000001 of floating point.
		return max(1, int64(math.Ceil(exact-exact*1e-12))), nil
	}
}

// misses is the probability that at most so many of the treated stones are found in a draw of n, by a test that shows no others.
func (t Test) misses(finds, parcel, treated, n int64) float64 {
	if finds >= n {
		return 1
	}
	if t.Sensitivity == 1 {
		return sumDrawn(0, finds, parcel, treated, n, nil)
	}
	if finds == 0 {
		return t.missesAll(parcel, treated, n)
	}
	return sumDrawn(0, n, parcel, treated, n, func(j int64) float64 {
		w := binomialWindow(j, t.Sensitivity)
		return w.atMost(finds)
	})
}

// missesAll is E[(1−s)^J], J the treated stones of a draw. The terms of the sum are largest somewhere below the likeliest J, so it is found from
// the ratio of neighbours: the first J from which they fall.
func (t Test) missesAll(parcel, treated, n int64) float64 {
	miss := 1 - t.Sensitivity
	from, to := max(0, n-(parcel-treated)), min(n, treated)
	ratio := func(j int64) float64 { // of the term after j to the one of j
		return miss * float64(treated-j) / float64(j+1) * (float64(n-j) / float64(parcel-treated-n+j+1))
	}
	top := from + int64(sort.Search(int(to-from), func(i int) bool { return ratio(from+int64(i)) < 1 }))
	first := logDrawn(top, parcel, treated, n) + float64(top)*math.Log(miss)
	sum := 1.0
	for j, x := top, 1.0; j < to; j++ {
		if x *= ratio(j); x < negligible {
			break
		}
		sum += x
	}
	for j, x := top, 1.0; j > from; j-- {
		if x /= ratio(j - 1); x < negligible {
			break
		}
		sum += x
	}
	return math.Exp(first + math.Log(sum))
}
