package account

import (
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// TestWhoAmends: an amendment is the poster's own, of an event of that lot that stands.
func TestWhoAmends(t *testing.T) {
	b := newBook(t)
	r := rough(b)
	test := b.ok(tested("mine", "mine.r", day(2)))
	e := withdrawn(test, day(3))
	e.Withdrawn.Event = "mine/00000000-0000-0000-0000-00000000ffff"
	b.refused(e, fault.UnknownEvent, "withdrawn.event")
	e = withdrawn(test, day(3))
	e.Party = "dealer"
	b.refused(e, fault.NotYourEvent, "withdrawn.event")
	b.ok(mined("mine.q", day(1), "1.000 g", nil, "", opal.Fire))
	e = withdrawn(test, day(3))
	e.Lot = "mine.q"
	b.refused(e, fault.InvalidField, "withdrawn.event")
	e.Lot = "mine.none"
	b.refused(e, fault.UnknownLot, "lot")
	b.refused(corrected(test, day(3), opal.Replacement{Treated: &opal.Treated{Treatment: opal.Dye}}), fault.InvalidField, "corrected.replacement")
	b.refused(byAdmin(opal.Event{Withdrawn: &opal.Withdrawn{Event: b.recs[1].Event.ID(), Because: "x"}}), fault.NotAllowed, "withdrawn.event")

	w := b.ok(withdrawn(test, day(3)))
	b.refused(withdrawn(test, day(3)), fault.HasLaterEvents, "withdrawn.event")
	b.refused(withdrawn(w, day(3)), fault.NotAllowed, "withdrawn.event")
	b.refused(corrected(test, day(3), opal.Replacement{Tested: test.Event.Tested}), fault.HasLaterEvents, "corrected.event")
	if l := b.lot("mine.r"); l.Events != 3 || l.Amended != 1 || l.Revision != w.Position {
		t.Errorf("%s", dump(l))
	}
	_ = r
	b.consistent()
}

// TestWithdrawSplit: the parent opens again, exactly as it was, and the children are VOID for ever.
func TestWithdrawSplit(t *testing.T) {
	for _, x := range []struct {
		name string
		make func() opal.Event
		kids []string
	}{
		{"without rest", func() opal.Event { return split("mine", "mine.r", day(3), nil, "mine.a 4 40.00", "mine.b 6 61.00") }, []string{"mine.a", "mine.b"}},
		{"with rest", func() opal.Event { return split("mine", "mine.r", day(3), rest("6 30.00"), "mine.a 4 40.00") }, []string{"mine.a"}},
		{"cut", func() opal.Event {
			return opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(3), Cut: &opal.Cut{Stones: []opal.Stone{{Lot: "mine.a", Pieces: n(9), Mass: "70.00 ct"}}, Offcuts: children("mine.b 3 4.00")}}
		}, []string{"mine.a", "mine.b"}},
		{"sold part", func() opal.Event {
			e := sold("mine", "mine.r", day(3), "dealer")
			e.Sold.Part = &opal.PartOf{Lot: "mine.a", Pieces: n(3), Mass: "30.00 ct"}
			return e
		}, []string{"mine.a"}},
		{"part sold out of the log", func() opal.Event {
			e := sold("mine", "mine.r", day(3), opal.Outside)
			e.Sold.Part = &opal.PartOf{Lot: "mine.a", Pieces: n(3), Mass: "30.00 ct"}
			return e
		}, []string{"mine.a"}},
		{"part handed over", func() opal.Event {
			e := handOver("mine", "mine.r", day(3), "cutter", opal.ForCutting)
			e.HandedOver.Part = &opal.PartOf{Lot: "mine.a", Mass: "30.00 ct"}
			return e
		}, []string{"mine.a"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			rough(b)
			b.ok(described("mine", "mine.r", day(2), "99.50 ct", ""))
			was, line := *b.lot("mine.r"), *b.line("mine.r")
			r := b.ok(x.make())
			w := b.ok(withdrawn(r, day(4)))
			is := *b.lot("mine.r")
			is.Revision, is.Events, is.Amended = was.Revision, was.Events, was.Amended
			if dump(is) != dump(was) {
				t.Errorf("got  %s\nwant %s", dump(is), dump(was))
			}
			after := *b.line("mine.r")
			if after.Base != line.Base || after.Total != line.Total || after.Variance > line.Variance*(1+1e-12) {
				t.Errorf("line %+v, was %+v", after, line)
			}
			for _, id := range x.kids {
				if l := b.lot(id); l.State != Void || l.ClosedBy != w.Event.ID() || l.Pending != nil {
					t.Errorf("%s", dump(l))
				}
				b.refused(treated("mine", id, day(4)), fault.LotClosed, "lot")
			}
			b.refused(x.make(), fault.LotExists, partField(&r.Event, 0)+".lot")
			b.ok(split("mine", "mine.r", day(5), nil, "mine.x 10 99.50"))
			b.consistent()
		})
	}
}

// TestWithdrawSplitTooLate: not once a child has an event of its own, or the parent has changed hands or ended.
func TestWithdrawSplitTooLate(t *testing.T) {
	for _, x := range []struct {
		name  string
		later func(b *book) *opal.Recorded // the event that is named
	}{
		{"a test of a child", func(b *book) *opal.Recorded { return b.ok(tested("mine", "mine.a", day(4))) }},
		{"a sale of a child", func(b *book) *opal.Recorded { return b.ok(sold("mine", "mine.a", day(4), "dealer")) }},
		{"a combination of a child", func(b *book) *opal.Recorded {
			b.ok(mined("mine.q", day(1), "10.00 ct", n(1), "", opal.Hydrophane))
			return b.ok(opal.Event{Party: "mine", Lot: "mine.c", OccurredAt: day(4), Combined: &opal.Combined{Parents: []string{"mine.a", "mine.q"}, Mass: "50.00 ct"}})
		}},
		{"a combination of the parent", func(b *book) *opal.Recorded {
			b.ok(mined("mine.q", day(1), "10.00 ct", n(1), "", opal.Hydrophane))
			return b.ok(opal.Event{Party: "mine", Lot: "mine.c", OccurredAt: day(4), Combined: &opal.Combined{Parents: []string{"mine.r", "mine.q"}, Mass: "70.00 ct"}})
		}},
		{"a sale of the parent", func(b *book) *opal.Recorded { return b.ok(sold("mine", "mine.r", day(4), "dealer")) }},
		{"the end of the parent", func(b *book) *opal.Recorded { return b.ok(split("mine", "mine.r", day(4), nil, "mine.d 6 60.00")) }},
		{"a second split whose rest was weighed", func(b *book) *opal.Recorded {
			return b.ok(split("mine", "mine.r", day(4), rest("3 30.00"), "mine.d 3 30.00"))
		}},
	} {
		t.Run(x.name, func(t *testing.T) {
			b := newBook(t)
			rough(b)
			r := b.ok(split("mine", "mine.r", day(3), rest("6 60.00"), "mine.a 4 40.00"))
			later := x.later(b)
			f := b.refused(withdrawn(r, day(5)), fault.HasLaterEvents, "withdrawn.event")
			if !strings.Contains(f.Message, later.Event.ID()) {
				t.Errorf("does not name %s: %s", later.Event.ID(), f.Message)
			}
			b.consistent()
		})
	}
	// A test of the child that was withdrawn itself is none, and parts sold since leave a computed rest that still holds.
	b := newBook(t)
	rough(b)
	part := func(lot, at, mass string) opal.Event {
		e := sold("mine", "mine.r", at, "dealer")
		e.Sold.Part = &opal.PartOf{Lot: lot, Pieces: n(2), Mass: opal.Mass(mass)}
		return e
	}
	first := b.ok(part("mine.a", day(3), "20.00 ct"))
	b.ok(part("mine.b", day(4), "15.00 ct"))
	b.ok(withdrawn(b.ok(tested("mine", "mine.a", day(3))), day(5)))
	b.has("mine.r", 6, "65.00 ct")
	b.ok(withdrawn(first, day(5)))
	b.has("mine.r", 8, "85.00 ct")
	b.ok(received("dealer", "mine.b", day(6)))
	b.consistent()
}

// TestWithdrawOpening: only while nothing has happened to the lot.
func TestWithdrawOpening(t *testing.T) {
	b := newBook(t)
	r := rough(b)
	test := b.ok(tested("mine", "mine.r", day(2)))
	f := b.refused(withdrawn(r, day(3)), fault.HasLaterEvents, "withdrawn.event")
	if !strings.Contains(f.Message, test.Event.ID()) {
		t.Error(f.Message)
	}
	b.ok(withdrawn(test, day(3)))
	b.ok(withdrawn(r, day(3)))
	b.held("mine.r", Void, "mine", "mine")
	if l := b.line("mine.r"); l.Base != 0 || l.Total != 0 {
		t.Errorf("%+v", *l)
	}
	b.refused(mined("mine.r", day(4), "1.000 g", nil, "", opal.Fire), fault.LotExists, "lot")
	b.refused(sold("mine", "mine.r", day(4), "dealer"), fault.LotClosed, "lot")
	b.consistent()
}

// TestWithdrawCombination: the parents open again.
func TestWithdrawCombination(t *testing.T) {
	b := newBook(t)
	rough(b)
	b.ok(mined("mine.q", day(2), "50.00 ct", n(5), "", opal.Hydrophane))
	was := *b.lot("mine.r")
	c := b.ok(opal.Event{Party: "mine", Lot: "mine.c", OccurredAt: day(5), Combined: &opal.Combined{Parents: []string{"mine.r", "mine.q"}, Mass: "150.00 ct"}})
	// A late word about a part does not hinder it.
	b.ok(treated("mine", "mine.q", day(3)))
	b.ok(withdrawn(c, day(6)))
	b.held("mine.c", Void, "mine", "mine")
	is := *b.lot("mine.r")
	is.Revision = was.Revision
	if dump(is) != dump(was) {
		t.Errorf("got  %s\nwant %s", dump(is), dump(was))
	}
	b.held("mine.q", Open, "mine", "mine")
	b.ok(sold("mine", "mine.q", day(4), "dealer")) // before the withdrawn combination's date

	b.ok(mined("mine.e", day(6), "50.00 ct", n(5), "", opal.Hydrophane))
	c = b.ok(opal.Event{Party: "mine", Lot: "mine.d", OccurredAt: day(7), Combined: &opal.Combined{Parents: []string{"mine.r", "mine.e"}, Mass: "150.00 ct"}})
	b.ok(tested("mine", "mine.d", day(8)))
	b.refused(withdrawn(c, day(9)), fault.HasLaterEvents, "withdrawn.event")
	b.consistent()
}

// TestWithdrawCustody: a pending sale or hand-over is cancelled; a receipt only while nothing rests on it.
func TestWithdrawCustody(t *testing.T) {
	b := newBook(t)
	rough(b)
	sale := b.ok(sold("mine", "mine.r", day(2), "dealer"))
	b.refused(by("dealer", withdrawn(sale, day(2))), fault.NotYourEvent, "withdrawn.event")
	b.ok(withdrawn(sale, day(3)))
	b.held("mine.r", Open, "mine", "mine")
	b.refused(received("dealer", "mine.r", day(3)), fault.NotHolder, "lot")
	// The time of the withdrawn sale binds no longer.
	give := b.ok(handOver("mine", "mine.r", "2026-01-02T13:00:00Z", "cutter", opal.ForCutting))
	got := b.ok(received("cutter", "mine.r", day(4)))
	f := b.refused(withdrawn(give, day(5)), fault.HasLaterEvents, "withdrawn.event")
	if !strings.Contains(f.Message, got.Event.ID()) {
		t.Error(f.Message)
	}
	b.ok(withdrawn(got, day(5)))
	b.held("mine.r", Open, "mine", "mine")
	if b.lot("mine.r").Pending == nil {
		t.Error("the hand-over is not pending again")
	}
	b.ok(received("cutter", "mine.r", day(4)))
	cut := b.ok(split("cutter", "mine.r", day(6), rest("5 50.00"), "cutter.a 5 50.00"))
	f = b.refused(withdrawn(b.recs[cut.Position-1], day(7)), fault.HasLaterEvents, "withdrawn.event")
	if !strings.Contains(f.Message, cut.Event.ID()) {
		t.Error(f.Message)
	}
	// Each other kind, taken back while it is the last.
	for _, e := range []opal.Event{
		{Counted: &opal.Counted{Pieces: n(4), Mass: "40.00 ct", Why: opal.LostCount}},
		{Described: &opal.Described{MeasuredMass: "49.00 ct"}},
		{HandedOver: &opal.HandedOver{To: "mine", Purpose: opal.ForReturn}},
	} {
		e.Party, e.Lot, e.OccurredAt = "cutter", "mine.r", day(8)
		was := *b.lot("mine.r")
		b.ok(withdrawn(b.ok(e), day(9)))
		is := *b.lot("mine.r")
		is.Revision, is.Events, is.Amended = was.Revision, was.Events, was.Amended
		if dump(is) != dump(was) {
			t.Errorf("%s: got  %s\nwant %s", e.Kind(), dump(is), dump(was))
		}
	}
	b.consistent()

	b = newBook(t)
	rough(b)
	end := b.ok(opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(2), Closed: &opal.Closed{Reason: opal.ClosedToAWearer}})
	b.ok(withdrawn(end, day(3)))
	b.held("mine.r", Open, "mine", "mine")
	out := b.ok(sold("mine", "mine.r", day(2), opal.Outside))
	back := b.ok(opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(3), Reopened: &opal.Reopened{Why: opal.BoughtBack}})
	b.refused(withdrawn(out, day(4)), fault.HasLaterEvents, "withdrawn.event")
	b.ok(withdrawn(back, day(4)))
	b.held("mine.r", Open, opal.Outside, opal.Outside)
	b.ok(withdrawn(out, day(4)))
	b.held("mine.r", Open, "mine", "mine")
	b.consistent()
}

func by(party string, e opal.Event) opal.Event {
	e.Party = party
	return e
}

// TestWithdrawStatements: what a poster stated it can always take back; figures on which later events rest stay.
func TestWithdrawStatements(t *testing.T) {
	b := newBook(t)
	rough(b)
	e := treated("mine", "mine.r", day(2))
	e.Treated.Treatment, e.Treated.MassAfter = opal.Resin, "130.00 ct"
	first := b.ok(e)
	was := *b.line("mine.r")
	b.ok(withdrawn(first, day(3)))
	b.has("mine.r", 10, "100.00 ct")
	if l := b.line("mine.r"); l.Base != 20_000_000 || l.Total != 20_000_000 || was.Base != 26_000_000 {
		t.Errorf("line %+v", *l)
	}
	again := b.ok(e)
	b.ok(split("mine", "mine.r", day(4), nil, "mine.a 4 60.00", "mine.b 6 70.00"))
	b.ok(sold("mine", "mine.a", day(5), "dealer"))
	b.ok(received("dealer", "mine.a", day(6)))
	before := *b.lot("mine.r")
	w := b.ok(withdrawn(again, day(9)))
	b.codes(w, "REPORTED_LATE")
	if got := w.Findings[0]; got.Note != lateKept || got.DelaySeconds != 6*86_400 { // recorded on day 3, withdrawn on day 9
		t.Errorf("%+v", got)
	}
	is := *b.lot("mine.r")
	if is.Micrograms != before.Micrograms || is.State != Split || b.line("mine.r").Base != 26_000_000 {
		t.Errorf("%s", dump(is))
	}
	b.refused(withdrawn(again, day(9)), fault.HasLaterEvents, "withdrawn.event")
	// Late words are evidence and go as they came.
	b.ok(withdrawn(b.ok(treated("mine", "mine.r", day(3))), day(10)))
	b.consistent()
}

// TestCorrect: other fields always; mass and pieces while the lot is open and its balances hold.
func TestCorrect(t *testing.T) {
	b := newBook(t)
	r := rough(b)
	opening := func(mass string, pieces int64, country string) opal.Replacement {
		m := *r.Event.Mined
		m.Mass, m.Pieces, m.Origin.Country = opal.Mass(mass), &pieces, country
		return opal.Replacement{Mined: &m}
	}
	b.ok(corrected(r, day(2), opening("1000.00 ct", 100, "ET")))
	b.has("mine.r", 100, "1000.00 ct")
	if l := b.line("mine.r"); l.Base != 200_000_000 || l.Total != l.Base {
		t.Errorf("line %+v", *l)
	}
	b.ok(corrected(r, day(2), opening("100.00 ct", 10, "ET")))
	b.has("mine.r", 10, "100.00 ct")

	s := b.ok(split("mine", "mine.r", day(3), rest("6 60.00"), "mine.a 4 40.00"))
	f := b.refused(corrected(r, day(4), opening("1000.00 ct", 10, "ET")), fault.HasLaterEvents, "corrected.event")
	if !strings.Contains(f.Message, s.Event.ID()) {
		t.Error(f.Message)
	}
	b.refused(corrected(r, day(4), opening("80.00 ct", 10, "ET")), fault.HasLaterEvents, "corrected.event")
	b.refused(corrected(r, day(4), opening("100.00 ct", 11, "ET")), fault.HasLaterEvents, "corrected.event")
	b.ok(corrected(r, day(4), opening("101.00 ct", 10, "ET"))) // still balanced, with moisture
	b.has("mine.r", 6, "60.00 ct")
	if l := b.line("mine.r"); l.Base != 20_200_000 || l.Total != 20_000_000 {
		t.Errorf("line %+v", *l)
	}
	b.ok(split("mine", "mine.r", day(5), nil, "mine.b 6 60.00"))
	f = b.refused(corrected(r, day(6), opening("100.50 ct", 10, "ET")), fault.HasLaterEvents, "corrected.event")
	if !strings.Contains(f.Message, "ended the lot") {
		t.Error(f.Message)
	}
	c := b.ok(corrected(r, day(6), opening("101.00 ct", 10, "AU"))) // another field
	b.codes(c, "REPORTED_LATE")
	b.consistent()
}

// TestCorrectFindings: the findings of a corrected event take the place of its old ones.
func TestCorrectFindings(t *testing.T) {
	b := newBook(t)
	rough(b)
	b.ok(sold("mine", "mine.r", day(2), "dealer"))
	r := b.ok(opal.Event{Party: "dealer", Lot: "mine.r", OccurredAt: day(3), Received: &opal.Received{Pieces: n(10), Mass: "1001.00 ct"}})
	b.codes(r, "ARRIVAL_GAIN")
	line := *b.line("mine.r")
	c := b.ok(corrected(r, day(4), opal.Replacement{Received: &opal.Received{Pieces: n(10), Mass: "100.10 ct"}}))
	b.codes(c, "MOISTURE_SIZED_GAIN")
	b.has("mine.r", 10, "100.10 ct")
	l := b.lot("mine.r")
	if len(l.Findings) != 1 || l.Findings[0].Event != c.Event.ID() || l.FindingCount != 1 {
		t.Errorf("findings %s", dump(l.Findings))
	}
	if now := b.line("mine.r"); now.Base != 20_000_000 || now.Total != 20_020_000 || line.Base != 200_200_000 {
		t.Errorf("line %+v", *now)
	}
	// A correction can be withdrawn: the event holds as it was posted.
	b.ok(withdrawn(c, day(5)))
	b.has("mine.r", 10, "1001.00 ct")
	if l := b.lot("mine.r"); len(l.Findings) != 1 || l.Findings[0].Event != r.Event.ID() {
		t.Errorf("findings %s", dump(l.Findings))
	}
	b.consistent()
}

// TestCorrectRefused: a correction is judged like the event itself, in its place; its field paths lead into the replacement.
func TestCorrectRefused(t *testing.T) {
	b := newBook(t)
	rough(b)
	d := b.ok(described("mine", "mine.r", day(3), "101.00 ct", ""))
	b.refused(corrected(d, day(4), opal.Replacement{Described: &opal.Described{MeasuredMass: "300.00 ct"}}), fault.MassGain, "corrected.replacement.described.measuredMass")
	b.refused(corrected(d, day(4), opal.Replacement{OccurredAt: "2025-12-01", Described: d.Event.Described}), fault.BeforeLotOpened, "corrected.replacement.occurredAt")
	if _, f := b.try(corrected(d, day(4), opal.Replacement{OccurredAt: "2027-12-01", Described: d.Event.Described})); f == nil || f.Reason != fault.FutureTime {
		t.Errorf("got %v", f)
	}
	b.ok(corrected(d, day(4), opal.Replacement{OccurredAt: "2026-01-03", Described: d.Event.Described}))
	if at := b.lot("mine.r").LastMove; at.From != instant("2026-01-03T00:00:00Z") {
		t.Errorf("moved at %s", stamp(at))
	}
	s := b.ok(split("mine", "mine.r", day(5), nil, "mine.a 4 40.00", "mine.b 6 60.00"))
	b.refused(corrected(s, day(6), opal.Replacement{Split: &opal.Split{Children: children("mine.a 4 40.00", "mine.c 6 60.00")}}), fault.InvalidField, "corrected.replacement.split")
	b.refused(corrected(s, day(6), opal.Replacement{Split: &opal.Split{Children: children("mine.a 4 40.00", "mine.b 7 60.00")}}), fault.PieceMismatch, "corrected.replacement.split.children")
	b.refused(corrected(d, day(6), opal.Replacement{OccurredAt: day(6), Described: d.Event.Described}), fault.HasLaterEvents, "corrected.event")
	b.consistent()
}

// TestCorrectSplit: children that nothing has happened to are opened anew.
func TestCorrectSplit(t *testing.T) {
	b := newBook(t)
	rough(b)
	s := b.ok(split("mine", "mine.r", day(3), nil, "mine.a 4 40.00", "mine.b 6 60.00"))
	fixed := func(manner opal.SplitManner, list ...string) opal.Event {
		return corrected(s, day(4), opal.Replacement{Split: &opal.Split{Children: children(list...), Manner: manner}})
	}
	b.ok(fixed("", "mine.a 5 45.00", "mine.b 5 55.00"))
	b.has("mine.a", 5, "45.00 ct")
	b.has("mine.b", 5, "55.00 ct")
	test := b.ok(tested("mine", "mine.a", day(4)))
	f := b.refused(fixed("", "mine.a 4 40.00", "mine.b 6 60.00"), fault.HasLaterEvents, "corrected.event")
	if !strings.Contains(f.Message, test.Event.ID()) {
		t.Error(f.Message)
	}
	b.ok(fixed(opal.Unsorted, "mine.a 5 45.00", "mine.b 5 55.00")) // no figure
	b.ok(fixed("", "mine.a 5 45.00", "mine.b 5 54.00"))            // nothing has happened to mine.b
	b.has("mine.b", 5, "54.00 ct")
	b.consistent()

	// The form of a stone is no figure.
	b = newBook(t)
	rough(b)
	cut := b.ok(opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(3), Cut: &opal.Cut{Stones: []opal.Stone{{Lot: "mine.a", Pieces: n(1), Mass: "20.00 ct"}}}})
	b.ok(sold("mine", "mine.a", day(4), "dealer"))
	b.ok(corrected(cut, day(5), opal.Replacement{Cut: &opal.Cut{Stones: []opal.Stone{{Lot: "mine.a", Pieces: n(1), Mass: "20.00 ct", Form: opal.Faceted}}}}))
	if l := b.lot("mine.a"); l.Form != opal.Faceted || l.Pending == nil {
		t.Errorf("%s", dump(l))
	}
	b.consistent()
}

// TestCorrectCustody: a pending sale may be to somebody else; a received one not.
func TestCorrectCustody(t *testing.T) {
	b := newBook(t)
	rough(b)
	sale := b.ok(sold("mine", "mine.r", day(2), "dealer"))
	to := func(party string) opal.Replacement { return opal.Replacement{Sold: &opal.Sold{To: party}} }
	f := b.refused(corrected(sale, day(3), to("nobody")), fault.UnknownParty, "corrected.replacement.sold.to")
	if f.Kind != fault.Invalid {
		t.Errorf("kind %d", f.Kind)
	}
	b.ok(corrected(sale, day(3), to("shop")))
	b.refused(received("dealer", "mine.r", day(4)), fault.NotHolder, "lot")
	b.ok(received("shop", "mine.r", day(4)))
	b.refused(corrected(sale, day(5), to("dealer")), fault.HasLaterEvents, "corrected.event")
	claims := to("shop")
	claims.Sold.Claims = []opal.Claim{{Claim: opal.ClaimNatural}}
	b.ok(corrected(sale, day(5), claims))
	b.held("mine.r", Open, "shop", "shop")
	b.consistent()
}

// TestCorrectCombination: its mass, its pieces, its time.
func TestCorrectCombination(t *testing.T) {
	b := newBook(t)
	rough(b)
	b.ok(mined("mine.q", day(2), "50.00 ct", n(5), "", opal.Hydrophane))
	c := b.ok(opal.Event{Party: "mine", Lot: "mine.c", OccurredAt: day(5), Combined: &opal.Combined{Parents: []string{"mine.r", "mine.q"}, Mass: "150.00 ct"}})
	fixed := func(at, mass string, pieces int64) opal.Event {
		return corrected(c, day(6), opal.Replacement{OccurredAt: at, Combined: &opal.Combined{Parents: []string{"mine.r", "mine.q"}, Mass: opal.Mass(mass), Pieces: &pieces}})
	}
	b.refused(fixed("", "250.00 ct", 15), fault.MassGain, "corrected.replacement.combined.mass")
	b.refused(fixed("", "149.00 ct", 16), fault.PieceMismatch, "corrected.replacement.combined.pieces")
	b.refused(fixed(day(1), "149.00 ct", 15), fault.OutOfOrder, "corrected.replacement.occurredAt")
	b.ok(fixed(day(4), "149.00 ct", 15))
	b.has("mine.c", 15, "149.00 ct")
	if l := b.lot("mine.r"); *l.ClosedAt != b.lot("mine.c").OpenedAt || l.State != Combined || l.ChildCount != 1 {
		t.Errorf("%s", dump(l))
	}
	if l := b.line("mine.c"); l.Base != 149_00*2_000 || l.Total != l.Base {
		t.Errorf("line %+v", *l)
	}
	b.refused(treated("mine", "mine.r", day(5)), fault.LotClosed, "occurredAt")
	b.consistent()
}

// TestCorrectLine: a correction of the root's mass is balanced against all that came of it.
func TestCorrectLine(t *testing.T) {
	b := newBook(t)
	r := rough(b)
	b.ok(split("mine", "mine.r", day(2), rest("6 60.00"), "mine.a 4 40.00"))
	b.ok(described("mine", "mine.a", day(3), "45.90 ct", ""))
	b.ok(split("mine", "mine.a", day(4), nil, "mine.b 4 52.70"))
	m := *r.Event.Mined
	m.Mass = "90.00 ct"
	// 112.70 ct on a base of 90.00 ct: past 15 %, below 30 %.
	b.codes(b.ok(corrected(r, day(5), opal.Replacement{Mined: &m})), "LINE_GAIN REPORTED_LATE")
	b.ok(described("mine", "mine.r", day(6), "62.00 ct", ""))
	m2 := m
	m2.Mass = "87.50 ct"
	b.refused(corrected(r, day(7), opal.Replacement{Mined: &m2}), fault.MassGain, "corrected.event")
	b.consistent()
}
