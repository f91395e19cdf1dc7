package assay

import (
	"fmt"
	"hash/fnv"
	"html"
	"math"
	"strconv"
	"strings"
)

// The picture of an uptake: 360 wide, so that it fits a phone as it is; no script, no style attribute, nothing from elsewhere.
const (
	plotWidth, plotHeight = 360, 240
	plotLeft, plotRight   = 40, 22
	plotTop, plotBottom   = 26, 42
	ink, faint, paper     = "#2b2a26", "#cfc8b8", "#fbf8f1"
	waterInk, curveInk    = "#1f5f8b", "#9c4a1a"
)

// picture is an SVG in the making. All coordinates are rounded to a tenth, so that no machine's last bit shows.
type picture struct{ strings.Builder }

func (p *picture) put(format string, args ...any) { fmt.Fprintf(&p.Builder, format, args...) }

// text sets words, escaped.
func (p *picture) text(x, y float64, anchor, fill, words string) {
	p.put(`<text x="%s" y="%s" fill="%s" text-anchor="%s">%s</text>`, tenth(x), tenth(y), fill, anchor, html.EscapeString(words))
}

// tenth writes a coordinate, never as a negative zero.
func tenth(v float64) string { return written(v, 1) }

// SVG draws the readings with twice their uncertainty to each side, the fitted curve, and the line of 95 % of where it ends. Time runs by its square root,
// in which an early uptake is a straight line.
func (r *UptakeResult) SVG() string {
	last, low, high := max(r.last().Minutes, 1), 0.0, 1e-4
	for _, q := range r.Points {
		low, high = min(low, q.Uptake.Value-2*q.Uptake.Uncertainty), max(high, q.Uptake.Value+2*q.Uptake.Uncertainty)
	}
	settled := r.Fit.settled(r.last().Minutes)
	if r.Fit != nil {
		high = max(high, -r.Fit.Saturation.Value*math.Expm1(-last/r.Fit.TauMinutes.Value))
	}
	high += float64(0.06 * (high - low))
	if low < 0 {
		low -= float64(0.06 * (high - low))
	}
	x := func(minutes float64) float64 {
		return plotLeft + float64((plotWidth-plotLeft-plotRight)*math.Sqrt(minutes/last))
	}
	y := func(uptake float64) float64 {
		return plotTop + float64((plotHeight-plotTop-plotBottom)*(high-uptake)/(high-low))
	}
	const right, bottom = plotWidth - plotRight, plotHeight - plotBottom

	var p picture
	p.put(`<rect width="%d" height="%d" fill="%s"/>`, plotWidth, plotHeight, paper)
	values, digits := ticks(low, high)
	for _, v := range values {
		line := faint
		if v == 0 {
			line = ink
		}
		p.put(`<path d="M%d %sH%d" stroke="%s"/>`, plotLeft, tenth(y(v)), right, line)
		p.text(plotLeft-6, y(v)+4, "end", ink, written(100*v, digits))
	}
	p.put(`<path d="M%d %dV%dH%d" fill="none" stroke="%s"/>`, plotLeft, plotTop, bottom, right, ink)
	for _, m := range minuteTicks(last) {
		p.put(`<path d="M%s %dv4" stroke="%s"/>`, tenth(x(m)), bottom, ink)
		p.text(x(m), bottom+17, "middle", ink, clock(m))
	}
	p.text(8, 15, "start", ink, "water taken up, % of dry mass")
	p.text(right, plotHeight-7, "end", ink, "time in water, square-root scale")
	if f := r.Fit; f != nil {
		p.put(`<path d="`)
		for i := range 81 {
			m := last * float64(i*i) / 6400
			p.put("%c%s %s", "ML"[min(i, 1)], tenth(x(m)), tenth(y(-f.Saturation.Value*math.Expm1(-m/f.TauMinutes.Value))))
		}
		p.put(`" fill="none" stroke="%s" stroke-width="1.5"/>`, curveInk)
		if settled { // at the right and below the line the place is free: the curve has passed it there
			level := y(0.95 * f.Saturation.Value)
			p.put(`<path d="M%d %sH%d" stroke="%s" stroke-dasharray="4 3"/>`, plotLeft, tenth(level), right, curveInk)
			p.text(right-4, level+14, "end", curveInk, "95 % of where it ends")
		}
	}
	for _, q := range r.Points {
		u := 2 * q.Uptake.Uncertainty
		up, down, at := y(q.Uptake.Value+u), y(q.Uptake.Value-u), x(q.Minutes)
		if down-up > 5 { // a shorter bar hides behind its point
			p.put(`<path d="M%s %sV%sM%s %sh6M%s %sh6" fill="none" stroke="%s"/>`, tenth(at), tenth(up), tenth(down), tenth(at-3), tenth(up), tenth(at-3), tenth(down), waterInk)
		}
		p.put(`<circle cx="%s" cy="%s" r="2.5" fill="%s"/>`, tenth(at), tenth(y(q.Uptake.Value)), waterInk)
	}

	// Several pictures may stand on one page, so the names are made of what they show.
	body, words := p.String(), r.described()
	sum := fnv.New64a()
	sum.Write([]byte(body + words))
	id := "uptake-" + strconv.FormatUint(sum.Sum64(), 36)
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-labelledby="%s-title %s-text" font-family="sans-serif" font-size="12">`+
		`<title id="%s-title">Water uptake over time</title><desc id="%s-text">%s</desc>%s</svg>`,
		plotWidth, plotHeight, id, id, id, id, html.EscapeString(words), body)
}

// described says in words what the picture shows.
func (r *UptakeResult) described() string {
	last := r.last()
	noun := " readings over "
	if len(r.Points) == 1 {
		noun = " reading at "
	}
	s := strconv.Itoa(len(r.Points)) + noun + written(last.Minutes, 0) + " minutes; the last shows an uptake of " + written(100*last.Uptake.Value, 2) + " % of the dry mass."
	if f := r.Fit; f.settled(last.Minutes) {
		s += " A fitted curve settles at " + written(100*f.Saturation.Value, 2) + " %, 95 % of it within " + written(f.To95Minutes.Value, 0) + " minutes."
	} else if f != nil {
		s += " A fitted curve still rises at the last reading, or does not fit well."
	}
	return s
}

// ticks are round shares from the lowest to the highest, 3 to 6 of them, and how many decimals they take in percent.
func ticks(low, high float64) (list []float64, digits int) {
	wide := 100 * (high - low) // in percent, as it is written
	step := math.Pow(10, math.Floor(math.Log10(wide/5)))
	for _, f := range [...]float64{2, 5, 10} {
		if wide/step > 5 {
			step = math.Pow(10, math.Floor(math.Log10(wide/5))) * f
		}
	}
	digits = max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	for i := math.Ceil(100 * low / step); i*step <= 100*high; i++ {
		list = append(list, i*step/100)
	}
	return list, digits
}

// minuteTicks are times that people speak of, each far enough from the one before to be read.
func minuteTicks(last float64) (list []float64) {
	const room = 48.0 / (plotWidth - plotLeft - plotRight)
	at := -room
	for _, m := range [...]float64{0, 1, 2, 5, 10, 30, 60, 120, 240, 480, 1440, 2880, 5760, 10_080, 20_160, 43_200, 86_400, 172_800, 345_600, 525_600} {
		if here := math.Sqrt(m / last); here <= 1 && here-at >= room {
			list, at = append(list, m), here
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
