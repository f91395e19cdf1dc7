package gateway

import (
	"context"
	"crypto/tls"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// staffFake logs in whom the test says.
type staffFake struct {
	party            string
	err              error
	redirect, cookie string
	query            url.Values
}

func (f *staffFake) Begin(_ context.Context, redirect string) (string, string, error) {
	f.redirect = redirect
	return "https://login.example/authorize?state=s", "the-cookie", f.err
}

func (f *staffFake) Finish(_ context.Context, redirect, cookie string, query url.Values) (string, error) {
	f.redirect, f.cookie, f.query = redirect, cookie, query
	return f.party, f.err
}

func (w *world) noRedirects() {
	w.server.Client().CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
}

func TestLogin(t *testing.T) {
	for name, secure := range map[string]bool{"in the clear, on the loopback": false, "over TLS": true} {
		t.Run(name, func(t *testing.T) {
			people := &staffFake{party: "harrow-gully"}
			w := newWorld(t, func(c *Config, s *http.Server) {
				c.Staff = people
				if c.Secure = secure; secure {
					s.TLSConfig = &tls.Config{NextProtos: []string{"h2"}}
				}
			})
			w.noRedirects()
			prefix, callback := "", w.server.URL+"/session/callback"
			if secure {
				prefix = "__Host-"
			}
			a := w.do(t, request{method: "GET", path: "/session/login", noToken: true})
			c := a.setCookie(t)
			if a.code != 303 || a.header.Get("Location") != "https://login.example/authorize?state=s" || people.redirect != callback || a.header.Get("Cache-Control") != "no-store" {
				t.Errorf("%d %v, back to %q", a.code, a.header, people.redirect)
			}
			if c.Name != prefix+"lotpaper-login" || c.Value != "the-cookie" || !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || c.Secure != secure || c.MaxAge != 600 {
				t.Errorf("the cookie is %v", c)
			}
			a = w.do(t, request{method: "GET", path: "/session/callback?code=c&state=s", noToken: true, header: []string{"Cookie", c.Name + "=" + c.Value, "Sec-Fetch-Site", "cross-site"}})
			if a.code != 200 || people.cookie != "the-cookie" || people.query.Encode() != "code=c&state=s" || people.redirect != callback {
				t.Fatalf("%d %s: %+v", a.code, a.body, people)
			}
			if a.header.Get("Referrer-Policy") != "no-referrer" || !strings.HasPrefix(a.header.Get("Content-Security-Policy"), "default-src 'none'") || !strings.HasPrefix(a.header.Get("Content-Type"), "text/html") {
				t.Errorf("%v", a.header)
			}
			cookies := map[string]*http.Cookie{}
			for _, c := range (&http.Response{Header: a.header}).Cookies() {
				cookies[c.Name] = c
			}
			session, over := cookies[prefix+"lotpaper-session"], cookies[prefix+"lotpaper-login"]
			if len(cookies) != 2 || over == nil || over.MaxAge >= 0 || session == nil || !session.HttpOnly || session.SameSite != http.SameSiteStrictMode || session.Secure != secure {
				t.Fatalf("%v", a.header.Values("Set-Cookie"))
			}
			a = w.do(t, request{method: "GET", path: "/session", noToken: true, header: []string{"Cookie", session.Name + "=" + session.Value}})
			if a.code != 200 || !strings.Contains(string(a.body), `"party":"harrow-gully","scopes":["READ","POST"]`) {
				t.Errorf("%d %s", a.code, a.body)
			}
		})
	}
}

func TestLoginsThatAreRefused(t *testing.T) {
	people := &staffFake{}
	w := newWorld(t, func(c *Config, _ *http.Server) { c.Staff = people })
	w.noRedirects()
	for name, c := range map[string]struct {
		party  string
		err    error
		code   int
		reason string
		says   string
	}{
		"a party that nobody enrolled": {"nobody-here", nil, 403, "NOT_ALLOWED", "nobody-here, which is not enrolled"},
		"the admin":                    {"admin", nil, 403, "NOT_ALLOWED", "reserved word"},
		"nobody":                       {"", nil, 403, "NOT_ALLOWED", "party id"},
		"what the issuer denies":       {"harrow-gully", fault.New(fault.BadToken, "", "found it, accepted is that"), 401, "BAD_TOKEN", "found it"},
		"an issuer that fails":         {"harrow-gully", fault.New(fault.IssuerUnavailable, "", "it fails"), 503, "ISSUER_UNAVAILABLE", "it fails"},
	} {
		t.Run(name, func(t *testing.T) {
			people.party, people.err = c.party, c.err
			a := w.do(t, request{method: "GET", path: "/session/callback?code=c&state=s", noToken: true, header: []string{"Cookie", "lotpaper-login=the-cookie"}})
			if r := a.refusal(t); a.code != c.code || r.Reason != c.reason || !strings.Contains(r.Message, c.says) {
				t.Errorf("%d %+v", a.code, r)
			}
			if c := a.setCookie(t); c.Name != "lotpaper-login" || c.MaxAge >= 0 {
				t.Errorf("the cookie is %v", c)
			}
			if c.err != nil && c.reason == "ISSUER_UNAVAILABLE" {
				if a := w.do(t, request{method: "GET", path: "/session/login", noToken: true}); a.code != 503 || a.header.Get("Retry-After") == "" || len(a.header.Values("Set-Cookie")) != 0 {
					t.Errorf("%d %v", a.code, a.header)
				}
			}
		})
	}
	people.party, people.err = "harrow-gully", nil
	for _, cookies := range []string{"", "lotpaper-login=a; lotpaper-login=b", "__Host-lotpaper-login=a"} {
		people.cookie = "unset"
		w.do(t, request{method: "GET", path: "/session/callback?code=c&state=s", noToken: true, header: []string{"Cookie", cookies}})
		if people.cookie != "" {
			t.Errorf("with the cookies %q the login is told of %q", cookies, people.cookie)
		}
	}
	if a := w.do(t, request{method: "GET", path: "/session/callback?code=%zz", noToken: true}); a.code != 400 {
		t.Errorf("%d %s", a.code, a.body)
	}
	if a := w.do(t, request{method: "POST", path: "/session/callback", noToken: true}); a.code != 405 {
		t.Errorf("%d %s", a.code, a.body)
	}
	if a := newWorld(t, nil).do(t, request{method: "GET", path: "/session/login", noToken: true}); a.code != 404 || a.refusal(t).Reason != "NO_ROUTE" {
		t.Errorf("without an issuer: %d %s", a.code, a.body)
	}
}
