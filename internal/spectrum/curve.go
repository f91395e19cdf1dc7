package spectrum

import (
	"cmp"
	"math"
	"slices"
	"strings"

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
	// percents: the file says that the ordinates are percents.
	percents bool
	// reflected: the ordinates are absorbance that was found by reflection, log(1/R).
	reflected bool
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
	least, most := math.Inf(1), 0.0
	for _, v := range c.Y {
		if v < least {
			least = v
		}
		if v > most {
			most = v
		}
	}
	switch c.Unit {
	case Intensity:
		return refused("found ordinates in arbitrary units, accepted of an infrared spectrum are absorbance, transmittance, reflectance or Kubelka-Munk units")
	case "":
		switch {
		case most > 10:
			c.Unit = Transmittance
			c.Notes = append(c.Notes, "The file does not say what its ordinates are; by their size they are read as transmittance in percent.")
		case most > mostShare:
			c.Unit = Absorbance
			c.Notes = append(c.Notes, "The file does not say what its ordinates are; by their size they are read as absorbance.")
		default:
			return refused("found ordinates from %.3g to %.3g, and no word of what they are: absorbance and shares of light look alike; accepted is a file that says it, as in a line above the columns with wavenumber and absorbance, or transmittance", least, most)
		}
	}
	if c.Unit != Transmittance && c.Unit != Reflectance {
		if c.reflected {
			c.Notes = append(c.Notes, apparent)
		}
		return nil
	}
	// A share goes to 1, and a little beyond it by noise; percents go to 100. The standard means shares, and many programs write percents without saying so.
	switch {
	case c.percents:
		c.percent()
	case most > 2:
		c.percent()
		c.Notes = append(c.Notes, "The file does not say whether its ordinates are shares or percents; by their size they are read as percents.")
	}
	if c.Unit == Reflectance {
		c.Notes = append(c.Notes, apparent)
	}
	return nil
}

// apparent is what is to be known of reflectance.
const apparent = "Reflectance is read as apparent absorbance, log(1/R): positions hold, heights are not those of transmission."

// mostShare is how high a share of light goes at most, with noise.
const mostShare = 1.2

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

// unitOf reads the words for what ordinates are; false: they are not known.
func (c *Curve) unitOf(words string) bool {
	u := strings.ToUpper(strings.Join(strings.Fields(words), ""))
	switch {
	case u == "":
		return true
	case strings.Contains(u, "LOG("), strings.Contains(u, "LOG1/"): // log(1/T) and log(1/R): the logarithm is taken
		c.Unit, c.reflected = Absorbance, strings.Contains(u, "1/R")
		return true
	}
	percents := strings.Contains(u, "%") || strings.Contains(u, "PERCENT")
	for _, known := range [...]struct {
		word string
		unit Unit
	}{
		{"TRANSMI", Transmittance}, {"%T", Transmittance}, {"ABSORB", Absorbance}, {"ABSORPTION", Absorbance}, {"REFLECT", Reflectance}, {"%R", Reflectance},
		{"KUBELKA", KubelkaMunk}, {"ARBITRARY", Intensity}, {"INTENSITY", Intensity}, {"COUNTS", Intensity}, {"RAMAN", Intensity},
	} {
		if strings.Contains(u, known.word) {
			c.Unit, c.percents = known.unit, percents
			return true
		}
	}
	switch u {
	case "ABS", "A":
		c.Unit = Absorbance
	case "T":
		c.Unit = Transmittance
	case "R":
		c.Unit = Reflectance
	case "KM", "K-M":
		c.Unit = KubelkaMunk
	default:
		return false
	}
	return true
}

// index is the place of the first point at or above x.
func (c *Curve) index(x float64) int {
	i, _ := slices.BinarySearchFunc(c.X, x, cmp.Compare[float64])
	return i
}
