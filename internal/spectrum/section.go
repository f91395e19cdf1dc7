package spectrum

import (
	"math"
	"slices"
	"strconv"
)

// Conventions of this service on how a stretch of a spectrum is read.
const (
	// smoothOver is the width of the smoothing window in cm⁻¹, from its first point to its last.
	smoothOver = 12
	// sectionPoints bounds the points of a stretch; a finer curve is averaged down to them.
	sectionPoints = 3000
	// coarse is a step between points, in cm⁻¹, with which narrow bands are lost.
	coarse = 8
	// stands is how many standard deviations of the noise a peak stands out at least.
	stands = 5
	// covered is the share of a band's points that must be readable.
	covered = 0.75
)

// section is one region of a curve after baseline and smoothing, on evenly spaced points.
type section struct {
	region
	h float64 // step, cm⁻¹
	// raw is the signal, smooth after smoothing, base its baseline, and net what is left of smooth above it. NaN: unreadable.
	x, raw, smooth, base, net []float64
	// noise is the standard deviation of the raw points, quiet that of the smoothed ones.
	noise, quiet float64
	peaks        []Peak
}

// least is the smallest height that counts as a peak.
func (s *section) least() float64 { return stands * s.quiet }

// absent is the reason of a region that the file does not hold.
const absent = "it is not in the file"

// cut takes a region out of a curve. The reason tells why it cannot be read; "": it can.
func (c *Curve) cut(r region) (*section, string) {
	lo, hi := c.index(r.low), c.index(r.high)
	if hi <= lo {
		return nil, absent
	}
	// Bands decide, so that a curve that ends between a band and the region's edge is taken as far as it goes.
	low, high := c.X[lo], c.X[hi-1]
	for _, b := range r.bands {
		if low > b.low || high < b.high {
			return nil, absent
		}
	}
	gap := 0.0
	for i := lo + 1; i < hi; i++ {
		gap = max(gap, c.X[i]-c.X[i-1])
	}
	step := (high - low) / float64(hi-lo-1)
	if gap > coarse {
		return nil, "its points lie up to " + written(gap, 1) + " cm⁻¹ apart, and " + written(coarse, 0) + " are the most at which bands show"
	}
	if hi-lo < 12 {
		return nil, "it has " + strconv.Itoa(hi-lo) + " points, too few"
	}
	s := &section{region: r}
	n := min(hi-lo, sectionPoints)
	s.h = (high - low) / float64(n-1)
	s.x, s.raw = make([]float64, n), make([]float64, n)
	fine := s.h > 1.5*step // several points of the file to each of ours: their mean
	for i, j := 0, lo; i < n; i++ {
		x := low + float64(float64(i)*s.h)
		s.x[i] = x
		if fine {
			sum, count := 0.0, 0
			for ; j < hi && c.X[j] < x+s.h/2; j++ {
				sum += c.signal(c.Y[j])
				count++
			}
			s.raw[i] = math.NaN()
			if count > 0 {
				s.raw[i] = sum / float64(count)
			}
			continue
		}
		for j+1 < hi-1 && c.X[j+1] <= x {
			j++
		}
		a, b := c.signal(c.Y[j]), c.signal(c.Y[j+1])
		s.raw[i] = a + float64((b-a)*(x-c.X[j])/(c.X[j+1]-c.X[j]))
	}
	return s, s.work()
}

// work takes the baseline off and finds the peaks.
func (s *section) work() string {
	readable := 0
	for _, v := range s.raw {
		if !math.IsNaN(v) {
			readable++
		}
	}
	if float64(readable) < covered*float64(len(s.raw)) {
		return "next to no light came through"
	}
	half := max(2, int(math.Round(smoothOver/2/s.h)))
	s.smooth = SavitzkyGolay(s.raw, half)
	// Noise that neighbours share, as after zero filling, shows over some points only.
	s.noise = max(noise(s.raw, 1), noise(s.raw, max(1, int(math.Round(4/s.h)))))
	if math.IsNaN(s.noise) {
		return "it has too many gaps"
	}
	gain := 0.0
	for _, w := range quadraticWeights(half) {
		gain += float64(w * w)
	}
	s.quiet = s.noise * math.Sqrt(gain)
	// What bends upwards goes first; what is left is taken off by a stiff curve below the bands.
	s.base, s.net = rubberBand(s.smooth), make([]float64, len(s.smooth))
	for i := range s.net {
		s.net[i] = s.smooth[i] - s.base[i]
	}
	for i, z := range AsymmetricBaseline(s.net, stiffness(s.wave/s.h), asymmetry) {
		s.base[i] += z
		s.net[i] = s.smooth[i] - s.base[i]
	}
	// A spectrum without any noise is made, not measured; a step of the figures that were written is the least there is.
	least := s.least()
	if span := slices.Max(finite(s.raw)) - slices.Min(finite(s.raw)); least < 1e-6*span {
		least = 1e-6 * span
	}
	if least == 0 {
		return ""
	}
	s.peaks = peaks(s.x, s.net, least)
	return ""
}

func finite(list []float64) []float64 {
	return slices.DeleteFunc(slices.Clone(list), math.IsNaN)
}

// readable tells whether enough of a band can be read.
func (s *section) readable(b band) bool {
	all, ok := 0, 0
	for i, x := range s.x {
		if x >= b.low && x <= b.high {
			all++
			if !math.IsNaN(s.raw[i]) {
				ok++
			}
		}
	}
	return all > 2 && float64(ok) >= covered*float64(all)
}

// inBand are the peaks that lie in a band and are as wide as its peaks are.
func (s *section) inBand(b band) []Peak {
	var list []Peak
	for _, p := range s.peaks {
		if p.Position >= b.low && p.Position <= b.high && p.Width >= b.narrow && (b.wide == 0 || p.Width <= b.wide) {
			list = append(list, p)
		}
	}
	return list
}

// area is what lies between the curve and the line between the band's ends, each end the mean over half a smoothing window, in ordinates times cm⁻¹, with
// its standard uncertainty from the noise; false: the band cannot be read.
func (s *section) area(b band) (value, uncertainty float64, ok bool) {
	lo, _ := slices.BinarySearch(s.x, b.low)
	hi, found := slices.BinarySearch(s.x, b.high)
	if found {
		hi++
	}
	edge := max(1, int(math.Round(smoothOver/4/s.h))) // points to each side of an end
	if !s.readable(b) || hi-lo < 3 {
		return 0, 0, false
	}
	mean := func(i int) float64 {
		sum, count := 0.0, 0
		for j := max(0, i-edge); j <= min(len(s.net)-1, i+edge); j++ {
			if v := s.net[j]; !math.IsNaN(v) {
				sum += v
				count++
			}
		}
		return sum / float64(count)
	}
	left, right := mean(lo), mean(hi-1)
	if math.IsNaN(left) || math.IsNaN(right) {
		return 0, 0, false
	}
	points := float64(hi - lo - 1)
	for i := lo; i < hi; i++ {
		v := s.net[i]
		if math.IsNaN(v) {
			continue
		}
		share := 1.0
		if i == lo || i == hi-1 {
			share = 0.5
		}
		value += float64(share * (v - left - float64((right-left)*float64(i-lo)/points)))
	}
	value *= s.h
	// The points scatter by the noise, and so do the two ends, over whose line all points are counted.
	ends := s.noise / math.Sqrt(float64(2*edge+1))
	width := points * s.h
	uncertainty = math.Sqrt(float64(s.noise*s.noise*points*s.h*s.h) + float64(width*width*ends*ends/2))
	return value, uncertainty, true
}
