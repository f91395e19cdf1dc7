package assay

import "math"

// UptakeFit is the fitted curve.
type UptakeFit struct {
	Saturation Value // w∞
	TauMinutes Value
	// To95Minutes is how long it takes to 95 % of w∞: τ·ln 20.
	To95Minutes Value
	// Residual is the standard deviation of what the curve leaves.
	Residual float64
}

// noFit says why there is no curve.
type noFit int

const (
	fitted   noFit = iota
	tooFew         // fewer than three readings in the water
	atOnce         // full by the first reading: τ is short, and nobody knows how short
	onTheWay       // still so far from its end that readings say neither where nor when
	uneven         // no rising curve goes through them
)

// series are readings in the water, as the fit takes them: times in minutes, uptakes, and the standard uncertainty of each from its own weighing. The
// dry weighing moves all uptakes together; shift is the uptakes' change with one standard uncertainty of it.
type series struct{ t, w, u, shift []float64 }

func (s series) at(i int) float64 { return 1 / (s.u[i] * s.u[i]) }

// saturation is the best w∞ at a τ, and what the curve then leaves: χ², the sum of (residual/uncertainty)².
func (s series) saturation(tau float64) (saturation, chi2 float64) {
	var fw, ff float64
	for i, t := range s.t {
		f := -math.Expm1(-t / tau)
		fw += float64(float64(s.at(i)*f) * s.w[i])
		ff += float64(float64(s.at(i)*f) * f)
	}
	saturation = fw / ff
	for i, t := range s.t {
		e := (s.w[i] + float64(saturation*math.Expm1(-t/tau))) / s.u[i]
		chi2 += float64(e * e)
	}
	return saturation, chi2
}

// slope has the sign of dχ²/dτ, with w∞ the best one throughout.
func (s series) slope(tau float64) float64 {
	saturation, _ := s.saturation(tau)
	sum := 0.0
	for i, t := range s.t {
		x := t / tau
		e := s.w[i] + float64(saturation*math.Expm1(-x))
		sum += float64(float64(s.at(i)*e) * float64(x*math.Exp(-x)))
	}
	return sum * saturation
}

// fittedCurve is w∞·(1 − e^(−t/τ)) with the covariance of its two parameters: from the weighings alone, and the parameters' shift with one standard
// uncertainty of the dry mass.
type fittedCurve struct {
	saturation, tau    float64
	varSat, varTau     float64
	shiftSat, shiftTau float64
	chi2               float64
	degrees            int
	residual           float64
}

// How τ is looked for: on a logarithmic grid from well below the first reading to well beyond the last, then where χ² is level.
const (
	gridSteps  = 400
	tauShorter = 40 // than the first reading
	tauLonger  = 40 // than the last
	halvings   = 60
)

// fit finds the least-squares curve (variable projection: for each τ the best w∞ follows, so one number is looked for). The grid sees every valley of χ²,
// and the end is where its derivative changes sign, which is sharp to all the digits kept; the bottom of a valley is flat to half of them.
func (s series) fit() (*fittedCurve, noFit) {
	n := len(s.t)
	if n < 3 {
		return nil, tooFew
	}
	lo := math.Log(s.t[0] / tauShorter)
	step := (math.Log(s.t[n-1]*tauLonger) - lo) / gridSteps
	tauAt := func(k int) float64 { return math.Exp(lo + float64(float64(k)*step)) }
	best, least := -1, math.Inf(1)
	for k := 0; k <= gridSteps; k++ {
		if saturation, chi2 := s.saturation(tauAt(k)); saturation > 0 && chi2 < least {
			best, least = k, chi2
		}
	}
	switch best {
	case -1:
		return nil, uneven
	case 0:
		return nil, s.flat(tauAt(0))
	case gridSteps:
		return nil, onTheWay
	}
	a, b := tauAt(best-1), tauAt(best+1)
	if !(s.slope(a) <= 0 && s.slope(b) >= 0) {
		return nil, uneven
	}
	for range halvings {
		middle := math.Sqrt(a * b)
		if s.slope(middle) <= 0 {
			a = middle
		} else {
			b = middle
		}
	}
	tau := math.Sqrt(a * b)
	saturation, chi2 := s.saturation(tau)
	c := &fittedCurve{saturation: saturation, tau: tau, chi2: chi2, degrees: n - 2}

	// The covariance is (JᵀWJ)⁻¹, and a shift of the uptakes moves the parameters by (JᵀWJ)⁻¹JᵀW times it.
	var ss, st, tt, sd, td, squares float64
	for i, t := range s.t {
		e := math.Exp(-t / tau)
		byS, byT := 1-e, -saturation*t/(tau*tau)*e
		ss += float64(float64(s.at(i)*byS) * byS)
		st += float64(float64(s.at(i)*byS) * byT)
		tt += float64(float64(s.at(i)*byT) * byT)
		sd += float64(float64(s.at(i)*byS) * s.shift[i])
		td += float64(float64(s.at(i)*byT) * s.shift[i])
		r := s.w[i] - float64(saturation*byS)
		squares += float64(r * r)
	}
	c.residual = math.Sqrt(squares / float64(c.degrees))
	det := float64(ss*tt) - float64(st*st)
	if !(det > 1e-12*ss*tt) { // the two columns are one: only their product is known
		return nil, c.unknownFor(s)
	}
	c.varSat, c.varTau = tt/det, ss/det
	c.shiftSat = (float64(tt*sd) - float64(st*td)) / det
	c.shiftTau = (float64(ss*td) - float64(st*sd)) / det
	if _, u := c.uncertainties(); !(u <= c.tau/2) {
		return nil, c.unknownFor(s)
	}
	if u, _ := c.uncertainties(); !(u <= c.saturation/2) {
		return nil, c.unknownFor(s)
	}
	return c, fitted
}

// unknownFor says why a curve is not known well enough to be given.
func (c *fittedCurve) unknownFor(s series) noFit {
	switch {
	case c.tau < s.t[0]:
		return s.flat(c.tau)
	case c.tau > s.t[len(s.t)-1]:
		return onTheWay
	}
	return uneven
}

// flat tells readings that stay near one level, as of a stone that was full at once, from those that jump about.
func (s series) flat(tau float64) noFit {
	saturation, _ := s.saturation(tau)
	for i, t := range s.t {
		if math.Abs(s.w[i]+float64(saturation*math.Expm1(-t/tau))) > float64(0.1*saturation)+float64(3*s.u[i]) {
			return uneven
		}
	}
	return atOnce
}

// uncertainties are the standard errors of w∞ and τ. Where the readings lie further from the curve than their scale explains, the errors grow by as much
// (χ² per degree of freedom); the dry mass's share stands beside it.
func (c *fittedCurve) uncertainties() (saturation, tau float64) {
	grow := max(1, c.chi2/float64(c.degrees))
	return root(math.Sqrt(c.varSat*grow), c.shiftSat), root(math.Sqrt(c.varTau*grow), c.shiftTau)
}

func (c *fittedCurve) public() *UptakeFit {
	us, ut := c.uncertainties()
	ln20 := math.Log(20)
	return &UptakeFit{
		Saturation: Value{c.saturation, us}, TauMinutes: Value{c.tau, ut},
		To95Minutes: Value{c.tau * ln20, ut * ln20}, Residual: c.residual,
	}
}

// settled tells whether the curve had come to its end and is known well enough to be read there.
func (f *UptakeFit) settled(last float64) bool {
	return f != nil && last >= 3*f.TauMinutes.Value && f.Saturation.Uncertainty <= 0.1*f.Saturation.Value
}

// rootSlope fits w = s·√t to the readings before 60 % of w∞ (weighted least squares); nil with fewer than two.
func (s series) rootSlope(saturation float64) *Value {
	var tw, tt, td, chi2 float64
	n := 0
	for i, t := range s.t {
		if s.w[i] < 0.6*saturation {
			r := math.Sqrt(t)
			tw += float64(float64(s.at(i)*r) * s.w[i])
			tt += float64(float64(s.at(i)*r) * r)
			td += float64(float64(s.at(i)*r) * s.shift[i])
			n++
		}
	}
	if n < 2 {
		return nil
	}
	slope := tw / tt
	for i, t := range s.t {
		if s.w[i] < 0.6*saturation {
			e := (s.w[i] - float64(slope*math.Sqrt(t))) / s.u[i]
			chi2 += float64(e * e)
		}
	}
	return &Value{slope, root(math.Sqrt(max(1, chi2/float64(n-1))/tt), td/tt)}
}
