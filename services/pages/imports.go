package pages

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/sheet"
)

// importPath is where sheets are given in, and MaxSheet how large one may be there.
const (
	importPath = "/import"
	MaxSheet   = 8 << 20
)

// importView fills the page of sheets.
type importView struct{ Kinds []string }

// importPage is where sheets are given in.
func (p *Pages) importPage(v *visit) (*answer, error) {
	return &answer{template: "import", title: v.look.text("import.title"), data: &importView{sheet.Kinds()}}, nil
}

// template gives out the header row of a kind of event, as CSV or as a workbook.
func (p *Pages) template(v *visit) (*answer, error) {
	kind, ending, _ := strings.Cut(v.PathValue("file"), ".")
	heads, err := sheet.Template(kind)
	if err != nil || ending != "csv" && ending != "xlsx" {
		return nil, fault.New(fault.InvalidField, "file", "found %q, accepted is one of %s with .csv or .xlsx", v.PathValue("file"), strings.Join(sheet.Kinds(), ", "))
	}
	h := v.w.Header()
	h.Set("Content-Disposition", `attachment; filename="`+kind+"."+ending+`"`)
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	if ending == "csv" {
		h.Set("Content-Type", "text/csv; charset=utf-8")
		w := csv.NewWriter(v.w)
		_ = w.Write(heads)
		w.Flush()
		return nil, errSent
	}
	book, err := sheet.Workbook(kind)
	if err != nil {
		return nil, err
	}
	h.Set("Content-Type", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
	_, _ = v.w.Write(book)
	return nil, errSent
}

// sheetAnswer is what became of a sheet.
type sheetAnswer struct {
	Events   int            `json:"events"`
	Posted   int            `json:"posted"`
	Known    int            `json:"known"`
	Problems []sheetProblem `json:"problems"`
	Found    []sheetProblem `json:"found"` // what judging noticed
}

// sheetProblem is one thing about one row.
type sheetProblem struct {
	Row    int    `json:"row"`
	Column string `json:"column"`
	Says   string `json:"says"`
}

// takeSheet reads a sheet and, unless it is only to be looked at, posts its events: all or none.
func (p *Pages) takeSheet(v *visit) (*sheetAnswer, error) {
	data, err := io.ReadAll(v.Body)
	if err != nil {
		return nil, fault.New(fault.TooLarge, "", "the file could not be read to its end (%v); accepted are %d MiB", err, MaxSheet>>20)
	}
	entries, err := sheet.Read("", data)
	if err != nil {
		var list eventfile.Problems
		if !errors.As(err, &list) {
			return nil, err
		}
		out := &sheetAnswer{}
		for _, x := range list {
			out.Problems = append(out.Problems, sheetProblem{x.Line, x.Fault.Field, x.Fault.Message})
		}
		return out, nil
	}
	out := &sheetAnswer{Events: len(entries)}
	if v.Header.Get("X-Dry-Run") != "" { // a query has no place beside a body
		return out, nil
	}
	log, err := p.status.GetLog(v.ctx, &pb.GetLogRequest{})
	if err != nil {
		return nil, err
	}
	in := &pb.AppendBatchRequest{}
	for _, e := range entries {
		in.Events = append(in.Events, e.Event)
	}
	posted, err := p.intake.AppendBatch(v.ctx, in)
	if err != nil {
		var blamed *eventfile.Problem
		if f := faultOf(err); f != nil && errors.As(eventfile.Blame(entries, f), &blamed) {
			out.Problems = []sheetProblem{{blamed.Line, blamed.Fault.Field, blamed.Fault.Message}}
			return out, nil
		}
		return nil, err
	}
	for i, r := range posted.GetResults() {
		if r.GetPosition() < log.GetSize() {
			out.Known++
		} else {
			out.Posted++
		}
		for _, f := range r.GetFindings() {
			out.Found = append(out.Found, sheetProblem{entries[i].Line, f.GetCode(), f.GetText()})
		}
	}
	return out, nil
}

// faultOf reads the fault in a service's refusal; nil: it is none.
func faultOf(err error) *fault.Error {
	s, _ := status.FromError(err)
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return fault.New(fault.Reason(info.GetReason()), info.GetMetadata()["field"], "%s", s.Message())
		}
	}
	return nil
}

// imports serves the page of sheets and takes them in.
func (p *Pages) imports() http.Handler {
	page := p.signedIn(p.importPage)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodPost {
			page.ServeHTTP(w, r)
			return
		}
		v := p.visit(w, r)
		w.Header().Set("Content-Type", "application/json")
		say := func(code int, what any) {
			w.WriteHeader(code)
			_ = json.NewEncoder(w).Encode(what)
		}
		if v.Party == "" { // also if the value that goes with a session's change is missing
			say(http.StatusUnauthorized, map[string]string{"message": "found no session with its value, accepted is a change from a page of this service by who is signed in"})
			return
		}
		out, err := p.takeSheet(v)
		if err != nil {
			code, _, message := p.because(v, err)
			say(code, map[string]string{"message": message})
			return
		}
		say(http.StatusOK, out)
	})
}
