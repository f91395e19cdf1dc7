package laboratory

import (
	"context"
	"fmt"
	"strconv"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/sampling"
)

// Service answers the laboratory's calls.
type Service struct {
	pb.UnimplementedLaboratoryServiceServer
}

var _ pb.LaboratoryServiceServer = (*Service)(nil)

// New makes a service.
func New() *Service { return &Service{} }

// What is taken where a question leaves it out.
const defaultConfidence = 0.95

const blindly = "The stones must be drawn blindly from the whole parcel, such as by numbers drawn from a bag; of stones that somebody chose it says nothing."

// PlanSample answers how many stones to draw.
func (s *Service) PlanSample(_ context.Context, in *pb.PlanSampleRequest) (*pb.PlanSampleResponse, error) {
	w := sampling.Wish{
		Parcel: int64(in.GetLotSize()), MaxTreated: wide(in.MaxTreated), MaxFraction: in.MaxFraction, Confidence: or(in.Confidence, defaultConfidence),
		Sensitivity: or(in.Sensitivity, 1), AllowedFinds: int64(in.GetAllowedFinds()),
	}
	if f := needed("lotSize", in.LotSize, "the number of stones in the parcel"); f != nil {
		return nil, f
	}
	p, f := w.Find()
	if f != nil {
		return nil, f
	}
	claim := fmt.Sprintf("at most %d of the %d are treated", in.GetMaxTreated(), in.GetLotSize())
	if w.MaxFraction != nil {
		claim = fmt.Sprintf("fewer than %s of the %d are treated", percent(*w.MaxFraction), in.GetLotSize())
	}
	finds := "none of them is found treated"
	if n := w.AllowedFinds; n > 0 {
		finds = fmt.Sprintf("no more than %d of them are found treated", n)
	}
	out := &pb.PlanSampleResponse{
		SampleSize: int32(p.SampleSize), Excluded: int32(p.Treated), Confidence: numeric.Nine(p.Confidence),
		Statement: fmt.Sprintf("Draw and test %d of the %d stones: if %s, then %s (%s, one-sided).", p.SampleSize, in.GetLotSize(), finds, claim, percent(w.Confidence)),
		Notes:     []string{blindly},
	}
	if w.Sensitivity < 1 {
		out.Notes = append(out.Notes, fmt.Sprintf("The test is taken to show %s of the treated stones, exactly.", percent(w.Sensitivity)))
	} else {
		out.Notes = append(out.Notes, "The test is taken to show every treated stone. Few do: give its sensitivity if it is known.")
	}
	return out, nil
}

// Question reads what was tested and found.
func Question(in *pb.InferSampleRequest) (sampling.Question, *fault.Error) {
	q := sampling.Question{
		Parcel: int64(in.GetLotSize()), Tested: int64(in.GetSampleSize()), Positives: int64(in.GetPositives()),
		Confidence: or(in.Confidence, defaultConfidence), TwoSided: in.GetTwoSided(),
		Test: sampling.Test{Sensitivity: or(in.Sensitivity, 1), Specificity: or(in.Specificity, 1)},
	}
	if c := in.GetCounts(); c != nil {
		q.Counts = &sampling.Counts{
			TreatedWith: int64(c.GetTreatedWith()), TreatedAll: int64(c.GetTreatedAll()),
			UntreatedWith: int64(c.GetUntreatedWith()), UntreatedAll: int64(c.GetUntreatedAll()),
		}
	}
	for _, x := range [...]struct {
		name  string
		given *int32
		what  string
	}{
		{"lotSize", in.LotSize, "the number of stones in the parcel"}, {"sampleSize", in.SampleSize, "the number of stones tested"},
		{"positives", in.Positives, "the number of stones that the test showed as treated, 0 if none"},
	} {
		if f := needed(x.name, x.given, x.what); f != nil {
			return q, f
		}
	}
	return q, nil
}

// InferSample answers what a sample says.
func (s *Service) InferSample(_ context.Context, in *pb.InferSampleRequest) (*pb.InferSampleResponse, error) {
	q, f := Question(in)
	if f != nil {
		return nil, f
	}
	a, f := sampling.Infer(q)
	if f != nil {
		if q.Counts != nil && (f.Field == "treatedAll" || f.Field == "treatedWith" || f.Field == "untreatedAll" || f.Field == "untreatedWith") {
			f.Field = "counts." + f.Field
		}
		return nil, f
	}
	side := "one-sided"
	if a.TwoSided {
		side = "two-sided"
	}
	return &pb.InferSampleResponse{
		LowerTreated: int32(a.Lower), UpperTreated: int32(a.Upper),
		LowerFraction: numeric.Nine(float64(a.Lower) / float64(a.Of)), UpperFraction: numeric.Nine(float64(a.Upper) / float64(a.Of)),
		UntestedProbability: numeric.Nine(a.Untested), Interval: percent(a.Confidence) + " " + side, Statement: a.Sentence(), Notes: a.Notes, Fits: a.Fits,
	}, nil
}

func needed(name string, given *int32, what string) *fault.Error {
	if given == nil {
		return fault.New(fault.InvalidField, name, "found nothing, accepted is %s", what)
	}
	return nil
}

func or(p *float64, otherwise float64) float64 {
	if p == nil {
		return otherwise
	}
	return *p
}

func wide(p *int32) *int64 {
	if p == nil {
		return nil
	}
	n := int64(*p)
	return &n
}

func percent(share float64) string { return strconv.FormatFloat(share*100, 'g', 6, 64) + " %" }
