package readout

import (
	"fmt"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/table"
)

// History sets the events that bear on a lot, oldest first; more tells that there are further pages.
func History(p *table.Page, lot string, events []*pb.Event, pinned int64, more bool) {
	p.Heading("History of " + lot)
	t := table.New(table.Column{Head: "position", Right: true}, table.Column{Head: "when"}, table.Column{Head: "lot"}, table.Column{Head: "party"},
		table.Column{Head: "event"}, table.Column{Head: "what", Wrap: true})
	for _, e := range events {
		tone := table.Plain
		text := Tells(e)
		switch {
		case e.WithdrawnBy != nil:
			tone = table.Quiet
			text += " [withdrawn later]"
		case e.CorrectedBy != nil:
			text += " [corrected later]"
		}
		if e.Doubtful != nil {
			text += " [doubtful: " + e.GetDoubtful() + "]"
		}
		for _, s := range e.GetSignedBy() {
			switch s.GetParty() {
			case "admin", "": // posted with the party's token, as most are
			case e.GetParty():
				text += " [signed with its own key]"
			default:
				text += " [signed by " + s.GetParty() + " too]"
			}
		}
		for _, f := range e.GetFindings() {
			text += " [" + spoken(f.GetCode()) + "]"
		}
		t.Row(table.Cell{Text: count(e.GetPosition()), Tone: table.Quiet}, table.C(when(e.GetOccurredAt())), table.C(e.GetLot()), table.C(e.GetParty()),
			table.C(Kind(e)), table.Cell{Text: text, Tone: tone})
	}
	p.Table(t)
	if more {
		p.Blank()
		p.Line(table.Warn, fmt.Sprintf("There are more; --limit shows more than %d.", len(events)))
	}
	position(p, pinned)
}

// Notice says in one line what a watch told.
func Notice(n *pb.WatchResponse) string {
	switch {
	case n.GetAlert() != nil:
		return "alert: " + n.GetAlert().GetText() + " " + n.GetAlert().GetLink()
	case n.GetStatus() != nil:
		text := n.GetStatus().GetLot() + " changes:"
		for _, c := range n.GetStatus().GetChanges() {
			before, _ := verdict(c.GetBefore())
			after, _ := verdict(c.GetAfter())
			text += " " + spoken(c.GetTreatment()) + ": " + before + " → " + after + ";"
		}
		return text + " by " + Kind(n.GetEvent()) + " of " + n.GetEvent().GetParty()
	}
	e := n.GetEvent()
	return when(e.GetOccurredAt()) + "  " + e.GetLot() + "  " + Kind(e) + " by " + e.GetParty() + ": " + Tells(e)
}
