package sampling

import "math"

// Test is how often a test shows what it is for. Both figures are taken as exact.
type Test struct {
	// Sensitivity is the share of treated stones that it shows as treated, above 0 and up to 1.
	Sensitivity float64
	// Specificity is the share of untreated stones that it does not show as treated, from 0 to 1.
	Specificity float64
}

// Perfect is the test that never errs.
func Perfect() Test { return Test{1, 1} }

func (t Test) perfect() bool { return t.Sensitivity == 1 && t.Specificity == 1 }

// atMost is the probability that a blind draw of n stones of a parcel with so many treated ones shows x or fewer.
//
// With a test that errs, the number shown of j treated ones drawn is the sum of Bin(j, sensitivity) and Bin(n−j, 1−specificity).
func (t Test) atMost(x, parcel, treated, n int64) float64 {
	if x >= n {
		return 1
	}
	if x < 0 {
		return 0
	}
	if t.perfect() {
		return sumDrawn(0, x, parcel, treated, n, nil)
	}
	return sumDrawn(0, n, parcel, treated, n, func(j int64) float64 { return t.shown(x, j, n) })
}

// atLeast is the probability that it shows x or more.
func (t Test) atLeast(x, parcel, treated, n int64) float64 {
	if x <= 0 {
		return 1
	}
	if x > n {
		return 0
	}
	if t.perfect() {
		return sumDrawn(x, n, parcel, treated, n, nil)
	}
	// The same with the two outcomes exchanged: at most n−x stones are shown as untreated.
	return sumDrawn(0, n, parcel, treated, n, func(j int64) float64 { return t.exchanged().shown(n-x, n-j, n) })
}

// exchanged is the test as one for the absence of treatment.
func (t Test) exchanged() Test { return Test{t.Specificity, t.Sensitivity} }

// shown is the probability of at most x shown of n, of which j are treated.
func (t Test) shown(x, j, n int64) float64 {
	hits, errors := binomialWindow(j, t.Sensitivity), binomialWindow(n-j, 1-t.Specificity)
	// The sum runs over the shorter of the two.
	a, b := &hits, &errors
	if len(b.p) < len(a.p) {
		a, b = b, a
	}
	sum := 0.0
	for i, p := range a.p {
		sum += p * b.atMost(x-a.first-int64(i))
	}
	return min(sum, 1)
}

// found is the probability of exactly x shown.
func (t Test) found(x, parcel, treated, n int64) float64 {
	if t.perfect() {
		return math.Exp(logDrawn(x, parcel, treated, n))
	}
	return sumDrawn(0, n, parcel, treated, n, func(j int64) float64 {
		hits, errors := binomialWindow(j, t.Sensitivity), binomialWindow(n-j, 1-t.Specificity)
		sum := 0.0
		for i, p := range hits.p {
			if k := x - hits.first - int64(i) - errors.first; k >= 0 && k < int64(len(errors.p)) {
				sum += p * errors.p[k]
			}
		}
		return sum
	})
}
