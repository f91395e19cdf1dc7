package eventfile

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

const asYAML = `# rough of the spring
- lot: harrow-gully.r1
  occurredAt: 2024-03-04
  moisture: DRY
  remark: "found at 11 m"
  mined:
    origin: {country: AU, region: 12}
    material: {kind: SEDIMENTARY, bodyTone: 3}
    pieces: 96
    mass: 0.940 kg
- lot: harrow-gully.r1
  occurredAt: 2024-03-05T10:00:00+10:00
  tested:
    method: SIDE_VIEW
    sample: {kind: WHOLE}
    outcome: NO_JOIN
    conditions: {girdleSeen: true}
`

const asDocuments = `---
lot: harrow-gully.r1
occurredAt: "2024-03-04"
remark: found at 11 m
mined:
  mass: 0.940 kg
  pieces: 96
  material:
    bodyTone: 3
    kind: SEDIMENTARY
  origin:
    region: "12"
    country: AU
moisture: DRY
---
---
lot: harrow-gully.r1
occurredAt: 2024-03-05T10:00:00+10:00
tested: {method: SIDE_VIEW, sample: {kind: WHOLE}, outcome: NO_JOIN, conditions: {"girdleSeen": "true"}}
...
`

const asLines = `{"lot":"harrow-gully.r1","occurredAt":"2024-03-04","moisture":"DRY","remark":"found at 11 m","mined":{"origin":{"country":"AU","region":"12"},"material":{"kind":"SEDIMENTARY","bodyTone":"3"},"pieces":96,"mass":"0.940 kg"}}

{"lot":"harrow-gully.r1","occurredAt":"2024-03-05T10:00:00+10:00","tested":{"method":"SIDE_VIEW","sample":{"kind":"WHOLE"},"outcome":"NO_JOIN","conditions":{"girdleSeen":"true"}}}
`

// The same two events, however they are written, are the same messages with the same ids.
func TestEveryNotationSaysTheSame(t *testing.T) {
	want := read(t, "a.yaml", asYAML)
	if len(want) != 2 || want[1].Line != 11 || want[1].Number != 2 || want[0].Given {
		t.Fatalf("found %+v", want)
	}
	for name, text := range map[string]string{
		"documents.yml":  asDocuments,
		"lines.jsonl":    asLines,
		"-":              asLines,
		"list.json":      "[" + strings.Replace(strings.TrimSpace(asLines), "\n\n", ",\n", 1) + "]",
		"bom.yaml":       "\ufeff" + asYAML,
		"crlf.yaml":      strings.ReplaceAll(asYAML, "\n", "\r\n"),
		"standard-input": asYAML,
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, name, text)
			if len(got) != len(want) {
				t.Fatalf("found %d events, want %d", len(got), len(want))
			}
			for i := range got {
				if !proto.Equal(got[i].Event, want[i].Event) {
					t.Errorf("event %d: found %v, want %v", i+1, got[i].Event, want[i].Event)
				}
			}
		})
	}
}

// A file may be named by its path: an attachment, and the spectrum of a test, which becomes an attachment by it.
func TestFilesByTheirPaths(t *testing.T) {
	open := func(path string) ([]byte, error) {
		switch path {
		case "spectra/a.jdx":
			return []byte("##TITLE=a\n"), nil
		case "b.csv":
			return []byte("1,2\n"), nil
		case "page.html":
			return []byte("<html>"), nil
		case "empty.jdx":
			return nil, nil
		}
		return nil, fs.ErrNotExist
	}
	const test = "lot: a-b.c\noccurredAt: 2024-03-04\ntested: {method: INFRARED, sample: {kind: WHOLE}, measurement: {spectrum: {file: spectra/a.jdx}}}\n"
	sum := func(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }
	jdx, csv := sum("##TITLE=a\n"), sum("1,2\n")
	for name, c := range map[string]struct {
		text string
		want string // attachments, as name mediaType sha256
	}{
		"a spectrum":              {test, "a.jdx chemical/x-jcamp-dx " + jdx},
		"a spectrum named twice":  {test + "attachments: [{file: spectra/a.jdx, name: curve}]\n", "curve chemical/x-jcamp-dx " + jdx},
		"beside another":          {test + "attachments: [{file: b.csv}]\n", "b.csv text/csv " + csv + ", a.jdx chemical/x-jcamp-dx " + jdx},
		"with a type of its own":  {mined + "attachments: [{file: b.csv, mediaType: text/plain}]\n", "b.csv text/plain " + csv},
		"corrected, as JSON says": {`{"lot": "a-b.c", "occurredAt": "2024-03-04", "corrected": {"event": "a-b/00000000-0000-4000-8000-000000000001", "because": "x", "replacement": {"tested": {"method": "RAMAN", "sample": {"kind": "WHOLE"}, "measurement": {"spectrum": {"file": "spectra/a.jdx"}}}}}}`, "a.jdx chemical/x-jcamp-dx " + jdx},
	} {
		entries, err := Read("-", []byte(c.text), open)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var got []string
		for _, x := range entries[0].Event.GetAttachments() {
			got = append(got, x.GetName()+" "+x.GetMediaType()+" "+x.GetSha256())
		}
		if s := strings.Join(got, ", "); s != c.want || len(entries[0].Files) == 0 {
			t.Errorf("%s: %s, want %s; %d files", name, s, c.want, len(entries[0].Files))
		}
	}
	for text, want := range map[string]string{
		mined + "attachments: [{file: none.pdf}]\n":                     "a.yaml, event 1, line 4: INVALID_FIELD: attachments[0].file: found \"none.pdf\", which cannot be read: file does not exist",
		mined + "attachments:\n  - file: page.html\n":                   "a.yaml, event 1, line 5: INVALID_FIELD: attachments[0].file: found \"page.html\", which is none of the accepted types: chemical/x-jcamp-dx",
		mined + "attachments: [{file: empty.jdx}]\n":                    "a.yaml, event 1, line 4: INVALID_FIELD: attachments[0].file: found \"empty.jdx\", which is an empty file of 0 bytes, accepted are 1 to 16777216 bytes",
		mined + "attachments: [{file: b.csv, sha256: '" + csv + "'}]\n": "a.yaml, event 1, line 4: INVALID_FIELD: attachments[0].file: found both file and sha256",
		mined + "attachments: [{file: [b.csv]}]\n":                      "a.yaml, event 1, line 4: INVALID_FIELD: attachments[0].file: found a list of 1, accepted is the path of a file",
		strings.Replace(test, "INFRARED", "XRF", 1):                     "a.yaml, event 1, line 3: INVALID_FIELD: tested.measurement: found a measurement with XRF",
	} {
		if _, err := Read("a.yaml", []byte(text), open); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%v, want %s", err, want)
		}
	}
	if _, err := Read("a.yaml", []byte(test), nil); err == nil || !strings.Contains(err.Error(), "accepted here is sha256") {
		t.Errorf("without a folder: %v", err)
	}
}

func read(t *testing.T, name, text string) []*Entry {
	t.Helper()
	entries, err := Read(name, []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	return entries
}

const mined = "lot: a-b.c\noccurredAt: 2024-03-04\nmined: {origin: {country: AU}, material: {kind: FIRE}, mass: 1 g}\n"

func TestWhatIsRefused(t *testing.T) {
	tests := map[string]struct {
		name, text string
		want       []string // what the lines of the error start with
	}{
		"an unknown field": {"a.yaml", strings.Replace(mined, "country: AU", "country: AU, county: x", 1),
			[]string{"a.yaml, event 1, line 3: INVALID_FIELD: mined.origin.county: there is no such field; accepted here are country, region, deposit, licence"}},
		"a field of answers": {"a.yaml", mined + "position: 12\n",
			[]string{"a.yaml, event 1, line 4: INVALID_FIELD: position: "}},
		"the name of another notation": {"a.yaml", strings.Replace(mined, "occurredAt", "occurred_at", 1),
			[]string{"a.yaml, event 1, line 2: INVALID_FIELD: occurred_at: there is no such field; accepted here are requestId, lot, party, occurredAt,"}},
		"two bodies": {"a.yaml", mined + "counted: {why: LOST, pieces: 1}\n",
			[]string{"a.yaml, event 1, line 4: INVALID_FIELD: counted: found both mined and counted, accepted is exactly one body"}},
		"a key twice in YAML": {"a.yaml", "lot: a-b.c\noccurredAt: 2024-03-04\nlot: a-b.d\n",
			[]string{"a.yaml, line 3: INVALID_FIELD: lot: found the field twice"}},
		"a key twice in JSON": {"a.json", "{\"lot\": \"a-b.c\",\n \"lot\": \"a-b.d\"}",
			[]string{"a.json, line 2: INVALID_FIELD: lot: found the field twice"}},
		"an anchor": {"a.yaml", strings.Replace(mined, "mined: ", "mined: &m ", 1),
			[]string{"a.yaml, line 3: INVALID_FIELD: found the anchor &m, accepted are values without anchors"}},
		"an alias": {"a.yaml", "lot: *l\n", []string{"a.yaml"}},
		"a merge":  {"a.yaml", "<<: {lot: a-b.c}\n", []string{"a.yaml, line 1: INVALID_FIELD: found a key that is no plain name"}},
		"a tag":    {"a.yaml", "lot: !!str 12\n", []string{"a.yaml, line 1: INVALID_FIELD: found the tag !!str"}},
		"nothing where a text belongs": {"a.yaml", mined + "remark:\n",
			[]string{"a.yaml, event 1, line 4: INVALID_FIELD: remark: found nothing, accepted is a text; leave out what is not known"}},
		"a number where a text belongs, in JSON": {"a.json", `{"lot": "a-b.c", "remark": 12}`,
			[]string{"a.json, event 1, line 1: INVALID_FIELD: remark: found 12, accepted is a text"}},
		"several problems, in the order of the file": {"a.yaml", "lot: [a]\nmined: {pieces: 1.5, mass: {}, material: x}\n---\n" + strings.Replace(mined, "1 g", "1 stone", 1),
			[]string{"a.yaml, event 1, line 1: INVALID_FIELD: lot: found a list of 1, accepted is a text",
				"a.yaml, event 1, line 2: INVALID_FIELD: mined.pieces: found \"1.5\", accepted is a whole number",
				"a.yaml, event 1, line 2: INVALID_FIELD: mined.mass: found {}, accepted is a text",
				"a.yaml, event 1, line 2: INVALID_FIELD: mined.material: found \"x\", accepted are the fields kind, look, bodyColour, bodyTone",
				"a.yaml, event 2, line 6: INVALID_FIELD: mined.mass: found \"1 stone\", accepted is a number"}},
		"a fault inside a list": {"a.yaml", "lot: a-b.c\noccurredAt: 2024-03-04\nsplit:\n  children:\n    - {lot: a-b.d, mass: 1 g}\n    - lot: a-b.e\n      mass: 1 g\n      pieces: -1\n",
			[]string{"a.yaml, event 1, line 8: INVALID_FIELD: split.children[1].pieces: "}},
		"a missing field is placed at the part that lacks it": {"a.yaml", "lot: a-b.c\noccurredAt: 2024-03-04\nsplit:\n  children:\n    - {lot: a-b.d, mass: 1 g}\n    - {lot: a-b.e}\n",
			[]string{"a.yaml, event 1, line 6: INVALID_FIELD: split.children[1].mass: found nothing, accepted is a mass such as"}},
		"no YAML":           {"a.yaml", "lot: a\n\tb: [\n", []string{"a.yaml, line 2: INVALID_FIELD: found what is not YAML"}},
		"no JSON":           {"a.json", "{\"lot\":\n tru }", []string{"a.json, line 2: INVALID_FIELD: found what is not JSON: invalid character"}},
		"a cut-off file":    {"a.json", "[{\"lot\": \"a-b.c\"}\n", []string{"a.json, line 1: INVALID_FIELD: found"}},
		"no UTF-8":          {"a.yaml", "lot: a\nremark: caf\xe9\n", []string{"a.yaml, line 2: INVALID_FIELD: found bytes that are no UTF-8"}},
		"nothing":           {"-", " \n# only a remark\n", []string{"standard input: INVALID_FIELD: found no event"}},
		"a word":            {"a.yaml", "harrow-gully\n", []string{"a.yaml, event 1, line 1: INVALID_FIELD: found \"harrow-gully\", accepted are the fields requestId,"}},
		"no body":           {"a.yaml", "lot: a-b.c\noccurredAt: 2024-03-04\n", []string{"a.yaml, event 1, line 1: INVALID_FIELD: found no body, accepted is exactly one of mined,"}},
		"too deep":          {"a.json", strings.Repeat("[", 100) + strings.Repeat("]", 100), []string{"a.json, line 1: INVALID_FIELD: found values nested more than"}},
		"a bool as a count": {"a.json", `{"mined": {"pieces": true}}`, []string{"a.json, event 1, line 1: INVALID_FIELD: mined.pieces: found true, accepted is a whole number"}},
		"a number in words": {"a.yaml", "treated: {process: {temperatureCelsius: .inf}}", []string{"a.yaml, event 1, line 1: INVALID_FIELD: treated.process.temperatureCelsius: found \".inf\", accepted is a number"}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			entries, err := Read(test.name, []byte(test.text), nil)
			if err == nil || entries != nil {
				t.Fatalf("accepted: %v", entries)
			}
			if fault.Of(err) != fault.InvalidField {
				t.Errorf("reason %s, want %s", fault.Of(err), fault.InvalidField)
			}
			lines := strings.Split(err.Error(), "\n")
			if len(lines) != len(test.want) {
				t.Fatalf("found %d problems, want %d:\n%v", len(lines), len(test.want), err)
			}
			for i, want := range test.want {
				if !strings.HasPrefix(lines[i], want) {
					t.Errorf("found %q, want it to start %q", lines[i], want)
				}
			}
		})
	}
}

func TestTooLargeAFile(t *testing.T) {
	_, err := Read("a.yaml", make([]byte, MaxFile+1), nil)
	if !errors.Is(err, fault.New(fault.TooLarge, "", "")) {
		t.Errorf("found %v", err)
	}
}

// RFC 9562, appendix B.2: "Example of a UUIDv8 Value (Name-Based)", SHA-256 over the DNS namespace and "www.example.com".
func TestUUIDAsInTheStandard(t *testing.T) {
	dns, err := hex.DecodeString("6ba7b8109dad11d180b400c04fd430c8")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := uuid8(dns, []byte("www.example.com")), "5c146b14-3c52-8afd-938a-375d0df1fbf6"; got != want {
		t.Errorf("found %s, want %s", got, want)
	}
}

// Ids stay when a file grows in any place; what stands twice in a file has two ids; what differs in anything has another id.
func TestRequestIDsFollowFromContent(t *testing.T) {
	one := read(t, "a.yaml", mined)[0].Event.GetRequestId()
	grown := read(t, "a.yaml", strings.Replace(mined, "a-b.c", "a-b.x", 1)+"---\n"+mined+"---\n"+mined)
	if grown[1].Event.GetRequestId() != one {
		t.Error("the id changed when an event was put before")
	}
	if grown[2].Event.GetRequestId() == one {
		t.Error("the same event stated twice has one id")
	}
	again := read(t, "b.yaml", mined+"---\n"+mined)
	if again[0].Event.GetRequestId() != one || again[1].Event.GetRequestId() != grown[2].Event.GetRequestId() {
		t.Error("the ids differ in another file")
	}
	ids := map[string]string{}
	for _, text := range []string{
		mined,
		strings.Replace(mined, "1 g", "1.0 g", 1),
		strings.Replace(mined, "mass: 1 g", "mass: 1 g, pieces: 1", 1),
		mined + "remark: a\n",
		mined + "party: a-b\n",
		strings.Replace(mined, "{country: AU}", "{country: AU, region: a, deposit: bc}", 1),
		strings.Replace(mined, "{country: AU}", "{country: AU, region: ab, deposit: c}", 1),
	} {
		id := read(t, "a.yaml", text)[0].Event.GetRequestId()
		if other, ok := ids[id]; ok {
			t.Errorf("one id for two events:\n%s\n%s", other, text)
		}
		ids[id] = text
	}
	given := read(t, "a.yaml", mined+"requestId: 2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11\n")[0]
	if !given.Given || given.Event.GetRequestId() != "2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11" {
		t.Errorf("the given id is %q", given.Event.GetRequestId())
	}
}

// The id of one event is fixed: a file posted by today's release and again by a later one must not add an event.
func TestRequestIDStaysOverReleases(t *testing.T) {
	got := read(t, "a.yaml", mined)[0].Event.GetRequestId()
	if want := "0d30fb30-2bfa-87fa-88c4-31f30073f4d8"; got != want {
		t.Errorf("found %s, want %s", got, want)
	}
}

func TestServiceFaultsArePlaced(t *testing.T) {
	e := read(t, "a.yaml", asYAML)[1]
	for field, line := range map[string]int{
		"":                                11,
		"tested.outcome":                  16,
		"tested.sample.kind":              15,
		`tested.conditions["girdleSeen"]`: 17,
		"tested.conditions[\"x\"]":        17,
		"nothing.of.this":                 11,
		"tested.findings[3].outcome":      13,
	} {
		p := e.Problem(fault.New(fault.MassGain, field, "x"))
		if p.Line != line {
			t.Errorf("%s: line %d, want %d", field, p.Line, line)
		}
	}
}

// What ProtoJSON writes of an event is read back as the same event.
func TestReadsWhatTheServiceWrites(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := drawEvent(t)
		data, err := protojson.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		entries, err := Read("a.json", data, nil)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(e.String(), entries[0].Event.String()); diff != "" {
			t.Fatal(diff)
		}
	})
}

func drawEvent(t *rapid.T) *pb.Event {
	e := &pb.Event{
		RequestId: proto.String("2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11"), Lot: proto.String("a-b.c"), OccurredAt: proto.String("2024-03-04"),
	}
	if rapid.Bool().Draw(t, "remarked") {
		e.Remark = proto.String(rapid.StringMatching(`[a-zé"\\ ]{0,20}`).Draw(t, "remark"))
	}
	switch rapid.IntRange(0, 2).Draw(t, "body") {
	case 0:
		e.Body = &pb.Event_Counted{Counted: &pb.Counted{Why: proto.String("FOUND"), Pieces: proto.Int32(rapid.Int32Range(1, 1e9).Draw(t, "pieces"))}}
	case 1:
		e.Body = &pb.Event_Treated{Treated: &pb.Treated{Treatment: proto.String("HEAT"), Process: &pb.Process{
			TemperatureCelsius: proto.Float64(rapid.Float64Range(-273, 1999).Draw(t, "temperature")), Steps: []string{"a", "b"}}}}
	case 2:
		s := &pb.Split{}
		for i := range rapid.IntRange(1, 4).Draw(t, "children") {
			s.Children = append(s.Children, &pb.Part{Lot: proto.String("a-b.c" + string(rune('0'+i))), Mass: proto.String("1 g")})
		}
		e.Body = &pb.Event_Split{Split: s}
	}
	return e
}

// Whatever the bytes: no panic, and what is accepted has an id and is accepted again as the same.
func FuzzRead(f *testing.F) {
	for _, s := range []string{asYAML, asDocuments, asLines, mined, "{", "[[[", "a: &b\n", "? a\n: b", "\"a\": 'b'\n", "- - - a", "!!binary a", "%YAML 1.1\n---\n"} {
		f.Add("a.yaml", []byte(s))
		f.Add("a.json", []byte(s))
	}
	f.Fuzz(func(t *testing.T, name string, data []byte) {
		entries, err := Read(name, data, nil)
		if err != nil {
			if fault.Of(err) == fault.InternalError {
				t.Fatalf("no fault: %v", err)
			}
			return
		}
		again, err := Read(name, data, nil)
		if err != nil || len(again) != len(entries) {
			t.Fatalf("read again: %v", err)
		}
		for i := range entries {
			if entries[i].Event.GetRequestId() == "" || !proto.Equal(entries[i].Event, again[i].Event) {
				t.Fatalf("event %d differs or has no id", i+1)
			}
		}
	})
}
