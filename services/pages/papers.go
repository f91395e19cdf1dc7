package pages

import (
	"fmt"
	"html/template"
	"net/url"
	"strconv"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/label"
)

// paperView fills the page that is printed.
type paperView struct {
	Pages  []template.HTML
	Sheets []string
	Sheet  string
	Skip   int
	Lots   []string
	Roll   bool
	Parcel bool
	Size   string // the style of the paper
}

// mostPrinted bounds what one page prints.
const mostPrinted = 200

// labels prints labels of lots.
func (p *Pages) labels(v *visit) (*answer, error) {
	q := v.URL.Query()
	lots := q["lot"]
	if len(lots) == 0 || len(lots) > mostPrinted {
		return nil, fault.New(fault.InvalidField, "lot", "found %d lots, accepted are 1 to %d", len(lots), mostPrinted)
	}
	out := &paperView{Sheet: q.Get("sheet"), Lots: lots}
	for _, s := range label.Sheets() {
		out.Sheets = append(out.Sheets, s.Name)
	}
	if out.Sheet == "" {
		out.Sheet = out.Sheets[0]
	}
	if text := q.Get("skip"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			return nil, fault.New(fault.InvalidField, "skip", "found %q, accepted is how many places of the sheet are used up", text)
		}
		out.Skip = n
	}
	var list []label.Label
	for _, lot := range lots {
		l, _, _, err := p.labelOf(v, lot)
		if err != nil {
			return nil, err
		}
		list = append(list, *l)
	}
	var pages []label.Page
	var err error
	if out.Roll = out.Sheet == "roll"; out.Roll {
		pages, err = label.OnRoll(list)
	} else if s, f := label.SheetByName(out.Sheet); f != nil {
		return nil, f
	} else {
		pages, err = label.OnSheets(s, list, out.Skip)
	}
	if err != nil {
		return nil, err
	}
	for _, page := range pages {
		out.Pages = append(out.Pages, template.HTML(page.SVG))
	}
	out.Size = "a4.css"
	if out.Roll {
		out.Size = "roll.css"
	}
	return &answer{template: "papers", title: v.look.text("papers.labels"), data: out}, nil
}

// labelOf gathers what stands on a lot's label.
func (p *Pages) labelOf(v *visit, lot string) (*label.Label, *pb.GetLotResponse, *pb.GetDisclosureResponse, error) {
	a, err := p.status.GetLot(v.ctx, &pb.GetLotRequest{Lot: lot})
	if err != nil {
		return nil, nil, nil, err
	}
	market := "INTL"
	told, err := p.status.GetDisclosure(v.ctx, &pb.GetDisclosureRequest{Lot: lot, Market: &market, MinPosition: &a.Position})
	if err != nil {
		return nil, nil, nil, err
	}
	if a.GetHandle() == "" {
		return nil, nil, nil, fault.New(fault.UnknownHandle, "lot", "found %s, all of whose codes were revoked; accepted is a lot with a code: POST /v1/lots/%s/handles makes one", lot, lot)
	}
	amount := a.GetMass()
	if a.Pieces != nil {
		amount = v.look.counted("pieces", int(a.GetPieces())) + ", " + amount
	}
	what := v.look.word("material", a.GetMaterial().GetKind())
	if a.GetForm() != "" {
		what += ", " + v.look.word("form", a.GetForm())
	}
	return &label.Label{
		Lot: lot, Link: v.address() + "/s/" + a.GetHandle(), What: what, Amount: amount, Status: told.GetShort(), Elsewhere: v.look.text("papers.elsewhere"),
		Printed: v.look.date(p.cfg.Now().UTC().Format(time.DateOnly)),
	}, a, told, nil
}

// label leads to the label of one lot.
func (p *Pages) label(v *visit) (*answer, error) {
	return nil, redirect("/labels?" + url.Values{"lot": {v.PathValue("lot")}}.Encode())
}

// parcel prints the folded paper of a parcel.
func (p *Pages) parcel(v *visit) (*answer, error) {
	l, a, told, err := p.labelOf(v, v.PathValue("lot"))
	if err != nil {
		return nil, err
	}
	status, err := p.status.GetStatus(v.ctx, &pb.GetStatusRequest{Lot: l.Lot, MinPosition: &a.Position})
	if err != nil {
		return nil, err
	}
	c := v.look.catalog
	paper := label.Paper{
		Label: *l, Care: told.GetCare(), Notes: told.GetNotes(),
		Titles: label.PaperTitles{
			Known: c.text("stone.known"), Told: c.text("papers.told"), Care: c.text("told.care"), Fold: c.text("papers.fold"),
			Front: c.text("papers.front"), Back: c.text("papers.back"), Flap: c.text("papers.flap"),
		},
		Facts: []label.Fact{{Name: c.text("fact.holder"), Value: a.GetHolder()}, {Name: c.text("fact.owner"), Value: a.GetOwner()}},
	}
	for _, t := range verdictsOf(status.GetTreatments()) {
		paper.Known = append(paper.Known, fmt.Sprintf("%s: %s. %s", c.word("treatment", t.GetTreatment()), c.word("verdict", t.Words), t.GetStatement()))
	}
	for _, d := range told.GetMust() {
		paper.Told = append(paper.Told, d.GetText()+" ["+d.GetSection()+"]")
	}
	paper.Told = append(paper.Told, told.GetUnsettled()...)
	page, err := label.Fold(paper)
	if err != nil {
		return nil, err
	}
	return &answer{template: "papers", title: c.text("papers.parcel", l.Lot), data: &paperView{Pages: []template.HTML{template.HTML(page.SVG)}, Parcel: true, Lots: []string{l.Lot}, Size: "a4.css"}}, nil
}
