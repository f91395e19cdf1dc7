package gateway

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// browser is what a browser knows of its session.
type browser struct {
	Party, Expires, CSRFToken string
	Scopes                    []string
	cookie                    *http.Cookie
}

// enter begins a session.
func (w *world) enter(t *testing.T, token string) browser {
	t.Helper()
	a := w.do(t, request{method: "POST", path: "/session", noToken: true, body: strings.NewReader(`{"token":"` + token + `"}`), header: []string{"Content-Type", "application/json"}})
	if a.code != 200 {
		t.Fatalf("%d %s", a.code, a.body)
	}
	var b browser
	if err := json.Unmarshal(a.body, &b); err != nil {
		t.Fatal(err)
	}
	b.cookie = a.setCookie(t)
	return b
}

// setCookie gives the one cookie that an answer sets.
func (a answer) setCookie(t *testing.T) *http.Cookie {
	t.Helper()
	list := (&http.Response{Header: a.header}).Cookies()
	if len(list) != 1 {
		t.Fatalf("%d cookies are set: %v", len(list), a.header.Values("Set-Cookie"))
	}
	return list[0]
}

func (b browser) sends() string { return b.cookie.Name + "=" + b.cookie.Value }

func TestSession(t *testing.T) {
	w := newWorld(t, nil)
	b := w.enter(t, goodToken)
	c := b.cookie
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.Secure || c.Name != "lotpaper-session" || len(c.Value) != 43 ||
		c.MaxAge < 12*3600-60 || c.MaxAge > 12*3600 {
		t.Errorf("the cookie is %v", c)
	}
	if b.Party != "harrow-gully" || fmt.Sprint(b.Scopes) != "[READ POST]" || b.CSRFToken == "" || !strings.HasSuffix(b.Expires, "Z") {
		t.Errorf("%+v", b)
	}
	told := w.do(t, request{method: "GET", path: "/session", noToken: true, header: []string{"Cookie", b.sends()}})
	var again browser
	if err := json.Unmarshal(told.body, &again); told.code != 200 || err != nil || again.CSRFToken != b.CSRFToken || again.Expires != b.Expires {
		t.Errorf("%d %s", told.code, told.body)
	}
	if strings.Contains(string(told.body), c.Value) || told.header.Get("Cache-Control") != "no-store" || told.header.Get("Access-Control-Allow-Origin") != "" {
		t.Errorf("%v %s", told.header, told.body)
	}
	// A browser that enters again has one session.
	next := w.do(t, request{method: "POST", path: "/session", noToken: true, body: strings.NewReader(`{"token":"` + readToken + `"}`), header: []string{"Content-Type", "application/json", "Cookie", b.sends()}})
	if next.code != 200 {
		t.Fatalf("%d %s", next.code, next.body)
	}
	stale := w.do(t, request{method: "GET", path: "/session", noToken: true, header: []string{"Cookie", b.sends()}})
	if r := stale.refusal(t); r.Reason != "BAD_TOKEN" || stale.setCookie(t).MaxAge >= 0 {
		t.Errorf("the session before: %+v", r)
	}
	c = next.setCookie(t)
	var reads browser
	if err := json.Unmarshal(next.body, &reads); err != nil || fmt.Sprint(reads.Scopes) != "[READ]" {
		t.Errorf("%s", next.body)
	}
	cookie := c.Name + "=" + c.Value
	// Leaving needs what any change needs, and once left it is over.
	if r := w.do(t, request{method: "DELETE", path: "/session", noToken: true, header: []string{"Cookie", cookie}}).refusal(t); r.Field != "X-CSRF-Token" {
		t.Errorf("%+v", r)
	}
	for range 2 {
		a := w.do(t, request{method: "DELETE", path: "/session", noToken: true, header: []string{"Cookie", cookie, "X-CSRF-Token", reads.CSRFToken}})
		if a.code != 204 || a.setCookie(t).MaxAge >= 0 {
			t.Errorf("%d %s", a.code, a.body)
		}
	}
	if a := w.do(t, request{method: "DELETE", path: "/session", noToken: true}); a.code != 204 {
		t.Errorf("%d %s", a.code, a.body)
	}
	if r := w.do(t, request{method: "GET", path: "/session", noToken: true, header: []string{"Cookie", cookie}}).refusal(t); r.Reason != "BAD_TOKEN" {
		t.Errorf("%+v", r)
	}
	if a := w.do(t, request{method: "GET", path: "/session", noToken: true}); a.code != 401 || a.refusal(t).Reason != "NO_TOKEN" {
		t.Errorf("%d %s", a.code, a.body)
	}
	if a := w.do(t, request{method: "PUT", path: "/session"}); a.code != 405 || a.header.Get("Allow") != "GET, POST, DELETE" {
		t.Errorf("%d %s", a.code, a.header.Get("Allow"))
	}
}

func TestSessionsThatAreNotBegun(t *testing.T) {
	w := newWorld(t, nil)
	good := `{"token":"` + goodToken + `"}`
	for name, c := range map[string]struct {
		body   string
		header []string
		code   int
		reason string
		field  string
	}{
		"no token":              {`{}`, nil, 400, "INVALID_FIELD", "token"},
		"an empty one":          {`{"token":""}`, nil, 400, "INVALID_FIELD", "token"},
		"a number":              {`{"token":7}`, nil, 400, "INVALID_FIELD", "token"},
		"an object":             {`{"token":{"token":"x"}}`, nil, 400, "INVALID_FIELD", "token"},
		"an unknown field":      {`{"token":"x","party":"moor-shop"}`, nil, 400, "INVALID_FIELD", "party"},
		"another case":          {`{"Token":"x"}`, nil, 400, "INVALID_FIELD", "Token"},
		"twice":                 {`{"token":"x","token":"` + goodToken + `"}`, nil, 400, "INVALID_FIELD", "token"},
		"a list":                {`["x"]`, nil, 400, "INVALID_FIELD", ""},
		"nothing":               {``, nil, 400, "INVALID_FIELD", ""},
		"half":                  {`{"token":"x"`, nil, 400, "INVALID_FIELD", ""},
		"more":                  {good + `{}`, nil, 400, "INVALID_FIELD", ""},
		"as nobody's form":      {"token=" + goodToken, []string{"Content-Type", "application/x-www-form-urlencoded"}, 403, "NOT_ALLOWED", "Origin"},
		"another site's form":   {"token=" + goodToken, []string{"Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "cross-site", "Origin", "https://elsewhere.example"}, 403, "NOT_ALLOWED", "Origin"},
		"half a form":           {"token=%", []string{"Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin"}, 400, "INVALID_FIELD", ""},
		"as text":               {good, []string{"Content-Type", "text/plain"}, 400, "INVALID_FIELD", "Content-Type"},
		"of no type":            {good, []string{"Content-Type", ""}, 400, "INVALID_FIELD", "Content-Type"},
		"too large":             {`{"token":"` + strings.Repeat("x", MaxBody) + `"}`, nil, 413, "TOO_LARGE", ""},
		"an unknown one":        {`{"token":"lp_nobody"}`, nil, 401, "BAD_TOKEN", ""},
		"a very long one":       {`{"token":"` + strings.Repeat("x", 500) + `"}`, nil, 401, "BAD_TOKEN", ""},
		"another site's page":   {good, []string{"Sec-Fetch-Site", "cross-site"}, 403, "NOT_ALLOWED", "Origin"},
		"a neighbour's page":    {good, []string{"Sec-Fetch-Site", "same-site"}, 403, "NOT_ALLOWED", "Origin"},
		"another site, by name": {good, []string{"Origin", "https://elsewhere.example"}, 403, "NOT_ALLOWED", "Origin"},
		"no site":               {good, []string{"Origin", "null"}, 403, "NOT_ALLOWED", "Origin"},
	} {
		t.Run(name, func(t *testing.T) {
			header := c.header
			if len(header) == 0 || header[0] != "Content-Type" {
				header = append(header, "Content-Type", "application/json")
			}
			a := w.do(t, request{method: "POST", path: "/session", noToken: true, body: strings.NewReader(c.body), header: header})
			if r := a.refusal(t); a.code != c.code || r.Reason != c.reason || r.Field != c.field || len(a.header.Values("Set-Cookie")) != 0 {
				t.Errorf("%d %+v, want %d %s %q", a.code, r, c.code, c.reason, c.field)
			}
		})
	}
}

// Every kind of caller over HTTP with a route that reads, one that posts, one for the admin alone, and one for anybody; and whose call it is
// that the services see. What is not written here is refused.
func TestWhoMayCallWhat(t *testing.T) {
	w := newWorld(t, nil)
	var seen string
	see := func(ctx context.Context) {
		c, _ := rpc.CallerFrom(ctx)
		seen = c.Party + " by " + string(c.Means)
	}
	w.status.lot = func(ctx context.Context, _ *pb.GetLotRequest) (*pb.GetLotResponse, error) {
		see(ctx)
		return &pb.GetLotResponse{}, nil
	}
	w.intake.append = func(ctx context.Context, _ *pb.AppendRequest) (*pb.AppendResponse, error) {
		see(ctx)
		return &pb.AppendResponse{}, nil
	}
	w.intake.party = func(ctx context.Context, _ *pb.CreatePartyRequest) (*pb.CreatePartyResponse, error) {
		see(ctx)
		return &pb.CreatePartyResponse{}, nil
	}
	w.status.stone = func(ctx context.Context, _ *pb.GetStoneRequest) (*pb.GetStoneResponse, error) {
		see(ctx)
		return &pb.GetStoneResponse{}, nil
	}
	both, reads, shop, admin := w.enter(t, goodToken), w.enter(t, readToken), w.enter(t, shopToken), w.enter(t, adminToken)
	over := w.enter(t, goodToken)
	w.do(t, request{method: "DELETE", path: "/session", noToken: true, header: []string{"Cookie", over.sends(), "X-CSRF-Token", over.CSRFToken}})
	own, cross := []string{"Sec-Fetch-Site", "same-origin"}, []string{"Sec-Fetch-Site", "cross-site"}
	with := func(b browser, more ...[]string) []string {
		out := []string{"Cookie", b.sends()}
		for _, m := range more {
			out = append(out, m...)
		}
		return out
	}
	csrf := func(b browser) []string { return []string{"X-CSRF-Token", b.CSRFToken} }
	bearer := func(token string) []string { return []string{"Authorization", "Bearer " + token} }
	const (
		gully, ofShop, nobody = "harrow-gully by session", "moor-shop by session", " by "
		no, bad, not          = "NO_TOKEN", "BAD_TOKEN", "NOT_ALLOWED"
	)
	for name, c := range map[string]struct {
		header                     []string
		read, post, admin, anybody string // the reason of the refusal, or whose call it is
	}{
		"nobody":                          {nil, no, no, no, nobody},
		"a session":                       {with(both), gully, not, not, gully},
		"its own page":                    {with(both, own, csrf(both)), gully, gully, not, gully},
		"a program":                       {with(both, csrf(both)), gully, gully, not, gully},
		"its own page, without value":     {with(both, own), gully, not, not, gully},
		"its own page, empty value":       {with(both, own, []string{"X-CSRF-Token", ""}), gully, not, not, gully},
		"its own page, two values":        {with(both, own, csrf(both), csrf(both)), gully, not, not, gully},
		"its own page, another's value":   {with(both, own, csrf(shop)), gully, not, not, gully},
		"another site's page":             {with(both, cross, csrf(both)), gully, not, not, gully},
		"another site's page, by name":    {with(both, []string{"Origin", "https://elsewhere.example"}, csrf(both)), gully, not, not, gully},
		"a neighbour's page":              {with(both, []string{"Sec-Fetch-Site", "same-site"}, csrf(both)), gully, not, not, gully},
		"a session to read":               {with(reads, own, csrf(reads)), gully, not, not, gully},
		"the shop's session":              {with(shop, own, csrf(shop)), ofShop, ofShop, not, ofShop},
		"the admin's session":             {with(admin, own, csrf(admin)), "admin by session", "admin by session", "admin by session", "admin by session"},
		"the admin's, from elsewhere":     {with(admin, cross, csrf(admin)), "admin by session", not, not, "admin by session"},
		"a session that is over":          {with(over, own, csrf(over)), bad, bad, bad, nobody},
		"an unknown session":              {[]string{"Cookie", both.cookie.Name + "=" + strings.Repeat("a", 43)}, bad, bad, bad, nobody},
		"two sessions":                    {[]string{"Cookie", both.sends() + "; " + shop.sends()}, bad, bad, bad, nobody},
		"under the name for TLS":          {[]string{"Cookie", "__Host-" + both.sends()}, no, no, no, nobody},
		"a token beside, and it counts":   {with(shop, bearer(goodToken)), "harrow-gully by token", "harrow-gully by token", not, "harrow-gully by token"},
		"a token to read beside":          {with(shop, bearer(readToken), own, csrf(shop)), "harrow-gully by token", not, not, "harrow-gully by token"},
		"an unknown token beside":         {with(both, bearer("nobody"), own, csrf(both)), bad, bad, bad, bad},
		"an empty token beside":           {with(both, []string{"Authorization", ""}, own, csrf(both)), no, no, no, no},
		"a token beside one that is over": {with(over, bearer(goodToken)), "harrow-gully by token", "harrow-gully by token", not, "harrow-gully by token"},
		"a session's id as a token":       {bearer(both.cookie.Value), bad, bad, bad, bad},
		"a token as a session's id":       {[]string{"Cookie", both.cookie.Name + "=" + goodToken}, bad, bad, bad, nobody},
	} {
		t.Run(name, func(t *testing.T) {
			for _, q := range []struct{ method, path, want string }{
				{"GET", "/v1/lots/harrow-gully.r7", c.read}, {"POST", eventsPath, c.post}, {"POST", "/v1/parties", c.admin},
				{"GET", "/v1/stones/uk5pkecceliqk3zza2umqyvqly", c.anybody},
			} {
				seen = ""
				ask := request{method: q.method, path: q.path, noToken: true, header: c.header}
				if q.method == "POST" {
					ask.body = strings.NewReader(`{}`)
				}
				a := w.do(t, ask)
				got := seen
				if a.code != 200 {
					got = a.refusal(t).Reason
				}
				if got != q.want {
					t.Errorf("%s %s: %d %q, want %q", q.method, q.path, a.code, got, q.want)
				}
			}
		})
	}
}

// Over TLS the cookie is sent over TLS alone, by a name that browsers take from this host alone.
func TestSecureSession(t *testing.T) {
	w := newWorld(t, func(cfg *Config, s *http.Server) {
		cfg.Secure, s.TLSConfig = true, &tls.Config{NextProtos: []string{"h2"}}
	})
	b := w.enter(t, goodToken)
	if c := b.cookie; !c.Secure || c.Name != "__Host-lotpaper-session" || c.Path != "/" || c.Domain != "" || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode {
		t.Errorf("the cookie is %v", c)
	}
	w.status.lot = func(context.Context, *pb.GetLotRequest) (*pb.GetLotResponse, error) { return &pb.GetLotResponse{}, nil }
	if a := w.do(t, request{method: "GET", path: "/v1/lots/harrow-gully.r7", noToken: true, header: []string{"Cookie", b.sends()}}); a.code != 200 {
		t.Errorf("%d %s", a.code, a.body)
	}
	if a := w.do(t, request{method: "GET", path: "/v1/lots/harrow-gully.r7", noToken: true, header: []string{"Cookie", strings.TrimPrefix(b.sends(), "__Host-")}}); a.code != 401 {
		t.Errorf("under the other name: %d", a.code)
	}
}

// A session's request is looked at in the same order as a token's: who calls, size, shape.
func TestOrderOfChecksWithSession(t *testing.T) {
	w := newWorld(t, nil)
	b := w.enter(t, goodToken)
	big := strings.Repeat("x", MaxBody+1)
	for name, c := range map[string]struct {
		header []string
		path   string
		code   int
	}{
		"no value before size":            {[]string{"Cookie", b.sends()}, eventsPath + "?x=1", 403},
		"another site's page before size": {[]string{"Cookie", b.sends(), "X-CSRF-Token", b.CSRFToken, "Sec-Fetch-Site", "cross-site"}, eventsPath, 403},
		"no session before size":          {[]string{"Cookie", b.cookie.Name + "=x"}, eventsPath, 401},
		"size before shape":               {[]string{"Cookie", b.sends(), "X-CSRF-Token", b.CSRFToken}, eventsPath + "?x=1", 413},
		"size before the session's shape": {nil, "/session", 413},
	} {
		t.Run(name, func(t *testing.T) {
			if a := w.do(t, request{method: "POST", path: c.path, noToken: true, body: strings.NewReader(big), header: c.header}); a.code != c.code {
				t.Errorf("%d %s, want %d", a.code, a.body, c.code)
			}
		})
	}
}

// A browser without scripts sends the form of the sign-in page, and is led on to a page of this host.
func TestSessionByForm(t *testing.T) {
	w := newWorld(t, nil)
	w.server.Client().CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	for name, c := range map[string]struct {
		token, next, to string
		begun           bool
	}{
		"to what was wanted":  {goodToken, "/lots/harrow-gully.r1?asOf=2026-01-01", "/lots/harrow-gully.r1?asOf=2026-01-01", true},
		"pasted with blanks":  {" " + goodToken + "\n", "/bench", "/bench", true},
		"nothing wanted":      {goodToken, "", "/lots", true},
		"another host":        {goodToken, "https://elsewhere.example/", "/lots", true},
		"another, in short":   {goodToken, "//elsewhere.example/", "/lots", true},
		"another, by slashes": {goodToken, "/\\elsewhere.example/", "/lots", true},
		"a line break":        {goodToken, "/x\r\nSet-Cookie: a=b", "/lots", true},
		"an unknown token":    {"lp_nobody", "/bench", "/signin?because=BAD_TOKEN&next=%2Fbench", false},
		"no token":            {"", "", "/signin?because=BAD_TOKEN&next=%2Flots", false},
	} {
		t.Run(name, func(t *testing.T) {
			a := w.do(t, request{method: "POST", path: "/session", noToken: true, body: strings.NewReader(url.Values{"token": {c.token}, "next": {c.next}}.Encode()),
				header: []string{"Content-Type", "application/x-www-form-urlencoded", "Sec-Fetch-Site", "same-origin"}})
			if a.code != 303 || a.header.Get("Location") != c.to || (len(a.header.Values("Set-Cookie")) == 1) != c.begun {
				t.Errorf("%d to %q with %v: %s", a.code, a.header.Get("Location"), a.header.Values("Set-Cookie"), a.body)
			}
		})
	}
}

// A page finds its caller, whatever it is known by, and none where what it shows is not in force.
func TestPagesKnowTheirCaller(t *testing.T) {
	page := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, _ := rpc.CallerFrom(r.Context())
		fmt.Fprintf(w, "%s %s", c.Party, c.Means)
	})
	w := newWorld(t, func(c *Config, _ *http.Server) { c.Pages = map[string]http.Handler{"/page": page} })
	b := w.enter(t, goodToken)
	for name, c := range map[string]struct {
		method string
		header []string
		want   string
	}{
		"a session":              {"GET", []string{"Cookie", b.sends()}, "harrow-gully session"},
		"a token":                {"GET", []string{"Authorization", "Bearer " + shopToken}, "moor-shop token"},
		"nothing":                {"GET", nil, " "},
		"an unknown token":       {"GET", []string{"Authorization", "Bearer lp_nobody"}, " "},
		"an unknown session":     {"GET", []string{"Cookie", b.cookie.Name + "=nobody"}, " "},
		"a change, by a session": {"POST", []string{"Cookie", b.sends(), "X-CSRF-Token", b.CSRFToken}, "harrow-gully session"},
		"and without its value":  {"POST", []string{"Cookie", b.sends()}, " "},
	} {
		if a := w.do(t, request{method: c.method, path: "/page", noToken: true, header: c.header}); a.code != 200 || string(a.body) != c.want {
			t.Errorf("%s: %d %q, want %q", name, a.code, a.body, c.want)
		}
	}
}
