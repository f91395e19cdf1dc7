package opal

import (
	"cmp"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Measurement is what an instrument showed, before anybody judged it. Exactly one part is given, the one of the test's method.
type Measurement struct {
	Hydrostatic   *HydrostaticReading   `cbor:"1,keyasint,omitempty"`
	Uptake        *UptakeReadings       `cbor:"2,keyasint,omitempty"`
	Spectrum      *SpectrumReading      `cbor:"3,keyasint,omitempty"`
	Refractometer *RefractometerReading `cbor:"4,keyasint,omitempty"`
}

// HydrostaticReading is a stone weighed in air and hanging in water, and for a porous one also in air after it has drunk.
type HydrostaticReading struct {
	DryMass       Mass `cbor:"1,keyasint"`
	SuspendedMass Mass `cbor:"2,keyasint"`
	SoakedMass    Mass `cbor:"3,keyasint,omitempty"`
	// WaterTemperatureCelsius sets the density of the water.
	WaterTemperatureCelsius *float64 `cbor:"4,keyasint,omitempty"`
}

// UptakeReadings is a stone weighed again and again while it lies in water.
type UptakeReadings struct {
	DryMass  Mass            `cbor:"1,keyasint"`
	Readings []UptakeReading `cbor:"2,keyasint"`
	// DriedMass is what it weighed once it was dry again.
	DriedMass               Mass     `cbor:"3,keyasint,omitempty"`
	WaterTemperatureCelsius *float64 `cbor:"4,keyasint,omitempty"`
	TransparencyBefore      Look     `cbor:"5,keyasint,omitempty"`
	TransparencyAfter       Look     `cbor:"6,keyasint,omitempty"`
}

// UptakeReading is one weighing: so many minutes after it was put into the water.
type UptakeReading struct {
	Minutes float64 `cbor:"1,keyasint"`
	Mass    Mass    `cbor:"2,keyasint"`
}

// SpectrumReading names the attachment of the event that holds the spectrum.
type SpectrumReading struct {
	SHA256 [32]byte `cbor:"1,keyasint"`
}

// RefractometerReading is the refractive indices that were read.
type RefractometerReading struct {
	Indices []float64 `cbor:"1,keyasint"`
}

// Limits of measurements. They bound what is kept; what a method can measure is narrower, and internal/assay's to say.
const (
	MaxReadings    = 500
	MaxMinutes     = 366 * 24 * 60
	MaxIndices     = 50
	leastIndex     = 1
	largestIndex   = 4
	coldestWater   = 0
	warmestWater   = 100
	measuredByOnly = "found a measurement of %s with %s, accepted with it is %s"
)

// MeasuredBy tells which part of a measurement a method takes; "": none.
func (m Method) MeasuredBy() string {
	switch m {
	case Hydrostatic:
		return "hydrostatic"
	case WaterUptake:
		return "uptake"
	case Infrared, Raman:
		return "spectrum"
	case Refractometer:
		return "refractometer"
	}
	return ""
}

// Part names the part that is given; "": none.
func (m *Measurement) Part() string {
	switch {
	case m == nil:
	case m.Hydrostatic != nil:
		return "hydrostatic"
	case m.Uptake != nil:
		return "uptake"
	case m.Spectrum != nil:
		return "spectrum"
	case m.Refractometer != nil:
		return "refractometer"
	}
	return ""
}

func checkMeasurement(m *Measurement, method Method) *fault.Error {
	if m == nil {
		return nil
	}
	wanted := method.MeasuredBy()
	if wanted == "" {
		return fault.New(fault.InvalidField, "", "found a measurement with %s, accepted is none with it: what it says takes an eye", method)
	}
	parts := 0
	for _, given := range [...]bool{m.Hydrostatic != nil, m.Uptake != nil, m.Spectrum != nil, m.Refractometer != nil} {
		if given {
			parts++
		}
	}
	switch {
	case parts == 0:
		return fault.New(fault.InvalidField, "", "found an empty measurement, accepted with %s is %s", method, wanted)
	case parts > 1:
		return fault.New(fault.InvalidField, "", "found %d measurements, accepted is one; with %s it is %s", parts, method, wanted)
	case m.Part() != wanted:
		return fault.New(fault.InvalidField, m.Part(), measuredByOnly, m.Part(), method, wanted)
	}
	return cmp.Or(
		under("hydrostatic", checkHydrostatic(m.Hydrostatic)),
		under("uptake", CheckUptake(m.Uptake)),
		under("refractometer", checkRefractometer(m.Refractometer)),
	)
}

func checkHydrostatic(r *HydrostaticReading) *fault.Error {
	if r == nil {
		return nil
	}
	return cmp.Or(
		needMass("dryMass", r.DryMass),
		needMass("suspendedMass", r.SuspendedMass),
		mayMass("soakedMass", r.SoakedMass),
		measured("waterTemperatureCelsius", r.WaterTemperatureCelsius, coldestWater, warmestWater, "°C"),
	)
}

// CheckUptake checks readings on their own face, as Check does within an event.
func CheckUptake(r *UptakeReadings) *fault.Error {
	if r == nil {
		return nil
	}
	if f := needMass("dryMass", r.DryMass); f != nil {
		return f
	}
	if len(r.Readings) == 0 {
		return fault.New(fault.InvalidField, "readings", "found none, accepted are 1 to %d readings of minutes and mass", MaxReadings)
	}
	if f := tooMany("readings", len(r.Readings), MaxReadings, "readings"); f != nil {
		return f
	}
	for i := range r.Readings {
		x := &r.Readings[i]
		if f := cmp.Or(measured("minutes", &x.Minutes, 0, MaxMinutes, "minutes"), needMass("mass", x.Mass)); f != nil {
			return at("readings", i, f)
		}
		if i > 0 && x.Minutes <= r.Readings[i-1].Minutes {
			return at("readings", i, fault.New(fault.InvalidField, "minutes", "found %v after %v, accepted are readings in order of time, no two at the same", x.Minutes, r.Readings[i-1].Minutes))
		}
	}
	return cmp.Or(
		mayMass("driedMass", r.DriedMass),
		measured("waterTemperatureCelsius", r.WaterTemperatureCelsius, coldestWater, warmestWater, "°C"),
		mayWord("transparencyBefore", r.TransparencyBefore, AllLooks()),
		mayWord("transparencyAfter", r.TransparencyAfter, AllLooks()),
	)
}

func checkRefractometer(r *RefractometerReading) *fault.Error {
	if r == nil {
		return nil
	}
	if len(r.Indices) == 0 {
		return fault.New(fault.InvalidField, "indices", "found none, accepted are 1 to %d refractive indices", MaxIndices)
	}
	if f := tooMany("indices", len(r.Indices), MaxIndices, "refractive indices"); f != nil {
		return f
	}
	for i := range r.Indices {
		if f := measured("", &r.Indices[i], leastIndex, largestIndex, ""); f != nil {
			return at("indices", i, f)
		}
	}
	return nil
}

// Test gives the test that an event reports, itself or in place of an earlier one, and the path of it; nil: none.
func (e *Event) Test() (t *Tested, path string) {
	switch {
	case e.Tested != nil:
		return e.Tested, "tested"
	case e.Corrected != nil && e.Corrected.Replacement != nil && e.Corrected.Replacement.Tested != nil:
		return e.Corrected.Replacement.Tested, "corrected.replacement.tested"
	}
	return nil, ""
}

// checkAttached checks that a spectrum lies in an attachment of its event.
func checkAttached(e *Event) *fault.Error {
	t, path := e.Test()
	if t == nil || t.Measurement == nil || t.Measurement.Spectrum == nil {
		return nil
	}
	want := t.Measurement.Spectrum.SHA256
	if slices.ContainsFunc(e.Attachments, func(a Attachment) bool { return a.SHA256 == want }) {
		return nil
	}
	return fault.New(fault.InvalidField, path+".measurement.spectrum.sha256", "found %x, accepted is the SHA-256 of one of the event's attachments", want)
}

func (m *Measurement) clone() *Measurement {
	c := shallow(m)
	if c == nil {
		return nil
	}
	if c.Hydrostatic = shallow(m.Hydrostatic); c.Hydrostatic != nil {
		c.Hydrostatic.WaterTemperatureCelsius = shallow(m.Hydrostatic.WaterTemperatureCelsius)
	}
	if c.Uptake = shallow(m.Uptake); c.Uptake != nil {
		c.Uptake.Readings = slices.Clone(m.Uptake.Readings)
		c.Uptake.WaterTemperatureCelsius = shallow(m.Uptake.WaterTemperatureCelsius)
	}
	c.Spectrum = shallow(m.Spectrum)
	if c.Refractometer = shallow(m.Refractometer); c.Refractometer != nil {
		c.Refractometer.Indices = slices.Clone(m.Refractometer.Indices)
	}
	return c
}

// Computed is what the service made of a measurement when it took it in: computed once, with the algorithm named, and stored with the
// event. A later version that reads the same curve otherwise does not change what this one said.
type Computed struct {
	// Algorithm names what computed it, with its version, such as "uptake/1".
	Algorithm string `cbor:"1,keyasint"`
	// Outcome is the word of the method; empty: the measurement says nothing that has a word.
	Outcome Outcome `cbor:"2,keyasint,omitempty"`
	// Also are further words that the same measurement earns, such as LOST_MASS beside STRONG.
	Also []Outcome `cbor:"3,keyasint,omitempty"`
	// Figures are what was computed, rounded to 9 significant digits.
	Figures []Figure `cbor:"4,keyasint,omitempty"`
	// Says and Silent are plain sentences: what follows from it, and what does not.
	Says   []string `cbor:"5,keyasint,omitempty"`
	Silent []string `cbor:"6,keyasint,omitempty"`
	// Cautions are what to beware of, with the stone or with the hands.
	Cautions []string `cbor:"7,keyasint,omitempty"`
	// Peaks is a spectrum reduced to its peaks.
	Peaks []Peak `cbor:"8,keyasint,omitempty"`
}

// Figure is one number with its standard uncertainty.
type Figure struct {
	Name        string   `cbor:"1,keyasint"`
	Value       float64  `cbor:"2,keyasint"`
	Uncertainty *float64 `cbor:"3,keyasint,omitempty"`
	Unit        string   `cbor:"4,keyasint,omitempty"`
}

// Peak is one peak of a spectrum: where, how high over its baseline, how wide at half its prominence, how far it stands out from the higher of its
// feet, and what lies above the line between its feet.
type Peak struct {
	Position   float64 `cbor:"1,keyasint"`
	Height     float64 `cbor:"2,keyasint"`
	Width      float64 `cbor:"3,keyasint"`
	Prominence float64 `cbor:"4,keyasint"`
	Area       float64 `cbor:"5,keyasint"`
}
