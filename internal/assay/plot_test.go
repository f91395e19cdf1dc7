package assay

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

var update = flag.Bool("update", false, "write the expected picture anew; look at it before it is kept")

// elements reads a picture strictly: it counts elements, and refuses what a strict Content-Security-Policy forbids or no drawing needs.
func elements(t *testing.T, svg string) (seen map[string]int, ids []string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	seen = map[string]int{}
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return seen, ids
		}
		if err != nil {
			t.Fatalf("%v in %s", err, svg)
		}
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		seen[e.Name.Local]++
		switch e.Name.Local {
		case "svg", "title", "desc", "rect", "path", "text", "circle":
		default:
			t.Errorf("a picture with <%s>", e.Name.Local)
		}
		for _, a := range e.Attr {
			name := a.Name.Local
			if name == "style" || name == "class" || name == "href" || strings.HasPrefix(name, "on") || strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") ||
				strings.Contains(a.Value, "url(") || strings.Contains(a.Value, "://") && a.Value != "http://www.w3.org/2000/svg" {
				t.Errorf("%s has %s=%q", e.Name.Local, name, a.Value)
			}
			if name == "id" {
				ids = append(ids, a.Value)
			}
		}
	}
}

var coordinates = regexp.MustCompile(` (?:cx|cy|x|y)="([^"]*)"`)

var pathNumbers = regexp.MustCompile(`-?[0-9.]+`)

var paths = regexp.MustCompile(` d="([^"]*)"`)

func pictures() map[string]*opal.UptakeReadings {
	ten := []float64{1, 10, 60, 240}
	return map[string]*opal.UptakeReadings{
		"a whole series":        curve(0.08, 25, 1, 2, 5, 10, 20, 40, 60, 120, 240, 480),
		"one reading":           readings("6.123 ct", []float64{2880}, "6.444 ct"),
		"one at the start":      readings("6.123 ct", []float64{0}, "6.123 ct"),
		"less than dry":         readings("10.000 g", ten, "9.950 g", "9.900 g", "9.800 g", "9.700 g"),
		"nothing":               readings("10.000 g", ten, "10.000 g", "10.000 g", "10.000 g", "10.000 g"),
		"a scale that is blind": readings("2 ct", ten, "2 ct", "2 ct", "2 ct", "3 ct"),
		"a slip of the unit":    readings("1 mg", ten, "2 kg", "3 kg", "4 kg", "5 kg"),
		"a year":                readings("10.000 g", []float64{0.01, opal.MaxMinutes}, "10.000 g", "10.100 g"),
		"coarse":                readings("2.0 ct", []float64{1, 2, 3, 5}, "2.0 ct", "2.1 ct", "2.1 ct", "2.2 ct"),
		"still rising":          curve(0.2, 2000, 60, 120, 180, 240),
		"seconds":               curve(0.05, 0.2, 0.1, 0.2, 0.4, 0.8),
	}
}

// Each picture is well-formed, says in words what it shows, stays within its frame, and is the same each time.
func TestPictures(t *testing.T) {
	taken := map[string]string{}
	for name, r := range pictures() {
		t.Run(name, func(t *testing.T) {
			out := uptakeOf(t, r, opal.Material{})
			svg := out.SVG()
			if out.SVG() != svg {
				t.Error("another picture the second time")
			}
			seen, ids := elements(t, svg)
			if seen["title"] != 1 || seen["desc"] != 1 || seen["circle"] != len(r.Readings) || seen["text"] < 4 {
				t.Errorf("%v", seen)
			}
			for _, id := range ids {
				if taken[id] != "" {
					t.Errorf("%s is also in %s", id, taken[id])
				}
				taken[id] = name
				if strings.Count(svg, id) != 2 {
					t.Errorf("%s is not named by the picture", id)
				}
			}
			for _, m := range paths.FindAllStringSubmatch(svg, -1) {
				for _, n := range pathNumbers.FindAllString(m[1], -1) {
					if v, err := strconv.ParseFloat(n, 64); err != nil || v < 0 || v > plotWidth {
						t.Errorf("%s lies outside, %v", m[1], err)
					}
				}
			}
			for _, m := range coordinates.FindAllStringSubmatch(svg, -1) {
				if v, err := strconv.ParseFloat(m[1], 64); err != nil || v < 0 || v > plotWidth {
					t.Errorf("%s lies outside, %v", m[0], err)
				}
			}
		})
	}
}

// Two pictures are the committed ones, which were looked at.
func TestPicturesAsLookedAt(t *testing.T) {
	for name, x := range map[string]struct {
		file  string
		words []string
	}{
		"a whole series": {"uptake.svg", []string{"water taken up, % of dry mass", "time in water, square-root scale", "95 % of where it ends", "10 readings over 480 minutes", "settles at 8.00 %"}},
		"coarse":         {"uptake-coarse.svg", []string{"4 readings over 5 minutes; the last shows an uptake of 10.00 %", ">-5<"}},
	} {
		file := "testdata/" + x.file
		got := uptakeOf(t, pictures()[name], opal.Material{}).SVG() + "\n"
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s is now\n%s", file, got)
		}
		for _, words := range x.words {
			if !strings.Contains(got, words) {
				t.Errorf("%s: no %q", file, words)
			}
		}
	}
}

// Numbers on the axes are round, few enough to read, and cover what is shown.
func TestTicks(t *testing.T) {
	for _, x := range [][2]float64{{0, 0.055}, {0, 0.08}, {-0.006, 0.001}, {0, 1e-4}, {-0.4, 0.9}, {0, 5e6}} {
		list, digits := ticks(x[0], x[1])
		if len(list) < 2 || len(list) > 7 || digits > 4 {
			t.Errorf("%v: %v with %d decimals", x, list, digits)
		}
		for i, v := range list {
			if v < x[0] || v > x[1] || i > 0 && written(100*v, digits) == written(100*list[i-1], digits) {
				t.Errorf("%v: %v with %d decimals", x, list, digits)
			}
		}
	}
	for _, last := range []float64{1, 3, 10, 50, 150, 480, 1440, 20_160, opal.MaxMinutes} {
		list := minuteTicks(last)
		for i := 1; i < len(list); i++ {
			if d := (plotWidth - plotLeft - plotRight) * (math.Sqrt(list[i]/last) - math.Sqrt(list[i-1]/last)); d < 44 {
				t.Errorf("%v minutes: %v and %v are %.0f apart", last, list[i-1], list[i], d)
			}
		}
		if len(list) < 2 {
			t.Errorf("%v minutes: %v", last, list)
		}
	}
}
