package laboratory

import (
	"context"
	"slices"

	"github.com/lotpaper/lotpaper/internal/assay"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/spectrum"
)

// Assays computes what the measurement of a test says, for who takes tests in.
type Assays struct {
	// Material answers what a lot is made of; the zero value for a lot that nobody knows.
	Material func(lot string) (opal.Material, error)
	// Before answers the last weighing in water of the same stone before an event's, nil if there was none, and the moisture of the stone at the event; nil:
	// none is looked for.
	Before func(ctx context.Context, ev *opal.Event) (opal.Moisture, *assay.Earlier, error)
	// File answers what an attachment holds, nil if its file is not here; nil: no files are kept.
	File func(hash [32]byte) ([]byte, error)
	// Known answers the spectra of stones that the laboratory names as known to be untreated, measured by it with the method under the protocol, without
	// those in the line of the lot asked about; nil: there are none.
	Known func(ctx context.Context, laboratory string, method opal.Method, protocol, lot string) ([]spectrum.Reference, error)
}

// Compute answers what an event's measurement says. A fault's field is a path within the measurement.
func (a Assays) Compute(ctx context.Context, ev *opal.Event) (*opal.Computed, *fault.Error) {
	t, _ := ev.Test()
	if t.Measurement.Spectrum != nil {
		return a.spectrumOf(ctx, ev, t)
	}
	material, err := a.Material(ev.Lot)
	if err != nil {
		return nil, fault.New(fault.InternalError, "", "%v", err)
	}
	if t.Measurement.Hydrostatic == nil || a.Before == nil {
		return assay.Of(t.Measurement, material)
	}
	moisture, before, err := a.Before(ctx, ev)
	if err != nil {
		return nil, failed(err)
	}
	return assay.OfSince(t.Measurement, material, moisture, before)
}

// failed keeps a refusal, such as of a node that has not caught up, and hides what else went wrong.
func failed(err error) *fault.Error {
	if f, ok := fault.As(err); ok {
		return f
	}
	return fault.New(fault.InternalError, "", "%v", err)
}

// WeighHydrostatic computes a density.
func (s *Service) WeighHydrostatic(_ context.Context, in *pb.WeighHydrostaticRequest) (*pb.WeighHydrostaticResponse, error) {
	kind, f := materialKind(in.GetMaterial())
	if f != nil {
		return nil, f
	}
	moisture, f := moistureOf("moisture", in.GetMoisture())
	if f != nil {
		return nil, f
	}
	var earlier *assay.Earlier
	if e := in.GetEarlier(); e != nil {
		earlier = &assay.Earlier{Reading: &opal.HydrostaticReading{
			DryMass: opal.Mass(e.GetDryMass()), SuspendedMass: opal.Mass(e.GetSuspendedMass()), SoakedMass: opal.Mass(e.GetSoakedMass()),
			WaterTemperatureCelsius: e.WaterTemperatureCelsius,
		}}
		if earlier.Moisture, f = moistureOf("earlier.moisture", e.GetMoisture()); f != nil {
			return nil, f
		}
		if _, f := assay.Hydrostatic(earlier.Reading, kind); f != nil {
			return nil, within("earlier", f)
		}
	}
	r, f := assay.HydrostaticSince(&opal.HydrostaticReading{
		DryMass: opal.Mass(in.GetDryMass()), SuspendedMass: opal.Mass(in.GetSuspendedMass()), SoakedMass: opal.Mass(in.GetSoakedMass()),
		WaterTemperatureCelsius: in.WaterTemperatureCelsius,
	}, kind, moisture, earlier)
	if f != nil {
		return nil, f
	}
	out := &pb.WeighHydrostaticResponse{
		ExteriorVolumeCm3: numeric.Nine(r.ExteriorVolumeCm3.Value), ExteriorVolumeCm3Uncertainty: numeric.Nine(r.ExteriorVolumeCm3.Uncertainty),
		ApparentSpecificGravity: numeric.Nine(r.ApparentSpecificGravity.Value), ApparentSpecificGravityUncertainty: numeric.Nine(r.ApparentSpecificGravity.Uncertainty),
		BulkDensity: numeric.Nine(r.BulkDensity.Value), BulkDensityUncertainty: numeric.Nine(r.BulkDensity.Uncertainty),
		Outcome: string(r.Outcome), Notes: slices.Concat(r.Says, r.Silent, r.Cautions), Source: r.Range,
	}
	for _, o := range r.Also {
		out.Also = append(out.Also, string(o))
	}
	if r.ApparentPorosity != nil {
		out.ApparentPorosity, out.ApparentPorosityUncertainty = both(*r.ApparentPorosity)
		out.WaterAbsorption, out.WaterAbsorptionUncertainty = both(*r.WaterAbsorption)
	}
	return out, nil
}

func both(v assay.Value) (value, uncertainty *float64) {
	a, b := numeric.Nine(v.Value), numeric.Nine(v.Uncertainty)
	return &a, &b
}

// ReadUptake reads an uptake over time.
func (s *Service) ReadUptake(_ context.Context, in *pb.ReadUptakeRequest) (*pb.ReadUptakeResponse, error) {
	kind, f := materialKind(in.GetMaterial())
	if f != nil {
		return nil, f
	}
	readings := &opal.UptakeReadings{
		DryMass: opal.Mass(in.GetDryMass()), DriedMass: opal.Mass(in.GetDriedMass()), WaterTemperatureCelsius: in.WaterTemperatureCelsius,
		TransparencyBefore: opal.Look(in.GetTransparencyBefore()), TransparencyAfter: opal.Look(in.GetTransparencyAfter()),
	}
	for _, x := range in.GetReadings() {
		readings.Readings = append(readings.Readings, opal.UptakeReading{Minutes: x.GetMinutes(), Mass: opal.Mass(x.GetMass())})
	}
	// The shape is that of an event's measurement, and so are its limits.
	if f := opal.CheckUptake(readings); f != nil {
		return nil, f
	}
	r, f := assay.Uptake(readings, opal.Material{Kind: kind, Look: readings.TransparencyBefore})
	if f != nil {
		return nil, f
	}
	out := &pb.ReadUptakeResponse{Class: string(r.Class), Outcome: string(r.Class), Notes: slices.Concat(r.Says, r.Silent, r.Cautions), Svg: r.SVG()}
	for _, o := range r.Also {
		out.Also = append(out.Also, string(o))
	}
	for _, p := range r.Points {
		out.Uptake = append(out.Uptake, &pb.UptakePoint{Minutes: p.Minutes, Uptake: numeric.Nine(p.Uptake.Value), UptakeUncertainty: numeric.Nine(p.Uptake.Uncertainty)})
	}
	if f := r.Fit; f != nil {
		out.Fit = &pb.UptakeFit{
			Saturation: numeric.Nine(f.Saturation.Value), SaturationUncertainty: numeric.Nine(f.Saturation.Uncertainty),
			TauMinutes: numeric.Nine(f.TauMinutes.Value), TauMinutesUncertainty: numeric.Nine(f.TauMinutes.Uncertainty),
			To95Minutes: numeric.Nine(f.To95Minutes.Value), To95MinutesUncertainty: numeric.Nine(f.To95Minutes.Uncertainty), Residual: numeric.Nine(f.Residual),
		}
	}
	return out, nil
}

func moistureOf(field, given string) (opal.Moisture, *fault.Error) {
	m := opal.Moisture(given)
	if given != "" && !slices.Contains(opal.AllMoistures(), m) {
		return "", fault.New(fault.InvalidField, field, "found %q, accepted is one of %v", given, opal.AllMoistures())
	}
	return m, nil
}

func materialKind(given string) (opal.MaterialKind, *fault.Error) {
	kind := opal.MaterialKind(given)
	if given == "" {
		return opal.UnknownKind, nil
	}
	if !slices.Contains(opal.AllMaterialKinds(), kind) {
		return "", fault.New(fault.InvalidField, "material", "found %q, accepted is one of %v", given, opal.AllMaterialKinds())
	}
	return kind, nil
}
