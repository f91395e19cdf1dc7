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
	// stands is how many standard deviations of the noise a peak stands out at least: the background lies below the noise, which of itself makes peaks of five.
	stands = 7
	// apart is the same of a single point that is no part of a band, over the median of its neighbours.
	apart = 5
	// overWaves is how many times as high as interference what is no part of it stands out.
	overWaves = 3
	// widest is how wide a band can be in which no light comes through at all, in cm⁻¹.
	widest = 120
	// filledOver and filledPoints are how far points lie on a straight line, in cm⁻¹ and in number, that was drawn and not measured.
	filledOver, filledPoints = 24, 10
	// covered is the share of a band's points that must be readable.
	covered = 0.75
)

// section is one region of a curve after baseline and smoothing, on evenly spaced points.
type section struct {
	region
	h float64 // step, cm⁻¹
	// raw is the signal, smooth after smoothing, base its baseline, and net what is left of smooth above it. NaN: unreadable.
	x, raw, smooth, base, net []float64
	noises
	span  float64 // of the raw points, from the lowest to the highest
	peaks []Peak
	// lines are where something stood that is narrower than any band of a stone.
	lines []float64
	// lineHeight is how high the highest of them stands.
	lineHeight float64
	// steps are where the curve jumped, and was joined.
	steps []float64
	// full are the stretches in which a band let no light through, while there was light on both sides of it: its signal is at least what stands there.
	full []stretch
	// waves is how high interference stands: what stands out less is part of it.
	waves float64
}

// stretch is a part of a spectrum, in cm⁻¹.
type stretch struct{ low, high float64 }

// thresholds are how far a peak stands out at least, at each point. A spectrum without any noise is made, not measured; a step of the figures that were
// written is the least there is.
func (s *section) thresholds() []float64 {
	out := make([]float64, len(s.quiet))
	for i, q := range s.quiet {
		out[i] = max(stands*q, 1e-6*s.span, overWaves*s.waves)
	}
	return out
}

// threshold is the highest of a band's.
func (s *section) threshold(b band) float64 {
	out := 0.0
	for i, v := range s.thresholds() {
		if s.x[i] >= b.low && s.x[i] <= b.high && v > out { // a NaN is not
			out = v
		}
	}
	return out
}

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
	signal := s.signals(c, lo, hi)
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
				sum += signal[j-lo]
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
		a, b := signal[j-lo], signal[j+1-lo]
		s.raw[i] = a + float64((b-a)*(x-c.X[j])/(c.X[j+1]-c.X[j]))
	}
	return s, s.look(c, signal)
}

// signals are the points of a curve from lo to hi as signals, without those that were filled in, and with those at which a band was too strong for the
// instrument set to the least that they can be.
func (s *section) signals(c *Curve, lo, hi int) []float64 {
	out := make([]float64, hi-lo)
	for i := range out {
		out[i] = c.signal(c.Y[lo+i])
	}
	// Too strong: no light at all, with light on both sides not further apart than a band is wide.
	x := c.X[lo:hi]
	dark := func(i int) bool { return math.IsNaN(out[i]) && !math.IsNaN(c.Y[lo+i]) }
	for i := 1; i < len(out); i++ {
		if !dark(i) || math.IsNaN(out[i-1]) {
			continue
		}
		j, last := i, i // noise lets some light through in between
		for ; j < len(out) && (dark(j) || j-last <= 2); j++ {
			if dark(j) {
				last = j
			}
		}
		if last+3 < len(out) && !slices.ContainsFunc(out[last+1:last+4], math.IsNaN) && x[last]-x[i] <= widest {
			for k := i; k <= last; k++ {
				if dark(k) {
					out[k] = saturated
				}
			}
			s.full = append(s.full, stretch{x[i], x[last]})
		}
		i = last
	}
	// Filled in: a straight line, as no detector draws one.
	for i := 0; i+2 < len(out); {
		j := i
		for j+2 < len(out) && straight(c.Y[lo+j:lo+j+3], x[j:j+3]) {
			j++
		}
		if j += 2; j-i >= filledPoints && x[j-1]-x[i] >= filledOver && !s.isFull(x[i], x[j-1]) {
			if cutOff(out, i, j) && x[j-1]-x[i] <= widest {
				s.full = append(s.full, stretch{x[i], x[j-1]})
				i = j
				continue
			}
			s.filled = true
			for k := i; k < j; k++ {
				out[k] = math.NaN()
			}
		}
		i = max(j-1, i+1)
	}
	return out
}

// cutOff tells whether a level stretch is where a band was cut off: nothing is higher, and on both sides the curve is lower.
func cutOff(y []float64, i, j int) bool {
	top := y[i]
	return i > 0 && j < len(y) && y[i-1] < top && y[j] < top && y[j-1] == top && !slices.ContainsFunc(y, func(v float64) bool { return v > top })
}

// straight tells whether three points lie on a line.
func straight(y, x []float64) bool {
	at := y[0] + float64((y[2]-y[0])*(x[1]-x[0])/(x[2]-x[0]))
	return math.Abs(y[1]-at) <= 1e-9*(math.Abs(y[0])+math.Abs(y[2]))
}

func (s *section) isFull(low, high float64) bool {
	return slices.ContainsFunc(s.full, func(f stretch) bool { return f.low <= high && f.high >= low })
}

// look estimates the noise. The reason tells why the region cannot be read.
func (s *section) look(c *Curve, signal []float64) string {
	readable := 0
	for _, v := range s.raw {
		if !math.IsNaN(v) {
			readable++
		}
	}
	if float64(readable) < covered*float64(len(s.raw)) {
		if s.filled {
			return "its ordinates lie on straight lines: filled in, not measured"
		}
		return "next to no light came through"
	}
	s.join()
	s.middle = runningMedian(s.raw, s.lineHalf())
	s.estimate(c, signal)
	if math.IsNaN(s.steady) || math.IsNaN(s.rising) {
		return "it has too many gaps"
	}
	return ""
}

// join takes steps out, as the change from one detector or grating to another makes them: one difference between neighbours that is many times as large as those
// beside it, which no band has.
func (s *section) join() {
	even := slices.Repeat([]float64{1}, len(s.raw))
	rough := max(noise(s.raw, even, 1), 1e-12)
	d := func(i int) float64 { return s.raw[i+1] - s.raw[i] }
	for i := 2; i+3 < len(s.raw); i++ {
		beside := max(math.Abs(d(i-2)), math.Abs(d(i-1)), math.Abs(d(i+1)), math.Abs(d(i+2)))
		if step := d(i); math.Abs(step) > float64(3*beside)+float64(stands*math.Sqrt2*rough) { // a NaN is not
			step -= (d(i-1) + d(i+1)) / 2
			for j := i + 1; j < len(s.raw); j++ {
				s.raw[j] -= step
			}
			s.steps = append(s.steps, s.x[i])
		}
	}
}

// flatten smooths, when it is known how large the noise is elsewhere in the spectrum.
func (s *section) flatten(steady, rising float64) {
	s.spread(steady, rising)
	half := max(2, int(math.Round(smoothOver/2/s.h)))
	s.smooth = SavitzkyGolay(s.withoutLines(), half)
	gain := 0.0
	for _, w := range quadraticWeights(half) {
		gain += float64(w * w)
	}
	s.quiet = make([]float64, len(s.noise))
	for i, v := range s.noise {
		s.quiet[i] = v * math.Sqrt(gain)
	}
	s.window = 2*half + 1
}

// work takes the baseline off and finds the peaks; the noise is more times as large after smoothing as it would be were each point's its own.
func (s *section) work(more float64) {
	s.more = more
	for i := range s.quiet {
		s.quiet[i] *= more
	}
	// What bends upwards goes first; what is left is taken off by a stiff curve below the bands.
	s.base, s.net = rubberBand(s.smooth), make([]float64, len(s.smooth))
	for i := range s.net {
		s.net[i] = s.smooth[i] - s.base[i]
	}
	for i, z := range AsymmetricBaseline(s.net, stiffness(s.wave/s.h), asymmetry) {
		s.base[i] += z
		s.net[i] = s.smooth[i] - s.base[i]
	}
	list := finite(s.raw)
	s.span = slices.Max(list) - slices.Min(list)
	if s.span > 0 {
		s.peaks = peaks(s.x, s.net, s.thresholds())
	}
}

// lineOver is the window of the running median in cm⁻¹: what is narrower than half of it is a line and no band. Coarse points have five at least, so that two
// that a cosmic ray has hit are none.
const lineOver = 9

func (s *section) lineHalf() int { return max(2, int(math.Round(lineOver/2/s.h))) }

// withoutLines takes out what is narrower than any band of a stone: the lines of water vapour in the air, cosmic rays, single points. Smoothing would turn them
// into what looks like bands. A point is part of one if it stands more than five deviations of the noise over the running median, and over the background more than
// twice as high as the median does, or as far below the background. Straight lines take their place.
func (s *section) withoutLines() []float64 {
	half := s.lineHalf()
	middle := s.middle
	base := rubberBand(middle)
	// At the ends the median looks to one side only.
	part := make([]bool, len(s.raw))
	worst := -1 // of the line that is being passed
	for i := half; i < len(s.raw)-half; i++ {
		v, far := s.raw[i], float64(apart*s.noise[i])
		over := v - middle[i]
		up := over > far && v-base[i] > float64(2*max(0, middle[i]-base[i]))
		down := -over > far && base[i]-v > far
		part[i] = up || down
		switch {
		case part[i] && (worst < 0 || math.Abs(over) > math.Abs(s.raw[worst]-middle[worst])):
			worst = i
		case !part[i] && worst >= 0:
			s.passOver(worst, middle)
			worst = -1
		}
	}
	if worst >= 0 {
		s.passOver(worst, middle)
	}
	return bridged(s.raw, part, max(1, int(math.Round(2/s.h))))
}

// passOver notes a line.
func (s *section) passOver(i int, middle []float64) {
	s.lines = append(s.lines, s.x[i])
	s.lineHeight = max(s.lineHeight, math.Abs(s.raw[i]-middle[i]))
}

// bridged puts straight lines over the points that are part of something else, and over some on each side of them.
func bridged(y []float64, part []bool, more int) []float64 {
	out := slices.Clone(y)
	for i := 0; i < len(y); i++ {
		if !part[i] {
			continue
		}
		a := max(0, i-more-1)
		b := i
		for j := i; j < len(y) && j <= b+2*more+1; j++ { // lines whose feet meet are bridged together
			if part[j] {
				b = j
			}
		}
		end := min(len(y)-1, b+more+1)
		for j := a + 1; j < end; j++ {
			if !math.IsNaN(y[j]) {
				out[j] = y[a] + float64((y[end]-y[a])*float64(j-a)/float64(end-a))
			}
		}
		i = b
	}
	return out
}

func finite(list []float64) []float64 {
	return slices.DeleteFunc(slices.Clone(list), math.IsNaN)
}

// readable tells whether enough of a band can be read: most of it, and no hole in it in which a band could stand unseen.
func (s *section) readable(b band) bool {
	all, ok, hole := 0, 0, 0
	for i, x := range s.x {
		if x < b.low || x > b.high {
			continue
		}
		all++
		if hole++; !math.IsNaN(s.raw[i]) {
			ok++
			hole = 0
		}
		if float64(float64(hole)*s.h) > coarse {
			return false
		}
	}
	return all > 2 && float64(ok) >= covered*float64(all)
}

// capped tells whether a band was in part too strong to be measured.
func (s *section) capped(b band) bool { return s.isFull(b.low, b.high) }

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
	sum := 0.0
	for i := lo; i < hi; i++ {
		if v := s.noise[i] * s.more; !math.IsNaN(v) {
			sum += float64(v * v)
		}
	}
	noise := math.Sqrt(sum / float64(hi-lo))
	ends := noise / math.Sqrt(float64(2*edge+1))
	width := points * s.h
	uncertainty = math.Sqrt(float64(noise*noise*points*s.h*s.h) + float64(width*width*ends*ends/2))
	return value, uncertainty, true
}
