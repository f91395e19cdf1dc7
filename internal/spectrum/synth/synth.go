package synth

import "math"

// Line is one band: a Gaussian.
type Line struct {
	At, Sigma, Height float64 // cm⁻¹, cm⁻¹, ordinate
}

// Spectrum is evenly spaced ordinates.
type Spectrum struct {
	Title         string
	Raman         bool
	Transmittance bool // the ordinates are shares of light, else absorbance or counts
	First, Step   float64
	Y             []float64
	Resolution    float64
}

// Recipe says what stone to make.
type Recipe struct {
	Title string
	// First, Last and Step are wavenumbers.
	First, Last, Step float64
	// Seed begins the noise, whose standard deviation is Noise.
	Seed  uint64
	Noise float64
	// Thick: light passes through some millimetres, so that silica and water shut it out where they absorb most.
	Thick bool
	// Organics scales the C–H bands; Ring and Ester those of aromatic rings and carbonyl.
	Organics, Ring, Ester float64
	// Water and Silica scale the opal's own bands; 0: 1.
	Water, Silica float64
	// Carbon, Dye and Glow are of Raman spectra: disordered carbon, the bands of an invented dye, and luminescence in multiples of opal's highest band.
	Carbon, Dye, Glow float64
}

func orOne(v float64) float64 {
	if v == 0 {
		return 1
	}
	return v
}

// Infrared makes an absorbance spectrum.
func Infrared(r Recipe) Spectrum {
	water, silica := orOne(r.Water), orOne(r.Silica)
	lines := []Line{
		{5200, 75, 0.50 * water}, {5080, 90, 0.15 * water}, {4520, 70, 0.32 * silica}, {4420, 60, 0.08 * silica}, {6900, 180, 0.3 * water}, {1640, 32, 0.30 * water},
		{1870, 34, 0.22 * silica}, {1990, 30, 0.12 * silica}, {800, 16, 0.60 * silica}, {1100, 60, 2.5 * silica},
	}
	if r.Thick {
		lines = append(lines, Line{3450, 190, 9 * water})
	} else {
		lines = append(lines, Line{3430, 170, 0.9 * water})
	}
	lines = append(lines, organic(r.Organics, 0.06)...)
	lines = append(lines, Line{3055, 9, 0.02 * r.Ring}, Line{1509, 5, 0.05 * r.Ring}, Line{1607, 6, 0.05 * r.Ring}, Line{1738, 9, 0.06 * r.Ester})
	return r.make(lines, func(x float64) float64 {
		base := 0.18 + 2e-5*(x-3000)
		if r.Thick { // silica shuts everything out below
			base += 9 / (1 + math.Exp((x-2150)/45))
		}
		return base
	}, func(float64) float64 { return r.Noise })
}

// organic are the bands of C–H: stretching and bending, combinations and overtones.
func organic(scale, height float64) []Line {
	return []Line{
		{2957, 9, 0.6 * scale * height}, {2926, 11, scale * height}, {2871, 9, 0.35 * scale * height}, {2855, 8, 0.6 * scale * height}, {1460, 9, 0.35 * scale * height},
		{4262, 14, 0.10 * scale * height}, {4335, 16, 0.14 * scale * height}, {5680, 18, 0.06 * scale * height}, {5800, 22, 0.09 * scale * height},
	}
}

// RamanShift makes a Raman spectrum, in counts.
func RamanShift(r Recipe) Spectrum {
	const tall = 4000
	lines := []Line{
		{420, 70, tall * orOne(r.Silica)}, {785, 22, 0.45 * tall}, {965, 11, 0.18 * tall}, {1070, 26, 0.15 * tall}, {1640, 30, 0.12 * tall}, {3250, 150, 0.5 * tall},
		{1346, 65, tall * r.Carbon}, {1585, 38, 0.9 * tall * r.Carbon}, {1145, 7, tall * r.Dye}, {1382, 8, 0.7 * tall * r.Dye}, {1520, 7, 0.9 * tall * r.Dye},
		{1608, 5, 0.3 * tall * r.Ring}, {3065, 9, 0.3 * tall * r.Ring},
		{2933, 18, 0.5 * tall * r.Organics}, {2874, 14, 0.3 * tall * r.Organics}, {1449, 9, 0.25 * tall * r.Organics},
	}
	out := r.make(lines, func(x float64) float64 {
		return tall * (0.05 + r.Glow*math.Exp(-math.Pow((x-1800)/2500, 2)))
	}, func(y float64) float64 { return r.Noise * math.Sqrt(math.Max(y, 1)) }) // counts scatter by their root
	out.Raman = true
	return out
}

func (r Recipe) make(lines []Line, base, scatter func(float64) float64) Spectrum {
	n := int(math.Round((r.Last-r.First)/r.Step)) + 1
	s := Spectrum{Title: r.Title, First: r.First, Step: r.Step, Resolution: 2 * math.Abs(r.Step), Y: make([]float64, n)}
	rng := Random(r.Seed*2 + 1)
	for i := range s.Y {
		x := r.First + float64(float64(i)*r.Step)
		y := base(x)
		for _, l := range lines {
			if d := (x - l.At) / l.Sigma; l.Height != 0 && math.Abs(d) < 9 {
				y += l.Height * math.Exp(-float64(d*d)/2)
			}
		}
		s.Y[i] = y + float64(scatter(y)*rng.Normal())
	}
	return s
}

// Through turns absorbance into the share of light that passes, in percent.
func (s Spectrum) Through() Spectrum {
	y := make([]float64, len(s.Y))
	for i, a := range s.Y {
		y[i] = 100 * math.Pow(10, -a)
	}
	s.Y, s.Transmittance = y, true
	return s
}

// Random is xorshift64*: numbers that are the same everywhere. It must not be 0.
type Random uint64

// Float is from 0 to 1.
func (r *Random) Float() float64 {
	*r ^= *r >> 12
	*r ^= *r << 25
	*r ^= *r >> 27
	return float64(uint64(*r)*2685821657736338717>>11) / (1 << 53)
}

// Normal has mean 0 and deviation 1: twelve draws, less six.
func (r *Random) Normal() float64 {
	sum := -6.0
	for range 12 {
		sum += r.Float()
	}
	return sum
}
