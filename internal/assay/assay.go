package assay

import (
	"math"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Of computes what a measurement says of stones of a material. A fault's field is a path within the measurement.
func Of(m *opal.Measurement, material opal.Material) (*opal.Computed, *fault.Error) {
	under := func(part string, f *fault.Error) *fault.Error {
		if f != nil && f.Field != "" {
			f.Field = part + "." + f.Field
		} else if f != nil {
			f.Field = part
		}
		return f
	}
	switch {
	case m.Hydrostatic != nil:
		r, f := Hydrostatic(m.Hydrostatic, material.Kind)
		if f != nil {
			return nil, under("hydrostatic", f)
		}
		return r.Computed(), nil
	case m.Uptake != nil:
		r, f := Uptake(m.Uptake, material)
		if f != nil {
			return nil, under("uptake", f)
		}
		return r.Computed(), nil
	case m.Refractometer != nil:
		r, f := Refractometer(m.Refractometer, material.Kind)
		if f != nil {
			return nil, under("refractometer", f)
		}
		return r, nil
	case m.Spectrum != nil:
		return nil, fault.New(fault.InvalidField, "spectrum", "found a spectrum, which this version does not read; accepted is the outcome alone, with the file among the attachments")
	}
	return nil, fault.New(fault.InvalidField, "", "found an empty measurement, accepted is one with readings")
}

// grams of a weighing, and its standard uncertainty: the last digit written is the scale's step d, and a reading may lie anywhere within it, so
// u = d/√12 (a rectangular distribution; JCGM 100:2008, 4.3.7).
func grams(m opal.Mass) (g, u float64) {
	w := m.Weight()
	return float64(w.Micrograms) / 1e6, float64(w.Step) / 1e6 / math.Sqrt(12)
}

// Value is a figure with its standard uncertainty; a NaN uncertainty is none.
type Value struct{ Value, Uncertainty float64 }

func (v Value) figure(name, unit string) opal.Figure {
	f := opal.Figure{Name: name, Value: numeric.Nine(v.Value), Unit: unit}
	if !math.IsNaN(v.Uncertainty) {
		u := numeric.Nine(v.Uncertainty)
		f.Uncertainty = &u
	}
	return f
}

// root adds contributions to an uncertainty in quadrature; each is a sensitivity times an uncertainty.
func root(parts ...float64) float64 {
	sum := 0.0
	for _, p := range parts {
		sum += float64(p * p)
	}
	return math.Sqrt(sum)
}

// written formats a figure for a sentence.
func written(v float64, digits int) string { return strconv.FormatFloat(v, 'f', digits, 64) }
