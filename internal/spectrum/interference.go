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
		s.waves = height
		s.peaks = slices.DeleteFunc(s.peaks, func(p Peak) bool { return p.Prominence < overWaves*height })
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
