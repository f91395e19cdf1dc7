package opal

import (
	"cmp"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// The bodies that make lots, or say how many stones there are and what they weigh.

func checkMined(m *Mined) *fault.Error {
	return cmp.Or(
		under("origin", checkOrigin(&m.Origin)),
		under("material", checkMaterial(&m.Material)),
		mayWord("form", m.Form, AllForms()),
		count("pieces", m.Pieces, 1),
		needMass("mass", m.Mass),
	)
}

func checkOrigin(o *Origin) *fault.Error {
	return cmp.Or(
		country("country", o.Country),
		text("region", o.Region, MaxText),
		text("deposit", o.Deposit, MaxText),
		text("licence", o.Licence, MaxText),
	)
}

func checkMaterial(m *Material) *fault.Error {
	return cmp.Or(
		needWord("kind", m.Kind, AllMaterialKinds()),
		mayWord("look", m.Look, AllLooks()),
		text("bodyColour", m.BodyColour, MaxText),
		bodyTone("bodyTone", m.BodyTone),
	)
}

func checkAcquired(a *Acquired) *fault.Error {
	if f := cmp.Or(
		under("material", checkMaterial(&a.Material)),
		mayWord("form", a.Form, AllForms()),
		count("pieces", a.Pieces, 1),
		needMass("mass", a.Mass),
		text("statedOrigin", a.StatedOrigin, MaxText),
		wordList("statedTreatments", a.StatedTreatments, AllTreatments()),
	); f != nil {
		return f
	}
	if a.StatedUntreated && len(a.StatedTreatments) > 0 {
		return fault.New(fault.InvalidField, "statedUntreated", "found true beside the stated treatment %s, accepted is either statedUntreated or statedTreatments", a.StatedTreatments[0])
	}
	return text("from", a.From, MaxText)
}

func checkSplit(s *Split, e *Event) *fault.Error {
	if s.Rest != nil {
		if f := cmp.Or(
			count("pieces", s.Rest.Pieces, 1),
			needMass("mass", s.Rest.Mass),
			mayWord("moisture", s.Rest.Moisture, AllMoistures()),
		); f != nil {
			return under("rest", f)
		}
	}
	if len(s.Children) == 0 {
		return fault.New(fault.InvalidField, "children", "found none, accepted are 1 to %s", group(MaxChildren))
	}
	if f := cmp.Or(tooMany("children", len(s.Children), MaxChildren, "children"), checkParts("children", s.Children, e)); f != nil {
		return f
	}
	if i, j, ok := repeated(len(s.Children), func(i int) string { return s.Children[i].Lot }); ok {
		return at("children", i, twice(s.Children[i].Lot, "children", j))
	}
	return cmp.Or(
		mayWord("manner", s.Manner, AllSplitManners()),
		text("sortedBy", s.SortedBy, MaxText),
		selector("selectedBy", s.Selected),
		mayWord("selection", s.Selection, AllSelections()),
		under("loss", checkLoss(s.Loss)),
	)
}

func checkParts(list string, parts []Part, e *Event) *fault.Error {
	for i := range parts {
		p := &parts[i]
		if f := cmp.Or(
			newLot("lot", p.Lot, e),
			count("pieces", p.Pieces, 1),
			needMass("mass", p.Mass),
			mayWord("moisture", p.Moisture, AllMoistures()),
		); f != nil {
			return at(list, i, f)
		}
	}
	return nil
}

func checkLoss(l *Loss) *fault.Error {
	if l == nil {
		return nil
	}
	return cmp.Or(
		mayMass("mass", l.Mass),
		count("pieces", l.Pieces, 0),
		text("why", l.Why, MaxText),
	)
}

func checkCombined(c *Combined, e *Event) *fault.Error {
	if len(c.Parents) < 2 {
		return fault.New(fault.InvalidField, "parents", "found %d, accepted are 2 to %s lots", len(c.Parents), group(MaxParents))
	}
	if f := lotList("parents", c.Parents, MaxParents); f != nil {
		return f
	}
	for i, id := range c.Parents {
		if id == e.Lot {
			return at("parents", i, fault.New(fault.InvalidField, "", "found %q, the new lot itself; accepted is the id of another lot", id))
		}
	}
	return cmp.Or(count("pieces", c.Pieces, 1), needMass("mass", c.Mass))
}

func checkCut(c *Cut, e *Event) *fault.Error {
	stones, offcuts := len(c.Stones), len(c.Offcuts)
	switch {
	case stones == 0:
		return fault.New(fault.InvalidField, "stones", "found none, accepted are 1 to %s; a lot of which nothing was left is closed", group(MaxChildren))
	case stones > MaxChildren:
		return tooMany("stones", stones, MaxChildren, "stones")
	case stones+offcuts > MaxChildren:
		return tooMany("offcuts", stones+offcuts, MaxChildren, "stones and offcuts together")
	}
	for i := range c.Stones {
		s := &c.Stones[i]
		if f := cmp.Or(
			newLot("lot", s.Lot, e),
			count("pieces", s.Pieces, 1),
			needMass("mass", s.Mass),
			mayWord("form", s.Form, AllForms()),
			text("shape", s.Shape, MaxText),
			dimensions("dimensionsMm", s.DimensionsMm),
			mayWord("moisture", s.Moisture, AllMoistures()),
		); f != nil {
			return at("stones", i, f)
		}
	}
	if f := checkParts("offcuts", c.Offcuts, e); f != nil {
		return f
	}
	id := func(i int) string {
		if i < stones {
			return c.Stones[i].Lot
		}
		return c.Offcuts[i-stones].Lot
	}
	if i, j, ok := repeated(stones+offcuts, id); ok {
		place := func(i int) (string, int) {
			if i < stones {
				return "stones", i
			}
			return "offcuts", i - stones
		}
		list, n := place(i)
		firstList, first := place(j)
		return at(list, n, twice(id(i), firstList, first))
	}
	return cmp.Or(under("loss", checkLoss(c.Loss)), mayWord("manner", c.Manner, AllCutManners()))
}

// twice makes the fault of a new lot that is named a second time.
func twice(id, firstList string, first int) *fault.Error {
	return fault.New(fault.InvalidField, "lot", "found %q, which %s[%d] names already; accepted is each new lot once", id, firstList, first)
}

func checkCounted(c *Counted) *fault.Error {
	if c.Pieces == nil && c.Mass == "" {
		return fault.New(fault.InvalidField, "pieces", "found neither pieces nor mass, accepted is at least one of them")
	}
	return cmp.Or(
		count("pieces", c.Pieces, 1),
		mayMass("mass", c.Mass),
		needWord("why", c.Why, AllCountWhys()),
	)
}

// checkPartOf checks the part of a lot that a sale or hand-over splits off.
func checkPartOf(p *PartOf, e *Event) *fault.Error {
	if p == nil {
		return nil
	}
	return cmp.Or(
		newLot("lot", p.Lot, e),
		count("pieces", p.Pieces, 1),
		needMass("mass", p.Mass),
		mayWord("manner", p.Manner, AllSplitManners()),
		mayWord("moisture", p.Moisture, AllMoistures()),
	)
}
