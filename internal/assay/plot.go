package assay

import (
	"fmt"
	"math"
	"strings"
)

// The picture of an uptake: 360 wide, so that it fits a phone; no script, no style attribute, nothing from elsewhere.
const (
	plotWidth, plotHeight = 360, 240
	plotLeft, plotRight   = 46, 12
	plotTop, plotBottom   = 14, 40
	ink, faint, paper     = "#2b2a26", "#8a8578", "#fbf8f1"
	waterInk, curveInk    = "#1f5f8b", "#9c4a1a"
)

// SVG draws the readings with their uncertainty, the fitted curve, and the line of 95 % of where it ends. Time runs by its square root, in which an
// early uptake is a straight line.
func (r *UptakeResult) SVG() string {
	last := r.Points[len(r.Points)-1].Minutes
	top := 0.0
	for _, p := range r.Points {
		top = max(top, p.Uptake.Value+2*p.Uptake.Uncertainty)
	}
	if r.Fit != nil {
		top = max(top, r.Fit.Saturation.Value)
	}
	last, top = max(last, 1), max(top*1.1, 1e-4)
	x := func(minutes float64) float64 {
		return plotLeft + (plotWidth-plotLeft-plotRight)*math.Sqrt(max(minutes, 0)/last)
	}
	y := func(uptake float64) float64 {
		return plotTop + (plotHeight-plotTop-plotBottom)*(1-min(max(uptake, 0), top)/top)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-labelledby="uptake-title uptake-text" font-family="sans-serif" font-size="11">`, plotWidth, plotHeight)
	b.WriteString(`<title id="uptake-title">Water uptake over time</title>`)
	fmt.Fprintf(&b, `<desc id="uptake-text">%s readings over %s minutes; the last is %s %% of the dry mass.</desc>`,
		fmt.Sprint(len(r.Points)), written(r.Points[len(r.Points)-1].Minutes, 0), written(100*r.Points[len(r.Points)-1].Uptake.Value, 2))
	fmt.Fprintf(&b, `<rect width="%d" height="%d" fill="%s"/>`, plotWidth, plotHeight, paper)
	for _, v := range ticks(top, 4) {
		fmt.Fprintf(&b, `<path d="M%d %.1fH%d" stroke="%s" stroke-width="0.5"/><text x="%d" y="%.1f" fill="%s" text-anchor="end">%s</text>`,
			plotLeft, y(v), plotWidth-plotRight, faint, plotLeft-5, y(v)+4, ink, strings.TrimSuffix(written(100*v, 2), ".00"))
	}
	for _, m := range minuteTicks(last) {
		fmt.Fprintf(&b, `<path d="M%.1f %dv4" stroke="%s"/><text x="%.1f" y="%d" fill="%s" text-anchor="middle">%s</text>`,
			x(m), plotHeight-plotBottom, ink, x(m), plotHeight-plotBottom+16, ink, clock(m))
	}
	fmt.Fprintf(&b, `<text x="%d" y="%d" fill="%s" text-anchor="end">time in water</text><text x="4" y="10" fill="%s">%% of dry mass</text>`, plotWidth-plotRight, plotHeight-6, ink, ink)
	if f := r.Fit; f != nil {
		fmt.Fprintf(&b, `<path d="M%d %.1fH%d" stroke="%s" stroke-dasharray="3 3"/><text x="%d" y="%.1f" fill="%s">95 %% of where it ends</text>`,
			plotLeft, y(0.95*f.Saturation.Value), plotWidth-plotRight, curveInk, plotLeft+4, y(0.95*f.Saturation.Value)-3, curveInk)
		b.WriteString(`<path d="`)
		for i := range 81 {
			m := last * float64(i*i) / 6400
			fmt.Fprintf(&b, "%c%.1f %.1f", "ML"[min(i, 1)], x(m), y(-f.Saturation.Value*math.Expm1(-m/f.TauMinutes.Value)))
		}
		fmt.Fprintf(&b, `" fill="none" stroke="%s" stroke-width="1.5"/>`, curveInk)
	}
	for _, p := range r.Points {
		u := 2 * p.Uptake.Uncertainty
		fmt.Fprintf(&b, `<path d="M%.1f %.1fV%.1f" stroke="%s"/><circle cx="%.1f" cy="%.1f" r="2.5" fill="%s"/>`,
			x(p.Minutes), y(p.Uptake.Value-u), y(p.Uptake.Value+u), waterInk, x(p.Minutes), y(p.Uptake.Value), waterInk)
	}
	b.WriteString(`</svg>`)
	return b.String()
}

// ticks are round numbers from 0 up to a top, at most so many and one.
func ticks(top float64, most int) (list []float64) {
	step := math.Pow(10, math.Floor(math.Log10(top/float64(most))))
	for _, f := range []float64{1, 2, 5, 10} {
		if top/(step*f) <= float64(most) {
			step *= f
			break
		}
	}
	for i := 0; float64(i)*step <= top; i++ {
		list = append(list, float64(i)*step)
	}
	return list
}

func minuteTicks(last float64) (list []float64) {
	for _, m := range []float64{0, 10, 60, 120, 360, 1440, 2880, 10_080, 43_200, 129_600, 525_600} {
		if m <= last && (m == 0 || math.Sqrt(m/last) > 0.12) {
			list = append(list, m)
		}
	}
	return list
}

// clock writes minutes as people say them.
func clock(m float64) string {
	switch {
	case m >= 1440:
		return written(m/1440, 0) + " d"
	case m >= 60:
		return written(m/60, 0) + " h"
	}
	return written(m, 0) + " min"
}
