package laboratory

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/spectrum"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

func made(seed uint64, organics float64) synth.Spectrum {
	return synth.Infrared(synth.Recipe{Title: "made", First: 4000, Last: 600, Step: -2, Seed: seed, Noise: 0.0004, Organics: organics})
}

func columns(s synth.Spectrum) string {
	var b strings.Builder
	for i, y := range s.Y {
		fmt.Fprintf(&b, "%g\t%.6f\n", s.First+float64(i)*s.Step, y)
	}
	return b.String()
}

// What the curves show is internal/spectrum's to find, and its tests'; here it is that the edge asks what it means to ask.
func TestReadSpectrum(t *testing.T) {
	text := made(1, 1).JCAMP(synth.DIFDUP, 1e-5)
	table := columns(made(1, 1))
	var known []*pb.KnownSpectrum
	for i := range 6 {
		k := &pb.KnownSpectrum{Jcamp: proto.String(made(uint64(10+i), 0.1+0.03*float64(i)).JCAMP(synth.SQZ, 1e-5))}
		if i%2 == 0 {
			k = &pb.KnownSpectrum{Columns: proto.String(columns(made(uint64(10+i), 0.1+0.03*float64(i))))}
		}
		known = append(known, k)
	}
	for name, c := range map[string]struct {
		in   *pb.ReadSpectrumRequest
		want string
	}{
		"a file":               {&pb.ReadSpectrumRequest{Kind: proto.String("INFRARED"), Jcamp: &text, Material: proto.String("HYDROPHANE")}, "ORGANICS_PRESENT"},
		"a file says its kind": {&pb.ReadSpectrumRequest{Jcamp: &text}, "ORGANICS_PRESENT"},
		"columns":              {&pb.ReadSpectrumRequest{Kind: proto.String("INFRARED"), Columns: &table}, "ORGANICS_PRESENT"},
		"beside known stones":  {&pb.ReadSpectrumRequest{Jcamp: &text, KnownUntreated: known}, "RAISED"},
		"beside too few":       {&pb.ReadSpectrumRequest{Jcamp: &text, KnownUntreated: known[:4]}, "ORGANICS_PRESENT"},
	} {
		out, err := New().ReadSpectrum(t.Context(), c.in)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if out.GetOutcome() != c.want || len(out.GetReasons()) == 0 || len(out.GetCautions()) == 0 || len(out.GetPeaks()) < 4 || len(out.GetBands()) < 7 || out.GetKind() != "INFRARED" {
			t.Errorf("%s: %s, %d peaks, %d bands: %q", name, out.GetOutcome(), len(out.GetPeaks()), len(out.GetBands()), out.GetReasons())
		}
		i := slices.IndexFunc(out.GetBands(), func(b *pb.SpectrumBand) bool { return b.GetName() == "chStretching" })
		if b := out.GetBands()[i]; !b.GetSeen() || b.GetStandard() != "silica800" || b.GetRatio() <= 0 || (b.RobustZ != nil) != (c.want == "RAISED") {
			t.Errorf("%s: %v", name, b)
		}
		if err := xml.Unmarshal([]byte(out.GetSvg()), new(struct{})); err != nil || !strings.HasPrefix(out.GetSvg(), "<svg ") {
			t.Errorf("%s: the picture is no XML: %v", name, err)
		}
	}
	bad := text[:len(text)/2]
	other := made(9, 0.2)
	known0, known1, known2 := other.JCAMP(synth.AFFN, 1e-5), columns(made(8, 0.2)), other.JCAMP(synth.DIFDUP, 1e-5)
	// The same points in another file: with the abscissas the other way round.
	lines := strings.SplitAfter(table, "\n")
	slices.Reverse(lines)
	turned := strings.Join(lines, "")
	twice := []*pb.KnownSpectrum{{Jcamp: &known0}, {Columns: &known1}, {Jcamp: &known2}}
	for field, in := range map[string]*pb.ReadSpectrumRequest{
		"kind":                     {Kind: proto.String("ULTRAVIOLET"), Jcamp: &text},
		"jcamp":                    {Kind: proto.String("INFRARED")},
		"material":                 {Jcamp: &text, Material: proto.String("GLASS")},
		"columns":                  {Kind: proto.String("INFRARED"), Columns: proto.String("a")},
		"knownUntreated[1].jcamp":  {Jcamp: &text, KnownUntreated: []*pb.KnownSpectrum{{Jcamp: &known0}, {Jcamp: &bad}}},
		"knownUntreated[2]":        {Jcamp: &text, KnownUntreated: twice},
		"knownUntreated[1]":        {Columns: &table, KnownUntreated: []*pb.KnownSpectrum{{Jcamp: &known0}, {Columns: &turned}}, Kind: proto.String("INFRARED")},
		"knownUntreated[0].jcamp ": {Jcamp: &text, KnownUntreated: []*pb.KnownSpectrum{{Jcamp: &text, Columns: &table}}},
		"knownUntreated":           {Jcamp: &text, KnownUntreated: make([]*pb.KnownSpectrum, 51)},
	} {
		_, err := New().ReadSpectrum(t.Context(), in)
		f, ok := fault.As(err)
		if !ok || f.Reason != fault.InvalidField || f.Field != strings.TrimSpace(field) || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %+v, %v", field, f, err)
		}
	}
	_, err := New().ReadSpectrum(t.Context(), &pb.ReadSpectrumRequest{Columns: &table})
	if f, ok := fault.As(err); !ok || f.Field != "kind" {
		t.Errorf("columns without a kind: %v", err)
	}
}

// The spectrum of a test lies in a file of its event.
func TestSpectrumOfATest(t *testing.T) {
	white := opal.Material{Kind: opal.Hydrophane, Look: opal.SemiOpaque}
	files := map[[32]byte][]byte{
		{1}: []byte(made(1, 1).JCAMP(synth.DIF, 1e-5)), {2}: []byte("no spectrum"), {3}: []byte(made(1, 0).JCAMP(synth.DIF, 1e-5)),
	}
	var known []spectrum.Reference
	for i := range 6 {
		c, f := spectrum.Parse([]byte(made(uint64(10+i), 0.1+0.03*float64(i)).JCAMP(synth.SQZ, 1e-5)))
		if f != nil {
			t.Fatal(f)
		}
		r, f := spectrum.Read(c, spectrum.Infrared, white, nil)
		if f != nil {
			t.Fatal(f)
		}
		known = append(known, spectrum.Reference{Material: white, Figures: r.Computed().Figures})
	}
	broken := errors.New("the disk is on fire")
	var asked []string
	whole := Assays{
		Material: func(string) (opal.Material, error) { return white, nil },
		File: func(h [32]byte) ([]byte, error) {
			if h == [32]byte{9} {
				return nil, broken
			}
			return files[h], nil
		},
		Known: func(_ context.Context, laboratory string, method opal.Method, protocol, lot string) ([]spectrum.Reference, error) {
			asked = []string{laboratory, string(method), protocol, lot}
			return known, nil
		},
	}
	without := whole
	without.Known = nil
	for name, c := range map[string]struct {
		assays Assays
		method opal.Method
		file   byte
		want   opal.Outcome
		refuse string
	}{
		"beside its known stones": {whole, opal.Infrared, 1, "RAISED", ""},
		"beside none":             {without, opal.Infrared, 1, "ORGANICS_PRESENT", ""},
		"clean":                   {whole, opal.Infrared, 3, "NONE", ""},
		"of another kind":         {whole, opal.Raman, 1, "", "of kind INFRARED"},
		"no spectrum":             {whole, opal.Infrared, 2, "", "or a JCAMP-DX file"},
		"not here":                {whole, opal.Infrared, 4, "", "whose file is not here"},
		"not to be read":          {whole, opal.Infrared, 9, "", "on fire"},
		"no files are kept":       {Assays{}, opal.Infrared, 1, "", "keeps no files"},
	} {
		ev := &opal.Event{Party: "lab", Lot: "mine.a", Tested: &opal.Tested{
			Method: c.method, Protocol: "P1", Measurement: &opal.Measurement{Spectrum: &opal.SpectrumReading{SHA256: [32]byte{c.file}}},
		}}
		got, f := c.assays.Compute(t.Context(), ev)
		switch {
		case c.refuse == "":
			if c.assays.Known != nil && !slices.Equal(asked, []string{"lab", "INFRARED", "P1", "mine.a"}) {
				t.Errorf("%s: asked for the known stones of %q", name, asked)
			}
			if f != nil || got.Outcome != c.want || got.Algorithm != spectrum.Version || len(got.Figures) == 0 {
				t.Errorf("%s: %+v, %v", name, got, f)
			}
		case f == nil || !strings.Contains(f.Message, c.refuse) || f.Reason != fault.InternalError && f.Field != "spectrum.sha256":
			t.Errorf("%s: %+v, want %q", name, f, c.refuse)
		}
	}
}
