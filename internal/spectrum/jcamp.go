package spectrum

import (
	"bytes"
	"math"
	"strconv"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Limits of what is read.
const (
	// MaxBytes is the largest file.
	MaxBytes = 8 << 20
	// MaxPoints is the largest number of points of a curve. A file of 4 MiB in the tightest form holds as many.
	MaxPoints = 4 << 20
)

// ReadJCAMP reads the one curve of a JCAMP-DX file (McDonald and Wilks, Appl. Spectrosc. 42:151, 1988; versions 4.24 and 5.01): XYDATA=(X++(Y..Y)) with
// ordinates as numbers or in the forms PAC, SQZ, DIF and DUP, or XYPOINTS=(XY..XY). The check values of DIF lines, the abscissas of all lines and NPOINTS
// must agree; a file in which they do not is damaged, and is refused. A fault has no field: it speaks of the whole text.
func ReadJCAMP(data []byte) (*Curve, *fault.Error) {
	r := &jcamp{data: data}
	if f := r.records(); f != nil {
		return nil, f
	}
	if r.curve == nil {
		return nil, refused("found no XYDATA or XYPOINTS record, accepted is a JCAMP-DX file with one curve")
	}
	return r.curve, nil
}

// LooksLikeJCAMP tells whether a text begins as a JCAMP-DX file does: with a record, after blank lines and comments.
func LooksLikeJCAMP(data []byte) bool {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	for {
		data = bytes.TrimLeft(data, " \t\r\n")
		if !bytes.HasPrefix(data, []byte("$$")) {
			return bytes.HasPrefix(data, []byte("##"))
		}
		i := bytes.IndexAny(data, "\r\n")
		if i < 0 {
			return false
		}
		data = data[i:]
	}
}

func refused(format string, args ...any) *fault.Error {
	return fault.New(fault.InvalidField, "", format, args...)
}

// jcamp is a file being read.
type jcamp struct {
	data []byte
	line int // of the line that was read last, from 1
	// labels are the records of the block so far, by their label; one block ends where the next TITLE begins.
	labels map[string]string
	curve  *Curve
}

// next gives the next line without its end and its comment; false: there is none.
func (r *jcamp) next() ([]byte, bool) {
	if len(r.data) == 0 {
		return nil, false
	}
	r.line++
	line := r.data
	if i := bytes.IndexAny(r.data, "\r\n"); i < 0 {
		r.data = nil
	} else {
		line = r.data[:i]
		rest := r.data[i+1:]
		if r.data[i] == '\r' && len(rest) > 0 && rest[0] == '\n' {
			rest = rest[1:]
		}
		r.data = rest
	}
	if i := bytes.Index(line, []byte("$$")); i >= 0 {
		line = line[:i]
	}
	return line, true
}

// atRecord tells whether the next line begins a record.
func (r *jcamp) atRecord() bool { return bytes.HasPrefix(bytes.TrimLeft(r.data, " \t"), []byte("##")) }

// wanted are the labels that are kept; the rest, among them names of people and stones, is read over.
var wanted = map[string]bool{
	"JCAMPDX": true, "DATATYPE": true, "XUNITS": true, "YUNITS": true, "XFACTOR": true, "YFACTOR": true, "FIRSTX": true, "LASTX": true, "NPOINTS": true,
	"DELTAX": true, "RESOLUTION": true, "DATACLASS": true,
}

func (r *jcamp) records() *fault.Error {
	if !LooksLikeJCAMP(r.data) {
		return refused("found a text that does not begin with ##, accepted is a JCAMP-DX file, which begins with ##TITLE=")
	}
	r.data = bytes.TrimPrefix(r.data, []byte("\xef\xbb\xbf"))
	r.labels = map[string]string{}
	other, at := "", 0
	for {
		line, ok := r.next()
		if !ok && other != "" && r.curve == nil {
			return refused("line %d: found %s, accepted is a curve: XYDATA=(X++(Y..Y)) or XYPOINTS=(XY..XY)", at, other)
		}
		if !ok {
			return nil
		}
		line = bytes.TrimLeft(line, " \t")
		name, value, ok := bytes.Cut(bytes.TrimPrefix(line, []byte("##")), []byte("="))
		switch {
		case !bytes.HasPrefix(line, []byte("##")): // goes on with the record before
			continue
		case !ok:
			if label(name) == "" { // "##" alone, as a comment
				continue
			}
			return refused("line %d: found ##%s without an =, accepted is ##LABEL=value", r.line, short(name))
		}
		switch l := label(name); l {
		case "TITLE":
			clear(r.labels)
		case "XYDATA", "XYPOINTS":
			if r.curve != nil {
				return refused("line %d: found a second curve, accepted is a file with one", r.line)
			}
			if f := r.points(l, strings.ToUpper(string(squeezed(value)))); f != nil {
				return f
			}
		case "PEAKTABLE", "PEAKASSIGNMENTS": // beside a curve they are read over
			other, at = l, r.line
		case "NTUPLES", "DATATABLE", "RADATA":
			return refused("line %d: found %s, accepted is a curve: XYDATA=(X++(Y..Y)) or XYPOINTS=(XY..XY)", r.line, l)
		default:
			if wanted[l] {
				r.labels[l] = strings.TrimSpace(string(value[:min(len(value), 200)]))
			}
		}
	}
}

// label is a label as it is compared: without case, blanks, and the four characters that do not count.
func label(name []byte) string {
	s := make([]byte, 0, 20)
	for _, c := range name[:min(len(name), 80)] {
		switch {
		case c == ' ' || c == '\t' || c == '-' || c == '/' || c == '_':
		case 'a' <= c && c <= 'z':
			s = append(s, c-'a'+'A')
		default:
			s = append(s, c)
		}
	}
	return string(s)
}

// squeezed is a text without blanks, cut to what a form takes.
func squeezed(b []byte) []byte {
	return bytes.ReplaceAll(bytes.TrimSpace(b[:min(len(b), 100)]), []byte(" "), nil)
}

// short shows a piece of a file in a message.
func short(b []byte) string {
	s := strconv.QuoteToASCII(string(b[:min(len(b), 24)]))
	return s[1 : len(s)-1]
}

// number gives a record's number; needed: it must be there.
func (r *jcamp) number(l string, otherwise float64, needed bool) (float64, *fault.Error) {
	text, ok := r.labels[l]
	if !ok || text == "" {
		if needed {
			return 0, refused("found no %s before the curve, accepted is ##%s= with a number", l, l)
		}
		return otherwise, nil
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, refused("found %s=%s, accepted is a number", l, short([]byte(text)))
	}
	return v, nil
}

// points reads the data of a curve.
func (r *jcamp) points(record, form string) *fault.Error {
	c := &Curve{}
	var f *fault.Error
	if c.Kind, f = kindOf(r.labels["DATATYPE"]); f != nil {
		return f
	}
	if c.x, f = abscissa(r.labels["XUNITS"]); f != nil {
		return f
	}
	if !c.unitOf(r.labels["YUNITS"]) {
		return refused("found YUNITS=%s, accepted is TRANSMITTANCE, ABSORBANCE, REFLECTANCE, KUBELKA-MUNK or ARBITRARY UNITS", short([]byte(r.labels["YUNITS"])))
	}
	var numbers [7]float64
	for i, n := range [...]struct {
		label     string
		otherwise float64
		needed    bool
	}{
		{"XFACTOR", 1, false}, {"YFACTOR", 1, false}, {"FIRSTX", 0, record == "XYDATA"}, {"LASTX", 0, record == "XYDATA"},
		{"NPOINTS", 0, record == "XYDATA"}, {"DELTAX", 0, false},
	} {
		if numbers[i], f = r.number(n.label, n.otherwise, n.needed); f != nil {
			return f
		}
	}
	t := table{
		jcamp: r, xFactor: numbers[0], yFactor: numbers[1], first: numbers[2], last: numbers[3], points: int(numbers[4]), delta: numbers[5],
	}
	if _, n, decimals := numberAt([]byte(r.labels["DELTAX"])); n > 0 {
		t.deltaStep = 0.5 * math.Pow(10, -float64(decimals)) // it may be rounded
	}
	if t.xFactor == 0 || t.yFactor == 0 {
		return refused("found XFACTOR=%v and YFACTOR=%v, accepted are numbers other than 0", t.xFactor, t.yFactor)
	}
	if v := numbers[4]; v != math.Trunc(v) || v < 0 || v > MaxPoints || record == "XYDATA" && v < 2 {
		return refused("found NPOINTS=%v, accepted is a whole number from 2 to %d", v, MaxPoints)
	}
	// A resolution may be written as a list or with a unit, so one that is no number is as good as none.
	if v, err := strconv.ParseFloat(r.labels["RESOLUTION"], 64); err == nil && v > 0 && v < 1000 {
		c.Resolution = v
	}
	switch {
	case record == "XYDATA" && form == "(X++(Y..Y))":
		f = t.steps()
	case record == "XYPOINTS" && (form == "(XY..XY)"), record == "XYDATA" && form == "(XY..XY)":
		f = t.pairs()
	default:
		return refused("line %d: found %s=%s, accepted is XYDATA=(X++(Y..Y)) or XYPOINTS=(XY..XY)", r.line, record, short([]byte(form)))
	}
	if f != nil {
		return f
	}
	c.X, c.Y = t.x, t.y
	r.curve = c
	return c.arrange()
}

// table is the data of a curve being read.
type table struct {
	*jcamp
	xFactor, yFactor   float64
	first, last, delta float64
	deltaStep          float64 // half of one in the last digit of delta
	points             int
	x, y               []float64
}

// numberAt reads the number at the beginning of b and answers how long it is and how many decimals it has; length 0: there is none. An E is an
// exponent only with a sign and digits behind it, because E alone is also the digit 5 of the form SQZ.
func numberAt(b []byte) (v float64, length, decimals int) {
	i, digits, dot := 0, 0, false
	var mantissa uint64
	scale := 0
	if i < len(b) && (b[i] == '+' || b[i] == '-') {
		i++
	}
	for ; i < len(b); i++ {
		c := b[i]
		if c == '.' && !dot {
			dot = true
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		digits++
		if dot {
			decimals++
		}
		if mantissa < 1e15 {
			mantissa = mantissa*10 + uint64(c-'0')
			if dot {
				scale--
			}
		} else if !dot {
			scale++
		}
	}
	if digits == 0 {
		return 0, 0, 0
	}
	if i+2 < len(b) && (b[i] == 'E' || b[i] == 'e') && (b[i+1] == '+' || b[i+1] == '-') && '0' <= b[i+2] && b[i+2] <= '9' {
		e, j := 0, i+2
		for ; j < len(b) && j < i+5 && '0' <= b[j] && b[j] <= '9'; j++ {
			e = e*10 + int(b[j]-'0')
		}
		if b[i+1] == '-' {
			e = -e
		}
		scale, i = scale+e, j
		decimals = max(0, decimals-e)
	}
	v = float64(mantissa)
	switch { // exact for what a spectrum holds: both numbers have an exact float64
	case scale == 0:
	case scale < 0 && scale >= -22:
		v /= pow10[-scale]
	case scale > 0 && scale <= 22:
		v *= pow10[scale]
	default:
		v *= math.Pow(10, float64(scale))
	}
	if b[0] == '-' {
		v = -v
	}
	return v, i, decimals
}

var pow10 = [23]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

func blank(c byte) bool { return c == ' ' || c == '\t' || c == ',' || c == ';' }

// steps reads (X++(Y..Y)): each line has an abscissa and the ordinates of the points from there on.
func (t *table) steps() *fault.Error {
	step := (t.last - t.first) / float64(t.points-1)
	switch {
	case step == 0:
		return refused("found FIRSTX and LASTX alike (%v), accepted are two ends of a curve", t.first)
	case t.delta != 0 && math.Abs(math.Abs(t.delta)-math.Abs(step)) > max(0.01*math.Abs(step), t.deltaStep):
		return refused("found DELTAX=%v with %d points from %v to %v, which makes %.6g; accepted are figures that agree", t.delta, t.points, t.first, t.last, step)
	}
	// Memory follows what is in the file, not what it says of itself.
	t.y = make([]float64, 0, min(t.points, 4*len(t.data)))
	differences := false // the line before ended with one, so that this one repeats its last ordinate
	for len(t.data) > 0 && !t.atRecord() {
		line, _ := t.next()
		for len(line) > 0 && blank(line[0]) {
			line = line[1:]
		}
		if len(line) == 0 {
			continue
		}
		x, n, decimals := numberAt(line)
		if n == 0 {
			return refused("line %d: found %s at its beginning, accepted is the abscissa of its first point", t.line, short(line))
		}
		at := len(t.y)
		if differences {
			at--
		}
		expected := t.first + float64(float64(at)*step)
		// Abscissas are rounded or cut off to their last digit; a point more or less is a whole step.
		allowed := max(0.5*math.Abs(step), 0.999*math.Abs(t.xFactor)*math.Pow(10, -float64(decimals)))
		if found := x * t.xFactor; math.Abs(found-expected) > allowed {
			return refused("line %d: found the abscissa %.7g where point %d is at %.7g; a line is missing, doubled or damaged", t.line, found, at+1, expected)
		}
		var f *fault.Error
		if differences, f = t.ordinates(line[n:], differences); f != nil {
			return f
		}
	}
	if len(t.y) != t.points {
		return refused("found %d points and NPOINTS=%d, accepted are as many as it says", len(t.y), t.points)
	}
	t.x = make([]float64, t.points)
	for i := range t.x {
		t.x[i] = t.first + float64(float64(i)*step)
	}
	if t.yFactor != 1 {
		for i := range t.y {
			t.y[i] *= t.yFactor
		}
	}
	return nil
}

// How an ordinate was written.
const (
	none = iota
	value
	difference
	repeat
)

// ordinates reads those of one line and tells whether it ended with a difference. check: the first one repeats the last of the line before.
func (t *table) ordinates(b []byte, check bool) (bool, *fault.Error) {
	last, mode := none, none // mode is what a repeat repeats
	var y, d float64
	begin := len(t.y)
	if check {
		begin--
	}
	for i := 0; i < len(b); {
		c := b[i]
		if blank(c) {
			i++
			continue
		}
		form, digit, sign := pseudo(c)
		switch form {
		case none:
			if c == '?' { // an ordinate that the instrument could not give
				y, last, mode = math.NaN(), value, value
				i++
				break
			}
			v, n, _ := numberAt(b[i:])
			if n == 0 {
				return false, refused("line %d: found %s, accepted are ordinates as numbers or in the forms PAC, SQZ, DIF and DUP", t.line, short(b[i:]))
			}
			y, last, mode = v, value, value
			i += n
		default:
			v, n := tail(b[i+1:], digit)
			i += n + 1
			switch form {
			case value:
				y, last, mode = sign*v, value, value
			case difference:
				if last == none {
					return false, refused("line %d: found a difference as its first ordinate, accepted is a value", t.line)
				}
				d = sign * v
				y, last, mode = y+d, difference, difference
			case repeat:
				if last == none || last == repeat || v < 1 {
					return false, refused("line %d: found a repeat (%s) with nothing to repeat, accepted is one after an ordinate", t.line, short(b[i-n-1:i]))
				}
				if float64(len(t.y))+v-1 > float64(t.points) {
					return false, t.tooMany()
				}
				for range int(v) - 1 {
					if mode == difference {
						y += d
					}
					t.y = append(t.y, y)
				}
				last = repeat
				continue
			}
		}
		if check {
			check = false
			if before := t.y[len(t.y)-1]; y != before && !(math.IsNaN(y) && math.IsNaN(before)) {
				return false, refused("line %d: found the check value %v where the line before ended with %v; a line is missing or damaged", t.line, y, before)
			}
			y = t.y[len(t.y)-1]
			continue
		}
		if len(t.y) == t.points {
			return false, t.tooMany()
		}
		t.y = append(t.y, y)
	}
	if len(t.y) == begin {
		return false, refused("line %d: found an abscissa without ordinates, accepted is at least one", t.line)
	}
	return mode == difference, nil
}

func (t *table) tooMany() *fault.Error {
	return refused("line %d: found more points than NPOINTS=%d, accepted are as many as it says", t.line, t.points)
}

// pseudo tells what a pseudo-digit begins, its digit and its sign.
func pseudo(c byte) (form int, digit, sign float64) {
	switch {
	case c == '@':
		return value, 0, 1
	case 'A' <= c && c <= 'I':
		return value, float64(c-'A') + 1, 1
	case 'a' <= c && c <= 'i':
		return value, float64(c-'a') + 1, -1
	case c == '%':
		return difference, 0, 1
	case 'J' <= c && c <= 'R':
		return difference, float64(c-'J') + 1, 1
	case 'j' <= c && c <= 'r':
		return difference, float64(c-'j') + 1, -1
	case 'S' <= c && c <= 'Z':
		return repeat, float64(c-'S') + 1, 1
	case c == 's':
		return repeat, 9, 1
	}
	return none, 0, 1
}

// tail reads the digits behind a pseudo-digit, with decimals if there are any, and answers how many characters they take.
func tail(b []byte, v float64) (float64, int) {
	i := 0
	for i < len(b) && '0' <= b[i] && b[i] <= '9' {
		v = v*10 + float64(b[i]-'0')
		i++
	}
	if i+1 < len(b) && b[i] == '.' && '0' <= b[i+1] && b[i+1] <= '9' {
		i++
		for f := 0.1; i < len(b) && '0' <= b[i] && b[i] <= '9'; i++ {
			v += float64(f * float64(b[i]-'0'))
			f /= 10
		}
	}
	return v, i
}

// pairs reads (XY..XY).
func (t *table) pairs() *fault.Error {
	var x float64
	half := false
	for len(t.data) > 0 && !t.atRecord() {
		line, _ := t.next()
		for i := 0; i < len(line); {
			if blank(line[i]) {
				i++
				continue
			}
			v, n, _ := numberAt(line[i:])
			if n == 0 && line[i] == '?' && half {
				v, n = math.NaN(), 1
			}
			if n == 0 {
				return refused("line %d: found %s, accepted are pairs of numbers", t.line, short(line[i:]))
			}
			i += n
			if half = !half; half {
				x = v
				continue
			}
			if len(t.x) == MaxPoints {
				return refused("found more than %d points, accepted are at most as many", MaxPoints)
			}
			t.x, t.y = append(t.x, x*t.xFactor), append(t.y, v*t.yFactor)
		}
	}
	switch {
	case half:
		return refused("found an abscissa without an ordinate at the end of the curve, accepted are pairs")
	case t.points != 0 && t.points != len(t.x):
		return refused("found %d points and NPOINTS=%d, accepted are as many as it says", len(t.x), t.points)
	case len(t.x) < 2:
		return refused("found %d points, accepted are 2 or more", len(t.x))
	}
	return nil
}

// kindOf reads what was measured. The standard has INFRARED SPECTRUM and RAMAN SPECTRUM; programs write FT-IR SPECTRUM, NEAR INFRARED SPECTRUM and others.
func kindOf(dataType string) (Kind, *fault.Error) {
	t := strings.ToUpper(strings.Join(strings.Fields(dataType), " "))
	raman := strings.Contains(t, "RAMAN")
	infrared := strings.Contains(t, "INFRARED") || strings.Contains(t, "FTIR") || strings.Contains(t, "FT-IR") || t == "IR SPECTRUM" || t == "NIR SPECTRUM"
	other := strings.Contains(t, "PEAK") || strings.Contains(t, "INTERFEROGRAM") || strings.Contains(t, "TRANSFORM")
	switch {
	case t == "":
		return "", nil
	case raman && !infrared && !other:
		return Raman, nil
	case infrared && !raman && !other:
		return Infrared, nil
	}
	return "", refused("found DATA TYPE=%s, accepted is INFRARED SPECTRUM or RAMAN SPECTRUM", short([]byte(t)))
}

func abscissa(units string) (xUnit, *fault.Error) {
	switch u := strings.ToUpper(string(squeezed([]byte(units)))); {
	case u == "" || u == "1/CM" || u == "CM-1" || u == "CM^-1" || u == "WAVENUMBERS" || strings.HasPrefix(u, "WAVENUMBER") || strings.HasPrefix(u, "RAMANSHIFT"):
		return wavenumber, nil
	case strings.HasPrefix(u, "MICROM") || u == "MICRONS" || u == "UM":
		return micrometre, nil
	case strings.HasPrefix(u, "NANOMET") || u == "NM":
		return nanometre, nil
	default:
		return 0, refused("found XUNITS=%s, accepted is 1/CM, MICROMETERS or NANOMETERS", short([]byte(u)))
	}
}
