package readout

import (
	"fmt"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/table"
)

// Disclosure sets what a seller has to tell.
func Disclosure(p *table.Page, r *pb.GetDisclosureResponse) {
	p.Heading("To be told of " + r.GetLot() + ": " + r.GetMarketName())
	p.Text(2, table.Quiet, r.GetEdition())
	p.Blank()
	p.Hanging(2, 4, table.Strong, "On the label: "+r.GetShort())
	p.Hanging(2, 4, table.Plain, "On the invoice: "+r.GetLong())
	if len(r.GetMust()) > 0 {
		p.Heading("Must be told")
		for _, d := range r.GetMust() {
			p.Hanging(2, 4, table.Bad, "· "+d.GetText()+fmt.Sprintf(" (%s) [%s]", d.GetSection(), d.GetMark()))
		}
	}
	p.Heading("Not known, and to be said beside it")
	for _, s := range r.GetUnsettled() {
		p.Hanging(2, 4, table.Plain, "· "+s)
	}
	if len(r.GetMayNot()) > 0 {
		p.Heading("Words not to be used")
		for _, t := range r.GetMayNot() {
			p.Hanging(2, 4, table.Warn, fmt.Sprintf("· \"%s\": %s (%s) [%s]", t.GetTerm(), t.GetWhy(), t.GetSection(), t.GetMark()))
		}
	}
	for i, c := range r.GetCodes() {
		if i == 0 {
			p.Heading("Trade letters")
			p.Text(2, table.Quiet, c.GetList())
		}
		p.Hanging(2, 4, table.Plain, fmt.Sprintf("· %s: %s, here for %s", c.GetLetter(), c.GetMeaning(), spoken(c.GetTreatment())))
	}
	p.Heading("Care")
	for _, s := range r.GetCare() {
		p.Hanging(2, 4, table.Plain, "· "+s)
	}
	p.Blank()
	for _, s := range r.GetNotes() {
		p.Text(2, table.Quiet, s)
	}
	position(p, r.GetPosition())
}
