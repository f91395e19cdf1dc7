package pages

import (
	"context"
	"errors"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/disclosure"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// lotView fills the page of a lot.
type lotView struct {
	*pb.GetLotResponse
	Status    *pb.GetStatusResponse
	Verdicts  []verdictView
	Told      *pb.GetDisclosureResponse
	Markets   []marketLink
	Events    []eventView
	Truncated bool
	Next      *pb.GetNextTestsResponse
	Relatives relatives
	Actions   []action
	Link      string
	QR        template.HTML
	Curl      []string
}

// action is something that this party may do with a lot now.
type action struct{ Do, Href string }

// eventView is one event of a lot's history.
type eventView struct {
	*pb.Event
	Kind, Text string
	Own        bool   // of this lot, and not of one that it was made of
	Plot       string // where its measurement is drawn
	Alt        string
	Pictures   []pictureView
	Files      []pictureView
}

// pictureView is a file of an event.
type pictureView struct{ Href, Name string }

// relatives are what a lot came from and what was made of it.
type relatives struct {
	Lots      int
	SVG       template.HTML
	Groups    []relativeGroup
	Truncated bool
}

// relativeGroup is some relatives that are alike.
type relativeGroup struct {
	Label string
	Lots  []*pb.LineageLot
}

// mostRelatives is how many descendants the drawing asks for.
const mostRelatives = 300

// lot is the page of a lot for parties.
func (p *Pages) lot(v *visit) (*answer, error) {
	lot := v.PathValue("lot")
	a, err := p.status.GetLot(v.ctx, &pb.GetLotRequest{Lot: lot})
	if err != nil {
		return nil, err
	}
	at := &a.Position
	out := &lotView{GetLotResponse: a, Actions: actionsOn(a, v.Party)}
	if out.Status, err = p.status.GetStatus(v.ctx, &pb.GetStatusRequest{Lot: lot, MinPosition: at}); err != nil {
		return nil, err
	}
	out.Verdicts = verdictsOf(out.Status.GetTreatments())
	market := v.URL.Query().Get("market")
	if !slices.Contains(disclosure.Markets(), market) {
		market = "INTL"
	}
	if out.Told, err = p.status.GetDisclosure(v.ctx, &pb.GetDisclosureRequest{Lot: lot, Market: &market, MinPosition: at}); err != nil {
		return nil, err
	}
	for _, m := range disclosure.Markets() {
		out.Markets = append(out.Markets, marketLink{m, v.look.word("market", m), lotPath(lot) + "?market=" + m + "#told", m == market})
	}
	if a.GetState() == "OPEN" {
		if out.Next, err = p.status.GetNextTests(v.ctx, &pb.GetNextTestsRequest{Lot: lot, MinPosition: at}); err != nil {
			return nil, err
		}
	}
	events, truncated, err := eventsOf(v.ctx, func(ctx context.Context, token *string) (*pb.GetHistoryResponse, error) {
		return p.status.GetHistory(ctx, &pb.GetHistoryRequest{Lot: lot, PageSize: proto.Int32(mostSteps), PageToken: token, MinPosition: at})
	})
	if err != nil {
		return nil, err
	}
	out.Truncated = truncated
	for _, e := range events {
		out.Events = append(out.Events, viewOf(e, lot))
	}
	slices.Reverse(out.Events) // the newest is what a party looks for
	lineage, err := p.status.GetLineage(v.ctx, &pb.GetLineageRequest{Lot: lot, Descendants: proto.Int32(mostRelatives), MinPosition: at})
	if err != nil {
		return nil, err
	}
	out.Relatives = relativesOf(v.look.catalog, lot, lineage)
	out.Link = v.address() + "/s/" + a.GetHandle()
	if a.GetHandle() != "" {
		if out.QR, err = qrCode(out.Link); err != nil {
			return nil, err
		}
	}
	for _, path := range []string{"", "/status", "/history", "/lineage"} {
		out.Curl = append(out.Curl, `curl -H "Authorization: Bearer $LOTPAPER_TOKEN" `+v.address()+"/v1/lots/"+lot+path)
	}
	return &answer{template: "lot", title: v.look.text("lot.title", lot), data: out}, nil
}

// actionsOn lists what a party may do with a lot. The service decides; this only keeps from offering what it would refuse.
func actionsOn(a *pb.GetLotResponse, party string) (list []action) {
	do := func(names ...string) {
		for _, n := range names {
			list = append(list, action{n, "/bench?" + url.Values{"do": {n}, "lot": {a.GetLot()}}.Encode()})
		}
	}
	p := a.GetPending()
	switch {
	case p != nil && p.GetTo() == party:
		do("received", "refused")
	case p != nil && p.GetFrom() == party:
		do("cameback")
	case a.GetState() == "OPEN" && a.GetHolder() == party:
		do("split", "cut", "tested", "treated", "handedOver", "sold", "described", "counted", "nothingDone")
	case a.GetState() != "VOID":
		do("tested", "treated")
	}
	return list
}

func viewOf(e *pb.Event, lot string) eventView {
	v := eventView{Event: e, Kind: readout.Kind(e), Text: readout.Tells(e), Own: e.GetLot() == lot}
	if m := e.GetTested().GetMeasurement(); m.GetUptake() != nil || m.GetSpectrum() != nil {
		v.Plot = lotPath(lot) + "/plots/" + e.GetEvent()
		v.Alt = readout.Tells(e)
	}
	for _, x := range e.GetAttachments() {
		f := pictureView{Href: "/v1/attachments/" + x.GetSha256() + "?" + url.Values{"lot": {lot}}.Encode(), Name: x.GetName()}
		if f.Name == "" {
			f.Name = x.GetMediaType()
		}
		if x.GetMediaType() == "image/jpeg" || x.GetMediaType() == "image/png" {
			v.Pictures = append(v.Pictures, f)
		} else {
			v.Files = append(v.Files, f)
		}
	}
	return v
}

// errSent is no error: the answer was sent in another form than a page.
var errSent = errors.New("the answer was sent")

// plot draws the measurement of one test.
func (p *Pages) plot(v *visit) (*answer, error) {
	lot, id := v.PathValue("lot"), v.PathValue("party")+"/"+v.PathValue("request")
	var event *pb.Event
	var token *string
	for event == nil {
		page, err := p.status.GetHistory(v.ctx, &pb.GetHistoryRequest{Lot: lot, PageSize: proto.Int32(1000), PageToken: token})
		if err != nil {
			return nil, err
		}
		for _, e := range page.GetEvents() {
			if e.GetEvent() == id {
				event = e
			}
		}
		if token = given(page.GetNextPageToken()); token == nil {
			break
		}
	}
	if event == nil {
		return nil, noPlot()
	}
	svg, err := p.draw(v, lot, event)
	if err != nil {
		return nil, err
	}
	h := v.w.Header()
	h.Set("Content-Type", "image/svg+xml")
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Cache-Control", "private, max-age=3600")
	if v.Method != http.MethodHead {
		_, _ = io.WriteString(v.w, svg)
	}
	return nil, errSent
}

// draw has the laboratory service draw an event's measurement as it was posted.
func (p *Pages) draw(v *visit, lot string, e *pb.Event) (string, error) {
	a, err := p.status.GetLot(v.ctx, &pb.GetLotRequest{Lot: lot})
	if err != nil {
		return "", err
	}
	m := e.GetTested().GetMeasurement()
	material := given(a.GetMaterial().GetKind())
	switch {
	case m.GetUptake() != nil:
		u := m.GetUptake()
		r, err := p.laboratory.ReadUptake(v.ctx, &pb.ReadUptakeRequest{
			DryMass: u.DryMass, Readings: u.Readings, DriedMass: u.DriedMass, WaterTemperatureCelsius: u.WaterTemperatureCelsius,
			TransparencyBefore: u.TransparencyBefore, TransparencyAfter: u.TransparencyAfter, Material: material,
		})
		return r.GetSvg(), err
	case m.GetSpectrum() != nil:
		in := &pb.ReadSpectrumRequest{Kind: given(e.GetTested().GetMethod()), Material: material}
		media, content, err := p.file(v, lot, m.GetSpectrum().GetSha256())
		if err != nil {
			return "", err
		}
		if media == "chemical/x-jcamp-dx" {
			in.Jcamp = &content
		} else {
			in.Columns = &content
		}
		r, err := p.laboratory.ReadSpectrum(v.ctx, in)
		return r.GetSvg(), err
	}
	return "", noPlot()
}

func noPlot() error {
	return status.Error(codes.NotFound, "found no measurement of this lot under this event; accepted is an event of its history that holds a curve")
}

// file reads an attachment that the visitor may read.
func (p *Pages) file(v *visit, lot, hash string) (media, content string, err error) {
	stream, err := p.files.GetAttachment(v.ctx, &pb.GetAttachmentRequest{Sha256: hash, Lot: &lot})
	if err != nil {
		return "", "", err
	}
	var all []byte
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return media, string(all), nil
		}
		if err != nil {
			return "", "", err
		}
		if m.MediaType != nil {
			media = m.GetMediaType()
		}
		all = append(all, m.GetChunk()...)
	}
}

func plain(n int64) string { return strconv.FormatInt(n, 10) }
