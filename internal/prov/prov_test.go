package prov

import (
	"bytes"
	"os/exec"
	"sort"
	"strings"
	"testing"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

func ptr[T any](v T) *T { return &v }

func line() (*pb.GetLineageResponse, []*pb.Event) {
	lots := &pb.GetLineageResponse{
		Lots: []*pb.LineageLot{
			{Lot: "mine.r1", State: "SPLIT", Mass: "1.250 kg", Holder: "mine"}, {Lot: "mine.s1", State: "OPEN", Mass: "20.00 ct", Pieces: ptr(int32(1)), Holder: "shop"},
			{Lot: "mine.s2", State: "COMBINED", Mass: "3.00 g", Holder: "mine"}, {Lot: "shop.c1", State: "OPEN", Mass: "7.00 g", Holder: "shop"},
		},
		Edges: []*pb.LineageEdge{
			{From: "mine.r1", To: "mine.s1", Event: "mine/2", Kind: "split", Mass: "20.00 ct"}, {From: "mine.r1", To: "mine.s2", Event: "mine/2", Kind: "split"},
			{From: "mine.s2", To: "shop.c1", Event: "shop/4", Kind: "combined"},
		},
	}
	events := []*pb.Event{
		{Event: ptr("mine/1"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-04"), Body: &pb.Event_Mined{Mined: &pb.Mined{Origin: &pb.Origin{Country: ptr("ET")}}}},
		{Event: ptr("mine/2"), Party: ptr("mine"), Lot: ptr("mine.r1"), OccurredAt: ptr("2025-03-06T10:00:00+03:00"), Body: &pb.Event_Split{Split: &pb.Split{Children: []*pb.Part{{Lot: ptr("mine.s1")}}}}},
		{Event: ptr("shop/3"), Party: ptr("shop"), Lot: ptr("mine.s1"), OccurredAt: ptr("2025-03-07"), Remark: ptr("private"), WithdrawnBy: ptr("shop/5"), Body: &pb.Event_Tested{Tested: &pb.Tested{Method: ptr("MICROSCOPE")}}},
	}
	return lots, events
}

// What is written is read back by another program, the prov package of Python, as the statements of PROV-DM that it was written from.
func TestAnotherProgramReadsIt(t *testing.T) {
	lots, events := line()
	var out bytes.Buffer
	if err := Write(&out, lots, events, "https://stones.example"); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(out.String(), "private") {
		t.Error("a private value is in it")
	}
	cmd := exec.Command("/usr/bin/python3", "-c", `
import sys
from prov.model import ProvDocument
d = ProvDocument.deserialize(sys.stdin, format="json")
for r in d.get_records():
    print(type(r).__name__, *[str(v) for k, v in r.formal_attributes if "Time" not in str(k)], *([str(r.identifier)] if r.is_element() else []))
`)
	cmd.Stdin = bytes.NewReader(out.Bytes())
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	read, err := cmd.Output()
	if err != nil {
		t.Fatalf("python3 with prov (on Debian: apt-get install python3-prov): %v\n%s", err, stderr.String())
	}
	got := strings.Split(strings.TrimSpace(string(read)), "\n")
	for i := range got {
		got[i] = strings.Join(strings.Fields(strings.ReplaceAll(got[i], "None", "")), " ")
	}
	sort.Strings(got)
	want := []string{
		"ProvActivity event:mine/1", "ProvActivity event:mine/2", "ProvActivity event:shop/3", "ProvActivity event:shop/4", "ProvAgent party:mine", "ProvAgent party:shop",
		"ProvAssociation event:mine/1 party:mine", "ProvAssociation event:mine/2 party:mine", "ProvAssociation event:shop/3 party:shop",
		"ProvAttribution lot:mine.r1 party:mine", "ProvAttribution lot:mine.s1 party:shop", "ProvAttribution lot:mine.s2 party:mine", "ProvAttribution lot:shop.c1 party:shop",
		"ProvDerivation lot:mine.s1 lot:mine.r1 event:mine/2", "ProvDerivation lot:mine.s2 lot:mine.r1 event:mine/2", "ProvDerivation lot:shop.c1 lot:mine.s2 event:shop/4",
		"ProvEntity lot:mine.r1", "ProvEntity lot:mine.s1", "ProvEntity lot:mine.s2", "ProvEntity lot:shop.c1",
		"ProvGeneration lot:mine.r1 event:mine/1", "ProvGeneration lot:mine.s1 event:mine/2", "ProvGeneration lot:mine.s2 event:mine/2",
		"ProvUsage event:mine/2 lot:mine.r1", "ProvUsage event:shop/3 lot:mine.s1",
	}
	sort.Strings(want)
	if a, b := strings.Join(got, "\n"), strings.Join(want, "\n"); a != b {
		t.Errorf("read is\n%s\nwant\n%s", a, b)
	}
	var again bytes.Buffer
	if err := Write(&again, lots, events, "https://stones.example/"); err != nil || again.String() != out.String() {
		t.Errorf("written twice it is another: %v", err)
	}
}
