package pages

import (
	"encoding/csv"
	"net/http"
	"net/url"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// lotsView fills the overview of a party's lots.
type lotsView struct {
	Lots    []*pb.LotSummary
	Waiting []*pb.LotSummary
	Sent    []*pb.LotSummary
	Alerts  []*pb.ListedAlert
	More    bool // older alerts
	Filter  lotsFilter
	Next    string
	First   string // the address of the first page, where this is another
	CSV     string
	States  []string
	Kinds   []string
}

// lotsFilter is what the form of the overview asks for.
type lotsFilter struct {
	Show     string // held, owned, waiting, sent or all
	State    string
	Material string
	Verdict  string
}

// shows are the choices of whose lots are listed.
var shows = []string{"held", "owned", "waiting", "sent", "all"}

const lotsOnAPage = 100

// lots is the overview.
func (p *Pages) lots(v *visit) (*answer, error) {
	q := v.URL.Query()
	f := lotsFilter{Show: q.Get("show"), State: q.Get("state"), Material: q.Get("material"), Verdict: q.Get("verdict")}
	if !slices.Contains(shows, f.Show) {
		f.Show = "held"
	}
	if !q.Has("state") && f.Show != "all" {
		f.State = "OPEN"
	}
	if q.Get("format") == "csv" {
		return nil, p.lotsCSV(v, f)
	}
	in := f.request()
	in.PageSize, in.PageToken = proto.Int32(lotsOnAPage), given(q.Get("page"))
	list, err := p.status.ListLots(v.ctx, in)
	if err != nil {
		return nil, err
	}
	at := &list.Position
	out := &lotsView{Lots: list.GetLots(), Filter: f, States: []string{"OPEN", "SPLIT", "CUT", "COMBINED", "CLOSED", "VOID"}, CSV: f.address("csv", "")}
	for _, k := range opal.AllMaterialKinds() {
		out.Kinds = append(out.Kinds, string(k))
	}
	if token := list.GetNextPageToken(); token != "" {
		out.Next = f.address("", token)
	}
	if q.Get("page") != "" {
		out.First = f.address("", "")
		return &answer{template: "lots", title: v.look.text("lots.title"), data: out}, nil
	}
	alerts, err := p.status.ListAlerts(v.ctx, &pb.ListAlertsRequest{PageSize: proto.Int32(8), MinPosition: at})
	if err != nil {
		return nil, err
	}
	out.Alerts, out.More = alerts.GetAlerts(), alerts.GetNextPageToken() != ""
	for who, list := range map[string]*[]*pb.LotSummary{"me": &out.Waiting, "others": &out.Sent} {
		if f.Show == "waiting" || f.Show == "sent" {
			break
		}
		waits, err := p.status.ListLots(v.ctx, &pb.ListLotsRequest{Pending: &who, PageSize: proto.Int32(20), MinPosition: at})
		if err != nil {
			return nil, err
		}
		*list = waits.GetLots()
	}
	return &answer{template: "lots", title: v.look.text("lots.title"), data: out}, nil
}

// request is what the filter asks the service.
func (f lotsFilter) request() *pb.ListLotsRequest {
	in := &pb.ListLotsRequest{State: given(f.State), Material: given(f.Material)}
	switch f.Show {
	case "held":
		in.Holder = proto.String("me")
		in.Verdict = given(f.Verdict)
	case "owned":
		in.Owner = proto.String("me")
	case "waiting":
		in.Pending = proto.String("me")
	case "sent":
		in.Pending = proto.String("others")
	}
	return in
}

// address gives the page of a filter.
func (f lotsFilter) address(format, page string) string {
	q := url.Values{"show": {f.Show}, "state": {f.State}}
	for name, value := range map[string]string{"material": f.Material, "verdict": f.Verdict, "format": format, "page": page} {
		if value != "" {
			q.Set(name, value)
		}
	}
	return "/lots?" + q.Encode()
}

func given(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// lotsCSV writes all lots of a filter as a sheet (RFC 4180). A cell that a spreadsheet would take for a formula begins with an apostrophe.
func (p *Pages) lotsCSV(v *visit, f lotsFilter) error {
	var out *csv.Writer
	var page *string
	for {
		in := f.request()
		in.PageSize, in.PageToken = proto.Int32(1000), page
		list, err := p.status.ListLots(v.ctx, in)
		if err != nil && out == nil {
			return err
		}
		if err != nil {
			panic(http.ErrAbortHandler) // the sheet has begun: a reader must see that it is not whole
		}
		if out == nil {
			h := v.w.Header()
			h.Set("Content-Type", "text/csv; charset=utf-8")
			h.Set("Content-Disposition", `attachment; filename="lots.csv"`)
			h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
			out = csv.NewWriter(v.w)
			out.UseCRLF = true
			_ = out.Write([]string{"lot", "state", "material", "form", "pieces", "mass", "massMicrograms", "owner", "holder", "pendingTo"})
		}
		for _, l := range list.GetLots() {
			pieces := ""
			if l.Pieces != nil {
				pieces = plain(int64(l.GetPieces()))
			}
			row := []string{l.GetLot(), l.GetState(), l.GetMaterial(), l.GetForm(), pieces, l.GetMass(), plain(l.GetMassMicrograms()), l.GetOwner(), l.GetHolder(), l.GetPendingTo()}
			for i := range row {
				row[i] = readout.Cell(row[i])
			}
			_ = out.Write(row)
		}
		if out.Flush(); out.Error() != nil {
			return errSent
		}
		if list.GetNextPageToken() == "" {
			return errSent
		}
		page = proto.String(list.GetNextPageToken())
	}
}
