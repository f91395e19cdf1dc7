package harness_test

import (
	"strings"
	"testing"
)

// Anybody may ask what a sample says, without a token, over REST. The figures are those that internal/sampling holds against SciPy.
func TestSamplesOverREST(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	ask := func(path, body string) answer {
		t.Helper()
		return n.do(t, call{method: "POST", path: path, body: body})
	}
	if a := ask("/v1/samples:plan", `{"lotSize": 400, "maxTreated": 20}`).ok(t); !strings.Contains(string(a.raw), `"sampleSize":52,`) {
		t.Errorf("%s", a.raw)
	}
	a := ask("/v1/samples:infer", `{"lotSize": 400, "sampleSize": 25, "positives": 0}`).ok(t)
	for _, want := range []string{`"lowerTreated":0,`, `"upperTreated":43,`, `"upperFraction":0.1075,`, `"untestedProbability":0.0192307692,`, `"interval":"95 % one-sided"`, "were not tested"} {
		if !strings.Contains(string(a.raw), want) {
			t.Errorf("no %s in %s", want, a.raw)
		}
	}
	for body, field := range map[string]string{
		`{"lotSize": 400, "sampleSize": 25}`:                         "positives",
		`{"lotSize": 400, "sampleSize": 25, "positives": 26}`:        "positives",
		`{"lotSize": 400, "sampleSize": 25, "positives": 0, "x": 1}`: "x",
		`{"lotSize": "many"}`:                                        "lotSize",
	} {
		a := ask("/v1/samples:infer", body)
		if f := a.refusal(t); a.code != 400 || f.reason != "INVALID_FIELD" || f.field != field {
			t.Errorf("%s: %d %+v", body, a.code, f)
		}
	}
}

// What a measurement says, over REST: the textbook's silicon carbide (D. R. Askeland, The Science and Engineering of Materials, chapter 15).
func TestAssaysOverREST(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	a := n.do(t, call{method: "POST", path: "/v1/assays:hydrostatic", body: `{"dryMass": "360 g", "suspendedMass": "224 g", "soakedMass": "385 g", "waterTemperatureCelsius": 20}`}).ok(t)
	for _, want := range []string{`"apparentPorosity":0.155279503`, `"waterAbsorption":0.0694444444`, `"apparentSpecificGravity":2.64705882`, `"outcome":"`, "Uncertainty"} {
		if !strings.Contains(string(a.raw), want) {
			t.Errorf("no %s in %s", want, a.raw)
		}
	}
	a = n.do(t, call{method: "POST", path: "/v1/assays:uptake", body: `{"dryMass": "6.123 ct", "readings": [{"minutes": 10, "mass": "6.301 ct"}, {"minutes": 40, "mass": "6.420 ct"}, {"minutes": 150, "mass": "6.444 ct"}]}`}).ok(t)
	for _, want := range []string{`"class":"MODERATE"`, `"uptake":0.0524252817`, `"fit":{"saturation":0.05`, `"svg":"<svg xmlns=`} {
		if !strings.Contains(string(a.raw), want) {
			t.Errorf("no %s in %s", want, a.raw)
		}
	}
	for body, field := range map[string]string{
		`{"dryMass": "1.00 ct", "suspendedMass": "2.00 ct"}`:                "suspendedMass",
		`{"dryMass": "1.00 ct"}`:                                            "suspendedMass",
		`{"dryMass": "2 ct", "suspendedMass": "1 ct", "material": "GLASS"}`: "material",
	} {
		if f := n.do(t, call{method: "POST", path: "/v1/assays:hydrostatic", body: body}).refusal(t); f.field != field {
			t.Errorf("%s: %+v", body, f)
		}
	}
}

// A test that carries its measurement gets what the service computes beside the tester's word, in the history and in what it says of the stone.
func TestATestWithItsMeasurement(t *testing.T) {
	n := minerNode(t, nil)
	n.enrol(t, "plain-lab", "LABORATORY")
	n.post(t, "harrow-gully", "harrow-gully.s", `{"occurredAt":"2025-03-02","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE","look":"TRANSLUCENT"},"form":"CABOCHON","pieces":1,"mass":"6.123 ct"},"moisture":"DRY"}`).ok(t)
	n.post(t, "harrow-gully", "harrow-gully.s", `{"occurredAt":"2025-04-02","moisture":"DRY","tested":{"method":"WATER_UPTAKE","sample":{"kind":"WHOLE"},"outcome":"SLIGHT",
		"measurement":{"uptake":{"dryMass":"6.123 ct","readings":[{"minutes":10,"mass":"6.301 ct"},{"minutes":40,"mass":"6.420 ct"},{"minutes":150,"mass":"6.444 ct"}]}}}}`).ok(t)
	events := n.get(t, "harrow-gully", "/v1/lots/harrow-gully.s/history").ok(t)
	for _, want := range []string{`"computed":{"algorithm":"uptake/1","outcome":"MODERATE"`, `"outcome":"SLIGHT"`, `"name":"saturation"`} {
		if !strings.Contains(string(events.raw), want) {
			t.Errorf("no %s in %s", want, events.raw)
		}
	}
	a := n.post(t, "harrow-gully", "harrow-gully.s", `{"occurredAt":"2025-04-03","tested":{"method":"HYDROSTATIC","sample":{"kind":"WHOLE"},"measurement":{"hydrostatic":{"dryMass":"6.123 ct","suspendedMass":"6.200 ct"}}}}`)
	if f := a.refusal(t); a.code != 400 || f.field != "tested.measurement.hydrostatic.suspendedMass" {
		t.Errorf("%d %+v", a.code, f)
	}
}
