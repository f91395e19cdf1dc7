package harness_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

// spectrumOf makes a spectrum, stores it, and gives the parts of a test by which it is read.
func (n *node) spectrumOf(t *testing.T, as string, seed uint64, organics float64) (measurement, attachments string) {
	t.Helper()
	text := synth.Infrared(synth.Recipe{Title: "made, not measured", First: 4000, Last: 600, Step: -2, Seed: seed, Noise: 0.0004, Organics: organics}).JCAMP(synth.DIFDUP, 1e-5)
	n.upload(t, as, "chemical/x-jcamp-dx", text).ok(t)
	return fmt.Sprintf(`"measurement":{"spectrum":{"sha256":"%s"}}`, hexSum(text)), fmt.Sprintf(`"attachments":[{"sha256":"%s","mediaType":"chemical/x-jcamp-dx"}]`, hexSum(text))
}

// A laboratory marks stones that it knows, has its own tests of them counted, and from then on its spectra are compared with theirs, and its outcomes weighed by them.
func TestKnownStonesOfALaboratory(t *testing.T) {
	n := minerNode(t, nil)
	n.enrol(t, "plain-lab", "LABORATORY")
	stone := func(name string) string {
		lot := "harrow-gully." + name
		n.post(t, "harrow-gully", lot, `{"occurredAt":"2025-03-02","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE","look":"TRANSLUCENT"},"form":"CABOCHON","pieces":1,"mass":"6.123 ct"},"moisture":"DRY"}`).ok(t)
		n.post(t, "harrow-gully", lot, `{"occurredAt":"2025-03-03","handedOver":{"to":"plain-lab","purpose":"TESTING"}}`).ok(t)
		n.post(t, "plain-lab", lot, `{"occurredAt":"2025-03-05","received":{"pieces":1}}`).ok(t)
		return lot
	}
	test := func(lot, day string, seed uint64, organics float64) string {
		m, a := n.spectrumOf(t, "plain-lab", seed, organics)
		n.post(t, "plain-lab", lot, fmt.Sprintf(`{"occurredAt":"%s","tested":{"method":"INFRARED","protocol":"PL-8","sample":{"kind":"WHOLE"},"lookedFor":["RESIN","OIL_WAX"],"conditions":{"cleaned":"soap"},%s},%s}`, day, m, a)).ok(t)
		return lot
	}
	var lots []string
	for i := range 6 {
		lot := stone(fmt.Sprintf("k%d", i))
		n.post(t, "plain-lab", lot, `{"occurredAt":"2025-03-06","referenceSet":{"known":"UNTREATED","how":"dug before our eyes"}}`).ok(t)
		lots = append(lots, `"`+test(lot, "2025-03-10", uint64(20+i), 0.2+0.03*float64(i))+`"`)
	}
	outcome := func(lot string) string {
		t.Helper()
		a := n.get(t, "plain-lab", "/v1/lots/"+lot+"/status?asOf=2025-05-01").ok(t)
		for _, x := range a.list(t, "treatments") {
			m := x.(map[string]any)
			if m["treatment"] != "OIL_WAX" {
				continue
			}
			e := m["evidence"].([]any)[0].(map[string]any)
			known, _ := e["known"].(map[string]any)
			return fmt.Sprint(e["outcome"], " ", asText(known["treatedAll"]), "/", asText(known["untreatedWith"]), "/", asText(known["untreatedAll"]), " ", e["knownBy"])
		}
		return ""
	}
	// Before the laboratory names them nothing is compared.
	before := test(stone("before"), "2025-03-20", 40, 2)
	if got := outcome(before); got != "ORGANICS_PRESENT // <nil>" {
		t.Errorf("before: %s", got)
	}
	a := n.log(t, "plain-lab", `{"occurredAt":"2025-03-25","methodValidated":{"method":"INFRARED","protocol":"PL-8","lots":[`+strings.Join(lots, ",")+`]}}`).ok(t)
	id := a.text(t, "event")
	// What was read before there was anything to compare with is compared with, and counts for no word that comes of comparing.
	raised := test(stone("raised"), "2025-03-26", 41, 2)
	if got := outcome(raised); got != "RAISED // <nil>" {
		t.Errorf("more than the known stones: %s", got)
	}
	// So the laboratory tests them again.
	for i := range 6 {
		test(fmt.Sprintf("harrow-gully.k%d", i), "2025-03-27", uint64(50+i), 0.2+0.03*float64(i))
	}
	if got := outcome(raised); got != "RAISED 0/0/6 "+id+" (6 of its own tests)" {
		t.Errorf("more than the known stones, which were tested again: %s", got)
	}
	alike := test(stone("alike"), "2025-03-28", 42, 0.25)
	if got := outcome(alike); got != "AS_UNTREATED 0/6/6 "+id+" (6 of its own tests)" {
		t.Errorf("like the known stones: %s", got)
	}
	// What was computed before stays, and is weighed by the counts of now.
	if got := outcome(before); got != "ORGANICS_PRESENT 0/6/6 "+id+" (6 of its own tests)" {
		t.Errorf("computed before: %s", got)
	}
	// A known stone is left out of its own set, and another test of it counts in place of the first.
	if got := outcome("harrow-gully.k0"); got != "ORGANICS_PRESENT 0/5/5 "+id+" (5 of its own tests)" {
		t.Errorf("a known stone: %s", got)
	}
	test("harrow-gully.k0", "2025-03-29", 43, 2)
	if got := outcome(raised); got != "RAISED 0/1/6 "+id+" (6 of its own tests)" {
		t.Errorf("a known stone that shows more: %s", got)
	}
	for _, lot := range []string{raised, alike, before, "harrow-gully.k0", "harrow-gully.k3"} {
		n.recordHolds(t, "plain-lab", lot)
	}
	// Another laboratory, or another protocol, has none of it.
	n.enrol(t, "other-lab", "LABORATORY")
	m, att := n.spectrumOf(t, "harrow-gully", 44, 2)
	own := stone("own")
	n.post(t, "plain-lab", own, `{"occurredAt":"2025-03-26","tested":{"method":"INFRARED","protocol":"PL-9","sample":{"kind":"WHOLE"},"conditions":{"cleaned":"soap"},`+m+`},`+att+`}`).ok(t)
	if got := outcome(own); got != "ORGANICS_PRESENT // <nil>" {
		t.Errorf("another protocol: %s", got)
	}
	// Nothing is counted of nothing.
	if f := n.log(t, "plain-lab", `{"occurredAt":"2025-03-25","methodValidated":{"method":"INFRARED","protocol":"PL-8"}}`).refusal(t); f.field != "methodValidated.rows" || !strings.Contains(f.message, "neither rows nor lots") {
		t.Errorf("%+v", f)
	}
}

// A stone that weighs more in water than it did, at the same moisture, points to a filling; at another moisture it says nothing, and a weighing that is told late
// is compared with the one before it in time.
func TestWeighedAgain(t *testing.T) {
	n := minerNode(t, nil)
	weigh := func(lot, day, moisture, dry, suspended, soaked string) string {
		t.Helper()
		body := fmt.Sprintf(`{"occurredAt":"%s","moisture":"%s","tested":{"method":"HYDROSTATIC","sample":{"kind":"WHOLE"},"measurement":{"hydrostatic":{"dryMass":"%s","suspendedMass":"%s","soakedMass":"%s"}}}}`, day, moisture, dry, suspended, soaked)
		n.post(t, "harrow-gully", lot, body).ok(t)
		a := n.get(t, "harrow-gully", "/v1/lots/"+lot+"/history?pageSize=100").ok(t)
		for _, x := range a.list(t, "events") {
			e := x.(map[string]any)
			if e["occurredAt"] == day {
				c := e["tested"].(map[string]any)["computed"]
				if c == nil {
					c = e["computed"]
				}
				return fmt.Sprint(c.(map[string]any)["also"], " ", c.(map[string]any)["says"])
			}
		}
		t.Fatalf("no weighing of %s in %s", day, a.raw)
		return ""
	}
	stone := func(name string) string {
		lot := "harrow-gully." + name
		n.post(t, "harrow-gully", lot, `{"occurredAt":"2025-03-02","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE","look":"TRANSLUCENT"},"form":"CABOCHON","pieces":1,"mass":"2.000 g"},"moisture":"DRY"}`).ok(t)
		return lot
	}
	lot := stone("w1")
	if got := weigh(lot, "2025-03-05", "DRY", "2.000 g", "1.100 g", "2.160 g"); !strings.HasPrefix(got, "[] ") || strings.Contains(got, "earlier") {
		t.Errorf("the first: %s", got)
	}
	if got := weigh(lot, "2025-03-25", "DRY", "2.200 g", "1.200 g", "2.260 g"); !strings.Contains(got, "ROSE_SINCE_LAST") {
		t.Errorf("the second: %s", got)
	}
	if got := weigh(lot, "2025-03-15", "DRY", "2.000 g", "1.100 g", "2.160 g"); !strings.Contains(got, "no difference") || strings.Contains(got, "ROSE") {
		t.Errorf("told late: %s", got)
	}
	points := func(lot string) bool {
		a := n.get(t, "harrow-gully", "/v1/lots/"+lot+"/status?asOf=2025-05-01").ok(t)
		return strings.Contains(string(a.raw), `"outcome":"ROSE_SINCE_LAST","stance":"POINTS_TO"`)
	}
	if !points(lot) {
		t.Error("the density that rose points to nothing")
	}
	other := stone("w2")
	weigh(other, "2025-03-05", "ROOM", "2.000 g", "1.100 g", "2.160 g")
	if got := weigh(other, "2025-03-25", "DRY", "2.200 g", "1.200 g", "2.260 g"); strings.Contains(got, "ROSE") || !strings.Contains(got, "has to be dry, or at the moisture of the room, both times") {
		t.Errorf("at another moisture: %s", got)
	}
	if points(other) {
		t.Error("at another moisture it points to something")
	}
	// The same question without any record.
	a := n.do(t, call{method: "POST", path: "/v1/assays:hydrostatic", body: `{"dryMass":"2.200 g","suspendedMass":"1.200 g","soakedMass":"2.260 g","moisture":"DRY","earlier":{"dryMass":"2.000 g","suspendedMass":"1.100 g","soakedMass":"2.160 g","moisture":"DRY"}}`}).ok(t)
	if !strings.Contains(string(a.raw), `"also":["ROSE_SINCE_LAST"]`) {
		t.Errorf("%s", a.raw)
	}
	if f := n.do(t, call{method: "POST", path: "/v1/assays:hydrostatic", body: `{"dryMass":"2.200 g","suspendedMass":"1.200 g","earlier":{"dryMass":"2.000 g","suspendedMass":"3.100 g"}}`}).refusal(t); f.field != "earlier.suspendedMass" {
		t.Errorf("%+v", f)
	}
}
