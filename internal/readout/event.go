package readout

import (
	"fmt"
	"sort"
	"strings"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// Kind names an event's body, as in JSON.
func Kind(e *pb.Event) string {
	m := e.ProtoReflect()
	fd := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if fd == nil {
		return ""
	}
	return fd.JSONName()
}

// Tells says in one line what an event is about. It leaves much out: -o json has all.
func Tells(e *pb.Event) string {
	switch b := e.GetBody().(type) {
	case *pb.Event_Mined:
		return phrase("dug in "+b.Mined.GetOrigin().GetCountry(), material(b.Mined.GetMaterial()), amount(b.Mined.Pieces, b.Mined.GetMass()))
	case *pb.Event_Acquired:
		return "past undocumented, " + phrase(material(b.Acquired.GetMaterial()), amount(b.Acquired.Pieces, b.Acquired.GetMass()), stated(b.Acquired))
	case *pb.Event_Split:
		return split(b.Split)
	case *pb.Event_Combined:
		return phrase(strings.Join(b.Combined.GetParents(), " + "), amount(b.Combined.Pieces, b.Combined.GetMass()))
	case *pb.Event_Cut:
		return cut(b.Cut)
	case *pb.Event_Tested:
		return tested(b.Tested, e.GetComputed())
	case *pb.Event_Treated:
		t := b.Treated
		masses := ""
		if t.MassBefore != nil || t.MassAfter != nil {
			masses = together(or(t.GetMassBefore(), "?") + " → " + or(t.GetMassAfter(), "?"))
		}
		return phrase(spoken(t.GetTreatment()), spoken(t.GetExtent()), t.GetMedium(), masses)
	case *pb.Event_Described:
		d := b.Described
		tone := ""
		if d.BodyTone != nil {
			tone = fmt.Sprintf("body tone %d", d.GetBodyTone())
		}
		return phrase(d.GetBodyColour(), tone, spoken(d.GetTransparency()), d.GetPlayOfColour(), millimetres(d.GetDimensionsMm()), together(d.GetMeasuredMass()))
	case *pb.Event_HandedOver:
		return "to " + phrase(b.HandedOver.GetTo(), "for "+spoken(b.HandedOver.GetPurpose()), partOf(b.HandedOver.GetPart()))
	case *pb.Event_Sold:
		return "to " + phrase(b.Sold.GetTo(), partOf(b.Sold.GetPart()), claims(b.Sold.GetClaims()))
	case *pb.Event_Received:
		if b.Received.GetCameBack() {
			return phrase("came back", amount(b.Received.Pieces, b.Received.GetMass()))
		}
		return amount(b.Received.Pieces, b.Received.GetMass())
	case *pb.Event_Refused:
		return b.Refused.GetBecause()
	case *pb.Event_Returned:
		return phrase("title goes back", b.Returned.GetBecause())
	case *pb.Event_NothingDone:
		return "from " + when(b.NothingDone.GetFrom()) + " to " + when(b.NothingDone.GetTo())
	case *pb.Event_Counted:
		return phrase(spoken(b.Counted.GetWhy()), amount(b.Counted.Pieces, b.Counted.GetMass()))
	case *pb.Event_Set:
		return "into " + b.Set.GetPiece()
	case *pb.Event_Unset:
		return phrase("out of its piece", b.Unset.GetPiece())
	case *pb.Event_ReferenceSet:
		return phrase("known "+spoken(b.ReferenceSet.GetKnown()), spoken(b.ReferenceSet.GetTreatment()), b.ReferenceSet.GetHow())
	case *pb.Event_Closed:
		return phrase(spoken(b.Closed.GetReason()), claims(b.Closed.GetClaims()))
	case *pb.Event_Reopened:
		return spoken(b.Reopened.GetWhy())
	case *pb.Event_Corrected:
		return phrase(b.Corrected.GetEvent(), b.Corrected.GetBecause())
	case *pb.Event_Withdrawn:
		return phrase(b.Withdrawn.GetEvent(), b.Withdrawn.GetBecause())
	case *pb.Event_Enrolled:
		return phrase(b.Enrolled.GetParty(), words(b.Enrolled.GetRoles()))
	case *pb.Event_MethodValidated:
		return phrase(spoken(b.MethodValidated.GetMethod()), b.MethodValidated.GetProtocol(), fmt.Sprintf("%d rows", len(b.MethodValidated.GetRows())))
	case *pb.Event_HandleIssued:
		return b.HandleIssued.GetHandle()
	case *pb.Event_HandleRevoked:
		return b.HandleRevoked.GetHandle()
	}
	return ""
}

// amount writes pieces and mass, each so that figure and unit stay on one line.
func amount(pieces *int32, mass string) string {
	number := ""
	if pieces != nil {
		number = piecesOf(*pieces)
	}
	return phrase(together(number), together(mass))
}

// together keeps a short phrase from being broken.
func together(s string) string { return strings.ReplaceAll(s, " ", "\u00a0") }

func stated(a *pb.Acquired) string {
	var said []string
	if a.GetStatedOrigin() != "" {
		said = append(said, "from "+a.GetStatedOrigin())
	}
	if a.GetStatedUntreated() {
		said = append(said, "untreated")
	}
	if len(a.GetStatedTreatments()) > 0 {
		said = append(said, words(a.GetStatedTreatments()))
	}
	if len(said) == 0 {
		return ""
	}
	return "said to be " + strings.Join(said, ", ")
}

func split(s *pb.Split) string {
	var parts []string
	for _, c := range s.GetChildren()[:min(3, len(s.GetChildren()))] {
		parts = append(parts, c.GetLot()+" ("+amount(c.Pieces, c.GetMass())+")")
	}
	text := or(spoken(s.GetManner()), "sorted") + " into " + strings.Join(parts, ", ")
	if more := len(s.GetChildren()) - len(parts); more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	if s.GetRest() != nil {
		text = phrase(text, "rest "+amount(s.GetRest().Pieces, s.GetRest().GetMass()))
	}
	return phrase(text, loss(s.GetLoss()))
}

func cut(c *pb.Cut) string {
	text := or(spoken(c.GetManner()), "rough cut") + " into " + one(len(c.GetStones()), "stone")
	if len(c.GetStones()) == 1 {
		s := c.GetStones()[0]
		text = or(spoken(c.GetManner()), "rough cut") + " into " + s.GetLot() + " (" + phrase(spoken(s.GetForm()), s.GetShape(), together(s.GetMass())) + ")"
	}
	if n := len(c.GetOffcuts()); n > 0 {
		text += " and " + one(n, "lot of offcuts", "lots of offcuts")
	}
	return phrase(text, loss(c.GetLoss()))
}

func loss(l *pb.Loss) string {
	if l == nil {
		return ""
	}
	return "lost " + phrase(amount(l.Pieces, l.GetMass()), l.GetWhy())
}

func tested(t *pb.Tested, computed *pb.Computed) string {
	var seen []string
	if t.GetOutcome() != "" {
		seen = append(seen, spoken(t.GetOutcome()))
	}
	for _, f := range t.GetFindings() {
		s := spoken(f.GetOutcome())
		if f.GetWhere() != "" {
			s += " (" + spoken(f.GetWhere()) + ")"
		}
		seen = append(seen, s)
	}
	text := spoken(t.GetMethod()) + ": " + strings.Join(seen, ", ")
	if computed != nil {
		read := []string{or(spoken(computed.GetOutcome()), "no word fits")}
		for _, o := range computed.GetAlso() {
			read = append(read, spoken(o))
		}
		if len(seen) > 0 {
			text += "; computed from its readings: " + strings.Join(read, ", ")
		} else {
			text += strings.Join(read, ", ") + ", computed from its readings"
		}
	}
	if len(t.GetLookedFor()) > 0 {
		text += "; looked for " + words(t.GetLookedFor())
	}
	if s := t.GetSample(); s != nil && s.Tested != nil && s.Of != nil {
		text += fmt.Sprintf("; %s of %s tested", count(s.GetTested()), count(s.GetOf()))
		if s.Positive != nil {
			text += fmt.Sprintf(", %s showed it", count(s.GetPositive()))
		}
	}
	if c := t.GetConditions(); len(c) > 0 {
		var keys []string
		for k := range c {
			keys = append(keys, k)
		}
		sort.Strings(keys)
		for i, k := range keys {
			keys[i] = k + " " + c[k]
		}
		text += "; " + strings.Join(keys, ", ")
	}
	return text
}

func partOf(p *pb.PartOf) string {
	if p == nil {
		return ""
	}
	return "of it " + p.GetLot() + " (" + amount(p.Pieces, p.GetMass()) + ")"
}

func claims(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return "as " + strings.Join(list, ", ")
}

func words(list []string) string {
	said := make([]string, len(list))
	for i, w := range list {
		said[i] = spoken(w)
	}
	return strings.Join(said, ", ")
}

func millimetres(list []float64) string {
	if len(list) == 0 {
		return ""
	}
	parts := make([]string, len(list))
	for i, d := range list {
		parts[i] = fmt.Sprint(d)
	}
	return together(strings.Join(parts, " × ") + " mm")
}

// one counts things: "1 stone", "3 stones".
func one(n int, names ...string) string {
	if n == 1 {
		return "1 " + names[0]
	}
	if len(names) > 1 {
		return fmt.Sprintf("%d %s", n, names[1])
	}
	return fmt.Sprintf("%d %ss", n, names[0])
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
