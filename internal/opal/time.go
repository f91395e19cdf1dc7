package opal

import (
	"fmt"
	"time"
)

// Instant is a moment: microseconds since 1970-01-01T00:00:00Z.
type Instant int64

// Time gives the moment in UTC.
func (i Instant) Time() time.Time { return time.UnixMicro(int64(i)).UTC() }

// String gives RFC 3339 in UTC.
func (i Instant) String() string { return i.Time().Format(time.RFC3339Nano) }

// InstantOf cuts a time to the microsecond.
func InstantOf(t time.Time) Instant { return Instant(t.UnixMicro()) }

// When is a stated time: a moment (From == To), or a whole day.
type When struct {
	From Instant `cbor:"1,keyasint"`
	To   Instant `cbor:"2,keyasint"` // inclusive
}

// IsDay tells whether only the day was stated.
func (w When) IsDay() bool { return w.From != w.To }

// Before tells whether w lies wholly before v: two days that are the same, or a day and a moment in it, are not before each other.
func (w When) Before(v When) bool { return w.To < v.From }

// ParseWhen reads RFC 3339 ("2026-03-04T10:20:00+03:00") or a bare date ("2026-03-04": the whole day at zoneMinutes east of UTC).
func ParseWhen(s string, zoneMinutes int64) (When, error) {
	if len(s) == len("2006-01-02") {
		d, err := time.Parse("2006-01-02", s)
		if err != nil {
			return When{}, fmt.Errorf("found %q, accepted is a time such as 2026-03-04T10:20:00Z or a date such as 2026-03-04", clip(s))
		}
		from := d.Add(-time.Duration(zoneMinutes) * time.Minute)
		return When{InstantOf(from), InstantOf(from.Add(24*time.Hour)) - 1}, checkYear(d, s)
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil || !isStrict(s) {
		return When{}, fmt.Errorf("found %q, accepted is a time such as 2026-03-04T10:20:00Z or a date such as 2026-03-04", clip(s))
	}
	i := InstantOf(t)
	return When{i, i}, checkYear(t, s)
}

// isStrict refuses what the standard library's parser takes beyond RFC 3339: an hour of one digit, a comma before the fraction, an
// offset of 24 hours or more. s has been parsed already, so its outline is sure. Leap seconds are refused by the parser: no
// count of microseconds since 1970 can say them.
func isStrict(s string) bool {
	const toHour, toSecond = len("2006-01-02T15"), len("2006-01-02T15:04:05")
	if len(s) > 40 || len(s) <= toSecond || s[toHour] != ':' || s[toSecond] == ',' {
		return false
	}
	if s[len(s)-1] == 'Z' {
		return true
	}
	offset := s[len(s)-len("07:00"):]
	return offset < "24:00" && offset[3:] < "60"
}

func checkYear(t time.Time, s string) error {
	if y := t.UTC().Year(); y < 1800 || y > 2999 {
		return fmt.Errorf("found %q, accepted are the years 1800 to 2999", clip(s))
	}
	return nil
}

// clip shortens found text for a message.
func clip(s string) string {
	const most = 60
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most]) + "…"
}
