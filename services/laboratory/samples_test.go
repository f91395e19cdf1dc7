package laboratory

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/numeric"
)

// The figures are those of internal/sampling's tests, which hold them against SciPy and published tables; here it is that the edge asks what it
// means to ask, and fills in what is left out.
func TestPlanSample(t *testing.T) {
	for text, want := range map[string]struct {
		size, excluded int32
		says           string
	}{
		`{"lotSize": 400, "maxTreated": 20}`:                                           {52, 21, "at most 20 of the 400 are treated (95 %, one-sided)"},
		`{"lotSize": 400, "maxFraction": 0.05}`:                                        {55, 20, "fewer than 5 % of the 400 are treated"},
		`{"lotSize": 400, "maxFraction": 0.05, "sensitivity": 0.9}`:                    {61, 20, "none of them is found treated"},
		`{"lotSize": 1600, "maxFraction": 0.01, "confidence": 0.99}`:                   {399, 16, "(99 %, one-sided)"},
		`{"lotSize": 1000, "maxFraction": 0.05, "allowedFinds": 1, "confidence": 0.9}`: {75, 50, "no more than 1 of them"},
	} {
		in := &pb.PlanSampleRequest{}
		if err := protojson.Unmarshal([]byte(text), in); err != nil {
			t.Fatal(err)
		}
		out, err := New().PlanSample(t.Context(), in)
		if err != nil || out.SampleSize != want.size || out.Excluded != want.excluded || !strings.Contains(out.Statement, want.says) || out.Confidence < 0.9 {
			t.Errorf("%s: %v, %v", text, out, err)
		}
		if notes := strings.Join(out.GetNotes(), " "); !strings.Contains(notes, "blindly") {
			t.Errorf("%s: notes %q", text, notes)
		}
	}
}

func TestInferSample(t *testing.T) {
	for text, want := range map[string]struct {
		lower, upper int32
		untested     float64
		interval     string
	}{
		`{"lotSize": 400, "sampleSize": 25, "positives": 0}`:                                                                                          {0, 43, 0.5 / 26, "95 % one-sided"},
		`{"lotSize": 400, "sampleSize": 25, "positives": 20}`:                                                                                         {252, 366, 20.5 / 26, "95 % one-sided"},
		`{"lotSize": 400, "sampleSize": 25, "positives": 3, "sensitivity": 0.9, "specificity": 0.95, "twoSided": true}`:                               {0, 121, 0.089881432, "95 % two-sided"},
		`{"lotSize": 400, "sampleSize": 25, "positives": 0, "counts": {"treatedWith": 20, "treatedAll": 20, "untreatedWith": 0, "untreatedAll": 20}}`: {0, 0, 0.0198, "95 % one-sided"},
	} {
		in := &pb.InferSampleRequest{}
		if err := protojson.Unmarshal([]byte(text), in); err != nil {
			t.Fatal(err)
		}
		out, err := New().InferSample(t.Context(), in)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if in.Counts == nil && (out.LowerTreated != want.lower || out.UpperTreated != want.upper) || math.Abs(out.UntestedProbability-want.untested) > 0.01*want.untested ||
			out.Interval != want.interval || out.UpperFraction != numeric.Nine(float64(out.UpperTreated)/400) || !out.Fits {
			t.Errorf("%s: %v", text, out)
		}
	}
}

func TestWhatIsLeftOut(t *testing.T) {
	n := func(i int32) *int32 { return &i }
	for field, call := range map[string]func() error{
		"lotSize": func() error {
			_, err := New().PlanSample(t.Context(), &pb.PlanSampleRequest{MaxTreated: n(1)})
			return err
		},
		"maxTreated": func() error {
			_, err := New().PlanSample(t.Context(), &pb.PlanSampleRequest{LotSize: n(10)})
			return err
		},
		"sampleSize": func() error {
			_, err := New().InferSample(t.Context(), &pb.InferSampleRequest{LotSize: n(10)})
			return err
		},
		"positives": func() error {
			_, err := New().InferSample(t.Context(), &pb.InferSampleRequest{LotSize: n(10), SampleSize: n(2)})
			return err
		},
		"counts.untreatedAll": func() error {
			_, err := New().InferSample(t.Context(), &pb.InferSampleRequest{LotSize: n(10), SampleSize: n(2), Positives: n(0), Counts: &pb.KnownCounts{TreatedWith: n(1), TreatedAll: n(1)}})
			return err
		},
	} {
		f, ok := fault.As(call())
		if !ok || f.Reason != fault.InvalidField || f.Field != field || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %v", field, f)
		}
	}
}
