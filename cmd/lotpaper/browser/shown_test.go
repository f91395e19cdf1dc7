package browser

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
)

// The pictures of README.md: make pictures.
func TestPicturesOfTheTour(t *testing.T) {
	w := newWorld(t)
	tabs := map[string]*tab{}
	for _, p := range []struct {
		name, as, path string
		width, height  int64
		dark           bool
		before         string // a script
	}{
		{"stone", "", "/s/" + w.handle(t, "wet-wheel.k2"), 900, 1000, false, ""},
		{"stone-phone", "", "/s/" + w.handle(t, "wet-wheel.f1"), 360, 740, true, `document.querySelector("#known").scrollIntoView()`},
		{"checked", "", "/s/" + w.handle(t, "wet-wheel.f1"), 900, 560, false, `document.querySelector("[data-verify]").click()`},
		{"lots", "corner-lantern", "/lots", 1000, 760, false, ""},
		{"line", "third-drawer", "/lots/high-terrace.r3", 1000, 420, false, `document.querySelector("#line").scrollIntoView()`},
		{"cut", "third-drawer", "/bench?do=cut&lot=high-terrace.r3", 360, 740, false, `(() => {
			const r = document.querySelector("[data-rows=stones] [data-row]"), u = r.querySelector("select[data-unit]");
			r.querySelector("[data-path=lot]").value += "c9"; r.querySelector("[data-path=mass]").value = "712,40"; u.value = "ct";
			document.querySelector("#work").dispatchEvent(new Event("input", {bubbles: true})); return null })()`},
		{"sampling", "", "/sampling?lotSize=400&confidence=95&most=5&sampleSize=52&positives=0", 900, 900, false, `document.querySelector("#says").scrollIntoView()`},
		{"label", "wet-wheel", "/labels?lot=wet-wheel.f1&lot=wet-wheel.k2&lot=wet-wheel.e4", 900, 480, false, ""},
	} {
		key := fmt.Sprint(p.as, p.width, p.height, p.dark)
		b := tabs[key]
		if b == nil {
			b = w.open(t, p.width, p.height)
			b.dark(p.dark)
			if p.as != "" {
				b.signIn(w, p.as)
			}
			tabs[key] = b
		}
		b.do(chromedp.Navigate(w.url + p.path))
		if p.before != "" {
			script[any](b, p.before+", null")
		}
		if p.name == "checked" {
			b.until("the check", `document.querySelector("[data-outcome]").dataset.holds === "yes"`)
			script[any](b, `document.querySelector("#prove").scrollIntoView(), null`)
		}
		b.picture(p.name)
	}
}
