package evidence

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/mathext"

	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/sampling"
)

// Ratios computes likelihood ratios of counts, each once. It is safe for use by many at the same time; the zero value is ready.
//
// An outcome that was seen on a of A treated and b of B untreated stones of known history is
//
//	LR = [(a+½)/(A+1)] / [(b+½)/(B+1)]
//
// times more probable on a treated stone than on an untreated one: the ratio of the means of the two shares under Jeffreys' prior. Its interval is
// made of the exact quantiles of the ratio of the two shares, Beta(a+½, A−a+½) and Beta(b+½, B−b+½), which are independent of each other;
// found by quadrature, and not by simulation or by the usual logarithmic formula, which fails where a count is 0 or all.
type Ratios struct {
	mu       sync.Mutex
	made     map[ratioKey]LikelihoodRatio // guarded by mu
	untested map[untestedKey]float64      // guarded by mu
}

type untestedKey struct {
	counts           Counted
	tested, positive int64
}

type ratioKey struct {
	counts Counted
	level  float64
}

// mostRatios bounds what is remembered: counts come from laboratories, and there are few; a caller that makes up many pays for them.
const mostRatios = 4096

// Of gives the ratio of counts with an interval at a level, such as 0.95.
func (r *Ratios) Of(c Counted, level float64) LikelihoodRatio {
	key := ratioKey{c, level}
	r.mu.Lock()
	lr, ok := r.made[key]
	r.mu.Unlock()
	if ok {
		return lr
	}
	lr = ratioOf(c, level)
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.made == nil || len(r.made) >= mostRatios {
		r.made = map[ratioKey]LikelihoodRatio{}
	}
	r.made[key] = lr
	return lr
}

// Untested is the probability that a stone which nobody tested is treated, where a blind draw showed so many positives and the test was counted on
// stones of known history: with Jeffreys' prior, and integrated over what so few known stones leave open. false: the counts say nothing.
func (r *Ratios) Untested(c Counted, tested, positive int64) (float64, bool) {
	key := untestedKey{c, tested, positive}
	r.mu.Lock()
	p, ok := r.untested[key]
	r.mu.Unlock()
	if ok {
		return p, p >= 0
	}
	p = -1
	// The share does not depend on the parcel, so the smallest one does.
	a, f := sampling.Infer(sampling.Question{
		Parcel: tested, Tested: tested, Positives: positive, Confidence: ItemLevel, Test: sampling.Perfect(),
		Counts: &sampling.Counts{TreatedWith: c.TreatedWith, TreatedAll: c.TreatedAll, UntreatedWith: c.UntreatedWith, UntreatedAll: c.UntreatedAll},
	})
	if f == nil {
		p = numeric.Nine(a.Untested)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.untested == nil || len(r.untested) >= mostRatios {
		r.untested = map[untestedKey]float64{}
	}
	r.untested[key] = p
	return p, p >= 0
}

func ratioOf(c Counted, level float64) LikelihoodRatio {
	treated, untreated := jeffreys(c.TreatedWith, c.TreatedAll), jeffreys(c.UntreatedWith, c.UntreatedAll)
	tail := (1 - level) / 2
	point := (float64(c.TreatedWith) + 0.5) / (float64(c.TreatedAll) + 1) / ((float64(c.UntreatedWith) + 0.5) / (float64(c.UntreatedAll) + 1))
	return LikelihoodRatio{Point: numeric.Nine(point), Lower: numeric.Nine(ratioQuantile(treated, untreated, tail, point)), Upper: numeric.Nine(ratioQuantile(treated, untreated, 1-tail, point))}
}

// beta is a Beta distribution.
type beta struct{ a, b float64 }

func jeffreys(with, all int64) beta { return beta{float64(with) + 0.5, float64(all-with) + 0.5} }

func (d beta) cdf(x float64) float64 {
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	}
	return mathext.RegIncBeta(d.a, d.b, x)
}

func (d beta) quantile(p float64) float64 { return mathext.InvRegIncBeta(d.a, d.b, p) }

// ratioBelow is P(X/Y ≤ r) = ∫ f(y) F(r·y) dy, X of treated, Y of untreated stones. Beyond y = 1/r the inner probability is 1. On the rest
// y = m·sin²ψ with m = min(1, 1/r): the integrand is then smooth up to both ends, whatever halves stand in the exponents.
func ratioBelow(x, y beta, r float64) float64 {
	m := min(1, 1/r)
	const far = 1e-15
	lo, hi := y.quantile(far), y.quantile(1-far)
	if lo >= m {
		return 1
	}
	angle := func(v float64) float64 { return math.Asin(math.Sqrt(min(max(v/m, 0), 1))) }
	from, to := angle(lo), angle(hi)
	gammas, _ := math.Lgamma(y.a + y.b)
	ga, _ := math.Lgamma(y.a)
	gb, _ := math.Lgamma(y.b)
	norm := gammas - ga - gb
	sum := 1 - y.cdf(m)
	numeric.Panels(from, to, 12, func(psi, w float64) {
		s, c := math.Sincos(psi)
		v := m * s * s
		if v <= 0 || v >= 1 {
			return
		}
		density := math.Exp(norm + (y.a-1)*math.Log(v) + (y.b-1)*math.Log1p(-v))
		sum += w * density * 2 * m * s * c * x.cdf(r*v)
	})
	return sum
}

// ratioQuantile finds r with P(X/Y ≤ r) = p, from a first guess, on a logarithmic scale.
func ratioQuantile(x, y beta, p, guess float64) float64 {
	miss := func(t float64) float64 { return ratioBelow(x, y, math.Exp(t)) - p }
	const widest = 700 // e^±700 is all that a float64 holds
	lo, hi := math.Log(guess), math.Log(guess)
	atLo := miss(lo)
	atHi := atLo
	for step := 0.5; atLo > 0 && lo > -widest; step *= 2 {
		hi, atHi = lo, atLo
		lo = max(lo-step, -widest)
		atLo = miss(lo)
	}
	for step := 0.5; atHi < 0 && hi < widest; step *= 2 {
		lo, atLo = hi, atHi
		hi = min(hi+step, widest)
		atHi = miss(hi)
	}
	// False position with the Illinois rule: it keeps the bracket, and converges faster than halving.
	for range 200 {
		if hi-lo < 1e-12 || atLo == 0 || atHi == 0 {
			break
		}
		t := (lo*atHi - hi*atLo) / (atHi - atLo)
		if !(t > lo && t < hi) {
			t = (lo + hi) / 2
		}
		at := miss(t)
		switch {
		case at == 0:
			return math.Exp(t)
		case at < 0:
			if lo, atLo = t, at; atHi > 0 {
				atHi /= 2
			}
		default:
			if hi, atHi = t, at; atLo < 0 {
				atLo /= 2
			}
		}
		if math.Abs(at) < 1e-13 {
			return math.Exp(t)
		}
	}
	return math.Exp((lo + hi) / 2)
}

// Says tells whether the ratio says anything: its interval lies wholly on one side of 1.
func (r LikelihoodRatio) Says() bool { return r.Lower > 1 || r.Upper < 1 }

// Cautious is the end of the interval that lies nearer to 1; 1 if the interval holds 1.
func (r LikelihoodRatio) Cautious() float64 {
	switch {
	case r.Lower > 1:
		return r.Lower
	case r.Upper < 1:
		return r.Upper
	}
	return 1
}

// The words of the verbal scale: the European Network of Forensic Science Institutes, Guideline for Evaluative Reporting (2015), which reads
// them off likelihood ratios in half-open bands. The bands from 10 to 1,000 were read in texts that quote it; the others are from memory.
const (
	HardlyAny        Strength = "HARDLY_ANY"
	Weak             Strength = "WEAK"
	Moderate         Strength = "MODERATE"
	ModeratelyStrong Strength = "MODERATELY_STRONG"
	Strong           Strength = "STRONG"
	VeryStrong       Strength = "VERY_STRONG"
	ExtremelyStrong  Strength = "EXTREMELY_STRONG"
)

// Word gives the word for a likelihood ratio, or for its inverse if it is below 1.
func Word(lr float64) Strength {
	if lr < 1 {
		lr = 1 / lr
	}
	for _, band := range [...]struct {
		below float64
		word  Strength
	}{{2, HardlyAny}, {10, Weak}, {100, Moderate}, {1_000, ModeratelyStrong}, {10_000, Strong}, {1_000_000, VeryStrong}} {
		if lr < band.below {
			return band.word
		}
	}
	return ExtremelyStrong
}
