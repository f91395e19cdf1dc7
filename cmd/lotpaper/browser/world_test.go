// Package browser drives the pages of a node as people do: with Chromium, on a phone's screen and on paper, by keyboard, without a connection. It has
// tests alone.
package browser

import (
	"context"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"github.com/lotpaper/lotpaper/cmd/lotpaper/demo"
	"github.com/lotpaper/lotpaper/internal/client"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
)

var pictures = flag.String("pictures", "", "write pictures of the pages into this folder")

// world is a node with the demo scenario.
type world struct {
	node   *harness.Node
	url    string
	tokens map[string]string
}

// newWorld starts one.
func newWorld(t *testing.T) *world {
	t.Helper()
	n, err := harness.Start(t.Context(), harness.Config{DataDir: t.TempDir(), Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 20*time.Second)
		defer cancel()
		if err := n.Stop(ctx); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	w := &world{node: n, url: "http://" + n.HTTPAddr(), tokens: map[string]string{}}
	if err := n.WaitReady(t.Context()); err != nil {
		t.Fatal(err)
	}
	as := func(token string) (demo.Poster, error) {
		return client.New(client.Config{Server: w.url, Token: token})
	}
	admin, err := as(n.AdminToken())
	if err != nil {
		t.Fatal(err)
	}
	_, err = demo.Loader{
		Admin: admin, As: as,
		Token:    func(string) (string, error) { return "", nil },
		Keep:     func(party, token string) error { w.tokens[party] = token; return nil },
		Progress: func(string, int, int) {},
	}.Load(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// client is a caller with a party's token.
func (w *world) client(t *testing.T, party string) *client.Client {
	t.Helper()
	c, err := client.New(client.Config{Server: w.url, Token: w.tokens[party]})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// handle is the public handle of a lot.
func (w *world) handle(t *testing.T, lot string) string {
	t.Helper()
	a, err := w.client(t, "plain-light").GetLot(t.Context(), &pb.GetLotRequest{Lot: lot})
	if err != nil {
		t.Fatal(err)
	}
	return a.GetHandle()
}

// tab is a page in a browser of its own, and what it complained of.
type tab struct {
	t    *testing.T
	ctx  context.Context
	mu   sync.Mutex
	said []string // guarded by mu
}

// open starts a browser with an empty page of a size. Tests have 2 minutes.
func (w *world) open(t *testing.T, width, height int64) *tab {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.Flag("lang", "en"), chromedp.WindowSize(int(width), int(height)))
	if path := chromium(); path != "" {
		options = append(options, chromedp.ExecPath(path))
	}
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewContext(ctx)
	t.Cleanup(stop)
	b := &tab{t: t, ctx: ctx}
	b.do(chromedp.EmulateViewport(width, height))
	if err := chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(chromedp.ConsoleMessage); ok {
			b.note(fmt.Sprintf("%+v", e))
		}
	}); err != nil {
		t.Fatal(err)
	}
	return b
}

// chromium is Debian's browser, if it is where Debian puts it.
func chromium() string {
	for _, path := range []string{"/usr/bin/chromium", "/usr/bin/chromium-browser"} {
		if _, err := os.Stat(path); err == nil {
			return path
		}
	}
	return ""
}

func (b *tab) note(text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.said = append(b.said, text)
}

// do runs steps, or fails the test.
func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	_ = ctx
	if err := chromedp.Do(b.ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// run runs a step that answers something.
func run[T any](b *tab, step chromedp.Action[T]) T {
	b.t.Helper()
	out, err := chromedp.Run(b.ctx, step)
	if err != nil {
		b.t.Fatal(err)
	}
	return out
}

// script runs a script that answers something.
func script[T any](b *tab, expression string) T {
	b.t.Helper()
	return run(b, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// signIn begins a session as people do.
func (b *tab) signIn(w *world, party string) {
	b.t.Helper()
	b.do(
		chromedp.Navigate(w.url+"/signin"),
		chromedp.SendKeys(chromedp.CSS("#token"), w.tokens[party]),
	)
	if _, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS("form.find button"))); err != nil {
		b.t.Fatal(err)
	}
	if at := run(b, chromedp.Location()); !strings.HasSuffix(at, "/lots") {
		b.t.Fatalf("signing in leads to %s", at)
	}
}

// dark lets the page be shown to somebody who prefers dark.
func (b *tab) dark(on bool) {
	b.t.Helper()
	scheme := "light"
	if on {
		scheme = "dark"
	}
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
	if err != nil {
		b.t.Fatal(err)
	}
}

// picture writes a picture of the page as it stands, if pictures are asked for.
func (b *tab) picture(name string) {
	b.t.Helper()
	if *pictures == "" {
		return
	}
	png := run(b, chromedp.CaptureScreenshot())
	if err := os.WriteFile(filepath.Join(*pictures, name+".png"), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

func readAll(t *testing.T, r *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
