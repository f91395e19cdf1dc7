package sampling

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"math/big"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mathext"
	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/fault"
)

func infer(t testing.TB, parcel, n, x int64, change func(*Question)) *Answer {
	t.Helper()
	q := Question{Parcel: parcel, Tested: n, Positives: x, Confidence: 0.95, Test: Perfect()}
	if change != nil {
		change(&q)
	}
	a, f := Infer(q)
	if f != nil {
		t.Fatal(f)
	}
	return a
}

// Upper limits of small lots, hypergeometric, one-sided 95 %, by direct computation with fractions (internal/sampling's own exact check below makes the
// same with big.Rat); the last is a lot that was tested whole.
func TestUpperLimits(t *testing.T) {
	for _, x := range [][4]int64{
		{10, 3, 0, 5}, {20, 5, 0, 8}, {20, 10, 0, 3}, {25, 5, 0, 10}, {50, 5, 0, 21}, {50, 10, 0, 11}, {50, 20, 0, 5}, {100, 10, 0, 24},
		{100, 45, 0, 4}, {200, 51, 0, 9}, {500, 56, 0, 24}, {1000, 57, 0, 49}, {50, 10, 1, 18}, {100, 20, 1, 19}, {100, 20, 2, 26}, {100, 20, 0, 12},
		{100, 50, 0, 4}, {12, 12, 0, 0}, {400, 25, 0, 43}, {400, 52, 0, 20},
	} {
		if a := infer(t, x[0], x[1], x[2], nil); a.Upper != x[3] {
			t.Errorf("%d of %d of %d: at most %d, want %d", x[2], x[1], x[0], a.Upper, x[3])
		}
	}
}

// Sample sizes by R. M. Cannon & R. T. Roe, Livestock Disease Surveys (1982), 95 % and 5 %, for lots of 100, 200, 500 and 1,000 (the values
// are from memory; the computation agrees), with the columns of the same table at other shares and confidences computed exactly, and a
// published workbook example: 99 %, 1 %, 1,600 animals → 399.
func TestPlansForAShare(t *testing.T) {
	table := map[float64]map[float64]map[int64]int64{
		0.95: {
			0.01: {10: 10, 20: 19, 30: 29, 50: 48, 100: 95, 150: 117, 200: 155, 300: 189, 500: 225, 1000: 258},
			0.02: {10: 10, 20: 19, 30: 29, 50: 48, 100: 78, 150: 95, 200: 105, 300: 117, 500: 129, 1000: 138},
			0.05: {10: 10, 20: 19, 30: 23, 40: 31, 50: 31, 60: 38, 70: 37, 100: 45, 150: 46, 200: 51, 300: 54, 500: 56, 1000: 57},
			0.10: {10: 10, 20: 16, 30: 19, 50: 22, 100: 25, 150: 26, 200: 27, 300: 28, 500: 28, 1000: 29},
			0.20: {10: 8, 20: 10, 30: 11, 50: 12, 100: 13, 150: 13, 200: 13, 300: 14, 500: 14, 1000: 14},
			0.50: {10: 4, 20: 4, 30: 4, 50: 5, 100: 5, 1000: 5},
		},
		0.90: {
			0.01: {10: 9, 20: 18, 30: 27, 50: 45, 100: 90, 150: 103, 200: 137, 300: 161, 500: 184, 1000: 205},
			0.05: {10: 9, 20: 18, 30: 21, 50: 27, 100: 37, 200: 41, 1000: 44},
			0.10: {10: 9, 20: 14, 30: 16, 50: 18, 100: 20, 200: 21, 1000: 22},
		},
		0.99: {
			0.01: {10: 10, 20: 20, 30: 30, 50: 50, 100: 99, 150: 135, 200: 180, 300: 235, 500: 300, 1000: 368, 1600: 399},
			0.05: {30: 27, 50: 39, 100: 59, 200: 73, 500: 83, 1000: 86},
			0.20: {10: 9, 20: 13, 30: 15, 50: 17, 100: 19, 500: 21, 1000: 21},
		},
	}
	for c, shares := range table {
		for share, sizes := range shares {
			for parcel, want := range sizes {
				p, f := Wish{Parcel: parcel, MaxFraction: &share, Confidence: c, Sensitivity: 1}.Find()
				if f != nil || p.SampleSize != want {
					t.Errorf("%v, %v of %d: %+v, %v, want %d", c, share, parcel, p, f, want)
				}
			}
		}
	}
}

// An infinite lot with a test that misses some: n = ⌈ln 0.05 / ln(1 − p·s)⌉, reached by a lot of a million.
func TestPlansWithMisses(t *testing.T) {
	for s, want := range map[float64][3]int64{1: {299, 59, 29}, 0.95: {314, 62, 31}, 0.90: {332, 66, 32}, 0.80: {373, 74, 36}} {
		for i, share := range []float64{0.01, 0.05, 0.10} {
			p, f := Wish{Parcel: MaxParcel, MaxFraction: &share, Confidence: 0.95, Sensitivity: s}.Find()
			if f != nil || p.SampleSize != want[i] {
				t.Errorf("sensitivity %v, %v: %+v, %v, want %d", s, share, p, f, want[i])
			}
		}
	}
}

// All of a sample found: at least the share k of the lot has it. UNODC, Guidelines on Representative Drug Sampling (ST/NAR/38, 2009), hypergeometric
// table (rows from memory, recomputed); in our words: the lower limit of n positives of n reaches ⌈kN⌉.
func TestAllFound(t *testing.T) {
	for _, x := range []struct {
		confidence float64
		parcel     int64
		share      float64
		n          int64
	}{
		{0.95, 10, 0.5, 3}, {0.95, 10, 0.9, 8}, {0.95, 50, 0.7, 8}, {0.95, 100, 0.5, 5}, {0.95, 100, 0.9, 23}, {0.95, 1000, 0.9, 28}, {0.95, 5000, 0.9, 29},
		{0.99, 20, 0.7, 9}, {0.99, 100, 0.9, 33}, {0.99, 500, 0.5, 7}, {0.99, 1000, 0.9, 43}, {0.99, 5000, 0.7, 13},
	} {
		need := int64(math.Ceil(x.share*float64(x.parcel) - 1e-9))
		reached := func(n int64) bool {
			return infer(t, x.parcel, n, n, func(q *Question) { q.Confidence = x.confidence }).Lower >= need
		}
		if !reached(x.n) || reached(x.n-1) {
			t.Errorf("%+v: %d reaches %v, one fewer %v", x, x.n, reached(x.n), reached(x.n-1))
		}
	}
}

// In a lot that is large against the sample the limits are those of the binomial: C. J. Clopper & E. S. Pearson, Biometrika 26:404 (1934), two-sided
// 95 %, and one-sided.
func TestLargeParcelsAreBinomial(t *testing.T) {
	for _, x := range []struct {
		x, n                 int64
		lo, hi, oneLo, oneHi float64
	}{
		{0, 10, 0, 0.3084971, 0, 0.2588656},
		{1, 10, 0.002528579, 0.4450161, 0.005116197, 0.3941633},
		{5, 10, 0.187086, 0.812914, 0.2224411, 0.7775589},
		{1, 20, 0.001265089, 0.2487328, math.NaN(), 0.2161062},
		{18, 20, 0.6830173, 0.9876515, 0.7173815, 0.9819348},
		{20, 20, 0.8315665, 1, 0.8608917, 1},
		{0, 59, 0, 0.0606089, 0, 0.04950761},
		{95, 100, 0.8871651, 0.9835681, math.NaN(), math.NaN()},
	} {
		for _, two := range []bool{true, false} {
			a := infer(t, MaxParcel, x.n, x.x, func(q *Question) { q.TwoSided = two })
			lo, hi := x.lo, x.hi
			if !two {
				lo, hi = x.oneLo, x.oneHi
			}
			for what, pair := range map[string][2]float64{"lower": {float64(a.Lower), lo}, "upper": {float64(a.Upper), hi}} {
				if got := pair[0] / MaxParcel; !math.IsNaN(pair[1]) && math.Abs(got-pair[1]) > 6e-5 {
					t.Errorf("%d of %d, two-sided %v: %s %v, want %v", x.x, x.n, two, what, got, pair[1])
				}
			}
		}
	}
}

func TestChildren(t *testing.T) {
	// 20 of 25 of 400 found: of 300 stones that somebody sorted out, at least 152 are treated.
	a := infer(t, 400, 25, 20, nil)
	if c := a.Child(300); a.Lower != 252 || c.Lower != 152 || c.Upper != 300 || c.Of != 300 {
		t.Errorf("%+v gives %+v", a.Limits, c)
	}
	// None of 25 found: 40 of those that are left may all be treated, and of 375 at most 43.
	a = infer(t, 400, 25, 0, nil)
	if c := a.Child(40); c.Lower != 0 || c.Upper != 40 {
		t.Errorf("%+v", c)
	}
	if c := a.Child(375); c.Upper != 43 {
		t.Errorf("%+v", c)
	}
	if w := infer(t, 400, 25, 3, nil).Without(3); w.Of != 397 || w.Lower < 0 {
		t.Errorf("%+v", w)
	}
	for n, want := range map[int64]bool{25: false, 51: false, 52: true} {
		if got := infer(t, 400, n, 0, nil).Suffices(0.05); got != want {
			t.Errorf("none of %d: suffices %v", n, got)
		}
	}
}

// exact is P(X ≤ x) as a fraction.
func exact(x, parcel, treated, n int64) *big.Rat {
	sum := new(big.Int)
	for j := int64(0); j <= x; j++ {
		if j <= treated && n-j <= parcel-treated && n >= j {
			sum.Add(sum, new(big.Int).Mul(new(big.Int).Binomial(treated, j), new(big.Int).Binomial(parcel-treated, n-j)))
		}
	}
	return new(big.Rat).SetFrac(sum, new(big.Int).Binomial(parcel, n))
}

// Every limit of every small lot, held against fractions.
func TestLimitsAreExact(t *testing.T) {
	for _, alpha := range [][2]int64{{1, 20}, {1, 40}, {1, 100}} {
		bound := big.NewRat(alpha[0], alpha[1])
		for parcel := int64(1); parcel <= 24; parcel++ {
			for n := int64(1); n <= parcel; n++ {
				for x := int64(0); x <= n; x++ {
					upper, lower := int64(-1), int64(-1)
					for k := x; k <= parcel-(n-x); k++ {
						if exact(x, parcel, k, n).Cmp(bound) > 0 {
							upper = k
						}
						more := new(big.Rat).Sub(big.NewRat(1, 1), exact(x-1, parcel, k, n))
						if lower < 0 && more.Cmp(bound) > 0 {
							lower = k
						}
					}
					l := Perfect().limits(parcel, n, x, float64(alpha[0])/float64(alpha[1]))
					if l.Lower != lower || l.Upper != upper || !l.Fits {
						t.Fatalf("%d of %d of %d at %v: %+v, want %d to %d", x, n, parcel, bound, l, lower, upper)
					}
				}
			}
		}
	}
}

// The table is made by SciPy; see testdata/scipy_table.py.
func TestAgainstSciPy(t *testing.T) {
	data, err := os.ReadFile("testdata/scipy_table.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for _, r := range rows[1:] {
		var a []float64
		for _, s := range strings.Fields(r[1]) {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			a = append(a, v)
		}
		n := func(i int) int64 { return int64(a[i]) }
		seen[r[0]]++
		got, tolerance := "", 0.0
		switch r[0] {
		case "cdf":
			got, tolerance = fmt.Sprintf("%.12g", Perfect().atMost(n(3), n(0), n(1), n(2))), 1e-8
		case "sf":
			got, tolerance = fmt.Sprintf("%.12g", Perfect().atLeast(n(3), n(0), n(1), n(2))), 1e-8
		case "limits":
			l := Test{a[3], a[4]}.limits(n(0), n(1), n(2), (1-a[5])/a[6])
			fits := 0
			if l.Fits {
				fits = 1
			}
			got = fmt.Sprintf("%d %d %d", l.Lower, l.Upper, fits)
		case "plan":
			most := n(1) - 1
			p, f := Wish{Parcel: n(0), MaxTreated: &most, Sensitivity: a[2], Confidence: a[3]}.Find()
			if f != nil {
				t.Fatal(f)
			}
			got = strconv.FormatInt(p.SampleSize, 10)
		case "untested":
			got, tolerance = fmt.Sprintf("%.12g", Test{a[2], a[3]}.untested(n(0), n(1))), 1e-7
		case "counts":
			c := Counts{n(2), n(3), n(4), n(5)}
			got, tolerance = fmt.Sprintf("%.12g", c.untested(n(0), n(1))), 0.01 // the script's own grid is coarse
		default:
			t.Fatalf("row %v", r)
		}
		if got == r[2] {
			continue
		}
		want, _ := strconv.ParseFloat(r[2], 64)
		have, err := strconv.ParseFloat(got, 64)
		if err != nil || math.Abs(have-want) > tolerance*want {
			t.Errorf("%s %s: %s, SciPy has %s", r[0], r[1], got, r[2])
		}
	}
	for _, what := range []string{"cdf", "sf", "limits", "plan", "untested", "counts"} {
		if seen[what] == 0 {
			t.Errorf("no row of %s", what)
		}
	}
}

// The table is what the script makes: Debian's python3-scipy, which .ci/test installs.
func TestTheTableIsSciPys(t *testing.T) {
	cmd := exec.Command("/usr/bin/python3", "testdata/scipy_table.py")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	made, err := cmd.Output()
	if err != nil {
		t.Fatalf("apt-get install python3-scipy: %v: %s", err, stderr.String())
	}
	kept, err := os.ReadFile("testdata/scipy_table.csv")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(made, kept) {
		t.Errorf("the script makes\n%s", made)
	}
}

// An untested stone after k of n with a perfect test: the mean of Beta(k+½, n−k+½); the quadrature for tests that err comes to the same as they
// get better.
func TestUntested(t *testing.T) {
	for _, x := range [][2]int64{{25, 0}, {25, 1}, {5, 5}, {1000, 20}} {
		want := (float64(x[1]) + 0.5) / (float64(x[0]) + 1)
		if got := infer(t, 10_000, x[0], x[1], nil).Untested; math.Abs(got-want) > 1e-15 {
			t.Errorf("%d of %d: %v, want %v", x[1], x[0], got, want)
		}
		if got := (Test{1 - 1e-12, 1 - 1e-12}).untested(x[0], x[1]); math.Abs(got-want) > 1e-6*want {
			t.Errorf("%d of %d by quadrature: %v, want %v", x[1], x[0], got, want)
		}
	}
	// The more known stones, the closer to figures that are taken as exact: Rogan & Gladen's 10 % apparent, sensitivity 0.90, specificity 0.98.
	few := (&Counts{9, 10, 1, 50}).untested(1000, 100)
	many := (&Counts{900_000, 1_000_000, 20_000, 1_000_000}).untested(1000, 100)
	want := Test{0.9, 0.98}.untested(1000, 100)
	if math.Abs(many-want) > 1e-3*want || math.Abs(want-0.0909) > 0.002 || math.Abs(few-want) < 1e-3*want {
		t.Errorf("few %v, many %v, exact %v", few, many, want)
	}
	// A quantile of the counts, as a reminder of which function is meant: Jeffreys 95 % of 1 of 10, 0.01101167 to 0.3813148.
	if lo, hi := mathext.InvRegIncBeta(1.5, 9.5, 0.025), mathext.InvRegIncBeta(1.5, 9.5, 0.975); math.Abs(lo-0.01101167) > 1e-7 || math.Abs(hi-0.3813148) > 1e-7 {
		t.Errorf("%v to %v", lo, hi)
	}
}

// Limits of a test that errs agree with a sum over everything that can happen.
func TestTestsThatErr(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parcel := rapid.Int64Range(1, 30).Draw(t, "parcel")
		n := rapid.Int64Range(1, parcel).Draw(t, "n")
		x := rapid.Int64Range(0, n).Draw(t, "x")
		k := rapid.Int64Range(0, parcel).Draw(t, "treated")
		test := Test{rapid.Float64Range(0.05, 1).Draw(t, "sensitivity"), rapid.Float64Range(0, 1).Draw(t, "specificity")}
		binomial := func(x, n int64, p float64) float64 {
			b, _ := new(big.Float).SetInt(new(big.Int).Binomial(n, x)).Float64()
			return b * math.Pow(p, float64(x)) * math.Pow(1-p, float64(n-x))
		}
		want, at := 0.0, 0.0
		for j := int64(0); j <= min(n, k); j++ {
			drawn := new(big.Rat).Sub(exact(j, parcel, k, n), exact(j-1, parcel, k, n))
			p, _ := drawn.Float64()
			for a := int64(0); a <= j; a++ {
				for b := int64(0); b <= n-j && a+b <= x; b++ {
					q := p * binomial(a, j, test.Sensitivity) * binomial(b, n-j, 1-test.Specificity)
					want += q
					if a+b == x {
						at += q
					}
				}
			}
		}
		if got := test.atMost(x, parcel, k, n); math.Abs(got-want) > 1e-12 {
			t.Fatalf("at most %v, want %v", got, want)
		}
		if got := test.atLeast(x, parcel, k, n); math.Abs(got-(1-want+at)) > 1e-12 {
			t.Fatalf("at least %v, want %v", got, 1-want+at)
		}
		if got := test.found(x, parcel, k, n); math.Abs(got-at) > 1e-12 {
			t.Fatalf("exactly %v, want %v", got, at)
		}
	})
}

func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := Question{Confidence: rapid.SampledFrom([]float64{0.8, 0.9, 0.95, 0.99}).Draw(t, "confidence"), Test: Perfect()}
		q.Parcel = rapid.Int64Range(2, 3000).Draw(t, "parcel")
		q.Tested = rapid.Int64Range(1, min(q.Parcel, 60)).Draw(t, "n")
		q.Positives = rapid.Int64Range(0, q.Tested).Draw(t, "x")
		if rapid.Bool().Draw(t, "errs") {
			q.Test = Test{rapid.Float64Range(0.6, 1).Draw(t, "sensitivity"), rapid.Float64Range(0.6, 1).Draw(t, "specificity")}
		}
		a, f := Infer(q)
		if f != nil {
			t.Fatal(f)
		}
		if a.Lower < 0 || a.Lower > a.Upper || a.Upper > q.Parcel || a.Untested <= 0 || a.Untested >= 1 {
			t.Fatalf("%+v", a)
		}
		if q.Positives < q.Tested {
			more := q
			more.Positives++
			b, f := Infer(more)
			if f != nil {
				t.Fatal(f)
			}
			if a.Fits && b.Fits && (b.Lower < a.Lower || b.Upper < a.Upper) || b.Untested < a.Untested {
				t.Fatalf("one more find lowers: %+v to %+v", a, b)
			}
		}
		m := rapid.Int64Range(0, q.Parcel).Draw(t, "child")
		if c, rest := a.Child(m), a.Child(q.Parcel-m); c.Lower > c.Upper || c.Lower+rest.Lower > a.Upper || c.Upper+rest.Upper < a.Lower {
			t.Fatalf("parts %+v and %+v of %+v", c, rest, a.Limits)
		}
		if s := a.Sentence(); strings.Contains(s, "untreated") || !strings.HasSuffix(s, ".") {
			t.Fatal(s)
		}
	})
}

// A plan is the smallest: what it asks for suffices, and one stone fewer does not.
func TestPlansAreSmallest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parcel := rapid.Int64Range(2, 500).Draw(t, "parcel")
		most := rapid.Int64Range(0, parcel-1).Draw(t, "most")
		w := Wish{
			Parcel: parcel, MaxTreated: &most, Confidence: rapid.SampledFrom([]float64{0.8, 0.95, 0.99}).Draw(t, "confidence"),
			Sensitivity: rapid.SampledFrom([]float64{1, 0.95, 0.7}).Draw(t, "sensitivity"), AllowedFinds: rapid.Int64Range(0, 3).Draw(t, "finds"),
		}
		p, f := w.Find()
		test := Test{w.Sensitivity, 1}
		if f != nil {
			if test.atMost(w.AllowedFinds, parcel, most+1, parcel) <= 1-w.Confidence {
				t.Fatalf("refused: %v", f)
			}
			return
		}
		if p.Confidence < w.Confidence-1e-9 || test.atMost(w.AllowedFinds, parcel, most+1, p.SampleSize) > (1-w.Confidence)*(1+1e-9) {
			t.Fatalf("%+v does not do", p)
		}
		if test.atMost(w.AllowedFinds, parcel, most+1, p.SampleSize-1) <= (1-w.Confidence)*(1-1e-9) {
			t.Fatalf("%+v is too many", p)
		}
	})
}

func TestSentences(t *testing.T) {
	for want, a := range map[string]*Answer{
		"0 of 25 stones drawn blindly from 400 were found treated: at most 43 of the 400 may be treated (95 %, one-sided). The others were not tested.":                 infer(t, 400, 25, 0, nil),
		"1 of 25 stones drawn blindly from 400 was found treated: at least 1 and at most 68 of the 400 are (95 %, one-sided). The others were not tested.":              infer(t, 400, 25, 1, nil),
		"20 of 25 stones drawn blindly from 1,400 were found treated: at least 645 and at most 1,360 of the 1,400 are (99.9 %, two-sided). The others were not tested.": infer(t, 1400, 25, 20, func(q *Question) { q.Confidence, q.TwoSided = 0.999, true }),
		"2 of 12 stones drawn blindly from 12 were found treated; every stone was tested.":                                                                              infer(t, 12, 12, 2, nil),
		"25 of 25 stones drawn blindly from 400 were found treated; with a test of these figures that says nothing of the others.":                                      infer(t, 400, 25, 25, func(q *Question) { q.Test = Test{0.8, 0.9} }),
	} {
		if got := a.Sentence(); got != want {
			t.Errorf("%s\nwant %s", got, want)
		}
	}
}

func TestRefusals(t *testing.T) {
	good := Question{Parcel: 400, Tested: 25, Positives: 1, Confidence: 0.95, Test: Perfect()}
	for _, x := range []struct {
		name, field, says string
		change            func(*Question)
	}{
		{"no parcel", "lotSize", "1 to 1000000", func(q *Question) { q.Parcel = 0 }},
		{"a parcel without end", "lotSize", "found 1000001", func(q *Question) { q.Parcel = MaxParcel + 1 }},
		{"nothing tested", "sampleSize", "1 to 400", func(q *Question) { q.Tested = 0 }},
		{"more tested than there are", "sampleSize", "found 401", func(q *Question) { q.Tested = 401 }},
		{"more found than tested", "positives", "0 to 25", func(q *Question) { q.Positives = 26 }},
		{"fewer than none", "positives", "found -1", func(q *Question) { q.Positives = -1 }},
		{"certainty", "confidence", "found 1", func(q *Question) { q.Confidence = 1 }},
		{"no number", "confidence", "NaN", func(q *Question) { q.Confidence = math.NaN() }},
		{"a blind test", "sensitivity", "found 0", func(q *Question) { q.Test.Sensitivity = 0 }},
		{"too sharp", "sensitivity", "1.5", func(q *Question) { q.Test.Sensitivity = 1.5 }},
		{"too clean", "specificity", "1.1", func(q *Question) { q.Test.Specificity = 1.1 }},
		{"a coin", "specificity", "more than 1", func(q *Question) { q.Test = Test{0.5, 0.5} }},
		{"figures and counts", "sensitivity", "not both", func(q *Question) { q.Test = Test{0.9, 0.9}; q.Counts = &Counts{9, 10, 1, 10} }},
		{"no known stones", "treatedAll", "1 to", func(q *Question) { q.Counts = &Counts{0, 0, 1, 10} }},
		{"more with than all", "untreatedWith", "0 to 10", func(q *Question) { q.Counts = &Counts{9, 10, 11, 10} }},
		{"counts that say nothing", "untreatedWith", "says nothing", func(q *Question) { q.Counts = &Counts{1, 10, 9, 10} }},
		{"too large with errors", "sampleSize", "20000", func(q *Question) { q.Parcel, q.Tested, q.Test.Sensitivity = 50_000, 20_001, 0.9 }},
	} {
		q := good
		x.change(&q)
		_, f := Infer(q)
		if f == nil || f.Reason != fault.InvalidField || f.Field != x.field || !strings.Contains(f.Message, x.says) || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %v", x.name, f)
		}
		if _, g := Picture(q, 10); g == nil || g.Field != x.field {
			t.Errorf("%s, as a picture: %v", x.name, g)
		}
	}
	n, share := func(n int64) *int64 { return &n }, func(s float64) *float64 { return &s }
	for _, x := range []struct {
		name, field, says string
		w                 Wish
	}{
		{"neither", "maxTreated", "one of them", Wish{Parcel: 10, Confidence: 0.95, Sensitivity: 1}},
		{"both", "maxTreated", "one of them", Wish{Parcel: 10, MaxTreated: n(1), MaxFraction: share(0.1), Confidence: 0.95, Sensitivity: 1}},
		{"all may be", "maxTreated", "0 to 9", Wish{Parcel: 10, MaxTreated: n(10), Confidence: 0.95, Sensitivity: 1}},
		{"no share", "maxFraction", "such as 0.05", Wish{Parcel: 10, MaxFraction: share(0), Confidence: 0.95, Sensitivity: 1}},
		{"no parcel", "lotSize", "1 to", Wish{MaxTreated: n(0), Confidence: 0.95, Sensitivity: 1}},
		{"no confidence", "confidence", "above 0.5", Wish{Parcel: 10, MaxTreated: n(0), Sensitivity: 1}},
		{"no sensitivity", "sensitivity", "above 0", Wish{Parcel: 10, MaxTreated: n(0), Confidence: 0.95}},
		{"out of reach", "sensitivity", "confidence would be 0.8", Wish{Parcel: 10, MaxTreated: n(0), Confidence: 0.95, Sensitivity: 0.8}},
		{"as many finds as are excluded", "allowedFinds", "fewer than the 2", Wish{Parcel: 10, MaxTreated: n(1), Confidence: 0.95, Sensitivity: 1, AllowedFinds: 2}},
		{"finds below none", "allowedFinds", "0 to", Wish{Parcel: 10, MaxTreated: n(1), Confidence: 0.95, Sensitivity: 1, AllowedFinds: -1}},
	} {
		_, f := x.w.Find()
		if f == nil || f.Reason != fault.InvalidField || f.Field != x.field || !strings.Contains(f.Message, x.says) || !strings.Contains(f.Message, "accepted") {
			t.Errorf("%s: %v", x.name, f)
		}
	}
}

func TestPicture(t *testing.T) {
	q := Question{Parcel: 400, Tested: 25, Positives: 5, Confidence: 0.95, Test: Test{0.9, 0.98}}
	list, f := Picture(q, 200)
	if f != nil || len(list) != 200 || list[0].Treated != 0 || list[199].Treated != 400 {
		t.Fatalf("%d points, %v", len(list), f)
	}
	best := 0
	for i, p := range list {
		if p.Fit < 0 || p.Fit > 1 {
			t.Errorf("%+v", p)
		}
		if p.Fit > list[best].Fit {
			best = i
		}
	}
	if k := list[best].Treated; list[best].Fit != 1 || k < 60 || k > 100 {
		t.Errorf("the best is %+v", list[best])
	}
	if list, _ := Picture(Question{Parcel: 3, Tested: 1, Confidence: 0.9, Test: Perfect()}, 200); len(list) != 4 {
		t.Errorf("%v", list)
	}
}

func BenchmarkPlan(b *testing.B) {
	share := 0.001
	for _, s := range []float64{1, 0.9} {
		b.Run(fmt.Sprintf("of a million, sensitivity %v", s), func(b *testing.B) {
			for b.Loop() {
				if _, f := (Wish{Parcel: MaxParcel, MaxFraction: &share, Confidence: 0.99, Sensitivity: s}).Find(); f != nil {
					b.Fatal(f)
				}
			}
		})
	}
}

func BenchmarkInfer(b *testing.B) {
	for name, q := range map[string]Question{
		"a million, perfect":          {Parcel: MaxParcel, Tested: 50_000, Positives: 2500, Confidence: 0.95, Test: Perfect()},
		"a million, 1000 with errors": {Parcel: MaxParcel, Tested: 1000, Positives: 30, Confidence: 0.95, Test: Test{0.93, 0.98}},
		"400, 25 with counts":         {Parcel: 400, Tested: 25, Positives: 1, Confidence: 0.95, Test: Perfect(), Counts: &Counts{19, 20, 1, 30}},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, f := Infer(q); f != nil {
					b.Fatal(f)
				}
			}
		})
	}
}
