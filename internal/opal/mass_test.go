package opal

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseMass(t *testing.T) {
	for _, c := range []struct {
		text             string
		micrograms, step int64
	}{
		// 1 metric carat = 200 mg: 4th General Conference on Weights and Measures, 1907.
		{"1 ct", 200_000, 200_000},
		{"3.42 ct", 684_000, 2_000},
		{"3.420 ct", 684_000, 200},
		{"0.00001 ct", 2, 2},
		{"684 mg", 684_000, 1_000},
		{"0.684 g", 684_000, 1_000},
		{"1.250 kg", 1_250_000_000, 1_000_000},
		{"1.25kg", 1_250_000_000, 10_000_000},
		{"0.000001 g", 1, 1},
		{"0.001 mg", 1, 1},
		{"0.000000001 kg", 1, 1},
		{"100000 kg", 100_000_000_000_000, 1_000_000_000},
		{"100000.000000000 kg", 100_000_000_000_000, 1},
		{"007.50 g", 7_500_000, 10_000},
		// 1 avoirdupois ounce = 28.349523125 g: a sixteenth of the pound of 0.45359237 kg, international yard and pound agreement, 1959.
		{"16 oz", 453_592_370, 28_349_523},
		{"1 oz", 28_349_523, 28_349_523},
		{"1.0 oz", 28_349_523, 2_834_952},
		{"4 oz", 113_398_093, 28_349_523}, // 113,398,092.5: half away from zero
		// 1 troy ounce = 31.1034768 g: 480 grains of a 7,000th of that pound; NIST Handbook 44, appendix C, prints both.
		{"5 ozt", 155_517_384, 31_103_477},
		{"1 ozt", 31_103_477, 31_103_477},
		{"1.0000000 ozt", 31_103_477, 3},
		// 175 troy ounces = 192 avoirdupois ounces (both 84,000 grains).
		{"175 ozt", 5_443_108_440, 31_103_477},
		{"192 oz", 5_443_108_440, 28_349_523},
	} {
		w, err := ParseMass(c.text)
		if err != nil || w.Micrograms != c.micrograms || w.Step != c.step {
			t.Errorf("ParseMass(%q) = %+v, %v; want %d µg, step %d", c.text, w, err, c.micrograms, c.step)
		}
		if got := Mass(c.text).Weight(); got != w {
			t.Errorf("Mass(%q).Weight() = %+v, ParseMass says %+v", c.text, got, w)
		}
	}
}

func TestParseMassRefuses(t *testing.T) {
	for _, c := range []struct{ text, says string }{
		{"", "found nothing"},
		{"ct", "plain decimal number"},
		{"3.42", "units ct, g, mg, kg, oz, ozt"},
		{"3.", "units"},
		{"3. ct", "plain decimal number"},
		{".5 ct", "plain decimal number"},
		{"3.4.2 ct", "plain decimal number"},
		{"3,42 ct", "comma"},
		{"1,250.5 g", "comma"},
		{"1.250,5 g", "comma"},
		{"3.42  ct", "at most one space"},
		{"3.42\tct", "units"},
		{"3.42\u00a0ct", "units"},
		{"3.42 ct ", "units"},
		{" 3.42 ct", "plain decimal number"},
		{"3.42 CT", "units"},
		{"3.42 carats", "units"},
		{"3.42 lb", "units"},
		{"-3.42 ct", "above zero"},
		{"+3.42 ct", "plain decimal number"},
		{"−3.42 ct", "plain decimal number"},
		{"3e5 ct", "plain decimal number"},
		{"0 ct", "above zero"},
		{"0.00 g", "above zero"},
		{"0.000001 ct", "5 decimals with ct"},
		{"0.0000001 g", "6 with g"},
		{"0.0001 mg", "3 with mg"},
		{"1.0000000000 kg", "9 with kg"},
		{"1.00000000 oz", "7 with oz"},
		{"100000.000000001 kg", "100,000 kg"},
		{"100001 kg", "100,000 kg"},
		{"100000000000 kg", "100,000 kg"},
		{"9223372036854775807 kg", "100,000 kg"},
		{"500000000.001 ct", "100,000 kg"},
		{"9223372036854775807 mg", "100,000 kg"},
		{"18446744073709551617 mg", "100,000 kg"}, // 2^64 + 1 must not wrap round to 1
		{"99999999999999999999999999999999999 kg", "100,000 kg"},
		{"1.00000000000000000000000000000000000 g", "6 with g"},
		{strings.Repeat("1", 41) + " ct", "found 44 bytes"},
		{"1 ct\x00", "units"},
		{"１ ct", "plain decimal number"},
	} {
		w, err := ParseMass(c.text)
		if err == nil || w != (Weight{}) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "accepted") {
			t.Errorf("ParseMass(%q) = %+v, %v; want a refusal that says %q", c.text, w, err, c.says)
		}
		if got := Mass(c.text).Weight(); got != (Weight{}) {
			t.Errorf("Mass(%q).Weight() = %+v, want none", c.text, got)
		}
	}
}

// The arithmetic against math/big, for every unit and number of decimals.
func TestMassAgainstRationals(t *testing.T) {
	units := map[string]*big.Rat{ // micrograms, from the definitions named in TestParseMass
		"ct": big.NewRat(200_000, 1), "g": big.NewRat(1_000_000, 1), "mg": big.NewRat(1_000, 1), "kg": big.NewRat(1_000_000_000, 1),
		"oz":  big.NewRat(453_592_370, 16),
		"ozt": new(big.Rat).Mul(big.NewRat(453_592_370, 7000), big.NewRat(480, 1)),
	}
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]string{"ct", "g", "mg", "kg", "oz", "ozt"}).Draw(t, "unit")
		number := rapid.StringMatching(`[0-9]{1,9}(\.[0-9]{1,10})?`).Draw(t, "number")
		text := number + " " + unit

		exact, ok := new(big.Rat).SetString(number)
		if !ok {
			t.Fatalf("math/big does not read %q", number)
		}
		exact.Mul(exact, units[unit])
		step := new(big.Rat).Set(units[unit])
		if _, decimals, ok := strings.Cut(number, "."); ok {
			step.Quo(step, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(len(decimals))), nil)))
		}
		accepted := step.Cmp(big.NewRat(1, 1)) >= 0 && exact.Sign() > 0 && roundHalfAway(exact) <= MaxMicrograms

		w, err := ParseMass(text)
		if accepted != (err == nil) {
			t.Fatalf("ParseMass(%q) = %v, want accepted = %v", text, err, accepted)
		}
		if err == nil && (w.Micrograms != roundHalfAway(exact) || w.Step != roundHalfAway(step)) {
			t.Fatalf("ParseMass(%q) = %+v, want %d µg, step %d", text, w, roundHalfAway(exact), roundHalfAway(step))
		}
	})
}

func roundHalfAway(r *big.Rat) int64 {
	x := new(big.Rat).Add(r, big.NewRat(1, 2))
	q := new(big.Int).Quo(x.Num(), x.Denom())
	if !q.IsInt64() {
		return math.MaxInt64
	}
	return q.Int64()
}

func TestUncertainty(t *testing.T) {
	// GUM (JCGM 100:2008) F.2.2.1: a resolution of δx gives u = 0.29 δx.
	u := Mass("3.42 ct").Weight().Uncertainty()
	if want := 0.2886751345948129 * 2000; math.Abs(u-want) > 1e-9 {
		t.Errorf("uncertainty of a scale that reads to 0.01 ct: %v µg, want %v", u, want)
	}
}

func TestCanonicalMass(t *testing.T) {
	for in, want := range map[string]Mass{
		"3.42 ct": "3.42 ct", "3.420ct": "3.420 ct", "007 g": "7 g", "00.50 g": "0.50 g", "0.5 kg": "0.5 kg", "10oz": "10 oz",
	} {
		if got, err := CanonicalMass(in); err != nil || got != want {
			t.Errorf("CanonicalMass(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
	if got, err := CanonicalMass("3,42 ct"); err == nil || got != "" {
		t.Errorf("CanonicalMass of no mass = %q, %v", got, err)
	}
}

func TestFormatMass(t *testing.T) {
	for _, c := range []struct {
		micrograms    int64
		carats, grams string
	}{
		{0, "0.00 ct", "0.000 g"},
		{1, "0.000005 ct", "0.000001 g"},
		{684_000, "3.42 ct", "0.684 g"},
		{2_480_000, "12.40 ct", "2.480 g"},
		{-2_480_000, "-12.40 ct", "-2.480 g"},
		{100_020, "0.5001 ct", "0.10002 g"},
		{28_349_523, "141.747615 ct", "28.349523 g"},
		{math.MinInt64, "-46116860184273.87904 ct", "-9223372036854.775808 g"},
	} {
		if got := FormatCarats(c.micrograms); got != c.carats {
			t.Errorf("FormatCarats(%d) = %q, want %q", c.micrograms, got, c.carats)
		}
		if got := FormatGrams(c.micrograms); got != c.grams {
			t.Errorf("FormatGrams(%d) = %q, want %q", c.micrograms, got, c.grams)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(1, MaxMicrograms).Draw(t, "micrograms")
		for _, s := range []string{FormatCarats(n), FormatGrams(n)} {
			if ct, ok := strings.CutSuffix(s, " ct"); ok { // more decimals than a scale may state: read by math/big
				r, _ := new(big.Rat).SetString(ct)
				r.Mul(r, big.NewRat(200_000, 1))
				if r.Cmp(big.NewRat(n, 1)) != 0 {
					t.Fatalf("FormatCarats(%d) = %q", n, s)
				}
			} else if w, err := ParseMass(s); err != nil || w.Micrograms != n {
				t.Fatalf("FormatGrams(%d) = %q, read back as %+v, %v", n, s, w, err)
			}
		}
	})
}

func FuzzParseMass(f *testing.F) {
	for _, s := range []string{"3.42 ct", "1.250 kg", "0.684g", "684 mg", "5 ozt", "0.1 oz", "3,42 ct", "-1 g", "1e3 g", "00 ct", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		w, err := ParseMass(s)
		if got := Mass(s).Weight(); got != w {
			t.Fatalf("Weight of %q: %+v and %+v", s, got, w)
		}
		if err != nil {
			if w != (Weight{}) {
				t.Fatalf("%q is refused with %+v", s, w)
			}
			return
		}
		if w.Micrograms < 1 || w.Micrograms > MaxMicrograms || w.Step < 1 {
			t.Fatalf("ParseMass(%q) = %+v", s, w)
		}
		c, err := CanonicalMass(s)
		if err != nil {
			t.Fatalf("CanonicalMass(%q): %v", s, err)
		}
		if again, err := ParseMass(string(c)); err != nil || again != w {
			t.Fatalf("%q and its canonical form %q differ: %+v, %+v, %v", s, c, w, again, err)
		}
		if twice, err := CanonicalMass(string(c)); err != nil || twice != c {
			t.Fatalf("the canonical form of %q is %q, and of that %q, %v", s, c, twice, err)
		}
	})
}

func BenchmarkMassWeight(b *testing.B) {
	for _, m := range []Mass{"3.42 ct", "1250.500 g", "12.5 ozt"} {
		b.Run(strings.ReplaceAll(string(m), " ", ""), func(b *testing.B) {
			b.ReportAllocs()
			var sum int64
			for b.Loop() {
				sum += m.Weight().Micrograms
			}
			if sum == 0 {
				b.Fatal("no weight")
			}
		})
	}
}

func ExampleMass_Weight() {
	w := Mass("3.42 ct").Weight()
	fmt.Println(w.Micrograms, w.Step, FormatGrams(w.Micrograms))
	// Output: 684000 2000 0.684 g
}
