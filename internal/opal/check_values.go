package opal

import (
	"errors"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// The checks of single values. Each answers nil or a fault whose field is the name given; under and at put the way to it in front. So a
// path is only built once something is wrong, and checking a good event allocates nothing.

// under puts a parent's name in front of the fault's field.
func under(name string, f *fault.Error) *fault.Error {
	if f == nil {
		return nil
	}
	if f.Field == "" {
		f.Field = name
	} else {
		f.Field = name + "." + f.Field
	}
	return f
}

// at puts a list's name and an index in front of the fault's field.
func at(list string, i int, f *fault.Error) *fault.Error {
	if f == nil {
		return nil
	}
	return under(list+"["+strconv.Itoa(i)+"]", f)
}

// wrong makes the fault of a field from an error that says what was found and what is accepted.
func wrong(field string, err error) *fault.Error {
	if err == nil {
		return nil
	}
	return fault.New(fault.InvalidField, field, "%s", err.Error())
}

func tooMany(field string, n, most int, what string) *fault.Error {
	if n <= most {
		return nil
	}
	return fault.New(fault.TooLarge, field, "found %s %s, accepted are at most %s", group(int64(n)), what, group(int64(most)))
}

// needText checks a text that must be there; a blank one is not.
func needText(field, s string, most int) *fault.Error {
	if f := text(field, s, most); f != nil {
		return f
	}
	if strings.TrimSpace(s) == "" {
		return fault.New(fault.InvalidField, field, "found nothing, accepted is a text of 1 to %s characters", group(int64(most)))
	}
	return nil
}

// text checks a text that may be empty: valid UTF-8, no control characters, at most so many characters. That it is in Unicode's
// normal form C is for the caller of Texts to check.
func text(field, s string, most int) *fault.Error {
	if f := plain(field, s); f != nil {
		return f
	}
	if len(s) <= most { // characters are never more than bytes
		return nil
	}
	return tooMany(field, utf8.RuneCountInString(s), most, "characters")
}

// plain checks that a text is valid UTF-8 without control characters (Unicode's category Cc: line breaks and tabs too).
func plain(field, s string) *fault.Error {
	for i := 0; i < len(s); {
		c := s[i]
		switch {
		case c < ' ' || c == 0x7f:
			return controlCharacter(field, rune(c))
		case c < utf8.RuneSelf:
			i++
		default:
			r, size := utf8.DecodeRuneInString(s[i:])
			if r == utf8.RuneError && size == 1 {
				return fault.New(fault.InvalidField, field, "found the byte 0x%02x, which is not UTF-8; accepted is valid UTF-8 text", c)
			}
			if r < 0xa0 {
				return controlCharacter(field, r)
			}
			i += size
		}
	}
	return nil
}

func controlCharacter(field string, r rune) *fault.Error {
	return fault.New(fault.InvalidField, field, "found the control character U+%04X, accepted is text without control characters or line breaks", r)
}

// needWord checks a word of the vocabulary that must be there.
func needWord[W ~string](field string, v W, all []W) *fault.Error {
	if slices.Contains(all, v) {
		return nil
	}
	return wrongWord(field, v, all)
}

// mayWord checks a word of the vocabulary that may be unset.
func mayWord[W ~string](field string, v W, all []W) *fault.Error {
	if v == "" || slices.Contains(all, v) {
		return nil
	}
	return wrongWord(field, v, all)
}

func wrongWord[W ~string](field string, v W, all []W) *fault.Error {
	words := make([]string, len(all))
	for i := range all {
		words[i] = string(all[i])
	}
	return fault.New(fault.InvalidField, field, "found %s, accepted is one of %s", found(string(v)), strings.Join(words, ", "))
}

// wordList checks a list of words, each at most once.
func wordList[W ~string](field string, list, all []W) *fault.Error {
	for i, v := range list {
		if !slices.Contains(all, v) {
			return at(field, i, wrongWord("", v, all))
		}
		if j := slices.Index(list[:i], v); j >= 0 {
			return at(field, i, fault.New(fault.InvalidField, "", "found %s, which %s[%d] names already; accepted is each word once", v, field, j))
		}
	}
	return nil
}

func needMass(field string, m Mass) *fault.Error {
	if m.Weight().Micrograms > 0 {
		return nil
	}
	_, err := ParseMass(string(m))
	return wrong(field, err)
}

func mayMass(field string, m Mass) *fault.Error {
	if m == "" {
		return nil
	}
	return needMass(field, m)
}

// count checks a number of stones that may be unknown (nil).
func count(field string, p *int64, least int64) *fault.Error {
	if p == nil {
		return nil
	}
	return number(field, *p, least, MaxPieces)
}

// number checks a whole number against its range.
func number(field string, n, least, most int64) *fault.Error {
	if n >= least && n <= most {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found %s, accepted is a whole number from %s to %s", group(n), group(least), group(most))
}

// measured checks a measured number against its range. NaN lies in no range.
func measured(field string, p *float64, least, most float64, unit string) *fault.Error {
	if p == nil || *p >= least && *p <= most {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found %v, accepted is a number from %v to %v %s", *p, least, most, unit)
}

// dimensions checks length, width and height, as many as were measured.
func dimensions(field string, mm []float64) *fault.Error {
	if len(mm) > 3 {
		return fault.New(fault.InvalidField, field, "found %d numbers, accepted are 1 to 3 in millimetres", len(mm))
	}
	for i, d := range mm {
		if !(d > 0 && d <= maxMillimetres) { // so written, NaN is refused too
			return at(field, i, fault.New(fault.InvalidField, "", "found %v, accepted is a length above 0 and up to %s mm", d, group(maxMillimetres)))
		}
	}
	return nil
}

// bodyTone checks a body tone: 1 (black) to 9 (white), or 0 where none is stated.
func bodyTone(field string, n int64) *fault.Error {
	if n >= 0 && n <= 9 {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found %d, accepted is a body tone from 1 (black) to 9 (white)", n)
}

// instant checks a stated time.
func instant(field, s string, zoneMinutes int64) *fault.Error {
	if s == "" {
		return fault.New(fault.InvalidField, field, "found nothing, accepted is a time such as 2026-03-04T10:20:00Z or a date such as 2026-03-04")
	}
	_, err := ParseWhen(s, zoneMinutes)
	return wrong(field, err)
}

func country(field, s string) *fault.Error {
	if IsCountry(s) {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found %s, accepted is a two-letter country code of ISO 3166-1 in capitals, such as ET or AU", found(s))
}

// newLot checks the id of a lot that the event opens: it starts with its poster's id, if the poster is known, and is not the event's own.
func newLot(field, id string, e *Event) *fault.Error {
	if err := CheckLot(id); err != nil {
		return wrong(field, err)
	}
	if f := ownPrefix(field, id, e.Party); f != nil {
		return f
	}
	if id == e.Lot {
		return fault.New(fault.InvalidField, field, "found %q, the lot that the event is about; accepted is the id of a new lot", id)
	}
	return nil
}

func ownPrefix(field, id, party string) *fault.Error {
	if party == "" || PartyOfLot(id) == party {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found %q, accepted is a new lot named by its poster: %s.<code>", id, party)
}

// repeated finds the first id of n that an earlier one equals.
func repeated(n int, id func(int) string) (again, first int, ok bool) {
	const few = 24 // up to here comparing all pairs is faster than a map
	if n <= few {
		for i := range n {
			for j := range i {
				if id(i) == id(j) {
					return i, j, true
				}
			}
		}
		return 0, 0, false
	}
	seen := make(map[string]int, n)
	for i := range n {
		if j, ok := seen[id(i)]; ok {
			return i, j, true
		}
		seen[id(i)] = i
	}
	return 0, 0, false
}

// lotList checks a list of existing lots, each at most once.
func lotList(field string, lots []string, most int) *fault.Error {
	if f := tooMany(field, len(lots), most, "lots"); f != nil {
		return f
	}
	for i, id := range lots {
		if err := CheckLot(id); err != nil {
			return at(field, i, wrong("", err))
		}
	}
	if i, j, ok := repeated(len(lots), func(i int) string { return lots[i] }); ok {
		return at(field, i, fault.New(fault.InvalidField, "", "found %q, which %s[%d] names already; accepted is each lot once", lots[i], field, j))
	}
	return nil
}

func eventID(field, s string) *fault.Error {
	_, _, err := SplitEventID(s)
	return wrong(field, err)
}

// filled checks that a hash, key or other fixed-size value was given at all.
func filled(field string, b []byte, what string) *fault.Error {
	for _, c := range b {
		if c != 0 {
			return nil
		}
	}
	return wrong(field, errors.New("found nothing, accepted is "+what))
}

// group writes a whole number with commas between thousands.
func group(n int64) string {
	s := strconv.FormatInt(n, 10)
	digits, sign := s, ""
	if n < 0 {
		digits, sign = s[1:], "-"
	}
	for i := len(digits) - 3; i > 0; i -= 3 {
		digits = digits[:i] + "," + digits[i:]
	}
	return sign + digits
}
