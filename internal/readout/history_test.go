package readout_test

import (
	"testing"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
	"github.com/lotpaper/lotpaper/internal/table"
)

// One event of every kind, so that a line for each has been read.
const historyJSON = `{"position": "1203", "events": [
	{"lot": "a-b.c", "party": "a-b", "occurredAt": "2024-01-01", "position": "1", "mined": {"origin": {"country": "ET"}, "material": {"kind": "HYDROPHANE", "look": "TRANSLUCENT"}, "pieces": "1412", "mass": "1.860 kg"}},
	{"lot": "a-b.x", "party": "a-b", "occurredAt": "2024-01-02T10:20:30Z", "position": "2", "acquired": {"material": {"kind": "MATRIX"}, "mass": "210.4 g", "statedOrigin": "the plateau", "statedTreatments": ["SUGAR_ACID", "OIL_WAX"]}},
	{"lot": "a-b.y", "party": "a-b", "occurredAt": "2024-01-02T10:20:30.5+03:00", "position": "3", "acquired": {"material": {"kind": "UNKNOWN"}, "mass": "5 ct", "statedUntreated": true}},
	{"lot": "a-b.c", "party": "a-b", "occurredAt": "2024-01-03", "position": "4", "split": {"manner": "SAMPLE", "children": [{"lot": "a-b.1", "pieces": "12", "mass": "58.1 g"}, {"lot": "a-b.2", "mass": "1 g"}, {"lot": "a-b.3", "mass": "1 g"}, {"lot": "a-b.4", "mass": "1 g"}], "rest": {"pieces": "84", "mass": "409.5 g"}, "loss": {"mass": "1 g", "pieces": "1", "why": "crumbled"}},
	 "findings": [{"code": "UNEXPLAINED_LOSS"}]},
	{"lot": "a-b.z", "party": "a-b", "occurredAt": "2024-01-04", "position": "5", "combined": {"parents": ["a-b.1", "a-b.2"], "mass": "59.1 g"}},
	{"lot": "a-b.c", "party": "a-b", "occurredAt": "2024-01-05", "position": "6", "cut": {"stones": [{"lot": "a-b.s", "mass": "3.84 ct", "form": "CABOCHON", "shape": "oval"}]}},
	{"lot": "a-b.c", "party": "a-b", "occurredAt": "2024-01-05", "position": "7", "cut": {"manner": "RECUT", "stones": [{"lot": "a-b.s", "mass": "3.84 ct"}, {"lot": "a-b.t", "mass": "3 ct"}], "offcuts": [{"lot": "a-b.o", "mass": "1 g"}]}},
	{"lot": "a-b.s", "party": "lab", "occurredAt": "2024-01-06", "position": "8", "withdrawnBy": "lab/x", "tested": {"method": "UV_VIS", "sample": {"kind": "RANDOM", "tested": "12", "of": "96", "positive": "0"}, "outcome": "NOTHING_SEEN", "lookedFor": ["DYE"], "findings": [{"outcome": "IRON_LIKE", "where": "BODY"}], "conditions": {"cleaned": "yes", "a": "b"}}},
	{"lot": "a-b.s", "party": "a-b", "occurredAt": "2024-01-07", "position": "9", "treated": {"treatment": "SMOKE", "medium": "paper", "extent": "RIM", "massAfter": "629.8 g"}},
	{"lot": "a-b.s", "party": "a-b", "occurredAt": "2024-01-08", "position": "10", "correctedBy": "a-b/y", "described": {"bodyTone": "3", "bodyColour": "dark grey", "transparency": "OPAQUE", "playOfColour": "green", "dimensionsMm": [14.1, 10, 6.5], "measuredMass": "3.84 ct"}},
	{"lot": "a-b.s", "party": "a-b", "occurredAt": "2024-01-09", "position": "11", "handedOver": {"to": "c-d", "purpose": "TESTING"}},
	{"lot": "a-b.s", "party": "a-b", "occurredAt": "2024-01-10", "position": "12", "sold": {"to": "c-d", "claims": ["NO_DYE", "ORIGIN:ET"], "part": {"lot": "a-b.u", "pieces": "1", "mass": "1 g"}}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-11", "position": "13", "received": {"pieces": "1", "mass": "3.84 ct"}},
	{"lot": "a-b.s", "party": "a-b", "occurredAt": "2024-01-11", "position": "14", "received": {"cameBack": true}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-12", "position": "15", "refused": {"because": "not as agreed"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-13", "position": "16", "returned": {"sale": "a-b/x", "because": "dyed"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-14", "position": "17", "nothingDone": {"from": "2024-01-01", "to": "2024-01-13"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-15", "position": "18", "counted": {"pieces": "2", "why": "BROKEN"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-16", "position": "19", "set": {"piece": "ring 114"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-17", "position": "20", "unset": {}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-18", "position": "21", "referenceSet": {"known": "TREATED", "treatment": "DYE", "how": "dyed by us"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-19", "position": "22", "closed": {"reason": "SOLD_TO_WEARER", "claims": ["NATURAL"]}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-20", "position": "23", "reopened": {"why": "BOUGHT_BACK"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-21", "position": "24", "corrected": {"event": "c-d/x", "because": "typing"}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-22", "position": "25", "withdrawn": {"event": "c-d/x", "because": "another stone"}},
	{"party": "admin", "occurredAt": "2024-01-23", "position": "26", "enrolled": {"party": "e-f", "roles": ["MINER", "DEALER"]}},
	{"party": "lab", "occurredAt": "2024-01-24", "position": "27", "methodValidated": {"method": "DEEP_UV_IMAGING", "protocol": "PL-9", "rows": [{}, {}]}},
	{"lot": "a-b.s", "party": "c-d", "occurredAt": "2024-01-25", "position": "1028", "handleIssued": {"handle": "mfrggzdfmztwq2lknnwg23tpoa"}}]}`

func TestHistory(t *testing.T) {
	h := message(t, &pb.GetHistoryResponse{}, historyJSON)
	golden(t, "history", func(p *table.Page) { readout.History(p, "a-b.s", h.GetEvents(), h.GetPosition(), false) })
	golden(t, "history-more", func(p *table.Page) { readout.History(p, "a-b.s", h.GetEvents()[:2], h.GetPosition(), true) })
}
