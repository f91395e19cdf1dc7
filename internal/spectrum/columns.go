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
// intensity or counts in it sets the unit (with % or percent: in percents), one that begins with a wavelength in nm or µm that of the abscissas. Lines that begin
// with # are read over. A fault has no field: it speaks of the whole text.
func ReadColumns(data []byte) (*Curve, *fault.Error) {
	c := &Curve{}
	rest := bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	end := []byte("\n")
	if !bytes.Contains(rest, end) { // lines may end as on old machines
		end = []byte("\r")
	}
	for number := 1; len(rest) > 0; number++ {
		var line []byte
		line, rest, _ = bytes.Cut(rest, end)
		line = bytes.TrimSpace(bytes.TrimSuffix(bytes.TrimSpace(line), []byte("\x1a")))
		if len(line) == 0 {
			continue
		}
		x, y, ok := pair(line)
		if !ok {
			// A line that begins with a number is no head, or the first figures would be lost without a word.
			head := len(c.X) == 0 && number <= headLines && !begins(line)
			if !head && line[0] != '#' {
				return nil, refused("line %d: found %s, accepted are two numbers: wavenumber in cm⁻¹ and ordinate (and lines of words above them, or with a # before them)", number, short(line))
			}
			if head || len(c.X) == 0 {
				if f := c.headed(number, string(line[:min(len(line), 200)])); f != nil {
					return nil, f
				}
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

// headed takes from a line above the figures what the columns are.
func (c *Curve) headed(number int, line string) *fault.Error {
	first := line
	if i := strings.IndexAny(line, ";\t,"); i >= 0 {
		first = line[:i]
		c.unitOf(line[i+1:])
	} else {
		c.unitOf(line)
	}
	u := strings.ToUpper(strings.Trim(first, " \t\"#"))
	switch length := strings.Contains(u, "WAVELENGTH"); {
	case length && (strings.Contains(u, "NM") || strings.Contains(u, "NANOM")), u == "NM", strings.HasPrefix(u, "NANOM"):
		c.x = nanometre
	case length && (strings.Contains(u, "UM") || strings.Contains(u, "MICR")), u == "UM", strings.HasPrefix(u, "MICROM"), strings.HasPrefix(u, "MICRONS"),
		strings.ContainsAny(first, "µμ"):
		c.x = micrometre
	case length && len(c.X) == 0:
		return refused("line %d: found wavelengths without their unit, accepted is a column of wavenumbers in cm⁻¹, or of wavelengths as wavelength (nm) or wavelength (µm)", number)
	}
	return nil
}

// begins tells whether a line begins with a number that fills its cell.
func begins(line []byte) bool {
	cell := line
	if i := bytes.IndexAny(line, ";\t, "); i >= 0 {
		cell = line[:i]
	}
	_, ok := plainNumber(cell)
	return ok
}

// pair reads the two numbers of a line. Empty cells behind them do no harm; a third number does, for nobody knows which is which.
func pair(line []byte) (x, y float64, ok bool) {
	sep := byte(0)
	for _, s := range []byte{';', '\t', ','} {
		if bytes.IndexByte(line, s) >= 0 {
			sep = s
			break
		}
	}
	var a, b []byte
	if sep != 0 {
		line = bytes.TrimRight(line, string(rune(sep))+" \t")
		a, b, _ = bytes.Cut(line, []byte{sep})
		if sep != ',' && (bytes.IndexByte(a, ',') >= 0 || bytes.IndexByte(b, ',') >= 0) {
			a, b = bytes.ReplaceAll(a, []byte(","), []byte(".")), bytes.ReplaceAll(b, []byte(","), []byte("."))
		}
	} else {
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
