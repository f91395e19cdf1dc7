package spectrum

import (
	"bytes"
	"math"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// headLines is how many lines of a file of columns may stand before the figures.
const headLines = 100

// ReadColumns reads two columns of text: wavenumber (or Raman shift) in cm⁻¹, then ordinate, separated by blanks, tabs, semicolons or commas; with a
// semicolon or a tab the decimals may have a comma. Lines before the figures may say what they are: a line with transmittance, absorbance, reflectance,
// intensity or counts in it sets the unit. Lines that begin with # are read over. A fault has no field: it speaks of the whole text.
func ReadColumns(data []byte) (*Curve, *fault.Error) {
	c := &Curve{}
	rest := bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	for number := 1; len(rest) > 0; number++ {
		line := rest
		if i := bytes.IndexByte(rest, '\n'); i >= 0 {
			line, rest = rest[:i], rest[i+1:]
		} else {
			rest = nil
		}
		line = bytes.TrimSpace(line)
		if len(line) == 0 {
			continue
		}
		x, y, ok := pair(line)
		if !ok {
			head := len(c.X) == 0 && number <= headLines
			if !head && line[0] != '#' {
				return nil, refused("line %d: found %s, accepted are two numbers: wavenumber in cm⁻¹ and ordinate", number, short(line))
			}
			if head {
				c.headed(string(line[:min(len(line), 200)]))
			}
			continue
		}
		if len(c.X) == MaxPoints {
			return nil, refused("found more than %d points, accepted are at most as many", MaxPoints)
		}
		c.X, c.Y = append(c.X, x), append(c.Y, y)
	}
	if len(c.X) < 2 {
		return nil, refused("found %s with two numbers, accepted are 2 or more, of wavenumber in cm⁻¹ and ordinate, or a JCAMP-DX file", count(len(c.X), "line", "lines"))
	}
	return c, c.arrange()
}

// headed takes from a line above the figures what the ordinates are.
func (c *Curve) headed(line string) {
	u := strings.ToUpper(line)
	for _, known := range [...]struct {
		word string
		unit Unit
	}{
		{"TRANSMI", Transmittance}, {"%T", Transmittance}, {"ABSORB", Absorbance}, {"REFLECT", Reflectance}, {"KUBELKA", KubelkaMunk},
		{"INTENSITY", Intensity}, {"COUNTS", Intensity},
	} {
		if strings.Contains(u, known.word) {
			c.Unit = known.unit
			return
		}
	}
}

// pair reads the two numbers of a line. A third one, as some programs write, is no error only if it is not there.
func pair(line []byte) (x, y float64, ok bool) {
	sep := byte(0)
	for _, s := range []byte{';', '\t'} {
		if bytes.IndexByte(line, s) >= 0 {
			sep = s
			break
		}
	}
	var a, b []byte
	switch {
	case sep != 0:
		a, b, _ = bytes.Cut(line, []byte{sep})
		if bytes.IndexByte(a, ',') >= 0 || bytes.IndexByte(b, ',') >= 0 {
			a, b = bytes.ReplaceAll(a, []byte(","), []byte(".")), bytes.ReplaceAll(b, []byte(","), []byte("."))
		}
	case bytes.IndexByte(line, ',') >= 0:
		a, b, _ = bytes.Cut(line, []byte(","))
	default:
		i := bytes.IndexByte(line, ' ')
		if i < 0 {
			return 0, 0, false
		}
		a, b = line[:i], line[i+1:]
	}
	if x, ok = plainNumber(a); !ok {
		return 0, 0, false
	}
	y, ok = plainNumber(b)
	return x, y, ok
}

// plainNumber reads a number that fills its cell. Unlike in JCAMP-DX an exponent needs no sign.
func plainNumber(b []byte) (float64, bool) {
	b = bytes.Trim(b, " \t\"")
	v, n, _ := numberAt(b)
	if n == 0 {
		return 0, false
	}
	if n < len(b) && (b[n] == 'e' || b[n] == 'E') && n+1 < len(b) && len(b) <= n+4 {
		e := 0
		for _, c := range b[n+1:] {
			if c < '0' || c > '9' {
				return 0, false
			}
			e = e*10 + int(c-'0')
		}
		return v * math.Pow(10, float64(e)), true
	}
	return v, n == len(b)
}
