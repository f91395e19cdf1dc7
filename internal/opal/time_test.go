package opal

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestParseWhen(t *testing.T) {
	for _, c := range []struct{ in, from string }{
		// RFC 3339, section 5.8: the examples, and the moments in UTC that it says they are.
		{"1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52Z"},
		{"1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"},
		{"1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z"},
		// Section 4.3: an unknown local offset.
		{"2026-03-04T10:20:00-00:00", "2026-03-04T10:20:00Z"},
		{"2026-03-04T10:20:00+03:00", "2026-03-04T07:20:00Z"},
		{"2026-03-04T10:20:00.1234567Z", "2026-03-04T10:20:00.123456Z"},
		{"2024-02-29T00:00:00Z", "2024-02-29T00:00:00Z"},
		{"1800-01-01T00:00:00Z", "1800-01-01T00:00:00Z"},
		{"2999-12-31T23:59:59Z", "2999-12-31T23:59:59Z"},
	} {
		w, err := ParseWhen(c.in, 0)
		if err != nil || w.IsDay() || w.From.String() != c.from {
			t.Errorf("ParseWhen(%q) = %v to %v, %v; want %s", c.in, w.From, w.To, err, c.from)
		}
	}
	for _, c := range []struct {
		zone     int64
		from, to string
	}{
		{0, "2026-03-04T00:00:00Z", "2026-03-04T23:59:59.999999Z"},
		{180, "2026-03-03T21:00:00Z", "2026-03-04T20:59:59.999999Z"},
		{-480, "2026-03-04T08:00:00Z", "2026-03-05T07:59:59.999999Z"},
	} {
		w, err := ParseWhen("2026-03-04", c.zone)
		if err != nil || !w.IsDay() || w.From.String() != c.from || w.To.String() != c.to {
			t.Errorf("the day at %d minutes: %v to %v, %v; want %s to %s", c.zone, w.From, w.To, err, c.from, c.to)
		}
	}
}

func TestParseWhenRefuses(t *testing.T) {
	for _, s := range []string{
		"", "today", "2026-3-4", "2026-02-29", "2026-13-01", "04-03-2026", "2026/03/04", "20260304",
		"2026-03-04T10:20Z", "2026-03-04T10:20:00", "2026-03-04 10:20:00Z", "2026-03-04T10:20:00+0300", "2026-03-04T10:20:00+03",
		"2026-03-04T24:00:00Z", "2026-03-04T10:60:00Z",
		"2026-03-04T1:20:00Z",       // an hour has two digits
		"2026-03-04T10:20:00,5Z",    // the fraction follows a point
		"2026-03-04T10:20:00+24:00", // an offset is below 24 hours
		"2026-03-04T10:20:00+03:60",
		"1990-12-31T23:59:60Z", // a leap second, well formed in RFC 3339 section 5.8, which no count of microseconds can say
		"2026-03-04T10:20:00." + strings.Repeat("0", 30) + "Z",
		"1799-12-31", "3000-01-01", "1799-12-31T23:59:59Z", "0001-01-01T00:00:00Z",
	} {
		if w, err := ParseWhen(s, 0); err == nil || !strings.Contains(err.Error(), "accepted") {
			t.Errorf("ParseWhen(%q) = %v to %v, %v", s, w.From, w.To, err)
		}
	}
}

func TestWhenBefore(t *testing.T) {
	day := func(s string) When {
		w, err := ParseWhen(s, 0)
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	a, b, noon := day("2026-03-04"), day("2026-03-05"), day("2026-03-04T12:00:00Z")
	if !a.Before(b) || b.Before(a) || a.Before(a) || a.Before(noon) || noon.Before(a) || !noon.Before(b) {
		t.Error("the order of two days and a moment in the first")
	}
}

// Any moment of the accepted years, written with any offset, comes back to the microsecond.
func TestParseWhenRoundTrip(t *testing.T) {
	first, last := time.Date(1801, 1, 1, 0, 0, 0, 0, time.UTC).UnixMicro(), time.Date(2999, 1, 1, 0, 0, 0, 0, time.UTC).UnixMicro()
	rapid.Check(t, func(t *rapid.T) {
		i := Instant(rapid.Int64Range(first, last).Draw(t, "microseconds"))
		offset := rapid.IntRange(-23*60-59, 23*60+59).Draw(t, "offset")
		s := i.Time().In(time.FixedZone("", offset*60)).Format(time.RFC3339Nano)
		w, err := ParseWhen(s, 0)
		if err != nil || w.From != i || w.To != i {
			t.Fatalf("ParseWhen(%q) = %v to %v, %v; want %v", s, w.From, w.To, err, i)
		}
		d := i.Time().Format("2006-01-02")
		day, err := ParseWhen(d, 0)
		if err != nil || i < day.From || i > day.To || day.Before(w) || w.Before(day) {
			t.Fatalf("%v does not lie in its day %q: %v to %v, %v", i, d, day.From, day.To, err)
		}
	})
}

func FuzzParseWhen(f *testing.F) {
	for _, s := range []string{"2026-03-04", "2026-03-04T10:20:00Z", "2026-03-04T10:20:00.123456789+03:00", "2026-03-04T1:20:00Z", "1990-12-31T23:59:60Z", ""} {
		f.Add(s, int64(0))
	}
	f.Add("2026-03-04", int64(840))
	f.Fuzz(func(t *testing.T, s string, zone int64) {
		if zone < -840 || zone > 840 {
			return
		}
		w, err := ParseWhen(s, zone)
		if err != nil {
			return
		}
		if len(s) == len("2006-01-02") {
			if !w.IsDay() || w.To-w.From != Instant(24*time.Hour/time.Microsecond)-1 {
				t.Fatalf("the day %q runs from %v to %v", s, w.From, w.To)
			}
			return
		}
		// The standard library has a second, strict reader of RFC 3339.
		var strict time.Time
		if err := strict.UnmarshalText([]byte(s)); err != nil {
			t.Fatalf("ParseWhen takes %q, the strict reader says %v", s, err)
		}
		again, err := ParseWhen(w.From.String(), zone)
		if err != nil || again != w || w.IsDay() {
			t.Fatalf("%q is %v, written and read again %v, %v", s, w, again, err)
		}
	})
}
