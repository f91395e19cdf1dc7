package evidence

import (
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// A late disclosure changes what was true then (asOf) and never what the log knew then (knownAt).
func TestAsOfAndKnownAt(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.p", "2026-01-01", mined(10))
	w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 9, parts("mine.s", 1)))
	w.post("mine", "mine.s", "2026-03-10", &opal.Sold{To: "shop", Claims: []opal.Claim{{Claim: opal.ClaimNoBacking}}})
	w.post("shop", "mine.s", "2026-03-12", &opal.Received{})
	clean := w.post("lab", "mine.s", "2026-03-05", tested(opal.SideView, "NO_JOIN"))
	w.post("mine", "mine.p", "2026-02-01", treated(opal.Dye))
	w.post("lab", "mine.s", "2026-06-02", &opal.Withdrawn{Event: clean, Because: "mixed up"})
	all := w.next

	tests := map[string]struct {
		asOf      string
		knownAt   uint64
		treatment opal.Treatment
		want      Verdict
	}{
		"dye, by all that is known":                    {"2026-12-31", all, opal.Dye, Declared},
		"dye, as of before it was done":                {"2026-01-15", all, opal.Dye, NotTested},
		"dye, as of the day on which it was done":      {"2026-02-01", all, opal.Dye, Declared},
		"dye, known before the disclosure":             {"2026-12-31", 6, opal.Dye, NotTested},
		"dye, known with the disclosure":               {"2026-12-31", 7, opal.Dye, Declared},
		"a backing, by all that is known":              {"2026-12-31", all, opal.Backing, NotTested},
		"a backing, before the withdrawal was known":   {"2026-12-31", all - 1, opal.Backing, NotFound},
		"a backing, as of before the test":             {"2026-03-04", all - 1, opal.Backing, NotTested},
		"a backing, as of the noon of the test's day":  {"2026-03-05T12:00:00Z", all - 1, opal.Backing, NotTested},
		"a backing, before the test was known":         {"2026-12-31", 5, opal.Backing, NotTested},
		"a withdrawal counts whatever the time asked":  {"2026-03-06", all, opal.Backing, NotTested},
		"a withdrawal does not count before it is log": {"2026-03-06", all - 1, opal.Backing, NotFound},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			q := w.query("mine.s")
			q.AsOf, q.KnownAt = instant(t, test.asOf), test.knownAt
			wantVerdict(t, w.ask(q), test.treatment, test.want)
		})
	}

	// Then and now of the sale.
	sales := w.status("mine.s").Sales
	if len(sales) != 1 || len(sales[0].Claims) != 1 {
		t.Fatalf("sales: %+v", sales)
	}
	if c := sales[0].Claims[0]; c.Then != Unsupported || c.Now != Unsupported {
		t.Errorf("the claim was %s and is %s, want UNSUPPORTED both times: the test was posted after the sale and withdrawn since", c.Then, c.Now)
	}
	q := w.query("mine.s")
	q.KnownAt = all - 1
	if c := w.ask(q).Sales[0].Claims[0]; c.Then != Unsupported || c.Now != Supported {
		t.Errorf("before the withdrawal the claim was %s and is %s, want UNSUPPORTED and SUPPORTED", c.Then, c.Now)
	}
}

// What the log answered at a position it answers for ever.
func TestOldKnowledgeStays(t *testing.T) {
	w := newWorld(t)
	then := map[uint64]string{}
	ask := func(knownAt uint64) string {
		q := w.query("mine.s")
		q.KnownAt = knownAt
		s, err := Evaluate(q)
		if err != nil {
			return err.Error()
		}
		s.Lots = 0
		return dump(s)
	}
	step := func(id string) string {
		then[w.next] = ask(w.next)
		return id
	}
	w.post("mine", "mine.p", "2026-01-01", mined(10))
	id := step(w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 9, parts("mine.s", 1))))
	step(w.post("lab", "mine.s", "2026-03-02", tested(opal.SideView, "NO_JOIN")))
	d := step(w.post("mine", "mine.p", "2026-02-01", treated(opal.Smoke)))
	step(w.post("mine", "mine.p", "2026-02-01", &opal.Corrected{Event: d, Because: "typing", Replacement: &opal.Replacement{
		OccurredAt: "2026-03-05", Treated: treated(opal.Smoke)}}))
	step(w.post("mine", "mine.p", "2026-03-01", &opal.Corrected{Event: id, Because: "sorted by", Replacement: &opal.Replacement{
		Split: splitRest(opal.Unsorted, 9, parts("mine.s", 1))}}))
	step(w.post("mine", "mine.s", "2026-03-06", &opal.Sold{To: "shop", Claims: []opal.Claim{{Claim: opal.ClaimUntreated}}}))
	step(w.post("shop", "mine.s", "2026-03-08", &opal.Received{Pieces: pieces(1), Mass: "0.990 g"}))
	step(w.post("lab", "mine.s", "2026-04-01", tested(opal.Microscope, "CARBON_IN_SCRATCHES")))
	x := step(w.post("lab", "mine.s", "2026-04-01", tested(opal.Swab, "CLEAN_AFTER_LONG_CONTACT", opal.Dye)))
	step(w.post("lab", "mine.s", "2026-04-02", &opal.Corrected{Event: x, Because: "typing", Replacement: &opal.Replacement{
		Tested: tested(opal.Swab, "COLOUR_ON_SWAB")}}))
	w.want("mine.s", opal.Dye, Found)
	step(w.post("mine", "mine.p", "2026-04-02", &opal.Withdrawn{Event: d, Because: "not so"}))
	for knownAt, want := range then {
		if got := ask(knownAt); got != want {
			t.Errorf("at position %d the log answered\n%s\nand answers now\n%s", knownAt, want, got)
		}
	}
}

func TestUnknownLots(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	q := w.query("mine.none")
	if _, err := Evaluate(q); fault.Of(err) != fault.UnknownLot {
		t.Errorf("found %v, want UNKNOWN_LOT", err)
	}
	q = w.query("mine.s")
	q.KnownAt = 1
	if _, err := Evaluate(q); fault.Of(err) != fault.UnknownLot {
		t.Errorf("known before its opening: found %v, want UNKNOWN_LOT", err)
	}
	if _, err := CheckClaims(q, []opal.Claim{{Claim: opal.ClaimNoDye}}); fault.Of(err) != fault.UnknownLot {
		t.Errorf("claims: found %v, want UNKNOWN_LOT", err)
	}
}

// A withdrawn split: its children never came to be, and the parent is as it was.
func TestVoid(t *testing.T) {
	w := newWorld(t)
	w.post("mine", "mine.p", "2026-01-01", mined(10))
	id := w.post("mine", "mine.p", "2026-03-01", splitRest(opal.Sorted, 9, parts("mine.s", 1)))
	before := w.next
	w.post("mine", "mine.p", "2026-03-02", &opal.Withdrawn{Event: id, Because: "never split"})
	s := w.status("mine.s")
	if !s.Void || s.Statement != textVoid || len(s.Treatments) != len(opal.AllTreatments()) {
		t.Errorf("the child of a withdrawn split: %+v", s)
	}
	q := w.query("mine.s")
	q.KnownAt = before
	if w.ask(q).Void {
		t.Error("before the withdrawal the child was there")
	}
	if n := w.summaries["mine.p"].pieces(); n == nil || *n != 10 {
		t.Errorf("the parent has %v pieces, want 10", n)
	}
	w.claim("mine.s", opal.ClaimNoDye, Unsupported)
	// A combination likewise.
	w.stone("mine.a")
	w.stone("mine.b")
	c := w.post("mine", "mine.c", "2026-02-01", &opal.Combined{Parents: []string{"mine.a", "mine.b"}, Pieces: pieces(2), Mass: "2.000 g"})
	w.post("mine", "mine.c", "2026-02-02", &opal.Withdrawn{Event: c, Because: "kept apart"})
	if !w.status("mine.c").Void {
		t.Error("a withdrawn combination is not void")
	}
	w.test("mine.a", "2026-02-03", tested(opal.SideView, "NO_JOIN"))
	w.want("mine.a", opal.Backing, NotFound)
}

// A compromised key sets aside what it signed.
func TestCompromisedKey(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	w.test("mine.s", "2026-02-01", tested(opal.SideView, "NO_JOIN"))
	w.test("mine.s", "2026-02-02", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
	q := w.query("mine.s")
	q.Compromised = func(party string, position uint64) (bool, error) { return party == "lab" && position >= 3, nil }
	s := w.ask(q)
	wantVerdict(t, s, opal.Backing, NotFound)
	wantVerdict(t, s, opal.Smoke, NotTested)
	if aside := s.of(opal.Smoke).Evidence[1].SetAside; aside != "the key of lab was compromised by then" {
		t.Errorf("set aside because %q", aside)
	}
}

// The policy in force at the position asked for judges.
func TestRulesAtAPosition(t *testing.T) {
	w := newWorld(t)
	w.stone("mine.s")
	w.post("mine", "mine.s", "2026-02-01", &opal.Sold{To: "shop"})
	w.post("shop", "mine.s", "2026-02-10", &opal.Received{})
	q := w.query("mine.s")
	q.Rules = func(knownAt uint64) (Rules, error) { return Rules{Table: Latest(), TransitDays: 5}, nil }
	if s := w.ask(q); s.Record.Gaps != 1 {
		t.Errorf("with 5 days of transit: %d gaps, want 1", s.Record.Gaps)
	}
}
