package browser

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// printed prints the page as it stands and gives how many pages that takes and the codes on them.
func (b *tab) printed() (pages int, codes []string) {
	b.t.Helper()
	pdf := run(b, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize()))
	name := filepath.Join(b.t.TempDir(), "page")
	if err := os.WriteFile(name+".pdf", pdf, 0o644); err != nil {
		b.t.Fatal(err)
	}
	info, err := exec.Command("pdfinfo", name+".pdf").Output()
	if err != nil {
		b.t.Fatalf("pdfinfo (on Debian: apt-get install poppler-utils): %v", err)
	}
	found := regexp.MustCompile(`Pages:\s+(\d+)`).FindSubmatch(info)
	if found == nil {
		b.t.Fatalf("%s", info)
	}
	if _, err := fmt.Sscan(string(found[1]), &pages); err != nil {
		b.t.Fatal(err)
	}
	if out, err := exec.Command("pdftoppm", "-r", "200", "-png", name+".pdf", name).CombinedOutput(); err != nil {
		b.t.Fatalf("pdftoppm: %v\n%s", err, out)
	}
	pictures, err := filepath.Glob(name + "-*.png")
	if err != nil || len(pictures) != pages {
		b.t.Fatalf("%d pictures of %d pages, %v", len(pictures), pages, err)
	}
	for _, p := range pictures {
		out, err := exec.Command("zbarimg", "--quiet", "--raw", "-Sdisable", "-Sqrcode.enable", p).Output()
		var exit *exec.ExitError
		if err != nil && !(errors.As(err, &exit) && exit.ExitCode() == 4) { // 4: it saw no code
			b.t.Fatalf("zbarimg (on Debian: apt-get install zbar-tools) of %s: %v", p, err)
		}
		codes = append(codes, strings.Fields(string(out))...)
	}
	return pages, codes
}

// A shop assistant looks a stone up by its code and prints it: one sheet, whose code leads to the page. Whatever its record holds.
func TestAStonesSheet(t *testing.T) {
	w := newWorld(t)
	b := w.open(t, 900, 900)
	b.do(
		chromedp.Navigate(w.url+"/"),
		chromedp.SendKeys(chromedp.CSS("#code"), " "+strings.ToUpper(w.handle(t, "wet-wheel.e4"))+" "),
	)
	if _, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS("form.find button"))); err != nil {
		t.Fatal(err)
	}
	if got := b.text(".stone .id"); got != "wet-wheel.e4" {
		t.Errorf("the code leads to %q", got)
	}
	lots, err := w.client(t, "wet-wheel").ListLots(t.Context(), &pb.ListLotsRequest{PageSize: ptr(int32(1000))})
	if err != nil {
		t.Fatal(err)
	}
	more, err := w.client(t, "third-drawer").ListLots(t.Context(), &pb.ListLotsRequest{PageSize: ptr(int32(1000))})
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	for i, l := range append(lots.GetLots(), more.GetLots()...) {
		if i%6 != 0 || testing.Short() && i%12 != 0 { // each takes a second
			continue
		}
		tried++
		link := w.url + "/s/" + w.handle(t, l.GetLot())
		b.do(chromedp.Navigate(link))
		pages, codes := b.printed()
		if pages != 1 || len(codes) != 1 || codes[0] != link {
			t.Errorf("%s: %d pages with the codes %v, want one with %s", l.GetLot(), pages, codes, link)
		}
	}
	if tried < 5 {
		t.Errorf("%d lots were tried", tried)
	}
}

// Labels and the paper of a parcel come out of the printer as they are on the screen.
func TestLabelsFromTheBrowser(t *testing.T) {
	w := newWorld(t)
	b := w.open(t, 1000, 900)
	b.signIn(w, "third-drawer")
	codes := func(path string, pages int, lots ...string) {
		t.Helper()
		b.do(chromedp.Navigate(w.url + path))
		n, found := b.printed()
		if n != pages {
			t.Errorf("%s: %d pages, want %d", path, n, pages)
		}
		have := strings.Join(found, " ")
		for _, l := range lots {
			if !strings.Contains(have, "/s/"+w.handle(t, l)) {
				t.Errorf("%s: the code of %s is not among %v", path, l, found)
			}
		}
	}
	codes("/labels?lot=high-terrace.r3&lot=third-drawer.r3-lab", 1, "high-terrace.r3", "third-drawer.r3-lab")
	codes("/labels?lot=high-terrace.r3&lot=third-drawer.r3-lab&skip=23", 2, "high-terrace.r3", "third-drawer.r3-lab")
	codes("/labels?lot=high-terrace.r3&lot=third-drawer.r3-lab&sheet=roll", 2, "high-terrace.r3", "third-drawer.r3-lab")
	codes("/lots/high-terrace.r3/parcel", 1, "high-terrace.r3")
}
