package wire

import (
	"encoding/base64"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire/wiretest"
)

// What goes out comes back the same, through the message, its bytes and its JSON.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ev := wiretest.Event().Draw(t, "event")
		if f := opal.Check(ev, 0); f != nil {
			t.Fatalf("the drawn event is not accepted: %v", f)
		}
		m := EventFromDomain(ev)
		raw, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		text, err := protojson.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		var fromRaw, fromText pb.Event
		if err := proto.Unmarshal(raw, &fromRaw); err != nil {
			t.Fatal(err)
		}
		if err := protojson.Unmarshal(text, &fromText); err != nil {
			t.Fatal(err)
		}
		for name, m := range map[string]*pb.Event{"message": m, "bytes": &fromRaw, "JSON": &fromText} {
			back, f := EventToDomain(m)
			if f != nil {
				t.Fatalf("by %s: %v", name, f)
			}
			if diff := cmp.Diff(ev, back); diff != "" {
				t.Fatalf("by %s (-sent +read):\n%s", name, diff)
			}
		}
	})
}

// Every field of every body in the contract has a place in the domain: set, converted and converted back, it is there.
func TestEveryFieldOfTheContract(t *testing.T) {
	body := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body")
	for i := range body.Fields().Len() {
		field := body.Fields().Get(i)
		for _, inner := range replacements(field) {
			name := string(field.Name())
			if inner != nil {
				name += "/" + string(inner.Name())
			}
			t.Run(name, func(t *testing.T) {
				m := &pb.Event{}
				fill(t, m.ProtoReflect(), func(fd protoreflect.FieldDescriptor) bool {
					switch fd.ContainingOneof() {
					case body:
						return fd == field
					}
					if o := fd.ContainingOneof(); o != nil && !o.IsSynthetic() {
						return fd == inner
					}
					return fd.ContainingMessage() != body.Parent() || fd.Number() < 60 // the rest is of answers
				})
				ev, f := eventIn(m)
				if f != nil {
					t.Fatal(f)
				}
				if diff := cmp.Diff(m, EventFromDomain(ev), protocmp.Transform()); diff != "" {
					t.Errorf("(-set +came back):\n%s", diff)
				}
			})
		}
	}
}

// replacements lists the bodies that a correction can hold; for any other kind one nil.
func replacements(field protoreflect.FieldDescriptor) []protoreflect.FieldDescriptor {
	if field.Name() != "corrected" {
		return []protoreflect.FieldDescriptor{nil}
	}
	var list []protoreflect.FieldDescriptor
	fields := (&pb.Replacement{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		list = append(list, fields.Get(i))
	}
	return list
}

// fill sets every wanted field, lists and maps with two entries, each value another.
func fill(t *testing.T, m protoreflect.Message, wanted func(protoreflect.FieldDescriptor) bool) {
	t.Helper()
	n := 0
	var value func(fd protoreflect.FieldDescriptor, fresh func() protoreflect.Value) protoreflect.Value
	var fillMessage func(m protoreflect.Message)
	value = func(fd protoreflect.FieldDescriptor, fresh func() protoreflect.Value) protoreflect.Value {
		n++
		switch fd.Kind() {
		case protoreflect.StringKind:
			return protoreflect.ValueOfString(filling(string(fd.Name()), n))
		case protoreflect.Int32Kind:
			return protoreflect.ValueOfInt32(int32(n))
		case protoreflect.Int64Kind:
			return protoreflect.ValueOfInt64(int64(n))
		case protoreflect.DoubleKind:
			return protoreflect.ValueOfFloat64(float64(n) + 0.5)
		case protoreflect.BoolKind:
			return protoreflect.ValueOfBool(true)
		case protoreflect.MessageKind:
			v := fresh()
			fillMessage(v.Message())
			return v
		}
		t.Fatalf("%s has a kind that this test does not know: %s", fd.FullName(), fd.Kind())
		return protoreflect.Value{}
	}
	fillMessage = func(m protoreflect.Message) {
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			fd := fields.Get(i)
			if !wanted(fd) {
				continue
			}
			switch {
			case fd.IsMap():
				for range 2 {
					k := value(fd.MapKey(), nil).MapKey()
					m.Mutable(fd).Map().Set(k, value(fd.MapValue(), nil))
				}
			case fd.IsList():
				list := m.Mutable(fd).List()
				for range 2 {
					list.Append(value(fd, list.NewElement))
				}
			default:
				m.Set(fd, value(fd, func() protoreflect.Value { return m.NewField(fd) }))
			}
		}
	}
	fillMessage(m)
}

// filling gives a text of the form that a field needs to be read at all.
func filling(name string, n int) string {
	hex := fmt.Sprintf("%064x", n)
	switch {
	case name == "request_id":
		return fmt.Sprintf("00000000-0000-4000-8000-%012x", n)
	case name == "sha256", name == "rule_table", strings.HasSuffix(name, "_hash"):
		return hex
	case name == "epoch":
		return hex[32:]
	case strings.HasSuffix(name, "_key"):
		return base64.StdEncoding.EncodeToString([]byte(hex[32:]))
	case name == "claims":
		return fmt.Sprintf("ORIGIN:%d", n)
	}
	return fmt.Sprintf("%s %d", name, n)
}

// Every field of the domain has a place in the contract: the other direction.
func TestEveryFieldOfTheDomain(t *testing.T) {
	for _, kind := range opal.AllKinds() {
		for _, inner := range opal.ReplaceableKinds() {
			if kind != opal.KindCorrected && inner != opal.KindMined {
				continue // no replacement to vary
			}
			t.Run(string(kind)+"/"+string(inner), func(t *testing.T) {
				ev := &opal.Event{}
				n := 0
				fillGo(t, reflect.ValueOf(ev).Elem(), &n, []opal.Kind{kind, inner})
				back, f := eventIn(EventFromDomain(ev))
				if f != nil {
					t.Fatal(f)
				}
				if diff := cmp.Diff(ev, back); diff != "" {
					t.Errorf("(-set +came back):\n%s", diff)
				}
			})
		}
	}
}

// fillGo sets every field of a struct, and of the bodies only those of the kinds wanted at each level.
func fillGo(t *testing.T, v reflect.Value, n *int, kinds []opal.Kind) {
	t.Helper()
	*n++
	switch v.Kind() {
	case reflect.Struct:
		bodies := v.Type() == reflect.TypeFor[opal.Event]() || v.Type() == reflect.TypeFor[opal.Replacement]()
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if bodies && f.Type.Kind() == reflect.Pointer && f.Type.Elem().Kind() == reflect.Struct {
				if strings.EqualFold(f.Name, string(kinds[0])) {
					fillGo(t, v.Field(i), n, kinds[1:])
				}
				continue
			}
			if bodies && f.Type == reflect.TypeFor[[]opal.Attachment]() || !bodies || f.Type.Kind() != reflect.Struct {
				fillGo(t, v.Field(i), n, kinds)
			}
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fillGo(t, v.Elem(), n, kinds)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range v.Len() {
			fillGo(t, v.Index(i), n, kinds)
		}
	case reflect.Array:
		for i := range v.Len() {
			fillGo(t, v.Index(i), n, kinds)
		}
	case reflect.Map:
		v.Set(reflect.ValueOf(map[string]string{"a": "b", "c": "d"}))
	case reflect.String:
		if v.Type() == reflect.TypeFor[opal.ClaimKind]() {
			v.SetString(string(opal.ClaimOrigin))
			return
		}
		v.SetString(fmt.Sprintf("text %d", *n))
	case reflect.Int64:
		v.SetInt(int64(*n))
	case reflect.Uint64:
		v.SetUint(uint64(*n))
	case reflect.Uint8:
		v.SetUint(uint64(*n % 251))
	case reflect.Float64:
		v.SetFloat(float64(*n) + 0.5)
	case reflect.Bool:
		v.SetBool(true)
	default:
		t.Fatalf("a kind that this test does not know: %s", v.Type())
	}
}

// Fields of answers are refused one by one, by their own names.
func TestAnswersOnly(t *testing.T) {
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Fields()
	found := 0
	for i := range fields.Len() {
		fd := fields.Get(i)
		if fd.Number() < 60 {
			continue
		}
		found++
		m := EventFromDomain(described())
		switch {
		case fd.IsList() && fd.Kind() == protoreflect.MessageKind:
			list := m.ProtoReflect().Mutable(fd).List()
			list.Append(list.NewElement())
		case fd.IsList():
			m.ProtoReflect().Mutable(fd).List().Append(protoreflect.ValueOfString("x"))
		case fd.Kind() == protoreflect.MessageKind:
			m.ProtoReflect().Mutable(fd)
		case fd.Kind() == protoreflect.Int64Kind:
			m.ProtoReflect().Set(fd, protoreflect.ValueOfInt64(0))
		default:
			m.ProtoReflect().Set(fd, protoreflect.ValueOfString(""))
		}
		_, f := EventToDomain(m)
		wantFault(t, f, fault.InvalidField, fd.JSONName(), "accepted in answers only")
	}
	if found != 11 {
		t.Errorf("%d fields from 60 on, and 11 were known to this test", found)
	}
}

// described is a small event that is accepted.
func described() *opal.Event {
	return &opal.Event{
		RequestID: opal.RequestID{1}, Lot: "harrow-gully.r7", OccurredAt: "2026-03-04",
		Described: &opal.Described{BodyColour: "milky"},
	}
}

func wantFault(t *testing.T, f *fault.Error, reason fault.Reason, field, message string) {
	t.Helper()
	if f == nil {
		t.Fatalf("accepted, want %s on %q", reason, field)
	}
	if f.Reason != reason || f.Field != field || !strings.Contains(f.Message, message) {
		t.Errorf("got %v on %q: %s\nwant %s on %q with %q", f.Reason, f.Field, f.Message, reason, field, message)
	}
}

func TestRefusals(t *testing.T) {
	unknownField := func(m proto.Message) {
		m.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 999, protowire.VarintType), 1))
	}
	tests := map[string]struct {
		json    string
		change  func(*pb.Event)
		field   string
		message string
	}{
		"no body":           {json: `{}`, field: "", message: "found no body"},
		"not a UUID":        {json: `{"requestId": "12"}`, field: "requestId", message: "accepted is a UUID"},
		"no request id":     {json: `{"described": {}}`, change: func(m *pb.Event) { m.RequestId = nil }, field: "requestId", message: "found nothing"},
		"negative revision": {json: `{"described": {}, "expectedRevision": "-3"}`, field: "expectedRevision", message: "found -3, accepted is 0 or more"},
		"negative pieces": {
			json:  `{"split": {"children": [{"lot": "harrow-gully.a", "mass": "1 ct"}, {"lot": "harrow-gully.b", "mass": "1 ct", "pieces": "-1"}]}}`,
			field: "split.children[1].pieces", message: "found -1",
		},
		"no mass":           {json: `{"split": {"children": [{"lot": "harrow-gully.a"}]}}`, field: "split.children[0].mass", message: `accepted is a mass such as "3.42 ct"`},
		"no origin":         {json: `{"mined": {"material": {"kind": "FIRE"}, "mass": "1 kg"}}`, field: "mined.origin.country", message: "found nothing"},
		"no material":       {json: `{"mined": {"origin": {"country": "ET"}, "mass": "1 kg"}}`, field: "mined.material.kind", message: "found nothing"},
		"tone 0":            {json: `{"described": {"bodyTone": "0"}}`, field: "described.bodyTone", message: "found 0, accepted is 1"},
		"tone 10":           {json: `{"described": {"bodyTone": "10"}}`, field: "described.bodyTone", message: "found 10"},
		"tone 0 in a mine":  {json: `{"mined": {"material": {"bodyTone": "0"}}}`, field: "mined.material.bodyTone", message: "found 0"},
		"a claim's country": {json: `{"sold": {"to": "moor-shop", "claims": ["NATURAL", "UNTREATED:ET"]}}`, field: "sold.claims[1]", message: `found "UNTREATED:ET"`},
		"a claim's word":    {json: `{"sold": {"to": "moor-shop", "claims": ["PRETTY"]}}`, field: "sold.claims[0]", message: "PRETTY"},
		"an origin of none": {json: `{"sold": {"to": "moor-shop", "claims": ["ORIGIN"]}}`, field: "sold.claims[0]", message: "found nothing"},
		"an origin of XX":   {json: `{"sold": {"to": "moor-shop", "claims": ["ORIGIN:XX"]}}`, field: "sold.claims[0]", message: "XX"},
		"a replaced claim": {
			json:  `{"corrected": {"event": "harrow-gully/00000000-0000-4000-8000-000000000001", "because": "typing error", "replacement": {"sold": {"to": "moor-shop", "claims": ["PRETTY"]}}}}`,
			field: "corrected.replacement.sold.claims[0]", message: "PRETTY",
		},
		"an attachment of none": {json: `{"described": {}, "attachments": [{"mediaType": "a/b"}]}`, field: "attachments[0].sha256", message: "64 hexadecimal digits"},
		"a short hash":          {json: `{"described": {}, "attachments": [{"sha256": "00ff", "mediaType": "a/b"}]}`, field: "attachments[0].sha256", message: "found 4 characters"},
		"no hash":               {json: `{"described": {}, "attachments": [{"sha256": "` + strings.Repeat("x", 64) + `"}]}`, field: "attachments[0].sha256", message: "found \"xxx"},
		"no token hash":         {json: `{"enrolled": {"party": "q7", "roles": ["MINER"]}}`, field: "enrolled.tokenHash", message: "found nothing"},
		"no key":                {json: `{"keyAdded": {"party": "q7", "use": "SIGN"}}`, field: "keyAdded.publicKey", message: "found nothing"},
		"a key with bits over":  {json: `{"keyAdded": {"publicKey": "` + strings.Repeat("A", 42) + `B="}}`, field: "keyAdded.publicKey", message: "44 characters"},
		"a key in two lines":    {json: `{"keyAdded": {"publicKey": "` + strings.Repeat("A", 43) + `\n="}}`, field: "keyAdded.publicKey", message: "44 characters"},
		"a negative position":   {json: `{"keyRevoked": {"compromisedSince": "-1"}}`, field: "keyRevoked.compromisedSince", message: "found -1"},
		"no count": {
			json:  `{"methodValidated": {"method": "RAMAN", "rows": [{"treatedWith": "1", "treatedAll": "2", "untreatedAll": "3"}]}}`,
			field: "methodValidated.rows[0].untreatedWith", message: "found nothing",
		},
		"no policy":        {json: `{"policySet": {}}`, field: "policySet.policy", message: "found nothing"},
		"half a policy":    {json: policyJSON(t, func(p *pb.Policy) { p.MaxDepth = nil }), field: "policySet.policy.maxDepth", message: "found nothing"},
		"no rule table":    {json: policyJSON(t, func(p *pb.Policy) { p.RuleTable = nil }), field: "policySet.policy.ruleTable", message: "found nothing"},
		"negative version": {json: policyJSON(t, func(p *pb.Policy) { p.Version = proto.Int64(-1) }), field: "policySet.policy.version", message: "found -1"},
		"a share beyond all": {
			json:  policyJSON(t, func(p *pb.Policy) { p.OtherMaterialPpm = proto.Int64(1_000_001) }),
			field: "policySet.policy.otherMaterialPpm", message: "found 1,000,001",
		},
		"logOpened":        {json: `{"logOpened": {}}`, field: "logOpened", message: "only the log itself"},
		"decomposed":       {json: `{"described": {"bodyColour": "mu\u0308d"}}`, field: "described.bodyColour", message: `found "u\u0308d" from character 2 on`},
		"decomposed, deep": {json: `{"tested": {"method": "RAMAN", "sample": {"kind": "WHOLE"}, "outcome": "SWAMPED", "findings": [{"outcome": "SWAMPED", "note": "e\u0301"}]}}`, field: "tested.findings[0].note", message: "normal form C"},
		"a private one":    {json: `{"described": {}, "remark": "a\u030a"}`, field: "remark", message: "normal form C"},
		"a newer caller":   {json: `{"described": {}}`, change: func(m *pb.Event) { unknownField(m) }, field: "", message: "number 999"},
		"a newer body":     {json: `{"described": {}}`, change: func(m *pb.Event) { unknownField(m.GetDescribed()) }, field: "described", message: "number 999"},
		"a newer part": {
			json:   `{"split": {"children": [{"lot": "harrow-gully.a", "mass": "1 ct"}]}}`,
			change: func(m *pb.Event) { unknownField(m.GetSplit().Children[0]) }, field: "split.children[0]", message: "number 999",
		},
		"a newer rest": {json: `{"split": {"rest": {}}}`, change: func(m *pb.Event) { unknownField(m.GetSplit().Rest) }, field: "split.rest", message: "number 999"},
		"a newer policy": {
			json:   policyJSON(t, func(*pb.Policy) {}),
			change: func(m *pb.Event) { unknownField(m.GetPolicySet().Policy) }, field: "policySet.policy", message: "number 999",
		},
		"a part that is nil": {json: `{"split": {}}`, change: func(m *pb.Event) { m.GetSplit().Children = []*pb.Part{nil} }, field: "split.children[0]", message: "found null"},
		"a body that is nil": {json: `{}`, change: func(m *pb.Event) { m.Body = &pb.Event_Mined{} }, field: "", message: "found no body"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			m := &pb.Event{}
			if err := protojson.Unmarshal([]byte(test.json), m); err != nil {
				t.Fatal(err)
			}
			if m.RequestId == nil {
				m.RequestId = proto.String("2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11")
			}
			m.OccurredAt = proto.String("2026-03-04")
			if m.GetPolicySet() == nil && m.GetKeyAdded() == nil && m.GetEnrolled() == nil && m.GetMethodValidated() == nil && m.GetKeyRevoked() == nil {
				m.Lot = proto.String("harrow-gully.r7")
			}
			if test.change != nil {
				test.change(m)
			}
			_, f := EventToDomain(m)
			wantFault(t, f, fault.InvalidField, test.field, test.message)
		})
	}
	_, f := EventToDomain(nil)
	wantFault(t, f, fault.InvalidField, "", "found nothing")
}

func policyJSON(t *testing.T, change func(*pb.Policy)) string {
	t.Helper()
	p := opal.DefaultPolicy()
	m := PolicyFromDomain(&p)
	change(m)
	text, err := protojson.Marshal(&pb.PolicySet{Policy: m})
	if err != nil {
		t.Fatal(err)
	}
	return `{"policySet": ` + string(text) + `}`
}

// An empty string is the same as a field left out, and comes back left out.
func TestEmptyIsLeftOut(t *testing.T) {
	m := EventFromDomain(described())
	want := proto.Clone(m)
	m.Remark, m.Moisture, m.Party = proto.String(""), proto.String(""), proto.String("")
	m.GetDescribed().PlayOfColour = proto.String("")
	ev, f := EventToDomain(m)
	if f != nil {
		t.Fatal(f)
	}
	if diff := cmp.Diff(want, EventFromDomain(ev), protocmp.Transform()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Message and domain share no memory: changing the one leaves the other.
func TestNoSharedMemory(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ev := wiretest.Event().Draw(t, "event")
		m := EventFromDomain(ev)
		read, f := EventToDomain(m)
		if f != nil {
			t.Fatal(f)
		}
		scramble(m.ProtoReflect())
		if diff := cmp.Diff(ev, read); diff != "" {
			t.Fatalf("a change of the message reached the event:\n%s", diff)
		}
	})
}

// scramble overwrites what the pointers and slices of a message lead to.
func scramble(m protoreflect.Message) {
	v := reflect.ValueOf(m.Interface()).Elem()
	for i := range v.NumField() {
		f := v.Field(i)
		if !v.Type().Field(i).IsExported() {
			continue
		}
		switch {
		case f.Kind() == reflect.Pointer && !f.IsNil() && f.Elem().Kind() != reflect.Struct:
			f.Elem().SetZero()
		case f.Kind() == reflect.Slice && f.Type().Elem().Kind() != reflect.Pointer:
			for j := range f.Len() {
				f.Index(j).SetZero()
			}
		case f.Kind() == reflect.Map:
			f.Clear()
		}
	}
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Kind() != protoreflect.MessageKind || fd.IsMap():
		case fd.IsList():
			for i := range v.List().Len() {
				scramble(v.List().Get(i).Message())
			}
		default:
			scramble(v.Message())
		}
		return true
	})
}

func TestRecorded(t *testing.T) {
	ev := described()
	ev.Party = "harrow-gully"
	m := RecordedFromDomain(&opal.Recorded{
		Event: *ev, Position: 7, RecordedAt: 1_772_600_000_123_456,
		Findings: []opal.Finding{{Code: opal.FindReportedLate, DelaySeconds: 172_800}},
	})
	// 1772600000 s after 1970-01-01T00:00:00Z, by `date -u -d @1772600000`.
	if m.GetRecordedAt() != "2026-03-04T04:53:20.123456Z" || m.GetPosition() != 7 || m.GetEvent() != "harrow-gully/01000000-0000-0000-0000-000000000000" {
		t.Errorf("got %v", m)
	}
	if len(m.Findings) != 1 || m.Findings[0].GetEvent() != m.GetEvent() || m.Findings[0].GetText() != "Reported 2 days after it happened." {
		t.Errorf("findings %v", m.Findings)
	}
}

func TestFindings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := opal.Finding{
			Code: rapid.SampledFrom(opal.AllFindings()).Draw(t, "code"), Lot: rapid.SampledFrom([]string{"", "harrow-gully.r7"}).Draw(t, "lot"),
			Micrograms: rapid.Int64().Draw(t, "mass"), PartsPerMillion: rapid.Int64Range(-100_000_000, 100_000_000).Draw(t, "share"),
			Pieces: rapid.Int64Range(-1e9, 1e9).Draw(t, "pieces"), DelaySeconds: rapid.Int64().Draw(t, "delay"), Note: rapid.String().Draw(t, "note"),
		}
		m := FindingFromDomain("q7/x", &want)
		if m.GetText() != want.Sentence() || m.GetEvent() != "q7/x" {
			t.Fatalf("got %v", m)
		}
		got, f := FindingToDomain(m)
		if f != nil {
			t.Fatal(f)
		}
		if got != want {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
	_, f := FindingToDomain(&pb.Finding{Share: proto.Float64(1e300)})
	wantFault(t, f, fault.InvalidField, "share", "found 1e+300")
	if m := FindingFromDomain("", &opal.Finding{Code: opal.FindLineGain}); m.Share != nil || m.MassMicrograms != nil || m.Pieces != nil || m.Event != nil {
		t.Errorf("figures that the finding does not carry are written: %v", m)
	}
}

func TestClaims(t *testing.T) {
	claims, f := ClaimsToDomain([]string{"UNTREATED", "ORIGIN:ET"})
	want := []opal.Claim{{Claim: opal.ClaimUntreated}, {Claim: opal.ClaimOrigin, Country: "ET"}}
	if f != nil || !slices.Equal(claims, want) {
		t.Errorf("got %v, %v", claims, f)
	}
	if got := ClaimsFromDomain(claims); !slices.Equal(got, []string{"UNTREATED", "ORIGIN:ET"}) {
		t.Errorf("back: %v", got)
	}
	_, f = ClaimsToDomain([]string{"NATURAL", "NATURAL"})
	wantFault(t, f, fault.InvalidField, "claims[1]", "claims[0]")
}

func TestPositionsAndEpochs(t *testing.T) {
	if _, f := PositionToDomain("minPosition", -1); f == nil || f.Field != "minPosition" {
		t.Errorf("got %v", f)
	}
	if p, f := PositionToDomain("x", 1<<62); f != nil || p != 1<<62 || Position(p) != 1<<62 || Position(1<<63) != 1<<63-1 {
		t.Errorf("got %d, %v", p, f)
	}
	e, f := EpochToDomain("epoch", "000102030405060708090a0b0c0d0eff")
	if f != nil || e[15] != 0xff || Epoch(e) != "000102030405060708090a0b0c0d0eff" {
		t.Errorf("got %x, %v", e, f)
	}
	_, f = EpochToDomain("epoch", "00")
	wantFault(t, f, fault.InvalidField, "epoch", "found 2 characters")
}

// Arbitrary messages never panic, and what is read can be written again.
func FuzzEventToDomain(f *testing.F) {
	raw, err := proto.Marshal(EventFromDomain(described()))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(raw)
	f.Fuzz(func(t *testing.T, b []byte) {
		var m pb.Event
		if proto.Unmarshal(b, &m) != nil {
			return
		}
		ev, refused := EventToDomain(&m)
		if refused != nil {
			if refused.Message == "" {
				t.Errorf("a refusal without a sentence: %v", refused)
			}
			return
		}
		back, refused := EventToDomain(EventFromDomain(ev))
		if refused != nil {
			t.Fatalf("read, and not when written again: %v", refused)
		}
		if diff := cmp.Diff(ev, back); diff != "" {
			t.Errorf("(-first +again):\n%s", diff)
		}
	})
}
