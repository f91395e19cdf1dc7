package account

import (
	"fmt"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// hot sells parts of one lot until it has so many children.
func hot(b *book, children int) {
	b.t.Helper()
	b.ok(mined("mine.r", day(1), "100.000000 kg", nil, "", opal.Volcanic))
	for i := range children {
		rec := b.record(opal.Event{Party: "mine", Lot: "mine.r", OccurredAt: day(2), Sold: &opal.Sold{
			To: "dealer", Part: &opal.PartOf{Lot: fmt.Sprintf("mine.p%d", i), Mass: "0.500000 g"},
		}})
		found, f, err := Decide(b.m, rec)
		if f != nil || err != nil {
			b.t.Fatalf("%v %v", f, err)
		}
		rec.Findings = found
		c, err := Apply(b.m, rec)
		if err != nil {
			b.t.Fatalf("%v", err)
		}
		if len(c.Lots) != 2 || len(c.Lines) > 1 {
			b.t.Fatalf("%d lots and %d lines changed", len(c.Lots), len(c.Lines))
		}
		b.m.Put(c, rec)
		b.recs = append(b.recs, rec)
	}
}

// TestHotLot: a lot that was sold in very many parts keeps a bounded account, and a change to it touches what it did with none.
func TestHotLot(t *testing.T) {
	const children = 20_000
	b := newBook(t)
	b.clock(day(3))
	hot(b, children)
	l := b.lot("mine.r")
	if len(l.Children) != MaxListed || l.ChildCount != children || len(l.Weighings) != Keep || l.WeighingCount != children+1 {
		t.Fatalf("%d of %d children, %d of %d weighings", len(l.Children), l.ChildCount, len(l.Weighings), l.WeighingCount)
	}
	if l.Micrograms != 100_000_000_000-children*500_000 {
		t.Errorf("%d µg", l.Micrograms)
	}
	rec := b.record(treated("mine", "mine.r", day(1)))
	found, f, err := Decide(b.m, rec)
	if f != nil || err != nil {
		t.Fatalf("%v %v", f, err)
	}
	rec.Findings = found
	c, err := Apply(b.m, rec)
	if err != nil || len(c.Lots) != 1 || len(c.Lines) != 0 {
		t.Fatalf("a late word changed %d lots and %d lines: %v", len(c.Lots), len(c.Lines), err)
	}
	b.m.Put(c, rec)
	b.recs = append(b.recs, rec)
	// The history is told again in one go, however long it is.
	b.retold("mine.r")
	b.ok(withdrawn(b.recs[len(b.recs)-1], day(3)))
	b.ok(withdrawn(b.recs[children/2], day(3)))
	if l := b.lot("mine.r"); l.ChildCount != children-1 || l.Micrograms != 100_000_000_000-(children-1)*500_000 {
		t.Errorf("%d children, %d µg", l.ChildCount, l.Micrograms)
	}
}

// BenchmarkEvents judges and applies, without storing.
func BenchmarkEvents(b *testing.B) {
	const at = "2026-02-01T12:00:00Z"
	for _, x := range []struct {
		name string
		make func(k *book) opal.Event
	}{
		{"mined", func(*book) opal.Event { return mined("mine.new", at, "100.00 ct", n(10), "", opal.Hydrophane) }},
		{"tested", func(*book) opal.Event { return tested("mine", "mine.r", at) }},
		{"handedOver", func(*book) opal.Event { return handOver("mine", "mine.r", at, "cutter", opal.ForCutting) }},
		{"split in 2", func(*book) opal.Event { return split("mine", "mine.r", at, nil, "mine.a 4 40.00", "mine.b 6 60.00") }},
		{"split in 1000", func(*book) opal.Event {
			e := opal.Event{Party: "mine", Lot: "mine.q", OccurredAt: at, Split: &opal.Split{}}
			for i := range 1000 {
				e.Split.Children = append(e.Split.Children, opal.Part{Lot: fmt.Sprintf("mine.c%d", i), Pieces: n(1), Mass: "0.10 ct"})
			}
			return e
		}},
	} {
		b.Run(x.name, func(b *testing.B) {
			k := newBook(b)
			rough(k)
			k.ok(mined("mine.q", day(1), "100.00 ct", n(1000), "", opal.Hydrophane))
			k.clock(at)
			rec := k.record(x.make(k))
			b.ReportAllocs()
			for b.Loop() {
				found, f, err := Decide(k.m, rec)
				if f != nil || err != nil {
					b.Fatal(f, err)
				}
				r := *rec
				r.Findings = found
				if _, err := Apply(k.m, &r); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
