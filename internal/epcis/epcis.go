// Package epcis writes the history of a lot as an EPCIS 2.0 document in JSON-LD (ISO/IEC 19987:2024), with the vocabulary of CBV 2.0 (ISO/IEC 19988:2024), for the
// systems of those who do not speak this service's own form.
//
// It promises that every event of the history is in the document, that what the standard has no word for stands in extensions under a prefix of our own, and that
// nothing in it says more than the event did: a test has no disposition, since "conformant" would. Lots and parties are named by addresses below the service's own;
// no number of anybody's numbering scheme is made up.
//
// A lot of one piece is an instance, one of several pieces a class with a quantity. Which of the two a lot is follows from the events so far.
package epcis

import (
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// The context of the standard, and the prefix of what is ours.
const (
	context = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
	prefix  = "lotpaper"
)

// Options say what a document is made of.
type Options struct {
	// Base is the address below which lots, events and parties are named, such as https://stones.example.
	Base string
	// Created is when the document is made.
	Created time.Time
	// Zone is the offset east of UTC in which a bare date is a day.
	Zone time.Duration
}

type object = map[string]any

// writer turns events into those of the standard, one after the other.
type writer struct {
	Options
	single map[string]bool // lots of one piece
	list   []object
	places map[string][]int // event id → where its events stand in the list
	events map[string]*pb.Event
}

// Write writes the history of a lot, oldest first.
func Write(out io.Writer, events []*pb.Event, o Options) error {
	o.Base = strings.TrimRight(o.Base, "/")
	w := &writer{Options: o, list: []object{}, single: map[string]bool{}, places: map[string][]int{}, events: map[string]*pb.Event{}}
	for _, e := range events {
		if err := w.event(e); err != nil {
			return fmt.Errorf("write event %s: %w", e.GetEvent(), err)
		}
	}
	doc := object{
		"@context":      []any{context, object{prefix: o.Base + "/docs/terms/"}},
		"type":          "EPCISDocument",
		"schemaVersion": "2.0",
		"creationDate":  o.Created.UTC().Format(time.RFC3339),
		"epcisBody":     object{"eventList": w.list},
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", " ")
	enc.SetEscapeHTML(false)
	return enc.Encode(doc)
}

func (w *writer) lot(id string) string   { return w.Base + "/lots/" + id }
func (w *writer) party(id string) string { return w.Base + "/parties/" + id }

// event writes one event.
func (w *writer) event(e *pb.Event) error {
	switch b := e.GetBody().(type) {
	case *pb.Event_Withdrawn:
		// Not did_not_occur: a declaration that was taken back is not proof that nothing was done.
		return w.declare(e, b.Withdrawn.GetEvent(), prefix+":withdrawn", "")
	case *pb.Event_Corrected:
		made := amended(w.events[b.Corrected.GetEvent()], e)
		if made == nil {
			return w.declare(e, b.Corrected.GetEvent(), "incorrect_data", "")
		}
		if err := w.declare(e, b.Corrected.GetEvent(), "incorrect_data", w.id(e)); err != nil {
			return err
		}
		return w.event(made)
	}
	w.events[e.GetEvent()] = e
	common, err := w.common(e)
	if err != nil {
		return err
	}
	for _, x := range w.bodies(e) {
		for name, value := range common {
			if _, set := x[name]; !set {
				x[name] = value
			}
		}
		w.places[e.GetEvent()] = append(w.places[e.GetEvent()], len(w.list))
		w.list = append(w.list, x)
	}
	return nil
}

// amended is an event as a correction has it; nil: the amended one is not in the history, or only its time was changed by nothing.
func amended(before, correction *pb.Event) *pb.Event {
	r := correction.GetCorrected().GetReplacement()
	if before == nil || r == nil {
		return nil
	}
	out := proto.CloneOf(before)
	out.Event = correction.Event
	out.RecordedAt = correction.RecordedAt
	if r.OccurredAt != nil {
		out.OccurredAt = r.OccurredAt
	}
	if r.Moisture != nil {
		out.Moisture = r.Moisture
	}
	m := r.ProtoReflect()
	if fd := m.WhichOneof(m.Descriptor().Oneofs().ByName("body")); fd != nil {
		if to := out.ProtoReflect().Descriptor().Fields().ByName(fd.Name()); to != nil {
			out.ProtoReflect().Set(to, protoreflect.ValueOfMessage(m.Get(fd).Message()))
		}
	}
	return out
}

// declare marks an event of before as an error, as EPCIS does: the event stands as it was, with the declaration in it.
func (w *writer) declare(e *pb.Event, id, reason, corrective string) error {
	declared := object{"declarationTime": e.GetRecordedAt(), "reason": reason}
	if corrective != "" {
		declared["correctiveEventIDs"] = []string{corrective}
	}
	for _, i := range w.places[id] {
		w.list[i]["errorDeclaration"] = declared
	}
	return nil
}

func (w *writer) id(e *pb.Event) string { return w.Base + "/events/" + e.GetEvent() }

// common are the fields that every event has.
func (w *writer) common(e *pb.Event) (object, error) {
	at, zone, dateOnly, err := w.when(e.GetOccurredAt())
	if err != nil {
		return nil, err
	}
	out := object{
		"eventID": w.id(e), "eventTime": at, "eventTimeZoneOffset": zone,
		prefix + ":kind": readout.Kind(e), prefix + ":party": w.party(e.GetParty()), prefix + ":text": strings.ReplaceAll(readout.Tells(e), "\u00a0", " "),
	}
	if e.GetRecordedAt() != "" {
		out["recordTime"] = e.GetRecordedAt()
	}
	if dateOnly {
		out[prefix+":dateOnly"] = true
	}
	if e.GetMoisture() != "" {
		out[prefix+":moisture"] = e.GetMoisture()
	}
	var found []string
	for _, f := range e.GetFindings() {
		found = append(found, f.GetCode())
	}
	if len(found) > 0 {
		out[prefix+":findings"] = found
	}
	if e.GetDoubtful() != "" {
		out[prefix+":doubtful"] = e.GetDoubtful()
	}
	return out, nil
}

// when gives a time as EPCIS wants it. Of a bare date the day begins in the log's zone, and the event says that it is no more than a date.
func (w *writer) when(text string) (at, zone string, dateOnly bool, err error) {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		day, derr := time.ParseInLocation(time.DateOnly, text, time.FixedZone("", int(w.Zone.Seconds())))
		if derr != nil {
			return "", "", false, fmt.Errorf("the time %q is none: %w", text, err)
		}
		t, dateOnly = day, true
	}
	return t.Format(time.RFC3339Nano), t.Format("-07:00"), dateOnly, nil
}

// what names a lot: as an instance, or as a class with what is known of its amount.
func (w *writer) what(x object, epcs, quantities, lot string, pieces *int32, mass string) {
	if pieces != nil {
		w.single[lot] = *pieces == 1
	}
	if w.single[lot] {
		list, _ := x[epcs].([]string)
		x[epcs] = append(list, w.lot(lot))
		return
	}
	q := object{"epcClass": w.lot(lot)}
	if value, unit, ok := quantity(mass); ok {
		q["quantity"], q["uom"] = value, unit
	}
	list, _ := x[quantities].([]object)
	x[quantities] = append(list, q)
}

// quantity gives a mass with its UN/CEFACT unit: carats as written, everything else in grams, exactly.
func quantity(mass string) (json.Number, string, bool) {
	w, err := opal.ParseMass(mass)
	if mass == "" || err != nil {
		return "", "", false
	}
	if number, unit, _ := strings.Cut(mass, " "); unit == "ct" {
		return json.Number(strings.TrimSpace(number)), "CTM", true
	}
	return grams(w.Micrograms), "GRM", true
}

func grams(micrograms int64) json.Number {
	s := new(big.Rat).SetFrac64(micrograms, 1_000_000).FloatString(6)
	return json.Number(strings.TrimSuffix(strings.TrimRight(s, "0"), "."))
}

// observe is an ObjectEvent on one lot.
func (w *writer) observe(lot, action, step, disposition string, pieces *int32, mass string) object {
	x := object{"type": "ObjectEvent", "action": action, "bizStep": step}
	if disposition != "" {
		x["disposition"] = disposition
	}
	w.what(x, "epcList", "quantityList", lot, pieces, mass)
	return x
}
