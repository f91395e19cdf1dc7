package spectrum

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/numeric"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Version names the computation.
const Version = "spectrum/1"

// Conventions of this service.
const (
	// LeastReferences is how many stones known to be untreated it takes to compare with them.
	LeastReferences = 5
	// beyond is the modified z-score from which a figure lies outside what the known stones show (Iglewicz and Hoaglin, How to detect and handle outliers,
	// 1993: 3.5; from memory).
	beyond = 3.5
	// blind is how large the smallest peak that would show may be, as a share of opal's own band, for a stretch without peaks to say something.
	blind = 0.05
	// blindAlone is the same in absorbance, where the stone lets so little light through at its own bands that there is none to measure by.
	blindAlone = 0.01
	// blindRaman is the same of a Raman spectrum, as a share of opal's highest band.
	blindRaman = 0.25
	// blindCarbon is the same of carbon's broad bands, which scatter strongly where there is any.
	blindCarbon = 0.5
	// keptPeaks bounds the peaks that are kept of a spectrum.
	keptPeaks = 60
	// foreign is how high a peak without a place in the table stands out at least, as a share of opal's highest band: less may be left of the baseline.
	foreign = 0.05
)

// Reference is the spectrum of one stone that is known to be untreated, as it was reduced to figures when it was read.
type Reference struct {
	Material opal.Material
	Figures  []opal.Figure
}

// Value is a figure with its standard uncertainty.
type Value struct{ Value, Uncertainty float64 }

// Band is what was measured in one band.
type Band struct {
	// Name begins the names of its figures; What says what it is in words.
	Name, What string
	Low, High  float64
	// Opal: it is opal's own.
	Opal bool
	// Readable: it is in the file, not saturated and not too coarse. Seen: a peak stands out in it.
	Readable, Seen bool
	// Area lies over the line between the band's ends, in ordinates times cm⁻¹.
	Area Value
	// Ratio is Area by that of Standard, a band of the opal; nil: there is no such band.
	Ratio    *Value
	Standard string
	// Z tells how many robust standard deviations the ratio lies above the median of Of known stones; nil: it was not compared.
	Z  *float64
	Of int

	family family
	moist  bool
	within bool // its ratio lies within what the known stones show
	capped bool // in part too strong to be measured: it is at least what was measured
	mark   string
}

// Result is what a spectrum says.
type Result struct {
	Kind    Kind
	Outcome opal.Outcome // "": no word fits, and the reasons tell what was seen
	Also    []opal.Outcome
	// Peaks stand out by seven standard deviations of the noise or more, up to 60 of them, by position.
	Peaks []Peak
	Bands []Band
	// Reasons are why the outcome is what it is; Silent is what does not follow.
	Reasons, Silent, Cautions []string

	figures  []opal.Figure
	waves    bool // interference
	curve    *Curve
	sections []*section
}

// The words of the outcomes.
const (
	unreadable   opal.Outcome = "UNREADABLE"
	noneSeen     opal.Outcome = "NONE"
	asUntreated  opal.Outcome = "AS_UNTREATED"
	organics     opal.Outcome = "ORGANICS_PRESENT"
	raised       opal.Outcome = "RAISED"
	many         opal.Outcome = "MANY"
	onlyOpal     opal.Outcome = "ONLY_OPAL_BANDS"
	carbonBands  opal.Outcome = "CARBON_BANDS"
	swamped      opal.Outcome = "SWAMPED"
	standardPart              = "To"
)

// Parse reads a text as JCAMP-DX or as columns, whichever it is.
func Parse(data []byte) (*Curve, *fault.Error) {
	if len(data) > MaxBytes {
		return nil, fault.New(fault.TooLarge, "", "found %d bytes, accepted are at most %d", len(data), MaxBytes)
	}
	if LooksLikeJCAMP(data) {
		return ReadJCAMP(data)
	}
	return ReadColumns(data)
}

// Read says what a curve shows, beside the spectra of stones that are known to be untreated. Only those of the same material and look count. The curve is
// Read's from then on.
func Read(c *Curve, kind Kind, material opal.Material, known []Reference) (*Result, *fault.Error) {
	if f := c.settle(kind); f != nil {
		return nil, f
	}
	r := &Result{Kind: kind, curve: c, Reasons: slices.Clone(c.Notes)}
	regions := infraredRegions
	if kind == Raman {
		regions = ramanRegions
	}
	var missing []gap
	cuts := make([]*section, len(regions))
	for i, region := range regions {
		s, why := c.cut(region)
		if why != "" {
			missing = append(missing, gap{region, why})
			continue
		}
		cuts[i] = s
		r.sections = append(r.sections, s)
	}
	r.work()
	for i, region := range regions {
		r.measure(region, cuts[i])
	}
	for _, s := range r.sections {
		r.Peaks = append(r.Peaks, s.peaks...)
	}
	r.lines()
	r.Peaks = strongest(r.Peaks, keptPeaks)
	r.inner()
	if kind == Raman {
		r.raman(missing)
	} else {
		r.infrared(material, known, missing)
	}
	return r, nil
}

// work reads the sections: what they have in common first.
func (r *Result) work() {
	if len(r.sections) == 0 {
		return
	}
	var steady, rising []float64
	for _, s := range r.sections {
		steady, rising = append(steady, s.steady), append(rising, s.rising)
	}
	atLeast, growing := median(steady), median(rising)
	for _, s := range r.sections {
		s.flatten(atLeast, growing)
	}
	var calm []*section
	zones := calmInfrared
	if r.Kind == Raman {
		zones = calmRaman
	}
	for _, zone := range zones {
		if s, why := r.curve.cut(zone); why == "" {
			s.flatten(atLeast, growing)
			calm = append(calm, s)
		}
	}
	more := shared(calm, r.sections)
	for _, s := range r.sections {
		s.work(more)
	}
	r.stray(calm, more)
	r.interference()
	quietest := steady[0]
	for _, s := range append(calm, r.sections...) {
		quietest = min(quietest, s.alone)
	}
	r.vapour(quietest)
}

// lines says where something was passed over.
func (r *Result) lines() {
	var all []float64
	for _, s := range r.sections {
		all = append(all, s.lines...)
		for _, x := range s.steps {
			r.say("The curve jumps at " + written(x, 0) + " cm⁻¹, as a change of detector or grating makes it. It was joined there.")
		}
	}
	if len(all) == 0 {
		return
	}
	slices.Sort(all)
	at := ""
	for i, x := range all[:min(len(all), 8)] {
		if i > 0 {
			at += ", "
		}
		at += written(x, 0)
	}
	if len(all) > 8 {
		at += " and more"
	}
	r.say("Lines narrower than any band of a stone stand at " + at + " cm⁻¹: vapour in the air, or single points. They do not count.")
}

// measure adds the bands of a region; nil: the region cannot be read.
func (r *Result) measure(region region, s *section) {
	for _, b := range region.bands {
		out := Band{Name: b.name, What: b.what, Low: b.low, High: b.high, Opal: b.family == opalBand, family: b.family, moist: b.moist, mark: b.mark}
		if s != nil {
			if value, uncertainty, ok := s.area(b); ok {
				out.Readable, out.Area = true, Value{value, uncertainty}
			}
			out.Seen, out.capped = len(s.inBand(b)) > 0, s.capped(b)
		}
		r.Bands = append(r.Bands, out)
	}
}

// standards are the bands of the opal by which others may be measured, the best first.
func (r *Result) standards() (list []Band) {
	regions := infraredRegions
	if r.Kind == Raman {
		regions = ramanRegions
	}
	for _, region := range regions {
		for _, b := range region.bands {
			i := slices.IndexFunc(r.Bands, func(x Band) bool { return x.Name == b.name })
			if x := r.Bands[i]; b.standard && x.Seen && x.Readable && !x.capped && x.Area.Value > stands*x.Area.Uncertainty {
				list = append(list, x)
			}
		}
	}
	return list
}

// inner measures each band by opal's own, and makes the figures that are kept.
func (r *Result) inner() {
	unit := "cm⁻¹"
	if r.Kind == Raman {
		unit = "counts·cm⁻¹"
	}
	standards := r.standards()
	for i := range r.Bands {
		b := &r.Bands[i]
		if !b.Readable {
			continue
		}
		r.figures = append(r.figures, figure(b.Name+"Area", b.Area, unit))
		if b.Opal {
			continue
		}
		for j, s := range standards {
			v := ratio(b.Area, s.Area)
			if j == 0 {
				b.Ratio, b.Standard = &v, s.Name
			}
			r.figures = append(r.figures, figure(ratioName(b.Name, s.Name), v, ""))
		}
	}
}

func ratioName(band, standard string) string {
	return band + standardPart + string(standard[0]-'a'+'A') + standard[1:]
}

func ratio(a, b Value) Value {
	v := a.Value / b.Value
	p, q := a.Uncertainty/b.Value, v*b.Uncertainty/b.Value
	return Value{v, math.Sqrt(float64(p*p) + float64(q*q))}
}

func figure(name string, v Value, unit string) opal.Figure {
	u := numeric.Nine(v.Uncertainty)
	return opal.Figure{Name: name, Value: numeric.Nine(v.Value), Uncertainty: &u, Unit: unit}
}

// families are those of which a band was seen, in the order of the table.
func (r *Result) families(which ...family) (list []family) {
	for _, b := range r.Bands {
		if b.Seen && slices.Contains(which, b.family) && !slices.Contains(list, b.family) {
			list = append(list, b.family)
		}
	}
	return list
}

func (r *Result) band(name string) *Band {
	i := slices.IndexFunc(r.Bands, func(b Band) bool { return b.Name == name })
	return &r.Bands[i]
}

func (r *Result) say(sentence string)     { r.Reasons = append(r.Reasons, sentence) }
func (r *Result) silent(sentence string)  { r.Silent = append(r.Silent, sentence) }
func (r *Result) caution(sentence string) { r.Cautions = append(r.Cautions, sentence) }

// gap is a region that cannot be read, and why.
type gap struct {
	region
	why string
}

// unread says what could not be read, those that the file does not hold in one sentence.
func (r *Result) unread(missing []gap) {
	var list []string
	for _, g := range missing {
		where := g.name + " (" + span(g.low, g.high) + ")"
		if g.why == absent {
			list = append(list, where)
		} else {
			r.say("Not read: " + where + "; " + g.why + ".")
		}
	}
	if len(list) > 0 {
		r.say("Not in the file: " + strings.Join(list, "; ") + ".")
	}
}

// seenIn says which peaks stand in the bands of some families.
func (r *Result) seenIn(which ...family) {
	for _, s := range r.sections {
		for _, b := range s.bands {
			if list := s.inBand(b); slices.Contains(which, b.family) && len(list) > 0 {
				if !r.band(b.name).Seen { // it was taken back
					continue
				}
				at := ""
				for i, p := range strongest(list, 4) {
					if i > 0 {
						at += ", "
					}
					at += written(p.Position, 0)
				}
				r.say(upper(b.what) + ": peaks stand out at " + at + " cm⁻¹, " + s.noiseTimes(strongest(list, 1)[0]) + ".")
				if s.capped(b) {
					r.say("In it no light came through at its strongest: it is stronger than what was measured.")
				}
			}
		}
	}
}

// noiseTimes says how far a peak stands out.
func (s *section) noiseTimes(p Peak) string {
	if times := p.Prominence / s.quiet[p.at]; times < 1e6 {
		return written(times, 0) + " times the noise at most"
	}
	return "in a spectrum without noise"
}

// Computed is the form that is stored.
func (r *Result) Computed() *opal.Computed {
	c := &opal.Computed{
		Algorithm: Version, Outcome: r.Outcome, Also: r.Also, Figures: r.figures, Says: r.Reasons, Silent: r.Silent, Cautions: r.Cautions,
	}
	for _, p := range r.Peaks {
		c.Peaks = append(c.Peaks, opal.Peak{
			Position: numeric.Nine(p.Position), Height: numeric.Nine(p.Height), Width: numeric.Nine(p.Width),
			Prominence: numeric.Nine(p.Prominence), Area: numeric.Nine(p.Area),
		})
	}
	return c
}

// Figures are what is kept of the spectrum, and compared with others.
func (r *Result) Figures() []opal.Figure { return r.figures }

// written formats a figure for a sentence, with no minus before a zero.
func written(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if z, err := strconv.ParseFloat(s, 64); err == nil && z == 0 {
		return strconv.FormatFloat(0, 'f', digits, 64)
	}
	return s
}

func span(low, high float64) string { return written(low, 0) + " to " + written(high, 0) + " cm⁻¹" }

// upper begins a sentence with a band's words; those that begin with a letter of chemistry stay.
func upper(s string) string {
	if s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-'a'+'A') + s[1:]
	}
	return s
}
