package readout_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
	"github.com/lotpaper/lotpaper/internal/table"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// golden compares with a page that was read and approved by a person.
func golden(t *testing.T, name string, write func(*table.Page)) {
	t.Helper()
	var b bytes.Buffer
	p := table.NewPage(&b, table.Style{Width: 110})
	write(p)
	if err := p.Err(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join("testdata", name+".txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("not as in %s (-want +got):\n%s", file, diff)
	}
}

// message reads an answer as the service writes it.
func message[M proto.Message](t *testing.T, m M, text string) M {
	t.Helper()
	if err := protojson.Unmarshal([]byte(text), m); err != nil {
		t.Fatal(err)
	}
	return m
}

func TestAccount(t *testing.T) {
	full := message(t, &pb.GetLotResponse{}, `{
		"lot": "high-terrace.r1b", "handle": "mfrggzdfmztwq2lknnwg23tpoa", "state": "OPEN",
		"material": {"kind": "HYDROPHANE", "look": "SEMI_OPAQUE", "bodyColour": "pale yellow", "bodyTone": "8"}, "form": "ROUGH",
		"pieces": "1156", "mass": "706.200 g", "massMicrograms": "706200000", "moisture": "ROOM", "owner": "third-drawer", "holder": "wet-wheel",
		"purpose": "CUTTING", "parents": ["high-terrace.r1"], "children": ["third-drawer.d1"], "childCount": "1",
		"pending": {"event": "wet-wheel/x", "from": "wet-wheel", "to": "third-drawer", "kind": "handedOver", "purpose": "RETURN", "since": "2024-08-06"},
		"openedBy": "high-terrace/2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", "openedAt": "2024-02-20T10:15:00+03:00",
		"weighings": [
			{"event": "high-terrace/a", "occurredAt": "2024-02-20", "mass": "812.0 g", "massMicrograms": "812000000", "stepMicrograms": "100000", "moisture": "ROOM", "pieces": "180"},
			{"event": "third-drawer/b", "occurredAt": "2024-06-10T08:00:00Z", "massMicrograms": "706200000", "stepMicrograms": "100000", "pieces": "156"},
			{"event": "third-drawer/c", "occurredAt": "2024-06-11", "mass": "3531.00 ct", "massMicrograms": "706200000", "stepMicrograms": "2000"}],
		"findings": [{"code": "ARRIVAL_DIFFERENCE", "lot": "high-terrace.r1b", "text": "On arrival the lot was measured: 6 pieces fewer than was sent."},
			{"code": "UNEXPLAINED_LOSS", "lot": "high-terrace.r1b", "text": "124.00 ct (4.5 %) are unexplained, more than the allowances for weighing and moisture cover."}],
		"position": "1203"}`)
	bare := message(t, &pb.GetLotResponse{}, `{"lot": "a-b.c", "state": "SPLIT", "material": {"kind": "UNKNOWN"}, "form": "ROUGH", "mass": "5.00 ct",
		"massMicrograms": "1000000", "owner": "a-b", "holder": "a-b", "closedBy": "a-b/x", "position": "7",
		"children": ["a-b.1","a-b.2","a-b.3","a-b.4","a-b.5","a-b.6","a-b.7","a-b.8","a-b.9","a-b.10","a-b.11","a-b.12","a-b.13"], "childCount": "1400"}`)
	golden(t, "account", func(p *table.Page) { readout.Account(p, full) })
	golden(t, "account-bare", func(p *table.Page) { readout.Account(p, bare) })
}

const statusJSON = `{
	"lot": "wet-wheel.k2", "asOf": "2025-02-01T12:00:00Z", "knownAt": "1203", "overall": "DECLARED",
	"statement": "Hydrophane opal from Ethiopia, dyed. Smoke was not tested for.",
	"treatments": [
		{"treatment": "DYE", "verdict": "DECLARED", "strength": "BY_RECORD", "statement": "Dye was declared by red-kettle (held it from 2024-03-05 to 2024-05-27).",
		 "evidence": [
			{"event": "red-kettle/x", "position": "151", "lot": "high-terrace.r1b", "party": "red-kettle", "occurredAt": "2024-04-22", "kind": "declaration", "counts": true, "text": "Dyed with yellow dye in alcohol, extent full."},
			{"event": "plain-light/y", "position": "149", "lot": "wet-wheel.k2", "party": "plain-light", "occurredAt": "2024-12-06", "kind": "test", "method": "MICROSCOPE", "outcome": "COLOUR_IN_CRACKS", "stance": "SHOWS", "coverage": "THIS_STONE", "counts": true, "text": "Colour gathers in cracks", "source": "a published account, V"},
			{"event": "plain-light/z", "position": "80", "lot": "third-drawer.r3-lab", "party": "plain-light", "occurredAt": "2024-05-15", "kind": "test", "method": "UV_LONG_WAVE", "outcome": "INERT", "stance": "SILENT", "coverage": "SAMPLE", "tested": "12", "of": "96", "positive": "0", "counts": false, "text": "The lamp cannot tell."},
			{"event": "plain-light/w", "position": "81", "lot": "wet-wheel.k2", "party": "plain-light", "occurredAt": "2024-05-15", "kind": "test", "method": "SWAB", "outcome": "CLEAN_AFTER_WIPE", "counts": false, "setAside": "an undocumented span lies after it", "text": "Clean."}]},
		{"treatment": "RESIN", "verdict": "NOT_FOUND", "strength": "VERY_STRONG", "log10Lr": -3.4, "statement": "Resin was looked for on this stone and not found."},
		{"treatment": "HEAT", "verdict": "UNDETERMINABLE", "statement": "No test can tell heat."}],
	"custody": [
		{"holder": "high-terrace", "from": "2024-02-12T00:00:00Z", "to": "2024-03-05T23:59:59.999999Z", "documented": true, "because": "dug it", "lot": "high-terrace.r1"},
		{"from": "2024-12-04T00:00:00Z", "documented": false, "because": "handed over and not received within 30 days", "lot": "wet-wheel.k2"}],
	"sales": [{"event": "wet-wheel/s", "lot": "wet-wheel.k2", "party": "wet-wheel", "to": "corner-lantern", "occurredAt": "2024-09-03", "returned": true,
		"claims": [{"claim": "NO_DYE", "then": "UNSUPPORTED", "now": "CONTRADICTED", "because": "dye was declared"}, {"claim": "ORIGIN:ET", "then": "SUPPORTED", "now": "SUPPORTED", "because": "an unbroken line to the mine"}]}],
	"record": {"stated": "2", "hands": "4", "gaps": "1", "text": "2 of 4 hands since the mine state that they did nothing to it; one gap."},
	"position": "1203"}`

func TestStatus(t *testing.T) {
	s := message(t, &pb.GetStatusResponse{}, statusJSON)
	golden(t, "status", func(p *table.Page) { readout.Status(p, s, false) })
	golden(t, "status-evidence", func(p *table.Page) { readout.Status(p, s, true) })
}

func TestClaims(t *testing.T) {
	r := message(t, &pb.CheckClaimsResponse{}, `{"asOf": "2025-02-01T12:00:00Z", "knownAt": "1203", "position": "1203", "results": [
		{"claim": "ORIGIN:ET", "verdict": "SUPPORTED", "strength": "BY_RECORD", "because": "An unbroken line leads to a mine in ET."},
		{"claim": "UNTREATED", "verdict": "UNSUPPORTED", "because": "Not every treatment was excluded.", "missing": ["RESIN: an infrared spectrum of the cleaned stone", "DYE: a swab with long contact"]},
		{"claim": "NO_DYE", "verdict": "CONTRADICTED", "because": "Dye was declared by red-kettle."}]}`)
	golden(t, "claims", func(p *table.Page) { readout.Claims(p, "wet-wheel.k2", r) })
	if readout.Supported(r) {
		t.Error("a contradicted claim passes as supported")
	}
	r.Results = r.Results[:1]
	if !readout.Supported(r) {
		t.Error("a supported claim does not pass")
	}
	if readout.Supported(&pb.CheckClaimsResponse{}) {
		t.Error("no answer passes as supported")
	}
}

func TestPosted(t *testing.T) {
	results := message(t, &pb.AppendBatchResponse{}, `{"results": [
		{"event": "a/1", "position": "1203", "lot": "a-b.c"},
		{"event": "a/2", "position": "1204", "lot": "a-b.c", "findings": [{"code": "COUNT_CHANGED", "lot": "a-b.c", "text": "The count was set anew: 1 piece more than the account had."}]}]}`).GetResults()
	golden(t, "posted", func(p *table.Page) { readout.Posted(p, results, 0) })
	golden(t, "posted-partly", func(p *table.Page) { readout.Posted(p, results, 1) })
	golden(t, "posted-again", func(p *table.Page) { readout.Posted(p, results[:1], 1) })
}
