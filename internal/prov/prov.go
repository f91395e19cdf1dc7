// Package prov writes the line of a lot as PROV-JSON (W3C Member Submission, 24 April 2013), a form of the provenance data model PROV-DM: lots are entities, events
// are activities, parties are agents.
//
// It says who did what to which lot, and what was made of what. What was found and how far it goes is left to the service's own answers.
package prov

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

type object = map[string]any

// Write writes the lineage of a lot, with the events of its history. base is the address below which lots, events and parties are named.
func Write(out io.Writer, line *pb.GetLineageResponse, events []*pb.Event, base string) error {
	base = strings.TrimRight(base, "/")
	entity, activity, agent := object{}, object{}, object{}
	generated, used, derived, associated, attributed := object{}, object{}, object{}, object{}, object{}
	n := 0
	blank := func(kind string) string { n++; return fmt.Sprintf("_:%s%d", kind, n) }
	lot := func(id string) string { return "lot:" + id }
	party := func(id string) string {
		agent["party:"+id] = object{"prov:type": object{"$": "prov:Organization", "type": "xsd:QName"}}
		return "party:" + id
	}
	for _, l := range line.GetLots() {
		e := object{"lotpaper:state": l.GetState(), "lotpaper:mass": l.GetMass()}
		if l.GetForm() != "" {
			e["lotpaper:form"] = l.GetForm()
		}
		if l.Pieces != nil {
			e["lotpaper:pieces"] = l.GetPieces()
		}
		entity[lot(l.GetLot())] = e
		if l.GetHolder() != "" {
			attributed[blank("at")] = object{"prov:entity": lot(l.GetLot()), "prov:agent": party(l.GetHolder())}
		}
	}
	done := map[string]bool{}
	for _, e := range events {
		id := "event:" + e.GetEvent()
		a := object{"lotpaper:kind": readout.Kind(e), "lotpaper:text": strings.ReplaceAll(readout.Tells(e), "\u00a0", " ")}
		if at := e.GetOccurredAt(); len(at) > len("2006-01-02") {
			a["prov:startTime"], a["prov:endTime"] = at, at
		} else {
			a["lotpaper:date"] = at
		}
		if e.WithdrawnBy != nil {
			a["lotpaper:withdrawnBy"] = e.GetWithdrawnBy()
		}
		if e.CorrectedBy != nil {
			a["lotpaper:correctedBy"] = e.GetCorrectedBy()
		}
		activity[id] = a
		done[e.GetEvent()] = true
		associated[blank("as")] = object{"prov:activity": id, "prov:agent": party(e.GetParty())}
		if _, known := entity[lot(e.GetLot())]; known && !opens(e) {
			used[blank("us")] = object{"prov:activity": id, "prov:entity": lot(e.GetLot())}
		}
		if opens(e) {
			if _, known := entity[lot(e.GetLot())]; known {
				generated[blank("ge")] = object{"prov:entity": lot(e.GetLot()), "prov:activity": id}
			}
		}
	}
	for _, x := range line.GetEdges() {
		id := "event:" + x.GetEvent()
		if !done[x.GetEvent()] { // of a descendant's history, which was not asked for
			activity[id] = object{"lotpaper:kind": x.GetKind()}
			done[x.GetEvent()] = true
		}
		d := object{"prov:generatedEntity": lot(x.GetTo()), "prov:usedEntity": lot(x.GetFrom()), "prov:activity": id}
		if x.GetMass() != "" {
			d["lotpaper:mass"] = x.GetMass()
		}
		derived[blank("de")] = d
		if x.GetKind() != "combined" {
			generated[blank("ge")] = object{"prov:entity": lot(x.GetTo()), "prov:activity": id}
		}
	}
	doc := object{"prefix": object{
		"lot": base + "/lots/", "event": base + "/events/", "party": base + "/parties/", "lotpaper": base + "/docs/terms/",
	}}
	for name, part := range map[string]object{
		"entity": entity, "activity": activity, "agent": agent, "wasGeneratedBy": generated, "used": used, "wasDerivedFrom": derived,
		"wasAssociatedWith": associated, "wasAttributedTo": attributed,
	} {
		if len(part) > 0 {
			doc[name] = part
		}
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", " ")
	enc.SetEscapeHTML(false)
	return enc.Encode(doc)
}

// opens tells whether an event makes the lot that it stands under.
func opens(e *pb.Event) bool {
	return e.GetMined() != nil || e.GetAcquired() != nil || e.GetCombined() != nil
}
