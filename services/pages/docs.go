package pages

import (
	"cmp"
	_ "embed" // the reasons
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	internal "github.com/lotpaper/lotpaper/internal"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

//go:embed docs/reasons.txt
var reasonFile string

// apiView fills the page for programs.
type apiView struct {
	Groups  []apiGroup
	Schemas []apiSchema
	Files   []apiRoute
	Address string
}

type apiGroup struct {
	Name       string
	Operations []apiOperation
}

// apiOperation is one route.
type apiOperation struct {
	ID, Method, Path, Summary string
	Parameters                []apiField
	Body, Answer              string // names of schemas
	Curl                      string
}

// apiField is a parameter, or a field of a schema.
type apiField struct {
	Name, In, Type, Ref, Description string
	Required                         bool
}

type apiSchema struct {
	Name, Description string
	Fields            []apiField
}

// apiRoute is a route that gives files or streams, which the document of the others cannot describe.
type apiRoute struct{ Method, Path, Says string }

// reasonView is one reason of a refusal.
type reasonView struct {
	Reason, Means, Do string
	HTTP              int
	GRPC              string
	Example           string
}

// The parts of an OpenAPI 2.0 document that are shown.
type swagger struct {
	Paths map[string]map[string]struct {
		Summary     string
		OperationID string
		Tags        []string
		Parameters  []struct {
			Name, In, Description, Type string
			Required                    bool
			Schema                      *swaggerSchema
			Items                       *swaggerSchema
		}
		Responses map[string]struct{ Schema *swaggerSchema }
	}
	Definitions map[string]*swaggerSchema
}

type swaggerSchema struct {
	Ref         string `json:"$ref"`
	Type        string
	Format      string
	Title       string
	Description string
	Items       *swaggerSchema
	Properties  map[string]*swaggerSchema
}

// says gives the text of a schema: the generator parts the first sentence off as its title.
func (s *swaggerSchema) says() string {
	return strings.TrimSpace(strings.TrimSpace(s.Title) + " " + s.Description)
}

// what says what a schema is, and which other it refers to.
func (s *swaggerSchema) what() (text, ref string) {
	switch {
	case s == nil:
		return "", ""
	case s.Ref != "":
		ref = strings.TrimPrefix(s.Ref, "#/definitions/")
		return ref, ref
	case s.Type == "array":
		text, ref = s.Items.what()
		return "list of " + text, ref
	case s.Format == "int64":
		return "whole number, as a string", ""
	case s.Format != "":
		return s.Format, ""
	}
	return s.Type, ""
}

// readAPI reads the document once.
func readAPI() (*apiView, error) {
	var doc swagger
	if err := json.Unmarshal(internal.OpenAPI, &doc); err != nil {
		return nil, fmt.Errorf("read the OpenAPI document: %w", err)
	}
	out := &apiView{Files: []apiRoute{
		{"POST", "/v1/attachments", "stores a file: the body is the file, Content-Type what it is, Content-Digest what its SHA-256 must be"},
		{"GET", "/v1/attachments/{sha256}", "gives it out; lot= names the lot because of which"},
		{"GET", "/v1/watch?lot=|holder=me|sold=me", "server-sent events: what happens, and alerts; goes on behind Last-Event-ID"},
		{"GET", "/v1/lots/{lot}/proof", "the record of a lot as one file that can be checked offline"},
		{"GET", "/v1/stones/{handle}/proof", "the same by the code of a label, for anybody"},
		{"GET", "/v1/stones/{handle}/pictures/{sha256}", "a picture on a stone's public record"},
		{"GET", "/log/checkpoint", "the log's signed checkpoint (C2SP tlog-checkpoint)"},
		{"GET", "/log/tile/…", "its tiles (C2SP tlog-tiles)"},
		{"POST", "/session", "begins a browser's session with a token; GET tells it with its csrfToken, DELETE ends it"},
		{"GET", "/healthz", "200 once everything can be answered"},
	}}
	groups := map[string]*apiGroup{}
	for path, methods := range doc.Paths {
		for method, op := range methods {
			o := apiOperation{ID: op.OperationID, Method: strings.ToUpper(method), Path: path, Summary: op.Summary}
			for _, p := range op.Parameters {
				if p.In == "body" {
					_, o.Body = p.Schema.what()
					continue
				}
				o.Parameters = append(o.Parameters, apiField{Name: p.Name, In: p.In, Type: p.Type, Description: p.Description, Required: p.Required})
			}
			_, o.Answer = op.Responses["200"].Schema.what()
			name := op.Tags[0]
			if groups[name] == nil {
				groups[name] = &apiGroup{Name: strings.TrimSuffix(name, "Service")}
			}
			groups[name].Operations = append(groups[name].Operations, o)
		}
	}
	for _, g := range groups {
		slices.SortFunc(g.Operations, func(a, b apiOperation) int {
			return cmp.Or(cmp.Compare(a.Path, b.Path), cmp.Compare(a.Method, b.Method))
		})
		out.Groups = append(out.Groups, *g)
	}
	slices.SortFunc(out.Groups, func(a, b apiGroup) int { return cmp.Compare(a.Name, b.Name) })
	for name, d := range doc.Definitions {
		s := apiSchema{Name: name, Description: d.says()}
		for field, f := range d.Properties {
			text, ref := f.what()
			s.Fields = append(s.Fields, apiField{Name: field, Type: text, Ref: ref, Description: f.says()})
		}
		slices.SortFunc(s.Fields, func(a, b apiField) int { return cmp.Compare(a.Name, b.Name) })
		out.Schemas = append(out.Schemas, s)
	}
	slices.SortFunc(out.Schemas, func(a, b apiSchema) int { return cmp.Compare(a.Name, b.Name) })
	return out, nil
}

// docs is the page for programs.
func (p *Pages) docs(v *visit) (*answer, error) {
	out := *p.api
	out.Address = v.address()
	for i := range out.Groups {
		out.Groups[i].Operations = slices.Clone(out.Groups[i].Operations)
		for j := range out.Groups[i].Operations {
			o := &out.Groups[i].Operations[j]
			o.Curl = "curl"
			if !strings.HasPrefix(o.Path, "/v1/stones/") && !strings.Contains(o.Path, "/v1/samples:") && !strings.Contains(o.Path, "/v1/assays:") && !strings.HasPrefix(o.Path, "/v1/log") {
				o.Curl += ` -H "Authorization: Bearer $LOTPAPER_TOKEN"`
			}
			if o.Method != "GET" && o.Method != "POST" {
				o.Curl += " -X " + o.Method
			}
			if o.Body != "" {
				o.Curl += " -d '{…}'"
			}
			o.Curl += " '" + out.Address + strings.NewReplacer("{", "", "}", "", "=*/*", "").Replace(o.Path) + "'"
		}
	}
	return &answer{template: "docs", title: v.look.text("docs.title"), data: &out}, nil
}

// openAPI gives the document itself.
func (p *Pages) openAPI(v *visit) (*answer, error) {
	v.w.Header().Set("Content-Type", "application/json")
	if v.Method != http.MethodHead {
		_, _ = v.w.Write(internal.OpenAPI)
	}
	return nil, errSent
}

// readReasons reads what each reason means.
func readReasons() ([]reasonView, error) {
	var out []reasonView
	for line := range strings.Lines(reasonFile) {
		if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
			continue
		}
		reason, rest, ok := strings.Cut(line, " = ")
		means, do, both := strings.Cut(rest, " | ")
		if !ok || !both {
			return nil, fmt.Errorf("the reasons: found %q, accepted is REASON = what it means. | What to do", line)
		}
		f := fault.New(fault.Reason(reason), "field", "found …, accepted is …")
		s := status.Convert(rpc.StatusFor(f, "h-0123456789abcdef"))
		r := reasonView{Reason: reason, Means: means, Do: do, HTTP: httpStatus(fault.Reason(reason), s.Code()), GRPC: s.Code().String()}
		body, err := json.MarshalIndent(map[string]any{
			"code": int(s.Code()), "message": s.Message(),
			"details": []any{map[string]any{"@type": "type.googleapis.com/google.rpc.ErrorInfo", "reason": reason, "domain": "lotpaper", "metadata": map[string]string{"field": "field"}}},
		}, "", "  ")
		if err != nil {
			return nil, err
		}
		r.Example = string(body)
		out = append(out, r)
	}
	return out, nil
}

// httpStatus is the status of a refusal over REST.
func httpStatus(reason fault.Reason, code codes.Code) int {
	switch reason {
	case fault.MethodNotAllowed:
		return http.StatusMethodNotAllowed
	case fault.DiskReserve:
		return http.StatusInsufficientStorage
	}
	switch code {
	case codes.InvalidArgument, codes.FailedPrecondition:
		return http.StatusBadRequest
	case codes.Unauthenticated:
		return http.StatusUnauthorized
	case codes.PermissionDenied:
		return http.StatusForbidden
	case codes.NotFound:
		return http.StatusNotFound
	case codes.AlreadyExists, codes.Aborted:
		return http.StatusConflict
	case codes.ResourceExhausted:
		return http.StatusTooManyRequests
	case codes.Unavailable:
		return http.StatusServiceUnavailable
	}
	return http.StatusInternalServerError
}

// reasonsPage lists the reasons of refusals, or tells of one.
func (p *Pages) reasonsPage(v *visit) (*answer, error) {
	one := v.PathValue("reason")
	if one == "" {
		return &answer{template: "reasons", title: v.look.text("docs.errors"), data: p.reasons}, nil
	}
	for i := range p.reasons {
		if p.reasons[i].Reason == one {
			return &answer{template: "reasons", title: one, data: p.reasons[i : i+1]}, nil
		}
	}
	return nil, fault.New(fault.NoRoute, "", "found no reason %.60q; /docs/errors lists them", one)
}

// terms is where the extensions of exported documents are named.
func (p *Pages) terms(v *visit) (*answer, error) {
	v.w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = io.WriteString(v.w, "The words below this address are the fields of events of this service: see /docs, schema Event.\n")
	return nil, errSent
}
