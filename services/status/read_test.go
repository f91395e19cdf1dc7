package status

import (
	"context"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// ask gives what a read answers, and fails the test with what it should not.
func ask[In, Out any](t testing.TB, party string, read func(context.Context, In) (Out, error), in In) Out {
	t.Helper()
	out, err := read(as(party), in)
	if err != nil {
		t.Fatalf("%T: %v", in, err)
	}
	return out
}

// refused checks that a read is refused for a reason, with the field at fault.
func refused[In, Out any](t testing.TB, party string, read func(context.Context, In) (Out, error), in In, reason fault.Reason, field string) {
	t.Helper()
	_, err := read(as(party), in)
	f, ok := fault.As(err)
	if !ok || f.Reason != reason || f.Field != field {
		t.Errorf("%T: %v, want %s for %q", in, err, reason, field)
	}
}

func ptr[T any](v T) *T { return &v }

// verdictOf picks a treatment's verdict.
func verdictOf(list []*pb.TreatmentStatus, t opal.Treatment) string {
	for _, s := range list {
		if s.GetTreatment() == string(t) {
			return s.GetVerdict()
		}
	}
	return ""
}

// story tells of a parcel of ten stones that is smoked, split and sold, with one stone cut and sold on.
func (w *world) story() {
	w.t.Helper()
	w.at("2026-03-20")
	w.post(mined("mine.r1", 10, "20.00 ct"))
	w.post(handed("mine", "mine.r1", "2026-01-03", "treater", opal.ForTreatment), received("treater", "mine.r1", "2026-01-04"))
	w.post(handed("treater", "mine.r1", "2026-01-08", "mine", opal.ForReturn), received("mine", "mine.r1", "2026-01-09"))
	w.post(splits("mine", "mine.r1", "2026-01-10", "mine.s", 3, "17.00 ct", 7))
	w.post(sold("mine", "mine.s1", "2026-01-11", "dealer", opal.ClaimUntreated), received("dealer", "mine.s1", "2026-01-12"))
	w.post(opal.Event{Party: "dealer", Lot: "mine.s1", OccurredAt: "2026-01-13", Moisture: opal.Dry, Cut: &opal.Cut{
		Stones: []opal.Stone{{Lot: "dealer.c1", Pieces: pieces(1), Mass: "0.40 ct", Moisture: opal.Dry}},
	}})
	w.post(sold("dealer", "dealer.c1", "2026-01-14", "shop", opal.ClaimNoSmoke), received("shop", "dealer.c1", "2026-01-15"))
}

func TestLateDisclosureReachesDescendantsAndLeavesEarlierKnowledge(t *testing.T) {
	w := newWorld(t)
	w.story()
	before := ask(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: "dealer.c1"})
	if got := verdictOf(before.Treatments, opal.Smoke); got != "NOT_TESTED" {
		t.Fatalf("before the disclosure: %s, want NOT_TESTED", got)
	}
	late := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	for _, lot := range []string{"mine.r1", "mine.s1", "mine.s2", "dealer.c1"} {
		now := ask(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: lot})
		if got := verdictOf(now.Treatments, opal.Smoke); got != "DECLARED" || now.Overall != "DECLARED" {
			t.Errorf("%s: smoke %s, overall %s, want DECLARED", lot, got, now.Overall)
		}
		if now.Position != int64(late.Position) || now.KnownAt != int64(late.Position) {
			t.Errorf("%s: position %d, known at %d, want %d", lot, now.Position, now.KnownAt, late.Position)
		}
	}
	stamp := late.RecordedAt.Time()
	for name, test := range map[string]struct {
		knownAt, asOf string
		want          string
	}{
		"known at the position before": {strconv.FormatUint(late.Position-1, 10), "", "NOT_TESTED"},
		"known at its position":        {strconv.FormatUint(late.Position, 10), "", "DECLARED"},
		"known just before":            {stamp.Add(-time.Microsecond).Format(time.RFC3339Nano), "", "NOT_TESTED"},
		"known when it was recorded":   {stamp.Format(time.RFC3339Nano), "", "DECLARED"},
		"as of the day before it":      {"", "2026-01-05", ""},
		"as of a day after the cut":    {"", "2026-01-13", "DECLARED"},
	} {
		t.Run(name, func(t *testing.T) {
			in := &pb.GetStatusRequest{Lot: "dealer.c1", KnownAt: &test.knownAt, AsOf: &test.asOf}
			if test.want == "" {
				in.Lot, test.want = "mine.r1", "NOT_TESTED"
			}
			got := ask(t, "shop", w.service.GetStatus, in)
			if v := verdictOf(got.Treatments, opal.Smoke); v != test.want {
				t.Errorf("smoke %s, want %s", v, test.want)
			}
		})
	}
	again := ask(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: "dealer.c1", KnownAt: ptr(strconv.FormatInt(before.KnownAt, 10)), AsOf: &before.AsOf})
	again.Position = before.Position
	if again.String() != before.String() {
		t.Errorf("what was known before has changed:\n%v\n%v", again, before)
	}
}

func TestSaleClaimsThenAndNow(t *testing.T) {
	w := newWorld(t)
	w.story()
	w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	status := ask(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: "dealer.c1"})
	if len(status.Sales) != 2 {
		t.Fatalf("sales %v, want those of the rough and of the stone", status.Sales)
	}
	for i, want := range []string{"UNTREATED", "NO_SMOKE"} {
		c := status.Sales[i].Claims
		if len(c) != 1 || c[0].Claim != want || c[0].Then != "UNSUPPORTED" || c[0].Now != "CONTRADICTED" {
			t.Errorf("sale %d: %v, want %s UNSUPPORTED then and CONTRADICTED now", i, c, want)
		}
	}
	// What was found at the sale's position stays: in the account and in the history.
	lot := ask(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "dealer.c1"})
	if !hasFinding(lot.Findings, opal.FindClaimUnsupported) {
		t.Errorf("account: %v, want %s", lot.Findings, opal.FindClaimUnsupported)
	}
	history := ask(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1"})
	n := 0
	for _, ev := range history.Events {
		if ev.GetSold() != nil && hasFinding(ev.Findings, opal.FindClaimUnsupported) {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d sales in the history have the finding, want 2", n)
	}
	// The next sale is made with the disclosure known.
	w.post(sold("shop", "dealer.c1", "2026-01-20", "dealer", opal.ClaimNoSmoke))
	lot = ask(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "dealer.c1"})
	if !hasFinding(lot.Findings, opal.FindClaimContradicted) {
		t.Errorf("account: %v, want %s", lot.Findings, opal.FindClaimContradicted)
	}
	check := ask(t, "shop", w.service.CheckClaims, &pb.CheckClaimsRequest{Lot: "dealer.c1", Claims: []string{"NO_SMOKE", "ORIGIN:ET"}})
	if len(check.Results) != 2 || check.Results[0].Verdict != "CONTRADICTED" {
		t.Errorf("claims: %v", check.Results)
	}
	refused(t, "shop", w.service.CheckClaims, &pb.CheckClaimsRequest{Lot: "dealer.c1"}, fault.InvalidField, "claims")
	refused(t, "shop", w.service.CheckClaims, &pb.CheckClaimsRequest{Lot: "dealer.c1", Claims: []string{"NO_SMOKE", "PRETTY"}}, fault.InvalidField, "claims[1]")
}

func hasFinding(list []*pb.Finding, code string) bool {
	return slices.ContainsFunc(list, func(f *pb.Finding) bool { return f.GetCode() == code })
}

func TestGetLot(t *testing.T) {
	w := newWorld(t)
	w.story()
	lot := ask(t, "lab", w.service.GetLot, &pb.GetLotRequest{Lot: "mine.r1"})
	if lot.State != "OPEN" || lot.Mass != "17.00 ct" || lot.MassMicrograms != 3_400_000 || lot.GetPieces() != 7 {
		t.Errorf("account %v", lot)
	}
	if lot.Owner != "mine" || lot.Holder != "mine" || lot.ChildCount != 3 || !slices.Equal(lot.Children, []string{"mine.s1", "mine.s2", "mine.s3"}) {
		t.Errorf("owner %s, holder %s, children %v", lot.Owner, lot.Holder, lot.Children)
	}
	if lot.Handle != handleOf("mine.r1") || lot.Epoch != wire.Epoch(w.epoch) || lot.OpenedAt != "2026-01-02" {
		t.Errorf("handle %s, epoch %s, opened at %s", lot.Handle, lot.Epoch, lot.OpenedAt)
	}
	next, _ := w.log.Next()
	if lot.Position != int64(next-1) {
		t.Errorf("position %d, want %d", lot.Position, next-1)
	}
	refused(t, "lab", w.service.GetLot, &pb.GetLotRequest{Lot: "mine.none"}, fault.UnknownLot, "lot")
	refused(t, "lab", w.service.GetLot, &pb.GetLotRequest{Lot: "no lot id"}, fault.UnknownLot, "lot")
	if _, err := w.service.GetLot(context.Background(), &pb.GetLotRequest{Lot: "mine.r1"}); fault.Of(err) != fault.NoToken {
		t.Errorf("without a caller: %v", err)
	}
}

func TestHistoryShowsWhatBearsOnTheLot(t *testing.T) {
	w := newWorld(t)
	w.story()
	other := w.one(sold("mine", "mine.s2", "2026-01-16", "shop"))
	own := w.one(opal.Event{Party: "mine", Lot: "mine.r1", OccurredAt: "2026-01-20", Described: &opal.Described{BodyColour: "honey"}, Remark: "later than the split"})
	late := w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	gone := w.one(opal.Event{Party: "treater", Lot: "mine.r1", OccurredAt: "2026-02-01", Withdrawn: &opal.Withdrawn{Event: late.Event.ID(), Because: "another parcel"}})

	positions := func(list []*pb.Event) (out []uint64) {
		for _, ev := range list {
			out = append(out, uint64(ev.GetPosition()))
		}
		return out
	}
	all := ask(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1"})
	got := positions(all.Events)
	if !slices.IsSorted(got) {
		t.Errorf("positions %v are not in order", got)
	}
	// logOpened and six enrolments come first; the rest of the story is one line.
	var want []uint64
	for p := uint64(7); p < other.Position; p++ {
		want = append(want, p)
	}
	want = append(want, late.Position, gone.Position)
	if !slices.Equal(got, want) {
		t.Errorf("positions %v, want %v: neither the sibling's sale at %d nor the description at %d", got, want, other.Position, own.Position)
	}
	for _, ev := range all.Events {
		if uint64(ev.GetPosition()) == late.Position && ev.GetWithdrawnBy() != gone.Event.ID() {
			t.Errorf("the withdrawn disclosure is marked %q, want %q", ev.GetWithdrawnBy(), gone.Event.ID())
		}
	}
	then := ask(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1", KnownAt: ptr(strconv.FormatUint(late.Position, 10))})
	if n := len(then.Events); positions(then.Events)[n-1] != late.Position || then.Events[n-1].WithdrawnBy != nil {
		t.Errorf("before the withdrawal the last event is %v", then.Events[n-1])
	}

	// Pages are the same list, pinned.
	var paged []uint64
	in := &pb.GetHistoryRequest{Lot: "dealer.c1", PageSize: ptr(int32(4))}
	for {
		page := ask(t, "shop", w.service.GetHistory, in)
		paged = append(paged, positions(page.Events)...)
		if page.NextPageToken == "" {
			break
		}
		in.PageToken = &page.NextPageToken
		w.one(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-02", Described: &opal.Described{BodyColour: "amber"}})
	}
	if !slices.Equal(paged, want) {
		t.Errorf("pages give %v, want %v", paged, want)
	}
	refused(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "mine.s1", PageToken: in.PageToken}, fault.InvalidField, "pageToken")
	refused(t, "dealer", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1", PageToken: in.PageToken}, fault.InvalidField, "pageToken")
	refused(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1", PageSize: ptr(int32(1_001))}, fault.InvalidField, "pageSize")
	refused(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1", KnownAt: ptr("yesterday")}, fault.InvalidField, "knownAt")
	refused(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1", KnownAt: ptr("3")}, fault.UnknownLot, "lot")
}

func TestPrivateFieldsAreTheirPostersOnly(t *testing.T) {
	w := newWorld(t)
	w.story()
	find := func(party string, pick func(*pb.Event) bool) *pb.Event {
		for _, ev := range ask(t, party, w.service.GetHistory, &pb.GetHistoryRequest{Lot: "dealer.c1"}).Events {
			if pick(ev) {
				return ev
			}
		}
		t.Fatal("no such event")
		return nil
	}
	isMined := func(ev *pb.Event) bool { return ev.GetMined() != nil }
	isSold := func(ev *pb.Event) bool { return ev.GetSold() != nil && ev.GetParty() == "dealer" }
	if ev := find("mine", isMined); ev.GetMined().GetOrigin().GetRegion() == "" || len(ev.Withheld) != 0 {
		t.Errorf("to its poster: region %q, withheld %v", ev.GetMined().GetOrigin().GetRegion(), ev.Withheld)
	}
	if ev := find("shop", isMined); ev.GetMined().GetOrigin().GetRegion() != "" || !slices.Equal(ev.Withheld, []string{"mined.origin.region"}) {
		t.Errorf("to another party: region %q, withheld %v", ev.GetMined().GetOrigin().GetRegion(), ev.Withheld)
	}
	if ev := find("dealer", isSold); ev.GetSold().GetPrice() != "120.00 EUR" {
		t.Errorf("to the seller: price %q", ev.GetSold().GetPrice())
	}
	if ev := find("shop", isSold); ev.GetSold().GetPrice() != "" || !slices.Equal(ev.Withheld, []string{"sold.price"}) {
		t.Errorf("to the buyer: price %q, withheld %v", ev.GetSold().GetPrice(), ev.Withheld)
	}
}

func TestLineage(t *testing.T) {
	w := newWorld(t)
	w.story()
	names := func(out *pb.GetLineageResponse) (list []string) {
		for _, l := range out.Lots {
			list = append(list, l.Lot)
		}
		return list
	}
	up := ask(t, "shop", w.service.GetLineage, &pb.GetLineageRequest{Lot: "dealer.c1"})
	if got := names(up); !slices.Equal(got, []string{"dealer.c1", "mine.s1", "mine.r1"}) || up.Truncated {
		t.Errorf("lots %v, truncated %v", got, up.Truncated)
	}
	if len(up.Edges) != 2 || up.Edges[0].From != "mine.s1" || up.Edges[0].Mass != "0.40 ct" || up.Edges[0].Kind != "cut" || up.Edges[1].Mass != "1.00 ct" {
		t.Errorf("edges %v", up.Edges)
	}
	some := ask(t, "shop", w.service.GetLineage, &pb.GetLineageRequest{Lot: "mine.r1", Descendants: ptr(int32(2))})
	if got := names(some); !slices.Equal(got, []string{"mine.r1", "mine.s1", "mine.s2"}) || !some.Truncated {
		t.Errorf("lots %v, truncated %v", got, some.Truncated)
	}
	all := ask(t, "shop", w.service.GetLineage, &pb.GetLineageRequest{Lot: "mine.r1", Descendants: ptr(int32(1_000))})
	if got := names(all); !slices.Equal(got, []string{"mine.r1", "mine.s1", "mine.s2", "mine.s3", "dealer.c1"}) || all.Truncated {
		t.Errorf("lots %v, truncated %v", got, all.Truncated)
	}
	refused(t, "shop", w.service.GetLineage, &pb.GetLineageRequest{Lot: "mine.r1", Descendants: ptr(int32(1_001))}, fault.InvalidField, "descendants")
	refused(t, "shop", w.service.GetLineage, &pb.GetLineageRequest{Lot: "mine.r1", Descendants: ptr(int32(-1))}, fault.InvalidField, "descendants")

	w.post(opal.Event{Party: "mine", Lot: "mine.k", OccurredAt: "2026-02-01", Moisture: opal.Dry, Combined: &opal.Combined{Parents: []string{"mine.s2", "mine.s3"}, Mass: "2.00 ct"}})
	joined := ask(t, "shop", w.service.GetLineage, &pb.GetLineageRequest{Lot: "mine.k"})
	if got := names(joined); !slices.Equal(got, []string{"mine.k", "mine.s2", "mine.s3", "mine.r1"}) {
		t.Errorf("lots %v", got)
	}
	// The combination stands under the new lot, and ends the others' histories.
	history := ask(t, "shop", w.service.GetHistory, &pb.GetHistoryRequest{Lot: "mine.s3"})
	if last := history.Events[len(history.Events)-1]; last.GetCombined() == nil {
		t.Errorf("the history of a combined part ends with %v", last)
	}
}

func TestStones(t *testing.T) {
	w := newWorld(t)
	w.story()
	anybody := func(handle string) (*pb.GetStoneResponse, error) {
		return w.service.GetStone(context.Background(), &pb.GetStoneRequest{Handle: handle})
	}
	stone, err := anybody(handleOf("dealer.c1"))
	if err != nil {
		t.Fatal(err)
	}
	if stone.Lot != "dealer.c1" || stone.GetOriginCountry() != "ET" || stone.ForwardsTo != nil || stone.Overall != "NOT_TESTED" {
		t.Errorf("stone %v", stone)
	}
	second := opal.Handle([16]byte{7})
	w.post(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-01", HandleIssued: &opal.HandleIssued{Handle: second}})
	w.post(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-02", HandleRevoked: &opal.HandleRevoked{Handle: handleOf("dealer.c1")}})
	if s, err := anybody(second); err != nil || s.Lot != "dealer.c1" {
		t.Errorf("by its second handle: %v, %v", s, err)
	}
	lot := ask(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "dealer.c1"})
	if lot.Handle != second || len(lot.Handles) != 0 {
		t.Errorf("handles %q, %v, want the second only", lot.Handle, lot.Handles)
	}
	var texts []string
	for _, h := range []string{handleOf("dealer.c1"), handleOf("nothing"), "no handle"} {
		_, err := anybody(h)
		if fault.Of(err) != fault.UnknownHandle {
			t.Errorf("handle %s: %v", h, err)
			continue
		}
		texts = append(texts, err.Error())
	}
	if len(slices.Compact(texts)) != 1 {
		t.Errorf("a revoked handle can be told from one that never was: %q", texts)
	}
	// Cut again: the handle leads on to the new stone.
	w.post(opal.Event{Party: "shop", Lot: "dealer.c1", OccurredAt: "2026-02-03", Moisture: opal.Dry, Cut: &opal.Cut{
		Manner: opal.Recut, Stones: []opal.Stone{{Lot: "shop.c2", Pieces: pieces(1), Mass: "0.35 ct", Moisture: opal.Dry}},
	}})
	s, err := anybody(second)
	if err != nil || s.Lot != "shop.c2" || s.GetForwardsTo() != handleOf("shop.c2") || s.Mass != "0.35 ct" {
		t.Errorf("after cutting again: %v, %v", s, err)
	}
}

func TestGetLog(t *testing.T) {
	w := newWorld(t)
	out, err := w.service.GetLog(context.Background(), &pb.GetLogRequest{})
	if err != nil {
		t.Fatal(err)
	}
	next, _ := w.log.Next()
	if out.Log != "opal.example/test" || out.Size != int64(next) || out.Position != int64(next-1) || out.Policy.GetTransitDays() != 30 || out.RuleTable == "" || out.Root == "" {
		t.Errorf("log %v", out)
	}
}

func TestPositionsAndEpochs(t *testing.T) {
	w := newWorld(t)
	w.service = w.openIn("other", func(c *Config) { c.Patience = 50 * time.Millisecond })
	w.story()
	w.settle(w.service)
	next, _ := w.log.Next()
	last := int64(next - 1)
	if out := ask(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "mine.r1", MinPosition: &last, Epoch: ptr(wire.Epoch(w.epoch))}); out.Position != last {
		t.Errorf("position %d, want %d", out.Position, last)
	}
	refused(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "mine.r1", MinPosition: ptr(last + 1)}, fault.NotCaughtUp, "")
	refused(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: "mine.r1", KnownAt: ptr(strconv.FormatInt(last+1, 10))}, fault.NotCaughtUp, "")
	refused(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "mine.r1", MinPosition: ptr(int64(-1))}, fault.InvalidField, "minPosition")
	refused(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "mine.r1", Epoch: ptr(wire.Epoch([16]byte{9}))}, fault.EpochChanged, "epoch")
	refused(t, "shop", w.service.GetLot, &pb.GetLotRequest{Lot: "mine.r1", Epoch: ptr("new")}, fault.InvalidField, "epoch")
	refused(t, "shop", w.service.GetStatus, &pb.GetStatusRequest{Lot: "mine.r1", AsOf: ptr("2026-02-30")}, fault.InvalidField, "asOf")
	// A read waits for a position that comes while it does.
	patient := w.openIn("patient", nil)
	done := make(chan error, 1)
	go func() {
		_, err := patient.GetLot(as("shop"), &pb.GetLotRequest{Lot: "mine.r1", MinPosition: ptr(last + 1)})
		done <- err
	}()
	time.Sleep(20 * time.Millisecond)
	w.one(treated("treater", "mine.r1", "2026-01-06", opal.Smoke))
	if err := <-done; err != nil {
		t.Errorf("a read that waited: %v", err)
	}
	// A caller that waits less than the service learns why, before it gives up.
	ctx, cancel := context.WithTimeout(as("shop"), 200*time.Millisecond)
	defer cancel()
	if _, err := patient.GetLot(ctx, &pb.GetLotRequest{Lot: "mine.r1", MinPosition: ptr(last + 50)}); fault.Of(err) != fault.NotCaughtUp || ctx.Err() != nil {
		t.Errorf("a read with a deadline: %v, its context %v", err, ctx.Err())
	}
}
