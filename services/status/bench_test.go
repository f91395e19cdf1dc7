package status

import (
	"fmt"
	"testing"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// deep makes a number of stones, each with 12 ancestors that it shares with nobody, and answers their ids.
func deep(w *world, stones int) []string { return deepFrom(w, 0, stones) }

func deepFrom(w *world, from, to int) []string {
	w.at("2026-06-01")
	var last []string
	for i := from; i < to; i++ {
		id := func(level int) string { return fmt.Sprintf("mine.t%d-%d", i, level) }
		events := []opal.Event{mined(id(0), 1, "1.00 ct")}
		for level := range 12 {
			child := id(level + 1)
			events = append(events, opal.Event{Party: "mine", Lot: id(level), OccurredAt: "2026-01-10", Moisture: opal.Dry, Split: &opal.Split{
				Manner: opal.Unsorted, Children: []opal.Part{{Lot: child, Pieces: pieces(1), Mass: "1.00 ct", Moisture: opal.Dry}},
			}})
			if level%4 == 2 {
				events = append(events, opal.Event{Party: "mine", Lot: child, OccurredAt: "2026-01-11", Tested: &opal.Tested{
					Method: opal.Microscope, Sample: opal.Sample{Kind: opal.Whole}, Outcome: opal.NothingSeen, LookedFor: []opal.Treatment{opal.Dye, opal.Smoke},
				}})
			}
		}
		w.post(events...)
		last = append(last, id(12))
	}
	return last
}

// BenchmarkStatus asks for the status of stones with 12 ancestors: warm, all in the cache of decoded records; cold, none.
func BenchmarkStatus(b *testing.B) {
	w := newWorld(b)
	stones := deep(w, 500)
	w.settle(w.service)
	for _, test := range []struct {
		name string
		cold bool
	}{{"warm", false}, {"cold", true}} {
		b.Run(test.name, func(b *testing.B) {
			s := storeOf(w.service)
			for i := 0; b.Loop(); i++ {
				if test.cold {
					s.lots = newLRU[*lotRecord](recordsCached)
				}
				if _, err := w.service.GetStatus(as("shop"), &pb.GetStatusRequest{Lot: stones[i%len(stones)]}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkFold folds blocks of 16 events into an empty store.
func BenchmarkFold(b *testing.B) {
	w := newWorld(b)
	deep(w, 500)
	w.settle(w.service)
	events := 0
	for i := 0; b.Loop(); i++ {
		s, err := openStore(w.fs, fmt.Sprintf("bench-%d", i), w.service.cfg.Logger)
		if err != nil {
			b.Fatal(err)
		}
		f, err := w.service.proj.newFolder(s)
		if err != nil {
			b.Fatal(err)
		}
		if err := w.log.Tail(0, func(a *eventlog.Applied) error {
			events += len(a.Events)
			return f.blocks([]*eventlog.Applied{a})
		}); err != nil {
			b.Fatal(err)
		}
		if err := s.db.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(events)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkRecord is for comparison: one read of a record from the store itself.
func BenchmarkRecord(b *testing.B) {
	w := newWorld(b)
	stones := deep(w, 500)
	w.settle(w.service)
	s := storeOf(w.service)
	for i := 0; b.Loop(); i++ {
		_, closer, err := s.db.Get(keySummary(stones[i%len(stones)]))
		if err != nil {
			b.Fatal(err)
		}
		if err := closer.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
