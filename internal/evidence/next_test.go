package evidence

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// With very many known stones the information is that of a channel, known from textbooks: D. MacKay, Information Theory, Inference and Learning
// Algorithms (2003), section 9 (from memory): the binary symmetric channel with f = 0.15 has 0.39 bits, the Z channel with f = 0.15 at the input 0.445
// has 0.685 bits.
func TestInformationOfChannels(t *testing.T) {
	const all = 1_000_000_000
	share := func(treated, untreated float64) []outcomeCounts {
		return []outcomeCounts{{"COLOUR_ON_SWAB", Counted{int64(treated * all), all, int64(untreated * all), all}}}
	}
	for name, x := range map[string]struct {
		rows    []outcomeCounts
		p, want float64
	}{
		"symmetric":             {share(0.85, 0.15), 0.5, 0.390},
		"Z":                     {share(0.85, 0), 0.445, 0.685},
		"tells all":             {share(1, 0), 0.5, 1},
		"tells nothing":         {share(0.3, 0.3), 0.5, 0},
		"nothing is left to be": {share(1, 0), 1, 0},
	} {
		got, ok := information(opal.Swab, x.rows, x.p)
		if !ok || math.Abs(got-x.want) > 6e-4 {
			t.Errorf("%s: %v bits, want %v", name, got, x.want)
		}
	}
}

// The rates of K words are (a+½)/(A+K/2); here by hand for infrared with its 10 words, of which 3 were counted, 8 of 10 and 1 of 10, 1 and 2, 1 and 7.
func TestInformationByHand(t *testing.T) {
	rows := []outcomeCounts{
		{"ORGANICS_PRESENT", Counted{10, 10, 10, 10}}, // 8+1+1 and 1+2+7 with the more extreme ones
		{"RAISED", Counted{9, 10, 3, 10}},
		{"MANY", Counted{8, 10, 1, 10}},
	}
	words := len(opal.Outcomes(opal.Infrared)) - 1
	after := 0.0
	for _, x := range [][2]float64{{8, 1}, {1, 2}, {1, 7}} {
		a, b := (x[0]+0.5)/(10+float64(words)/2), (x[1]+0.5)/(10+float64(words)/2)
		after += (a + b) / 2 * entropy(a/(a+b))
	}
	rest := (float64(words) - 3) / 2 / (10 + float64(words)/2)
	after += rest // the others tell nothing: as many of each
	got, ok := information(opal.Infrared, rows, 0.5)
	if want := 1 - after; !ok || math.Abs(got-want) > 1e-9 {
		t.Errorf("%v bits, want %v", got, want)
	}
	// Counts that can't be of one set of stones: the best word alone, so less.
	rows[0].TreatedAll = 12
	if one, ok := information(opal.Infrared, rows, 0.5); !ok || one <= 0 || one > 1 {
		t.Errorf("%v bits", one)
	}
	if _, ok := information(opal.Infrared, nil, 0.5); ok {
		t.Error("no counts state information")
	}
}

func next(t *testing.T, q Query, laboratories ...Laboratory) *Next {
	t.Helper()
	n, err := NextTests(q, laboratories)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func (n *Next) of(m opal.Method, party string) *NextTest {
	for i := range n.Tests {
		if n.Tests[i].Method == m && n.Tests[i].Party == party {
			return &n.Tests[i]
		}
	}
	return nil
}

func (x *NextTest) would(t opal.Treatment, o opal.Outcome, where opal.Place) Verdict {
	for i := range x.Treatments {
		if x.Treatments[i].Treatment != t {
			continue
		}
		for _, y := range x.Treatments[i].Outcomes {
			if y.Outcome == o && y.Where == where {
				return y.Verdict
			}
		}
	}
	return ""
}

// What each outcome would make of the verdict, on a stone of which nothing is known.
func TestNextOfAFreshStone(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	before := dumpAll(w.summaries)
	n := next(t, w.query("mine.s"))
	if want := []opal.Treatment{opal.Dye, opal.Smoke, opal.SugarAcid, opal.OilWax, opal.Resin, opal.Coating, opal.Backing}; !slices.Equal(n.Open, want) {
		t.Errorf("open are %v, want %v", n.Open, want)
	}
	for _, x := range []struct {
		m     opal.Method
		t     opal.Treatment
		o     opal.Outcome
		where opal.Place
		want  Verdict
	}{
		{opal.SideView, opal.Backing, "NO_JOIN", "", NotFound},
		{opal.SideView, opal.Backing, "STRAIGHT_JOIN", "", Found},
		{opal.WaterUptake, opal.Resin, "STRONG", "", Open},
		{opal.WaterUptake, opal.Dye, "TINTED_WATER", "", Found},
		{opal.Raman, opal.Smoke, "CARBON_BANDS", "", Open},
		{opal.Raman, opal.Smoke, "CARBON_BANDS", opal.Skin, Found},
		{opal.Microscope, opal.Dye, opal.NothingSeen, "", Open},
	} {
		test := n.of(x.m, "")
		if test == nil {
			t.Errorf("%s is not offered", x.m)
			continue
		}
		if got := test.would(x.t, x.o, x.where); got != x.want {
			t.Errorf("%s %s (%s) would make %s of %s, want %s", x.m, x.o, x.where, got, x.t, x.want)
		}
		if test.Bits != nil {
			t.Errorf("%s states %v bits without counts", x.m, *test.Bits)
		}
	}
	for _, m := range []opal.Method{opal.UVLongWave, opal.UVShortWave, opal.Polariscope, opal.UVVis} {
		if n.of(m, "") != nil {
			t.Errorf("%s is offered, which tells nothing", m)
		}
	}
	if first := n.Tests[0]; first.Harm != Harmless {
		t.Errorf("first comes %s, which does harm: %s", first.Method, first.Harm)
	}
	if after := dumpAll(w.summaries); after != before {
		t.Error("asking changed the record")
	}
	if n.SampleSize != nil {
		t.Error("a single stone is no parcel")
	}
	for _, x := range n.Tests {
		if !strings.HasSuffix(x.Text, ".") || strings.Contains(x.Text, "untreated stone is") {
			t.Errorf("%q", x.Text)
		}
	}
}

// Strong uptake leaves the cracks: then infrared or the microscope closes it.
func TestNextAfterStrongUptake(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	w.test("mine.s", "2026-02-01", tested(opal.WaterUptake, "STRONG"))
	n := next(t, w.query("mine.s"))
	for m, o := range map[opal.Method]opal.Outcome{opal.Infrared: "NONE", opal.Microscope: opal.NothingSeen} {
		if got := n.of(m, "").would(opal.Resin, o, ""); got != NotFound {
			t.Errorf("%s %s would make %s", m, o, got)
		}
	}
	if record := n.of(opal.Microscope, "").Record; !slices.Contains(record, "magnification") || !slices.Contains(record, "wholeGirdle") {
		t.Errorf("the microscope must record %v", record)
	}
}

// A laboratory's counts state the information, put it before what has none, and say which verdict they would carry.
func TestNextByALaboratory(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	q := w.query("mine.s")
	q.Validated = validated(validation("lab/v1", "MANY", opal.Resin, 40, 40, 0, 60), validation("lab/v2", "NONE", opal.Resin, 0, 40, 60, 60))
	n := next(t, q, Laboratory{Party: "lab", Method: opal.Infrared, Protocol: "P-1"}, Laboratory{Party: "lab", Method: opal.Infrared, Protocol: "P-2"})
	first := n.Tests[0]
	if first.Party != "lab" || first.Protocol != "P-1" || first.Bits == nil || *first.Bits < 0.5 || *first.Bits > 1 {
		t.Fatalf("first comes %+v", first)
	}
	if got := first.would(opal.Resin, "MANY", ""); got != Found {
		t.Errorf("MANY would make %s", got)
	}
	if got := first.would(opal.Resin, "NONE", ""); got != NotFound {
		t.Errorf("NONE would make %s", got)
	}
	if n.of(opal.Infrared, "") == nil || slices.ContainsFunc(n.Tests, func(x NextTest) bool { return x.Protocol == "P-2" }) {
		t.Error("infrared as such is offered, and a protocol that nobody counted is not")
	}
}

// Nothing that harms the stone comes first while something else tells a tenth of a bit.
func TestNextSparesTheStone(t *testing.T) {
	bits := func(b float64) *float64 { return &b }
	for name, x := range map[string]struct {
		tests []NextTest
		first opal.Method
	}{
		"more bits":           {[]NextTest{{Method: opal.Infrared, Bits: bits(0.2)}, {Method: opal.Raman, Bits: bits(0.4)}}, opal.Raman},
		"harm, a tenth left":  {[]NextTest{{Method: opal.HotPoint, Harm: Marks, Bits: bits(0.9)}, {Method: opal.Raman, Harm: Harmless, Bits: bits(0.1)}}, opal.Raman},
		"harm, less than one": {[]NextTest{{Method: opal.HotPoint, Harm: Marks, Bits: bits(0.9)}, {Method: opal.Raman, Harm: Harmless, Bits: bits(0.09)}}, opal.HotPoint},
		"harm decides":        {[]NextTest{{Method: opal.HotPoint, Harm: Marks}, {Method: opal.Raman, Harm: Harmless, Minutes: 60}}, opal.Raman},
		"then time":           {[]NextTest{{Method: opal.Raman, Harm: Harmless, Minutes: 60}, {Method: opal.SideView, Harm: Harmless, Minutes: 15}}, opal.SideView},
	} {
		if got := rankTests(x.tests)[0].Method; got != x.first {
			t.Errorf("%s: first comes %s, want %s", name, got, x.first)
		}
	}
}

// What is settled is not asked again, an assembled stone is not soaked, and a parcel needs a sample (52 of 400, exact).
func TestNextOfOthers(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	w.test("mine.s", "2026-02-01", tested(opal.SideView, "STRAIGHT_JOIN"))
	n := next(t, w.query("mine.s"))
	if slices.Contains(n.Open, opal.Backing) || n.of(opal.WaterUptake, "") != nil || n.of(opal.Swab, "") != nil {
		t.Errorf("open %v", n.Open)
	}
	w.post("mine", "mine.p", "2026-01-01", mined(400))
	if n := next(t, w.query("mine.p")); n.SampleSize == nil || *n.SampleSize != 52 || *n.Of != 400 || !strings.Contains(n.Text, "52 of its 400 stones") {
		t.Errorf("the parcel needs %v of %v: %s", n.SampleSize, n.Of, n.Text)
	}
	v := w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 399, parts("mine.v", 1)))
	w.post("mine", "mine.p", "2026-03-02", &opal.Withdrawn{Event: v, Because: "never split"})
	if n := next(t, w.query("mine.v")); n.Text != textVoid || len(n.Tests) != 0 {
		t.Errorf("a lot that never came to be: %+v", n)
	}
	if _, err := NextTests(w.query("mine.none"), nil); err == nil {
		t.Error("an unknown lot is no error")
	}
}

func BenchmarkNext(b *testing.B) {
	w, lot := longLine(b)
	q := w.query(lot)
	q.Validated, q.Ratios = validated(longLineCounts()...), &Ratios{}
	for b.Loop() {
		if _, err := NextTests(q, []Laboratory{{"lab", opal.Infrared, "P-1"}, {"lab", opal.Microscope, "P-1"}}); err != nil {
			b.Fatal(err)
		}
	}
}
