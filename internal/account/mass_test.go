package account

import (
	"math"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// TestBalance walks the bounds of the balance rule. The uncertainty of a scale that reads to d is d/√12 (GUM, JCGM 100:2008, 4.3.7).
//
// Two weighings to 0.01 ct: d = 2,000 µg, u = √(2·2000²/12) = 816.5 µg, 3u = 2,449 µg = 0.0122 ct. Three weighings: u = 1,000 µg, 3u =
// 3,000 µg = 0.015 ct exactly. The moisture allowances are conventions of this service.
func TestBalance(t *testing.T) {
	const none = opal.MoistureUnknown
	for _, x := range []struct {
		name     string
		kind     opal.MaterialKind
		in       opal.Moisture
		children []string
		findings string
		refused  bool
	}{
		{"exact", opal.Hydrophane, none, []string{"mine.a 4 40.00", "mine.b 6 60.00"}, "", false},
		{"a finer scale has a smaller u", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.000 DRY", "mine.b 6 59.990 DRY"}, "MOISTURE_SIZED_LOSS", false},
		{"within 3u, gain", opal.Hydrophane, none, []string{"mine.a 4 40.00", "mine.b 6 60.01"}, "", false},
		{"within 3u, loss", opal.Hydrophane, none, []string{"mine.a 4 40.00", "mine.b 6 59.99"}, "", false},
		{"just past 3u, gain", opal.Hydrophane, none, []string{"mine.a 4 40.00", "mine.b 6 60.02"}, "MOISTURE_SIZED_GAIN", false},
		{"just past 3u, loss", opal.Hydrophane, none, []string{"mine.a 4 40.00", "mine.b 6 59.98"}, "MOISTURE_SIZED_LOSS", false},

		// Both dry, 2 %: 2.00 ct + 0.015 ct.
		{"dry, gain within", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 DRY", "mine.b 6 62.01 DRY"}, "MOISTURE_SIZED_GAIN", false},
		{"dry, gain beyond", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 DRY", "mine.b 6 62.02 DRY"}, "", true},
		{"dry, loss within", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 DRY", "mine.b 6 57.99 DRY"}, "MOISTURE_SIZED_LOSS", false},
		{"dry, loss beyond", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 DRY", "mine.b 6 57.98 DRY"}, "UNEXPLAINED_LOSS", false},
		{"room, gain beyond", opal.Hydrophane, opal.Room, []string{"mine.a 4 40.00 ROOM", "mine.b 6 62.02 ROOM"}, "", true},

		// They differ or are not stated, 15 %: 15.00 ct + 0.015 ct.
		{"unstated, gain within", opal.Hydrophane, none, []string{"mine.a 4 40.00", "mine.b 6 75.01"}, "MOISTURE_SIZED_GAIN", false},
		{"unstated, gain beyond", opal.Hydrophane, none, []string{"mine.a 4 40.00", "mine.b 6 75.02"}, "", true},
		{"dry then room, gain within", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 ROOM", "mine.b 6 75.01 ROOM"}, "MOISTURE_SIZED_GAIN", false},
		{"one of two differs", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 DRY", "mine.b 6 75.01 ROOM"}, "MOISTURE_SIZED_GAIN", false},
		{"soaked both times is not the same", opal.Hydrophane, opal.Soaked, []string{"mine.a 4 40.00 SOAKED", "mine.b 6 75.01 SOAKED"}, "MOISTURE_SIZED_GAIN", false},
		{"soaked then dry", opal.Hydrophane, opal.Soaked, []string{"mine.a 4 40.00 DRY", "mine.b 6 44.98 DRY"}, "UNEXPLAINED_LOSS", false},

		// Soaked after dry, 25 %: 25.00 ct + 0.015 ct.
		{"soaked after dry, within", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 SOAKED", "mine.b 6 85.01 SOAKED"}, "MOISTURE_SIZED_GAIN", false},
		{"soaked after dry, beyond", opal.Hydrophane, opal.Dry, []string{"mine.a 4 40.00 SOAKED", "mine.b 6 85.02 SOAKED"}, "", true},

		// UNKNOWN drinks, perhaps; the others get 1 %: 1.00 ct + 0.015 ct.
		{"unknown material", opal.UnknownKind, none, []string{"mine.a 4 40.00", "mine.b 6 75.01"}, "MOISTURE_SIZED_GAIN", false},
		{"volcanic within", opal.Volcanic, none, []string{"mine.a 4 40.00", "mine.b 6 61.01"}, "MOISTURE_SIZED_GAIN", false},
		{"volcanic beyond", opal.Volcanic, opal.Dry, []string{"mine.a 4 40.00 SOAKED", "mine.b 6 61.02 SOAKED"}, "", true},
		{"boulder loss beyond", opal.Boulder, none, []string{"mine.a 4 40.00", "mine.b 6 58.98"}, "UNEXPLAINED_LOSS", false},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			b.ok(mined("mine.r", day(1), "100.00 ct", n(10), x.in, x.kind))
			e := split("mine", "mine.r", day(2), nil, x.children...)
			if x.refused {
				b.refused(e, fault.MassGain, "split.children")
				b.held("mine.r", Open, "mine", "mine")
			} else {
				b.codes(b.ok(e), x.findings)
				b.held("mine.r", Split, "mine", "mine")
			}
			b.consistent()
		})
	}
}

// TestBounds: what lies on a bound is on its quieter side. u² = 3·2000²/12 = 10⁶ µg², so 3u = 3,000 µg exactly.
func TestBounds(t *testing.T) {
	for _, x := range []struct {
		gain int64
		want verdict
	}{
		{0, even}, {3_000, even}, {3_001, gained}, {13_000, gained}, {13_001, made},
		{-3_000, even}, {-3_001, dried}, {-13_000, dried}, {-13_001, missing},
	} {
		b := balance{in: 20_000_000, out: 20_000_000 + x.gain, variance: 3 * stepVariance(2_000), allowance: 10_000}
		if got := b.verdict(); got != x.want {
			t.Errorf("gain %d: verdict %d, want %d", x.gain, got, x.want)
		}
	}
}

// TestBalanceFigures: the finding carries the figures, the refusal says them.
func TestBalanceFigures(t *testing.T) {
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(10), "", opal.Hydrophane))
	f := b.refused(split("mine", "mine.r", day(2), nil, "mine.a 4 60.00", "mine.b 6 60.00"), fault.MassGain, "split.children")
	const want = "all parts together weigh 120.00 ct (24.000 g), the lot weighs 100.00 ct (20.000 g): 20.00 ct (4.000 g) too much; " +
		"accepted is at most 15.015 ct (3.003 g) more (a moisture allowance of 15.00 ct (3.000 g) and three times the weighings' combined standard uncertainty of 0.005 ct (0.001 g))"
	if f.Message != want {
		t.Errorf("got  %s\nwant %s", f.Message, want)
	}
	// 100.00 − 80.00 ct = 20.00 ct = 4 g, a fifth.
	got := b.finding(b.ok(split("mine", "mine.r", day(2), nil, "mine.a 4 40.00", "mine.b 6 40.00")), opal.FindUnexplainedLoss)
	if want := (opal.Finding{Code: opal.FindUnexplainedLoss, Lot: "mine.r", Micrograms: -4_000_000, PartsPerMillion: -200_000}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// TestCoarse: u above 0.5 % of the mass and the balance can't tell. A scale that reads to 1 ct has u = 0.2887 ct, which is 0.5 % of
// 57.7 ct.
func TestCoarse(t *testing.T) {
	for _, x := range []struct{ name, mass, want string }{
		{"58 ct on a scale to 1 ct", "58 ct", ""},
		{"57 ct on a scale to 1 ct", "57 ct", "COARSE_WEIGHING"},
		{"1 kg on a scale to 1 kg", "1 kg", "COARSE_WEIGHING"},
		{"1.000 kg", "1.000 kg", ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			b.codes(b.ok(mined("mine.r", day(1), x.mass, nil, "", opal.Volcanic)), x.want)
		})
	}
	b := newBook(t)
	b.codes(b.ok(mined("mine.r", day(1), "60 ct", n(2), "", opal.Volcanic)), "")
	// √2 · 0.2887 ct = 0.408 ct is 0.68 % of 60 ct.
	r := b.ok(described("mine", "mine.r", day(2), "60 ct", ""))
	b.codes(r, "COARSE_WEIGHING")
	if f := b.finding(r, opal.FindCoarseWeighing); f.PartsPerMillion != 6804 { // 81,649 µg of 12,000,000 µg
		t.Errorf("share %d ppm, want 6804", f.PartsPerMillion)
	}
}

// TestLine: five splits with 15 % each would double a lot (1.15⁵ = 2.01). All descendants together have one allowance.
func TestLine(t *testing.T) {
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(1), "", opal.Hydrophane))
	b.codes(b.ok(split("mine", "mine.r", day(2), nil, "mine.a 1 110.00")), "MOISTURE_SIZED_GAIN")
	// 124 − 100 = 24 ct: past one allowance of 15 ct, below two.
	b.codes(b.ok(split("mine", "mine.a", day(3), nil, "mine.b 1 124.00")), "MOISTURE_SIZED_GAIN LINE_GAIN")
	b.refused(split("mine", "mine.b", day(4), nil, "mine.c 1 131.00"), fault.MassGain, "split.children")
	b.codes(b.ok(split("mine", "mine.b", day(4), nil, "mine.c 1 129.00")), "MOISTURE_SIZED_GAIN LINE_GAIN")
	b.refused(described("mine", "mine.c", day(5), "134.00 ct", ""), fault.MassGain, "described.measuredMass")
	if l := b.line("mine.r"); l.Base != 20_000_000 || l.Total != 25_800_000 {
		t.Errorf("line %+v", *l)
	}
	b.consistent()
}

// TestLineAllowanceIsTheLargestEarned: stones that were weighed dry may soak later, and then earn 25 % of the root's mass.
func TestLineAllowanceIsTheLargestEarned(t *testing.T) {
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(2), opal.Dry, opal.Hydrophane))
	b.codes(b.ok(split("mine", "mine.r", day(2), nil, "mine.a 1 50.00 DRY", "mine.b 1 50.00 DRY")), "")
	if e := b.line("mine.r").Earned; e != EarnedSame {
		t.Fatalf("earned %b", e)
	}
	b.codes(b.ok(described("mine", "mine.a", day(3), "62.00 ct", opal.Soaked)), "MOISTURE_SIZED_GAIN")
	b.codes(b.ok(described("mine", "mine.b", day(3), "62.00 ct", opal.Soaked)), "MOISTURE_SIZED_GAIN")
	// Dried again and soaked again: no new allowance is needed.
	b.codes(b.ok(described("mine", "mine.a", day(4), "53.50 ct", opal.Dry)), "MOISTURE_SIZED_LOSS")
	b.codes(b.ok(described("mine", "mine.a", day(5), "62.00 ct", opal.Soaked)), "MOISTURE_SIZED_GAIN")
	b.consistent()
}

// TestLineKeepsLosses: what was lost in one stone of a line cannot come back as moisture of another.
func TestLineKeepsLosses(t *testing.T) {
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(2), "", opal.Hydrophane))
	b.codes(b.ok(split("mine", "mine.r", day(2), nil, "mine.a 1 40.00", "mine.b 1 30.00")), "UNEXPLAINED_LOSS")
	b.ok(split("mine", "mine.a", day(3), nil, "mine.a2 1 45.90"))
	b.ok(split("mine", "mine.a2", day(4), nil, "mine.a3 1 52.70"))
	b.codes(b.ok(split("mine", "mine.a3", day(5), nil, "mine.a4 1 60.50")), "MOISTURE_SIZED_GAIN LINE_GAIN")
	if l := b.line("mine.r"); l.Total != (100_00+20_50)*2_000 {
		t.Errorf("total %d", l.Total)
	}
	b.consistent()
}

// TestCombiningKeepsTheAllowance: split and combine in turn earn one allowance, not one each time.
func TestCombiningKeepsTheAllowance(t *testing.T) {
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(2), "", opal.Hydrophane))
	b.ok(split("mine", "mine.r", day(2), nil, "mine.a 1 50.00", "mine.b 1 50.00"))
	combine := func(lot, at, mass string, parents ...string) opal.Event {
		return opal.Event{Party: "mine", Lot: lot, OccurredAt: at, Combined: &opal.Combined{Parents: parents, Mass: opal.Mass(mass)}}
	}
	b.codes(b.ok(combine("mine.c", day(3), "112.00 ct", "mine.a", "mine.b")), "MOISTURE_SIZED_GAIN")
	if l := b.line("mine.c"); l.Base != 20_000_000 || l.Total != 22_400_000 {
		t.Fatalf("line %+v", *l)
	}
	b.ok(split("mine", "mine.c", day(4), nil, "mine.d 1 56.00", "mine.e 1 56.00"))
	b.codes(b.ok(combine("mine.f", day(5), "125.00 ct", "mine.d", "mine.e")), "MOISTURE_SIZED_GAIN LINE_GAIN")
	b.ok(split("mine", "mine.f", day(6), nil, "mine.g 1 62.50", "mine.h 1 62.50"))
	b.refused(combine("mine.i", day(7), "140.00 ct", "mine.g", "mine.h"), fault.MassGain, "combined.mass")
	b.consistent()
}

// TestCut: swarf is by difference unless a loss is stated; the yield of finished stones is judged, offcuts apart.
func TestCut(t *testing.T) {
	stones := func(list ...string) []opal.Stone {
		var s []opal.Stone
		for _, c := range children(list...) {
			s = append(s, opal.Stone{Lot: c.Lot, Pieces: c.Pieces, Mass: c.Mass})
		}
		return s
	}
	for _, x := range []struct {
		name     string
		form     opal.Form
		cut      opal.Cut
		findings string
		reason   fault.Reason
	}{
		// A cautious rule of thumb of cutters is 20 % of the rough, and estimates for hydrophane used 20 %, too (trade pages, second-hand).
		{"a fifth", "", opal.Cut{Stones: stones("mine.a 3 20.00")}, "", ""},
		{"a third, common for clean rough", "", opal.Cut{Stones: stones("mine.a 3 33.00")}, "", ""},
		{"exactly 60 %", "", opal.Cut{Stones: stones("mine.a 3 60.00")}, "", ""},
		{"past 60 %", "", opal.Cut{Stones: stones("mine.a 3 60.01")}, "UNUSUAL_YIELD", ""},
		{"offcuts are no yield", "", opal.Cut{Stones: stones("mine.a 3 40.00"), Offcuts: children("mine.o 9 45.00")}, "", ""},
		{"recut is not from rough", opal.Cabochon, opal.Cut{Stones: stones("mine.a 3 92.00"), Manner: opal.Recut}, "", ""},
		{"stated loss that explains all", "", opal.Cut{Stones: stones("mine.a 3 30.00"), Loss: &opal.Loss{Mass: "70.00 ct", Measured: true}}, "", ""},
		{"stated loss that does not", "", opal.Cut{Stones: stones("mine.a 3 30.00"), Loss: &opal.Loss{Mass: "50.00 ct", Measured: true}}, "UNEXPLAINED_LOSS", ""},
		{"lost pieces without a mass", "", opal.Cut{Stones: stones("mine.a 3 30.00"), Loss: &opal.Loss{Pieces: n(1)}}, "", ""},
		{"more out than in", "", opal.Cut{Stones: stones("mine.a 3 90.00"), Offcuts: children("mine.o 1 26.00")}, "", fault.MassGain},
		{"any number of pieces", "", opal.Cut{Stones: stones("mine.a 500 20.00", "mine.b ? 10.00")}, "", ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			e := mined("mine.r", day(1), "100.00 ct", n(10), "", opal.Hydrophane)
			e.Mined.Form = x.form
			b.ok(e)
			cut := opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(2), Cut: &x.cut}
			if x.reason != "" {
				b.refused(cut, x.reason, "cut.stones")
				return
			}
			b.codes(b.ok(cut), x.findings)
			b.held("mine.r", Cut, "mine", "mine")
			if l := b.lot("mine.a"); l.Form != opal.Cabochon || l.Root != "mine.r" || l.Depth != 1 || l.Ancestors != 1 {
				t.Errorf("stone %s", dump(l))
			}
			// Swarf and losses stay in the line.
			if l := b.line("mine.r"); l.Total != l.Base {
				t.Errorf("line %+v", *l)
			}
			b.consistent()
		})
	}
}

// TestYieldFigure: a gram of rough is 5 ct, so 30 % are 1.5 ct cut per gram and the cautious 20 % are 1 ct per gram (cutters' rule of thumb,
// second-hand; the carat of 0.2 g is the 4th CGPM's of 1907).
func TestYieldFigure(t *testing.T) {
	if got := partsPerMillion(opal.Mass("1.50 ct").Weight().Micrograms, opal.Mass("1.000 g").Weight().Micrograms); got != 300_000 {
		t.Errorf("yield %d ppm, want 300,000", got)
	}
	if got := partsPerMillion(opal.Mass("1.00 ct").Weight().Micrograms, opal.Mass("1.000 g").Weight().Micrograms); got != 200_000 {
		t.Errorf("yield %d ppm, want 200,000", got)
	}
}

// TestPieces: UNSORTED, SORTED and SAMPLE keep the count; SAWN may raise it.
func TestPieces(t *testing.T) {
	for _, x := range []struct {
		name     string
		in       *int64
		split    opal.Split
		findings string
		field    string // of PIECE_MISMATCH
		rest     int64  // pieces left, -1: not counted
	}{
		{name: "exact", in: n(10), split: opal.Split{Children: children("mine.a 4 40.00", "mine.b 6 60.00")}},
		{name: "one too many", in: n(10), split: opal.Split{Children: children("mine.a 4 40.00", "mine.b 7 60.00")}, field: "split.children"},
		{name: "one too few", in: n(10), split: opal.Split{Children: children("mine.a 4 40.00", "mine.b 5 60.00")}, field: "split.children"},
		{name: "one lost", in: n(10), split: opal.Split{Children: children("mine.a 4 40.00", "mine.b 5 60.00"), Loss: &opal.Loss{Pieces: n(1)}}},
		{name: "unsorted", in: n(10), split: opal.Split{Manner: opal.Unsorted, Children: children("mine.a 4 40.00", "mine.b 7 60.00")}, field: "split.children"},
		{name: "sample", in: n(10), split: opal.Split{Manner: opal.SampleSent, Children: children("mine.a 4 40.00", "mine.b 5 60.00")}, field: "split.children"},
		{name: "sawn may raise", in: n(10), split: opal.Split{Manner: opal.Sawn, Children: children("mine.a 40 40.00", "mine.b 50 50.00")}},
		{name: "sawn takes none away", in: n(10), split: opal.Split{Manner: opal.Sawn, Children: children("mine.a 4 40.00", "mine.b 5 50.00")}, field: "split.children"},
		{name: "unknown in", split: opal.Split{Children: children("mine.a 4 40.00", "mine.b 700 60.00")}},
		{name: "a child not counted", in: n(10), split: opal.Split{Children: children("mine.a 4 40.00", "mine.b ? 60.00")}, findings: "PIECES_NOT_COUNTED"},
		{name: "a child not counted, the other has too many", in: n(10), split: opal.Split{Children: children("mine.a 11 40.00", "mine.b ? 60.00")}, field: "split.children"},
		{name: "rest counted", in: n(140), split: opal.Split{Children: children("mine.a 30 20.00"), Rest: rest("110 80.00")}, rest: 110},
		{name: "rest by difference", in: n(140), split: opal.Split{Children: children("mine.a 30 20.00"), Rest: rest("? 80.00")}, rest: 110},
		{name: "rest miscounted", in: n(140), split: opal.Split{Children: children("mine.a 30 20.00"), Rest: rest("111 80.00")}, field: "split.children"},
		{name: "no rest left", in: n(30), split: opal.Split{Children: children("mine.a 30 20.00"), Rest: rest("? 80.00")}, field: "split.rest"},
		{name: "rest of a sawn lot", in: n(1), split: opal.Split{Manner: opal.Sawn, Children: children("mine.a 1 20.00"), Rest: rest("? 75.00")}, findings: "PIECES_NOT_COUNTED", rest: -1},
		{name: "rest of a lot that was not counted", split: opal.Split{Children: children("mine.a 30 20.00"), Rest: rest("? 80.00")}, rest: -1},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			b.ok(mined("mine.r", day(1), "100.00 ct", x.in, "", opal.Hydrophane))
			e := opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(2), Split: &x.split}
			if x.field != "" {
				b.refused(e, fault.PieceMismatch, x.field)
				return
			}
			b.codes(b.ok(e), x.findings)
			if x.split.Rest != nil {
				b.has("mine.r", x.rest, string(x.split.Rest.Mass))
				b.held("mine.r", Open, "mine", "mine")
			}
			b.consistent()
		})
	}
}

// TestCombinedPieces: the sum, unknown if any part is.
func TestCombinedPieces(t *testing.T) {
	for _, x := range []struct {
		name       string
		a, b, made *int64
		want       int64
		refused    bool
	}{
		{"sum by itself", n(3), n(4), nil, 7, false},
		{"sum stated", n(3), n(4), n(7), 7, false},
		{"off by one", n(3), n(4), n(8), 0, true},
		{"one not counted", n(3), nil, nil, -1, false},
		{"one not counted, the whole is", n(3), nil, n(9), 9, false},
		{"fewer than the counted ones", n(3), nil, n(3), 0, true},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			b.ok(mined("mine.a", day(1), "40.00 ct", x.a, "", opal.Hydrophane))
			b.ok(mined("mine.b", day(1), "60.00 ct", x.b, "", opal.Volcanic))
			e := opal.Event{Party: "mine", Lot: "mine.c", OccurredAt: day(2), Combined: &opal.Combined{Parents: []string{"mine.a", "mine.b"}, Pieces: x.made, Mass: "100.00 ct"}}
			if x.refused {
				b.refused(e, fault.PieceMismatch, "combined.pieces")
				return
			}
			b.ok(e)
			b.has("mine.c", x.want, "100.00 ct")
			if l := b.lot("mine.c"); l.Material.Kind != opal.UnknownKind || l.Form != opal.Rough || l.Root != "mine.c" {
				t.Errorf("%s", dump(l))
			}
			b.held("mine.a", Combined, "mine", "mine")
			b.consistent()
		})
	}
}

// TestRestAndParts: the parent stays open with what remains; a sold part leaves a rest that nobody weighed.
func TestRestAndParts(t *testing.T) {
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(140), "", opal.Hydrophane))
	b.ok(split("mine", "mine.r", day(2), rest("110 78.50"), "mine.a 30 21.40"))
	b.has("mine.r", 110, "78.50 ct")
	part := func(lot string, pieces *int64, mass string) opal.Event {
		return opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(3), Sold: &opal.Sold{To: "dealer", Part: &opal.PartOf{Lot: lot, Pieces: pieces, Mass: opal.Mass(mass)}}}
	}
	b.codes(b.ok(part("mine.b", n(10), "7.50 ct")), "")
	b.has("mine.r", 100, "71.00 ct")
	b.has("mine.b", 10, "7.50 ct")
	if l := b.lot("mine.r"); l.Mass != "78.50 ct" || l.Pending != nil || l.ChildCount != 2 || len(l.Weighings) != 3 || l.Weighings[2].Mass != "" {
		t.Errorf("%s", dump(l))
	}
	// The computed rest has the variance of both weighings: 2·2000²/12.
	if v := b.lot("mine.r").Variance; math.Abs(v-2*2000*2000/12.0) > 1e-6 {
		t.Errorf("variance %v", v)
	}
	if p := b.lot("mine.b").Pending; p == nil || !p.Title || p.To != "dealer" {
		t.Errorf("pending %s", dump(p))
	}
	b.refused(part("mine.c", n(100), "7.50 ct"), fault.PieceMismatch, "sold.part.pieces")
	b.refused(part("mine.c", n(99), "71.00 ct"), fault.MassGain, "sold.part.mass")
	b.refused(part("mine.b", n(1), "1.00 ct"), fault.LotExists, "sold.part.lot")
	b.codes(b.ok(part("mine.c", nil, "1.00 ct")), "PIECES_NOT_COUNTED")
	b.has("mine.r", -1, "70.00 ct")
	b.ok(received("dealer", "mine.b", day(4)))
	b.held("mine.b", Open, "dealer", "dealer")
	if l := b.line("mine.r"); l.Total != l.Base-20_000 { // the 0.10 ct of the first split dried away
		t.Errorf("line %+v", *l)
	}
	b.consistent()
}

// TestTreatedMass: what a treatment added is the root's side's; what it cannot explain is judged.
func TestTreatedMass(t *testing.T) {
	treat := func(before, after string) opal.Event {
		return opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(2), Moisture: opal.Dry, Treated: &opal.Treated{Treatment: opal.Resin, MassBefore: opal.Mass(before), MassAfter: opal.Mass(after)}}
	}
	for _, x := range []struct {
		name, before, after string
		base, total         int64 // carats/100
		findings            string
		refused             string
	}{
		{"resin added", "100.00 ct", "109.00 ct", 109_00, 109_00, "", ""},
		{"before not weighed", "", "109.00 ct", 109_00, 109_00, "TREATMENT_GAIN", ""},
		{"before not weighed, and hardly more", "", "101.00 ct", 101_00, 101_00, "", ""},
		{"dried, then resin", "98.50 ct", "109.00 ct", 110_50, 109_00, "MOISTURE_SIZED_LOSS", ""},
		{"acid took some", "100.00 ct", "96.00 ct", 100_00, 96_00, "", ""},
		{"swapped before", "120.00 ct", "125.00 ct", 0, 0, "", "treated.massBefore"},
		{"much was missing before", "80.00 ct", "85.00 ct", 105_00, 105_00, "UNEXPLAINED_LOSS", ""},
		{"not weighed at all", "", "", 100_00, 100_00, "", ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			b.ok(mined("mine.r", day(1), "100.00 ct", n(10), opal.Dry, opal.Hydrophane))
			if x.refused != "" {
				b.refused(treat(x.before, x.after), fault.MassGain, x.refused)
				return
			}
			b.codes(b.ok(treat(x.before, x.after)), x.findings)
			if l := b.line("mine.r"); l.Base != x.base*2_000 || l.Total != x.total*2_000 {
				t.Errorf("line %+v, want base %d total %d", *l, x.base*2_000, x.total*2_000)
			}
			b.consistent()
		})
	}
}

// TestArrival: what was received becomes the account; both figures are kept; nothing is refused.
func TestArrival(t *testing.T) {
	for _, x := range []struct {
		name     string
		pieces   *int64
		mass     string
		findings string
		want     opal.Finding
		base     int64
	}{
		{"as sent", n(10), "100.00 ct", "", opal.Finding{}, 100_00},
		{"not measured", nil, "", "", opal.Finding{}, 100_00},
		{"drank on the way", n(10), "108.00 ct", "MOISTURE_SIZED_GAIN", opal.Finding{}, 100_00},
		{"dried on the way", n(10), "92.00 ct", "MOISTURE_SIZED_LOSS", opal.Finding{}, 100_00},
		{"half is missing", n(5), "50.00 ct", "ARRIVAL_DIFFERENCE", opal.Finding{Code: "ARRIVAL_DIFFERENCE", Lot: "mine.r", Pieces: -5, Micrograms: -10_000_000, PartsPerMillion: -500_000}, 100_00},
		{"one stone is missing", n(9), "", "ARRIVAL_DIFFERENCE", opal.Finding{Code: "ARRIVAL_DIFFERENCE", Lot: "mine.r", Pieces: -1}, 100_00},
		{"too heavy", n(10), "130.00 ct", "ARRIVAL_GAIN", opal.Finding{Code: "ARRIVAL_GAIN", Lot: "mine.r", Micrograms: 6_000_000, PartsPerMillion: 300_000}, 130_00},
		{"one stone more", n(11), "100.00 ct", "ARRIVAL_GAIN", opal.Finding{Code: "ARRIVAL_GAIN", Lot: "mine.r", Pieces: 1}, 100_00},
		{"fewer and heavier", n(9), "130.00 ct", "ARRIVAL_DIFFERENCE ARRIVAL_GAIN", opal.Finding{}, 130_00},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			b.ok(mined("mine.r", day(1), "100.00 ct", n(10), "", opal.Hydrophane))
			b.ok(sold("mine", "mine.r", day(2), "dealer"))
			r := b.ok(opal.Event{Party: "dealer", Lot: "mine.r", OccurredAt: day(5), Received: &opal.Received{Pieces: x.pieces, Mass: opal.Mass(x.mass)}})
			b.codes(r, x.findings)
			if x.want.Code != "" && r.Findings[0] != x.want {
				t.Errorf("got %+v, want %+v", r.Findings[0], x.want)
			}
			b.held("mine.r", Open, "dealer", "dealer")
			if x.mass != "" {
				b.has("mine.r", *x.pieces, x.mass)
				if w := b.lot("mine.r").Weighings; len(w) != 2 || w[0].Mass != "100.00 ct" || w[1].Mass != opal.Mass(x.mass) {
					t.Errorf("weighings %s", dump(w))
				}
			}
			if l := b.line("mine.r"); l.Base != x.base*2_000 {
				t.Errorf("base %d, want %d", l.Base, x.base*2_000)
			}
			b.consistent()
		})
	}
}

// TestArrivalPastTheLine: a gain that alone would pass, but uses more than the line's one allowance, is an arrival gain.
func TestArrivalPastTheLine(t *testing.T) {
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(10), "", opal.Hydrophane))
	b.ok(described("mine", "mine.r", day(2), "112.00 ct", ""))
	b.ok(sold("mine", "mine.r", day(3), "dealer"))
	r := b.ok(opal.Event{Party: "dealer", Lot: "mine.r", OccurredAt: day(4), Received: &opal.Received{Mass: "120.00 ct"}})
	b.codes(r, "ARRIVAL_GAIN")
	if l := b.line("mine.r"); l.Base != 108_00*2_000 || l.Total != 120_00*2_000 {
		t.Errorf("line %+v", *l)
	}
	b.consistent()
}

// TestCounted: a count sets pieces and mass anew; gains stand under the balance rule, but for what was lost before.
func TestCounted(t *testing.T) {
	count := func(at string, pieces int64, mass string, why opal.CountWhy) opal.Event {
		return opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: at, Counted: &opal.Counted{Pieces: &pieces, Mass: opal.Mass(mass), Why: why}}
	}
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(10), opal.Dry, opal.Volcanic))
	b.codes(b.ok(count(day(2), 10, "100.00 ct", opal.Recount)), "")
	r := b.ok(count(day(3), 7, "70.00 ct", opal.LostCount))
	b.codes(r, "COUNT_CHANGED")
	if f := r.Findings[0]; f.Pieces != -3 || f.Micrograms != -6_000_000 || f.PartsPerMillion != -300_000 {
		t.Errorf("%+v", f)
	}
	b.has("mine.r", 7, "70.00 ct")
	if b.lot("mine.r").Lost != 6_000_000 || b.line("mine.r").Total != 20_000_000 {
		t.Errorf("lost %d, line %+v", b.lot("mine.r").Lost, *b.line("mine.r"))
	}
	b.refused(count(day(4), 8, "70.00 ct", opal.LostCount), fault.PieceMismatch, "counted.pieces")
	b.refused(count(day(4), 6, "70.00 ct", opal.FoundCount), fault.PieceMismatch, "counted.pieces")
	// More than was lost, and more than 1 % of 70 ct besides.
	b.refused(count(day(4), 11, "100.90 ct", opal.FoundCount), fault.MassGain, "counted.mass")
	b.refused(count(day(4), 10, "100.00 ct", opal.Recount), fault.MassGain, "counted.mass")
	b.codes(b.ok(count(day(4), 9, "90.00 ct", opal.FoundCount)), "COUNT_CHANGED")
	if b.lot("mine.r").Lost != 2_000_000 || b.line("mine.r").Total != 20_000_000 || b.line("mine.r").Base != 20_000_000 {
		t.Errorf("lost %d, line %+v", b.lot("mine.r").Lost, *b.line("mine.r"))
	}
	// 10.50 ct come back, 10.00 ct of them lost before.
	b.codes(b.ok(count(day(5), 10, "100.50 ct", opal.FoundCount)), "COUNT_CHANGED")
	if b.lot("mine.r").Lost != 0 || b.line("mine.r").Total != 20_100_000 || b.line("mine.r").Base != 20_100_000 {
		t.Errorf("lost %d, line %+v", b.lot("mine.r").Lost, *b.line("mine.r"))
	}
	b.codes(b.ok(count(day(6), 14, "100.50 ct", opal.BrokenCount)), "COUNT_CHANGED")
	b.consistent()
}

// TestDestroyed: a test can use stones up; when none is left the lot can only be closed.
func TestDestroyed(t *testing.T) {
	destroy := func(at string, pieces *int64, mass string) opal.Event {
		e := tested("mine", "mine.r", at)
		e.Tested.Destroyed = &opal.Destroyed{Pieces: pieces, Mass: opal.Mass(mass)}
		return e
	}
	b := newBook(t)
	b.ok(mined("mine.r", day(1), "100.00 ct", n(10), "", opal.Volcanic))
	b.ok(destroy(day(2), n(2), "20.00 ct"))
	b.has("mine.r", 8, "80.00 ct")
	b.refused(destroy(day(3), n(9), ""), fault.PieceMismatch, "tested.destroyed.pieces")
	b.refused(destroy(day(3), n(8), "90.00 ct"), fault.MassGain, "tested.destroyed.mass")
	b.ok(destroy(day(3), n(8), ""))
	b.has("mine.r", 0, "0")
	b.refused(sold("mine", "mine.r", day(4), "dealer"), fault.PieceMismatch, "lot")
	b.ok(opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(4), Closed: &opal.Closed{Reason: opal.ClosedInTest}})
	b.held("mine.r", Closed, "mine", "mine")
	if l := b.line("mine.r"); l.Total != l.Base {
		t.Errorf("line %+v", *l)
	}
	b.consistent()
}
