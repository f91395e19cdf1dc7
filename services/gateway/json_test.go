package gateway

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

const eventsPath = "/v1/lots/harrow-gully.r7/events"

func TestBodiesThatAreRefused(t *testing.T) {
	w := newWorld(t, nil)
	called := 0
	w.intake.append = func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) {
		called++
		return &pb.AppendResponse{}, nil
	}
	deepList := strings.Repeat("[", 9_000) + strings.Repeat("]", 9_000)
	tooDeep := strings.Repeat("[", 500_000)
	for _, c := range []struct {
		name, body, field string
		says              []string
	}{
		{"unknown field", `{"mined":{"pieces":3},"colour":"red"}`, "colour", []string{`"colour"`, "requestId", "mined"}},
		{"unknown field within", `{"mined":{"pieces":3,"colour":"red"}}`, "mined.colour", []string{`"colour"`, "pieces", "mass"}},
		{"unknown field in a list", `{"split":{"children":[{"lot":"a-b.c"},{"lot":"a-b.d","colour":1}]}}`, "split.children[1].colour", []string{`"colour"`, "moisture"}},
		{"field of another case", `{"Mined":{}}`, "Mined", []string{`"Mined"`}},
		{"duplicate field", `{"lot":"a-b.c","lot":"a-b.c"}`, "lot", []string{"twice", "once"}},
		{"duplicate by its other name", `{"requestId":"x","request_id":"x"}`, "request_id", []string{"twice"}},
		{"duplicate within", `{"mined":{"mass":"1 g","mass":"2 g"}}`, "mined.mass", []string{"twice"}},
		{"duplicate in a list", `{"split":{"children":[{"pieces":1,"pieces":2}]}}`, "split.children[0].pieces", []string{"twice"}},
		{"duplicate key of a map", `{"tested":{"conditions":{"cleaned":"yes","cleaned":"no"}}}`, "tested.conditions.cleaned", []string{"twice"}},
		{"two bodies", `{"mined":{},"treated":{}}`, "treated", []string{"mined", "one of them"}},
		{"data after the object", `{"lot":"a-b.c"} {"lot":"a-b.d"}`, "", []string{"goes on", "byte 15", "one object"}},
		{"garbage after the object", `{} x`, "", []string{"goes on", "one object"}},
		{"a list", `[{"lot":"a-b.c"}]`, "", []string{"list", "one object"}},
		{"a string", `"mined"`, "", []string{"string", "one object"}},
		{"a number", `12`, "", []string{"number", "one object"}},
		{"a boolean", `true`, "", []string{"boolean", "one object"}},
		{"null", `null`, "", []string{"null", "one object"}},
		{"no JSON", `mined: 3`, "", []string{"not JSON", "byte 1"}},
		{"cut short", `{"mined":{"pieces":3}`, "", []string{"not JSON", "ends"}},
		{"a comma too many", `{"lot":"a-b.c",}`, "", []string{"not JSON", "byte 16"}},
		{"single quotes", `{'lot':'a-b.c'}`, "", []string{"not JSON"}},
		{"comment", `{"lot":"a-b.c" /* rough */}`, "", []string{"not JSON"}},
		{"not a number", `{"treated":{"process":{"durationHours":NaN}}}`, "", []string{"not JSON"}},
		{"number as NaN text", `{"treated":{"process":{"durationHours":"NaN"}}}`, "treated.process.durationHours", []string{"NaN", "a number"}},
		{"bad UTF-8", "{\"remark\":\"caf\xe9\"}", "", []string{"UTF-8", "byte 14"}},
		{"half a surrogate pair", `{"remark":"\ud83d"}`, "", []string{"surrogate", "byte 11"}},
		{"string for an object", `{"mined":"rough"}`, "mined", []string{`"rough"`, "an object"}},
		{"object for a list", `{"split":{"children":{"lot":"a-b.c"}}}`, "split.children", []string{"an object", "a list"}},
		{"string for a list", `{"sold":{"claims":"NATURAL"}}`, "sold.claims", []string{`"NATURAL"`, "a list"}},
		{"number for a string", `{"mined":{"mass":3.42}}`, "mined.mass", []string{"3.42", "a string"}},
		{"number in a list of strings", `{"sold":{"claims":["NATURAL",3]}}`, "sold.claims[1]", []string{"3", "a string"}},
		{"string for a count", `{"mined":{"pieces":"many"}}`, "mined.pieces", []string{`"many"`, "a whole number"}},
		{"part of a piece", `{"mined":{"pieces":3.5}}`, "mined.pieces", []string{"3.5", "a whole number"}},
		{"count out of range", `{"mined":{"pieces":99999999999999999999}}`, "mined.pieces", []string{"99999999999999999999", "a whole number"}},
		{"boolean for a count", `{"mined":{"pieces":true}}`, "mined.pieces", []string{"true", "a whole number"}},
		{"string for a boolean", `{"received":{"cameBack":"yes"}}`, "received.cameBack", []string{`"yes"`, "true or false"}},
		{"text for a number", `{"cut":{"stones":[{"dimensionsMm":[7.1,"wide"]}]}}`, "cut.stones[0].dimensionsMm[1]", []string{`"wide"`, "a number"}},
		{"number out of range", `{"treated":{"process":{"durationHours":1e999}}}`, "treated.process.durationHours", []string{"1e999", "a number"}},
		{"null in a list", `{"sold":{"claims":[null]}}`, "sold.claims[0]", []string{"null", "a string"}},
		{"object in a map", `{"tested":{"conditions":{"cleaned":{}}}}`, "tested.conditions.cleaned", []string{"an object", "a string"}},
		{"nested lists where a string belongs", `{"remark":` + deepList + `}`, "remark", []string{"a list", "a string"}},
		{"nested lists in an unknown field", `{"x":` + deepList + `}`, "x", []string{`"x"`}},
		{"nested without end", `{"remark":` + tooDeep, "", []string{"not JSON"}},
		{"a name without end", `{"` + strings.Repeat("n", 300_000) + `":1}`, strings.Repeat("n", 60) + "…", []string{"there is not"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			start := time.Now()
			a := w.post(t, eventsPath, c.body)
			if took := time.Since(start); took > 2*time.Second {
				t.Errorf("it took %s", took)
			}
			r := a.refusal(t)
			if a.code != 400 || r.Code != 3 || r.Reason != "INVALID_FIELD" || r.Field != c.field {
				t.Errorf("%d %d %s %q: %s; want 400 3 INVALID_FIELD %q", a.code, r.Code, r.Reason, r.Field, r.Message, c.field)
			}
			for _, s := range c.says {
				if !strings.Contains(r.Message, s) {
					t.Errorf("%q does not say %q", r.Message, s)
				}
			}
			if len(r.Message) > 1_200 {
				t.Errorf("the message has %d bytes", len(r.Message))
			}
			if strings.Contains(r.Message, "\x00") || strings.Contains(r.Message, "proto:") {
				t.Errorf("the message shows how it came: %q", r.Message)
			}
		})
	}
	if called != 0 {
		t.Errorf("%d of them reached the service", called)
	}
}

func TestBodiesThatAreTaken(t *testing.T) {
	w := newWorld(t, nil)
	var got *pb.AppendRequest
	w.intake.append = func(_ context.Context, r *pb.AppendRequest) (*pb.AppendResponse, error) {
		got = proto.CloneOf(r)
		return &pb.AppendResponse{}, nil
	}
	s := proto.String
	for _, c := range []struct {
		name, body string
		want       *pb.Event
	}{
		{"empty", ``, &pb.Event{}},
		{"blanks", " \r\n\t", &pb.Event{}},
		{"empty object", `{}`, &pb.Event{}},
		{"blanks around", " {\"lot\":\"harrow-gully.r7\"}\r\n", &pb.Event{Lot: s("harrow-gully.r7")}},
		{"null is left out", `{"lot":null,"mined":null,"treated":{"treatment":null}}`, &pb.Event{Body: &pb.Event_Treated{Treated: &pb.Treated{}}}},
		{"names of the contract", `{"request_id":"x","occurred_at":"2025-03-04"}`, &pb.Event{RequestId: s("x"), OccurredAt: s("2025-03-04")}},
		{"a zero is a value", `{"mined":{"mass":""}}`, &pb.Event{Body: &pb.Event_Mined{Mined: &pb.Mined{Mass: s("")}}}},
		{"position as text", `{"expectedRevision":"812"}`, &pb.Event{ExpectedRevision: proto.Int64(812)}},
		{"position as number", `{"expectedRevision":812}`, &pb.Event{ExpectedRevision: proto.Int64(812)}},
		{"whole number with exponent", `{"expectedRevision":8e2}`, &pb.Event{ExpectedRevision: proto.Int64(800)}},
		{"negative, which others refuse", `{"expectedRevision":-3}`, &pb.Event{ExpectedRevision: proto.Int64(-3)}},
		{"largest position", `{"expectedRevision":"9223372036854775807"}`, &pb.Event{ExpectedRevision: proto.Int64(1<<63 - 1)}},
		{"escapes", `{"remark":"caf\u00e9 \ud83d\udc8e"}`, &pb.Event{Remark: s("café 💎")}},
		{"map", `{"tested":{"conditions":{"cleaned":"yes","":"empty"}}}`, &pb.Event{Body: &pb.Event_Tested{Tested: &pb.Tested{Conditions: map[string]string{"cleaned": "yes", "": "empty"}}}}},
		{"lists", `{"cut":{"stones":[{"dimensionsMm":[7,5.5,"3"]},{}]}}`, &pb.Event{Body: &pb.Event_Cut{Cut: &pb.Cut{Stones: []*pb.Stone{{DimensionsMm: []float64{7, 5.5, 3}}, {}}}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got = nil
			if a := w.post(t, eventsPath, c.body); a.code != 200 {
				t.Fatalf("%d %s", a.code, a.body)
			}
			if d := cmp.Diff(&pb.AppendRequest{Lot: "harrow-gully.r7", Event: c.want}, got, protocmp.Transform()); d != "" {
				t.Errorf("want(-), got(+):\n%s", d)
			}
		})
	}
}

// What is left out in an answer is unknown; zeros and empty lists are written.
func TestAnswersWriteZeros(t *testing.T) {
	w := newWorld(t, nil)
	w.intake.append = func(context.Context, *pb.AppendRequest) (*pb.AppendResponse, error) {
		return &pb.AppendResponse{Event: "a/b", Findings: []*pb.Finding{{Code: proto.String("X"), Share: proto.Float64(0)}}}, nil
	}
	w.status.lot = func(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error) { return &pb.GetLotResponse{}, nil }
	got := strings.NewReplacer(" ", "", "\n", "").Replace(string(w.post(t, eventsPath, `{}`).body))
	if want := `{"event":"a/b","position":"0","epoch":"","lot":"","findings":[{"code":"X","share":0}]}`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	account := string(w.get(t, "/v1/lots/harrow-gully.r7").body)
	for _, there := range []string{`"children"`, `"parents"`, `"findings"`, `"massMicrograms"`, `"mass"`} {
		if !strings.Contains(account, there) {
			t.Errorf("%s is left out of %s", there, account)
		}
	}
	for _, unknown := range []string{`"pieces"`, `"moisture"`, `"pending"`, `"closedBy"`} {
		if strings.Contains(account, unknown) {
			t.Errorf("%s stands in %s", unknown, account)
		}
	}
}

// FuzzShape looks for a body that the walk and ProtoJSON do not agree on. The walk takes what it takes so that every refusal names its
// field; where it refuses more, it is on purpose: the second of two equal keys of a map.
func FuzzShape(f *testing.F) {
	for _, s := range []string{
		`{}`, `{"mined":{"pieces":3,"origin":{"country":"ET"}}}`, `{"split":{"children":[{"lot":"a-b.c","pieces":"1"}]}}`,
		`{"tested":{"conditions":{"a":"b"}}}`, `{"lot":null}`, `[]`, `{"a":1}`, `{"mined":{}}x`, "{\"remark\":\"\xff\"}", `{"expectedRevision":1e2}`,
		`{"remark":"\ud83d\udc8e \ud83d \\ud83d"}`, `{"treated":{"process":{"durationHours":"1.5"}}}`,
	} {
		f.Add([]byte(s))
	}
	of := (&pb.Event{}).ProtoReflect().Descriptor()
	f.Fuzz(func(t *testing.T, data []byte) {
		refused := checkShape(data, of)
		err := protojson.Unmarshal(data, &pb.Event{})
		switch {
		case refused == nil && err != nil:
			t.Errorf("the walk takes %q, and ProtoJSON refuses it: %v", data, err)
		case refused != nil && (refused.Message == "" || refused.Reason != "INVALID_FIELD"):
			t.Errorf("%q: %v", data, refused)
		case refused != nil && err == nil && !strings.Contains(refused.Message, "twice"):
			t.Errorf("ProtoJSON takes %q, and the walk refuses it: %v", data, refused)
		}
	})
}
