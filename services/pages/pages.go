// Package pages is the browser's side of a node: the page of a stone, which anybody who has its label may read, and the pages of the parties, made on the
// server from what the services answer over gRPC.
//
// A page shows what an answer says and judges nothing; what the services do not say does not stand on a page. It can be read without a script, by a
// keyboard, a screen reader and a printer, and nothing of it comes from another host. Texts are in texts/, one file for each language; the sentences on
// evidence and disclosure are the services' own and in English, and marked as such.
//
// Sessions are left to services/gateway, which says who calls; each service decides anew what a caller may see.
package pages

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// Config is what the pages need.
type Config struct {
	// Conn leads to the node's gRPC server.
	Conn grpc.ClientConnInterface
	// Address is where people reach the pages, such as https://stones.example; "": the host that a request names. It stands in links on labels.
	Address string
	// Secure says that browsers come by TLS; it matters where Address is empty.
	Secure bool
	// StaffLogin offers the log-in by an issuer on the sign-in page.
	StaffLogin bool
	// Now is the clock; nil: the system's.
	Now    func() time.Time
	Logger *slog.Logger
}

// Pages answers requests of browsers.
type Pages struct {
	cfg          Config
	status       pb.StatusServiceClient
	laboratory   pb.LaboratoryServiceClient
	transparency pb.TransparencyServiceClient
	files        pb.AttachmentServiceClient
	intake       pb.IntakeServiceClient
	api          *apiView
	reasons      []reasonView
	looks        map[string]*look // by language
	assets       *assets
}

// New prepares the pages.
func New(cfg Config) (*Pages, error) {
	if cfg.Conn == nil {
		return nil, errors.New("configure the pages: they need a connection to the services")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	cfg.Address = strings.TrimRight(cfg.Address, "/")
	files, err := loadAssets()
	if err != nil {
		return nil, err
	}
	p := &Pages{
		cfg: cfg, assets: files, status: pb.NewStatusServiceClient(cfg.Conn), laboratory: pb.NewLaboratoryServiceClient(cfg.Conn),
		transparency: pb.NewTransparencyServiceClient(cfg.Conn), files: pb.NewAttachmentServiceClient(cfg.Conn), intake: pb.NewIntakeServiceClient(cfg.Conn),
	}
	if p.looks, err = loadLooks(files); err != nil {
		return nil, err
	}
	if p.api, err = readAPI(); err != nil {
		return nil, err
	}
	if p.reasons, err = readReasons(); err != nil {
		return nil, err
	}
	return p, nil
}

// Handlers gives the pages by the patterns of net/http that lead to them.
func (p *Pages) Handlers() map[string]http.Handler {
	return map[string]http.Handler{
		"/{$}":                                p.open(p.home),
		"/s/{handle}":                         p.open(p.stone),
		"/signin":                             p.open(p.signIn),
		"/assets/":                            p.assets,
		"/lots":                               p.signedIn(p.lots),
		"/lots/{lot}":                         p.signedIn(p.lot),
		"/bench":                              p.signedIn(p.bench),
		"/sampling":                           p.open(p.sampling),
		"/lots/{lot}/export/{format}":         p.signedIn(p.export),
		importPath:                            p.imports(),
		"/import/template/{file}":             p.signedIn(p.template),
		"/docs":                               p.open(p.docs),
		"/docs/errors":                        p.open(p.reasonsPage),
		"/docs/errors/{reason}":               p.open(p.reasonsPage),
		"/docs/terms/":                        p.open(p.terms),
		"/openapi.json":                       p.open(p.openAPI),
		"/labels":                             p.signedIn(p.labels),
		"/lots/{lot}/label":                   p.signedIn(p.label),
		"/lots/{lot}/parcel":                  p.signedIn(p.parcel),
		"/lots/{lot}/plots/{party}/{request}": p.signedIn(p.plot),
	}
}

// LargeBodies gives how large the bodies of requests may be, by the paths that take more than others.
func LargeBodies() map[string]int64 { return map[string]int64{importPath: MaxSheet} }

// answer is what a page shows: a template, and what it is filled with.
type answer struct {
	template string
	title    string
	data     any
	// wasm lets the page compile WebAssembly.
	wasm bool
	code int
}

// page makes an answer. An error is shown as a page of its own.
type page func(*visit) (*answer, error)

// visit is one request for a page.
type visit struct {
	*http.Request
	ctx   context.Context // for calls
	w     http.ResponseWriter
	pages *Pages
	look  *look
	// Party is who is signed in; "": nobody.
	Party string
}

// open serves a page to everybody.
func (p *Pages) open(f page) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := p.visit(w, r)
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			p.fail(v, http.StatusMethodNotAllowed, "METHOD_NOT_ALLOWED", v.look.text("error.method", r.Method))
			return
		}
		a, err := f(v)
		p.write(v, a, err)
	})
}

// signedIn serves a page to parties; others are led to the sign-in page.
func (p *Pages) signedIn(f page) http.Handler {
	return p.open(func(v *visit) (*answer, error) {
		if v.Party == "" {
			return nil, redirect("/signin?" + url.Values{"next": {v.URL.RequestURI()}}.Encode())
		}
		return f(v)
	})
}

// redirect is an error that leads to another page.
type redirect string

func (r redirect) Error() string { return "go to " + string(r) }

func (p *Pages) visit(w http.ResponseWriter, r *http.Request) *visit {
	v := &visit{Request: r, w: w, pages: p, look: p.language(w, r)}
	if c, ok := rpc.CallerFrom(r.Context()); ok {
		v.Party = c.Party
	}
	md := metadata.Pairs("x-request-id", r.Header.Get("X-Request-Id"))
	if a := r.Header.Get("Authorization"); a != "" && v.Party != "" {
		md.Set("authorization", a)
	}
	if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
		md.Set("x-forwarded-for", host) // by it the look-ups of an address are counted
	}
	v.ctx = metadata.NewOutgoingContext(r.Context(), md)
	return v
}

// address is the beginning of links that stand on paper.
func (v *visit) address() string {
	switch {
	case v.pages.cfg.Address != "":
		return v.pages.cfg.Address
	case v.pages.cfg.Secure || v.TLS != nil:
		return "https://" + v.Host
	}
	return "http://" + v.Host
}

// home is where a visitor begins who has no link.
func (p *Pages) home(v *visit) (*answer, error) {
	if code := strings.ToLower(strings.TrimSpace(v.URL.Query().Get("code"))); code != "" {
		if i := strings.LastIndex(code, "/s/"); i >= 0 { // the whole link, as a scanner gives it
			code = code[i+len("/s/"):]
		}
		return nil, redirect("/s/" + url.PathEscape(code))
	}
	return &answer{template: "home", title: v.look.text("home.title")}, nil
}

// signIn is the form that begins a session.
func (p *Pages) signIn(v *visit) (*answer, error) {
	q := v.URL.Query()
	next := q.Get("next")
	if !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t") {
		next = "/lots"
	}
	if v.Party != "" {
		return nil, redirect(next)
	}
	return &answer{template: "signin", title: v.look.text("signin.title"), data: struct {
		Next    string
		Refused bool
		Staff   bool
	}{next, q.Has("because"), p.cfg.StaffLogin}}, nil
}
