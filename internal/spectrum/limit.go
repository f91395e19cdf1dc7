package spectrum

import "math"

// Conventions of this service on what would have been seen.
const (
	// spare is by how many more standard deviations of the noise than stands a trial band stands out, so that noise that happens to fall otherwise would not
	// have hidden it.
	spare = 2
	// bandSigma makes a trial band as wide as those of C–H usually are, 24 cm⁻¹ at half its height; carbonSigma as those of carbon, 94 cm⁻¹.
	bandSigma   = 10
	carbonSigma = 40
)

// limit is the height of the smallest band that would have been seen in a stretch: Gaussian bands of a deviation of sigma cm⁻¹ are laid over the measured points
// near both ends of the stretch and in its middle, higher and higher, and read like any other, until they are seen at all three places. It is more than the noise
// alone would let one hope where the background is steep or bent. +Inf: none would.
func (s *section) limit(b band, sigma float64) float64 {
	for _, times := range []float64{1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 14, 20, 30} {
		height := times * s.threshold(b)
		seen := true
		for _, at := range []float64{0.5, 0.25, 0.75} {
			if seen = s.shows(b, b.low+float64(at*(b.high-b.low)), height, sigma); !seen {
				break
			}
		}
		if seen {
			return height
		}
	}
	return math.Inf(1)
}

// shows tells whether a band that was laid over the measured points is seen.
func (s *section) shows(b band, at, height, sigma float64) bool {
	trial := section{region: s.region, h: s.h, x: s.x, noises: s.noises, waves: s.waves, raw: make([]float64, len(s.raw))}
	trial.middle = make([]float64, len(s.raw))
	for i, x := range s.x {
		d := (x - at) / sigma
		add := float64(height * math.Exp(-d*d/2))
		trial.raw[i], trial.middle[i] = s.raw[i]+add, s.middle[i]+add
	}
	trial.flatten(s.steady, s.rising)
	trial.work(s.more)
	for _, p := range trial.inBand(b) {
		if math.Abs(p.Position-at) < 2*sigma && p.Prominence >= float64(trial.threshold(b)*(1+spare/stands)) {
			return true
		}
	}
	return false
}
