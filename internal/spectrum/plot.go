package spectrum

import (
	"fmt"
	"hash/fnv"
	"html"
	"math"
	"slices"
	"strconv"
	"strings"
)

// The picture: 360 wide, so that it fits a phone as it is; no script, no style attribute, nothing from elsewhere.
const (
	plotWidth                   = 360
	overviewTop, overviewBottom = 26, 130
	panelHeight                 = 132
	ink, faint, paper           = "#2b2a26", "#cfc8b8", "#fbf8f1"
	curveInk, baseInk           = "#1f5f8b", "#77705f"
	opalTint, organicTint       = "#dfe9ee", "#f3dfc9"
	organicInk                  = "#9c4a1a"
)

type picture struct{ strings.Builder }

func (p *picture) put(format string, args ...any) { fmt.Fprintf(&p.Builder, format, args...) }

func (p *picture) text(x, y float64, anchor, fill, words string) {
	p.put(`<text x="%s" y="%s" fill="%s" text-anchor="%s">%s</text>`, written(x, 1), written(y, 1), fill, anchor, html.EscapeString(words))
}

// frame is a part of the picture with its own scales.
type frame struct {
	left, right, top, bottom float64
	low, high, least, most   float64
	falling                  bool // wavenumbers fall to the right, as infrared spectra are drawn
}

func (f frame) x(v float64) float64 {
	share := (v - f.low) / (f.high - f.low)
	if f.falling {
		share = 1 - share
	}
	return f.left + float64(share*(f.right-f.left))
}

func (f frame) y(v float64) float64 {
	return f.bottom - float64((v-f.least)/(f.most-f.least)*(f.bottom-f.top))
}

// line draws a curve with gaps, at most two points to a pixel: the lowest and the highest.
func (p *picture) line(f frame, x, y []float64, stroke string) {
	var d strings.Builder
	columns := int(f.right - f.left)
	step := max(1, len(x)/columns)
	pen := byte('M')
	for i := 0; i < len(x); i += step {
		lo, hi := -1, -1
		for j := i; j < min(i+step, len(x)); j++ {
			if v := y[j]; !math.IsNaN(v) {
				if lo < 0 || v < y[lo] {
					lo = j
				}
				if hi < 0 || v > y[hi] {
					hi = j
				}
			}
		}
		if lo < 0 {
			pen = 'M'
			continue
		}
		for k, j := range [...]int{min(lo, hi), max(lo, hi)} {
			if k == 1 && lo == hi {
				break
			}
			fmt.Fprintf(&d, "%c%s %s", pen, written(f.x(x[j]), 1), written(f.y(min(max(y[j], f.least), f.most)), 1))
			pen = 'L'
		}
	}
	p.put(`<path d="%s" fill="none" stroke="%s" stroke-width="1.2"/>`, d.String(), stroke)
}

// SVG draws the whole spectrum, and below it each stretch that was read, with its baseline, its bands shaded and its peaks named.
func (r *Result) SVG() string {
	var p picture
	rows, half := 0, 0 // a stretch of many bands takes a whole row
	for _, s := range r.sections {
		if s.wide() {
			rows, half = rows+1+half, 0
		} else if half = 1 - half; half == 0 {
			rows++
		}
	}
	rows += half
	height := overviewBottom + 44 + rows*panelHeight
	if rows > 0 {
		height += 20
	}
	p.put(`<rect width="%d" height="%d" fill="%s"/>`, plotWidth, height, paper)
	r.overview(&p)
	row, column := 0, 0
	for i, s := range r.sections {
		// Infrared panels follow each other as the curve does, from high wavenumbers to low.
		if r.Kind == Infrared {
			s = r.sections[len(r.sections)-1-i]
		}
		left, right := float64(8+column*178), float64(174+column*178)
		if s.wide() {
			row, column = row+column, 0
			left, right = 8, plotWidth-8
		}
		r.panel(&p, s, left, right, float64(overviewBottom+44+row*panelHeight))
		if column++; column == 2 || s.wide() {
			row, column = row+1, 0
		}
	}
	if rows > 0 {
		y := float64(height - 8)
		p.put(`<rect x="8" y="%s" width="12" height="9" fill="%s"/>`, written(y-9, 1), opalTint)
		p.text(25, y, "start", ink, "opal's own bands")
		p.put(`<rect x="150" y="%s" width="12" height="9" fill="%s"/>`, written(y-9, 1), organicTint)
		p.text(167, y, "start", ink, "bands looked for")
		p.put(`<path d="M278 %sh14" stroke="%s" stroke-dasharray="3 2"/>`, written(y-4, 1), baseInk)
		p.text(297, y, "start", ink, "baseline")
	}
	body, words := p.String(), r.described()
	sum := fnv.New64a() // several pictures may stand on one page, so the names are made of what they show
	sum.Write([]byte(body + words))
	id := "spectrum-" + strconv.FormatUint(sum.Sum64(), 36)
	return fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-labelledby="%s-title %s-text" font-family="sans-serif" font-size="11">`+
		`<title id="%s-title">%s</title><desc id="%s-text">%s</desc>%s</svg>`,
		plotWidth, height, id, id, id, html.EscapeString(r.title()), id, html.EscapeString(words), body)
}

func (r *Result) title() string {
	if r.Kind == Raman {
		return "Raman spectrum"
	}
	return "Infrared spectrum"
}

// described says in words what the picture shows.
func (r *Result) described() string {
	outcome := strings.ToLower(strings.ReplaceAll(string(r.Outcome), "_", " "))
	if outcome == "" {
		outcome = "none of the words fits"
	}
	s := r.title() + " from " + span(r.curve.X[0], r.curve.X[len(r.curve.X)-1]) + "; outcome: " + outcome + "."
	if len(r.Peaks) == 0 {
		return s + " No peaks stand out."
	}
	s += " Peaks at "
	for i, k := range strongest(r.Peaks, 12) {
		if i > 0 {
			s += ", "
		}
		s += written(k.Position, 0)
	}
	return s + " cm⁻¹."
}

// overview draws the curve as it was measured, transmittance turned into absorbance.
func (r *Result) overview(p *picture) {
	c := r.curve
	f := frame{left: 8, right: plotWidth - 8, top: overviewTop, bottom: overviewBottom, low: c.X[0], high: c.X[len(c.X)-1], falling: r.Kind == Infrared}
	y := make([]float64, len(c.Y))
	f.least, f.most = math.Inf(1), math.Inf(-1)
	for i, v := range c.Y {
		y[i] = c.signal(v)
		if !math.IsNaN(y[i]) {
			f.least, f.most = min(f.least, y[i]), max(f.most, y[i])
		}
	}
	words := "absorbance"
	switch {
	case r.Kind == Raman:
		words = "counts"
	case c.Unit == Reflectance:
		words = "apparent absorbance"
	case c.Unit == KubelkaMunk:
		words = "Kubelka–Munk units"
	}
	if !(f.most > f.least) {
		f.least, f.most = f.least-1, f.least+1
		if math.IsInf(f.least, 0) {
			f.least, f.most = 0, 1
		}
	}
	p.text(8, 15, "start", ink, r.title()+", "+words+" up to "+significant(f.most))
	r.shade(p, f, nil)
	p.line(f, c.X, y, curveInk)
	r.axis(p, f, 6)
	p.text(f.right, f.bottom+28, "end", ink, map[bool]string{true: "Raman shift, cm⁻¹", false: "wavenumber, cm⁻¹"}[r.Kind == Raman])
}

// shade marks the bands; nil: those of all stretches that were read.
func (r *Result) shade(p *picture, f frame, only *section) {
	for _, s := range r.sections {
		if only != nil && s != only {
			continue
		}
		for _, b := range s.bands {
			a, z := f.x(b.low), f.x(b.high)
			tint := organicTint
			if b.family == opalBand {
				tint = opalTint
			}
			p.put(`<rect x="%s" y="%s" width="%s" height="%s" fill="%s"/>`, written(min(a, z), 1), written(f.top, 1), written(max(math.Abs(z-a), 0.5), 1), written(f.bottom-f.top, 1), tint)
		}
	}
}

// axis draws the line of wavenumbers with up to most marks.
func (r *Result) axis(p *picture, f frame, most float64) {
	p.put(`<path d="M%s %sH%s" stroke="%s"/>`, written(f.left, 1), written(f.bottom, 1), written(f.right, 1), ink)
	step := math.Pow(10, math.Floor(math.Log10((f.high-f.low)/most)))
	for _, m := range [...]float64{2, 5, 10} {
		if (f.high-f.low)/step > most {
			step = math.Pow(10, math.Floor(math.Log10((f.high-f.low)/most))) * m
		}
	}
	for v := math.Ceil(f.low/step) * step; v <= f.high; v += step {
		x := f.x(v)
		p.put(`<path d="M%s %sv4" stroke="%s"/>`, written(x, 1), written(f.bottom, 1), ink)
		if x > f.left+10 && x < f.right-10 {
			p.text(x, f.bottom+15, "middle", ink, written(v, 0))
		}
	}
}

// wide tells whether a stretch needs the whole width.
func (s *section) wide() bool { return len(s.bands) > 4 }

// panel draws one stretch.
func (r *Result) panel(p *picture, s *section, left, right, top float64) {
	f := frame{left: left, right: right, top: top + 20, bottom: top + panelHeight - 22, low: s.x[0], high: s.x[len(s.x)-1], falling: r.Kind == Infrared}
	f.least, f.most = math.Inf(1), math.Inf(-1)
	for i, v := range s.smooth {
		if !math.IsNaN(v) {
			f.least, f.most = min(f.least, v, s.base[i]), max(f.most, v)
		}
	}
	if !(f.most > f.least) {
		f.most = f.least + 1
	}
	f.most += float64(0.22 * (f.most - f.least)) // room for the names of peaks
	p.text(left, top+12, "start", ink, upper(s.name))
	r.shade(p, f, s)
	p.put(`<g stroke-dasharray="3 2">`)
	p.line(f, s.x, s.base, baseInk)
	p.put(`</g>`)
	p.line(f, s.x, s.smooth, curveInk)
	r.axis(p, f, 4)
	// The strongest first; a name is left out where it would run into another.
	list := slices.Clone(s.peaks)
	slices.SortStableFunc(list, func(a, b Peak) int {
		if a.Prominence > b.Prominence {
			return -1
		}
		return 1
	})
	var taken []float64
	for _, k := range list {
		x := f.x(k.Position)
		at := min(max(x, f.left+13), f.right-13)
		if slices.ContainsFunc(taken, func(t float64) bool { return math.Abs(t-at) < 28 }) {
			continue
		}
		taken = append(taken, at)
		fill := organicInk
		if !slices.ContainsFunc(s.bands, func(b band) bool { return b.family != opalBand && k.Position >= b.low && k.Position <= b.high }) {
			fill = ink
		}
		y := f.y(s.smooth[k.at])
		p.put(`<path d="M%s %sv-4" stroke="%s"/>`, written(x, 1), written(y-2, 1), fill)
		p.text(at, y-8, "middle", fill, written(k.Position, 0))
	}
}
