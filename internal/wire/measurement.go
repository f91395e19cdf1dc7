package wire

import (
	"cmp"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func measurementIn(m *pb.Measurement) (opal.Measurement, *fault.Error) {
	hydrostatic, f1 := part("hydrostatic", m.Hydrostatic, m.Hydrostatic != nil, hydrostaticIn)
	uptake, f2 := part("uptake", m.Uptake, m.Uptake != nil, uptakeIn)
	spectrum, f3 := part("spectrum", m.Spectrum, m.Spectrum != nil, spectrumIn)
	refractometer, f4 := part("refractometer", m.Refractometer, m.Refractometer != nil, refractometerIn)
	return opal.Measurement{Hydrostatic: hydrostatic, Uptake: uptake, Spectrum: spectrum, Refractometer: refractometer}, cmp.Or(f1, f2, f3, f4)
}

func measurementOut(m *opal.Measurement) *pb.Measurement {
	if m == nil {
		return nil
	}
	out := &pb.Measurement{}
	if h := m.Hydrostatic; h != nil {
		out.Hydrostatic = &pb.HydrostaticReading{
			DryMass: wordOf(h.DryMass), SuspendedMass: wordOf(h.SuspendedMass), SoakedMass: wordOf(h.SoakedMass),
			WaterTemperatureCelsius: clonePtr(h.WaterTemperatureCelsius),
		}
	}
	if u := m.Uptake; u != nil {
		out.Uptake = &pb.UptakeReadings{
			DryMass: wordOf(u.DryMass), DriedMass: wordOf(u.DriedMass), WaterTemperatureCelsius: clonePtr(u.WaterTemperatureCelsius),
			TransparencyBefore: wordOf(u.TransparencyBefore), TransparencyAfter: wordOf(u.TransparencyAfter),
			Readings: listOf(u.Readings, func(r *opal.UptakeReading) *pb.UptakeReading {
				return &pb.UptakeReading{Minutes: proto.Float64(r.Minutes), Mass: wordOf(r.Mass)}
			}),
		}
	}
	if s := m.Spectrum; s != nil {
		out.Spectrum = &pb.SpectrumReading{Sha256: hashOf(s.SHA256)}
	}
	if r := m.Refractometer; r != nil {
		out.Refractometer = &pb.RefractometerReading{Indices: slices.Clone(r.Indices)}
	}
	return out
}

func hydrostaticIn(m *pb.HydrostaticReading) (opal.HydrostaticReading, *fault.Error) {
	return opal.HydrostaticReading{
		DryMass: word[opal.Mass](m.DryMass), SuspendedMass: word[opal.Mass](m.SuspendedMass), SoakedMass: word[opal.Mass](m.SoakedMass),
		WaterTemperatureCelsius: clonePtr(m.WaterTemperatureCelsius),
	}, nil
}

func uptakeIn(m *pb.UptakeReadings) (opal.UptakeReadings, *fault.Error) {
	readings, f := list("readings", m.Readings, func(r *pb.UptakeReading) (opal.UptakeReading, *fault.Error) {
		if r.Minutes == nil {
			return opal.UptakeReading{}, invalid("minutes", "found nothing, accepted is a number of minutes from 0 on")
		}
		return opal.UptakeReading{Minutes: r.GetMinutes(), Mass: word[opal.Mass](r.Mass)}, nil
	})
	return opal.UptakeReadings{
		DryMass: word[opal.Mass](m.DryMass), DriedMass: word[opal.Mass](m.DriedMass), Readings: readings,
		WaterTemperatureCelsius: clonePtr(m.WaterTemperatureCelsius),
		TransparencyBefore:      word[opal.Look](m.TransparencyBefore), TransparencyAfter: word[opal.Look](m.TransparencyAfter),
	}, f
}

func spectrumIn(m *pb.SpectrumReading) (opal.SpectrumReading, *fault.Error) {
	h, f := hash("sha256", m.Sha256)
	return opal.SpectrumReading{SHA256: h}, f
}

func refractometerIn(m *pb.RefractometerReading) (opal.RefractometerReading, *fault.Error) {
	return opal.RefractometerReading{Indices: slices.Clone(m.Indices)}, nil
}

// ComputedFromDomain writes what the service made of a measurement; nil for nothing.
func ComputedFromDomain(c *opal.Computed) *pb.Computed {
	if c == nil {
		return nil
	}
	return &pb.Computed{
		Algorithm: wordOf(c.Algorithm), Outcome: wordOf(c.Outcome), Also: wordsOf(c.Also), Figures: listOf(c.Figures, FigureFromDomain),
		Says: slices.Clone(c.Says), Silent: slices.Clone(c.Silent), Cautions: slices.Clone(c.Cautions),
		Peaks: listOf(c.Peaks, func(p *opal.Peak) *pb.Peak {
			m := &pb.Peak{Position: p.Position, Height: p.Height}
			for _, x := range [...]struct {
				from float64
				to   **float64
			}{{p.Width, &m.Width}, {p.Prominence, &m.Prominence}, {p.Area, &m.Area}} {
				if x.from != 0 {
					*x.to = proto.Float64(x.from)
				}
			}
			return m
		}),
	}
}

// FigureFromDomain writes one figure.
func FigureFromDomain(f *opal.Figure) *pb.Figure {
	return &pb.Figure{Name: f.Name, Value: f.Value, Uncertainty: clonePtr(f.Uncertainty), Unit: f.Unit}
}

// clonePtr shares no memory with what it copies.
func clonePtr[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}
