package intake

import (
	"context"
	"testing"

	"google.golang.org/grpc/codes"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// assays computes by a function.
type assays func(context.Context, *opal.Event) (*opal.Computed, *fault.Error)

func (a assays) Compute(ctx context.Context, ev *opal.Event) (*opal.Computed, *fault.Error) {
	return a(ctx, ev)
}

func saysStrong(_ context.Context, ev *opal.Event) (*opal.Computed, *fault.Error) {
	t, _ := ev.Test()
	return &opal.Computed{Algorithm: "test/1", Says: []string{string(t.Method)}}, nil
}

// weighed is a test with a measurement.
const weighed = `{"lot": "harrow-gully.r7", "tested": {"method": "HYDROSTATIC", "sample": {"kind": "WHOLE"},
	"measurement": {"hydrostatic": {"dryMass": "3.412 ct", "suspendedMass": "1.702 ct"}}}}`

func domain(t *testing.T, m *pb.Event) *opal.Event {
	t.Helper()
	ev, f := wire.EventToDomain(m)
	if f != nil {
		t.Fatal(f)
	}
	return ev
}

// What a measurement says is computed once and travels with its statement; several posts that share an envelope keep theirs.
func TestMeasurementsAreComputed(t *testing.T) {
	s, _ := newService(t, func(c *Config) { c.Assays = assays(saysStrong) })
	plain := func(n int) *opal.Event { return domain(t, described(t, n)) }
	p1, f := s.seal(t.Context(), "miner", []*opal.Event{plain(1), domain(t, event(t, 2, weighed)), plain(3)})
	if f != nil {
		t.Fatal(f)
	}
	p2, f := s.seal(t.Context(), "miner", []*opal.Event{domain(t, event(t, 4, weighed))})
	if f != nil {
		t.Fatal(f)
	}
	if len(p1.outcomes) != 1 || p1.outcomes[0].Index != 1 || len(p2.outcomes) != 1 || p2.outcomes[0].Index != 0 {
		t.Fatalf("outcomes %+v and %+v", p1.outcomes, p2.outcomes)
	}
	e, err := s.queue.attest([]*post{p1, p2})
	if err != nil {
		t.Fatal(err)
	}
	if len(e.Outcomes) != 2 || e.Outcomes[0].Index != 1 || e.Outcomes[1].Index != 3 {
		t.Fatalf("in one envelope: %+v", e.Outcomes)
	}
	c, err := block.DecodeOutcome(e.Outcomes[1].Outcome)
	if err != nil || c.Algorithm != "test/1" || len(c.Says) != 1 || c.Says[0] != "HYDROSTATIC" {
		t.Errorf("computed %+v, %v", c, err)
	}
}

// A measurement that says nothing because it cannot be right is refused by its field, and nothing is sent.
func TestAMeasurementThatCannotBeRight(t *testing.T) {
	wrong := fault.New(fault.InvalidField, "hydrostatic.suspendedMass", "found 4 ct, accepted is less than the dry mass")
	for name, x := range map[string]struct {
		assays Assays
		field  string
	}{
		"by its figures":       {assays(func(context.Context, *opal.Event) (*opal.Computed, *fault.Error) { f := *wrong; return nil, &f }), "tested.measurement.hydrostatic.suspendedMass"},
		"by a node that can't": {nil, "tested.measurement"},
	} {
		t.Run(name, func(t *testing.T) {
			s := start(t, func(c *Config) { c.Assays = x.assays })
			_, err := s.Append(as("miner"), &pb.AppendRequest{Event: event(t, 1, weighed)})
			wantFault(t, err, fault.InvalidField, codes.InvalidArgument, x.field, "accepted")
			if len(s.inLog()) != 0 {
				t.Errorf("in the log: %v", s.inLog())
			}
		})
	}
}

// A condition on an account is refused where it could not be kept.
func TestIfMatchWithNoOneAccount(t *testing.T) {
	s := start(t, nil)
	ctx := as("miner", "if-match", `"812"`)
	_, err := s.AppendBatch(ctx, &pb.AppendBatchRequest{Events: []*pb.Event{described(t, 1)}})
	wantFault(t, err, fault.InvalidField, codes.InvalidArgument, "If-Match", "expectedRevision")
	_, err = s.AppendLogEvent(ctx, &pb.AppendLogEventRequest{Event: event(t, 2, `{"methodValidated": {"method": "INFRARED", "protocol": "P-1"}}`)})
	wantFault(t, err, fault.InvalidField, codes.InvalidArgument, "If-Match", "accepted")
	_, err = s.AppendEnvelopes(ctx, &pb.AppendEnvelopesRequest{})
	wantFault(t, err, fault.InvalidField, codes.InvalidArgument, "If-Match", "accepted")
	if len(s.inLog()) != 0 {
		t.Errorf("in the log: %v", s.inLog())
	}
}
