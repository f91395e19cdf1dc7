package evidence

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"testing"

	"pgregory.net/rapid"
)

// The table is made by SciPy, by another way of integrating; see testdata/ratio_table.py.
func TestRatiosAgainstSciPy(t *testing.T) {
	data, err := os.ReadFile("testdata/ratio_table.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil || len(rows) < 10 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	var ratios Ratios
	for _, row := range rows[1:] {
		var v [8]float64
		for i, s := range row {
			if v[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		got := ratios.Of(Counted{int64(v[0]), int64(v[1]), int64(v[2]), int64(v[3])}, v[4])
		for what, pair := range map[string][2]float64{"point": {got.Point, v[5]}, "lower": {got.Lower, v[6]}, "upper": {got.Upper, v[7]}} {
			if math.Abs(pair[0]-pair[1]) > 2e-5*pair[1] {
				t.Errorf("%v: %s %v, SciPy has %v", row[:5], what, pair[0], pair[1])
			}
		}
	}
}

// The table is what the script makes: Debian's python3-scipy, which .ci/test installs.
func TestTheRatioTableIsSciPys(t *testing.T) {
	args := []string{"testdata/ratio_table.py"}
	if testing.Short() {
		args = append(args, "2") // rows: each takes some seconds
	}
	cmd := exec.Command("/usr/bin/python3", args...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	made, err := cmd.Output()
	if err != nil {
		t.Fatalf("apt-get install python3-scipy: %v: %s", err, stderr.String())
	}
	kept, err := os.ReadFile("testdata/ratio_table.csv")
	if err != nil {
		t.Fatal(err)
	}
	if testing.Short() && len(made) > 100 {
		kept = kept[:min(len(made), len(kept))]
	}
	if !bytes.Equal(made, kept) {
		t.Errorf("the script makes\n%s", made)
	}
}

// 20 of 20 against 0 of n: so many untreated stones without the outcome are needed before the ratio reaches 10, 100, 1,000; and of 50 and 100 of
// each the ratios are 101 and 201. Computed by hand from the formula.
func TestRatioPoints(t *testing.T) {
	for least, n := range map[float64]int64{10: 5, 100: 51, 1000: 512} {
		if at, before := ratioOf(Counted{20, 20, 0, n}, 0.95).Point, ratioOf(Counted{20, 20, 0, n - 1}, 0.95).Point; at < least || before >= least {
			t.Errorf("%v: %v with %d, %v with one fewer", least, at, n, before)
		}
	}
	for n, want := range map[int64]float64{20: 41, 50: 101, 100: 201} {
		if got := ratioOf(Counted{n, n, 0, n}, 0.95).Point; math.Abs(got-want) > 1e-6 {
			t.Errorf("%d of %d: %v, want %v", n, n, got, want)
		}
	}
	// D. G. Altman & J. M. Bland, BMJ 308:1552 (1994), liver scans: 231 of 258 and 32 of 86; with Jeffreys' means 2.392694, and for a negative
	// scan 0.169495.
	if got := ratioOf(Counted{231, 258, 32, 86}, 0.95).Point; math.Abs(got-2.392694) > 1e-6 {
		t.Errorf("positive %v", got)
	}
	if got := ratioOf(Counted{27, 258, 54, 86}, 0.95).Point; math.Abs(got-0.169495) > 1e-6 {
		t.Errorf("negative %v", got)
	}
}

func TestRatioProperties(t *testing.T) {
	var ratios Ratios
	rapid.Check(t, func(t *rapid.T) {
		c := Counted{TreatedAll: rapid.Int64Range(1, 300).Draw(t, "A"), UntreatedAll: rapid.Int64Range(1, 300).Draw(t, "B")}
		c.TreatedWith = rapid.Int64Range(0, c.TreatedAll).Draw(t, "a")
		c.UntreatedWith = rapid.Int64Range(0, c.UntreatedAll).Draw(t, "b")
		lr := ratios.Of(c, 0.95)
		if !(lr.Lower > 0 && lr.Lower < lr.Upper) || math.IsInf(lr.Upper, 0) {
			t.Fatalf("%+v: %+v", c, lr)
		}
		// The other way round is the inverse.
		turned := ratios.Of(Counted{c.UntreatedWith, c.UntreatedAll, c.TreatedWith, c.TreatedAll}, 0.95)
		for _, pair := range [][2]float64{{turned.Point, 1 / lr.Point}, {turned.Lower, 1 / lr.Upper}, {turned.Upper, 1 / lr.Lower}} {
			if math.Abs(pair[0]-pair[1]) > 1e-5*pair[1] {
				t.Fatalf("%+v: %+v, turned %+v", c, lr, turned)
			}
		}
		// A surer interval is wider, and its ends have the probabilities that they are named after.
		if wide := ratios.Of(c, 0.99); wide.Lower >= lr.Lower || wide.Upper <= lr.Upper {
			t.Fatalf("%+v: %+v inside %+v", c, wide, lr)
		}
		x, y := jeffreys(c.TreatedWith, c.TreatedAll), jeffreys(c.UntreatedWith, c.UntreatedAll)
		if p := ratioBelow(x, y, lr.Lower); math.Abs(p-0.025) > 1e-6 {
			t.Fatalf("%+v: below the lower end %v", c, p)
		}
		if p := ratioBelow(x, y, lr.Upper); math.Abs(p-0.975) > 1e-6 {
			t.Fatalf("%+v: below the upper end %v", c, p)
		}
		if end := lr.Cautious(); lr.Says() != (end != 1) || lr.Says() && math.Abs(math.Log(end)) > math.Abs(math.Log(lr.Lower))+1e-12 {
			t.Fatalf("%+v: cautious end %v", lr, end)
		}
	})
}

func TestRatiosAreRemembered(t *testing.T) {
	var ratios Ratios
	want := ratioOf(Counted{9, 10, 1, 12}, 0.95)
	var run sync.WaitGroup
	for range 8 {
		run.Go(func() {
			for range 100 {
				if got := ratios.Of(Counted{9, 10, 1, 12}, 0.95); got != want {
					t.Errorf("%+v, want %+v", got, want)
				}
			}
		})
	}
	run.Wait()
	if len(ratios.made) != 1 {
		t.Errorf("%d are remembered", len(ratios.made))
	}
}

// ENFSI's scale: half-open bands, and below 1 by the inverse.
func TestWords(t *testing.T) {
	for lr, want := range map[float64]Strength{
		1: HardlyAny, 1.99: HardlyAny, 2: Weak, 9.99: Weak, 10: Moderate, 99.9: Moderate, 100: ModeratelyStrong, 1000: Strong, 9999: Strong, 10_000: VeryStrong,
		999_999: VeryStrong, 1e6: ExtremelyStrong, 0.5: Weak, 0.1: Moderate, 0.02: Moderate, 1e-7: ExtremelyStrong,
	} {
		if got := Word(lr); got != want {
			t.Errorf("%v: %s, want %s", lr, got, want)
		}
	}
}

func BenchmarkRatio(b *testing.B) {
	b.Run("computed", func(b *testing.B) {
		for b.Loop() {
			ratioOf(Counted{40, 40, 0, 60}, 0.95)
		}
	})
	b.Run("remembered", func(b *testing.B) {
		var ratios Ratios
		for b.Loop() {
			ratios.Of(Counted{40, 40, 0, 60}, 0.95)
		}
	})
}
