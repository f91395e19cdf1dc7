package spectrum

import (
	"math"
	"slices"
)

// noises are how much the points of a stretch scatter. The noise of a detector is the same in the light that reaches it, so that in absorbance it grows as the light
// fades; that of counted photons grows with their root. Both are told by two figures: what the quieter parts show, and what they would show where the signal weighs 1.
type noises struct {
	// steady is the standard deviation of the quieter points, rising that by weight: a point's is the larger of steady and rising times its weight.
	steady, rising float64
	alone          float64   // steady as the section alone shows it
	weight, middle []float64 // of each point: how much of rising it has, and the running median
	// noise is the standard deviation of each raw point, quiet that of each smoothed one.
	noise, quiet []float64
	// more is by what neighbours that scatter together make quiet larger than it would be.
	more   float64
	window int  // of the smoothing, in points
	filled bool // some points were filled in
}

// estimate finds the noise of a section from its own points; signal are those of the file.
func (s *section) estimate(c *Curve, signal []float64) {
	s.weight = make([]float64, len(s.raw))
	floor := 0.0
	if c.Unit == Intensity {
		for _, v := range s.middle {
			if v > floor {
				floor = v
			}
		}
		floor /= 100
	}
	for i, v := range s.middle {
		switch c.Unit {
		case Absorbance, Transmittance, Reflectance:
			s.weight[i] = math.Pow(10, min(v, saturated))
		case Intensity:
			s.weight[i] = math.Sqrt(max(v, floor))
		default:
			s.weight[i] = 1
		}
	}
	even := make([]float64, len(s.raw))
	for i := range even {
		even[i] = 1
	}
	// Noise that neighbours share, as after zero filling, shows over some points only.
	far := max(1, int(math.Round(4/s.h)))
	s.steady = max(noise(s.raw, even, 1), noise(s.raw, even, far), rounding(signal))
	s.alone = s.steady
	s.rising = max(noise(s.raw, s.weight, 1), noise(s.raw, s.weight, far))
}

// rounding is the standard deviation that the digits of the figures make: a step of them by √12.
func rounding(signal []float64) float64 {
	step := math.Inf(1)
	for i := 1; i < len(signal); i++ {
		if d := math.Abs(signal[i] - signal[i-1]); d > 0 && d < step { // a NaN is not
			step = d
		}
	}
	if math.IsInf(step, 1) {
		return 0
	}
	return step / math.Sqrt(12)
}

// spread gives each point its noise, at least what it is elsewhere in the spectrum: a short stretch gives a poor estimate.
func (s *section) spread(steady, rising float64) {
	s.steady, s.rising = max(s.steady, steady), max(s.rising, rising)
	s.noise = make([]float64, len(s.raw))
	for i, w := range s.weight {
		s.noise[i] = max(s.steady, float64(s.rising*w))
	}
}

// shared tells by how much smoothing took less of the noise than it takes where each point's is its own: it is what the smoothed points, a window apart, scatter
// by what they should. Waves of up to five windows count as noise too, as they should: those of interference have no end. It is read where opal and organics have no
// bands; where the file holds none of that, in those sections that are not filled by opal's own bands, by one too strong to be measured, or too short.
func shared(calm, sections []*section) float64 {
	sizes := apartBy(calm)
	if len(sizes) < 100 {
		sizes = apartBy(slices.DeleteFunc(slices.Clone(sections), func(s *section) bool {
			own := !slices.ContainsFunc(s.bands, func(b band) bool { return b.family != opalBand })
			return own || s.high-s.low < 200 || len(s.full) > 0
		}))
	}
	if len(sizes) == 0 {
		return 1
	}
	more := deviation(sizes)
	if more > 1.2 { // beyond what chance makes of it: points a window apart are then alike too, and their differences too small
		more *= 1.5
	}
	return max(1, more)
}

// apartBy are the sizes of third differences of the smoothed points a window apart, by their noise.
func apartBy(sections []*section) (sizes []float64) {
	for _, s := range sections {
		for i := 0; i+3*s.window < len(s.smooth); i++ {
			if v := third(s.smooth, i, s.window) / s.quiet[i]; !math.IsNaN(v) {
				sizes = append(sizes, math.Abs(v))
			}
		}
	}
	return sizes
}

// third is a third difference.
func third(y []float64, i, stride int) float64 {
	return y[i+3*stride] - float64(3*y[i+2*stride]) + float64(3*y[i+stride]) - y[i]
}

// noise is the standard deviation, by weight, of what varies from point to point, from third differences taken stride points apart: a smooth curve has next to none of
// them. For independent noise of deviation σ they have √20 σ.
func noise(y, weight []float64, stride int) float64 {
	var sizes []float64
	for i := 0; i+3*stride < len(y); i++ {
		d := third(y, i, stride) / ((weight[i] + weight[i+stride] + weight[i+2*stride] + weight[i+3*stride]) / 4)
		if !math.IsNaN(d) {
			sizes = append(sizes, math.Abs(d))
		}
	}
	if len(sizes) == 0 {
		return math.NaN()
	}
	return deviation(sizes)
}

// deviation is the standard deviation of one point from the sizes of third differences, by their lower quartile: that of a normal variable is 0.31864 of its
// deviation (the normal quantile of 0.625). The quartile and not the median, because bands and lines may stand at more than half of the points. It sorts them.
func deviation(sizes []float64) float64 {
	slices.Sort(sizes)
	return sizes[len(sizes)/4] / 0.31864 / math.Sqrt(20)
}
