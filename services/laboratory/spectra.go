package laboratory

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/spectrum"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// maxKnown bounds the known spectra that may come with one.
const maxKnown = 50

// ReadSpectrum reads a spectrum.
func (s *Service) ReadSpectrum(_ context.Context, in *pb.ReadSpectrumRequest) (*pb.ReadSpectrumResponse, error) {
	kind := spectrum.Kind(in.GetKind())
	if kind != "" && kind != spectrum.Infrared && kind != spectrum.Raman {
		return nil, fault.New(fault.InvalidField, "kind", "found %q, accepted is INFRARED or RAMAN", in.GetKind())
	}
	material, f := materialKind(in.GetMaterial())
	if f != nil {
		return nil, f
	}
	if n := len(in.GetKnownUntreated()); n > maxKnown {
		return nil, fault.New(fault.InvalidField, "knownUntreated", "found %d spectra, accepted are at most %d", n, maxKnown)
	}
	curve, field, f := curveOf(in.Jcamp, in.Columns)
	if f != nil {
		return nil, f
	}
	if kind == "" {
		if kind = curve.Kind; kind == "" {
			return nil, fault.New(fault.InvalidField, "kind", "found nothing here nor in the file, accepted is INFRARED or RAMAN")
		}
	}
	// Whoever gives the known ones says with it that they are of the same material and look.
	alike := opal.Material{Kind: material, Look: opal.Translucent}
	// The same curve is the same stone: given twice it would make known stones of one, and the one asked about would be its own measure.
	given := map[[sha256.Size]byte]string{pointsOf(curve): "the spectrum that is asked about"}
	var known []spectrum.Reference
	for i, k := range in.GetKnownUntreated() {
		path := fmt.Sprintf("knownUntreated[%d]", i)
		c, field, f := curveOf(k.Jcamp, k.Columns)
		if f != nil {
			return nil, within(path, f)
		}
		points := pointsOf(c)
		if of := given[points]; of != "" {
			return nil, fault.New(fault.InvalidField, path, "found the points of %s again, accepted is one spectrum of each known stone, and none of the stone asked about", of)
		}
		given[points] = path
		r, f := spectrum.Read(c, kind, alike, nil)
		if f != nil {
			return nil, within(path+"."+field, f)
		}
		known = append(known, spectrum.Reference{Material: alike, Figures: r.Figures()})
	}
	r, f := spectrum.Read(curve, kind, alike, known)
	if f != nil {
		return nil, within(field, f)
	}
	c := wire.ComputedFromDomain(r.Computed())
	out := &pb.ReadSpectrumResponse{
		Kind: string(r.Kind), Outcome: string(r.Outcome), Also: c.GetAlso(), Reasons: r.Reasons, Silent: r.Silent, Cautions: r.Cautions, Peaks: c.GetPeaks(),
		Figures: c.GetFigures(), Svg: r.SVG(),
	}
	for i := range r.Bands {
		out.Bands = append(out.Bands, bandOf(&r.Bands[i]))
	}
	return out, nil
}

// pointsOf tells one curve from another by its points, whichever form they came in.
func pointsOf(c *spectrum.Curve) (sum [sha256.Size]byte) {
	b := make([]byte, 0, 16*len(c.X))
	for i, x := range c.X {
		y := c.Y[i]
		if math.IsNaN(y) {
			y = math.NaN() // of all the ways to write it, one
		}
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(x))
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(y))
	}
	return sha256.Sum256(b)
}

// curveOf reads the one form that is given, and names it.
func curveOf(jcamp, columns *string) (c *spectrum.Curve, field string, f *fault.Error) {
	switch {
	case (jcamp == nil) == (columns == nil):
		found := "neither jcamp nor columns"
		if jcamp != nil {
			found = "both jcamp and columns"
		}
		return nil, "", fault.New(fault.InvalidField, "jcamp", "found %s, accepted is one of them", found)
	case jcamp != nil:
		field = "jcamp"
		c, f = spectrum.ReadJCAMP([]byte(*jcamp))
	default:
		field = "columns"
		c, f = spectrum.ReadColumns([]byte(*columns))
	}
	if f != nil {
		return nil, field, within(field, f)
	}
	return c, field, nil
}

func bandOf(b *spectrum.Band) *pb.SpectrumBand {
	out := &pb.SpectrumBand{Name: b.Name, What: b.What, Low: b.Low, High: b.High, Opal: b.Opal, Readable: b.Readable, Seen: b.Seen}
	if b.Readable {
		out.Area, out.AreaUncertainty = two(b.Area)
	}
	if b.Ratio != nil {
		out.Ratio, out.RatioUncertainty = two(*b.Ratio)
		out.Standard = &b.Standard
	}
	if b.Z != nil {
		z, n := numeric.Nine(*b.Z), int32(b.Of)
		out.RobustZ, out.ComparedWith = &z, &n
	}
	return out
}

func two(v spectrum.Value) (value, uncertainty *float64) {
	a, b := numeric.Nine(v.Value), numeric.Nine(v.Uncertainty)
	return &a, &b
}

// within puts a part's name before a fault's path.
func within(part string, f *fault.Error) *fault.Error {
	c := *f
	if c.Field = part; f.Field != "" {
		c.Field = part + "." + f.Field
	}
	return &c
}

// spectrumOf reads the spectrum of a test, whose file must be here.
func (a Assays) spectrumOf(ctx context.Context, ev *opal.Event, t *opal.Tested) (*opal.Computed, *fault.Error) {
	const field = "spectrum.sha256"
	hash := t.Measurement.Spectrum.SHA256
	if a.File == nil {
		return nil, fault.New(fault.InvalidField, field, "found a spectrum, accepted here is the outcome alone: this service keeps no files")
	}
	data, err := a.File(hash)
	switch {
	case err != nil:
		return nil, fault.New(fault.InternalError, "", "read the file %x: %v", hash, err)
	case data == nil:
		return nil, fault.New(fault.InvalidField, field, "found %x, whose file is not here; accepted is that of a file that was uploaded before (POST /v1/attachments)", hash)
	}
	curve, f := spectrum.Parse(data)
	if f != nil {
		return nil, within(field, f)
	}
	kind := spectrum.Infrared
	if t.Method == opal.Raman {
		kind = spectrum.Raman
	}
	material, err := a.Material(ev.Lot)
	if err != nil {
		return nil, fault.New(fault.InternalError, "", "%v", err)
	}
	var known []spectrum.Reference
	if a.Known != nil {
		if known, err = a.Known(ctx, ev.Party, t.Method, t.Protocol, ev.Lot); err != nil {
			return nil, failed(err)
		}
	}
	r, f := spectrum.Read(curve, kind, material, known)
	if f != nil {
		return nil, within(field, f)
	}
	return r.Computed(), nil
}
