package label

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

const link = "https://stones.example/s/ix5erolfjqhwnlttnuzjgifeiy"

func sample(status string) Label {
	return Label{
		Lot: "wet-wheel.f1", Link: link, What: "Hydrophane opal, cabochon", Amount: "1 piece, 3.84 ct", Status: status,
		Elsewhere: "Treatment status: see the code.", Printed: "27 November 2026",
	}
}

// render makes a picture of a page, 600 dots an inch, with librsvg.
func render(t *testing.T, p Page) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "page")
	if err := os.WriteFile(name+".svg", []byte(p.SVG), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("rsvg-convert", "-d", "300", "-p", "300", "-b", "white", "-o", name+".png", name+".svg").CombinedOutput(); err != nil {
		t.Fatalf("rsvg-convert (on Debian: apt-get install librsvg2-bin): %v\n%s", err, out)
	}
	return name + ".png"
}

// codes reads the codes of a picture back with zbar.
func codes(t *testing.T, picture string) []string {
	t.Helper()
	out, err := exec.Command("zbarimg", "--quiet", "--raw", "-Sdisable", "-Sqrcode.enable", picture).Output()
	var exit *exec.ExitError
	if err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 4) { // 4: no code
		t.Fatalf("zbarimg (on Debian: apt-get install zbar-tools): %v", err)
	}
	return strings.Fields(string(out))
}

// Every code of every sheet, of the roll and of a paper is read back by another program than the one that drew it.
func TestCodesAreReadBack(t *testing.T) {
	labels := []Label{sample("Opal; not tested for dye; heat undeterminable."), sample(""), sample(strings.Repeat("long ", 80))}
	for i := range labels {
		labels[i].Link += fmt.Sprint(i)
	}
	check := func(name string, pages []Page, err error, want int) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		found := map[string]bool{}
		for _, p := range pages {
			for _, c := range codes(t, render(t, p)) {
				found[c] = true
			}
		}
		for i := range want {
			if !found[labels[i].Link] {
				t.Errorf("%s: the code of %s is not read back; found are %v", name, labels[i].Link, found)
			}
		}
	}
	for _, s := range Sheets() {
		pages, err := OnSheets(s, labels, s.Columns*s.Rows-2)
		if len(pages) != 2 {
			t.Errorf("%s: %d pages, want 2: two labels on the first, one on the second", s.Name, len(pages))
		}
		check(s.Name, pages, err, 3)
	}
	pages, err := OnRoll(labels)
	check("the roll", pages, err, 3)
	p, err := Fold(Paper{Label: labels[0], Known: []string{"Dye: not tested."}, Titles: PaperTitles{Known: "Known", Fold: "fold", Front: "front"}})
	check("a paper", []Page{p}, err, 1)
}

// Labels fit on their sheets, and sheets on A4 (ISO 216).
func TestSheetsFitOnA4(t *testing.T) {
	for _, s := range Sheets() {
		right := s.Left + float64(s.Columns)*s.Width + float64(s.Columns-1)*s.GapX
		bottom := s.Top + float64(s.Rows)*s.Height + float64(s.Rows-1)*s.GapY
		if right > a4Width+0.001 || bottom > a4Height+0.001 {
			t.Errorf("%s reaches to %.2f × %.2f mm", s.Name, right, bottom)
		}
	}
}

// What a text is taken to be wide is no less than what a renderer makes of it.
func TestTextsAreNoWiderThanTheyAreTaken(t *testing.T) {
	for _, text := range []string{
		"wet-wheel.f1", "HARROW-GULLY.R7 MWMWMW", "Opal; not tested for dye, smoke, sugar and acid; heat undeterminable.", "stones.example/s/ix5erolfjqhwnlttnuzjgifeiy",
		"0123456789 ct", "äöüß ÄÖÜ éèê", "iiiiiiiiii llllllllll", "@@@@%%%%&&&&",
	} {
		const size = 10.0
		wide := Width(text, size)
		// Ink right of where the text may end, in the widest face of the list.
		svg := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%.0f" height="20" viewBox="0 0 %.0f 20"><rect width="100%%" height="100%%" fill="#fff"/><text x="0" y="14" font-size="10" font-weight="bold" font-family="DejaVu Sans">%s</text><rect width="%.2f" height="20" fill="#fff"/></svg>`,
			wide*2, wide*2, strings.ReplaceAll(text, "&", "&amp;"), wide)
		picture := render(t, Page{SVG: svg})
		if inked(t, picture) {
			t.Errorf("%q is wider than %.1f", text, wide)
		}
	}
}

func TestMarkupStaysText(t *testing.T) {
	evil := `</text><script>alert(1)</script><text x="&quot;>`
	l := Label{Lot: evil, Link: link, What: evil, Amount: evil, Status: evil, Elsewhere: evil, Printed: evil}
	pages, err := OnSheets(Sheets()[0], []Label{l}, 0)
	if err != nil {
		t.Fatal(err)
	}
	paper, err := Fold(Paper{Label: l, Facts: []Fact{{evil, evil}}, Known: []string{evil}, Told: []string{evil}, Care: []string{evil}, Notes: []string{evil}, Titles: PaperTitles{evil, evil, evil, evil, evil, evil, evil}})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range append(pages, paper) {
		d := xml.NewDecoder(strings.NewReader(p.SVG))
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if e, ok := token.(xml.StartElement); ok && e.Name.Local == "script" {
				t.Fatal("markup became an element")
			}
		}
	}
	if doc := Document(evil, pages); strings.Contains(doc, "<script>") {
		t.Error("markup in the title became an element")
	}
}

// A status is whole or not there at all.
func TestAStatusIsWholeOrElsewhere(t *testing.T) {
	for _, s := range append(Sheets(), Sheet{Name: "roll", Columns: 1, Rows: 1, Width: RollWidth, Height: rollHeight}) {
		for n := 0; n < 60; n += 3 {
			words := make([]string, n)
			for i := range words {
				words[i] = fmt.Sprintf("word%d", i)
			}
			l := sample(strings.Join(words, " "))
			svg, err := draw(l, s.Width, s.Height)
			if err != nil {
				t.Fatal(err)
			}
			there := 0
			for _, w := range words {
				if strings.Contains(svg, ">"+w+"<") || strings.Contains(svg, w+" ") || strings.Contains(svg, w+"<") {
					there++
				}
			}
			if there != 0 && there != n || n > 0 && there == 0 && !strings.Contains(svg, "Treatment status") && !strings.Contains(svg, "Treatment") {
				t.Errorf("%s: %d of %d words: %s", s.Name, there, n, svg[strings.Index(svg, "<text"):])
			}
		}
	}
}

func TestLabelsThatAreRefused(t *testing.T) {
	if _, f := SheetByName("letter"); f == nil || f.Field != "sheet" || !strings.Contains(f.Message, "a4-3x8") {
		t.Errorf("%v", f)
	}
	s := Sheets()[0]
	for name, try := range map[string]func() error{
		"none":          func() error { _, err := OnSheets(s, nil, 0); return err },
		"too many":      func() error { _, err := OnRoll(make([]Label, MostLabels+1)); return err },
		"skip":          func() error { _, err := OnSheets(s, []Label{sample("")}, 24); return err },
		"skip less":     func() error { _, err := OnSheets(s, []Label{sample("")}, -1); return err },
		"a link beyond": func() error { _, err := OnRoll([]Label{{Link: strings.Repeat("x", 5000)}}); return err },
	} {
		if try() == nil {
			t.Errorf("%s: no refusal", name)
		}
	}
}

func TestTheSameLabelIsTheSameBytes(t *testing.T) {
	a, _ := OnRoll([]Label{sample("x")})
	b, _ := OnRoll([]Label{sample("x")})
	if !bytes.Equal([]byte(a[0].SVG), []byte(b[0].SVG)) {
		t.Error("they differ")
	}
}
