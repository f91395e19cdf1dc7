package sampling

import "sort"

// Limits say how many stones of a parcel are treated, at least and at most.
type Limits struct {
	// Lower and Upper bound the treated stones among Of, the tested ones among them.
	Lower, Upper, Of int64
	// Fits tells whether any number of treated stones goes with what was found and with the test as it was described. If none does, the
	// limits are 0 and all.
	Fits bool
}

// Child bounds the treated stones among m that were taken out of the parcel, whoever chose them: all the treated ones may have gone into it,
// or all the others. Parting a parcel never makes a statement stronger.
func (l Limits) Child(m int64) Limits {
	return Limits{Lower: max(0, m-(l.Of-l.Lower)), Upper: min(m, l.Upper), Of: m, Fits: l.Fits}
}

// Without bounds what is left of the parcel when stones that were found treated are taken out of it by name.
func (l Limits) Without(treated int64) Limits {
	return Limits{Lower: max(0, l.Lower-treated), Upper: max(0, l.Upper-treated), Of: max(0, l.Of-treated), Fits: l.Fits}
}

// Suffices tells whether at most this share of the stones may be treated: the share that a sentence about all of them allows.
func (l Limits) Suffices(share float64) bool {
	return l.Fits && float64(l.Upper) <= share*float64(l.Of)*(1+1e-12)
}

// tie is how close to its bound a probability counts as equal to it: figures of small parcels often are, as fractions.
const tie = 1 + 1e-11

// limits finds the exact limits at an error of alpha on each side:
//
//	upper: the largest number of treated stones with which x or fewer would be shown with a probability above alpha
//	lower: the smallest with which x or more would be
//
// Both probabilities are monotone in the number of treated stones, because sensitivity + specificity is above 1, so they are found by halving.
func (t Test) limits(parcel, n, x int64, alpha float64) Limits {
	above := func(p float64) bool { return p > alpha*tie }
	least, most := int64(0), parcel
	if t.perfect() {
		least, most = x, parcel-(n-x) // what was seen itself
	}
	span := int(most - least + 1)
	// The first number that no longer goes with so few.
	tooMany := sort.Search(span, func(i int) bool { return !above(t.atMost(x, parcel, least+int64(i), n)) })
	// The first number that goes with so many.
	enough := sort.Search(span, func(i int) bool { return above(t.atLeast(x, parcel, least+int64(i), n)) })
	if tooMany == 0 || enough == span {
		return Limits{0, parcel, parcel, false}
	}
	return Limits{least + int64(enough), least + int64(tooMany) - 1, parcel, true}
}
