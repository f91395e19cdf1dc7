package evidence

import (
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestClaims(t *testing.T) {
	const s = "mine.s"
	stone := func(w *world) { w.stone(s) }
	with := func(tests ...*opal.Tested) func(w *world) {
		return func(w *world) {
			w.stone(s)
			for _, x := range tests {
				w.test(s, "2026-02-01", x)
			}
		}
	}
	drinks, cracks, side := tested(opal.WaterUptake, "STRONG"), tested(opal.Infrared, "NONE", opal.Resin), tested(opal.SideView, "NO_JOIN")
	tests := map[string]struct {
		build   func(w *world)
		claim   opal.ClaimKind
		country string
		want    ClaimVerdict
		because string
		missing string
	}{
		"a treatment excluded":        {with(side), opal.ClaimNoBacking, "", Supported, "A backing looked for and not found", ""},
		"a treatment not tested":      {stone, opal.ClaimNoBacking, "", Unsupported, "Not tested for a backing.", "SIDE_VIEW"},
		"resin, half of what it asks": {with(drinks), opal.ClaimNoResin, "", Unsupported, "Not enough is known of resin", "WATER_UPTAKE"},
		"resin, all of what it asks":  {with(drinks, cracks), opal.ClaimNoResin, "", Supported, "Resin looked for and not found", ""},
		"dye, a negative alone": {with(tested(opal.Microscope, opal.NothingSeen, opal.Dye)), opal.ClaimNoDye, "", Unsupported, "Not enough is known of dye",
			"at least 7 treated and 7 untreated stones of known history"},
		"declared": {func(w *world) {
			w.stone(s)
			w.post("mine", s, "2026-02-01", treated(opal.Dye))
		}, opal.ClaimNoDye, "", Contradicted, "Dyed on 2026-02-01, declared by mine.", ""},
		"found":       {with(tested(opal.Swab, "COLOUR_ON_SWAB")), opal.ClaimNoDye, "", Contradicted, "Dye found by lab", ""},
		"conflicting": {with(side, tested(opal.Microscope, "JOIN_LINE")), opal.ClaimNoBacking, "", Contradicted, "contradict each other", ""},
		"suspected": {func(w *world) {
			w.post("mine", s, "2026-01-01", mined(60))
			w.test(s, "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 5, 60, 1))
		}, opal.ClaimNoSmoke, "", Contradicted, "1 of 5 stones tested showed it", ""},
		"white hydrophane and dye": {func(w *world) {
			w.stone(s)
			w.post("lab", s, "2026-02-01", &opal.Described{BodyColour: "white"})
		}, opal.ClaimNoDye, "", Supported, "needs no check for dye", ""},
		"heat":           {stone, opal.ClaimNoHeat, "", Unsupported, "Heat cannot be told by any test.", "no test can tell it"},
		"heat, declared": {func(w *world) { w.stone(s); w.post("mine", s, "2026-02-01", treated(opal.Heat)) }, opal.ClaimNoHeat, "", Contradicted, "Heated", ""},
		"untreated, all but nothing known": {stone, opal.ClaimUntreated, "", Unsupported,
			"Heat cannot be told by any test. 0 of 1 hand since the mine state that they did nothing to the stones; no gap.", "dye"},
		"untreated, one declared":  {func(w *world) { w.stone(s); w.post("mine", s, "2026-02-01", treated(opal.OilWax)) }, opal.ClaimUntreated, "", Contradicted, "Oiled or waxed", ""},
		"untreated, heat declared": {func(w *world) { w.stone(s); w.post("mine", s, "2026-02-01", treated(opal.Heat)) }, opal.ClaimUntreated, "", Contradicted, "Heated", ""},

		"hydrophane":              {with(drinks), opal.ClaimHydrophane, "", Supported, "takes up water, as tested by lab on 2026-02-01 (water uptake: strong)", ""},
		"hydrophane, by a drop":   {with(tested(opal.WaterDrop, "SOAKED_IN")), opal.ClaimHydrophane, "", Supported, "takes up water", ""},
		"hydrophane, hardly":      {with(tested(opal.WaterUptake, "SLIGHT")), opal.ClaimHydrophane, "", Unsupported, "No valid test shows", "WATER_UPTAKE"},
		"hydrophane, said only":   {stone, opal.ClaimHydrophane, "", Unsupported, "No valid test shows", "WATER_UPTAKE"},
		"hydrophane, then sealed": {func(w *world) { with(drinks)(w); w.post("mine", s, "2026-03-01", treated(opal.Resin)) }, opal.ClaimHydrophane, "", Contradicted, "no longer hydrophane", ""},
		"hydrophane, then filled at the rim": {func(w *world) {
			with(drinks)(w)
			w.post("mine", s, "2026-03-01", &opal.Treated{Treatment: opal.Resin, Extent: opal.Rim})
		}, opal.ClaimHydrophane, "", Unsupported, "No valid test shows", "WATER_UPTAKE"},
		"hydrophane, sealed and still drinking": {func(w *world) {
			w.stone(s)
			w.post("mine", s, "2026-01-05", treated(opal.Resin))
			w.test(s, "2026-02-01", drinks)
		}, opal.ClaimHydrophane, "", Supported, "takes up water", ""},
		"hydrophane, its parcel drank": {func(w *world) {
			w.post("mine", "mine.p", "2026-01-01", mined(9))
			w.test("mine.p", "2026-02-01", drinks)
			w.post("mine", "mine.p", "2026-02-02", split(opal.Unsorted, parts(s, 1, "mine.q", 8)))
		}, opal.ClaimHydrophane, "", Unsupported, "No valid test shows", "WATER_UPTAKE"},

		"origin":                  {stone, opal.ClaimOrigin, "ET", Supported, "to a mine in ET", ""},
		"origin, another country": {stone, opal.ClaimOrigin, "AU", Contradicted, "mined in ET, as mine recorded", ""},
		"origin, acquired": {func(w *world) {
			a := acquired(1)
			a.StatedOrigin = "Wollo"
			w.post("dealer", s, "2026-01-01", a)
		}, opal.ClaimOrigin, "ET", Unsupported, `states the origin as "Wollo"`, "an unbroken line"},
		"origin, with a gap": {func(w *world) {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: opal.Outside})
			w.post("mine", s, "2026-02-20", &opal.Reopened{Why: opal.BoughtBack})
		}, opal.ClaimOrigin, "ET", Unsupported, "spans that nobody documents", "an unbroken line"},
		"origin, one part acquired": {func(w *world) {
			w.stone("mine.a")
			w.post("dealer", "dealer.b", "2026-01-05", acquired(1))
			w.post("mine", s, "2026-02-01", &opal.Combined{Parents: []string{"mine.a", "dealer.b"}, Pieces: pieces(2), Mass: "2.000 g"})
		}, opal.ClaimOrigin, "ET", Unsupported, "The record begins with dealer", "an unbroken line"},
		"origin, two countries": {func(w *world) {
			w.stone("mine.a")
			m := mined(1)
			m.Origin.Country = "AU"
			w.post("pit", "pit.b", "2026-01-05", m)
			w.post("mine", s, "2026-02-01", &opal.Combined{Parents: []string{"mine.a", "pit.b"}, Pieces: pieces(2), Mass: "2.000 g"})
		}, opal.ClaimOrigin, "ET", Contradicted, "A part of it was mined in AU", ""},

		"natural, by the record": {with(side), opal.ClaimNatural, "", Supported, "An unbroken line leads to the mine.", ""},
		"natural, by its growth": {func(w *world) {
			w.post("dealer", s, "2026-01-01", acquired(1))
			w.test(s, "2026-02-01", side)
			w.test(s, "2026-02-01", tested(opal.Microscope, "NATURAL_GROWTH"))
		}, opal.ClaimNatural, "", Supported, "Natural growth was seen", ""},
		"natural, a backing not looked for": {stone, opal.ClaimNatural, "", Unsupported, "Not tested for dye", "a backing"},
		"natural, acquired":                 {func(w *world) { w.post("dealer", s, "2026-01-01", acquired(1)); w.test(s, "2026-02-01", side) }, opal.ClaimNatural, "", Unsupported, "does not show", "natural growth"},
		"natural, backed":                   {with(tested(opal.SideView, "STRAIGHT_JOIN")), opal.ClaimNatural, "", Contradicted, "A backing found", ""},
		"natural, assembled":                {with(assembled()), opal.ClaimNatural, "", Contradicted, "A backing found", ""},
		"natural, synthetic": {func(w *world) {
			with(side)(w)
			x := tested(opal.Microscope, "CELL_NET_GROWTH")
			x.Identity = opal.SyntheticOrImitation
			w.test(s, "2026-02-02", x)
		}, opal.ClaimNatural, "", Contradicted, "synthetic or an imitation", ""},
		"natural goes on with the treatment status": {func(w *world) {
			with(side)(w)
			w.post("mine", s, "2026-02-03", treated(opal.Smoke))
		}, opal.ClaimNatural, "", Supported, "Declared: smoked.", ""},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			test.build(w)
			got := w.claimOf(w.query(s), opal.Claim{Claim: test.claim, Country: test.country}, test.want)
			if !strings.Contains(got.Because, test.because) {
				t.Errorf("because %q, want %q in it", got.Because, test.because)
			}
			if missing := strings.Join(got.Missing, "; "); !strings.Contains(missing, test.missing) || (test.missing == "") != (missing == "") {
				t.Errorf("missing %q, want %q in it", missing, test.missing)
			}
			if (got.Strength != "") != (test.want == Supported) {
				t.Errorf("the strength is %q of a claim that is %s", got.Strength, test.want)
			}
		})
	}
}

func TestClaimsRefuses(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	tests := map[string]struct {
		claim opal.Claim
		want  string
	}{
		"an unknown claim":        {opal.Claim{Claim: "PERFECT"}, `claims[0]: found "PERFECT"`},
		"an origin without where": {opal.Claim{Claim: opal.ClaimOrigin}, `claims[0]: found "ORIGIN" with the country ""`},
		"a country too many":      {opal.Claim{Claim: opal.ClaimNoDye, Country: "ET"}, `claims[0]: found "NO_DYE" with the country "ET"`},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := CheckClaims(w.query("mine.s"), []opal.Claim{test.claim})
			if fault.Of(err) != fault.InvalidField || !strings.Contains(err.Error(), test.want) {
				t.Errorf("found %v, want INVALID_FIELD with %s", err, test.want)
			}
		})
	}
}

// A sale that came back keeps its claims, marked; one to a wearer has no buyer's name.
func TestSales(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	claims := []opal.Claim{{Claim: opal.ClaimOrigin, Country: "ET"}, {Claim: opal.ClaimNoDye}}
	sale := w.post("mine", "mine.s", "2026-02-01", &opal.Sold{To: "shop", Claims: claims})
	w.post("shop", "mine.s", "2026-02-03", &opal.Received{})
	w.post("shop", "mine.s", "2026-02-10", &opal.Returned{Sale: sale, Because: "cracked"})
	w.post("mine", "mine.s", "2026-04-01", &opal.Closed{Reason: opal.ClosedToAWearer, Claims: claims[:1]})
	w.post("mine", "mine.s", "2026-01-15", treated(opal.Dye))
	s := w.status("mine.s").Sales
	if len(s) != 2 || s[0].Event != sale || !s[0].Returned || s[0].To != "shop" || s[1].Returned || s[1].To != "" {
		t.Fatalf("sales: %+v", s)
	}
	want := []ClaimThenAndNow{{Claim: claims[0], Then: Supported, Now: Supported}, {Claim: claims[1], Then: Unsupported, Now: Contradicted}}
	for i, c := range s[0].Claims {
		if c.Then != want[i].Then || c.Now != want[i].Now || c.Because == "" {
			t.Errorf("%v then %s, now %s because %q; want %s and %s", c.Claim, c.Then, c.Now, c.Because, want[i].Then, want[i].Now)
		}
	}
}

// What came back may be a part of what was sold.
func TestReturnedInPart(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.p", "2026-01-01", mined(2))
	sale := w.post("mine", "mine.p", "2026-02-01", &opal.Sold{To: "shop", Claims: []opal.Claim{{Claim: opal.ClaimNoDye}}})
	w.post("shop", "mine.p", "2026-02-03", &opal.Received{})
	w.post("shop", "mine.p", "2026-02-04", split(opal.Sorted, parts("shop.a", 1, "shop.b", 1)))
	w.post("shop", "shop.a", "2026-02-10", &opal.Returned{Sale: sale, Because: "cracked"})
	for lot, want := range map[string]bool{"shop.a": true, "shop.b": false} {
		if s := w.status(lot).Sales; len(s) != 1 || s[0].Returned != want {
			t.Errorf("%s: %+v, want returned: %v", lot, s, want)
		}
	}
}
