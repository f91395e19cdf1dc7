package opal

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
)

func TestCheckMeasurement(t *testing.T) {
	of := func(method Method) *Event {
		for _, e := range measuredTests(t) {
			if e.Tested.Method == method {
				return e
			}
		}
		t.Fatalf("no sample of %s", method)
		return nil
	}
	for _, x := range []struct {
		name   string
		method Method
		change func(*Tested)
		field  string
		says   string
	}{
		{"of a method that takes none", Hydrostatic, func(t *Tested) { t.Method = Microscope }, "tested.measurement", "none with it"},
		{"of another method", Hydrostatic, func(t *Tested) { t.Method = WaterUptake }, "tested.measurement.hydrostatic", "uptake"},
		{"empty", Hydrostatic, func(t *Tested) { *t.Measurement = Measurement{} }, "tested.measurement", "hydrostatic"},
		{"two at once", Hydrostatic, func(t *Tested) { t.Measurement.Refractometer = &RefractometerReading{Indices: []float64{1.4}} }, "tested.measurement", "found 2"},
		{"no dry mass", Hydrostatic, func(t *Tested) { t.Measurement.Hydrostatic.DryMass = "" }, "tested.measurement.hydrostatic.dryMass", "accepted"},
		{"no suspended mass", Hydrostatic, func(t *Tested) { t.Measurement.Hydrostatic.SuspendedMass = "-1 ct" }, "tested.measurement.hydrostatic.suspendedMass", "accepted"},
		{"a bad soaked mass", Hydrostatic, func(t *Tested) { t.Measurement.Hydrostatic.SoakedMass = "much" }, "tested.measurement.hydrostatic.soakedMass", "accepted"},
		{"steam", Hydrostatic, func(t *Tested) { t.Measurement.Hydrostatic.WaterTemperatureCelsius = fl(100.5) }, "tested.measurement.hydrostatic.waterTemperatureCelsius", "0 to 100"},
		{"no readings", WaterUptake, func(t *Tested) { t.Measurement.Uptake.Readings = nil }, "tested.measurement.uptake.readings", "1 to 500"},
		{"501 readings", WaterUptake, func(t *Tested) { t.Measurement.Uptake.Readings = make([]UptakeReading, 501) }, "tested.measurement.uptake.readings", "at most 500"},
		{"out of order", WaterUptake, func(t *Tested) { t.Measurement.Uptake.Readings[1].Minutes = 10 }, "tested.measurement.uptake.readings[1].minutes", "in order"},
		{"no time at all", WaterUptake, func(t *Tested) { t.Measurement.Uptake.Readings[0].Minutes = math.NaN() }, "tested.measurement.uptake.readings[0].minutes", "NaN"},
		{"a bad mass", WaterUptake, func(t *Tested) { t.Measurement.Uptake.Readings[1].Mass = "0 ct" }, "tested.measurement.uptake.readings[1].mass", "accepted"},
		{"a bad dried mass", WaterUptake, func(t *Tested) { t.Measurement.Uptake.DriedMass = "x" }, "tested.measurement.uptake.driedMass", "accepted"},
		{"no dry mass before", WaterUptake, func(t *Tested) { t.Measurement.Uptake.DryMass = "" }, "tested.measurement.uptake.dryMass", "accepted"},
		{"ice", WaterUptake, func(t *Tested) { t.Measurement.Uptake.WaterTemperatureCelsius = fl(-1) }, "tested.measurement.uptake.waterTemperatureCelsius", "0 to 100"},
		{"an unknown look", WaterUptake, func(t *Tested) { t.Measurement.Uptake.TransparencyAfter = "CLEAR" }, "tested.measurement.uptake.transparencyAfter", "TRANSLUCENT"},
		{"an unknown look before", WaterUptake, func(t *Tested) { t.Measurement.Uptake.TransparencyBefore = "CLEAR" }, "tested.measurement.uptake.transparencyBefore", "TRANSLUCENT"},
		{"a spectrum that is not attached", Infrared, func(t *Tested) { t.Measurement.Spectrum.SHA256 = hash(1) }, "tested.measurement.spectrum.sha256", "one of the event's attachments"},
		{"no index", Refractometer, func(t *Tested) { t.Measurement.Refractometer.Indices = nil }, "tested.measurement.refractometer.indices", "1 to 50"},
		{"51 indices", Refractometer, func(t *Tested) { t.Measurement.Refractometer.Indices = make([]float64, 51) }, "tested.measurement.refractometer.indices", "at most 50"},
		{"less than a vacuum", Refractometer, func(t *Tested) { t.Measurement.Refractometer.Indices[1] = 0.9 }, "tested.measurement.refractometer.indices[1]", "1 to 4"},
	} {
		t.Run(x.name, func(t *testing.T) {
			e := Clone(of(x.method))
			x.change(e.Tested)
			f := Check(e, 0)
			if f == nil || f.Field != x.field || !strings.Contains(f.Message, x.says) {
				t.Errorf("%+v, want %s: …%s…", f, x.field, x.says)
			}
			// In place of an earlier test it is refused in the same way.
			c := sampleCorrection(t, KindTested)
			c.Corrected.Replacement.Tested = e.Tested
			if g := Check(c, 0); g == nil || g.Field != "corrected.replacement."+x.field || f != nil && g.Message != f.Message {
				t.Errorf("in a correction: %+v", g)
			}
		})
	}
	// A measurement stands for an outcome; without either there is nothing.
	e := of(Hydrostatic)
	e.Tested.Measurement = nil
	if f := Check(e, 0); f == nil || f.Reason != fault.InvalidField || !strings.Contains(f.Message, "or a measurement") {
		t.Errorf("neither outcome nor measurement: %v", f)
	}
	for _, m := range AllMethods() {
		if part := m.MeasuredBy(); part != "" && !slices.Contains([]string{"hydrostatic", "uptake", "spectrum", "refractometer"}, part) {
			t.Errorf("%s is measured by %s", m, part)
		}
	}
}
