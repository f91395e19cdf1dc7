package spectrum

import (
	"math"
	"slices"
)

// Conventions of this service on interference between the two faces of a thin piece: waves of one length and height all over the spectrum.
const (
	// waveCount is how many tops of one section follow each other evenly, at least, waveLeast how far apart in cm⁻¹: shorter waves count as noise of neighbours.
	waveCount, waveLeast = 3, 40
	// waveOver is how many standard deviations of the noise they stand out at least.
	waveOver = 4
	// uneven is how far a distance between them, as a share, and wild how many times their height differs from the middle one.
	uneven, wild = 0.1, 2
	// slim and plump are the widths of a top at half its height, as shares of the distance: those of a wave are half of it, those of bands are not.
	slim, plump = 0.35, 0.65
)

// strayOver is how many times as high as what stands where nothing should a peak stands that counts.
const strayOver = 2

// stray looks at what stands where neither opal nor what is looked for has bands: interference, drift, the air. What is less than twice as high elsewhere may be of the same
// kind.
func (r *Result) stray(calm []*section, more float64) {
	height := 0.0
	for _, s := range calm {
		s.work(more)
		for _, p := range s.peaks {
			if p.Width <= widest {
				height = max(height, p.Prominence)
			}
		}
	}
	if height == 0 {
		return
	}
	r.say("Where neither opal nor organic matter has bands, something stands that is up to " + significant(height) + " high, as interference and drift make it. What stands out less than twice as high does not count.")
	for _, s := range r.sections {
		s.heed(height * strayOver / overWaves)
	}
}

// heed leaves out what stands out less than three times as high as waves.
func (s *section) heed(height float64) {
	s.waves = max(s.waves, height)
	s.peaks = slices.DeleteFunc(s.peaks, func(p Peak) bool { return p.Prominence < overWaves*s.waves })
}

// The stretch in which the water vapour of the air has its lines, in cm⁻¹; how many lines tell it, or how many times as rough as elsewhere the curve is; and how
// close the points must lie for roughness to tell lines from bands.
const (
	vapourLow, vapourHigh = 1300, 2000
	vapourLines           = 3
	vapourRough           = 3
	vapourStep            = 2.2
)

// vapour looks for the lines of water vapour. Where they crowd they run together to what looks like bands, so that what is not much higher than they are does not count
// among them.
func (r *Result) vapour(elsewhere float64) {
	if r.Kind != Infrared {
		return
	}
	lines, height, rough := 0, 0.0, false
	var there []*section
	for _, s := range r.sections {
		if s.low < vapourLow || s.high > vapourHigh {
			continue
		}
		there = append(there, s)
		lines += len(s.lines)
		if s.h > vapourStep {
			height = max(height, s.lineHeight)
			continue
		}
		rough = rough || s.roughness() > float64(vapourRough*elsewhere)
		for i, v := range s.raw {
			if d := math.Abs(v - s.middle[i]); d > height { // a NaN is not
				height = d
			}
		}
	}
	if lines < vapourLines && !rough {
		return
	}
	r.say("Water vapour of the air stands in the spectrum between 1300 and 2000 cm⁻¹. There, what is less than three times as high as its lines does not count.")
	for _, s := range there {
		s.heed(height)
	}
}

// roughness is the standard deviation from point to point by the upper quartile of third differences, 1.15035 of it, where that of the noise is by the lower one.
func (s *section) roughness() float64 {
	var sizes []float64
	for i := 0; i+3 < len(s.raw); i++ {
		if v := third(s.raw, i, 1); !math.IsNaN(v) {
			sizes = append(sizes, math.Abs(v))
		}
	}
	if len(sizes) == 0 {
		return 0
	}
	slices.Sort(sizes)
	return sizes[len(sizes)*3/4] / 1.15035 / math.Sqrt(20)
}

// interference looks for evenly spaced waves. What does not stand out three times as high as they do is part of them, in all sections: their height is
// the same in all.
func (r *Result) interference() {
	height, length := 0.0, 0.0
	for _, s := range r.sections {
		if h, l := s.evenly(); h > height {
			height, length = h, l
		}
	}
	if height == 0 {
		return
	}
	r.waves = true
	r.say("Waves stand in the spectrum every " + written(length, 0) + " cm⁻¹, as interference between two even faces makes them. What stands out less than three times as high does not count.")
	for _, s := range r.sections {
		s.heed(height)
	}
}

// evenly gives the height of the waves and their distance; 0: there are none.
func (s *section) evenly() (height, length float64) {
	least := make([]float64, len(s.quiet))
	for i, q := range s.quiet {
		least[i] = float64(waveOver * q)
	}
	all := peaks(s.x, s.net, least)
	for i := 0; i+waveCount <= len(all); i++ {
		list := all[i : i+waveCount]
		var apart, high []float64
		for k, p := range list {
			high = append(high, p.Prominence)
			if k > 0 {
				apart = append(apart, p.Position-list[k-1].Position)
			}
		}
		middle, top := median(apart), median(high)
		even := middle >= waveLeast && !slices.ContainsFunc(apart, func(d float64) bool { return math.Abs(d-middle) > uneven*middle })
		round := !slices.ContainsFunc(list, func(p Peak) bool { return p.Width < slim*middle || p.Width > plump*middle })
		alike := high[0] > top/wild && high[len(high)-1] < top*wild // median sorted them
		if even && round && alike && high[len(high)-1] > height {
			height, length = high[len(high)-1], middle
		}
	}
	return height, length
}
