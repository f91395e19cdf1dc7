package pages

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

//go:embed templates/*.html
var templateFiles embed.FS

// look is the templates of one language.
type look struct {
	*catalog
	pages *template.Template
}

func loadLooks(files *assets) (map[string]*look, error) {
	catalogs, err := loadCatalogs()
	if err != nil {
		return nil, err
	}
	out := map[string]*look{}
	for name, c := range catalogs {
		set, err := template.New("").Funcs(functions(c, files)).ParseFS(templateFiles, "templates/*.html")
		if err != nil {
			return nil, fmt.Errorf("read the templates: %w", err)
		}
		out[name] = &look{c, set}
	}
	return out, nil
}

// functions are what templates call.
func functions(c *catalog, files *assets) template.FuncMap {
	return template.FuncMap{
		"t":         c.text,
		"counted":   func(key string, n any) string { return c.counted(key, int(whole(n))) },
		"word":      c.word,
		"country":   c.country,
		"pair":      func(a, b any) []any { return []any{a, b} },
		"moistures": func() []string { return words(opal.AllMoistures()) },
		"looks":     func() []string { return words(opal.AllLooks()) },
		"before":    func() []string { return []string{"transparencyBefore", "transparencyAfter"} },
		"says":      func() []string { return saysOf(c) },
		"claim":     c.claim,
		"hint":      func(key string) string { return c.texts[key] },
		"shows":     func() []string { return shows },
		"verdicts":  func() []string { return verdictWords },
		"number":    func(n any) string { return c.number(whole(n)) },
		"date":      c.date,
		"moment":    c.moment,
		"asset":     files.address,
		"list":      func(items []string) string { return strings.Join(items, ", ") },
		"join": func(parts ...string) string {
			return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), ", ")
		},
		"lotpath": lotPath,
		"figure":  c.figure,
		"percent": func(share float64) string { return c.figure(100 * share) },
		"api":     func(link string) string { return strings.Replace(link, "/s/", "/v1/stones/", 1) },
	}
}

// saysOf lists the texts that the bench's script says.
func saysOf(c *catalog) []string {
	var keys []string
	for key := range c.texts {
		if k, ok := strings.CutPrefix(key, "say."); ok {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

// verdictWords are the verdicts, the worst first.
var verdictWords = []string{"DECLARED", "FOUND", "CONFLICTING", "SUSPECTED", "OPEN", "NOT_TESTED", "NOT_FOUND", "UNDETERMINABLE", "NOT_APPLICABLE"}

func whole(n any) int64 {
	switch n := n.(type) {
	case int:
		return int64(n)
	case int32:
		return int64(n)
	case int64:
		return n
	case uint64:
		return int64(n)
	}
	return 0
}

func lotPath(lot string) string { return "/lots/" + url.PathEscape(lot) }

// frame is what every template is filled with.
type frame struct {
	Title     string
	Language  string
	Languages []languageLink
	Party     string
	Path      string
	Data      any
}

type languageLink struct {
	Code, Name, Href string
	Current          bool
}

// policy is the Content-Security-Policy of a page: all that it needs comes from this host, and nothing written into it runs.
func policy(wasm bool) string {
	script := "script-src 'self'"
	if wasm {
		script += " 'wasm-unsafe-eval'"
	}
	return "default-src 'none'; " + script + "; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; worker-src 'self'; manifest-src 'self'; " +
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
}

// write sends a page, or what stands in its place.
func (p *Pages) write(v *visit, a *answer, err error) {
	var to redirect
	if errors.As(err, &to) {
		v.w.Header().Set("Location", string(to))
		v.w.WriteHeader(http.StatusSeeOther)
		return
	}
	if errors.Is(err, errSent) {
		return
	}
	if err != nil {
		code, reason, message := p.because(v, err)
		p.fail(v, code, reason, message)
		return
	}
	p.render(v, a)
}

func (p *Pages) render(v *visit, a *answer) {
	f := frame{Title: a.title, Language: v.look.language, Party: v.Party, Path: v.URL.Path, Data: a.data}
	for _, code := range p.languages() {
		q := v.URL.Query()
		q.Set("lang", code)
		f.Languages = append(f.Languages, languageLink{code, p.looks[code].name, "?" + q.Encode(), code == v.look.language})
	}
	var out bytes.Buffer
	if err := v.look.pages.ExecuteTemplate(&out, a.template, f); err != nil {
		p.cfg.Logger.ErrorContext(v.ctx, "page could not be made", "template", a.template, "error", err, "request", v.Header.Get("X-Request-Id"))
		http.Error(v.w, v.look.text("error.internal"), http.StatusInternalServerError)
		return
	}
	h := v.w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Language", v.look.language)
	h.Set("Content-Security-Policy", policy(a.wasm))
	h.Set("Referrer-Policy", "same-origin") // an address can hold a handle
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Vary", "Accept-Language, Cookie")
	if a.code != 0 {
		v.w.WriteHeader(a.code)
	}
	if v.Method != http.MethodHead {
		_, _ = v.w.Write(out.Bytes())
	}
}

// fail shows what went wrong.
func (p *Pages) fail(v *visit, code int, reason, message string) {
	title := v.look.text("error.title")
	if t, ok := v.look.texts["error.title."+reason]; ok {
		title = t
	}
	p.render(v, &answer{template: "error", title: title, code: code, data: struct {
		Reason, Message, Request string
		Code                     int
	}{reason, message, v.Header.Get("X-Request-Id"), code}})
}

// because finds what an error of a service says, and the HTTP status that belongs to it.
func (p *Pages) because(v *visit, err error) (code int, reason, message string) {
	if f, ok := fault.As(err); ok {
		return http.StatusBadRequest, string(f.Reason), f.Message
	}
	s, _ := status.FromError(err)
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			reason = info.GetReason()
		}
	}
	switch s.Code() {
	case codes.NotFound:
		code = http.StatusNotFound
	case codes.InvalidArgument, codes.FailedPrecondition:
		code = http.StatusBadRequest
	case codes.PermissionDenied:
		code = http.StatusForbidden
	case codes.Unauthenticated:
		code = http.StatusUnauthorized
	case codes.ResourceExhausted:
		code = http.StatusTooManyRequests
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled:
		code = http.StatusServiceUnavailable
	}
	if code == http.StatusNotFound && reason == "" {
		return code, "NO_ROUTE", s.Message()
	}
	if code == 0 || reason == "" {
		p.cfg.Logger.ErrorContext(v.ctx, "page could not be answered", "path", v.URL.Path, "error", err, "request", v.Header.Get("X-Request-Id"))
		if code == 0 {
			code = http.StatusInternalServerError
		}
		return code, "INTERNAL", v.look.text("error.internal")
	}
	return code, reason, s.Message()
}
