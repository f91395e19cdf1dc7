package gateway

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/session"
)

// The names of a browser's session. A cookie whose name begins with __Host- is taken by browsers over TLS from this very host alone, so
// that no neighbour of its domain can put another in its place.
const (
	sessionPath      = "/session"
	csrfHeader       = "X-CSRF-Token"
	cookieName       = "lotpaper-session"
	secureCookieName = "__Host-" + cookieName
)

func (d *doors) cookieName() string {
	if d.secure {
		return secureCookieName
	}
	return cookieName
}

// cookie gives the session's id that a request came with; "": none.
func (d *doors) cookie(r *http.Request) (string, error) {
	switch found := r.CookiesNamed(d.cookieName()); len(found) {
	case 0:
		return "", nil
	case 1:
		return found[0].Value, nil
	default:
		return "", fault.New(fault.BadToken, "Cookie", "found %d cookies %s, accepted is one", len(found), d.cookieName())
	}
}

// setCookie gives the browser a session's id for so many seconds; a negative number: it is to forget it.
func (d *doors) setCookie(w http.ResponseWriter, id string, seconds int) {
	http.SetCookie(w, &http.Cookie{
		Name: d.cookieName(), Value: id, Path: "/", MaxAge: seconds, HttpOnly: true, Secure: d.secure, SameSite: http.SameSiteStrictMode,
	})
}

// Staff logs people in by an issuer that knows them.
type Staff interface {
	// Begin gives the address to send a browser to, and the cookie by which it is known when it comes back to redirect.
	Begin(ctx context.Context, redirect string) (address, cookie string, err error)
	// Finish names the party that the person works for who came back with that cookie and query. Refusals are faults.
	Finish(ctx context.Context, redirect, cookie string, query url.Values) (party string, err error)
}

// A login leads through another site and back.
const (
	loginPath    = sessionPath + "/login"
	callbackPath = sessionPath + "/callback"
	loginCookie  = "lotpaper-login"
	loginSeconds = 10 * 60
)

// setLoginCookie gives the browser the cookie of a login. Unlike a session's it must come along when the other site sends the browser
// back, and it is of no use to anybody who does not have the answer of that login too.
func (d *doors) setLoginCookie(w http.ResponseWriter, value string, seconds int) {
	http.SetCookie(w, &http.Cookie{
		Name: d.loginCookieName(), Value: value, Path: "/", MaxAge: seconds, HttpOnly: true, Secure: d.secure, SameSite: http.SameSiteLaxMode,
	})
}

func (d *doors) loginCookieName() string {
	if d.secure {
		return "__Host-" + loginCookie
	}
	return loginCookie
}

// callback is the address that the issuer sends people back to. It must be one that the issuer knows, so that a request for another host
// leads nowhere.
func (d *doors) callback(r *http.Request) string {
	u := url.URL{Scheme: "http", Host: r.Host, Path: callbackPath}
	if d.secure {
		u.Scheme = "https"
	}
	return u.String()
}

// login serves GET /session/login.
func login(d *doors) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		address, cookie, err := d.staff.Begin(r.Context(), d.callback(r))
		if err != nil {
			writeError(w, r, err)
			return
		}
		d.setLoginCookie(w, cookie, loginSeconds)
		w.Header().Set("Location", address)
		w.WriteHeader(http.StatusSeeOther)
	}
}

// loggedIn is the page that a login ends with. It leads on by itself and not by a redirect: a browser takes those for the doing of the site
// that it came from, and would leave out the cookie that it just got.
const loggedIn = `<!doctype html>
<html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="0;url=/lots"><title>lotpaper</title>
<p>You are logged in. <a href="/lots">Go on</a></p></html>
`

// finish serves GET /session/callback.
func finish(d *doors) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Referrer-Policy", "no-referrer") // the address has the code in it
		d.setLoginCookie(w, "", -1)
		id, s, err := d.entered(r)
		if err != nil {
			writeError(w, r, err)
			return
		}
		d.begun(w, r, id, s)
		h := w.Header()
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Security-Policy", "default-src 'none'; base-uri 'none'; frame-ancestors 'none'")
		_, _ = io.WriteString(w, loggedIn)
	}
}

// entered ends a login and begins its session.
func (d *doors) entered(r *http.Request) (string, session.Session, error) {
	cookie := ""
	if found := r.CookiesNamed(d.loginCookieName()); len(found) == 1 {
		cookie = found[0].Value
	}
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return "", session.Session{}, fault.New(fault.InvalidField, "", "found a query that is not well formed")
	}
	party, err := d.staff.Finish(r.Context(), d.callback(r), cookie, query)
	if err != nil {
		return "", session.Session{}, err
	}
	if err := d.sameParty(r, party); err != nil {
		return "", session.Session{}, err
	}
	id, s, err := d.sessions.BeginFor(party)
	if f, ok := fault.As(err); ok && f.Reason == fault.UnknownParty {
		err = fault.New(fault.NotAllowed, "", "in what the issuer says of this person: %s", f.Message)
	}
	return id, s, err
}

// sessions serves /session: POST begins one with a token, GET tells of it, DELETE ends it. It goes by the cookie alone: a token in a header
// neither needs a session nor is one.
func sessions(d *doors) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var err error
		switch r.Method {
		case http.MethodPost:
			err = d.begin(w, r)
		case http.MethodDelete:
			err = d.leave(w, r)
		default:
			err = d.tell(w, r)
		}
		if err != nil {
			writeError(w, r, err)
		}
	}
}

// begin begins a session. A page of another site must not be able to: it would have a person work in its own party's name.
func (d *doors) begin(w http.ResponseWriter, r *http.Request) error {
	if err := d.sameOrigin(r); err != nil {
		return err
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err == nil && kind == formType {
		return d.beginByForm(w, r)
	}
	token, err := tokenOf(r)
	if err != nil {
		return err
	}
	s, err := d.beginWith(w, r, token)
	if err != nil {
		return err
	}
	return writeSession(w, s)
}

const formType = "application/x-www-form-urlencoded"

// signInPath is the page with the form that begins a session.
const signInPath = "/signin"

// beginByForm begins a session from the form of the sign-in page, for browsers without scripts. Forms of other sites' pages can send the same, and browsers of old
// that do not say whose page sent it are refused. It leads on to the page that was wanted, or back to the form.
func (d *doors) beginByForm(w http.ResponseWriter, r *http.Request) error {
	if r.Header.Get("Sec-Fetch-Site") != "same-origin" && r.Header.Get("Origin") == "" {
		return fault.New(fault.NotAllowed, "Origin", "found a form and no word on whose page it is, accepted is the form of %s sent by a browser that says so, or a body in JSON", signInPath)
	}
	if err := r.ParseForm(); err != nil {
		var tooLarge *http.MaxBytesError
		if errors.As(err, &tooLarge) {
			return bodyTooLarge(-1)
		}
		return fault.New(fault.InvalidField, "", "found a form that is not well formed")
	}
	next := r.PostForm.Get("next")
	if !ownPath(next) {
		next = "/lots"
	}
	h := w.Header()
	_, err := d.beginWith(w, r, strings.TrimSpace(r.PostForm.Get("token")))
	if f, ok := fault.As(err); ok {
		h.Set("Location", signInPath+"?"+url.Values{"because": {string(f.Reason)}, "next": {next}}.Encode())
	} else if err != nil {
		return err
	} else {
		h.Set("Location", next)
	}
	w.WriteHeader(http.StatusSeeOther)
	return nil
}

// ownPath tells whether a text is a path of this host and of no other: browsers take // and a backslash for the beginning of a host.
func ownPath(p string) bool {
	if !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsFunc(p, func(c rune) bool { return c == '\\' || c < ' ' || c == 0x7f }) {
		return false
	}
	u, err := url.Parse(p)
	return err == nil && u.Host == "" && u.Scheme == ""
}

// beginWith begins a session with a token.
func (d *doors) beginWith(w http.ResponseWriter, r *http.Request, token string) (session.Session, error) {
	// The same rules as for a token in a header, also beside a certificate.
	if _, err := d.callers.Caller(rpc.Credentials{Authorization: []string{"Bearer " + token}, TLS: r.TLS}); err != nil {
		return session.Session{}, err
	}
	id, s, err := d.sessions.Begin(token)
	if err != nil {
		return session.Session{}, err
	}
	d.begun(w, r, id, s)
	return s, nil
}

// begun gives the browser its new session in place of one that it had.
func (d *doors) begun(w http.ResponseWriter, r *http.Request, id string, s session.Session) {
	if before, err := d.cookie(r); err == nil && before != "" {
		d.sessions.End(before)
	}
	d.setCookie(w, id, max(1, int(time.Until(s.Expires.Time()).Seconds())))
}

func (d *doors) tell(w http.ResponseWriter, r *http.Request) error {
	id, err := d.cookie(r)
	if err != nil {
		return err
	}
	if id == "" {
		return fault.New(fault.NoToken, "", "found no session; accepted is the cookie that POST /session sets")
	}
	s, err := d.session(w, r, id)
	if err != nil {
		return err
	}
	return writeSession(w, s)
}

// leave ends the session. One that is not in force is over already.
func (d *doors) leave(w http.ResponseWriter, r *http.Request) error {
	id, err := d.cookie(r)
	if err != nil {
		return err
	}
	if id != "" {
		s, err := d.sessions.Find(id)
		_, refused := fault.As(err)
		switch {
		case err != nil && !refused:
			return err
		case err == nil:
			if err := d.wanted(r, s); err != nil {
				return err
			}
		}
		d.sessions.End(id)
	}
	d.setCookie(w, "", -1)
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// writeSession tells a session to the page that has it.
func writeSession(w http.ResponseWriter, s session.Session) error {
	b, err := json.Marshal(struct {
		Party     string       `json:"party"`
		Scopes    []opal.Scope `json:"scopes"`
		Expires   string       `json:"expires"`
		CSRFToken string       `json:"csrfToken"`
	}{s.Party, s.Scopes, s.Expires.String(), s.CSRF})
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(b)
	return nil
}

// tokenOf reads the body {"token": "…"}. Its type must be JSON's, which a form of another site's page cannot send.
func tokenOf(r *http.Request) (string, error) {
	const accepted = `accepted is one object {"token": "…"}`
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return "", fault.New(fault.InvalidField, "Content-Type", "found %q, accepted is application/json", clip(r.Header.Get("Content-Type")))
	}
	data, err := io.ReadAll(r.Body)
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return "", bodyTooLarge(-1)
	} else if err != nil {
		return "", fault.New(fault.InvalidField, "", "the body could not be read to its end: %v", err)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	if first, err := d.Token(); err != nil || first != json.Delim('{') {
		return "", fault.New(fault.InvalidField, "", "found a body that is no JSON object, %s", accepted)
	}
	token, known := "", false
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return "", notJSON(err, len(data))
		}
		if name != "token" || known {
			return "", fault.New(fault.InvalidField, clip(name.(string)), "found a field that is unknown or stands twice, %s", accepted)
		}
		known = true
		value, err := d.Token()
		if err != nil {
			return "", notJSON(err, len(data))
		}
		text, ok := value.(string)
		if !ok || text == "" {
			return "", fault.New(fault.InvalidField, "token", "found what is no text or an empty one, accepted is the token of an enrolled party")
		}
		token = text
	}
	if _, err := d.Token(); err != nil {
		return "", notJSON(err, len(data))
	}
	if _, err := d.Token(); err != io.EOF {
		return "", fault.New(fault.InvalidField, "", "found more behind the body's object, %s", accepted)
	}
	if !known {
		return "", fault.New(fault.InvalidField, "token", "found nothing, %s", accepted)
	}
	return token, nil
}
