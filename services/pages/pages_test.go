package pages

import (
	"fmt"
	"io/fs"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/readout"
)

func catalogs(t *testing.T) map[string]*catalog {
	t.Helper()
	all, err := loadCatalogs()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// Every language has the same texts, with the same blanks in them.
func TestLanguagesSayTheSame(t *testing.T) {
	all := catalogs(t)
	if len(all) < 2 {
		t.Fatalf("there are %d languages", len(all))
	}
	blanks := func(text string) string {
		found := placeholder.FindAllString(text, -1)
		slices.Sort(found)
		return fmt.Sprint(slices.Compact(found))
	}
	for name, c := range all {
		for key, text := range all[source].texts {
			other, ok := c.texts[key]
			switch {
			case !ok:
				t.Errorf("%s has no text for %s", name, key)
			case blanks(text) != blanks(other):
				t.Errorf("%s: %s has the blanks %s, want %s", name, key, blanks(other), blanks(text))
			}
		}
		for key := range c.texts {
			if _, ok := all[source].texts[key]; !ok {
				t.Errorf("%s has %s, which %s does not", name, key, source)
			}
		}
	}
}

// Every word of the vocabulary that a page shows by a text has one, and every text that a template names is there.
func TestTextsAreThere(t *testing.T) {
	c := catalogs(t)[source]
	want := map[string]bool{}
	add := func(kind string, words ...string) {
		for _, w := range words {
			want[kind+"."+w] = true
		}
	}
	add("treatment", words(opal.AllTreatments())...)
	add("verdict", append(slices.Clone(verdictWords), "NOT_FOUND_IN_SAMPLE")...)
	add("material", words(opal.AllMaterialKinds())...)
	add("look", words(opal.AllLooks())...)
	add("form", words(opal.AllForms())...)
	add("moisture", words(opal.AllMoistures())...)
	add("method", words(opal.AllMethods())...)
	add("caution", append(words(opal.AllMethods()), words(opal.AllTreatments())...)...)
	add("extent", words(opal.AllExtents())...)
	add("where", words(opal.AllPlaces())...)
	add("identity", words(opal.AllIdentities())...)
	add("samplekind", words(opal.AllSampleKinds())...)
	add("selection", words(opal.AllSelections())...)
	add("splitmanner", words(opal.AllSplitManners())...)
	add("cutmanner", words(opal.AllCutManners())...)
	add("purpose", words(opal.AllPurposes())...)
	add("countwhy", words(opal.AllCountWhys())...)
	add("claim", slices.DeleteFunc(words(opal.AllClaimKinds()), func(k string) bool { return k == "ORIGIN" })...)
	add("lots.show", shows...)
	for _, k := range opal.AllKinds() {
		if k != opal.KindLogOpened && k != opal.KindPolicySet && !directory(k) {
			add("kind", string(k))
		}
	}
	for _, w := range works() {
		add("do", w.Do)
		for _, r := range w.Rows {
			add("rows", r.Path, r.Path+".add")
			for _, f := range r.Fields {
				add("f", f.Path)
			}
		}
		for _, f := range w.Fields {
			if f.Type != "fixed" {
				add("f", f.Path)
			}
		}
	}
	names := regexp.MustCompile(`(?:\bt|say|counted) "([a-zA-Z]+(?:\.[a-zA-Z0-9]+)+)"`)
	scripts := regexp.MustCompile(`\bsay\("([a-zA-Z.]+)"[,)]`)
	err := fs.WalkDir(os.DirFS("."), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		raw, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		switch {
		case strings.HasSuffix(name, ".html"):
			for _, m := range names.FindAllStringSubmatch(string(raw), -1) {
				if m[1] == "pieces" {
					continue
				}
				want[m[1]] = true
			}
		case strings.HasSuffix(name, "bench.js"):
			for _, m := range scripts.FindAllStringSubmatch(string(raw), -1) {
				want["say."+m[1]] = true
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range slices.Sorted(maps.Keys(want)) {
		if _, ok := c.texts[key]; !ok {
			t.Errorf("there is no text for %s", key)
		}
	}
}

// directory tells the kinds that never stand on the page of a lot.
func directory(k opal.Kind) bool {
	switch k {
	case opal.KindEnrolled, opal.KindTokenIssued, opal.KindTokenRevoked, opal.KindKeyAdded, opal.KindKeyRevoked, opal.KindMethodValidated:
		return true
	}
	return false
}

// What was not tested never reads as untreated, in no language.
func TestNotTestedIsNotUntreated(t *testing.T) {
	forbidden := regexp.MustCompile(`(?i)untreated|unbehandelt|natural|natürlich|clean|sauber|free of|frei von|no treatment|keine behandlung`)
	for name, c := range catalogs(t) {
		for _, v := range []string{"NOT_TESTED", "OPEN", "UNDETERMINABLE", "SUSPECTED", "NOT_FOUND_IN_SAMPLE", "NOT_FOUND"} {
			if text := c.word("verdict", v); forbidden.MatchString(text) {
				t.Errorf("%s: %s reads %q", name, v, text)
			}
		}
	}
}

func TestFigures(t *testing.T) {
	all := catalogs(t)
	for _, c := range []struct {
		language string
		got      func(*catalog) string
		want     string
	}{
		{"en", func(c *catalog) string { return c.figure(0.3086) }, "0.309"},
		{"de", func(c *catalog) string { return c.figure(0.3086) }, "0,309"},
		{"en", func(c *catalog) string { return c.figure(95) }, "95"},
		{"en", func(c *catalog) string { return c.figure(12.34) }, "12.3"},
		{"en", func(c *catalog) string { return c.figure(0) }, "0"},
		{"en", func(c *catalog) string { return c.figure(1234.5) }, "1234"},
		{"en", func(c *catalog) string { return c.figure(3e9) }, "3.0e+09"},
		{"en", func(c *catalog) string { return c.number(1234567) }, "1,234,567"},
		{"de", func(c *catalog) string { return c.number(-1234) }, "-1.234"},
		{"en", func(c *catalog) string { return c.date("2026-03-04") }, "4 March 2026"},
		{"de", func(c *catalog) string { return c.date("2026-03-04T23:59:00+02:00") }, "4. März 2026"},
		{"en", func(c *catalog) string { return c.moment("2026-03-04T23:59:00+02:00") }, "4 March 2026 23:59 +02:00"},
		{"en", func(c *catalog) string { return c.country("ET") }, "Ethiopia"},
		{"de", func(c *catalog) string { return c.country("ET") }, "Äthiopien"},
		{"en", func(c *catalog) string { return c.claim("ORIGIN:AU") }, "origin: Australia"},
		{"en", func(c *catalog) string { return c.counted("pieces", 1) }, "1 piece"},
	} {
		if got := c.got(all[c.language]); got != c.want {
			t.Errorf("%s: %q, want %q", c.language, got, c.want)
		}
	}
}

// The beginning, the gaps and the treatments of a long way go on paper, and no more steps than there is room for.
func TestStepsOfALongWay(t *testing.T) {
	var events []*pb.Event
	for i := range 60 {
		at := fmt.Sprintf("2025-%02d-%02d", 1+i/28, 1+i%28)
		events = append(events, &pb.Event{OccurredAt: &at, Body: &pb.Event_NothingDone{NothingDone: &pb.NothingDone{}}})
	}
	late, reported := "2025-01-20", opal.FindReportedLate
	events = append(events, &pb.Event{OccurredAt: &late, Body: &pb.Event_Treated{Treated: &pb.Treated{}}, Findings: []*pb.Finding{{Code: &reported}}})
	from, to := "2025-02-10T00:00:00Z", "2025-02-12T00:00:00Z"
	steps := stepsOf(events, []*pb.CustodySpan{{From: &from, To: &to, Because: "transit"}, {Documented: true}})
	if len(steps) != 62 {
		t.Fatalf("%d steps", len(steps))
	}
	for i := 1; i < len(steps); i++ {
		if steps[i].when.Before(steps[i-1].when) {
			t.Errorf("step %d is before the one before it", i)
		}
	}
	hidden := markPrint(steps)
	shown, treated, gap := 0, false, false
	for _, s := range steps {
		if s.Print {
			shown++
			treated, gap = treated || s.Kind == "treated" && s.Late, gap || s.Gap
		}
	}
	if shown != printSteps || hidden != len(steps)-printSteps || !steps[0].Print || !steps[len(steps)-1].Print || !treated || !gap {
		t.Errorf("%d shown, %d hidden, treated %v, gap %v", shown, hidden, treated, gap)
	}
}

func TestCatalogsThatAreNone(t *testing.T) {
	for name, raw := range map[string]string{"no sign": "language.name = x\nwords", "twice": "language.name = x\na = 1\na = 2", "no name": "a = 1", "no text": "language.name = x\na =", "no key": "language.name = x\n= b"} {
		if _, err := parseCatalog("xx", raw); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	c, err := parseCatalog("xx", "language.name = x\n# a remark\na = one\n two\n")
	if err != nil || c.text("a") != "one two" || c.text("b") != "b" {
		t.Errorf("%v, %v", c, err)
	}
}

func TestFormulasStayTexts(t *testing.T) {
	// OWASP, CSV Injection: a cell that begins with one of = + - @ tab or carriage return may be taken for a formula.
	for _, s := range []string{"=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx"} {
		if got := readout.Cell(s); got != "'"+s {
			t.Errorf("%q becomes %q", s, got)
		}
	}
	if readout.Cell("third-drawer.r3") != "third-drawer.r3" || readout.Cell("") != "" {
		t.Error("a harmless cell was changed")
	}
}
