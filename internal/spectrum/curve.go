package spectrum

import (
	"cmp"
	"math"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Kind is what was measured.
type Kind string

// The kinds.
const (
	Infrared Kind = "INFRARED"
	Raman    Kind = "RAMAN"
)

// Unit is what the ordinates are.
type Unit string

// The units.
const (
	Absorbance    Unit = "ABSORBANCE"
	Transmittance Unit = "TRANSMITTANCE" // a share, or percent
	Reflectance   Unit = "REFLECTANCE"   // a share, or percent
	KubelkaMunk   Unit = "KUBELKA_MUNK"
	Intensity     Unit = "INTENSITY" // counts or arbitrary units
)

// AllUnits are the units, in the order in which they are told.
func AllUnits() []Unit { return []Unit{Absorbance, Transmittance, Reflectance, KubelkaMunk, Intensity} }

// xUnit is what the abscissas of a file are.
type xUnit int

const (
	wavenumber xUnit = iota
	micrometre
	nanometre
)

// Curve is one spectrum: ordinates over wavenumbers (Raman shift for a Raman spectrum) in cm⁻¹, rising. An ordinate that the instrument could not give
// is not a number.
type Curve struct {
	Kind Kind // "": the file does not say
	Unit Unit // "": the file does not say
	X, Y []float64
	// Resolution is what the file states, in cm⁻¹; 0: nothing.
	Resolution float64
	// Notes are what had to be assumed.
	Notes []string

	x xUnit
}

// arrange turns abscissas into rising wavenumbers.
func (c *Curve) arrange() *fault.Error {
	if c.x != wavenumber {
		scale := map[xUnit]float64{micrometre: 1e4, nanometre: 1e7}[c.x]
		for i, v := range c.X {
			if v <= 0 {
				return refused("found a wavelength of %v, accepted are lengths above 0", v)
			}
			c.X[i] = scale / v
		}
		c.x = wavenumber
	}
	if len(c.X) > 1 && c.X[0] > c.X[len(c.X)-1] {
		slices.Reverse(c.X)
		slices.Reverse(c.Y)
	}
	for i, v := range c.X {
		switch {
		case math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) > 1e6:
			return refused("found %v cm⁻¹ at point %d, accepted is at most a million", v, i+1)
		case i > 0 && v <= c.X[i-1]:
			return refused("found points at %.7g and %.7g cm⁻¹ one after the other, accepted are abscissas that only rise or only fall", c.X[i-1], v)
		}
	}
	for i, v := range c.Y {
		if math.IsInf(v, 0) || math.Abs(v) > 1e30 {
			return refused("found the ordinate %v at point %d, accepted is at most 1e30", v, i+1)
		}
	}
	return nil
}

// settle makes sure that it is known what the ordinates are. A file that does not say is read as most are written, and the note says so.
func (c *Curve) settle(kind Kind) *fault.Error {
	if c.Kind != "" && c.Kind != kind {
		return refused("found the file of a spectrum of kind %s, accepted with kind %s is one of that kind", c.Kind, kind)
	}
	c.Kind = kind
	if kind == Raman {
		if c.Unit == Transmittance || c.Unit == Reflectance || c.Unit == KubelkaMunk || c.Unit == Absorbance {
			return refused("found ordinates in %s, accepted of a Raman spectrum are intensities", c.Unit)
		}
		c.Unit = Intensity
		return nil
	}
	most := 0.0
	for _, v := range c.Y {
		if v > most {
			most = v
		}
	}
	switch c.Unit {
	case Intensity:
		return refused("found ordinates in arbitrary units, accepted of an infrared spectrum are absorbance, transmittance, reflectance or Kubelka-Munk units")
	case "":
		c.Unit = Absorbance
		if most > 10 {
			c.Unit = Transmittance
			c.Notes = append(c.Notes, "The file does not say what its ordinates are; by their size they are read as transmittance in percent.")
		} else {
			c.Notes = append(c.Notes, "The file does not say what its ordinates are; by their size they are read as absorbance.")
		}
	}
	if c.Unit != Transmittance && c.Unit != Reflectance {
		return nil
	}
	// A share goes to 1, and a little beyond it by noise; percents go to 100. The standard means shares, and many programs write percents.
	if most > 2 {
		c.percent()
	}
	if c.Unit == Reflectance {
		c.Notes = append(c.Notes, "Reflectance is read as apparent absorbance, log(1/R): positions hold, heights are not those of transmission.")
	}
	return nil
}

func (c *Curve) percent() {
	for i := range c.Y {
		c.Y[i] /= 100
	}
}

// saturated is the absorbance beyond which a detector tells nothing: a thousandth of the light (common practice, no published source).
const saturated = 3

// signal is an ordinate as absorbance or intensity; NaN: there is none, or it is beyond what the instrument can tell.
func (c *Curve) signal(y float64) float64 {
	switch c.Unit {
	case Transmittance, Reflectance:
		if !(y > 0) {
			return math.NaN()
		}
		y = -math.Log10(y)
	}
	if (c.Unit == Transmittance || c.Unit == Absorbance || c.Unit == Reflectance) && y >= saturated {
		return math.NaN()
	}
	return y
}

// index is the place of the first point at or above x.
func (c *Curve) index(x float64) int {
	i, _ := slices.BinarySearchFunc(c.X, x, cmp.Compare[float64])
	return i
}
