package opal

import (
	"fmt"
	"testing"
)

// Check runs for each event that comes in: a good one must cost no allocation. A correction writes its event's id anew to compare it,
// and more children than a few need a map; both are rare.
func TestCheckAllocates(t *testing.T) {
	for _, k := range AllKinds() {
		e := sampleEvent(t, k)
		most := 0.0
		if k == KindCorrected || k == KindWithdrawn || k == KindReturned {
			most = 2
		}
		if got := testing.AllocsPerRun(100, func() {
			if f := Check(e, 0); f != nil {
				t.Fatal(f)
			}
		}); got > most {
			t.Errorf("checking %s costs %v allocations", k, got)
		}
		if got := testing.AllocsPerRun(100, func() { TextsBeyondASCII(e) }); got > 0 {
			t.Errorf("looking through the texts of %s costs %v allocations", k, got)
		}
		e.Attachments = nil
		if got := testing.AllocsPerRun(100, func() { EachPrivate(e, func(string, *string) {}) }); got > 0 {
			t.Errorf("going through the private fields of %s costs %v allocations", k, got)
		}
	}
	var m Mass = "3.42 ct"
	if got := testing.AllocsPerRun(100, func() { m.Weight() }); got > 0 {
		t.Errorf("weighing costs %v allocations", got)
	}
}

func BenchmarkCheck(b *testing.B) {
	for _, k := range []Kind{KindMined, KindSplit, KindCut, KindTested, KindTreated, KindSold, KindReceived, KindCorrected} {
		e := sampleEvent(b, k)
		b.Run(string(k), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if f := Check(e, 0); f != nil {
					b.Fatal(f)
				}
			}
		})
	}
	e := sampleEvent(b, KindSplit)
	e.Split.Children = make([]Part, 1000)
	for i := range e.Split.Children {
		e.Split.Children[i] = Part{Lot: fmt.Sprintf("harrow-gully.c%d", i), Mass: "1.00 ct"}
	}
	b.Run("split1000", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if f := Check(e, 0); f != nil {
				b.Fatal(f)
			}
		}
	})
}

func BenchmarkClone(b *testing.B) {
	e := sampleEvent(b, KindTested)
	b.ReportAllocs()
	for b.Loop() {
		Clone(e)
	}
}
