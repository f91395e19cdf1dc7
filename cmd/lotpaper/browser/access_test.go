package browser

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// axe gives the source of axe-core, which npm installs into the user's cache once for each version, and compares with the hash in the list of versions.
func axe(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	lock, err := os.ReadFile("testdata/npm/package-lock.json")
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(cache, "lotpaper-test", fmt.Sprintf("browser-%.16x", sha256.Sum256(lock)))
	file := filepath.Join(dir, "node_modules", "axe-core", "axe.min.js")
	if _, err := os.Stat(file); err != nil {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"package.json", "package-lock.json"} {
			text, err := os.ReadFile("testdata/npm/" + name)
			if err == nil {
				err = os.WriteFile(filepath.Join(dir, name), text, 0o644)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		install := exec.Command("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund")
		install.Dir = dir
		if out, err := install.CombinedOutput(); err != nil {
			t.Fatalf("npm ci (on Debian: apt-get install nodejs npm): %v\n%s", err, out)
		}
	}
	source, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(source)
}

// Everybody can use every page, in the light and in the dark: axe-core, with the rules of WCAG 2.2 up to AA and its best practices, finds nothing.
func TestEverybodyCanUseThePages(t *testing.T) {
	source := axe(t)
	w := newWorld(t)
	for _, dark := range []bool{false, true} {
		if dark && testing.Short() {
			break
		}
		as := map[string]*tab{}
		for _, p := range w.pages(t) {
			b := as[p.as]
			if b == nil {
				b = w.open(t, 360, 740)
				b.dark(dark)
				if p.as != "" {
					b.signIn(w, p.as)
				}
				as[p.as] = b
			}
			b.do(chromedp.Navigate(w.url + p.path))
			script[any](b, `document.querySelectorAll("details").forEach((d) => d.open = true), null`)
			script[any](b, source+"; null")
			found := script[string](b, `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then((r) =>
				JSON.stringify(r.violations.map((v) => ({id: v.id, help: v.help, nodes: v.nodes.slice(0, 3).map((n) => n.html.slice(0, 200) + " | " + n.failureSummary)}))))`)
			var violations []struct {
				ID, Help string
				Nodes    []string
			}
			if err := json.Unmarshal([]byte(found), &violations); err != nil {
				t.Fatal(err)
			}
			for _, v := range violations {
				t.Errorf("%s, dark %v: %s: %s\n  %s", p.name, dark, v.ID, v.Help, strings.Join(v.Nodes, "\n  "))
			}
		}
	}
}

// Who has a keyboard alone reaches everything that can be used, in an order, sees where it is, and is caught nowhere.
func TestAKeyboardReachesEverything(t *testing.T) {
	w := newWorld(t)
	b := w.open(t, 900, 900)
	b.signIn(w, "third-drawer")
	for i, p := range w.pages(t) {
		if testing.Short() && i%4 != 0 {
			continue
		}
		if p.as != "" && p.as != "third-drawer" {
			p.path = strings.ReplaceAll(p.path, "wet-wheel.e4", "high-terrace.r3")
		}
		if p.path == "/signin" {
			continue // leads on who is signed in
		}
		b.do(chromedp.Navigate(w.url + p.path))
		// What can be used: as HTML defines it, and visible.
		want := script[int](b, `(() => {
			window.usable = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")].filter((x) =>
				!x.disabled && x.type !== "hidden" && x.tabIndex >= 0 && x.getClientRects().length && x.checkVisibility({visibilityProperty: true}));
			window.reached = new Set(); window.unseen = [];
			document.addEventListener("focusin", (e) => {
				reached.add(e.target);
				const s = getComputedStyle(e.target);
				if (s.outlineStyle === "none" && !e.target.matches("main")) unseen.push(e.target.outerHTML.slice(0, 120));
			});
			document.activeElement?.blur(); return usable.length })()`)
		for i := 0; i < 2*want+40; i++ {
			b.do(chromedp.KeyEvent("\t"))
			if i%20 == 19 && script[bool](b, "usable.every((x) => reached.has(x))") {
				break
			}
		}
		missing := script[[]string](b, `usable.filter((x) => !reached.has(x)).map((x) => x.outerHTML.slice(0, 120))`)
		unseen := script[[]string](b, `unseen`)
		if len(missing) > 0 || len(unseen) > 0 || want < 5 {
			t.Errorf("%s: %d can be used; not reached %q, reached unseen %q", p.name, want, missing, unseen)
		}
	}
}

// Markup that somebody wrote into a field stays text, in every field and on every page; and no page lets anything run that is not of this host.
func TestMarkupStaysText(t *testing.T) {
	w := newWorld(t)
	evil := `"><img src=x onerror="window.planted=1"><script>window.planted=1</script>'{{.}}`
	lot := "wet-wheel.markup"
	c := w.client(t, "wet-wheel")
	kind := "HYDROPHANE"
	pieces := int32(1)
	n := 0
	post := func(e *pb.Event) {
		t.Helper()
		n++
		e.RequestId, e.Lot, e.Remark = ptr(fmt.Sprintf("5f0c7a3e-3f0b-4a8e-9d59-%012x", n)), &lot, &evil
		if _, err := c.Append(t.Context(), &pb.AppendRequest{Lot: lot, Event: e}); err != nil {
			t.Fatal(err)
		}
	}
	post(&pb.Event{OccurredAt: ptr("2026-01-05"), Body: &pb.Event_Acquired{Acquired: &pb.Acquired{Material: &pb.Material{Kind: &kind, BodyColour: &evil}, Pieces: &pieces, Mass: ptr("8.00 ct"), From: &evil}}})
	post(&pb.Event{OccurredAt: ptr("2026-01-06"), Body: &pb.Event_Described{Described: &pb.Described{BodyColour: &evil, PlayOfColour: &evil}}})
	post(&pb.Event{OccurredAt: ptr("2026-01-07"), Body: &pb.Event_Treated{Treated: &pb.Treated{Treatment: ptr("DYE"), Medium: &evil}}})
	post(&pb.Event{OccurredAt: ptr("2026-01-08"), Body: &pb.Event_Tested{Tested: &pb.Tested{Method: ptr("MICROSCOPE"), Outcome: ptr("CARBON_SPECKS"), Instrument: &evil, Protocol: &evil, Sample: &pb.Sample{Kind: ptr("WHOLE")},
		Findings: []*pb.TestFinding{{Outcome: ptr("BUBBLES_IN_CRACKS"), Note: &evil}}}}})
	b := w.open(t, 900, 900)
	b.signIn(w, "wet-wheel")
	for _, path := range []string{
		"/lots/" + lot, "/s/" + w.handle(t, lot), "/lots", "/bench?do=cut&lot=" + lot, "/labels?lot=" + lot, "/lots/" + lot + "/parcel",
		"/bench?lot=" + strings.ReplaceAll(`"><script>window.planted=1</script>`, "<", "%3C"), "/sampling?lotSize=%22%3E%3Cscript%3Ewindow.planted=1%3C/script%3E", "/s/%3Cscript%3E", "/lots/%3Cscript%3E",
		"/signin?next=%22%3E%3Cscript%3Ewindow.planted%3D1%3C%2Fscript%3E",
	} {
		b.do(chromedp.Navigate(w.url + path))
		if script[bool](b, "Boolean(window.planted) || document.querySelector('img[src=x]') !== null") {
			t.Errorf("%s: markup became markup", path)
		}
	}
	for _, path := range []string{"/", "/s/" + w.handle(t, lot), "/sampling", "/signin", "/s/none"} {
		r, err := http.Get(w.url + path)
		if err != nil {
			t.Fatal(err)
		}
		_ = r.Body.Close()
		csp := r.Header.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe-inline") || strings.Contains(csp, "unsafe-eval'") && !strings.Contains(csp, "'wasm-unsafe-eval'") {
			t.Errorf("%s: %q", path, csp)
		}
	}
}

// The page of a stone is small, and can be read by who lets no script run.
func TestAStonesPageIsSmall(t *testing.T) {
	w := newWorld(t)
	for _, lot := range []string{"wet-wheel.f1", "wet-wheel.k2", "wet-wheel.e4"} {
		b := w.open(t, 360, 740)
		b.do(chromedp.Navigate(w.url + "/s/" + w.handle(t, lot)))
		// What the browser fetched for it, as it came over the line.
		bytes := script[int](b, `performance.getEntriesByType("resource").filter((r) => !r.name.includes("/pictures/")).concat(performance.getEntriesByType("navigation")).reduce((n, r) => n + r.transferSize, 0)`)
		if bytes > 100_000 || bytes < 5_000 {
			t.Errorf("%s: %d bytes", lot, bytes)
		}
	}
	r, err := http.Get(w.url + "/s/" + w.handle(t, "wet-wheel.k2"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	page := readAll(t, r)
	for _, want := range []string{"Dyed (yellow dye in alcohol)", "treated, as declared", "no legal advice", "Gemstone Book, specific disclosure", "Not tested does not mean untreated.", "reserved to licensed or qualified persons"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page without a script does not say %q", want)
		}
	}
}
