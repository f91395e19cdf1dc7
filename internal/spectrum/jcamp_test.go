package spectrum

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

// file puts data lines into a whole file.
func file(first, last float64, points int, yFactor string, lines ...string) string {
	return fmt.Sprintf("##TITLE=check\n##JCAMP-DX=4.24\n##DATA TYPE=INFRARED SPECTRUM\n##XUNITS=1/CM\n##YUNITS=ABSORBANCE\n##FIRSTX=%v\n##LASTX=%v\n##NPOINTS=%d\n##XFACTOR=1\n"+
		"##YFACTOR=%s\n##XYDATA=(X++(Y..Y))\n%s\n##END=\n", first, last, points, yFactor, strings.Join(lines, "\n"))
}

func mustRead(t *testing.T, text string) *Curve {
	t.Helper()
	c, f := ReadJCAMP([]byte(text))
	if f != nil {
		t.Fatalf("%v\n%s", f, text)
	}
	return c
}

// McDonald and Wilks, Appl. Spectrosc. 42:151 (1988), table VIIb: one row of figures in all forms.
func TestPublishedForms(t *testing.T) {
	want := []float64{1, 2, 3, 3, 2, 1, 0, -1, -2, -3}
	for form, line := range map[string]string{
		"AFFN": "1 2 3 3 2 1 0 -1 -2 -3", "PAC": "1+2+3+3+2+1+0-1-2-3", "PAC with blanks": "1 2 3 3 2 1 0-1-2-3", "SQZ": "1BCCBA@abc", "DIF": "1JJ%jjjjjj", "DIFDUP": "1JT%jX",
	} {
		// The first figure is an ordinate without a pseudo-digit, which needs a blank after the abscissa.
		if c := mustRead(t, file(1000, 1009, 10, "1", "1000 "+line)); !slices.Equal(c.Y, want) {
			t.Errorf("%s: %v, want %v", form, c.Y, want)
		}
	}
}

// The same paper, table VI: 53 points as DIFDUP. The print of 1988 has slips in this string; it is the corrected one of Baumbach et al., Pure Appl. Chem. 73:1765 (2001).
func TestPublishedSpectrum(t *testing.T) {
	want := []float64{
		0, 0, 0, 0, 2, 4, 4, 4, 7, 5, 4, 4, 5, 5, 7, 10, 11, 11, 6, 5, 7, 6, 9, 9, 7, 10, 10, 9, 10, 11, 12, 15, 16, 16, 14, 17, 38, 38, 35, 38, 42, 47, 54, 59,
		66, 75, 78, 88, 96, 104, 110, 121, 128,
	}
	packed := file(599.860, 700.158, 53, "1", "599.860@VKT%TLkj%J%KLJ%njKjL%kL%jJULJ%kLK1%lLMNPNPRLJ0QTOJ1P", "700.158A28")
	plain := file(599.860, 700.158, 53, "1", "599.860 0 0 0 0 2 4 4 4 7 5 4 4 5 5 7 10 11 11 6 5 7 6 9 9 7", "648.081 10 10 9 10 11 12 15 16 16 14 17 38 38",
		"673.155 35 38 42 47 54", "682.799 59 66 75 78 88 96 104 110 121 128")
	for name, text := range map[string]string{"DIFDUP": packed, "AFFN": plain} {
		c := mustRead(t, text)
		if !slices.Equal(c.Y, want) {
			t.Errorf("%s: %v", name, c.Y)
		}
		if c.X[0] != 599.860 || math.Abs(c.X[52]-700.158) > 1e-9 || math.Abs(c.X[1]-c.X[0]-1.92880769) > 1e-8 {
			t.Errorf("%s: abscissas from %v by %v to %v", name, c.X[0], c.X[1]-c.X[0], c.X[52])
		}
	}
}

// What is written in any form is read again, whichever way the abscissas run.
func TestForms(t *testing.T) {
	for _, step := range []float64{-1.9285, 2} {
		r := synth.Recipe{Title: "made", First: 4000, Last: 4000 + 900*step, Step: step, Seed: 4, Noise: 0.01, Organics: 1}
		s := synth.Infrared(r)
		s.Y[3], s.Y[4], s.Y[5], s.Y[6] = -0.2, -0.2, -0.2, 0
		for _, form := range synth.Forms() {
			text := s.JCAMP(form, 1e-4)
			for _, line := range strings.Split(text, "\n") {
				if len(line) > 80 {
					t.Errorf("%s: a line of %d characters", form, len(line))
				}
			}
			for _, ends := range []string{"\n", "\r\n", "\r"} {
				c := mustRead(t, strings.ReplaceAll(text, "\n", ends))
				if len(c.Y) != len(s.Y) || c.Resolution != 2*math.Abs(step) || c.Kind != Infrared || c.Unit != Absorbance {
					t.Fatalf("%s: %d points, %v, %v", form, len(c.Y), c.Resolution, c.Unit)
				}
				for i, y := range s.Y {
					j := i
					if step < 0 {
						j = len(s.Y) - 1 - i
					}
					if math.Abs(c.Y[j]-y) > 0.50001e-4 || math.Abs(c.X[j]-(4000+float64(i)*step)) > 1e-4 {
						t.Fatalf("%s: point %d is %v at %v, want %v", form, i, c.Y[j], c.X[j], y)
					}
				}
			}
		}
	}
}

func TestOtherRecords(t *testing.T) {
	c := mustRead(t, "##title= a \n##jcamp dx = 5.01\n##DATA-TYPE= infrared  spectrum\n##X_UNITS= MICROMETERS\n##y units= %T\n$$ a remark\n##NPOINTS=4\n##XFACTOR=0.5\n"+
		"##XYPOINTS=(XY..XY)\n4, 90; 5, 80.5 $$ more\n 6,7.5E+01\n8 ?\n##END=\n")
	if !slices.Equal(c.X, []float64{2500, 1e4 / 3, 4000, 5000}) || c.Y[1] != 75 || c.Y[2] != 80.5 || c.Y[3] != 90 || !math.IsNaN(c.Y[0]) || c.Unit != Transmittance {
		t.Errorf("%v %v %v", c.X, c.Y, c.Unit)
	}
	// E is the digit 5 of SQZ, unless a sign and digits follow it.
	c = mustRead(t, file(1000, 1003, 4, "2", "1000E1E2 1E+02 1.5E-01"))
	if !slices.Equal(c.Y, []float64{102, 104, 200, 0.3}) {
		t.Errorf("%v", c.Y)
	}
}

func TestRefusals(t *testing.T) {
	good := []string{"1000A0JK", "1002A3L"}
	mustRead(t, file(1000, 1003, 4, "1", good...))
	raman := strings.Replace(file(1000, 1003, 4, "1", good...), "INFRARED SPECTRUM", "RAMAN SPECTRUM", 1)
	mustRead(t, raman)
	for text, want := range map[string]string{
		"":                                    "does not begin with ##",
		"1000 0.1":                            "does not begin with ##",
		"##TITLE=a\n":                         "found no XYDATA",
		"##TITLE\n##E":                        "without an =",
		file(1000, 1003, 4, "1", "1000J0JK"):  "a difference as its first ordinate",
		file(1000, 1009, 10, "1", "1000 1VZ"): "a repeat (Z) with nothing to repeat",
		file(1000, 1003, 4, "1", "1000V1"):    "a repeat (V1) with nothing to repeat",
		// The check value is 13: A4, or none at all, is a lost line.
		file(1000, 1003, 4, "1", "1000A0JK", "1002A4L"):                                                    "the check value 14 where the line before ended with 13",
		file(1000, 1003, 4, "1", "1000A0JK", "1003A3L"):                                                    "the abscissa 1003 where point 3 is at 1002",
		file(1000, 1003, 5, "1", good...):                                                                  "found 4 points and NPOINTS=5",
		file(1000, 1003, 3, "1", good...):                                                                  "DELTAX",
		file(1000, 1030, 4, "1", good...):                                                                  "the abscissa 1002 where point 3 is at 1020",
		file(1000, 1003, 4, "1", "1000 1 2 3 x"):                                                           "found x",
		file(1000, 1003, 4, "1", "1000"):                                                                   "without ordinates",
		file(1000, 1003, 4, "1", "A10JK"):                                                                  "found A10JK at its beginning",
		file(1000, 1003, 4, "0", good...):                                                                  "accepted are numbers other than 0",
		file(1000, 1000, 4, "1", good...):                                                                  "FIRSTX and LASTX alike",
		file(1000, 1003, 1, "1", good...):                                                                  "NPOINTS=1",
		file(1000, 1003, MaxPoints+1, "1", good...):                                                        "NPOINTS=",
		file(1000, 1e9, MaxPoints, "1", "1000As99999999999"):                                               "more points than NPOINTS",
		file(1000, 1003, 4, "x", good...):                                                                  "found YFACTOR=x",
		strings.Replace(file(1000, 1003, 4, "1", good...), "##NPOINTS=4\n", "", 1):                         "found no NPOINTS",
		strings.Replace(file(1000, 1003, 4, "1", good...), "1/CM", "SECONDS", 1):                           "found XUNITS=SECONDS",
		strings.Replace(file(1000, 1003, 4, "1", good...), "ABSORBANCE", "PARTS", 1):                       "found YUNITS=PARTS",
		strings.Replace(file(1000, 1003, 4, "1", good...), "INFRARED SPECTRUM", "NMR SPECTRUM", 1):         "found DATA TYPE=NMR SPECTRUM",
		strings.Replace(file(1000, 1003, 4, "1", good...), "(X++(Y..Y))", "(X++(R..R))", 1):                "accepted is XYDATA=(X++(Y..Y))",
		strings.Replace(file(1000, 1003, 4, "1", good...), "XYDATA=(X++(Y..Y))", "PEAK TABLE=(XY..XY)", 1): "found PEAKTABLE",
		strings.Repeat(file(1000, 1003, 4, "1", good...), 2):                                               "a second curve",
		"##TITLE=a\n##XYPOINTS=(XY..XY)\n1 2 3\n##END=":                                                    "an abscissa without an ordinate",
		"##TITLE=a\n##XYPOINTS=(XY..XY)\n1 2 1 3\n##END=":                                                  "only rise or only fall",
		"##TITLE=a\n##XUNITS=NM\n##XYPOINTS=(XY..XY)\n0 2 1 3\n##END=":                                     "a wavelength of 0",
		"##TITLE=a\n##XYPOINTS=(XY..XY)\n1 1E+99 2 3\n##END=":                                              "at most 1e30",
	} {
		if text == file(1000, 1003, 3, "1", good...) {
			want = "the abscissa 1002 where point 3 is at 1003" // three points from 1000 to 1003 are 1.5 apart
		}
		c, f := ReadJCAMP([]byte(text))
		if f == nil {
			t.Errorf("read: %d points of\n%s", len(c.Y), text)
			continue
		}
		if f.Reason != fault.InvalidField || !strings.Contains(f.Message, want) || !strings.Contains(f.Message, "accepted") && !strings.Contains(f.Message, "missing") {
			t.Errorf("%q, want %q, of\n%s", f.Message, want, text)
		}
	}
}

func TestColumns(t *testing.T) {
	for text, want := range map[string]Unit{
		"4000 0.1\n3998 0.2\n3996 0.25\n":                                                         "",
		"# instrument 4\nwavenumber, Absorbance\n4000,0.1\n3998,0.2\n\n3996,0.25":                 Absorbance,
		"cm-1;%T\r\n4000,0;0,1\r\n3998,0;0,2\r\n3996,0;2,5e-1\r\n":                                Transmittance,
		"Abs\n4000,0.1,\n3998,0.2,\n3996,0.25,\n\x1a":                                             Absorbance,
		"old\r4000 0.1\r3998 0.2\r3996 0.25\r":                                                    "",
		"Wavelength (nm);log(1/R)\n2500;0,1\n2501,250625312656;0,2\n2502,502502502502;0,25\n":     Absorbance,
		"µm\tReflectance in percent\n2.5\t0.1\n2.501250625312656\t0.2\n2.502502502502503\t0.25\n": Reflectance,
		"\xef\xbb\xbfshift\tcounts\n3996\t0.25\n# between\n3998\t2.00E-01\n4000\t0.1":             Intensity,
	} {
		c, f := ReadColumns([]byte(text))
		if f != nil {
			t.Errorf("%q: %v", text, f)
			continue
		}
		if c.Unit != want || !slices.EqualFunc(c.X, []float64{3996, 3998, 4000}, func(a, b float64) bool { return math.Abs(a-b) < 1e-6 }) || !slices.Equal(c.Y, []float64{0.25, 0.2, 0.1}) {
			t.Errorf("%q: %v %v %v", text, c.Unit, c.X, c.Y)
		}
	}
	for text, want := range map[string]string{
		"":                                    "found 0 lines",
		"4000 0.1":                            "found 1 line with",
		"4000 0.1\n3990 x\n":                  "line 2: found 3990 x",
		"4000 0.1\n3990 0.1 0.2\n":            "line 2",
		"a b c\n4000 0.1 0.2\n3990 0.1 0.2\n": "line 2: found 4000 0.1 0.2",
		"4000,1,0.2\n3990,1,0.2\n":            "line 1: found 4000,1,0.2",
		"Wavelength, Absorbance\n2500 1\n2600 1\n": "line 1: found wavelengths without their unit",
		"4000 0.1\n4000 0.2\n":                     "only rise or only fall",
		strings.Repeat("a line\n", 200):            "line 101: found a line",
		"4000 0.1\n3990 0.2\n4010 0.3\n":           "only rise or only fall",
		"4000 0.1\n3990 1e99\n":                    "accepted",
	} {
		if _, f := ReadColumns([]byte(text)); f == nil || !strings.Contains(f.Message, want) {
			t.Errorf("%.40q: %v, want %q", text, f, want)
		}
	}
}
