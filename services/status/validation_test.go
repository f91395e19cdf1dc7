package status

import (
	"fmt"
	"testing"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func validated(at string, with, all, without, of int64, lots ...string) opal.Event {
	return opal.Event{Party: "lab", OccurredAt: at, MethodValidated: validation40(with, all, without, of, lots...)}
}

func validation40(with, all, without, of int64, lots ...string) *opal.MethodValidated {
	return &opal.MethodValidated{Method: opal.Infrared, Protocol: "P-1", Lots: lots, Rows: []opal.ValidationRow{
		{Outcome: "MANY", Treatment: opal.Resin, TreatedWith: with, TreatedAll: all, UntreatedWith: without, UntreatedAll: of},
	}}
}

// Counts serve every status whose knownAt reaches them, of earlier tests too; corrected ones serve from the correction on, and withdrawn ones no
// longer. What was known at an earlier position stays as it was.
func TestCountsServeFromTheirPositionOn(t *testing.T) {
	w := newWorld(t)
	w.at("2026-06-01")
	w.post(mined("mine.a", 1, "1.00 ct"), handed("mine", "mine.a", "2026-01-03", "lab", opal.ForTesting), received("lab", "mine.a", "2026-01-04"))
	w.post(opal.Event{Party: "lab", Lot: "mine.a", OccurredAt: "2026-01-05", Tested: &opal.Tested{
		Method: opal.Infrared, Outcome: "MANY", Protocol: "P-1", Sample: opal.Sample{Kind: opal.Whole}, Conditions: map[string]string{"cleaned": "yes"},
	}})
	tested := w.one(opal.Event{Party: "mine", Lot: "mine.a", OccurredAt: "2026-01-02", Described: &opal.Described{BodyColour: "white"}}).Position
	first := w.one(validated("2026-02-01", 4, 4, 0, 4))
	many := w.one(validated("2026-02-02", 40, 40, 0, 60))
	corrected := w.one(opal.Event{Party: "lab", OccurredAt: "2026-02-03", Corrected: &opal.Corrected{
		Event: many.Event.ID(), Because: "counted wrongly", Replacement: &opal.Replacement{MethodValidated: validation40(20, 20, 0, 20)},
	}})
	again := w.one(opal.Event{Party: "lab", OccurredAt: "2026-02-04", Withdrawn: &opal.Withdrawn{Event: corrected.Event.ID(), Because: "it was right"}})
	gone := w.one(opal.Event{Party: "lab", OccurredAt: "2026-02-05", Withdrawn: &opal.Withdrawn{Event: many.Event.ID(), Because: "the stones were mixed up"}})
	w.settle(w.service)
	look := func(s *Service) {
		t.Helper()
		for _, x := range []struct {
			knownAt  uint64
			verdict  string
			strength string
			known    int32
			by       string
		}{
			{tested, "OPEN", "", 0, ""},
			{first.Position, "OPEN", "", 4, first.Event.ID()},
			{many.Position, "FOUND", "MODERATE", 40, many.Event.ID()},
			{corrected.Position, "SUSPECTED", "WEAK", 20, many.Event.ID()},
			{again.Position, "FOUND", "MODERATE", 40, many.Event.ID()},
			{gone.Position, "OPEN", "", 4, first.Event.ID()},
		} {
			known := fmt.Sprint(x.knownAt)
			out := ask(t, "lab", s.GetStatus, &pb.GetStatusRequest{Lot: "mine.a", KnownAt: &known})
			for _, tr := range out.Treatments {
				if tr.Treatment != string(opal.Resin) {
					continue
				}
				e := tr.Evidence[0]
				if tr.Verdict != x.verdict || tr.GetStrength() != x.strength || e.GetKnown().GetTreatedAll() != x.known || e.GetKnownBy() != x.by ||
					(e.LikelihoodRatio != nil) != (x.known >= 5) || (tr.LikelihoodRatio != nil) != (x.strength != "") {
					t.Errorf("known at %d: %s %s, %v by %s, ratio %v", x.knownAt, tr.Verdict, tr.GetStrength(), e.GetKnown(), e.GetKnownBy(), tr.LikelihoodRatio)
				}
			}
		}
	}
	look(w.service)
	// The same from a projection made anew, and after a start.
	other := w.openIn("other", nil)
	w.settle(other)
	look(other)
	same(t, dump(t, storeOf(other)), dump(t, storeOf(w.service)))
}
