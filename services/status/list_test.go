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
		"what waits for the shop":            {"shop", &pb.ListLotsRequest{Pending: ptr("me")}, []string{"mine.s3"}},
		"what the miner waits to be rid of":  {"mine", &pb.ListLotsRequest{Filter: ptr("pending=others")}, []string{"mine.s3"}},
		"what came and waits no more":        {"lab", &pb.ListLotsRequest{Pending: ptr("me")}, nil},
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

// What waits for a party's receipt is listed from the offer on, up to the receipt, the refusal, or the taking back; and again if one of these is withdrawn.
func TestListLotsThatWait(t *testing.T) {
	w := newWorld(t)
	w.story()
	waits := func(want ...string) {
		t.Helper()
		if got := lotNames(ask(t, "shop", w.service.ListLots, &pb.ListLotsRequest{Pending: ptr("me")}).Lots); !slices.Equal(got, want) {
			t.Errorf("%v wait, want %v", got, want)
		}
	}
	waits()
	w.post(handed("mine", "mine.s2", "2026-02-01", "shop", opal.ForViewing), handed("mine", "mine.s3", "2026-02-01", "shop", opal.ForViewing))
	waits("mine.s2", "mine.s3")
	w.post(received("shop", "mine.s2", "2026-02-02"))
	waits("mine.s3")
	no := w.one(opal.Event{Party: "shop", Lot: "mine.s3", OccurredAt: "2026-02-02", Refused: &opal.Refused{Because: "too dark"}})
	waits()
	w.post(opal.Event{Party: "shop", Lot: "mine.s3", OccurredAt: "2026-02-03", Withdrawn: &opal.Withdrawn{Event: no.Event.ID(), Because: "the wrong lot"}})
	waits("mine.s3")
	w.post(opal.Event{Party: "mine", Lot: "mine.s3", OccurredAt: "2026-02-04", Received: &opal.Received{CameBack: true}})
	waits()
	again := w.openIn("again", nil)
	if got := ask(t, "shop", again.ListLots, &pb.ListLotsRequest{Pending: ptr("me")}).Lots; len(got) != 0 {
		t.Errorf("made anew: %v", lotNames(got))
	}
}

func TestListAlerts(t *testing.T) {
	w := newWorld(t)
	w.story()
	first := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	second := w.one(treated("treater", "mine.r1", "2026-01-06", opal.OilWax))
	alerts := func(party string, size int32, token string) (*pb.ListAlertsResponse, []string) {
		out := ask(t, party, w.service.ListAlerts, &pb.ListAlertsRequest{PageSize: &size, PageToken: &token})
		var got []string
		for _, a := range out.Alerts {
			got = append(got, fmt.Sprintf("%d %s %s %d", a.Position, a.Side, a.Alert.GetTreatment(), a.Alert.Count))
		}
		return out, got
	}
	at := func(rec *opal.Recorded, rest string) string { return fmt.Sprintf("%d %s", rec.Position, rest) }
	for party, want := range map[string][]string{
		"shop":   {at(second, "holder OIL_WAX 1"), at(first, "holder SMOKE 1")},
		"dealer": {at(second, "sold OIL_WAX 1"), at(first, "sold SMOKE 1")},
		"mine":   {at(second, "sold OIL_WAX 1"), at(second, "holder OIL_WAX 3"), at(first, "sold SMOKE 1"), at(first, "holder SMOKE 3")},
		"lab":    nil,
	} {
		waitFor(t, func() bool { _, got := alerts(party, 10, ""); return len(got) == len(want) })
		if out, got := alerts(party, 10, ""); !slices.Equal(got, want) || out.NextPageToken != "" {
			t.Errorf("%s: %q, want %q", party, got, want)
		}
		var paged []string
		for token, more := "", true; more; {
			out, got := alerts(party, 1, token)
			paged = append(paged, got...)
			token, more = out.NextPageToken, out.NextPageToken != ""
		}
		if !slices.Equal(paged, want) {
			t.Errorf("%s, one a page: %q, want %q", party, paged, want)
		}
	}
	refused(t, "shop", w.service.ListAlerts, &pb.ListAlertsRequest{PageToken: ptr("x")}, fault.InvalidField, "pageToken")
	refused(t, "shop", w.service.ListAlerts, &pb.ListAlertsRequest{PageSize: ptr(int32(-1))}, fault.InvalidField, "pageSize")
}
