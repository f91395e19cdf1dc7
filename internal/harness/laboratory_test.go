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
