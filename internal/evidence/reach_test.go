package evidence

import (
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// How far a test reaches, what ends it, and what a child inherits.
func TestReach(t *testing.T) {
	const s = "mine.s"
	runVerdicts(t, map[string]verdictCase{
		// What a test says of stones that it did not touch.
		"the piece that it was cut from": {opal.Smoke, func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			w.post("mine", "mine.n", "2026-03-01", cutInto(s, "mine.t"))
			return s
		}, Found, BySign, "Smoke found"},
		"measured together, absence": {opal.Resin, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.test("mine.p", "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			w.test("mine.p", "2026-02-01", tested(opal.Infrared, "NONE", opal.Resin))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Unsorted, 59, parts(s, 1)))
			return s
		}, NotTested, "", "cannot tell"},
		"measured together, a sign: some stone has it": {opal.Dye, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.test("mine.p", "2026-02-01", tested(opal.WaterUptake, "TINTED_WATER"))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Unsorted, 59, parts(s, 1)))
			return s
		}, Suspected, BySign, "stones of the parcel showed it"},
		"a find in a random sample": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.test("mine.p", "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 5, 60, 2))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 59, parts(s, 1)))
			return s
		}, Suspected, BySign, "2 of 5 stones tested showed it by lab on 2026-02-01 (microscope: carbon in scratches); this stone was not tested."},
		"a find in a sample, of the parcel itself": {opal.Smoke, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.test(s, "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 5, 60, 1))
			return s
		}, Suspected, BySign, "1 of 5 stones"},
		"a find travels through every split": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.test("mine.p", "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 5, 60, 1))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 40, parts("mine.q", 20)))
			w.post("mine", "mine.q", "2026-03-02", split(opal.Unsorted, parts("mine.r", 10, "mine.x", 10)))
			w.post("mine", "mine.r", "2026-03-03", cutInto(s))
			return s
		}, Suspected, BySign, "Smoke suspected"},
		"a find in a sample, lifted by the stone's own test": {opal.Backing, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.test("mine.p", "2026-02-01", sampled(opal.SideView, "STRAIGHT_JOIN", 5, 60, 1))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 59, parts(s, 1)))
			w.test(s, "2026-04-01", tested(opal.SideView, "NO_JOIN"))
			return s
		}, NotFound, BySign, "looked for and not found"},
		"a find in a sample, the stone's own test too little": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.test("mine.p", "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 5, 60, 1))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 59, parts(s, 1)))
			w.test(s, "2026-04-01", tested(opal.Microscope, opal.NothingSeen, opal.Smoke))
			return s
		}, Suspected, BySign, "Smoke suspected"},
		"a direction in a sample is no find": {opal.Smoke, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.test(s, "2026-02-01", sampled(opal.Microscope, "CARBON_SPECKS", 5, 60, 1))
			return s
		}, Open, "", "points to it"},
		"no find in a sample": {opal.Backing, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(400))
			w.test("mine.p", "2026-02-01", sampled(opal.SideView, "NO_JOIN", 52, 400, 0))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Unsorted, 399, parts(s, 1)))
			return s
		}, Open, "", "does not rule it out for this stone"},
		"none of a sample showed the sign": {opal.Smoke, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.test(s, "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 5, 60, 0))
			return s
		}, NotTested, "", ""},
		"nothing seen, yet some counted as positive": {opal.Smoke, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.test(s, "2026-02-01", sampled(opal.Microscope, opal.NothingSeen, 5, 60, 1, opal.Smoke))
			return s
		}, Suspected, BySign, "1 of 5 stones"},
		"each stone of the parcel tested, none has it": {opal.Backing, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(12))
			x := sampled(opal.SideView, "NO_JOIN", 12, 12, 0)
			x.Sample.Kind = opal.Pieces
			w.test("mine.p", "2026-02-01", x)
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 11, parts(s, 1)))
			return s
		}, NotFound, BySign, "looked for and not found"},
		"each stone tested, more found afterwards": {opal.Backing, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(12))
			w.test(s, "2026-02-01", sampled(opal.SideView, "NO_JOIN", 12, 12, 0))
			w.post("mine", s, "2026-03-01", &opal.Counted{Pieces: pieces(13), Why: opal.FoundCount})
			return s
		}, Open, "", ""},
		"each stone of the parcel tested, all have it": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(12))
			w.test("mine.p", "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 12, 12, 12))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 11, parts(s, 1)))
			return s
		}, Found, BySign, "Smoke found"},
		"each stone of the parcel tested, some have it": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(12))
			w.test("mine.p", "2026-02-01", sampled(opal.Microscope, "CARBON_IN_SCRATCHES", 12, 12, 3))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 11, parts(s, 1)))
			return s
		}, Suspected, BySign, "3 of 12 stones tested showed it"},
		"as many tested as the tester says there were, but there were more": {opal.Backing, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.test(s, "2026-02-01", sampled(opal.SideView, "NO_JOIN", 10, 10, 0))
			return s
		}, Open, "", ""},
		"a test that names the lot": {opal.Backing, func(w *world) string {
			w.parcel("mine.p", 60, opal.Unsorted)
			w.post("mine", "mine.p", "2026-04-01", ofLots(tested(opal.SideView, "NO_JOIN"), 0, "mine.ps", "mine.other"))
			return "mine.ps"
		}, NotFound, BySign, ""},
		"a test that names other lots": {opal.Backing, func(w *world) string {
			w.parcel("mine.p", 60, opal.Unsorted)
			w.test("mine.p", "2026-02-01", ofLots(tested(opal.SideView, "NO_JOIN"), 0, "mine.other"))
			return "mine.ps"
		}, Open, "", ""},
		"one of the lots named has it, which is not said": {opal.Backing, func(w *world) string {
			w.parcel("mine.p", 60, opal.Unsorted)
			w.post("mine", "mine.p", "2026-04-01", ofLots(tested(opal.SideView, "STRAIGHT_JOIN"), 1, "mine.ps", "mine.other"))
			return "mine.ps"
		}, Suspected, BySign, ""},
		"pieces not counted are never one stone": {opal.Backing, func(w *world) string {
			m := mined(1)
			m.Pieces = nil
			w.post("mine", s, "2026-01-01", m)
			w.test(s, "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			return s
		}, NotTested, "", ""},

		// Stones sent away for testing.
		"a find on a stone split off as a sample": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.post("mine", "mine.p", "2026-02-01", splitRest(opal.SampleSent, 59, parts("mine.t", 1)))
			w.test("mine.t", "2026-02-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Unsorted, 58, parts(s, 1)))
			return s
		}, Suspected, BySign, "another stone of the parcel showed it"},
		"a find on a part handed over for testing": {opal.Smoke, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.post("mine", s, "2026-02-01", &opal.HandedOver{To: "lab", Purpose: opal.ForTesting, Part: &opal.PartOf{Lot: "mine.t", Pieces: pieces(1), Mass: "1.000 g"}})
			w.test("mine.t", "2026-02-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return s
		}, Suspected, BySign, "another stone"},
		"a find on a stone split off, then handed over for testing": {opal.Smoke, func(w *world) string {
			w.parcel("mine.p", 60, opal.Sorted)
			w.post("mine", "mine.ps", "2026-03-02", &opal.HandedOver{To: "lab", Purpose: opal.ForTesting})
			w.test("mine.ps", "2026-03-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return "mine.p"
		}, Suspected, BySign, "another stone"},
		"a find on a stone that a buyer had tested is the buyer's": {opal.Smoke, func(w *world) string {
			w.parcel("mine.p", 60, opal.Sorted)
			w.post("mine", "mine.ps", "2026-03-02", &opal.Sold{To: "shop"})
			w.post("shop", "mine.ps", "2026-03-03", &opal.Received{})
			w.post("shop", "mine.ps", "2026-03-04", &opal.HandedOver{To: "lab", Purpose: opal.ForTesting})
			w.test("mine.ps", "2026-03-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return "mine.p"
		}, NotTested, "", ""},
		"a find on what was made of a stone sent away": {opal.Smoke, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.post("mine", s, "2026-02-01", splitRest(opal.SampleSent, 57, parts("mine.t", 3)))
			w.post("mine", "mine.t", "2026-02-02", split(opal.Unsorted, parts("mine.t1", 1, "mine.t2", 2)))
			w.test("mine.t1", "2026-02-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return s
		}, Suspected, BySign, "another stone"},
		"treated only after it was sent away": {opal.Smoke, func(w *world) string {
			w.post("mine", s, "2026-01-01", mined(60))
			w.post("mine", s, "2026-02-01", splitRest(opal.SampleSent, 59, parts("mine.t", 1)))
			w.post("lab", "mine.t", "2026-02-05", treated(opal.Smoke))
			w.test("mine.t", "2026-02-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return s
		}, NotTested, "", ""},
		"sent away after the stone had left the parcel": {opal.Smoke, func(w *world) string {
			w.parcel("mine.p", 60, opal.Unsorted)
			w.post("mine", "mine.p", "2026-04-01", splitRest(opal.SampleSent, 58, parts("mine.t", 1)))
			w.test("mine.t", "2026-04-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return "mine.ps"
		}, NotTested, "", ""},
		"the tested stone itself": {opal.Smoke, func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(60))
			w.post("mine", "mine.p", "2026-02-01", splitRest(opal.SampleSent, 58, parts(s, 1, "mine.u", 1)))
			w.test(s, "2026-02-10", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			return s
		}, Found, BySign, ""},

		// Set aside.
		"a clean test before a gap": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", s, "2026-02-02", &opal.Sold{To: opal.Outside})
			return s
		}, NotTested, "", "A test was set aside (side view by lab on 2026-02-01): nobody documents who held the stones since 2026-02-02"},
		"a clean test after a gap": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-02", &opal.Sold{To: opal.Outside})
			w.post("mine", s, "2026-02-10", &opal.Reopened{Why: opal.BoughtBack})
			w.test(s, "2026-02-11", tested(opal.SideView, "NO_JOIN"))
			return s
		}, NotFound, BySign, ""},
		"a clean test on the day on which a gap ends": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-02", &opal.Sold{To: opal.Outside})
			w.post("mine", s, "2026-02-10", &opal.Reopened{Why: opal.BoughtBack})
			w.test(s, "2026-02-10", tested(opal.SideView, "NO_JOIN"))
			return s
		}, NotTested, "", "set aside"},
		"a clean test of an acquired stone": {opal.Backing, func(w *world) string {
			w.post("dealer", s, "2026-02-01", acquired(1))
			w.test(s, "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			return s
		}, NotFound, BySign, ""},
		"a surface test before a cut": {opal.Backing, func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", "mine.n", "2026-03-01", cutInto(s))
			return s
		}, NotTested, "", "it saw the surface only, and the stone was cut or sawn since"},
		"a surface test before a slice was sawn off": {opal.Backing, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.SideView, "NO_JOIN"))
			w.post("mine", s, "2026-03-01", splitRest(opal.Sawn, 1, parts("mine.slice", 1)))
			return s
		}, NotTested, "", "cut or sawn since"},
		"a test of the whole body outlives a cut": {opal.Resin, func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			w.test("mine.n", "2026-02-02", tested(opal.Infrared, "NONE", opal.Resin))
			w.post("mine", "mine.n", "2026-03-01", cutInto(s))
			return s
		}, NotFound, BySign, ""},
		"a clean test on the day of the cut": {opal.Resin, func(w *world) string {
			w.stone("mine.n")
			w.test("mine.n", "2026-03-01", tested(opal.WaterUptake, "STRONG"))
			w.test("mine.n", "2026-03-01", tested(opal.Infrared, "NONE", opal.Resin))
			w.post("mine", "mine.n", "2026-03-01", cutInto(s))
			return s
		}, NotTested, "", "set aside"},
		"a clean swab on a stone with resin on it": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", treated(opal.Resin))
			w.test(s, "2026-02-02", tested(opal.Swab, "CLEAN_AFTER_LONG_CONTACT", opal.Dye))
			return s
		}, NotTested, "", "resin on the stone keeps this test from seeing what is under it"},
		"a clean swab before the resin": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-02", tested(opal.Swab, "CLEAN_AFTER_LONG_CONTACT", opal.Dye))
			w.post("mine", s, "2026-02-03", treated(opal.Resin))
			return s
		}, Open, "", "looked for and not seen"},
		"a clean swab on the day of the oil": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-03", tested(opal.Swab, "CLEAN_AFTER_LONG_CONTACT", opal.Dye))
			w.post("mine", s, "2026-02-03", treated(opal.OilWax))
			return s
		}, NotTested, "", "oil or wax on the stone"},
		"a clean swab on a stone with a film that was found": {opal.Dye, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-02", tested(opal.Swab, "CLEAN_AFTER_LONG_CONTACT", opal.Dye))
			w.test(s, "2026-02-05", tested(opal.Microscope, "SURFACE_FILM"))
			return s
		}, NotTested, "", "a coating on the stone"},
		"a film that was found takes no suspicion away": {opal.OilWax, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			w.test(s, "2026-03-01", tested(opal.WaterUptake, "SLIGHT"))
			w.test(s, "2026-03-02", tested(opal.Microscope, "SURFACE_FILM"))
			return s
		}, Open, "", "a sign that points to it"},
		"low uptake after a higher one, but resin was declared": {opal.OilWax, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			w.post("mine", s, "2026-02-20", treated(opal.Resin))
			w.test(s, "2026-03-01", tested(opal.WaterUptake, "SLIGHT"))
			return s
		}, NotTested, "", "resin on the stone keeps this test"},
		"low uptake of a wet stone": {opal.Resin, func(w *world) string {
			w.stone(s)
			w.test(s, "2026-02-01", tested(opal.WaterUptake, "STRONG"))
			moist(opal.Wet)(w, s, "2026-03-01", tested(opal.WaterUptake, "SLIGHT"))
			w.test(s, "2026-03-03", tested(opal.Microscope, opal.NothingSeen, opal.Resin))
			return s
		}, NotFound, BySign, ""},
		"a withdrawn test": {opal.Smoke, func(w *world) string {
			w.stone(s)
			id := w.test(s, "2026-02-01", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
			w.post("lab", s, "2026-02-03", &opal.Withdrawn{Event: id, Because: "mixed up"})
			return s
		}, NotTested, "", "Not tested for smoke."},
		"a corrected test": {opal.Smoke, func(w *world) string {
			w.stone(s)
			id := w.test(s, "2026-02-01", tested(opal.Microscope, opal.NothingSeen, opal.Smoke))
			w.post("lab", s, "2026-02-03", &opal.Corrected{Event: id, Because: "typing", Replacement: &opal.Replacement{
				Tested: tested(opal.Microscope, "CARBON_IN_SCRATCHES")}})
			return s
		}, Found, BySign, ""},

		// What reaches a child.
		"treated before the split": {opal.Dye, func(w *world) string {
			child := w.parcel("mine.p", 10, opal.Sorted)
			w.post("mine", "mine.p", "2026-02-15", treated(opal.Dye))
			return child
		}, Declared, ByRecord, ""},
		"treated after the split": {opal.Dye, func(w *world) string {
			child := w.parcel("mine.p", 10, opal.Sorted)
			w.post("mine", "mine.p", "2026-03-02", treated(opal.Dye))
			return child
		}, NotTested, "", ""},
		"treated on the day of the split": {opal.Dye, func(w *world) string {
			child := w.parcel("mine.p", 10, opal.Sorted)
			w.post("mine", "mine.p", "2026-03-01", treated(opal.Dye))
			return child
		}, Declared, ByRecord, ""},
		"treated before the split, then corrected to after it": {opal.Dye, func(w *world) string {
			child := w.parcel("mine.p", 10, opal.Sorted)
			id := w.post("mine", "mine.p", "2026-02-15", treated(opal.Dye))
			w.post("mine", "mine.p", "2026-03-10", &opal.Corrected{Event: id, Because: "typing", Replacement: &opal.Replacement{
				OccurredAt: "2026-03-05", Treated: treated(opal.Dye)}})
			return child
		}, Suspected, ByRecord, "then corrected away by mine."},
		"treated after the split, asked of the rest": {opal.Dye, func(w *world) string {
			w.parcel("mine.p", 10, opal.Sorted)
			w.post("mine", "mine.p", "2026-03-02", treated(opal.Dye))
			return "mine.p"
		}, Declared, ByRecord, ""},
	})
}
