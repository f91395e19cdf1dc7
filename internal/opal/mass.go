package opal

import (
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// Mass is a mass as people write it, "3.42 ct": kept as recorded, because its last digit states the scale's resolution.
type Mass string

// Weight is what a Mass says: whole micrograms, and the step of the scale that its last digit states.
type Weight struct {
	Micrograms int64 `cbor:"1,keyasint"`
	Step       int64 `cbor:"2,keyasint"` // micrograms, at least 1
}

// Micrograms in the units that masses are spoken of.
const (
	MicrogramsPerCarat int64 = 200_000 // the metric carat, exactly
	MicrogramsPerGram  int64 = 1_000_000
	// MaxMicrograms is the largest mass of a lot, 100,000 kg: no lot of opal weighs more, so more is a slip of the unit.
	MaxMicrograms int64 = 100_000 * 1_000_000_000
)

// massLength is the longest text that is still read as a mass.
const massLength = 40

// massFault says why a text is no mass; only ParseMass turns it into a sentence.
type massFault uint8

const (
	massFine massFault = iota
	massMissing
	massLong
	massNegative
	massForm
	massComma
	massUnit
	massZero
	massDigits
	massLarge
)

// unitOf gives a unit's nanograms and the most decimals whose last one is still worth a microgram. Nanograms, because then the two
// ounces are whole numbers as well. 0: no such unit.
func unitOf(s string) (nanograms uint64, decimals int) {
	switch s {
	case "ct":
		return 200_000_000, 5
	case "g":
		return 1_000_000_000, 6
	case "mg":
		return 1_000_000, 3
	case "kg":
		return 1_000_000_000_000, 9
	case "oz":
		return 28_349_523_125, 7
	case "ozt":
		return 31_103_476_800, 7
	}
	return 0, 0
}

// ParseMass reads a mass: digits, if need be a decimal point and more digits, at most one space, and a unit: ct (metric carat), g, mg,
// kg, oz (avoirdupois ounce) or ozt (troy ounce).
//
// The arithmetic is in whole numbers. A text is refused when its last digit is worth less than a microgram (ct: more than 5 decimals,
// g 6, mg 3, kg 9, oz and ozt 7), so masses in metric units and carats are exact. Ounces are no whole number of micrograms: they are
// rounded to the nearest one, half away from zero. Step is the unit scaled to the last written digit, rounded likewise, at least 1.
func ParseMass(s string) (Weight, error) {
	w, f := scanMass(s)
	switch f {
	case massFine:
		return w, nil
	case massMissing:
		return w, fmt.Errorf(`found nothing, accepted is a mass such as "3.42 ct"`)
	case massLong:
		return w, fmt.Errorf(`found %d bytes, accepted is a mass of at most %d, such as "3.42 ct"`, len(s), massLength)
	case massNegative:
		return w, fmt.Errorf("found %q, accepted is a mass above zero", clip(s))
	case massComma:
		return w, fmt.Errorf(`found %q with a comma, accepted is a point before the decimals and nothing between thousands, such as "1250.5 g"`, clip(s))
	case massUnit:
		return w, fmt.Errorf("found %q, accepted is a number, at most one space and one of the units ct, g, mg, kg, oz, ozt", clip(s))
	case massZero:
		return w, fmt.Errorf("found %q, accepted is a mass above zero; leave the field out where nothing was weighed", clip(s))
	case massDigits:
		return w, fmt.Errorf("found %q, accepted are digits down to the microgram: 5 decimals with ct, 6 with g, 3 with mg, 9 with kg, 7 with oz and ozt", clip(s))
	case massLarge:
		return w, fmt.Errorf("found %q, accepted is at most 100,000 kg", clip(s))
	}
	return w, fmt.Errorf(`found %q, accepted is a plain decimal number and a unit, such as "3.42 ct"`, clip(s))
}

// Weight gives what the mass says, and the zero Weight where ParseMass would refuse it. It allocates nothing.
func (m Mass) Weight() Weight {
	w, _ := scanMass(string(m))
	return w
}

// scanMass is the one reading of a mass; the Weight is zero unless the fault is massFine.
func scanMass(s string) (Weight, massFault) {
	if s == "" {
		return Weight{}, massMissing
	}
	if len(s) > massLength {
		return Weight{}, massLong
	}
	var number uint64
	var over bool // more digits than number holds
	i, decimals, point := 0, 0, -1
	for ; i < len(s); i++ {
		c := s[i]
		if c == '.' {
			if point >= 0 || i == 0 {
				return Weight{}, massForm
			}
			point = i
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		if number > (math.MaxInt64-9)/10 {
			over = true
		} else {
			number = number*10 + uint64(c-'0')
		}
		if point >= 0 {
			decimals++
		}
	}
	if i == 0 {
		if s[0] == '-' {
			return Weight{}, massNegative
		}
		return Weight{}, massForm
	}
	if i == len(s) {
		return Weight{}, massUnit
	}
	switch s[i] {
	case ',':
		return Weight{}, massComma
	case 'e', 'E', '\'', '_':
		return Weight{}, massForm
	}
	if point == i-1 { // "3. ct"
		return Weight{}, massForm
	}
	if s[i] == ' ' {
		i++
	}
	nanograms, most := unitOf(s[i:])
	switch {
	case nanograms == 0:
		return Weight{}, massUnit
	case decimals > most:
		return Weight{}, massDigits
	case over:
		return Weight{}, massLarge
	case number == 0:
		return Weight{}, massZero
	}

	scale := uint64(1000) // nanograms in a microgram, times the last digit's place: at most 10^12
	for range decimals {
		scale *= 10
	}
	hi, lo := bits.Mul64(number, nanograms)
	if hi >= scale {
		return Weight{}, massLarge
	}
	q, r := bits.Div64(hi, lo, scale)
	if 2*r >= scale {
		q++
	}
	if q > uint64(MaxMicrograms) {
		return Weight{}, massLarge
	}
	step := (nanograms + scale/2) / scale
	return Weight{Micrograms: int64(q), Step: int64(max(step, 1))}, massFine
}

// Uncertainty is the weighing's standard uncertainty in micrograms: the true mass lies anywhere within one step of the scale, so it is
// the step over √12, the standard deviation of a rectangular distribution of that width (GUM, JCGM 100:2008, 4.3.7 and F.2.2.1).
func (w Weight) Uncertainty() float64 { return float64(w.Step) / math.Sqrt(12) }

// CanonicalMass gives the one written form of a mass: no zeros before the number, one space before the unit, all written decimals kept.
func CanonicalMass(s string) (Mass, error) {
	if _, err := ParseMass(s); err != nil {
		return "", err
	}
	end := strings.IndexFunc(s, func(r rune) bool { return r != '.' && (r < '0' || r > '9') })
	number, unit := strings.TrimLeft(s[:end], "0"), strings.TrimPrefix(s[end:], " ")
	if number == "" || number[0] == '.' {
		number = "0" + number
	}
	return Mass(number + " " + unit), nil
}

// FormatCarats writes micrograms in carats, exactly: two decimals, and up to six where it takes them. A mass below zero has a minus.
func FormatCarats(micrograms int64) string {
	whole, part := apart(micrograms, uint64(MicrogramsPerCarat))
	return decimal(micrograms < 0, whole, part*5, 2) + " ct"
}

// FormatGrams writes micrograms in grams, exactly: three decimals, and up to six where it takes them. A mass below zero has a minus.
func FormatGrams(micrograms int64) string {
	whole, part := apart(micrograms, uint64(MicrogramsPerGram))
	return decimal(micrograms < 0, whole, part, 3) + " g"
}

// apart gives the whole units in |n| and what is left.
func apart(n int64, unit uint64) (whole, part uint64) {
	u := uint64(n)
	if n < 0 {
		u = -u // right for the smallest int64 too
	}
	return u / unit, u % unit
}

// decimal writes whole and millionths with at least so many decimals.
func decimal(negative bool, whole, millionths uint64, least int) string {
	var b [32]byte
	s := b[:0]
	if negative {
		s = append(s, '-')
	}
	s = strconv.AppendUint(s, whole, 10)
	s = append(s, '.')
	digits := 6 // millionths counts units of the last kept digit
	for ; digits > least && millionths%10 == 0; digits-- {
		millionths /= 10
	}
	for place := pow10(digits - 1); place > 0; place /= 10 {
		s = append(s, byte('0'+millionths/place%10))
	}
	return string(s)
}

func pow10(n int) uint64 {
	p := uint64(1)
	for range n {
		p *= 10
	}
	return p
}
