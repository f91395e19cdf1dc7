package browser

import (
	"testing"

	"github.com/chromedp/chromedp"
)

// shown is a page that a test goes to.
type shown struct {
	name, as, path string
}

func (w *world) pages(t *testing.T) []shown {
	return []shown{
		{"home", "", "/"},
		{"signin", "", "/signin"},
		{"stone-tested", "", "/s/" + w.handle(t, "wet-wheel.f1")},
		{"stone-dyed", "", "/s/" + w.handle(t, "wet-wheel.k2")},
		{"sampling", "", "/sampling?lotSize=400&confidence=95&sensitivity=100&specificity=100&most=5&sampleSize=52&positives=0"},
		{"bench", "wet-wheel", "/bench"},
		{"cut", "third-drawer", "/bench?do=cut&lot=high-terrace.r3"},
		{"tested", "third-drawer", "/bench?do=tested&lot=high-terrace.r3"},
		{"uptake", "third-drawer", "/bench?do=uptake&lot=high-terrace.r3"},
		{"docs", "", "/docs"},
		{"errors", "", "/docs/errors"},
		{"import", "wet-wheel", "/import"},
		{"lots", "corner-lantern", "/lots"},
		{"lot", "corner-lantern", "/lots/wet-wheel.e4"},
		{"lot-rough", "third-drawer", "/lots/high-terrace.r3"},
	}
}

func TestNoPageIsWiderThanItsScreen(t *testing.T) {
	w := newWorld(t)
	for _, size := range []struct {
		name   string
		width  int64
		height int64
		dark   bool
	}{{"wide", 1100, 800, false}, {"phone", 360, 740, false}, {"dark", 360, 740, true}} {
		if size.dark && testing.Short() {
			break
		}
		as := map[string]*tab{}
		for _, p := range w.pages(t) {
			b := as[p.as]
			if b == nil {
				b = w.open(t, size.width, size.height)
				b.dark(size.dark)
				if p.as != "" {
					b.signIn(w, p.as)
				}
				as[p.as] = b
			}
			b.do(chromedp.Navigate(w.url + p.path))
			if over := script[int](b, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); over > 0 {
				t.Errorf("%s, %s: the page is %d px wider than the screen", p.name, size.name, over)
			}
		}
	}
}
