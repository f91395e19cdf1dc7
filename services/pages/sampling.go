package pages

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strconv"
	"strings"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// samplingView fills the page on samples.
type samplingView struct {
	Query    url.Values
	Plan     *pb.PlanSampleResponse
	PlanSays string // why there is none
	Infer    *pb.InferSampleResponse
	InferSay string
	Picture  template.HTML
	Curl     string
}

// sampling tells how many stones to test, and what a result says. Everything is in the address: a page can be kept, and works without a script.
func (p *Pages) sampling(v *visit) (*answer, error) {
	q := v.URL.Query()
	out := &samplingView{Query: q}
	r := reader{c: v.look.catalog, q: q}
	a := &answer{template: "sampling", title: v.look.text("sampling.title"), data: out}
	if !q.Has("lotSize") {
		return a, nil
	}
	size, confidence := r.count("lotSize"), r.share("confidence")
	if r.err != nil {
		out.PlanSays = r.err.Error()
		return a, nil
	}
	if q.Get("most") != "" {
		in := &pb.PlanSampleRequest{LotSize: size, MaxFraction: r.share("most"), Confidence: confidence, Sensitivity: r.share("sensitivity")}
		if r.err != nil {
			out.PlanSays = r.err.Error()
		} else if plan, err := p.laboratory.PlanSample(v.ctx, in); err != nil {
			if out.PlanSays, err = p.refusal(v, err); err != nil {
				return nil, err
			}
		} else {
			out.Plan = plan
			out.Curl = fmt.Sprintf(`curl -d '{"lotSize":%d,"maxFraction":%g}' %s/v1/samples:plan`, *size, in.GetMaxFraction(), v.address())
		}
	}
	r.err = nil
	if q.Get("sampleSize") == "" {
		if out.Plan != nil {
			out.Picture = parcelPicture(v.look.catalog, int(*size), int(out.Plan.GetSampleSize()), 0, -1)
		}
		return a, nil
	}
	in := &pb.InferSampleRequest{
		LotSize: size, SampleSize: r.count("sampleSize"), Positives: r.count("positives"), Confidence: confidence, Sensitivity: r.share("sensitivity"), Specificity: r.share("specificity"),
	}
	if r.err != nil {
		out.InferSay = r.err.Error()
		return a, nil
	}
	infer, err := p.laboratory.InferSample(v.ctx, in)
	if err != nil {
		if out.InferSay, err = p.refusal(v, err); err != nil {
			return nil, err
		}
		return a, nil
	}
	out.Infer = infer
	out.Picture = parcelPicture(v.look.catalog, int(*size), int(in.GetSampleSize()), int(in.GetPositives()), int(infer.GetUpperTreated()))
	return a, nil
}

// refusal is what a service says against the figures of a form; other errors stay.
func (p *Pages) refusal(v *visit, err error) (string, error) {
	code, _, message := p.because(v, err)
	if code >= 400 && code < 500 && code != 429 {
		return message, nil
	}
	return "", err
}

// reader reads the figures of a form. The first that is none stays.
type reader struct {
	c   *catalog
	q   url.Values
	err error
}

// count reads a whole number; nil: nothing was given.
func (r *reader) count(name string) *int32 {
	text := strings.TrimSpace(r.q.Get(name))
	if text == "" {
		if name == "positives" {
			return new(int32)
		}
		r.wrong(name, text)
		return nil
	}
	n, err := strconv.ParseInt(text, 10, 32)
	if err != nil {
		r.wrong(name, text)
		return nil
	}
	out := int32(n)
	return &out
}

// share reads a share in per cent, with a point or a comma; nil: nothing was given.
func (r *reader) share(name string) *float64 {
	text := strings.Replace(strings.TrimSuffix(strings.TrimSpace(r.q.Get(name)), "%"), ",", ".", 1)
	if text == "" {
		return nil
	}
	f, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		r.wrong(name, r.q.Get(name))
		return nil
	}
	f = math.Round(f*1e7) / 1e9 // per cent with a few digits is a share without binary noise
	return &f
}

func (r *reader) wrong(name, found string) {
	if r.err == nil {
		r.err = errors.New(r.c.text("sampling.wrong", r.c.text("sampling."+name), found))
	}
}

// mostDots is how many stones the picture shows one by one; of a larger parcel each stands for several.
const mostDots = 600

// parcelPicture draws a parcel: the stones tested, those of them that were found treated, and how many of the others may be. bound -1: nothing was tested yet.
func parcelPicture(c *catalog, size, tested, positive, bound int) template.HTML {
	each := (size + mostDots - 1) / mostDots
	dots := (size + each - 1) / each
	columns := int(math.Ceil(math.Sqrt(float64(dots) * 2)))
	rows := (dots + columns - 1) / columns
	const d = 14
	may := max(0, bound-positive)
	var b strings.Builder
	text := c.text("sampling.picture", c.number(int64(tested)), c.number(int64(size)), c.number(int64(positive)))
	if bound >= 0 {
		text += " " + c.text("sampling.picture.bound", c.number(int64(may)))
	}
	fmt.Fprintf(&b, `<svg class="parcel" viewBox="0 0 %d %d" role="img" aria-label="%s">`, columns*d+2, rows*d+2, template.HTMLEscapeString(text))
	for i := range dots {
		x, y := float64(i%columns*d+d/2+1), float64(i/columns*d+d/2+1)
		stone := i * each
		switch {
		case stone < positive:
			fmt.Fprintf(&b, `<rect class="found" x="%g" y="%g" width="9" height="9"/>`, x-4.5, y-4.5)
		case stone < tested:
			fmt.Fprintf(&b, `<circle class="clean" cx="%g" cy="%g" r="4.5"/><path class="tick" d="M%g %gh5"/>`, x, y, x-2.5, y)
		case stone < tested+may:
			fmt.Fprintf(&b, `<circle class="may" cx="%g" cy="%g" r="4.5"/>`, x, y)
		default:
			fmt.Fprintf(&b, `<circle class="rest" cx="%g" cy="%g" r="4.5"/>`, x, y)
		}
	}
	b.WriteString(`</svg>`)
	if each > 1 {
		fmt.Fprintf(&b, `<p class="hint">%s</p>`, template.HTMLEscapeString(c.text("sampling.each", c.number(int64(each)))))
	}
	return template.HTML(b.String())
}
