package readout

import (
	"fmt"
	"strings"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/table"
)

// Plan sets how many stones to draw.
func Plan(p *table.Page, r *pb.PlanSampleResponse) {
	p.Heading("Sample of " + count(r.GetSampleSize()))
	p.Text(2, table.Plain, r.GetStatement())
	notes(p, r.GetNotes())
}

// Inference sets what a sample says, with a small picture of how well each number of treated stones goes with what was found: fits are
// evenly spread from none to all of the parcel, each from 0 to 1.
func Inference(p *table.Page, r *pb.InferSampleResponse, parcel int32, fits []float64) {
	p.Heading("What the sample says")
	p.Text(2, table.Plain, r.GetStatement())
	p.Blank()
	p.Pairs(
		table.Pair{Name: "at least", Value: stones(r.GetLowerTreated(), r.GetLowerFraction())},
		table.Pair{Name: "at most", Value: stones(r.GetUpperTreated(), r.GetUpperFraction())},
		table.Pair{Name: "limits", Value: r.GetInterval()},
		table.Pair{Name: "untested", Value: fmt.Sprintf("a stone that nobody tested is treated with a probability of %s %%", figure(r.GetUntestedProbability()*100))},
	)
	if len(fits) > 1 {
		p.Blank()
		p.Line(table.Plain, "  how well each number of treated stones goes with it:")
		p.Line(table.Plain, "  "+spark(fits))
		p.Line(table.Quiet, "  "+bracket(len(fits), r.GetLowerTreated(), r.GetUpperTreated(), parcel))
		end := count(parcel)
		p.Line(table.Quiet, "  0"+strings.Repeat(" ", max(1, len(fits)-1-len(end)))+end)
	}
	notes(p, r.GetNotes())
}

func stones(n int32, share float64) string {
	return fmt.Sprintf("%s treated (%s %% of the parcel)", count(n), figure(share*100))
}

// figure writes a number with three significant digits.
func figure(v float64) string { return fmt.Sprintf("%.3g", v) }

func notes(p *table.Page, list []string) {
	for i, n := range list {
		if i == 0 {
			p.Blank()
		}
		p.Hanging(2, 4, table.Quiet, "- "+n)
	}
}

// spark draws figures from 0 to 1 as a line of columns; what is hardly there at all is a blank.
func spark(list []float64) string {
	levels := []rune("▁▂▃▄▅▆▇█")
	var b strings.Builder
	for _, v := range list {
		if v < 0.005 {
			b.WriteByte(' ')
			continue
		}
		b.WriteRune(levels[min(len(levels)-1, int(v*float64(len(levels))))])
	}
	return b.String()
}

// bracket marks the numbers between the limits.
func bracket(cells int, lower, upper, parcel int32) string {
	at := func(n int32) int {
		if parcel == 0 {
			return 0
		}
		return int(int64(n) * int64(cells-1) / int64(parcel))
	}
	from, to := at(lower), at(upper)
	if from == to {
		return strings.Repeat(" ", from) + "|"
	}
	return strings.Repeat(" ", from) + "|" + strings.Repeat("-", to-from-1) + "|"
}

// Hydrostatic sets what weighings in water say.
func Hydrostatic(p *table.Page, r *pb.WeighHydrostaticResponse) {
	p.Heading("Hydrostatic weighing")
	t := table.New(table.Column{Head: "figure"}, table.Column{Head: "value", Right: true}, table.Column{Head: "± (1 standard uncertainty)", Right: true}, table.Column{Head: "unit"})
	row := func(name string, v, u float64, unit string) {
		t.Row(table.C(name), table.C(fmt.Sprintf("%.4g", v)), table.C(fmt.Sprintf("%.2g", u)), table.C(unit))
	}
	row("bulk density", r.GetBulkDensity(), r.GetBulkDensityUncertainty(), "g/cm³")
	row("apparent specific gravity", r.GetApparentSpecificGravity(), r.GetApparentSpecificGravityUncertainty(), "")
	row("exterior volume", r.GetExteriorVolumeCm3(), r.GetExteriorVolumeCm3Uncertainty(), "cm³")
	if r.ApparentPorosity != nil {
		row("apparent porosity", 100*r.GetApparentPorosity(), 100*r.GetApparentPorosityUncertainty(), "%")
		row("water absorption", 100*r.GetWaterAbsorption(), 100*r.GetWaterAbsorptionUncertainty(), "%")
	}
	p.Table(t)
	p.Blank()
	words := append([]string{r.GetOutcome()}, r.GetAlso()...)
	p.Pairs(table.Pair{Name: "outcome", Value: strings.Join(words, ", ")}, table.Pair{Name: "usual range", Value: r.GetSource()})
	notes(p, r.GetNotes())
}

// Uptake sets what readings of a stone that drinks say.
func Uptake(p *table.Page, r *pb.ReadUptakeResponse) {
	p.Heading("Water uptake")
	t := table.New(table.Column{Head: "minutes", Right: true}, table.Column{Head: "uptake", Right: true}, table.Column{Head: "±", Right: true})
	for _, x := range r.GetUptake() {
		t.Row(table.C(figure(x.GetMinutes())), table.C(fmt.Sprintf("%.2f %%", 100*x.GetUptake())), table.C(fmt.Sprintf("%.2f %%", 100*x.GetUptakeUncertainty())))
	}
	p.Table(t)
	p.Blank()
	words := append([]string{r.GetOutcome()}, r.GetAlso()...)
	p.Pairs(table.Pair{Name: "outcome", Value: strings.Join(words, ", ")})
	notes(p, r.GetNotes())
}

// Spectrum sets what a spectrum shows.
func Spectrum(p *table.Page, r *pb.ReadSpectrumResponse) {
	title := "Infrared spectrum"
	if r.GetKind() == "RAMAN" {
		title = "Raman spectrum"
	}
	p.Heading(title)
	words := append([]string{r.GetOutcome()}, r.GetAlso()...)
	if r.GetOutcome() == "" {
		words[0] = "no word fits"
	}
	p.Pairs(table.Pair{Name: "outcome", Value: strings.Join(words, ", ")})
	bands := table.New(table.Column{Head: "band"}, table.Column{Head: "cm⁻¹", Right: true}, table.Column{Head: ""}, table.Column{Head: "area", Right: true}, table.Column{Head: "±", Right: true},
		table.Column{Head: "by opal's own", Right: true}, table.Column{Head: "against known stones"})
	rows := 0
	for _, b := range r.GetBands() {
		if !b.GetReadable() {
			continue
		}
		rows++
		seen, ratio, against := "", "", ""
		if b.GetSeen() {
			seen = "seen"
		}
		if b.Ratio != nil {
			ratio = fmt.Sprintf("%.3g ± %.1g", b.GetRatio(), b.GetRatioUncertainty())
		}
		if b.RobustZ != nil {
			against = fmt.Sprintf("%+.1f robust deviations (%d stones)", b.GetRobustZ(), b.GetComparedWith())
		}
		bands.Row(table.C(b.GetWhat()), table.C(fmt.Sprintf("%.0f–%.0f", b.GetLow(), b.GetHigh())), table.C(seen), table.C(figure(b.GetArea())), table.C(fmt.Sprintf("%.1g", b.GetAreaUncertainty())),
			table.C(ratio), table.C(against))
	}
	if rows > 0 {
		p.Blank()
		p.Table(bands)
	}
	if len(r.GetPeaks()) > 0 {
		t := table.New(table.Column{Head: "peak, cm⁻¹", Right: true}, table.Column{Head: "stands out by", Right: true}, table.Column{Head: "width", Right: true}, table.Column{Head: "area", Right: true})
		for _, k := range r.GetPeaks() {
			t.Row(table.C(fmt.Sprintf("%.1f", k.GetPosition())), table.C(figure(k.GetProminence())), table.C(fmt.Sprintf("%.1f", k.GetWidth())), table.C(figure(k.GetArea())))
		}
		p.Blank()
		p.Table(t)
	}
	notes(p, r.GetReasons())
	notes(p, r.GetSilent())
	notes(p, r.GetCautions())
}
