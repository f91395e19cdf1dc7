package evidence

import (
	"fmt"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// custodyLine writes the spans as "mine 2026-01-01..2026-02-02" or, where nobody documents them, "? …".
func custodyLine(s *Status) string {
	day := func(w *opal.When) string {
		if w == nil {
			return ""
		}
		return textDay(*w)
	}
	var out []string
	for _, x := range s.Custody {
		holder := x.Holder
		if !x.Documented {
			holder = "?"
		}
		out = append(out, fmt.Sprintf("%s %s..%s", holder, day(x.From), day(x.To)))
	}
	return strings.Join(out, ", ")
}

func TestCustody(t *testing.T) {
	const s = "mine.s"
	tests := map[string]struct {
		build func(w *world) string
		asOf  string
		want  string
		gaps  int64
	}{
		"one holder": {func(w *world) string { w.stone(s); return s }, "2026-06-01", "mine 2026-01-01..", 0},
		"acquired":   {func(w *world) string { w.post("dealer", s, "2026-01-01", acquired(1)); return s }, "2026-06-01", "? ..2026-01-01, dealer 2026-01-01..", 1},
		"sold and received": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-05", &opal.Received{})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-05, shop 2026-02-05..", 0},
		"received after 30 days": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-03-20", &opal.Received{})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-03-03, ? 2026-03-03..2026-03-20, shop 2026-03-20..", 1},
		"received on the thirtieth day": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-03-03", &opal.Received{})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-03-03, shop 2026-03-03..", 0},
		"under way, not for long": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.HandedOver{To: "cutter", Purpose: opal.ForCutting})
			return s
		}, "2026-02-20", "mine 2026-01-01..", 0},
		"under way for too long": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.HandedOver{To: "cutter", Purpose: opal.ForCutting})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-03-03, ? 2026-03-03..", 1},
		"under way for too long, then taken back": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.HandedOver{To: "cutter", Purpose: opal.ForCutting})
			w.post("mine", s, "2026-04-01", &opal.Received{CameBack: true})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-03-03, ? 2026-03-03..2026-04-01, mine 2026-04-01..", 1},
		"refused in time": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-03", &opal.Refused{Because: "wrong colour"})
			return s
		}, "2026-06-01", "mine 2026-01-01..", 0},
		"a withdrawn hand-over": {func(w *world) string {
			w.stone(s)
			id := w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("mine", s, "2026-02-03", &opal.Withdrawn{Event: id, Because: "not sold"})
			return s
		}, "2026-06-01", "mine 2026-01-01..", 0},
		"sold to a buyer outside": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: opal.Outside})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-01, ? 2026-02-01..", 1},
		"sold to a buyer outside and bought back": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: opal.Outside})
			w.post("mine", s, "2026-04-01", &opal.Reopened{Why: opal.BoughtBack})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-01, ? 2026-02-01..2026-04-01, mine 2026-04-01..", 1},
		"more arrived than was sent": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-05", &opal.Received{Mass: "1.200 g"}, opal.Finding{Code: opal.FindArrivalGain, Lot: s, Micrograms: 200_000})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-05, ? 2026-02-01..2026-02-05, shop 2026-02-05..", 1},
		"sold to a wearer": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Closed{Reason: opal.ClosedToAWearer})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-01", 0},
		"sold to a wearer and bought back": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Closed{Reason: opal.ClosedToAWearer})
			w.post("mine", s, "2026-04-01", &opal.Reopened{Why: opal.BoughtBack})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-01, ? 2026-02-01..2026-04-01, mine 2026-04-01..", 1},
		"sold to a wearer and bought back, as of before": {func(w *world) string {
			w.stone(s)
			w.post("mine", s, "2026-02-01", &opal.Closed{Reason: opal.ClosedToAWearer})
			w.post("mine", s, "2026-04-01", &opal.Reopened{Why: opal.BoughtBack})
			return s
		}, "2026-03-01", "mine 2026-01-01..2026-02-01", 0},
		"a part sold": {func(w *world) string {
			w.post("mine", "mine.p", "2026-01-01", mined(10))
			w.post("mine", "mine.p", "2026-02-01", &opal.Sold{To: "shop", Part: &opal.PartOf{Lot: s, Pieces: pieces(1), Mass: "1.000 g"}})
			w.post("shop", s, "2026-02-05", &opal.Received{})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-01, mine 2026-02-01..2026-02-05, shop 2026-02-05..", 0},
		"what happened to the parcel after the stone left it": {func(w *world) string {
			child := w.parcel("mine.p", 10, opal.Sorted)
			w.post("mine", "mine.p", "2026-04-01", &opal.Sold{To: opal.Outside})
			return child
		}, "2026-06-01", "mine 2026-01-01..2026-03-01, mine 2026-03-01..", 0},
		"a combined lot": {func(w *world) string {
			w.stone("mine.a")
			w.post("dealer", "dealer.b", "2026-01-05", acquired(1))
			w.post("mine", s, "2026-02-01", &opal.Combined{Parents: []string{"mine.a", "dealer.b"}, Pieces: pieces(2), Mass: "2.000 g"})
			return s
		}, "2026-06-01", "mine 2026-01-01..2026-02-01, ? ..2026-01-05, dealer 2026-01-05..2026-02-01, mine 2026-02-01..", 1},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			q := w.query(test.build(w))
			q.AsOf, q.KnownAt = instant(t, test.asOf), w.next
			got := w.ask(q)
			if line := custodyLine(got); line != test.want {
				t.Errorf("custody is %s, want %s", line, test.want)
			}
			if got.Record.Gaps != test.gaps {
				t.Errorf("%d gaps, want %d", got.Record.Gaps, test.gaps)
			}
			for _, x := range got.Custody {
				if x.Because == "" || x.Lot == "" || x.Event == "" {
					t.Errorf("a span without its reason, lot or event: %+v", x)
				}
			}
		})
	}
}

// The hands that state that they did nothing, for all the time in which they held the stones.
func TestRecord(t *testing.T) {
	const s = "mine.s"
	two := func(w *world) {
		w.stone(s)
		w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
		w.post("shop", s, "2026-02-05", &opal.Received{})
	}
	tests := map[string]struct {
		build func(w *world)
		want  string
	}{
		"none": {two, "0 of 2 hands since the mine state that they did nothing to the stones; no gap."},
		"one for all its time": {func(w *world) {
			two(w)
			w.post("mine", s, "2026-02-05", &opal.NothingDone{From: "2026-01-01", To: "2026-02-05"})
		}, "1 of 2 hands since the mine states that it did nothing to the stones; no gap."},
		"one, a day too short": {func(w *world) {
			two(w)
			w.post("mine", s, "2026-02-04", &opal.NothingDone{From: "2026-01-01", To: "2026-02-04"})
		}, "0 of 2 hands since the mine state that they did nothing to the stones; no gap."},
		"one, in two pieces that meet": {func(w *world) {
			two(w)
			w.post("mine", s, "2026-02-05", &opal.NothingDone{From: "2026-01-20", To: "2026-02-05"})
			w.post("mine", s, "2026-01-20", &opal.NothingDone{From: "2026-01-01", To: "2026-01-20"})
		}, "1 of 2 hands since the mine states that it did nothing to the stones; no gap."},
		"one, in two pieces with a hole": {func(w *world) {
			two(w)
			w.post("mine", s, "2026-01-18", &opal.NothingDone{From: "2026-01-01", To: "2026-01-18"})
			w.post("mine", s, "2026-02-05", &opal.NothingDone{From: "2026-01-20", To: "2026-02-05"})
		}, "0 of 2 hands since the mine state that they did nothing to the stones; no gap."},
		"the present holder, so far": {func(w *world) {
			two(w)
			w.post("shop", s, "2026-03-01", &opal.NothingDone{From: "2026-02-05", To: "2026-03-01"})
		}, "1 of 2 hands since the mine states that it did nothing to the stones (shop up to 2026-03-01); no gap."},
		"withdrawn": {func(w *world) {
			two(w)
			id := w.post("mine", s, "2026-02-05", &opal.NothingDone{From: "2026-01-01", To: "2026-02-05"})
			w.post("mine", s, "2026-02-06", &opal.Withdrawn{Event: id, Because: "not so"})
		}, "0 of 2 hands since the mine state that they did nothing to the stones; no gap."},
		"contradicted by a later find": {func(w *world) {
			two(w)
			w.post("mine", s, "2026-02-05", &opal.NothingDone{From: "2026-01-01", To: "2026-02-05"})
			w.test(s, "2026-03-01", tested(opal.Microscope, "CARBON_IN_SCRATCHES"))
		}, "A declaration or a find contradicts such a statement."},
		"contradicted by a declaration": {func(w *world) {
			two(w)
			w.post("mine", s, "2026-02-05", &opal.NothingDone{From: "2026-01-01", To: "2026-02-05"})
			w.post("mine", s, "2026-01-15", treated(opal.Dye))
		}, "A declaration or a find contradicts such a statement."},
		"acquired": {func(w *world) {
			w.post("dealer", s, "2026-01-01", acquired(1))
			w.post("dealer", s, "2026-02-01", &opal.NothingDone{From: "2026-01-01", To: "2026-02-01"})
		}, "1 of 1 hand since the record begins states that it did nothing to the stones (dealer up to 2026-02-01); 1 span is not documented."},
		"said of the parcel that the stone came from": {func(w *world) {
			w.post("mine", "mine.p", "2026-01-01", mined(2))
			w.post("mine", "mine.p", "2026-02-01", split(opal.Sorted, parts(s, 1, "mine.o", 1)))
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-05", &opal.Received{})
			w.post("mine", s, "2026-02-05", &opal.NothingDone{From: "2026-01-01", To: "2026-02-05"})
		}, "1 of 2 hands since the mine states"},
		"said of one part of a combined lot": {func(w *world) {
			w.stone("mine.a")
			w.stone("mine.b")
			w.post("mine", "mine.a", "2026-02-01", &opal.NothingDone{From: "2026-01-01", To: "2026-02-01"})
			w.post("mine", s, "2026-02-01", combined(2, "mine.a", "mine.b"))
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-01", &opal.Received{})
		}, "0 of 2 hands since the mine state"},
		"said of the combined lot, for all the time before": {func(w *world) {
			w.stone("mine.a")
			w.stone("mine.b")
			w.post("mine", s, "2026-02-01", combined(2, "mine.a", "mine.b"))
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-01", &opal.Received{})
			w.post("mine", s, "2026-02-01", &opal.NothingDone{From: "2026-01-01", To: "2026-02-01"})
		}, "1 of 2 hands since the mine states"},
		"said of another stone of the parcel": {func(w *world) {
			w.post("mine", "mine.p", "2026-01-01", mined(2))
			w.post("mine", "mine.p", "2026-02-01", split(opal.Sorted, parts(s, 1, "mine.o", 1)))
			w.post("mine", s, "2026-02-01", &opal.Sold{To: "shop"})
			w.post("shop", s, "2026-02-05", &opal.Received{})
			w.post("mine", "mine.o", "2026-02-05", &opal.NothingDone{From: "2026-01-01", To: "2026-02-05"})
		}, "0 of 2 hands since the mine state"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			test.build(w)
			if got := w.status(s).Record.Text; !strings.Contains(got, test.want) {
				t.Errorf("the record reads %q, want %q", got, test.want)
			}
		})
	}
}
