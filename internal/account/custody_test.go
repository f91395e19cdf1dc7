package account

import (
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// rough opens mine.r: 10 pieces, 100.00 ct, on day 1.
func rough(b *book) *opal.Recorded {
	b.t.Helper()
	return b.ok(mined("mine.r", day(1), "100.00 ct", n(10), "", opal.Hydrophane))
}

func refuse(party, lot, at string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Refused: &opal.Refused{Because: "not what was agreed"}}
}

func cameBack(party, lot, at string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Received: &opal.Received{CameBack: true}}
}

// given hands mine.r to a party, which receives it.
func given(b *book, to string, p opal.Purpose) {
	b.t.Helper()
	b.ok(handOver("mine", "mine.r", day(2), to, p))
	b.ok(received(to, "mine.r", day(3)))
	b.held("mine.r", Open, "mine", to)
}

// TestPurposes: what a holder may do that is not the owner, for each purpose.
func TestPurposes(t *testing.T) {
	const at = "2026-01-10T12:00:00Z"
	acts := []struct {
		name string
		make func(party string, p opal.Purpose) opal.Event
	}{
		{"tested", func(p string, _ opal.Purpose) opal.Event { return tested(p, "mine.r", at) }},
		{"described", func(p string, _ opal.Purpose) opal.Event { return described(p, "mine.r", at, "100.00 ct", "") }},
		{"counted", func(p string, _ opal.Purpose) opal.Event {
			return opal.Event{Party: p, Lot: "mine.r", OccurredAt: at, Counted: &opal.Counted{Pieces: n(10), Why: opal.Recount}}
		}},
		{"nothingDone", func(p string, _ opal.Purpose) opal.Event {
			return opal.Event{Party: p, Lot: "mine.r", OccurredAt: at, NothingDone: &opal.NothingDone{From: day(4), To: day(5)}}
		}},
		{"return", func(p string, _ opal.Purpose) opal.Event { return handOver(p, "mine.r", at, "mine", opal.ForReturn) }},
		{"return to a stranger", func(p string, _ opal.Purpose) opal.Event { return handOver(p, "mine.r", at, "dealer", opal.ForReturn) }},
		{"on", func(p string, purpose opal.Purpose) opal.Event { return handOver(p, "mine.r", at, "dealer", purpose) }},
		{"on for viewing", func(p string, _ opal.Purpose) opal.Event { return handOver(p, "mine.r", at, "dealer", opal.ForViewing) }},
		{"split", func(p string, _ opal.Purpose) opal.Event {
			return split(p, "mine.r", at, nil, p+".a 4 40.00", p+".b 6 60.00")
		}},
		{"part on", func(p string, purpose opal.Purpose) opal.Event {
			e := handOver(p, "mine.r", at, "dealer", purpose)
			e.HandedOver.Part = &opal.PartOf{Lot: p + ".part", Pieces: n(2), Mass: "20.00 ct"}
			return e
		}},
		{"cut", func(p string, _ opal.Purpose) opal.Event {
			return opal.Event{Party: p, Lot: "mine.r", OccurredAt: at, Cut: &opal.Cut{Stones: []opal.Stone{{Lot: p + ".s", Pieces: n(9), Mass: "20.00 ct"}}}}
		}},
		{"treated", func(p string, _ opal.Purpose) opal.Event { return treated(p, "mine.r", at) }},
		{"sold", func(p string, _ opal.Purpose) opal.Event { return sold(p, "mine.r", at, "dealer") }},
		{"sold on behalf", func(p string, _ opal.Purpose) opal.Event {
			e := sold(p, "mine.r", at, "dealer")
			e.Sold.OnBehalfOf = "mine"
			return e
		}},
		{"set", func(p string, _ opal.Purpose) opal.Event {
			return opal.Event{Party: p, Lot: "mine.r", OccurredAt: at, Set: &opal.Set{Piece: "ring 7"}}
		}},
		{"closed in test", func(p string, _ opal.Purpose) opal.Event {
			return opal.Event{Party: p, Lot: "mine.r", OccurredAt: at, Closed: &opal.Closed{Reason: opal.ClosedInTest}}
		}},
		{"closed lost", func(p string, _ opal.Purpose) opal.Event {
			return opal.Event{Party: p, Lot: "mine.r", OccurredAt: at, Closed: &opal.Closed{Reason: opal.ClosedLost}}
		}},
	}
	always := []string{"tested", "described", "counted", "nothingDone", "return", "on"}
	for _, x := range []struct {
		purpose opal.Purpose
		more    []string
	}{
		{opal.ForCutting, []string{"split", "cut", "part on"}},
		{opal.ForTesting, []string{"closed in test"}},
		{opal.ForTreatment, []string{"treated"}},
		{opal.ForConsignment, []string{"split", "sold on behalf", "part on"}},
		{opal.ForTransport, nil},
		{opal.ForSetting, []string{"set"}},
		{opal.ForRepair, nil},
		{opal.ForViewing, []string{"on for viewing"}},
	} {
		may := map[string]bool{}
		for _, a := range append(append([]string(nil), always...), x.more...) {
			may[a] = true
		}
		for _, act := range acts {
			t.Run(string(x.purpose)+"/"+act.name, func(t *testing.T) {
				b := newBook(t)
				rough(b)
				given(b, "cutter", x.purpose)
				e := act.make("cutter", x.purpose)
				b.clock(at)
				_, f := b.try(e)
				want := fault.NotHolder
				if act.name == "return to a stranger" {
					want = fault.NotAllowed
				}
				switch {
				case may[act.name] && f != nil:
					t.Errorf("refused: %v", f)
				case !may[act.name] && f == nil:
					t.Error("accepted")
				case f != nil && f.Reason != want:
					t.Errorf("got %v, want %s", f, want)
				}
				b.consistent()
			})
		}
		// The owner, which does not hold it, can move nothing.
		b := newBook(t)
		rough(b)
		given(b, "cutter", x.purpose)
		b.refused(sold("mine", "mine.r", at, "dealer"), fault.NotHolder, "lot")
		b.refused(split("mine", "mine.r", at, nil, "mine.a 10 100.00"), fault.NotHolder, "lot")
	}
}

// TestSaleAndHandOver: sold moves title and stones, handedOver the stones only.
func TestSaleAndHandOver(t *testing.T) {
	b := newBook(t)
	rough(b)
	b.ok(handOver("mine", "mine.r", day(2), "cutter", opal.ForCutting))
	b.held("mine.r", Open, "mine", "mine")
	b.refused(sold("mine", "mine.r", day(3), "dealer"), fault.HandoverPending, "lot")
	b.refused(split("cutter", "mine.r", day(3), nil, "cutter.a 10 100.00"), fault.HandoverPending, "lot")
	b.refused(received("dealer", "mine.r", day(3)), fault.NotHolder, "lot")
	b.refused(received("mine", "mine.r", day(3)), fault.NotHolder, "lot")
	b.refused(cameBack("cutter", "mine.r", day(3)), fault.NotHolder, "received.cameBack")
	b.ok(received("cutter", "mine.r", day(4)))
	b.held("mine.r", Open, "mine", "cutter")
	// On to another cutter, back to the first, back to the owner.
	b.ok(handOver("cutter", "mine.r", day(5), "treater", opal.ForCutting))
	b.ok(received("treater", "mine.r", day(6)))
	b.ok(handOver("treater", "mine.r", day(7), "cutter", opal.ForReturn))
	b.ok(received("cutter", "mine.r", day(8)))
	if l := b.lot("mine.r"); l.Purpose != opal.ForCutting {
		t.Errorf("purpose %s", l.Purpose)
	}
	b.ok(handOver("cutter", "mine.r", day(9), "mine", opal.ForReturn))
	b.ok(received("mine", "mine.r", day(10)))
	b.held("mine.r", Open, "mine", "mine")
	if l := b.lot("mine.r"); l.Purpose != "" || l.CustodyCount != 5 {
		t.Errorf("%s", dump(l))
	}
	b.ok(sold("mine", "mine.r", day(11), "dealer"))
	b.ok(received("dealer", "mine.r", day(12)))
	b.held("mine.r", Open, "dealer", "dealer")
	b.refused(received("dealer", "mine.r", day(13)), fault.NotHolder, "lot")
	f := b.refused(sold("dealer", "mine.r", day(13), "nobody"), fault.UnknownParty, "sold.to")
	if f.Kind != fault.Invalid {
		t.Errorf("an unknown party in a body is the request's fault, got kind %d", f.Kind)
	}
	b.refused(handOver("dealer", "mine.r", day(13), "nobody", opal.ForCutting), fault.UnknownParty, "handedOver.to")
	b.refused(sold("mine", "mine.r", day(13), "shop"), fault.NotHolder, "lot")
	b.consistent()
}

// TestConsignment: a holder on consignment sells for the owner, names it, and may be the buyer itself.
func TestConsignment(t *testing.T) {
	b := newBook(t)
	rough(b)
	given(b, "shop", opal.ForConsignment)
	b.refused(sold("shop", "mine.r", day(4), "dealer"), fault.NotHolder, "sold.onBehalfOf")
	e := sold("shop", "mine.r", day(4), "dealer")
	e.Sold.OnBehalfOf = "cutter"
	b.refused(e, fault.NotAllowed, "sold.onBehalfOf")
	e.Sold.OnBehalfOf = "mine"
	e.Sold.Part = &opal.PartOf{Lot: "shop.p", Pieces: n(3), Mass: "30.00 ct"}
	sale := b.ok(e)
	b.held("shop.p", Open, "mine", "shop")
	b.ok(received("dealer", "shop.p", day(5)))
	b.held("shop.p", Open, "dealer", "dealer")
	own := sold("shop", "mine.r", day(6), "shop")
	own.Sold.OnBehalfOf = "mine"
	b.ok(own)
	b.ok(received("shop", "mine.r", day(6)))
	b.held("mine.r", Open, "shop", "shop")
	// Title goes back to the owner for whom it was sold.
	b.ok(opal.Event{Party: "dealer", Lot: "shop.p", OccurredAt: day(7), Returned: &opal.Returned{Sale: sale.Event.ID(), Because: "too dark"}})
	b.held("shop.p", Open, "mine", "dealer")
	b.consistent()
}

// TestAnswers: refused and cameBack end a hand-over without a move; a laboratory that was sent the stones may still say what it saw.
func TestAnswers(t *testing.T) {
	b := newBook(t)
	rough(b)
	b.ok(sold("mine", "mine.r", day(2), "dealer"))
	b.refused(refuse("mine", "mine.r", day(3)), fault.NotHolder, "lot")
	b.ok(refuse("dealer", "mine.r", day(3)))
	b.held("mine.r", Open, "mine", "mine")
	b.ok(handOver("mine", "mine.r", day(4), "lab", opal.ForTesting))
	b.codes(b.ok(tested("lab", "mine.r", day(5))), "") // it was sent the stones
	b.refused(described("lab", "mine.r", day(5), "", ""), fault.NotHolder, "lot")
	b.refused(tested("mine", "mine.r", day(5)), fault.HandoverPending, "lot")
	b.codes(b.ok(tested("mine", "mine.r", day(3))), "REPORTED_LATE")
	b.codes(b.ok(opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(6), Received: &opal.Received{CameBack: true, Mass: "40.00 ct"}}), "ARRIVAL_DIFFERENCE")
	b.held("mine.r", Open, "mine", "mine")
	b.has("mine.r", 10, "40.00 ct")
	b.codes(b.ok(tested("lab", "mine.r", day(5))), "REPORTED_LATE")
	b.refused(tested("lab", "mine.r", day(7)), fault.NotHolder, "lot")
	b.refused(tested("lab", "mine.r", day(3)), fault.NotHolder, "lot")
	if l := b.lot("mine.r"); len(l.Sent) != 2 || l.Sent[1].To != "lab" {
		t.Errorf("sent %s", dump(l.Sent))
	}
	b.consistent()
}

// TestReturned: title goes back, also for a part of what was sold; the stones follow with a hand-over.
func TestReturned(t *testing.T) {
	back := func(lot, sale, at string) opal.Event {
		return opal.Event{Party: "dealer", Lot: lot, OccurredAt: at, Returned: &opal.Returned{Sale: sale, Because: "dyed"}}
	}
	b := newBook(t)
	other := b.ok(mined("mine.q", day(1), "100.00 ct", n(10), "", opal.Hydrophane))
	rough(b)
	sale := b.ok(sold("mine", "mine.r", day(2), "dealer"))
	qsale := b.ok(sold("mine", "mine.q", day(2), "dealer"))
	b.refused(back("mine.r", sale.Event.ID(), day(3)), fault.HandoverPending, "lot")
	b.ok(received("dealer", "mine.r", day(3)))
	b.ok(received("dealer", "mine.q", day(3)))
	b.refused(back("mine.r", "mine/00000000-0000-0000-0000-00000000ffff", day(4)), fault.UnknownEvent, "returned.sale")
	b.refused(back("mine.r", other.Event.ID(), day(4)), fault.InvalidField, "returned.sale")
	b.refused(back("mine.r", qsale.Event.ID(), day(4)), fault.InvalidField, "returned.sale")
	b.ok(split("dealer", "mine.r", day(4), nil, "dealer.a 4 40.00", "dealer.b 6 60.00"))
	b.ok(back("dealer.a", sale.Event.ID(), day(5)))
	b.held("dealer.a", Open, "mine", "dealer")
	b.held("dealer.b", Open, "dealer", "dealer")
	b.refused(back("dealer.a", sale.Event.ID(), day(6)), fault.NotHolder, "returned")
	b.refused(sold("dealer", "dealer.a", day(6), "shop"), fault.NotHolder, "sold")
	b.ok(handOver("dealer", "dealer.a", day(6), "mine", opal.ForReturn))
	b.ok(received("mine", "dealer.a", day(7)))
	b.held("dealer.a", Open, "mine", "mine")
	// Sold on, the buyer's sale is no reason to give it back to the mine.
	b.ok(sold("dealer", "dealer.b", day(7), "shop"))
	b.ok(received("shop", "dealer.b", day(8)))
	e := back("dealer.b", sale.Event.ID(), day(9))
	e.Party = "shop"
	b.refused(e, fault.NotYourEvent, "returned.sale")
	b.consistent()
}

// TestOutside: a buyer outside the log; a wearer; the way back.
func TestOutside(t *testing.T) {
	reopen := func(party, lot, at string, why opal.ReopenWhy) opal.Event {
		return opal.Event{Party: party, Lot: lot, OccurredAt: at, Reopened: &opal.Reopened{Why: why}}
	}
	wear := func(party, lot, at string) opal.Event {
		return opal.Event{Party: party, Lot: lot, OccurredAt: at, Closed: &opal.Closed{Reason: opal.ClosedToAWearer, Claims: []opal.Claim{{Claim: opal.ClaimNatural}}}}
	}
	b := newBook(t)
	rough(b)
	b.refused(reopen("mine", "mine.r", day(2), opal.BoughtBack), fault.NotAllowed, "reopened")
	b.ok(sold("mine", "mine.r", day(2), opal.Outside))
	b.held("mine.r", Open, opal.Outside, opal.Outside)
	b.refused(split("mine", "mine.r", day(3), nil, "mine.a 10 100.00"), fault.NotHolder, "lot")
	b.codes(b.ok(treated("mine", "mine.r", day(1))), "REPORTED_LATE")
	b.refused(reopen("dealer", "mine.r", day(3), opal.BoughtBack), fault.NotHolder, "lot")
	b.refused(reopen("mine", "mine.r", day(1), opal.BoughtBack), fault.OutOfOrder, "occurredAt")
	b.ok(reopen("mine", "mine.r", day(3), opal.BoughtBack))
	b.held("mine.r", Open, "mine", "mine")

	part := sold("mine", "mine.r", day(4), opal.Outside)
	part.Sold.Part = &opal.PartOf{Lot: "mine.p", Pieces: n(1), Mass: "10.00 ct"}
	b.ok(part)
	b.held("mine.p", Open, opal.Outside, opal.Outside)
	b.ok(reopen("mine", "mine.p", day(5), opal.ReopenReturned))
	b.held("mine.p", Open, "mine", "mine")

	b.ok(wear("mine", "mine.p", day(6)))
	b.held("mine.p", Closed, opal.Outside, opal.Outside)
	b.refused(sold("mine", "mine.p", day(7), "shop"), fault.LotClosed, "lot")
	b.refused(treated("mine", "mine.p", day(7)), fault.LotClosed, "occurredAt")
	b.ok(reopen("mine", "mine.p", day(8), opal.ReopenRepair))
	b.held("mine.p", Open, opal.Outside, "mine")
	b.refused(sold("mine", "mine.p", day(9), "shop"), fault.NotHolder, "sold")
	b.ok(wear("mine", "mine.p", day(9)))

	b.ok(opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(9), Closed: &opal.Closed{Reason: opal.ClosedLost}})
	b.held("mine.r", Closed, "mine", "mine")
	b.ok(reopen("mine", "mine.r", day(10), opal.ReopenReturned))
	b.held("mine.r", Open, "mine", "mine")
	b.ok(split("mine", "mine.r", day(11), nil, "mine.x 9 90.00"))
	b.refused(reopen("mine", "mine.r", day(12), opal.BoughtBack), fault.LotClosed, "lot")
	b.consistent()
}

// TestSetStonesLiveOn.
func TestSetStonesLiveOn(t *testing.T) {
	set := func(at string) opal.Event {
		return opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: at, Set: &opal.Set{Piece: "ring 7"}}
	}
	unset := func(at, piece string) opal.Event {
		return opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: at, Unset: &opal.Unset{Piece: piece}}
	}
	b := newBook(t)
	rough(b)
	b.refused(unset(day(2), ""), fault.InvalidField, "unset")
	b.refused(set("2025-12-01"), fault.BeforeLotOpened, "occurredAt")
	b.ok(set(day(2)))
	if l := b.lot("mine.r"); l.SetIn != "ring 7" || l.State != Open {
		t.Errorf("%s", dump(l))
	}
	b.ok(split("mine", "mine.r", day(3), rest("5 50.00"), "mine.a 5 50.00"))
	if l := b.lot("mine.a"); l.SetIn != "ring 7" {
		t.Errorf("%s", dump(l))
	}
	b.refused(unset(day(4), "ring 8"), fault.InvalidField, "unset.piece")
	b.ok(unset(day(4), "ring 7"))
	b.consistent()
}

// TestTime: order in time, and the clock.
func TestTime(t *testing.T) {
	b := newBook(t)
	b.clock(day(9))
	rough(b)
	b.ok(split("mine", "mine.r", day(5), rest("6 60.00"), "mine.a 4 40.00"))
	b.refused(sold("mine", "mine.r", day(4), "dealer"), fault.OutOfOrder, "occurredAt")
	b.refused(sold("mine", "mine.a", day(4), "dealer"), fault.BeforeLotOpened, "occurredAt")
	b.refused(sold("mine", "mine.r", "2025-12-24", "dealer"), fault.BeforeLotOpened, "occurredAt")
	b.ok(sold("mine", "mine.r", "2026-01-06", "dealer")) // a day that overlaps the split's
	// The day is joined with the noon of the split: an earlier hour of that day is out of order.
	b.refused(received("dealer", "mine.r", "2026-01-06T11:00:00Z"), fault.OutOfOrder, "occurredAt")
	b.ok(received("dealer", "mine.r", "2026-01-06T13:00:00Z"))

	// The clock stands at 2026-01-10T12:00:00Z; five minutes ahead are accepted.
	ahead := func(at string) opal.Event { return sold("dealer", "mine.r", at, "shop") }
	if _, f := b.try(ahead("2026-01-10T12:05:01Z")); f == nil || f.Reason != fault.FutureTime || f.Field != "occurredAt" {
		t.Errorf("got %v", f)
	}
	if _, f := b.try(ahead("2026-01-11")); f == nil || f.Reason != fault.FutureTime {
		t.Errorf("got %v", f)
	}
	if _, f := b.try(ahead("2026-01-10")); f != nil {
		t.Errorf("today is not ahead: %v", f)
	}
	if _, f := b.try(mined("mine.z", "2026-01-11", "1.000 g", nil, "", opal.Volcanic)); f == nil || f.Reason != fault.FutureTime {
		t.Errorf("got %v", f)
	}
	if _, f := b.try(tested("mine", "mine.a", "2026-01-10T12:05:01Z")); f == nil || f.Reason != fault.FutureTime {
		t.Errorf("got %v", f)
	}
	b.ok(cameBack("dealer", "mine.r", "2026-01-10T12:05:00Z"))
	b.consistent()
}

// TestLate: statements about stones are taken from whoever held them then, wherever the lot is now.
func TestLate(t *testing.T) {
	b := newBook(t)
	rough(b)
	given(b, "treater", opal.ForTreatment) // day 3
	b.ok(handOver("treater", "mine.r", day(6), "mine", opal.ForReturn))
	b.ok(received("mine", "mine.r", day(7)))
	b.ok(split("mine", "mine.r", day(8), nil, "mine.a 4 40.00", "mine.b 6 60.00"))
	b.clock(day(40))

	late := treated("treater", "mine.r", day(5))
	late.Treated.MassBefore, late.Treated.MassAfter = "10.00 ct", "300.00 ct" // evidence, no weighing
	r := b.ok(late)
	b.codes(r, "REPORTED_LATE")
	if got := r.Findings[0]; got.DelaySeconds != 35*86_400 || got.Lot != "mine.r" {
		t.Errorf("%+v", got)
	}
	b.has("mine.r", 10, "100.00 ct")
	b.codes(b.ok(described("treater", "mine.r", day(5), "300.00 ct", "")), "REPORTED_LATE")
	b.codes(b.ok(tested("mine", "mine.r", day(8))), "REPORTED_LATE")

	b.refused(treated("treater", "mine.r", day(2)), fault.NotHolder, "lot")
	b.refused(treated("dealer", "mine.r", day(5)), fault.NotHolder, "lot")
	b.refused(treated("mine", "mine.r", day(9)), fault.LotClosed, "occurredAt")
	b.refused(treated("treater", "mine.r", day(9)), fault.LotClosed, "occurredAt")
	// Before the opening comes before custody.
	b.refused(treated("dealer", "mine.r", day(0)), fault.BeforeLotOpened, "occurredAt")
	b.refused(treated("treater", "mine.a", day(5)), fault.BeforeLotOpened, "occurredAt")
	b.consistent()
}

// TestNotLate: reporting some days later is not late while nothing has moved.
func TestNotLate(t *testing.T) {
	b := newBook(t)
	rough(b)
	b.clock(day(30))
	b.codes(b.ok(tested("mine", "mine.r", day(2))), "")
	b.codes(b.ok(described("mine", "mine.r", day(10), "99.00 ct", "")), "MOISTURE_SIZED_LOSS")
	b.codes(b.ok(treated("mine", "mine.r", day(9))), "REPORTED_LATE") // a weighing is dated later
	b.codes(b.ok(treated("mine", "mine.r", day(10))), "")
	b.consistent()
}

// TestNothingDone: the word is about a span of time, all of which its poster must have held the lot.
func TestNothingDone(t *testing.T) {
	word := func(party, at, from, to string) opal.Event {
		return opal.Event{Party: party, Lot: "mine.r", OccurredAt: at, NothingDone: &opal.NothingDone{From: from, To: to}}
	}
	b := newBook(t)
	rough(b)
	b.ok(sold("mine", "mine.r", day(5), "dealer"))
	b.ok(received("dealer", "mine.r", day(6)))
	b.clock(day(20))
	b.codes(b.ok(word("mine", day(20), day(1), day(5))), "REPORTED_LATE")
	b.codes(b.ok(word("mine", day(20), "2026-01-02", "2026-01-06")), "REPORTED_LATE")
	b.codes(b.ok(word("dealer", day(20), day(6), day(20))), "")
	b.refused(word("dealer", day(20), day(5), day(20)), fault.NotHolder, "lot")
	b.refused(word("mine", day(20), day(1), day(7)), fault.NotHolder, "lot")
	b.refused(word("mine", day(20), day(0), day(5)), fault.BeforeLotOpened, "nothingDone.from")
	if _, f := b.try(word("dealer", day(20), day(6), day(21))); f == nil || f.Reason != fault.FutureTime || f.Field != "nothingDone.to" {
		t.Errorf("got %v", f)
	}
	b.ok(opal.Event{Party: "dealer", Lot: "mine.r", OccurredAt: day(20), Closed: &opal.Closed{Reason: opal.ClosedLost}})
	b.clock(day(22))
	b.refused(word("dealer", day(22), day(6), day(21)), fault.LotClosed, "nothingDone.to")
	b.consistent()
}

// TestManyHands: the account keeps the first and the latest spans; a late report about one left out is judged from the history.
func TestManyHands(t *testing.T) {
	b := newBook(t)
	rough(b)
	holder := "mine"
	for i := range 2 * Keep {
		to := []string{"dealer", "shop"}[i%2]
		if i == 20 {
			to = "lab"
		}
		b.ok(sold(holder, "mine.r", day(2+i), to))
		b.ok(received(to, "mine.r", day(2+i)))
		holder = to
	}
	l := b.lot("mine.r")
	if len(l.Custody) != Keep || l.CustodyCount != 2*Keep+1 || l.Custody[0].Holder != "mine" {
		t.Fatalf("%d spans of %d", len(l.Custody), l.CustodyCount)
	}
	b.codes(b.ok(treated("lab", "mine.r", day(22))), "REPORTED_LATE")
	b.refused(treated("lab", "mine.r", day(24)), fault.NotHolder, "lot")
	b.codes(b.ok(treated("mine", "mine.r", day(1))), "REPORTED_LATE")
	for i := range 2 * Keep {
		b.ok(described(holder, "mine.r", day(70+i), "100.00 ct", ""))
	}
	if l := b.lot("mine.r"); len(l.Weighings) != Keep || l.WeighingCount != 2*Keep+1 || l.Weighings[0].Event != l.OpenedBy {
		t.Fatalf("%d weighings of %d", len(l.Weighings), l.WeighingCount)
	}
	b.consistent()
}

// TestOrderOfChecks: lot exists → closed → custody → time → pieces → mass. Each event below is wrong in all that come after.
func TestOrderOfChecks(t *testing.T) {
	b := newBook(t)
	rough(b)
	bad := func(party, lot, at string) opal.Event { return split(party, lot, at, nil, party+".a 40 400.00") }
	b.refused(bad("dealer", "mine.none", day(0)), fault.UnknownLot, "lot")
	rev := uint64(999)
	e := bad("dealer", "mine.r", day(0))
	e.ExpectedRevision = &rev
	b.refused(e, fault.EtagMismatch, "expectedRevision")
	b.refused(bad("dealer", "mine.r", day(0)), fault.NotHolder, "lot")
	b.refused(bad("mine", "mine.r", day(0)), fault.BeforeLotOpened, "occurredAt")
	b.refused(bad("mine", "mine.r", day(2)), fault.PieceMismatch, "split.children")
	b.refused(split("mine", "mine.r", day(2), nil, "mine.a 10 400.00"), fault.MassGain, "split.children")
	b.ok(mined("mine.old", day(1), "1.000 g", nil, "", opal.Fire))
	b.refused(split("mine", "mine.r", day(2), nil, "mine.old 10 400.00"), fault.LotExists, "split.children[0].lot")
	rev = b.lot("mine.r").Revision
	e = split("mine", "mine.r", day(2), nil, "mine.a 10 100.00")
	e.ExpectedRevision = &rev
	b.ok(e)
	b.refused(bad("dealer", "mine.r", day(0)), fault.LotClosed, "lot")
	e = tested("mine", "mine.a", day(3))
	e.Tested.Sample.Lots = []string{"mine.a", "mine.q"}
	b.refused(e, fault.UnknownLot, "tested.sample.lots[1]")
	b.refused(mined("mine.r", day(3), "1.000 g", nil, "", opal.Fire), fault.LotExists, "lot")
	combine := opal.Event{Party: "mine", Lot: "mine.c", OccurredAt: day(3), Combined: &opal.Combined{Parents: []string{"mine.a", "mine.q"}, Mass: "100.00 ct"}}
	b.refused(combine, fault.UnknownLot, "combined.parents[1]")
	combine.Combined.Parents[1] = "mine.r"
	b.refused(combine, fault.LotClosed, "combined.parents[1]")
	b.ok(mined("mine.s", day(4), "1.000 g", nil, "", opal.Fire))
	combine.Combined.Parents[1] = "mine.s"
	b.refused(combine, fault.BeforeLotOpened, "occurredAt")
	b.ok(sold("mine", "mine.s", day(5), "dealer"))
	b.refused(combine, fault.HandoverPending, "combined.parents[1]")
	b.ok(received("dealer", "mine.s", day(6)))
	b.refused(combine, fault.NotHolder, "combined.parents[1]")
	b.consistent()
}

// TestDepth: generations and distinct ancestors are bounded by the policy.
func TestDepth(t *testing.T) {
	p := opal.DefaultPolicy()
	p.MaxDepth, p.MaxAncestors = 3, 6
	b := newBookWith(t, p)
	rough(b)
	b.ok(split("mine", "mine.r", day(2), nil, "mine.a 4 40.00", "mine.b 6 60.00"))
	combine := func(lot, at string, parents ...string) opal.Event {
		return opal.Event{Party: "mine", Lot: lot, OccurredAt: at, Combined: &opal.Combined{Parents: parents, Mass: "100.00 ct"}}
	}
	b.ok(combine("mine.c", day(3), "mine.a", "mine.b"))
	// The root counts once, though it lies above both parents.
	if l := b.lot("mine.c"); l.Depth != 2 || l.Ancestors != 3 {
		t.Errorf("depth %d, ancestors %d; want 2, 3", l.Depth, l.Ancestors)
	}
	b.ok(split("mine", "mine.c", day(4), nil, "mine.d 10 100.00"))
	b.refused(split("mine", "mine.d", day(5), nil, "mine.e 10 100.00"), fault.TooDeep, "split.children[0]")
	part := sold("mine", "mine.d", day(5), "dealer")
	part.Sold.Part = &opal.PartOf{Lot: "mine.e", Pieces: n(1), Mass: "1.00 ct"}
	b.refused(part, fault.TooDeep, "sold.part")
	b.consistent()

	b = newBookWith(t, p)
	var parents []string
	for _, id := range []string{"mine.1", "mine.2", "mine.3", "mine.4", "mine.5", "mine.6", "mine.7"} {
		b.ok(mined(id, day(1), "14.29 ct", n(1), "", opal.Hydrophane))
		parents = append(parents, id)
	}
	b.refused(combine("mine.c", day(2), parents...), fault.TooDeep, "combined.parents")
	e := combine("mine.c", day(2), parents[:6]...)
	e.Combined.Mass = "85.74 ct"
	b.ok(e)
	b.refused(split("mine", "mine.c", day(3), nil, "mine.d 6 85.74"), fault.TooDeep, "split.children[0]")
}
