package browser

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// between stands between a browser and nodes, and may change the records that it passes on.
type between struct {
	*httptest.Server
	mu     sync.Mutex
	to     string                             // guarded by mu
	change func(path string, b []byte) []byte // guarded by mu; nil: none
}

func newBetween(t *testing.T, to string) *between {
	t.Helper()
	x := &between{to: to}
	x.Server = httptest.NewServer(&httputil.ReverseProxy{
		Rewrite: func(r *httputil.ProxyRequest) {
			x.mu.Lock()
			defer x.mu.Unlock()
			u, err := url.Parse(x.to)
			if err != nil {
				panic(err)
			}
			r.SetURL(u)
			r.Out.Host = r.In.Host
		},
		ModifyResponse: func(r *http.Response) error {
			x.mu.Lock()
			change := x.change
			x.mu.Unlock()
			if change == nil || r.StatusCode != 200 {
				return nil
			}
			b, err := io.ReadAll(r.Body)
			if err != nil {
				return err
			}
			b = change(r.Request.URL.Path, b)
			r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(b)), int64(len(b))
			r.Header.Set("Content-Length", strconv.Itoa(len(b)))
			return nil
		},
	})
	t.Cleanup(x.Close)
	return x
}

func (x *between) set(to string, change func(string, []byte) []byte) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.to, x.change = to, change
}

// check has the page's record checked, and gives whether it holds and what is said.
func (b *tab) check() (holds, says string) {
	b.t.Helper()
	b.do(chromedp.WaitVisible(chromedp.CSS("[data-verify]")), chromedp.Click(chromedp.CSS("[data-verify]")))
	b.do(chromedp.WaitEnabled(chromedp.CSS("[data-verify]")))
	type outcome struct{ Holds, Says string }
	out := script[outcome](b, `(() => { const o = document.querySelector("[data-outcome]"); return {Holds: o.dataset.holds || "", Says: o.textContent} })()`)
	return out.Holds, out.Says
}

// Whoever scans a label checks the record in the browser: one that holds, one that somebody changed, a page that says something else, a log that grew, and another log
// in its place.
func TestTheRecordIsCheckedInTheBrowser(t *testing.T) {
	w := newWorld(t)
	x := newBetween(t, w.url)
	page := x.URL + "/s/" + w.handle(t, "wet-wheel.f1")
	b := w.open(t, 900, 900)
	visit := func() { b.do(chromedp.Navigate(page)) }

	visit()
	start := time.Now()
	holds, says := b.check()
	t.Logf("checked after %v", time.Since(start))
	if holds != "yes" || !strings.Contains(says, "for the first time") || !strings.Contains(says, "events of this stone's line") {
		t.Errorf("the record: %q %s", holds, says)
	}

	lot := "wet-wheel.f1"
	if _, err := w.client(t, "corner-lantern").Append(t.Context(), &pb.AppendRequest{Lot: lot, Event: &pb.Event{
		RequestId: ptr("5f0c7a3e-3f0b-4a8e-9d57-000000000001"), Lot: &lot, OccurredAt: ptr("2026-01-05"), Body: &pb.Event_Described{Described: &pb.Described{BodyColour: ptr("colourless")}},
	}}); err != nil {
		t.Fatal(err)
	}
	visit()
	if holds, says := b.check(); holds != "yes" || !strings.Contains(says, "Nothing was taken out or changed since") {
		t.Errorf("the log that grew: %q %s", holds, says)
	}

	for name, at := range map[string]float64{"at its beginning": 0.1, "in its middle": 0.5, "at its end": 0.97} {
		x.set(w.url, func(path string, b []byte) []byte {
			if strings.HasSuffix(path, "/proof") {
				b[int(at*float64(len(b)))] ^= 1
			}
			return b
		})
		visit()
		if holds, says := b.check(); holds != "no" || !strings.Contains(says, "does not hold") {
			t.Errorf("a record changed %s: %q %s", name, holds, says)
		}
	}
	x.set(w.url, func(path string, b []byte) []byte {
		if strings.HasPrefix(path, "/s/") {
			return bytes.ReplaceAll(b, []byte(`data-verdict="OPEN"`), []byte(`data-verdict="NOT_FOUND"`))
		}
		return b
	})
	visit()
	if holds, says := b.check(); holds != "no" || !strings.Contains(says, "other verdicts") {
		t.Errorf("a page that says more than the record: %q %s", holds, says)
	}

	other := newWorld(t)
	x.set(other.url, nil)
	page = x.URL + "/s/" + other.handle(t, "wet-wheel.f1")
	visit()
	if holds, says := b.check(); holds != "no" || !strings.Contains(says, "saw another log here before") {
		t.Errorf("another log: %q %s", holds, says)
	}
}

func ptr[T any](v T) *T { return &v }

// The program that browsers get answers as this one does, for the record that the format is pinned by and for each of many changes to it.
func TestTheBrowsersProgramAnswersAsThisOne(t *testing.T) {
	record, err := os.ReadFile(filepath.Join("..", "..", "..", "internal", "bundle", "testdata", "record.bundle"))
	if err != nil {
		t.Fatal(err)
	}
	pages := filepath.Join("..", "..", "..", "services", "pages", "assets", "verify")
	dir := t.TempDir()
	unpacked, err := exec.Command("gzip", "-dc", filepath.Join(pages, "check.wasm.gz")).Output()
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"check.wasm": unpacked, "record": record, "run.cjs": []byte(runner)} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	exe, err := filepath.Abs(filepath.Join(pages, "wasm_exec.js"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "run.cjs", exe)
	cmd.Dir = dir
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("node (on Debian: apt-get install nodejs): %v\n%s", err, out)
	}
	var answers []struct {
		At    int
		Holds bool
		Part  string
		Says  string
	}
	if err := json.Unmarshal(out, &answers); err != nil {
		t.Fatal(err)
	}
	if len(answers) < 200 {
		t.Fatalf("%d answers", len(answers))
	}
	for _, a := range answers {
		changed := bytes.Clone(record)
		if a.At >= 0 {
			changed[a.At] ^= 1
		}
		holds, part, says := nativeCheck(changed)
		if holds != a.Holds || part != a.Part || says != a.Says {
			t.Errorf("byte %d: %v %q %q, and here %v %q %q", a.At, a.Holds, a.Part, a.Says, holds, part, says)
		}
		if a.Holds != (a.At < 0) {
			t.Errorf("byte %d: holds %v", a.At, a.Holds)
		}
	}
}

const runner = `
require(process.argv[2]);
const fs = require("fs");
(async () => {
  const go = new Go();
  const { instance } = await WebAssembly.instantiate(fs.readFileSync("check.wasm"), go.importObject);
  go.run(instance);
  const record = new Uint8Array(fs.readFileSync("record"));
  const out = [];
  for (let at = -1; at < record.length; at = at < 0 ? 3 : at + 101) {
    const changed = record.slice();
    if (at >= 0) changed[at] ^= 1;
    const a = JSON.parse(lotpaperCheck(changed, "", ""));
    out.push({ At: at, Holds: a.holds, Part: a.part || "", Says: a.says || "" });
  }
  process.stdout.write(JSON.stringify(out), () => process.exit(0));
})();
`
