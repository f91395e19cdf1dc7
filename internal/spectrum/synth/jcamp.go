package synth

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Form is how ordinates are written (McDonald and Wilks, Appl. Spectrosc. 42:151, 1988).
type Form string

// The forms.
const (
	AFFN   Form = "AFFN"
	PAC    Form = "PAC"
	SQZ    Form = "SQZ"
	DIF    Form = "DIF"
	DIFDUP Form = "DIFDUP"
)

// Forms are all of them.
func Forms() []Form { return []Form{AFFN, PAC, SQZ, DIF, DIFDUP} }

// JCAMP writes a spectrum as JCAMP-DX 4.24, with ordinates as whole multiples of factor.
func (s Spectrum) JCAMP(form Form, factor float64) string {
	whole := make([]int64, len(s.Y))
	for i, v := range s.Y {
		whole[i] = int64(math.Round(v / factor))
	}
	kind, unit := "INFRARED SPECTRUM", "ABSORBANCE"
	switch {
	case s.Raman:
		kind, unit = "RAMAN SPECTRUM", "ARBITRARY UNITS"
	case s.Transmittance:
		unit = "TRANSMITTANCE"
	}
	var b strings.Builder
	put := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	last := s.First + float64(float64(len(s.Y)-1)*s.Step)
	put("##TITLE=%s\n##JCAMP-DX=4.24 $$ made by lotpaper's generator\n##DATA TYPE=%s\n##ORIGIN=lotpaper, made and not measured\n##OWNER=public\n", s.Title, kind)
	put("##XUNITS=1/CM\n##YUNITS=%s\n##RESOLUTION=%s\n##FIRSTX=%s\n##LASTX=%s\n##DELTAX=%s\n##NPOINTS=%d\n", unit, number(s.Resolution), number(s.First), number(last), number(s.Step), len(s.Y))
	put("##FIRSTY=%s\n##XFACTOR=1\n##YFACTOR=%s\n##XYDATA=(X++(Y..Y))\n", number(float64(whole[0])*factor), number(factor))
	table(&b, whole, form, func(i int) string { return number(s.First + float64(float64(i)*s.Step)) })
	b.WriteString("##END=\n")
	return b.String()
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 9, 64) }

// table writes lines of at most 80 characters.
func table(b *strings.Builder, y []int64, form Form, x func(int) string) {
	const wide = 78
	for i := 0; i < len(y); {
		var line strings.Builder
		line.WriteString(x(i))
		switch form {
		case AFFN, PAC, SQZ:
			for begin := i; i < len(y); i++ {
				word := ordinate(y[i], form, i == begin)
				if line.Len()+len(word) > wide {
					break
				}
				line.WriteString(word)
			}
		case DIF, DIFDUP:
			line.WriteString(squeezed(y[i], "@ABCDEFGHI", "abcdefghi"))
			words, full := 0, false
			for i++; i < len(y) && !full; {
				d, run := y[i]-y[i-1], 1
				for form == DIFDUP && i+run < len(y) && y[i+run]-y[i+run-1] == d {
					run++
				}
				word := squeezed(d, "%JKLMNOPQR", "jklmnopqr")
				if run > 1 {
					word += repeated(run)
				}
				if full = line.Len()+len(word) > wide; full {
					break
				}
				line.WriteString(word)
				words++
				i += run
			}
			if words > 0 {
				i-- // the next line begins with a check of this one's last
			}
			if i == len(y)-1 && words > 0 {
				b.WriteString(line.String() + "\n" + x(i) + squeezed(y[i], "@ABCDEFGHI", "abcdefghi") + "\n")
				return
			}
		}
		b.WriteString(line.String() + "\n")
	}
}

func ordinate(v int64, form Form, first bool) string {
	switch {
	case form == SQZ:
		return squeezed(v, "@ABCDEFGHI", "abcdefghi")
	case form == AFFN:
		return " " + strconv.FormatInt(v, 10)
	case v < 0:
		return strconv.FormatInt(v, 10)
	}
	return "+" + strconv.FormatInt(v, 10)
}

// squeezed puts a pseudo-digit in place of sign and first digit.
func squeezed(v int64, plus, minus string) string {
	s := strconv.FormatInt(v, 10)
	if s[0] == '-' {
		return string(minus[s[1]-'1']) + s[2:]
	}
	return string(plus[s[0]-'0']) + s[1:]
}

func repeated(n int) string {
	s := strconv.Itoa(n)
	return string("STUVWXYZs"[s[0]-'1']) + s[1:]
}
