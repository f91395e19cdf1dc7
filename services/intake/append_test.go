package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/wire/wiretest"
)

const epoch = "e0000000000000000000000000000000"

func wantFault(t *testing.T, err error, reason fault.Reason, code codes.Code, field, message string) *fault.Error {
	t.Helper()
	f := rpc.FaultOf(err)
	if f == nil {
		t.Fatalf("got %v, want %s", err, reason)
	}
	if f.Reason != reason || status.Code(err) != code || f.Field != field || !strings.Contains(f.Message, message) {
		t.Fatalf("got %s %s on %q: %s\nwant %s %s on %q with %q", status.Code(err), f.Reason, f.Field, f.Message, code, reason, field, message)
	}
	return f
}

func TestAppend(t *testing.T) {
	s := start(t, nil)
	m := event(t, 1, `{"lot": "harrow-gully.r7", "counted": {"pieces": "40", "why": "RECOUNT"}, "remark": "wet week"}`)
	got, err := s.Append(as("miner"), &pb.AppendRequest{Event: m})
	if err != nil {
		t.Fatal(err)
	}
	id := "harrow-gully/" + requestID(1).String()
	want := &pb.AppendResponse{Event: id, Position: 0, Epoch: epoch, Lot: "harrow-gully.r7", Findings: []*pb.Finding{{
		Code: proto.String("COUNT_CHANGED"), Event: &id, Lot: proto.String("harrow-gully.r7"), Pieces: proto.Int32(-2),
		Text: proto.String("The count was set anew: 2 pieces fewer than the account had."),
	}}}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	ev := s.known[id].Event
	if ev.Remark != "wet week" || *ev.Counted.Pieces != 40 || ev.OccurredAt != "2026-03-04" {
		t.Errorf("in the log: %+v", ev)
	}
	// The lot may come by the address alone.
	m = event(t, 2, `{"described": {"bodyColour": "milky"}}`)
	got, err = s.Append(as("miner"), &pb.AppendRequest{Lot: "harrow-gully.r7", Event: m})
	if err != nil || got.Lot != "harrow-gully.r7" || got.Position != 1 {
		t.Errorf("got %v, %v", got, err)
	}
	// The log takes the entity tag of an account for the revision that was known.
	if _, err = s.Append(as("miner", "if-match", `"17"`), &pb.AppendRequest{Event: described(t, 3)}); err != nil {
		t.Fatal(err)
	}
	if ev := s.known["harrow-gully/"+requestID(3).String()].Event; ev.ExpectedRevision == nil || *ev.ExpectedRevision != 17 {
		t.Errorf("expects %v", ev.ExpectedRevision)
	}
	logged, err := s.AppendLogEvent(as("admin"), &pb.AppendLogEventRequest{Event: event(t, 4, `{"keyRevoked": {"party": "q7", "keyId": "0011223344556677", "because": "lost"}}`)})
	if err != nil || logged.Position != 3 || logged.Event != "admin/"+requestID(4).String() || logged.Epoch != epoch {
		t.Errorf("got %v, %v", logged, err)
	}
}

// Every refusal that intake itself makes of events, through gRPC.
func TestRefusals(t *testing.T) {
	big := func(n int) *pb.Event { // a split of n children, each some 90 bytes of statement
		m := event(t, n, `{"lot": "harrow-gully.r7", "split": {}}`)
		for i := range n {
			m.GetSplit().Children = append(m.GetSplit().Children, &pb.Part{
				Lot: proto.String(fmt.Sprintf("harrow-gully.%048d", i)), Mass: proto.String("3.42 ct"), Pieces: proto.Int32(1_000_000), Moisture: proto.String("SOAKED"),
			})
		}
		return m
	}
	batch := func(events ...*pb.Event) *pb.AppendBatchRequest { return &pb.AppendBatchRequest{Events: events} }
	s := start(t, nil)
	post := func(headers ...string) func(*pb.Event) error {
		return func(m *pb.Event) error {
			_, err := s.Append(as("miner", headers...), &pb.AppendRequest{Event: m})
			return err
		}
	}
	postTo := func(lot string) func(*pb.Event) error {
		return func(m *pb.Event) error {
			_, err := s.Append(as("miner"), &pb.AppendRequest{Lot: lot, Event: m})
			return err
		}
	}
	postLog := func(m *pb.Event) error {
		_, err := s.AppendLogEvent(as("admin"), &pb.AppendLogEventRequest{Event: m})
		return err
	}
	inBatch := func(more ...*pb.Event) func(*pb.Event) error {
		return func(m *pb.Event) error {
			_, err := s.AppendBatch(as("miner"), batch(append(more, m)...))
			return err
		}
	}
	otherID := requestID(99).String()
	tests := map[string]struct {
		call    func(*pb.Event) error
		event   *pb.Event
		reason  fault.Reason
		code    codes.Code
		field   string
		message string
	}{
		"no event":          {post(), nil, fault.InvalidField, codes.InvalidArgument, "requestId", "found nothing, accepted is a UUID"},
		"no request id":     {post(), described(t, 0), fault.InvalidField, codes.InvalidArgument, "requestId", "found nothing, accepted is a UUID"},
		"no body":           {post(), event(t, 1, `{"lot": "harrow-gully.r7"}`), fault.InvalidField, codes.InvalidArgument, "", "found no body"},
		"no lot":            {post(), event(t, 1, `{"described": {}}`), fault.InvalidField, codes.InvalidArgument, "lot", "found nothing"},
		"another lot":       {postTo("harrow-gully.r8"), described(t, 1), fault.InvalidField, codes.InvalidArgument, "lot", `found "harrow-gully.r7", and the request is addressed to "harrow-gully.r8"`},
		"another's name":    {post(), event(t, 1, `{"lot": "moor-shop.r7", "acquired": {"material": {"kind": "FIRE"}, "mass": "1 ct"}}`), fault.InvalidField, codes.InvalidArgument, "lot", "named by its poster"},
		"another party":     {post(), event(t, 1, `{"lot": "harrow-gully.r7", "party": "moor-shop", "described": {}}`), fault.NotAllowed, codes.PermissionDenied, "party", `found "moor-shop", and the token is of harrow-gully`},
		"an answer's field": {post(), event(t, 1, `{"lot": "harrow-gully.r7", "described": {}, "position": "4"}`), fault.InvalidField, codes.InvalidArgument, "position", "accepted in answers only"},
		"a child's mass": {post(), event(t, 1, `{"lot": "harrow-gully.r7", "split": {"children": [{"lot": "harrow-gully.a", "mass": "3,42 ct"}]}}`),
			fault.InvalidField, codes.InvalidArgument, "split.children[0].mass", "with a comma"},
		"a key that is none":    {post("idempotency-key", "7"), described(t, 0), fault.InvalidField, codes.InvalidArgument, "Idempotency-Key", `found "7", accepted is a UUID`},
		"a key of zeros":        {post("idempotency-key", "00000000-0000-0000-0000-000000000000"), described(t, 0), fault.InvalidField, codes.InvalidArgument, "Idempotency-Key", "found all zeros"},
		"two keys":              {post("idempotency-key", otherID, "idempotency-key", otherID), described(t, 0), fault.InvalidField, codes.InvalidArgument, "Idempotency-Key", "found it 2 times"},
		"a key and another id":  {post("idempotency-key", otherID), described(t, 1), fault.InvalidField, codes.InvalidArgument, "requestId", "beside the Idempotency-Key " + otherID},
		"a tag that is none":    {post("if-match", "17"), described(t, 1), fault.InvalidField, codes.InvalidArgument, "If-Match", `found "17"`},
		"any tag":               {post("if-match", "*"), described(t, 1), fault.InvalidField, codes.InvalidArgument, "If-Match", `found "*"`},
		"a tag and another":     {post("if-match", `"17"`), event(t, 1, `{"lot": "harrow-gully.r7", "described": {}, "expectedRevision": "16"}`), fault.InvalidField, codes.InvalidArgument, "expectedRevision", "found 16 beside the If-Match"},
		"a log event to a lot":  {post(), event(t, 1, `{"methodValidated": {"method": "RAMAN", "protocol": "p1", "rows": [{"outcome": "SWAMPED", "treatment": "DYE", "treatedWith": "1", "treatedAll": "2", "untreatedWith": "0", "untreatedAll": "3"}]}}`), fault.InvalidField, codes.InvalidArgument, "methodValidated", "an event without a lot"},
		"a lot event to a log":  {postLog, described(t, 1), fault.InvalidField, codes.InvalidArgument, "lot", "about the lot harrow-gully.r7"},
		"no log event":          {postLog, nil, fault.InvalidField, codes.InvalidArgument, "requestId", "found nothing"},
		"the log's own event":   {postLog, event(t, 1, `{"logOpened": {}}`), fault.InvalidField, codes.InvalidArgument, "logOpened", "only the log itself"},
		"a large statement":     {post(), big(1000), "", 0, "", ""},
		"too large a batch":     {inBatch(big(1000), big(999), big(998), big(997)), big(996), fault.TooLarge, codes.InvalidArgument, "events", "accepted are at most 393216 at once"},
		"in a batch":            {inBatch(described(t, 1), described(t, 2)), event(t, 3, `{"lot": "harrow-gully.r7", "split": {"children": [{"lot": "harrow-gully.a", "mass": "0 ct"}]}}`), fault.InvalidField, codes.InvalidArgument, "events[2].split.children[0].mass", "above zero"},
		"no id in a batch":      {inBatch(described(t, 1)), described(t, 0), fault.InvalidField, codes.InvalidArgument, "events[1].requestId", "found nothing"},
		"no body in a batch":    {inBatch(), event(t, 1, `{}`), fault.InvalidField, codes.InvalidArgument, "events[0]", "found no body"},
		"another's in a batch":  {inBatch(), event(t, 1, `{"lot": "harrow-gully.r7", "party": "moor-shop", "described": {}}`), fault.NotAllowed, codes.PermissionDenied, "events[0].party", "moor-shop"},
		"a batch of 1,001":      {inBatch(slices.Repeat([]*pb.Event{{}}, 1_000)...), described(t, 1), fault.TooLarge, codes.InvalidArgument, "events", "found 1001, accepted are at most 1000"},
		"text not in form C":    {post(), event(t, 1, `{"lot": "harrow-gully.r7", "described": {}, "remark": "u\u0308"}`), fault.InvalidField, codes.InvalidArgument, "remark", "normal form C"},
		"a remark that is long": {post(), event(t, 1, `{"lot": "harrow-gully.r7", "described": {}, "remark": "`+strings.Repeat("x", 2_001)+`"}`), fault.TooLarge, codes.InvalidArgument, "remark", "found 2,001 characters, accepted are at most 2,000"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			before := len(s.came())
			err := test.call(test.event)
			if test.reason == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			wantFault(t, err, test.reason, test.code, test.field, test.message)
			if len(s.came()) != before {
				t.Error("something was sent all the same")
			}
		})
	}
	_, err := s.AppendBatch(as("miner"), batch())
	wantFault(t, err, fault.InvalidField, codes.InvalidArgument, "events", "found none, accepted are 1 to 1000")
	_, err = s.Append(context.Background(), &pb.AppendRequest{})
	wantFault(t, err, fault.NoToken, codes.Unauthenticated, "", "")
	_, err = s.Append(as("miner"), &pb.AppendRequest{Event: &pb.Event{Remark: proto.String(strings.Repeat("x", 1<<20))}})
	wantFault(t, err, fault.TooLarge, codes.InvalidArgument, "", "accepted are at most 1048576")
	if _, err := s.service.Append(context.Background(), &pb.AppendRequest{}); fault.Of(err) != fault.NoToken {
		t.Errorf("without a caller: %v", err)
	}
}

// A statement of more than 128 KiB is refused before anything is sent. The largest split is smaller, so this takes a long cut.
func TestLargeStatement(t *testing.T) {
	s := start(t, nil)
	m := event(t, 1, `{"lot": "harrow-gully.r7", "cut": {}}`)
	for i := range 1_000 {
		m.GetCut().Stones = append(m.GetCut().Stones, &pb.Stone{
			Lot: proto.String(fmt.Sprintf("harrow-gully.%048d", i)), Mass: proto.String("3.42 ct"), Shape: proto.String(strings.Repeat("o", 80)),
		})
	}
	_, err := s.Append(as("miner"), &pb.AppendRequest{Event: m})
	wantFault(t, err, fault.TooLarge, codes.InvalidArgument, "", "accepted are at most 131072")
	_, err = s.AppendBatch(as("miner"), &pb.AppendBatchRequest{Events: []*pb.Event{described(t, 2), m}})
	wantFault(t, err, fault.TooLarge, codes.InvalidArgument, "events[1]", "accepted are at most 131072")
}

// A refusal of the sequencer comes to the caller with the path that the caller knows.
func TestSequencerRefuses(t *testing.T) {
	s := start(t, nil)
	s.judge = func(ev *opal.Event) *fault.Error {
		if ev.RequestID == requestID(7) {
			return fault.New(fault.MassGain, "split.children[2].mass", "found 2.00 ct more than went in, accepted is less")
		}
		if ev.Sold != nil {
			return fault.InBody(fault.New(fault.UnknownParty, "sold.claims[0].claim", "x"))
		}
		return nil
	}
	_, err := s.Append(as("miner"), &pb.AppendRequest{Event: described(t, 7)})
	wantFault(t, err, fault.MassGain, codes.FailedPrecondition, "split.children[2].mass", "found 2.00 ct more")
	_, err = s.AppendBatch(as("miner"), &pb.AppendBatchRequest{Events: []*pb.Event{described(t, 6), described(t, 7)}})
	wantFault(t, err, fault.MassGain, codes.FailedPrecondition, "events[1].split.children[2].mass", "found 2.00 ct more")
	if len(s.inLog()) != 0 {
		t.Errorf("half a batch is in the log: %v", s.inLog())
	}
	_, err = s.Append(as("miner"), &pb.AppendRequest{Event: event(t, 8, `{"lot": "harrow-gully.r7", "sold": {"to": "moor-shop", "claims": ["NATURAL"]}}`)})
	wantFault(t, err, fault.UnknownParty, codes.InvalidArgument, "sold.claims[0]", "")
}

// The same request gives the same bytes, however it comes: with the id in the body or beside it, with the fields in another order,
// through another node, alone or in a batch.
func TestSameRequestSameBytes(t *testing.T) {
	first, second := start(t, nil), start(t, func(c *Config) { c.Now = func() time.Time { return time.Unix(0, 0) } })
	text := `{"lot": "harrow-gully.r7", "remark": "from the north wall", "tested": {"method": "RAMAN", "sample": {"kind": "WHOLE"}, "outcome": "SWAMPED",
		"conditions": {"cleaned": "yes", "laser": "785 nm", "dried": "a week"}}, "attachments": [{"sha256": "` + strings.Repeat("ab", 32) + `", "mediaType": "text/csv", "name": "run 7"}]}`
	a, err := first.Append(as("miner"), &pb.AppendRequest{Event: event(t, 7, text)})
	if err != nil {
		t.Fatal(err)
	}
	for name, post := range map[string]func() (*pb.AppendResponse, error){
		"again": func() (*pb.AppendResponse, error) {
			return first.Append(as("miner"), &pb.AppendRequest{Event: event(t, 7, text)})
		},
		"by header": func() (*pb.AppendResponse, error) {
			return first.Append(as("miner", "idempotency-key", strings.ToUpper(requestID(7).String())), &pb.AppendRequest{Lot: "harrow-gully.r7", Event: event(t, 0, text)})
		},
		"by both": func() (*pb.AppendResponse, error) {
			return first.Append(as("miner", "idempotency-key", requestID(7).String()), &pb.AppendRequest{Event: event(t, 7, text)})
		},
		"in a batch": func() (*pb.AppendResponse, error) {
			b, err := first.AppendBatch(as("miner"), &pb.AppendBatchRequest{Events: []*pb.Event{event(t, 7, text)}})
			return b.GetResults()[0], err
		},
	} {
		b, err := post()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if diff := cmp.Diff(a, b, protocmp.Transform()); diff != "" {
			t.Errorf("%s (-first +again):\n%s", name, diff)
		}
	}
	if len(first.inLog()) != 1 {
		t.Errorf("the log has %d events", len(first.inLog()))
	}
	if _, err := second.Append(as("miner"), &pb.AppendRequest{Event: event(t, 7, text)}); err != nil {
		t.Fatal(err)
	}
	if id := a.Event; string(first.bytes[id]) != string(second.bytes[id]) || len(first.bytes[id]) == 0 {
		t.Errorf("another node made other bytes:\n%x\n%x", first.bytes[id], second.bytes[id])
	}
	other := event(t, 7, text)
	other.Remark = proto.String("from the south wall")
	_, err = first.Append(as("miner"), &pb.AppendRequest{Event: other})
	wantFault(t, err, fault.RequestIDReused, codes.AlreadyExists, "requestId", "other content")
}

// Any event has the same bytes twice, and other bytes for another party.
func TestSealIsDeterministic(t *testing.T) {
	s, _ := newService(t, func(c *Config) { c.Assays = assays(saysStrong) })
	rapid.Check(t, func(t *rapid.T) {
		ev := wiretest.Event().Draw(t, "event")
		again := *ev
		one, f := s.seal(context.Background(), "harrow-gully", []*opal.Event{ev})
		if f != nil {
			t.Fatal(f)
		}
		two, _ := s.seal(context.Background(), "harrow-gully", []*opal.Event{&again})
		if string(one.statements[0]) != string(two.statements[0]) || one.hashes[0] != two.hashes[0] || cmp.Diff(one.openings, two.openings) != "" {
			t.Fatal("sealed to other bytes")
		}
		private := 0
		opal.EachPrivate(ev, func(_ string, v *string) {
			if *v != "" {
				private++
			}
		})
		if private > 0 {
			third, _ := s.seal(context.Background(), "moor-shop", []*opal.Event{&again})
			if string(one.statements[0]) == string(third.statements[0]) {
				t.Fatal("the salts do not depend on the party")
			}
		}
		if got := len(one.openings) > 0; got != (private > 0) {
			t.Fatalf("%d private values and openings %v", private, one.openings)
		}
	})
}

// One Idempotency-Key serves a whole batch: the ids follow from it.
func TestBatchWithOneKey(t *testing.T) {
	s := start(t, nil)
	key := requestID(5).String()
	post := func() *pb.AppendBatchResponse {
		b, err := s.AppendBatch(as("miner", "idempotency-key", key), &pb.AppendBatchRequest{Events: []*pb.Event{described(t, 0), described(t, 8), described(t, 0)}})
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	a, b := post(), post()
	if diff := cmp.Diff(a, b, protocmp.Transform()); diff != "" {
		t.Errorf("(-first +again):\n%s", diff)
	}
	if len(s.inLog()) != 3 || a.Results[1].Event != "harrow-gully/"+requestID(8).String() || a.Results[0].Event == a.Results[2].Event {
		t.Errorf("in the log: %v", s.inLog())
	}
	// RFC 9562, sections 4.1 and 5.8: variant 10, version 8.
	for _, i := range []int{0, 2} {
		if id := strings.TrimPrefix(a.Results[i].Event, "harrow-gully/"); id[14] != '8' || !strings.Contains("89ab", id[19:20]) {
			t.Errorf("%s is no version 8 UUID", id)
		}
	}
	_, err := s.AppendBatch(as("miner", "idempotency-key", "7"), &pb.AppendBatchRequest{Events: []*pb.Event{described(t, 0)}})
	wantFault(t, err, fault.InvalidField, codes.InvalidArgument, "Idempotency-Key", "")
}

// Private values are stored before the envelope is sent, and without them nothing is.
func TestOpeningsFirst(t *testing.T) {
	s := start(t, nil)
	private := `{"lot": "harrow-gully.r7", "remark": "from the north wall", "described": {}}`
	if _, err := s.Append(as("miner"), &pb.AppendRequest{Event: event(t, 1, private)}); err != nil {
		t.Fatal(err)
	}
	for _, o := range s.openings {
		if len(o) != 1 || o[0].Path != "remark" || o[0].Value != "from the north wall" {
			t.Errorf("stored %+v", o)
		}
	}
	if len(s.openings) != 1 {
		t.Errorf("%d openings", len(s.openings))
	}
	s.storeFails = errors.New("the disk is gone")
	sent := len(s.came())
	_, err := s.Append(as("miner"), &pb.AppendRequest{Event: event(t, 2, private)})
	f := wantFault(t, err, fault.InternalError, codes.Internal, "", "request id")
	if strings.Contains(f.Message, "disk") || len(s.came()) != sent {
		t.Errorf("told %q, sent %d", f.Message, len(s.came())-sent)
	}
	if _, err := s.Append(as("miner"), &pb.AppendRequest{Event: described(t, 3)}); err != nil {
		t.Errorf("an event without private values: %v", err)
	}
}

func TestSequencerDoesNotAnswer(t *testing.T) {
	for name, test := range map[string]struct {
		fail    error
		reason  fault.Reason
		code    codes.Code
		message string
	}{
		"a fault":    {fault.New(fault.LogReadOnly, "", "the log is read only"), fault.LogReadOnly, codes.Unavailable, "read only"},
		"the disk":   {fault.New(fault.DiskReserve, "", "the disk is nearly full"), fault.DiskReserve, codes.ResourceExhausted, "nearly full"},
		"an error":   {errors.New("the line broke"), fault.NoSequencer, codes.Unavailable, "sending them again with the same request ids is safe"},
		"a deadline": {fmt.Errorf("x: %w", context.DeadlineExceeded), fault.NoSequencer, codes.Unavailable, "may be in the log"},
	} {
		t.Run(name, func(t *testing.T) {
			s := start(t, nil)
			s.fail = test.fail
			_, err := s.Append(as("miner"), &pb.AppendRequest{Event: described(t, 1)})
			f := wantFault(t, err, test.reason, test.code, "", test.message)
			if test.reason == fault.NoSequencer && f.RetryAfter <= 0 {
				t.Error("no time to try again")
			}
		})
	}
}

// A caller whose deadline passes is told that its event may be in the log; one that goes before its event is sent leaves nothing.
func TestCallersThatGo(t *testing.T) {
	s := start(t, func(c *Config) { c.InFlight = 1 })
	open, held := make(chan struct{}), make(chan struct{}, 10)
	s.hold = func(*bus.Submission) {
		held <- struct{}{}
		<-open
	}
	first := make(chan *fault.Error, 1)
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		_, f := s.service.Submit(ctx, "harrow-gully", []*opal.Event{smallEvent(1)})
		first <- f
	}()
	<-held // it is in flight
	gone, leave := context.WithCancel(context.Background())
	second := make(chan *fault.Error, 1)
	go func() {
		_, f := s.service.Submit(gone, "moor-shop", []*opal.Event{smallEvent(2)})
		second <- f
	}()
	waitFor(t, func() bool {
		s.service.queue.mu.Lock()
		defer s.service.queue.mu.Unlock()
		return s.service.queue.queued > 0
	})
	leave()
	cancel()
	for _, c := range []chan *fault.Error{first, second} {
		if f := <-c; f == nil || f.Reason != fault.NoSequencer || f.RetryAfter <= 0 || !strings.Contains(f.Message, "may be in it") {
			t.Errorf("got %v", f)
		}
	}
	close(open)
	if _, f := s.service.Submit(context.Background(), "moor-shop", []*opal.Event{smallEvent(3)}); f != nil {
		t.Fatal(f)
	}
	if want := []string{"harrow-gully/" + requestID(1).String(), "moor-shop/" + requestID(3).String()}; !slices.Equal(s.inLog(), want) {
		t.Errorf("the log has %v, want %v", s.inLog(), want)
	}
}

func waitFor(t *testing.T, ready func() bool) {
	t.Helper()
	for end := time.Now().Add(5 * time.Second); !ready(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it did not come to that")
		}
	}
}

func TestSubmit(t *testing.T) {
	s, l := newService(t, nil)
	results, f := s.Submit(context.Background(), "harrow-gully", []*opal.Event{smallEvent(1), smallEvent(2)})
	want := []EventResult{
		{Event: "harrow-gully/" + requestID(1).String(), Lot: "harrow-gully.r7", Position: 0},
		{Event: "harrow-gully/" + requestID(2).String(), Lot: "harrow-gully.r7", Position: 1},
	}
	if diff := cmp.Diff(want, results); f != nil || diff != "" {
		t.Errorf("%v (-want +got):\n%s", f, diff)
	}
	results, f = s.Submit(context.Background(), "harrow-gully", []*opal.Event{smallEvent(2), smallEvent(3)})
	if f != nil || !results[0].Duplicate || results[0].Position != 1 || results[1].Duplicate || results[1].Position != 2 {
		t.Errorf("got %+v, %v", results, f)
	}
	l.judge = func(*opal.Event) *fault.Error { return fault.New(fault.LotClosed, "", "the lot is closed") }
	if _, f = s.Submit(context.Background(), "harrow-gully", []*opal.Event{smallEvent(2), smallEvent(4)}); f == nil || f.Field != "events[0]" || f.Reason != fault.LotClosed {
		t.Errorf("got %v", f)
	}
	s.Close()
	if _, f = s.Submit(context.Background(), "harrow-gully", []*opal.Event{smallEvent(5)}); f == nil || f.Reason != fault.NoSequencer || !strings.Contains(f.Message, "stopping") {
		t.Errorf("after the end: %v", f)
	}
}

func TestConfig(t *testing.T) {
	_, err := New(Config{InFlight: -1})
	for _, want := range []string{"log name", "salt secret", "no signer", "no log", "no directory", "no openings", "no handles", "no sequencer", "no source of randomness", "found -1 submissions"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	if MaxBatchEvents != envelope.MaxStatements {
		t.Error("a batch does not fit an envelope")
	}
}
