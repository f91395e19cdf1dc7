package disclosure

import (
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func stone(kind opal.MaterialKind, verdicts map[opal.Treatment]evidence.Verdict) Stone {
	s := Stone{Material: kind}
	for _, t := range opal.AllTreatments() {
		v := verdicts[t]
		switch {
		case v != "":
		case t == opal.Heat:
			v = evidence.Undeterminable
		default:
			v = evidence.NotTested
		}
		s.Treatments = append(s.Treatments, Treatment{Treatment: t, Verdict: v, Statement: "Statement on " + noun(t) + "."})
	}
	return s
}

func disclose(t *testing.T, market string, s Stone) *Disclosure {
	t.Helper()
	d, f := For(market, s)
	if f != nil {
		t.Fatal(f)
	}
	return d
}

// What the published texts ask for: 16 CFR 23.24 (a treatment that is not permanent, needs special care or changes the value is told), 23.25 (assembled stones and
// such with a filler do not go by the bare name); general and specific disclosure by the Gemstone Book; and the trade letters.
func TestDuties(t *testing.T) {
	for _, x := range []struct {
		market    string
		treatment opal.Treatment
		section   string
		says      string
		letter    string
	}{
		{"US", opal.Dye, "16 CFR 23.24 (a), (b), (c)", "may not be permanent", "D"},
		{"US", opal.OilWax, "16 CFR 23.24 (a), (b)", "special care", "W"},
		{"US", opal.Resin, "16 CFR 23.24 (b), (c); 23.25 (d)", "filler", "I"},
		{"US", opal.Coating, "16 CFR 23.24 (a), (b), (c)", "not permanent", "C"},
		{"US", opal.Backing, "16 CFR 23.25", "assembled", "ASBL"},
		{"INTL", opal.Dye, "Gemstone Book, specific disclosure", "Specific disclosure", "D"},
		{"INTL", opal.Resin, "Gemstone Book, specific disclosure", "Specific disclosure", "I"},
		{"INTL", opal.OilWax, "Gemstone Book, general disclosure", "General disclosure", "W"},
		{"INTL", opal.Backing, "Gemstone Book, artificial products", "composite", "ASBL"},
		{"AU", opal.Smoke, "Opal nomenclature (1997), treated opal", "cutting and polishing", "D"},
		{"AU", opal.Backing, "Opal nomenclature (1997), composite opal", "no natural opal", "ASBL"},
	} {
		for _, v := range []evidence.Verdict{evidence.Declared, evidence.Found} {
			d := disclose(t, x.market, stone(opal.Hydrophane, map[opal.Treatment]evidence.Verdict{x.treatment: v}))
			if len(d.Must) != 1 || d.Must[0].Source.Section != x.section || !strings.Contains(d.Must[0].Text, x.says) || d.Must[0].Source.Mark == "" {
				t.Errorf("%s %s %s: %+v", x.market, x.treatment, v, d.Must)
			}
			if len(d.Codes) != 1 || d.Codes[0].Letter != x.letter || !strings.Contains(d.Codes[0].List, "editions") {
				t.Errorf("%s %s: codes %+v", x.market, x.treatment, d.Codes)
			}
			if !strings.Contains(d.Long, "Statement on "+noun(x.treatment)) {
				t.Errorf("%s %s: %q", x.market, x.treatment, d.Long)
			}
		}
	}
}

func TestWhatIsNotSettledIsSaid(t *testing.T) {
	d := disclose(t, "US", stone(opal.Hydrophane, map[opal.Treatment]evidence.Verdict{opal.Smoke: evidence.Suspected, opal.Resin: evidence.Open, opal.Backing: evidence.NotFound}))
	if want := "Opal; suspected of smoke; not tested for dye, sugar and acid, oil or wax, a coating; not settled: resin; heat undeterminable."; d.Short != want {
		t.Errorf("%q, want %q", d.Short, want)
	}
	for _, want := range []string{"Not tested for dye, sugar and acid, oil or wax, a coating. Not tested does not mean untreated.", "Looked for, and not settled: resin.", "Looked for on this stone and not found: a backing."} {
		if !slices.Contains(d.Unsettled, want) {
			t.Errorf("no %q in %q", want, d.Unsettled)
		}
	}
	s := stone(opal.Hydrophane, map[opal.Treatment]evidence.Verdict{opal.Resin: evidence.NotFound})
	for i := range s.Treatments {
		s.Treatments[i].BySample = s.Treatments[i].Treatment == opal.Resin
	}
	if d := disclose(t, "INTL", s); !strings.Contains(d.Long, "sample of its parcel, and not on this stone, and not found: resin") || !strings.Contains(d.Short, "by a sample of its parcel only: resin") {
		t.Errorf("%q, %q", d.Long, d.Short)
	}
}

func TestAnUnknownMarket(t *testing.T) {
	_, f := For("MOON", Stone{})
	if f == nil || f.Reason != fault.InvalidField || f.Field != "market" || !strings.Contains(f.Message, "AU, INTL, US") {
		t.Errorf("%v", f)
	}
}

// Whatever the verdicts: the same answer each time; "untreated" is never said of the stone; a term that reads so is refused unless every treatment was
// looked for on the stone itself and not found; every duty has a source; the closing sentences are there.
func TestAnyStone(t *testing.T) {
	all := []evidence.Verdict{evidence.Declared, evidence.Found, evidence.Conflicting, evidence.Suspected, evidence.Open, evidence.NotTested, evidence.NotFound, evidence.NotApplicable}
	bare := regexp.MustCompile(`(?i)untreated`)
	rapid.Check(t, func(t *rapid.T) {
		s := stone(rapid.SampledFrom(opal.AllMaterialKinds()).Draw(t, "kind"), nil)
		clear := true
		for i := range s.Treatments {
			x := &s.Treatments[i]
			if x.Treatment == opal.Heat {
				continue
			}
			x.Verdict = rapid.SampledFrom(all).Draw(t, string(x.Treatment))
			x.BySample = x.Verdict == evidence.NotFound && rapid.Bool().Draw(t, "sample")
			clear = clear && (x.Verdict == evidence.NotFound && !x.BySample || x.Verdict == evidence.NotApplicable)
		}
		for _, market := range Markets() {
			d, f := For(market, s)
			if f != nil {
				t.Fatal(f)
			}
			if again, _ := For(market, s); !reflect.DeepEqual(again, d) {
				t.Fatal("another answer the second time")
			}
			text := strings.ReplaceAll(strings.Join(append([]string{d.Short, d.Long}, d.Unsettled...), " "), "Not tested does not mean untreated.", "")
			if bare.MatchString(text) {
				t.Fatalf("%s says untreated: %q", market, text)
			}
			refused := slices.ContainsFunc(d.MayNot, func(x Term) bool { return x.Term == "natural" })
			if refused == clear {
				t.Fatalf("%s: clear %v, natural refused %v", market, clear, refused)
			}
			for _, x := range d.Must {
				if x.Source.Section == "" || x.Source.Mark == "" || x.Text == "" {
					t.Fatalf("%+v", x)
				}
			}
			for _, x := range s.Treatments {
				told := slices.ContainsFunc(d.Must, func(y Duty) bool { return y.Treatment == x.Treatment })
				if bad := x.Verdict == evidence.Declared || x.Verdict == evidence.Found || x.Verdict == evidence.Suspected || x.Verdict == evidence.Conflicting; bad != told {
					t.Fatalf("%s: %s is %s, told %v", market, x.Treatment, x.Verdict, told)
				}
			}
			if !slices.Contains(d.Notes, Guidance) || !slices.Contains(d.Notes, Licensed) || len(d.Care) < 2 || !strings.HasSuffix(d.Short, "heat undeterminable.") {
				t.Fatalf("%+v", d)
			}
		}
	})
}
