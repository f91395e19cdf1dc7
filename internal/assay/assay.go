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
	return OfSince(m, material, opal.MoistureUnknown, nil)
}

// OfSince is Of for a stone whose moisture is known and that was weighed in water before; nil: it was not. Only a hydrostatic weighing is compared.
func OfSince(m *opal.Measurement, material opal.Material, moisture opal.Moisture, earlier *Earlier) (*opal.Computed, *fault.Error) {
	switch {
	case m.Hydrostatic != nil:
		r, f := HydrostaticSince(m.Hydrostatic, material.Kind, moisture, earlier)
		if f != nil {
			return nil, within("hydrostatic", f)
		}
		return r.Computed(), nil
	case m.Uptake != nil:
		r, f := Uptake(m.Uptake, material)
		if f != nil {
			return nil, within("uptake", f)
		}
		return r.Computed(), nil
	case m.Refractometer != nil:
		r, f := Refractometer(m.Refractometer, material.Kind)
		if f != nil {
			return nil, within("refractometer", f)
		}
		return r, nil
	}
	return nil, fault.New(fault.InvalidField, "", "found no readings, accepted are some; a spectrum lies in a file, and internal/spectrum reads it")
}

// within puts a part's name before a fault's path.
func within(part string, f *fault.Error) *fault.Error {
	c := *f
	if c.Field = part; f.Field != "" {
		c.Field = part + "." + f.Field
	}
	return &c
}

// weighed reads a mass in grams with its standard uncertainty: the last digit written is the scale's step d, and a reading may lie anywhere within it,
// so u = d/√12 (a rectangular distribution; GUM, JCGM 100:2008, 4.3.7).
func weighed(field string, m opal.Mass) (g, u float64, f *fault.Error) {
	w, err := opal.ParseMass(string(m))
	if err != nil {
		return 0, 0, fault.New(fault.InvalidField, field, "%v", err)
	}
	return float64(w.Micrograms) / 1e6, w.Uncertainty() / 1e6, nil
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

// written formats a figure for a sentence, with no minus before a zero.
func written(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if z, err := strconv.ParseFloat(s, 64); err == nil && z == 0 {
		return strconv.FormatFloat(0, 'f', digits, 64)
	}
	return s
}
