package pages

import (
	"context"
	"encoding/csv"
	"net/http"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/epcis"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/prov"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// export gives a lot's history out in a form of others.
func (p *Pages) export(v *visit) (*answer, error) {
	lot, format := v.PathValue("lot"), v.PathValue("format")
	form, ok := map[string]struct{ media, ending string }{
		"epcis": {"application/ld+json", ".jsonld"}, "prov": {"application/json", ".provjson.json"}, "csv": {"text/csv; charset=utf-8", ".csv"},
	}[format]
	if !ok {
		return nil, fault.New(fault.InvalidField, "format", "found %q, accepted is epcis, prov or csv", format)
	}
	var events []*pb.Event
	var token *string
	for {
		page, err := p.status.GetHistory(v.ctx, &pb.GetHistoryRequest{Lot: lot, PageSize: proto.Int32(1000), PageToken: token})
		if err != nil {
			return nil, err
		}
		events = append(events, page.GetEvents()...)
		if token = given(page.GetNextPageToken()); token == nil {
			break
		}
	}
	line, zone, err := p.around(v.ctx, lot, format)
	if err != nil {
		return nil, err
	}
	h := v.w.Header()
	h.Set("Content-Type", form.media)
	h.Set("Content-Disposition", `attachment; filename="`+lot+form.ending+`"`) // a lot that was found has no character that needs care
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	if v.Method == http.MethodHead {
		return nil, errSent
	}
	switch format {
	case "epcis":
		err = epcis.Write(v.w, events, epcis.Options{Base: v.address(), Created: p.cfg.Now(), Zone: zone})
	case "prov":
		err = prov.Write(v.w, line, events, v.address())
	default:
		out := csv.NewWriter(v.w)
		out.UseCRLF = true
		err = out.WriteAll(readout.Rows(events))
	}
	if err != nil {
		p.cfg.Logger.ErrorContext(v.ctx, "export ended early", "lot", lot, "format", format, "error", err)
		panic(http.ErrAbortHandler) // the answer has begun: a reader must see that it is not whole
	}
	return nil, errSent
}

// around gathers what a form needs beside the events.
func (p *Pages) around(ctx context.Context, lot, format string) (line *pb.GetLineageResponse, zone time.Duration, err error) {
	switch format {
	case "prov":
		line, err = p.status.GetLineage(ctx, &pb.GetLineageRequest{Lot: lot, Descendants: proto.Int32(1000)})
	case "epcis":
		var log *pb.GetLogResponse
		log, err = p.status.GetLog(ctx, &pb.GetLogRequest{})
		zone = time.Duration(log.GetPolicy().GetZoneMinutes()) * time.Minute
	}
	return line, zone, err
}
