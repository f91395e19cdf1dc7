package harness_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// perSplit is the most that one split can name.
const perSplit = 1_000

// splitOff makes the splits that take single parcels off a lot of counted pieces, the rest staying in it. Each parcel has 2 pieces of
// 1 g each.
func splitOff(lot string, splits int) []*pb.Event {
	pieces, grams := int64(2*perSplit*splits+2), 2*perSplit*splits+2
	events := make([]*pb.Event, splits)
	for i := range events {
		pieces, grams = pieces-2*perSplit, grams-2*perSplit
		children := make([]*pb.Part, perSplit)
		for c := range children {
			children[c] = &pb.Part{Lot: proto.String(child1(lot, i*perSplit+c)), Mass: proto.String("2.000 g")}
			setPieces(&children[c].Pieces, 2)
		}
		rest := &pb.Rest{Mass: proto.String(fmt.Sprintf("%d.000 g", grams))}
		setPieces(&rest.Pieces, pieces)
		events[i] = &pb.Event{
			RequestId: proto.String(newID()), Lot: &lot, OccurredAt: proto.String("2025-04-01T10:00:00Z"), Moisture: proto.String("DRY"),
			Body: &pb.Event_Split{Split: &pb.Split{Manner: proto.String("UNSORTED"), Rest: rest, Children: children}},
		}
	}
	return events
}

func child1(lot string, i int) string     { return fmt.Sprintf("%s-c%d", lot, i) }
func grandchild(lot string, i int) string { return child1(lot, i) + "-g" }

// setPieces sets a count, whatever its width on the wire.
func setPieces[T int32 | int64](field **T, n int64) {
	v := T(n)
	*field = &v
}

// TestLateDisclosure says late that a mined lot with very many descendants was smoked: the next read of any of them says so, what was known
// before stays what it was, and it takes no longer than it does for a lot without descendants.
func TestLateDisclosure(t *testing.T) {
	descendants, began := 100_000, time.Now()
	if testing.Short() {
		descendants = 5_000
	}
	n := start(t, t.TempDir(), nil)
	n.enrol(t, "harrow-gully", "MINER")
	const big, small = "harrow-gully.big", "harrow-gully.small"
	splits := descendants / perSplit
	open := func(lot string) {
		n.post(t, "harrow-gully", lot, fmt.Sprintf(
			`{"occurredAt":"2025-03-04T10:00:00Z","moisture":"DRY","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE"},"pieces":%d,"mass":"%d.000 g"}}`,
			2*perSplit*splits+2, 2*perSplit*splits+2)).ok(t)
	}
	open(big)
	open(small)
	ctx := n.with(t.Context(), "harrow-gully")
	for batch := range slices.Chunk(splitOff(big, splits), 4) {
		if _, err := n.intake().AppendBatch(ctx, &pb.AppendBatchRequest{Events: batch}); err != nil {
			t.Fatal(err)
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	sample := pick(t, n, ctx, big, descendants, random)
	loaded := time.Since(began)

	// What is known before.
	known := n.next() - 1
	then := func(lot string) string {
		return fmt.Sprintf("/v1/lots/%s/status?asOf=2025-06-01&knownAt=%d", lot, known)
	}
	before := map[string]string{}
	for _, lot := range sample {
		a := n.get(t, "harrow-gully", then(lot)).ok(t)
		if v := verdict(t, a, "SMOKE"); v != "NOT_TESTED" {
			t.Fatalf("%s is %s before anybody said anything", lot, v)
		}
		before[lot] = judged(t, a)
	}

	// The late word, and the very next reads.
	posted := time.Now()
	n.post(t, "harrow-gully", big, `{"occurredAt":"2025-03-10T10:00:00Z","treated":{"treatment":"SMOKE","extent":"FULL"}}`).ok(t)
	took := time.Since(posted)
	for _, lot := range sample {
		a := n.get(t, "harrow-gully", "/v1/lots/"+lot+"/status").ok(t)
		if v, overall := verdict(t, a, "SMOKE"), a.text(t, "overall"); v != "DECLARED" || overall != "DECLARED" {
			t.Errorf("%s is %s, overall %s", lot, v, overall)
		}
		if v := verdict(t, a, "DYE"); v != "NOT_TESTED" {
			t.Errorf("%s: DYE is %s", lot, v)
		}
		if got := judged(t, n.get(t, "harrow-gully", then(lot)).ok(t)); got != before[lot] {
			t.Errorf("%s: what was known at %d has become\n%s, it was\n%s", lot, known, got, before[lot])
		}
	}
	if v := verdict(t, n.get(t, "harrow-gully", "/v1/lots/"+small+"/status").ok(t), "SMOKE"); v != "NOT_TESTED" {
		t.Errorf("the other lot is %s", v)
	}

	// Time: the median of a few, on either lot in turn.
	times := map[string][]time.Duration{}
	for _, treatment := range []string{"DYE", "SUGAR_ACID", "OIL_WAX", "RESIN", "COATING", "BACKING", "HEAT"} {
		for _, lot := range []string{big, small} {
			start := time.Now()
			n.post(t, "harrow-gully", lot, `{"occurredAt":"2025-03-10T10:00:00Z","treated":{"treatment":"`+treatment+`"}}`).ok(t)
			n.get(t, "harrow-gully", "/v1/lots/"+lot+"/status").ok(t)
			times[lot] = append(times[lot], time.Since(start))
		}
	}
	bigTime, smallTime := median(times[big]), median(times[small])
	t.Logf("%d descendants loaded in %s; the first late word took %s; word and status: %s on the large lot, %s on the small one", descendants, loaded, took, bigTime, smallTime)
	if limit := 5*smallTime + 50*time.Millisecond; bigTime > limit || took > limit {
		t.Errorf("a late word on %d descendants took %s, then %s with the status after it; on none %s", descendants, took, bigTime, smallTime)
	}
	if whole := time.Since(began); whole > time.Minute {
		t.Errorf("the whole took %s", whole)
	}
}

// pick chooses 50 descendants, half of them grandchildren, which it makes.
func pick(t *testing.T, n *node, ctx context.Context, big string, descendants int, random *rand.Rand) []string {
	t.Helper()
	const picked = 50
	var sample []string
	var events []*pb.Event
	for i, place := range random.Perm(descendants)[:picked] {
		lot := child1(big, place)
		if i%2 == 0 {
			sample = append(sample, lot)
			continue
		}
		part := &pb.Part{Lot: proto.String(grandchild(big, place)), Mass: proto.String("2.000 g")}
		setPieces(&part.Pieces, 2)
		events = append(events, &pb.Event{
			RequestId: proto.String(newID()), Lot: &lot, OccurredAt: proto.String("2025-04-02T10:00:00Z"), Moisture: proto.String("DRY"),
			Body: &pb.Event_Split{Split: &pb.Split{Children: []*pb.Part{part}}},
		})
		sample = append(sample, grandchild(big, place))
	}
	if _, err := n.intake().AppendBatch(ctx, &pb.AppendBatchRequest{Events: events}); err != nil {
		t.Fatal(err)
	}
	return sample
}

// verdict finds the verdict on a treatment in a status.
func verdict(t *testing.T, a answer, treatment string) string {
	t.Helper()
	for i := range a.list(t, "treatments") {
		if a.text(t, "treatments", i, "treatment") == treatment {
			return a.text(t, "treatments", i, "verdict")
		}
	}
	t.Fatalf("no %s in %s", treatment, a.raw)
	return ""
}

// judged is what a status says, without the position of the log that it was read at.
func judged(t *testing.T, a answer) string {
	t.Helper()
	m, ok := a.value(t).(map[string]any)
	if !ok {
		t.Fatalf("%s", a.raw)
	}
	delete(m, "position")
	return fmt.Sprint(m)
}

func median(d []time.Duration) time.Duration {
	d = slices.Sorted(slices.Values(d))
	return d[len(d)/2]
}
