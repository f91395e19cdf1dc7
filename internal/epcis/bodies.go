package epcis

import (
	"encoding/json"
	"strconv"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// bodies writes what is particular to a kind of event. Most are one event of the standard; a test that used stones up is two.
func (w *writer) bodies(e *pb.Event) []object {
	lot := e.GetLot()
	own := func(action, step, disposition string) object {
		return w.observe(lot, action, step, disposition, nil, "")
	}
	switch b := e.GetBody().(type) {
	case *pb.Event_Mined:
		m := b.Mined
		x := w.observe(lot, "ADD", "commissioning", "active", m.Pieces, m.GetMass())
		x["ilmd"] = ilmd(m.GetMaterial(), m.GetForm(), object{"cbvmda:countryOfOrigin": m.GetOrigin().GetCountry()})
		return []object{x}
	case *pb.Event_Acquired:
		a := b.Acquired
		x := w.observe(lot, "ADD", "commissioning", "active", a.Pieces, a.GetMass())
		x["ilmd"] = ilmd(a.GetMaterial(), a.GetForm(), object{prefix + ":pastUndocumented": true})
		return []object{x}
	case *pb.Event_Split:
		x := w.transform(lot)
		for _, c := range b.Split.GetChildren() {
			w.what(x, "outputEPCList", "outputQuantityList", c.GetLot(), c.Pieces, c.GetMass())
		}
		if r := b.Split.GetRest(); r != nil {
			w.what(x, "outputEPCList", "outputQuantityList", lot, r.Pieces, r.GetMass())
		}
		return []object{x}
	case *pb.Event_Cut:
		x := w.transform(lot)
		for _, s := range b.Cut.GetStones() {
			w.what(x, "outputEPCList", "outputQuantityList", s.GetLot(), s.Pieces, s.GetMass())
		}
		for _, o := range b.Cut.GetOffcuts() {
			w.what(x, "outputEPCList", "outputQuantityList", o.GetLot(), o.Pieces, o.GetMass())
		}
		return []object{x}
	case *pb.Event_Combined:
		x := object{"type": "TransformationEvent", "bizStep": "commissioning", "disposition": "in_progress"}
		for _, p := range b.Combined.GetParents() {
			w.what(x, "inputEPCList", "inputQuantityList", p, nil, "")
		}
		w.what(x, "outputEPCList", "outputQuantityList", lot, b.Combined.Pieces, b.Combined.GetMass())
		return []object{x}
	case *pb.Event_Tested:
		return w.tested(e, b.Tested)
	case *pb.Event_Treated:
		t := b.Treated
		x := own("OBSERVE", "other", "in_progress") // CBV has no step for a treatment
		x[prefix+":treatment"] = t.GetTreatment()
		set(x, ":medium", t.GetMedium())
		set(x, ":extent", t.GetExtent())
		return []object{x}
	case *pb.Event_Described:
		x := own("OBSERVE", "inspecting", "")
		set(x, ":bodyColour", b.Described.GetBodyColour())
		set(x, ":playOfColour", b.Described.GetPlayOfColour())
		return []object{x}
	case *pb.Event_HandedOver:
		x := own("OBSERVE", "shipping", "in_transit")
		w.hands(x, "possessing_party", e.GetParty(), b.HandedOver.GetTo())
		set(x, ":purpose", b.HandedOver.GetPurpose())
		return w.parted(e, x, b.HandedOver.GetPart())
	case *pb.Event_Sold:
		x := own("OBSERVE", "shipping", "in_transit")
		if b.Sold.GetTo() == opal.Outside {
			x["bizStep"], x["disposition"] = "retail_selling", "retail_sold"
		}
		w.hands(x, "owning_party", e.GetParty(), b.Sold.GetTo())
		if len(b.Sold.GetClaims()) > 0 {
			x[prefix+":claims"] = b.Sold.GetClaims() // what the seller said, and not what the record bears out
		}
		return w.parted(e, x, b.Sold.GetPart())
	case *pb.Event_Received:
		x := w.observe(lot, "OBSERVE", "receiving", "in_progress", b.Received.Pieces, b.Received.GetMass())
		x["destinationList"] = []object{{"type": "possessing_party", "destination": w.party(e.GetParty())}}
		if b.Received.GetCameBack() {
			x["disposition"] = "returned"
		}
		return []object{x}
	case *pb.Event_Refused:
		return []object{own("OBSERVE", "other", "returned")}
	case *pb.Event_Returned:
		x := own("OBSERVE", "shipping", "returned")
		x["sourceList"] = []object{{"type": "owning_party", "source": w.party(e.GetParty())}}
		return []object{x}
	case *pb.Event_NothingDone:
		x := own("OBSERVE", "holding", "")
		x[prefix+":from"], x[prefix+":to"] = b.NothingDone.GetFrom(), b.NothingDone.GetTo()
		return []object{x}
	case *pb.Event_Counted:
		return []object{w.observe(lot, "OBSERVE", "cycle_counting", "", b.Counted.Pieces, b.Counted.GetMass())}
	case *pb.Event_Set:
		return []object{own("OBSERVE", "assembling", "")}
	case *pb.Event_Unset:
		return []object{own("OBSERVE", "disassembling", "")}
	case *pb.Event_ReferenceSet:
		x := own("OBSERVE", "other", "")
		set(x, ":known", b.ReferenceSet.GetKnown())
		return []object{x}
	case *pb.Event_Closed:
		switch b.Closed.GetReason() {
		case string(opal.ClosedToAWearer):
			return []object{own("OBSERVE", "retail_selling", "retail_sold")}
		case string(opal.ClosedLost):
			return []object{own("DELETE", "decommissioning", "unknown")}
		}
		return []object{own("DELETE", "destroying", "destroyed")}
	case *pb.Event_Reopened:
		return []object{own("OBSERVE", "receiving", "returned")}
	case *pb.Event_HandleIssued:
		return []object{own("OBSERVE", "encoding", "")}
	}
	// What says how the record is kept, such as a code that was revoked: an observation under its own name.
	return []object{own("OBSERVE", "other", "")}
}

func set(x object, name, value string) {
	if value != "" {
		x[prefix+name] = value
	}
}

// ilmd is what holds of a lot for as long as there is one.
func ilmd(m *pb.Material, form string, x object) object {
	set(x, ":material", m.GetKind())
	set(x, ":look", m.GetLook())
	set(x, ":bodyColour", m.GetBodyColour())
	set(x, ":form", form)
	return x
}

// transform is a TransformationEvent with a lot going in.
func (w *writer) transform(lot string) object {
	x := object{"type": "TransformationEvent", "bizStep": "commissioning", "disposition": "in_progress"}
	w.what(x, "inputEPCList", "inputQuantityList", lot, nil, "")
	return x
}

// hands says from whom to whom.
func (w *writer) hands(x object, kind, from, to string) {
	x["sourceList"] = []object{{"type": kind, "source": w.party(from)}}
	if to != opal.Outside {
		x["destinationList"] = []object{{"type": kind, "destination": w.party(to)}}
	}
}

// parted puts the parting off of a part before what was done with it.
func (w *writer) parted(e *pb.Event, x object, p *pb.PartOf) []object {
	if p == nil {
		return []object{x}
	}
	split := w.transform(e.GetLot())
	w.what(split, "outputEPCList", "outputQuantityList", p.GetLot(), p.Pieces, p.GetMass())
	w.what(split, "outputEPCList", "outputQuantityList", e.GetLot(), nil, "")
	split["eventID"] = w.id(e) + "/part"
	delete(x, "epcList")
	delete(x, "quantityList")
	w.what(x, "epcList", "quantityList", p.GetLot(), p.Pieces, p.GetMass())
	return []object{split, x}
}

// tested writes a test. Its outcome is an extension and no disposition: the standard's words for that, conformant and not, are judgements that the test alone does
// not make. A test that used stones up is a sampling, which CBV says is always destructive, and an end.
func (w *writer) tested(e *pb.Event, t *pb.Tested) []object {
	x := w.observe(e.GetLot(), "OBSERVE", "inspecting", "", nil, "")
	set(x, ":method", t.GetMethod())
	set(x, ":outcome", t.GetOutcome())
	set(x, ":instrument", t.GetInstrument())
	set(x, ":protocol", t.GetProtocol())
	if len(t.GetLookedFor()) > 0 {
		x[prefix+":lookedFor"] = t.GetLookedFor()
	}
	var findings []object
	for _, f := range t.GetFindings() {
		o := object{prefix + ":outcome": f.GetOutcome()}
		set(o, ":where", f.GetWhere())
		findings = append(findings, o)
	}
	if len(findings) > 0 {
		x[prefix+":seen"] = findings
	}
	if s := t.GetSample(); s != nil && s.Tested != nil && s.Of != nil {
		x[prefix+":sample"] = object{prefix + ":kind": s.GetKind(), prefix + ":tested": s.GetTested(), prefix + ":of": s.GetOf(), prefix + ":positive": s.GetPositive()}
	}
	if reports := sensors(t.GetMeasurement(), e.GetComputed()); len(reports) > 0 {
		x["sensorElementList"] = []object{{"sensorReport": reports}}
	}
	var results []object // and no certificationInfo: what was attached certifies nothing by itself
	for _, a := range e.GetAttachments() {
		results = append(results, object{"type": "testres", "bizTransaction": w.Base + "/v1/attachments/" + a.GetSha256()})
	}
	if len(results) > 0 {
		x["bizTransactionList"] = results
	}
	d := t.GetDestroyed()
	if d == nil {
		return []object{x}
	}
	x["bizStep"] = "sampling"
	end := object{"type": "ObjectEvent", "action": "DELETE", "bizStep": "destroying", "disposition": "destroyed", "eventID": w.id(e) + "/destroyed"}
	q := object{"epcClass": w.lot(e.GetLot())}
	if value, unit, ok := quantity(d.GetMass()); ok {
		q["quantity"], q["uom"] = value, unit
	}
	if d.Pieces != nil {
		end[prefix+":pieces"] = d.GetPieces()
	}
	end["quantityList"] = []object{q}
	return []object{x, end}
}

// sensors are the readings of a measurement, and what the service computed of them.
func sensors(m *pb.Measurement, computed *pb.Computed) (list []object) {
	mass := func(name, text string) {
		if w, err := opal.ParseMass(text); text != "" && err == nil {
			list = append(list, object{"type": "Mass", "value": grams(w.Micrograms), "uom": "GRM", prefix + ":reading": name})
		}
	}
	if h := m.GetHydrostatic(); h != nil {
		mass("dryMass", h.GetDryMass())
		mass("suspendedMass", h.GetSuspendedMass())
		mass("soakedMass", h.GetSoakedMass())
	}
	if u := m.GetUptake(); u != nil {
		mass("dryMass", u.GetDryMass())
		for _, r := range u.GetReadings() {
			if w, err := opal.ParseMass(r.GetMass()); err == nil {
				list = append(list, object{"type": "Mass", "value": grams(w.Micrograms), "uom": "GRM", prefix + ":reading": "mass", prefix + ":minutes": r.GetMinutes()})
			}
		}
		mass("driedMass", u.GetDriedMass())
	}
	for _, n := range m.GetRefractometer().GetIndices() {
		list = append(list, object{"type": "Dimensionless", "value": number(n), "uom": "C62", prefix + ":reading": "refractiveIndex"})
	}
	for _, f := range computed.GetFigures() {
		x := object{"type": "Dimensionless", "value": number(f.GetValue()), "uom": "C62", prefix + ":figure": f.GetName()}
		if f.GetUnit() != "" { // not one of the units that the standard's types are about
			x["type"] = prefix + ":figure"
			x["uom"] = f.GetUnit()
		}
		if f.Uncertainty != nil {
			x["sDev"] = number(f.GetUncertainty())
		}
		list = append(list, x)
	}
	return list
}

func number(f float64) json.Number { return json.Number(strconv.FormatFloat(f, 'f', -1, 64)) }
