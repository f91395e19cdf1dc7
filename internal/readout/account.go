package readout

import (
	"fmt"
	"strings"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/table"
)

// Account sets a lot's account.
func Account(p *table.Page, a *pb.GetLotResponse) {
	p.Heading("Lot " + a.GetLot())
	stateTone := table.Plain
	if a.GetState() == "OPEN" {
		stateTone = table.Good
	}
	purpose := ""
	if a.GetPurpose() != "" {
		purpose = " (for " + spoken(a.GetPurpose()) + ")"
	}
	p.Pairs(
		table.Pair{Name: "state", Value: spoken(a.GetState()), Tone: stateTone},
		table.Pair{Name: "material", Value: material(a.GetMaterial())},
		table.Pair{Name: "form", Value: spoken(a.GetForm())},
		table.Pair{Name: "pieces", Value: piecesOrNot(a.Pieces)},
		table.Pair{Name: "mass", Value: massTwice(a.GetMass(), a.GetMassMicrograms())},
		table.Pair{Name: "weighed", Value: spoken(a.GetMoisture())},
		table.Pair{Name: "owner", Value: a.GetOwner()},
		table.Pair{Name: "holder", Value: a.GetHolder() + purpose},
		table.Pair{Name: "waiting", Value: pending(a.GetPending()), Tone: table.Warn},
		table.Pair{Name: "set in", Value: a.GetSetIn()},
		table.Pair{Name: "opened", Value: phrase(when(a.GetOpenedAt()), a.GetOpenedBy())},
		table.Pair{Name: "closed by", Value: a.GetClosedBy()},
		table.Pair{Name: "made from", Value: strings.Join(a.GetParents(), ", ")},
		table.Pair{Name: "made into", Value: listed(a.GetChildren(), a.GetChildCount())},
		table.Pair{Name: "handle", Value: strings.Join(append([]string{a.GetHandle()}, a.GetHandles()...), ", ")},
	)
	if len(a.GetWeighings()) > 0 {
		p.Heading("Weighings")
		t := table.New(table.Column{Head: "when"}, table.Column{Head: "mass", Right: true}, table.Column{Head: "scale step", Right: true},
			table.Column{Head: "moisture"}, table.Column{Head: "pieces", Right: true}, table.Column{Head: "event"})
		for _, w := range a.GetWeighings() {
			mass, step := w.GetMass(), ""
			if mass == "" {
				mass = opal.FormatGrams(w.GetMassMicrograms()) + " (computed)"
			} else {
				step = stepOf(mass, w.GetStepMicrograms())
			}
			t.Row(table.C(when(w.GetOccurredAt())), table.C(mass), table.C(step), table.C(spoken(w.GetMoisture())), table.C(mayCount(w.Pieces)),
				table.Cell{Text: w.GetEvent(), Tone: table.Quiet})
		}
		p.Table(t)
	}
	Findings(p, "Findings", a.GetFindings())
	position(p, a.GetPosition())
}

// Findings sets what judging noticed; nothing at all where there is none.
func Findings(p *table.Page, heading string, list []*pb.Finding) {
	if len(list) == 0 {
		return
	}
	p.Heading(heading)
	t := table.New(table.Column{Head: "finding"}, table.Column{Head: "lot"}, table.Column{Head: "what", Wrap: true})
	for _, f := range list {
		t.Row(table.Cell{Text: spoken(f.GetCode()), Tone: findingTone(f.GetCode())}, table.C(f.GetLot()), table.C(f.GetText()))
	}
	p.Table(t)
}

func position(p *table.Page, n int64) {
	p.Blank()
	p.Line(table.Quiet, fmt.Sprintf("As of position %s of the log.", count(n)))
}

func material(m *pb.Material) string {
	tone := ""
	if m.GetBodyTone() != 0 {
		tone = fmt.Sprintf("body tone %d of 9", m.GetBodyTone())
	}
	return phrase(spoken(m.GetKind()), spoken(m.GetLook()), m.GetBodyColour(), tone)
}

func piecesOrNot(n *int32) string {
	if n == nil {
		return "not counted"
	}
	return count(*n)
}

// massTwice shows the mass as recorded and in the other unit of the trade.
func massTwice(recorded string, micrograms int64) string {
	other := opal.FormatCarats(micrograms)
	if strings.HasSuffix(recorded, "ct") {
		other = opal.FormatGrams(micrograms)
	}
	if recorded == "" {
		return other
	}
	return recorded + "  (" + other + ")"
}

// stepOf writes the scale's step in the unit of the mass.
func stepOf(mass string, micrograms int64) string {
	switch {
	case micrograms == 0:
		return ""
	case strings.HasSuffix(mass, "ct"):
		return shortest(opal.FormatCarats(micrograms))
	}
	return shortest(opal.FormatGrams(micrograms))
}

// shortest takes zeros off the end of the decimals.
func shortest(s string) string {
	number, unit, _ := strings.Cut(s, " ")
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	return number + " " + unit
}

func pending(w *pb.Pending) string {
	if w == nil {
		return ""
	}
	what := "sold by " + w.GetFrom()
	if w.GetKind() != "sold" {
		what = "handed over by " + w.GetFrom() + " for " + spoken(w.GetPurpose())
	}
	return fmt.Sprintf("%s on %s to %s, who has not answered", what, when(w.GetSince()), w.GetTo())
}

// listed shows the first of many names.
func listed(names []string, total int32) string {
	const shown = 12
	if len(names) == 0 {
		return ""
	}
	kept := names[:min(len(names), shown)]
	text := strings.Join(kept, ", ")
	if more := max(int(total), len(names)) - len(kept); more > 0 {
		text += fmt.Sprintf(" and %s more", count(more))
	}
	return text
}
