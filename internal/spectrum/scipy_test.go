package spectrum

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"slices"
	"testing"
)

// Baseline, smoothing, prominences and widths are those of SciPy, a reference library, on the same points.
func TestAgainstSciPy(t *testing.T) {
	text, err := os.ReadFile("testdata/scipy_spectrum.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Y, Baseline, Smooth, Prominences, Widths []float64
		Lambda, P, Least                         float64
		Half                                     int
		At                                       []int
	}
	if err := json.Unmarshal(text, &cases); err != nil || len(cases) < 3 {
		t.Fatalf("%d cases, %v", len(cases), err)
	}
	near := func(what string, got, want []float64, within float64) {
		t.Helper()
		if len(got) != len(want) {
			t.Errorf("%s: %d figures, want %d", what, len(got), len(want))
			return
		}
		for i := range got {
			if !(math.Abs(got[i]-want[i]) <= within*math.Max(1, math.Abs(want[i]))) {
				t.Errorf("%s at %d: %.10g, SciPy has %.10g", what, i, got[i], want[i])
			}
		}
	}
	for i, c := range cases {
		// Ten digits of the figures, and a system whose condition grows with λ.
		near("baseline", AsymmetricBaseline(c.Y, c.Lambda, c.P), c.Baseline, 1e-7)
		near("smooth", SavitzkyGolay(c.Y, c.Half), c.Smooth, 2e-9)
		x := make([]float64, len(c.Y))
		for j := range x {
			x[j] = float64(j)
		}
		var at []int
		var prominences, widths []float64
		for _, p := range peaks(x, c.Y, slices.Repeat([]float64{c.Least}, len(c.Y))) {
			at, prominences, widths = append(at, p.at), append(prominences, p.Prominence), append(widths, p.Width)
		}
		if !slices.Equal(at, c.At) {
			t.Errorf("case %d: peaks at %v, SciPy has %v", i, at, c.At)
		}
		near("prominence", prominences, c.Prominences, 2e-9)
		near("width", widths, c.Widths, 2e-9)
	}
}

// The table is what the script makes: Debian's python3-scipy, which .ci/test installs. The last digits of a sparse solution may differ from one machine to
// another, so they are compared as figures.
func TestTheTableIsSciPys(t *testing.T) {
	cmd := exec.Command("/usr/bin/python3", "testdata/scipy_spectrum.py")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	made, err := cmd.Output()
	if err != nil {
		t.Fatalf("apt-get install python3-scipy: %v: %s", err, stderr.String())
	}
	kept, err := os.ReadFile("testdata/scipy_spectrum.json")
	if err != nil {
		t.Fatal(err)
	}
	var a, b any
	if err := json.Unmarshal(made, &a); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(kept, &b); err != nil {
		t.Fatal(err)
	}
	if !alike(a, b) {
		t.Errorf("the script makes\n%s", made)
	}
}

// alike compares JSON, numbers to nine digits.
func alike(a, b any) bool {
	switch a := a.(type) {
	case []any:
		b, ok := b.([]any)
		return ok && slices.EqualFunc(a, b, alike)
	case map[string]any:
		b, ok := b.(map[string]any)
		if !ok || len(a) != len(b) {
			return false
		}
		for k, v := range a {
			if !alike(v, b[k]) {
				return false
			}
		}
		return true
	case float64:
		b, ok := b.(float64)
		return ok && math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b))
	}
	return a == b
}
