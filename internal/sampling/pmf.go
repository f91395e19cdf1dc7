package sampling

import "math"

// The probabilities below follow C. Loader, "Fast and accurate computation of binomial probabilities" (2000): a term is the saddle point
// times corrections that are small themselves, so that the figures keep some 14 digits for parcels of a million stones, where sums of
// log-gammas keep 8.

// stirlingError is log n! − log(√(2πn) (n/e)ⁿ), for n ≥ 0; at 0 it is taken as 0 with the terms that need it.
func stirlingError(n float64) float64 {
	if n < 16 {
		if n == 0 {
			return 0
		}
		g, _ := math.Lgamma(n + 1)
		return g - (n+0.5)*math.Log(n) + n - 0.5*math.Log(2*math.Pi)
	}
	// Stirling's series (NIST Digital Library of Mathematical Functions, 5.11.1).
	r := 1 / (n * n)
	return (1.0/12 - (1.0/360-(1.0/1260-(1.0/1680-r/1188)*r)*r)*r) / n
}

// deviance is x log(x/m) + m − x without the cancellation where x is close to m.
func deviance(x, m float64) float64 {
	if math.Abs(x-m) < 0.1*(x+m) {
		v := (x - m) / (x + m)
		s, e := (x-m)*v, 2*x*v
		for j := 1; j < 1000; j++ {
			e *= v * v
			next := s + e/float64(2*j+1)
			if next == s {
				break
			}
			s = next
		}
		return s
	}
	if x == 0 {
		return m
	}
	return x*math.Log(x/m) + m - x
}

// logBinomial is the logarithm of the probability of x in n trials with probability p; 0 < p < 1.
func logBinomial(x, n, p float64) float64 {
	q := 1 - p
	switch {
	case x < 0 || x > n:
		return math.Inf(-1)
	case n == 0:
		return 0
	case x == 0:
		return n * math.Log1p(-p)
	case x == n:
		return n * math.Log(p)
	}
	c := stirlingError(n) - stirlingError(x) - stirlingError(n-x) - deviance(x, n*p) - deviance(n-x, n*q)
	return c + 0.5*math.Log(n/(2*math.Pi*x*(n-x)))
}

// logDrawn is the logarithm of the probability that a blind draw of n stones of N has x of the K treated ones.
func logDrawn(x, parcel, treated, n int64) float64 {
	if x < max(0, n-(parcel-treated)) || x > min(n, treated) {
		return math.Inf(-1)
	}
	if n == 0 || n == parcel || treated == 0 || treated == parcel {
		return 0
	}
	p := float64(n) / float64(parcel)
	return logBinomial(float64(x), float64(treated), p) + logBinomial(float64(n-x), float64(parcel-treated), p) -
		logBinomial(float64(n), float64(parcel), p)
}

// negligible is a share of a sum below which what follows, falling ever faster, is left out.
const negligible = 1e-17

// sumDrawn adds weight(x) · P(x) over the treated stones x from..to of a draw. It begins where the terms are largest and goes both ways
// until they no longer matter; weights are at most 1 and must not rise faster than the probabilities fall.
func sumDrawn(from, to, parcel, treated, n int64, weight func(int64) float64) float64 {
	from, to = max(from, 0, n-(parcel-treated)), min(to, n, treated)
	if from > to {
		return 0
	}
	mode := int64(math.Floor(float64(n+1) / float64(parcel+2) * float64(treated+1)))
	start := min(max(mode, from), to)
	first := math.Exp(logDrawn(start, parcel, treated, n))
	if first == 0 {
		return 0
	}
	sum, peak := 0.0, 0.0
	add := func(x int64, p float64) bool {
		t := p
		if weight != nil {
			t *= weight(x)
		}
		sum += t
		peak = max(peak, t)
		return p > negligible*max(peak, first)
	}
	for x, p := start, first; x <= to && add(x, p); x++ {
		p *= float64(treated-x) / float64(x+1) * (float64(n-x) / float64(parcel-treated-n+x+1))
	}
	for x, p := start, first; x > from; {
		p *= float64(x) / float64(treated-x+1) * (float64(parcel-treated-n+x) / float64(n-x+1))
		if x--; !add(x, p) {
			break
		}
	}
	return min(sum, 1)
}

// window is the probabilities of a binomial where they matter: of first, first+1, …
type window struct {
	first int64
	p     []float64
	below []float64 // below[i] is the probability of first+i or less
}

func binomialWindow(n int64, p float64) window {
	switch {
	case p <= 0 || n == 0:
		return window{0, []float64{1}, []float64{1}}
	case p >= 1:
		return window{n, []float64{1}, []float64{1}}
	}
	mode := min(n, int64(float64(n+1)*p))
	top := math.Exp(logBinomial(float64(mode), float64(n), p))
	odds := p / (1 - p)
	var down []float64
	for x, t := mode, top; x > 0; x-- {
		if t *= float64(x) / float64(n-x+1) / odds; t < negligible*top {
			break
		}
		down = append(down, t)
	}
	w := window{first: mode - int64(len(down))}
	for i := len(down) - 1; i >= 0; i-- {
		w.p = append(w.p, down[i])
	}
	w.p = append(w.p, top)
	for x, t := mode, top; x < n; x++ {
		if t *= float64(n-x) / float64(x+1) * odds; t < negligible*top {
			break
		}
		w.p = append(w.p, t)
	}
	sum := 0.0
	w.below = make([]float64, len(w.p))
	for i, t := range w.p {
		sum += t
		w.below[i] = sum
	}
	return w
}

// atMost is the probability of x or less.
func (w *window) atMost(x int64) float64 {
	switch i := x - w.first; {
	case i < 0:
		return 0
	case i >= int64(len(w.p)):
		return w.below[len(w.p)-1]
	default:
		return w.below[i]
	}
}
