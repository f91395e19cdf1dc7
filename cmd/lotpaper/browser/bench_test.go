package browser

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// fill writes into a field of the bench, as fingers do.
func (b *tab) fill(selector, value string) {
	b.t.Helper()
	script[any](b, fmt.Sprintf("(() => { const x = document.querySelector(%q); x.value = x.dataset.initial ?? ''; x.focus(); x.setSelectionRange(x.value.length, x.value.length); return null })()", selector))
	b.do(chromedp.SendKeys(chromedp.CSS(selector), value))
}

func (b *tab) text(selector string) string {
	b.t.Helper()
	return script[string](b, fmt.Sprintf("document.querySelector(%q)?.innerText ?? ''", selector))
}

// until waits for a script to be true.
func (b *tab) until(what, expression string) {
	b.t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if script[bool](b, "Boolean("+expression+")") {
			return
		}
	}
	b.t.Fatalf("%s did not happen; the page says %q and %q", what, b.text("[data-kept]"), b.text("[data-problem]"))
}

// rough is a lot that a cutter holds.
func (w *world) rough(t *testing.T, code string) string {
	t.Helper()
	lot := "wet-wheel." + code
	kind, mass := "HYDROPHANE", "20.00 ct"
	pieces := int32(1)
	if _, err := w.client(t, "wet-wheel").Append(t.Context(), &pb.AppendRequest{Lot: lot, Event: &pb.Event{
		RequestId: ptr(fmt.Sprintf("5f0c7a3e-3f0b-4a8e-9d57-%012x", rand.Uint64()>>16)), Lot: &lot, OccurredAt: ptr("2026-01-05"), Moisture: ptr("ROOM"),
		Body: &pb.Event_Acquired{Acquired: &pb.Acquired{Material: &pb.Material{Kind: &kind}, Pieces: &pieces, Mass: &mass}},
	}}); err != nil {
		t.Fatal(err)
	}
	return lot
}

// events lists the kinds of a lot's events.
func (w *world) events(t *testing.T, lot string) (kinds []string) {
	t.Helper()
	h, err := w.client(t, "wet-wheel").GetHistory(t.Context(), &pb.GetHistoryRequest{Lot: lot})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range h.GetEvents() {
		switch e.GetBody().(type) {
		case *pb.Event_Cut:
			kinds = append(kinds, "cut")
		case *pb.Event_Acquired:
			kinds = append(kinds, "acquired")
		default:
			kinds = append(kinds, "other")
		}
	}
	return kinds
}

// A cutter at the wheel records a cut on a phone, with a decimal comma. The line goes away when it is sent; the page is loaded again; the line comes back, and the
// cut is in the log once.
func TestACutterLosesTheConnection(t *testing.T) {
	w := newWorld(t)
	lot := w.rough(t, "phone")
	x := newLine(t, strings.TrimPrefix(w.url, "http://"))
	direct := w.url
	w.url = "http://" + x.listener.Addr().String()
	b := w.open(t, 360, 640)
	b.signIn(w, "wet-wheel")
	b.do(chromedp.Navigate(w.url + "/bench?do=cut&lot=" + lot))

	b.fill(`[data-rows=stones] [data-path=lot]`, "phone-1")
	b.fill(`[data-rows=stones] [data-path=mass]`, "8,42")
	if got := b.text(`[data-b=out]`); got != "8.42 ct" {
		t.Errorf("out is %q", got)
	}
	if got := b.text(`[data-b=yield]`); got != "42.1 %" {
		t.Errorf("the yield is %q", got)
	}
	if got := b.text(`[data-b=says]`); got != "11.58 ct went into swarf." {
		t.Errorf("the balance says %q", got)
	}
	b.fill(`[data-rows=stones] [data-path=shape]`, "oval")

	// The page is loaded again: what was written is there.
	b.do(chromedp.Reload())
	if got := script[string](b, `document.querySelector('[data-rows=stones] [data-path=mass]').value`); got != "8,42" {
		t.Errorf("after loading again the mass is %q", got)
	}

	// Too much: the service's own words, at the field, and nothing recorded.
	b.fill(`[data-rows=stones] [data-path=mass]`, "80,42")
	if got := b.text(`[data-b=says]`); !strings.Contains(got, "would be refused") {
		t.Errorf("the balance says %q", got)
	}
	b.do(chromedp.Click(chromedp.CSS("button[type=submit]")))
	b.until("the refusal", `!document.querySelector("[data-problem]").hidden`)
	if got := b.text("[data-problem]"); !strings.Contains(got, "80.42 ct") {
		t.Errorf("the refusal says %q", got)
	}
	b.fill(`[data-rows=stones] [data-path=mass]`, "8,42")

	// Out of reach.
	x.setCut(true)
	b.do(chromedp.Click(chromedp.CSS("button[type=submit]")))
	b.until("the word that it waits", `document.querySelector("[data-kept]").textContent.includes("kept here as it was sent")`)
	w.url = direct
	if got := fmt.Sprint(w.events(t, lot)); got != "[acquired]" {
		t.Errorf("events %s", got)
	}
	x.setCut(false)
	b.until("the recording", `!document.querySelector("[data-done]").hidden`)
	if got := fmt.Sprint(w.events(t, lot)); got != "[acquired cut]" {
		t.Errorf("events %s", got)
	}
	if got := b.text("[data-done]"); !strings.Contains(got, "Recorded") || !strings.Contains(got, "wet-wheel.phone-1") {
		t.Errorf("done says %q", got)
	}
}

// The answer is lost, and not the request: what is sent again is taken for the same.
func TestAnAnswerIsLost(t *testing.T) {
	w := newWorld(t)
	lot := w.rough(t, "lost")
	x := newBetween(t, w.url)
	direct := w.url
	w.url = x.URL
	b := w.open(t, 360, 640)
	b.signIn(w, "wet-wheel")
	b.do(chromedp.Navigate(w.url + "/bench?do=cut&lot=" + lot))
	b.fill(`[data-rows=stones] [data-path=lot]`, "lost-1")
	b.fill(`[data-rows=stones] [data-path=mass]`, "8.42")
	x.set(direct, func(path string, body []byte) []byte {
		if strings.HasSuffix(path, "/events") {
			return []byte("<html>") // what a broken line or a captive portal makes of it
		}
		return body
	})
	b.do(chromedp.Click(chromedp.CSS("button[type=submit]")))
	b.until("the word that it waits", `document.querySelector("[data-kept]").textContent.includes("kept here as it was sent")`)
	x.set(direct, nil)
	b.do(chromedp.Reload())
	b.until("the recording", `!document.querySelector("[data-done]").hidden`)
	w.url = direct
	if got := fmt.Sprint(w.events(t, lot)); got != "[acquired cut]" {
		t.Errorf("events %s", got)
	}
}

// The balance at the bench says what the service will say of the same figures.
func TestTheBalanceIsTheServices(t *testing.T) {
	w := newWorld(t)
	b := w.open(t, 900, 900)
	b.signIn(w, "wet-wheel")
	c := w.client(t, "wet-wheel")
	random := rand.New(rand.NewPCG(1, 2))
	seen := map[string]int{}
	cases := 44
	if testing.Short() {
		cases = 22
	}
	for i := range cases {
		lot := w.rough(t, fmt.Sprintf("balance-%d", i))
		b.do(chromedp.Navigate(w.url + "/bench?do=split&lot=" + lot))
		// 20 ct went in at room moisture: around the bounds of scale and water.
		total := 20 + [...]float64{0, 0.005, -0.005, 0.3, -0.3, 0.45, -0.45, 2.5, -2.5, 3.5, -3.5}[i%11] + (random.Float64()-0.5)*0.1
		first := math.Round(total*30) / 100
		moisture := [...]string{"ROOM", "DRY", ""}[random.IntN(3)]
		parts := []string{fmt.Sprintf("%.2f", first), fmt.Sprintf("%.2f", total-first)}
		script[any](b, fmt.Sprintf(`(() => {
			const rows = [...document.querySelectorAll("[data-rows=children] [data-row]")];
			rows.forEach((r, i) => { r.querySelector("[data-path=mass]").value = %s[i]; r.querySelector("select[data-unit]").value = "ct"; });
			document.querySelector('[data-path="$moisture"]').value = %q;
			document.querySelector("#work").dispatchEvent(new Event("input", {bubbles: true}));
			return null })()`, `["`+strings.Join(parts, `","`)+`"]`, moisture))
		said := script[string](b, `document.querySelector("[data-b=says]").dataset.verdict`)

		split := &pb.Split{Manner: ptr("SORTED")}
		for n, m := range parts {
			split.Children = append(split.Children, &pb.Part{Lot: ptr(fmt.Sprintf("%s-%d", lot, n)), Mass: ptr(m + " ct")})
		}
		e := &pb.Event{RequestId: ptr(fmt.Sprintf("5f0c7a3e-3f0b-4a8e-9d58-%012x", i)), Lot: &lot, OccurredAt: ptr("2026-01-06"), Body: &pb.Event_Split{Split: split}}
		if moisture != "" {
			e.Moisture = &moisture
		}
		r, err := c.Append(t.Context(), &pb.AppendRequest{Lot: lot, Event: e})
		want := "even"
		if err != nil {
			if !strings.Contains(err.Error(), "MASS_GAIN") && !strings.Contains(err.Error(), "mass") {
				t.Fatal(err)
			}
			want = "made"
		}
		for _, f := range r.GetFindings() {
			switch f.GetCode() {
			case "MOISTURE_SIZED_GAIN":
				want = "gained"
			case "MOISTURE_SIZED_LOSS":
				want = "dried"
			case "UNEXPLAINED_LOSS":
				want = "missing"
			}
		}
		seen[want]++
		if said != want {
			t.Errorf("20.00 ct into %v at %q: the bench says %s, the service %s", parts, moisture, said, want)
		}
	}
	for _, v := range []string{"even", "gained", "made", "dried", "missing"} {
		if seen[v] == 0 {
			t.Errorf("no case was %s: %v", v, seen)
		}
	}
}

// A weighing sheet: the clock runs on over a reload, says when to weigh, and the curve and the test come of it.
func TestAWeighingSheet(t *testing.T) {
	w := newWorld(t)
	lot := w.rough(t, "sheet")
	b := w.open(t, 360, 640)
	b.signIn(w, "wet-wheel")
	b.do(chromedp.Navigate(w.url + "/bench?do=uptake&lot=" + lot))
	b.fill(`[data-path="measurement.uptake.dryMass"]`, "20,00")
	b.do(chromedp.Click(chromedp.CSS("[data-start]")))
	// Eleven minutes later.
	script[any](b, `(() => { const k = Object.keys(localStorage).find((k) => k.includes(":uptake:")), d = JSON.parse(localStorage[k]); d.values.sheet.started -= 11 * 60e3; localStorage[k] = JSON.stringify(d); return null })()`)
	b.do(chromedp.Reload())
	b.until("the reminder", `document.querySelector("[data-due]").textContent.includes("10 min")`)
	if got := b.text("[data-clock]"); !strings.HasPrefix(got, "0:11:") {
		t.Errorf("the clock says %q", got)
	}
	b.do(chromedp.SendKeys(chromedp.CSS("[data-readings] tr:nth-child(1) [data-mass]"), "21,00"))
	if got := script[string](b, `document.querySelector("[data-readings] tr:nth-child(1) [data-minutes]").value`); !strings.HasPrefix(got, "11") {
		t.Errorf("the minutes are %q", got)
	}
	if got := b.text("[data-readings] tr:nth-child(1) [data-taken]"); got != "5.0 %" {
		t.Errorf("the uptake is %q", got)
	}
	for row, values := range map[int][2]string{2: {"60", "21,40"}, 3: {"120", "21,52"}, 4: {"1440", "21,55"}} {
		b.do(chromedp.SendKeys(chromedp.CSS(fmt.Sprintf("[data-readings] tr:nth-child(%d) [data-minutes]", row)), values[0]),
			chromedp.SendKeys(chromedp.CSS(fmt.Sprintf("[data-readings] tr:nth-child(%d) [data-mass]", row)), values[1]))
	}
	b.do(chromedp.Click(chromedp.CSS("[data-curve]")))
	b.until("the curve", `document.querySelector("[data-checked] img")`)
	if got := b.text("[data-checked]"); !strings.Contains(got, "STRONG") {
		t.Errorf("the curve says %q", got)
	}
	b.do(chromedp.Click(chromedp.CSS("button[type=submit]")))
	b.until("the recording", `!document.querySelector("[data-done]").hidden`)
	h, err := w.client(t, "wet-wheel").GetHistory(t.Context(), &pb.GetHistoryRequest{Lot: lot})
	if err != nil {
		t.Fatal(err)
	}
	last := h.GetEvents()[len(h.GetEvents())-1]
	if u := last.GetTested().GetMeasurement().GetUptake(); len(u.GetReadings()) != 4 || u.GetDryMass() != "20.00 ct" || last.GetComputed().GetOutcome() != "STRONG" {
		t.Errorf("recorded is %v", last)
	}
}
