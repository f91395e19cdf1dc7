package status

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func lotNames(list []*pb.LotSummary) (out []string) {
	for _, l := range list {
		out = append(out, l.Lot)
	}
	return out
}

func TestAFilterThatIsNone(t *testing.T) {
	w := newWorld(t)
	w.story()
	for _, filter := range []string{"holder", "hand=me", "holder=", "holder=me AND holder=lab", "holder=me OR owner=me", "state=OPEN state=CUT", "state=DUST"} {
		_, err := w.service.ListLots(as("mine"), &pb.ListLotsRequest{Filter: &filter})
		var f *fault.Error
		if !errors.As(err, &f) || f.Reason != fault.InvalidField || f.Field != "filter" && f.Field != "state" || !strings.Contains(f.Error(), "accepted") {
			t.Errorf("%q: %v", filter, err)
		}
	}
	both := &pb.ListLotsRequest{Filter: ptr("state=OPEN"), State: ptr("CUT")}
	if _, err := w.service.ListLots(as("mine"), both); fault.Of(err) != fault.InvalidField {
		t.Errorf("a field twice: %v", err)
	}
}

func TestListLotsShowsThePartysOwn(t *testing.T) {
	w := newWorld(t)
	w.story()
	w.post(mined("mine.a", 1, "1.00 ct"), handed("mine", "mine.a", "2026-01-03", "lab", opal.ForTesting), received("lab", "mine.a", "2026-01-04"))
	w.post(opal.Event{Party: "dealer", Lot: "dealer.v", OccurredAt: "2026-02-01", Acquired: &opal.Acquired{
		Material: opal.Material{Kind: opal.Volcanic}, Pieces: pieces(2), Mass: "3.00 ct", StatedTreatments: []opal.Treatment{opal.Dye},
	}})
	w.post(handed("mine", "mine.s3", "2026-02-02", "shop", opal.ForViewing))
	for name, test := range map[string]struct {
		party string
		in    *pb.ListLotsRequest
		want  []string
	}{
		"all that the miner had to do with":  {"mine", &pb.ListLotsRequest{}, []string{"mine.a", "mine.r1", "mine.s1", "mine.s2", "mine.s3"}},
		"in the miner's hands":               {"mine", &pb.ListLotsRequest{Holder: ptr("me")}, []string{"mine.r1", "mine.s2", "mine.s3"}},
		"the miner's own":                    {"mine", &pb.ListLotsRequest{Owner: ptr("mine")}, []string{"mine.a", "mine.r1", "mine.s2", "mine.s3"}},
		"the miner's, in a laboratory":       {"mine", &pb.ListLotsRequest{Owner: ptr("me"), Holder: ptr("lab")}, []string{"mine.a"}},
		"held by the laboratory":             {"lab", &pb.ListLotsRequest{Holder: ptr("me")}, []string{"mine.a"}},
		"the treater once had the rough":     {"treater", &pb.ListLotsRequest{}, []string{"mine.r1"}},
		"the dealer's, sold and cut":         {"dealer", &pb.ListLotsRequest{}, []string{"dealer.c1", "dealer.v", "mine.s1"}},
		"the dealer's cut lots":              {"dealer", &pb.ListLotsRequest{State: ptr("CUT")}, []string{"mine.s1"}},
		"the dealer's volcanic opal":         {"dealer", &pb.ListLotsRequest{Material: ptr("VOLCANIC")}, []string{"dealer.v"}},
		"the dealer's declared lots":         {"dealer", &pb.ListLotsRequest{Holder: ptr("me"), Verdict: ptr("DECLARED")}, []string{"dealer.v"}},
		"the dealer's lots declared as dyed": {"dealer", &pb.ListLotsRequest{Holder: ptr("me"), Verdict: ptr("DYE:DECLARED")}, []string{"dealer.v"}},
		"the miner's untested lots":          {"mine", &pb.ListLotsRequest{Holder: ptr("me"), Verdict: ptr("SMOKE:NOT_TESTED")}, []string{"mine.r1", "mine.s2", "mine.s3"}},
		"what is only offered is not yet":    {"shop", &pb.ListLotsRequest{}, []string{"dealer.c1"}},
		"a party without lots":               {"cutter", &pb.ListLotsRequest{}, nil},
		"by a filter":                        {"mine", &pb.ListLotsRequest{Filter: ptr("owner=me AND holder=lab")}, []string{"mine.a"}},
		"by a filter with a verdict":         {"dealer", &pb.ListLotsRequest{Filter: ptr(`holder = "me" AND verdict=DYE:DECLARED`)}, []string{"dealer.v"}},
		"by a filter and a field beside it":  {"dealer", &pb.ListLotsRequest{Filter: ptr("material=VOLCANIC"), State: ptr("OPEN")}, []string{"dealer.v"}},
	} {
		t.Run(name, func(t *testing.T) {
			out := ask(t, test.party, w.service.ListLots, test.in)
			if got := lotNames(out.Lots); !slices.Equal(got, test.want) || out.NextPageToken != "" {
				t.Errorf("lots %v, next page %q, want %v", got, out.NextPageToken, test.want)
			}
		})
	}
	offered := ask(t, "mine", w.service.ListLots, &pb.ListLotsRequest{Holder: ptr("me")})
	if l := offered.Lots[2]; l.GetPendingTo() != "shop" || l.Mass != "1.00 ct" || l.MassMicrograms != 200_000 || l.GetPieces() != 1 || l.State != "OPEN" {
		t.Errorf("summary %v", l)
	}
	for name, test := range map[string]struct {
		in    *pb.ListLotsRequest
		field string
	}{
		"a verdict of lots elsewhere": {&pb.ListLotsRequest{Verdict: ptr("FOUND")}, "verdict"},
		"no verdict":                  {&pb.ListLotsRequest{Holder: ptr("me"), Verdict: ptr("GOOD")}, "verdict"},
		"no treatment":                {&pb.ListLotsRequest{Holder: ptr("me"), Verdict: ptr("POLISH:FOUND")}, "verdict"},
		"a treatment alone":           {&pb.ListLotsRequest{Holder: ptr("me"), Verdict: ptr("DYE:")}, "verdict"},
		"no state":                    {&pb.ListLotsRequest{State: ptr("open")}, "state"},
		"no material":                 {&pb.ListLotsRequest{Material: ptr("GLASS")}, "material"},
		"no party":                    {&pb.ListLotsRequest{Holder: ptr("Some One")}, "holder"},
		"a page too large":            {&pb.ListLotsRequest{PageSize: ptr(int32(1_001))}, "pageSize"},
		"a page below zero":           {&pb.ListLotsRequest{PageSize: ptr(int32(-1))}, "pageSize"},
		"no token":                    {&pb.ListLotsRequest{PageToken: ptr("abc")}, "pageToken"},
	} {
		t.Run(name, func(t *testing.T) { refused(t, "mine", w.service.ListLots, test.in, fault.InvalidField, test.field) })
	}
	first := ask(t, "mine", w.service.ListLots, &pb.ListLotsRequest{PageSize: ptr(int32(2))})
	refused(t, "dealer", w.service.ListLots, &pb.ListLotsRequest{PageToken: &first.NextPageToken}, fault.InvalidField, "pageToken")
	refused(t, "mine", w.service.ListLots, &pb.ListLotsRequest{PageToken: &first.NextPageToken, State: ptr("OPEN")}, fault.InvalidField, "pageToken")
}

// A list that is read page by page while lots are opened, split, sold and taken in shows each lot that the party had when it began exactly
// once, and none that it came to later.
func TestPagingWhileWriting(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		w := newWorld(t)
		n := 0
		opening := func() string {
			n++
			return fmt.Sprintf("mine.%c%d", 'a'+byte(rapid.IntRange(0, 25).Draw(r, "letter")), n)
		}
		var mine []string
		for range rapid.IntRange(1, 12).Draw(r, "lots") {
			lot := opening()
			w.post(mined(lot, 3, "3.00 ct"))
			mine = append(mine, lot)
		}
		want := slices.Sorted(slices.Values(mine))
		in := &pb.ListLotsRequest{PageSize: ptr(int32(rapid.IntRange(1, 4).Draw(r, "page")))}
		pinned := int64(-1)
		var got []string
		for {
			page := ask(t, "mine", w.service.ListLots, in)
			if pinned < 0 {
				pinned = page.Position
			}
			if page.Position != pinned {
				r.Fatalf("a later page is pinned to %d, the first to %d", page.Position, pinned)
			}
			got = append(got, lotNames(page.Lots)...)
			if page.NextPageToken == "" {
				break
			}
			in.PageToken = &page.NextPageToken
			for range rapid.IntRange(0, 3).Draw(r, "events") {
				lot := rapid.SampledFrom(mine).Draw(r, "lot")
				a, err := w.log.Lot(lot)
				if err != nil {
					r.Fatal(err)
				}
				switch op := rapid.IntRange(0, 2).Draw(r, "op"); {
				case op == 0:
					w.post(mined(opening(), 3, "3.00 ct"))
				case a.State != "OPEN" || a.Holder != "mine" || a.Pending != nil || *a.Pieces != 3:
				case op == 1:
					w.post(splits("mine", lot, "2026-01-10", opening()+"-", 1, "2.00 ct", 2))
				default:
					w.post(sold("mine", lot, "2026-01-11", "dealer"), received("dealer", lot, "2026-01-12"))
				}
			}
		}
		if !slices.Equal(got, want) {
			r.Fatalf("the pages show %v, want %v", got, want)
		}
	})
}
