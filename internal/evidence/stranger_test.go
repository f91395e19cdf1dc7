package evidence

import (
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Whoever holds the rest of a parcel can post tests on it, and name the stones that they touched. Of a stone that had left the parcel such a
// test says something only if its poster held that stone, too.
func TestTestOfAStoneThatIsElsewhere(t *testing.T) {
	const left, sold, arrived = "2026-03-01", "2026-03-10", "2026-03-12"
	build := func(w *world) string {
		s := w.parcel("mine.p", 20, opal.Unsorted)
		w.post("mine", s, sold, &opal.Sold{To: "shop"})
		w.post("shop", s, arrived, &opal.Received{})
		return s
	}
	seen := func(none int64, outcome opal.Outcome, m opal.Method, stone string) *opal.Tested {
		b := ofLots(tested(m, outcome), none, stone)
		b.Conditions = map[string]string{"girdle": "whole"}
		return b
	}
	tests := map[string]struct {
		party, at string
		sign      bool // else an absence
		want      Verdict
		aside     bool
	}{
		"absence, by who sold the stone":         {"mine", "2026-04-01", false, NotTested, true},
		"sign, by who sold the stone":            {"mine", "2026-04-01", true, NotTested, true},
		"absence, by who held both":              {"mine", "2026-03-05", false, NotFound, false},
		"sign, by who held both":                 {"mine", "2026-03-05", true, Found, false},
		"sign, by who held the parcel before":    {"mine", "2026-02-01", true, Found, false},
		"absence, by who held the parcel before": {"mine", "2026-02-01", false, NotFound, false},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			stone := build(w)
			body, treatment := seen(1, "NO_JOIN", opal.SideView, stone), opal.Backing
			if test.sign {
				body, treatment = seen(1, "TINTED_WATER", opal.WaterUptake, stone), opal.Dye
			}
			w.post(test.party, "mine.p", test.at, body)
			got := w.want(stone, treatment, test.want)
			aside := false
			for i := range got.Evidence {
				aside = aside || strings.Contains(got.Evidence[i].SetAside, "did not hold this stone")
			}
			if aside != test.aside {
				t.Errorf("set aside as a stranger's: %v, want %v", aside, test.aside)
			}
			w.checkWords(stone)
		})
	}
}

// An identification by somebody who does not hold the stone contradicts nothing.
func TestIdentityOfAStoneThatIsElsewhere(t *testing.T) {
	w := newWorld(t)
	stone := w.parcel("mine.p", 20, opal.Unsorted)
	w.post("mine", stone, "2026-03-10", &opal.Sold{To: "shop"})
	w.post("shop", stone, "2026-03-12", &opal.Received{})
	body := ofLots(tested(opal.Microscope, opal.NothingSeen, opal.Dye), 1, stone)
	body.Identity = opal.SyntheticOrImitation
	w.post("mine", "mine.p", "2026-04-01", body)
	w.claim(stone, opal.ClaimNatural, Unsupported)
}
