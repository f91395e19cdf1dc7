package staff_test

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/staff"
	"github.com/lotpaper/lotpaper/internal/staff/issuertest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const redirect = "http://127.0.0.1:8080/session/callback"

type world struct {
	*staff.Login
	issuer *issuertest.Issuer
	mu     sync.Mutex
	clock  time.Time // guarded by mu
	log    bytes.Buffer
}

func (w *world) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.clock
}

func (w *world) pass(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.clock = w.clock.Add(d)
}

func newWorld(t *testing.T, change func(*staff.Config)) *world {
	t.Helper()
	w := &world{issuer: issuertest.New(t), clock: time.Now()}
	cfg := staff.Config{Issuer: w.issuer.URL, ClientID: issuertest.ClientID, ClientSecret: issuertest.ClientSecret, PartyClaim: "works_for",
		Now: w.now, Log: slog.New(slog.NewTextHandler(&w.log, nil))}
	if change != nil {
		change(&cfg)
	}
	l, err := staff.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.Close)
	w.Login = l
	return w
}

// attempt logs in; change may alter what the browser comes back with.
func (w *world) attempt(t *testing.T, change func(cookie *string, query url.Values)) (string, error) {
	t.Helper()
	address, cookie, err := w.Begin(t.Context(), redirect)
	if err != nil {
		return "", err
	}
	query := w.issuer.LogIn(t, address)
	if change != nil {
		change(&cookie, query)
	}
	return w.Finish(t.Context(), redirect, cookie, query)
}

func TestLogin(t *testing.T) {
	w := newWorld(t, nil)
	for range 3 {
		if party, err := w.attempt(t, nil); err != nil || party != "harrow-gully" {
			t.Fatalf("%q, %v\n%s", party, err, &w.log)
		}
	}
	if discovered, redeemed := w.issuer.Seen(); discovered != 1 || redeemed != 3 {
		t.Errorf("asked %d times what it does where, %d codes", discovered, redeemed)
	}
	one, _, err := w.Begin(t.Context(), redirect)
	if err != nil {
		t.Fatal(err)
	}
	two, _, err := w.Begin(t.Context(), redirect)
	if err != nil {
		t.Fatal(err)
	}
	a, b := query(t, one), query(t, two)
	for _, name := range []string{"state", "nonce", "code_challenge"} {
		if a.Get(name) == b.Get(name) {
			t.Errorf("two logins have one %s", name)
		}
	}
	if a.Get("state") == a.Get("nonce") || a.Get("redirect_uri") != redirect {
		t.Errorf("%v", a)
	}
}

func query(t *testing.T, address string) url.Values {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	return u.Query()
}

// Everything that the issuer's word can be forged or bent in.
func TestForgedTokens(t *testing.T) {
	w := newWorld(t, nil)
	claim := func(name string, value any) func(_, claims map[string]any) {
		return func(_, claims map[string]any) {
			if claims[name] = value; value == nil {
				delete(claims, name)
			}
		}
	}
	several := func(azp any) func(_, claims map[string]any) {
		return func(_, claims map[string]any) {
			claims["aud"] = []string{"another", issuertest.ClientID}
			if azp != nil {
				claims["azp"] = azp
			}
		}
	}
	alg := func(name string) func(header, _ map[string]any) {
		return func(header, _ map[string]any) { header["alg"] = name }
	}
	nothing := func(string, func(string) []byte) []byte { return nil }
	mac := func(signed string, _ func(string) []byte) []byte {
		m := hmac.New(sha256.New, w.issuer.PublicKey())
		m.Write([]byte(signed))
		return m.Sum(nil)
	}
	secret := func(signed string, _ func(string) []byte) []byte {
		m := hmac.New(sha256.New, []byte(issuertest.ClientSecret))
		m.Write([]byte(signed))
		return m.Sum(nil)
	}
	for name, c := range map[string]struct {
		change func(header, claims map[string]any)
		sign   func(string, func(string) []byte) []byte
		reason fault.Reason // "": taken
		logged string
	}{
		"as it should be":                    {nil, nil, "", ""},
		"for several, given to us":           {several(issuertest.ClientID), nil, "", ""},
		"for several, it does not say whose": {several(nil), nil, fault.BadToken, "does not say to which"},
		"for several, given to another":      {several("another"), nil, fault.BadToken, "another"},
		"given to another":                   {claim("azp", "another"), nil, fault.BadToken, "another"},
		"for another":                        {claim("aud", "another"), nil, fault.BadToken, "audience"},
		"for nobody":                         {claim("aud", nil), nil, fault.BadToken, "audience"},
		"for some that begin like us":        {claim("aud", issuertest.ClientID+"2"), nil, fault.BadToken, "audience"},
		"of another issuer":                  {claim("iss", "https://elsewhere.example"), nil, fault.BadToken, "different provider"},
		"of an issuer with a slash":          {claim("iss", w.issuer.URL+"/"), nil, fault.BadToken, "different provider"},
		"of no issuer":                       {claim("iss", nil), nil, fault.BadToken, "different provider"},
		"of another login":                   {claim("nonce", "x"), nil, fault.BadToken, "another login"},
		"of no login":                        {claim("nonce", nil), nil, fault.BadToken, "another login"},
		"expired":                            {claim("exp", time.Now().Add(-time.Minute).Unix()), nil, fault.BadToken, "expired"},
		"without an end":                     {claim("exp", nil), nil, fault.BadToken, "expired"},
		"not valid yet":                      {claim("nbf", time.Now().Add(time.Hour).Unix()), nil, fault.BadToken, "before the nbf"},
		"of nobody":                          {claim("sub", nil), nil, fault.BadToken, "no subject"},
		"by another key":                     {nil, func(s string, _ func(string) []byte) []byte { return w.issuer.ByAnother(s) }, fault.BadToken, "signature"},
		"by a key of another name":           {func(header, _ map[string]any) { header["kid"] = "two" }, nil, fault.BadToken, "signature"},
		"of something else":                  {nil, func(s string, right func(string) []byte) []byte { return right(s + "x") }, fault.BadToken, "signature"},
		"unsigned":                           {nil, nothing, fault.BadToken, ""},
		"alg none":                           {alg("none"), nothing, fault.BadToken, "none"},
		"alg none with a signature":          {alg("none"), nil, fault.BadToken, "none"},
		"alg None":                           {alg("None"), nothing, fault.BadToken, "None"},
		"the public key as a secret":         {alg("HS256"), mac, fault.BadToken, "HS256"},
		"the client's secret as a key":       {alg("HS256"), secret, fault.BadToken, "HS256"},
		"an algorithm that is not announced": {alg("RS512"), nil, fault.BadToken, "RS512"},
		"with a key of its own": {func(header, _ map[string]any) {
			header["jwk"] = map[string]any{"kty": "oct", "k": "AAAA"}
			delete(header, "kid")
		}, func(s string, _ func(string) []byte) []byte { return w.issuer.ByAnother(s) }, fault.BadToken, ""},
		"with what must be understood": {func(header, _ map[string]any) { header["crit"] = []string{"exp"} }, nil, fault.BadToken, ""},
		"no party":                     {claim("works_for", nil), nil, fault.NotAllowed, ""},
		"a list of parties":            {claim("works_for", []string{"harrow-gully"}), nil, fault.NotAllowed, ""},
		"a number":                     {claim("works_for", 7), nil, fault.NotAllowed, ""},
		"the admin":                    {claim("works_for", "admin"), nil, fault.NotAllowed, ""},
		"an id in capitals":            {claim("works_for", "Harrow-Gully"), nil, fault.NotAllowed, ""},
		"nothing":                      {claim("works_for", ""), nil, fault.NotAllowed, ""},
	} {
		t.Run(name, func(t *testing.T) {
			w.issuer.Change(c.change)
			w.issuer.Sign(c.sign)
			w.log.Reset()
			party, err := w.attempt(t, nil)
			if c.reason == "" {
				if err != nil || party != "harrow-gully" {
					t.Fatalf("%q, %v\n%s", party, err, &w.log)
				}
				return
			}
			f, ok := fault.As(err)
			if !ok || f.Reason != c.reason || party != "" || !strings.Contains(f.Message, "accepted is") {
				t.Fatalf("%q, %v\n%s", party, err, &w.log)
			}
			if c.reason == fault.NotAllowed && f.Field != "works_for" {
				t.Errorf("the field is %q", f.Field)
			}
			if !strings.Contains(w.log.String(), c.logged) || c.reason == fault.BadToken && w.log.Len() == 0 {
				t.Errorf("the log does not say %q: %s", c.logged, &w.log)
			}
		})
	}
}

// What the browser comes back with must be of the login that it began.
func TestForgedReturns(t *testing.T) {
	w, elsewhere := newWorld(t, nil), newWorld(t, nil)
	_, foreign, err := elsewhere.Begin(t.Context(), redirect)
	if err != nil {
		t.Fatal(err)
	}
	address, otherCookie, err := w.Begin(t.Context(), redirect)
	if err != nil {
		t.Fatal(err)
	}
	other := w.issuer.LogIn(t, address)
	for name, c := range map[string]struct {
		change func(cookie *string, query url.Values)
		reason fault.Reason
		field  string
	}{
		"no cookie":                   {func(c *string, _ url.Values) { *c = "" }, fault.NotAllowed, "Cookie"},
		"half a cookie":               {func(c *string, _ url.Values) { *c = (*c)[:20] }, fault.NotAllowed, "Cookie"},
		"another login's cookie":      {func(c *string, _ url.Values) { *c = otherCookie }, fault.NotAllowed, "state"},
		"another process's cookie":    {func(c *string, _ url.Values) { *c = foreign }, fault.NotAllowed, "state"},
		"a cookie of a later time":    {func(c *string, _ url.Values) { b := []byte(*c); b[len(b)-2] ^= 1; *c = string(b) }, fault.NotAllowed, "state"},
		"another login's state":       {func(_ *string, q url.Values) { q.Set("state", other.Get("state")) }, fault.NotAllowed, "state"},
		"no state":                    {func(_ *string, q url.Values) { q.Del("state") }, fault.NotAllowed, "state"},
		"two states":                  {func(_ *string, q url.Values) { q.Add("state", other.Get("state")) }, fault.NotAllowed, "state"},
		"another login's code":        {func(_ *string, q url.Values) { q.Set("code", other.Get("code")) }, fault.BadToken, ""},
		"a code that was made up":     {func(_ *string, q url.Values) { q.Set("code", "x") }, fault.BadToken, ""},
		"no code":                     {func(_ *string, q url.Values) { q.Del("code") }, fault.InvalidField, "code"},
		"two codes":                   {func(_ *string, q url.Values) { q.Add("code", "x") }, fault.InvalidField, "code"},
		"the issuer refuses":          {func(_ *string, q url.Values) { q.Set("error", "access_denied") }, fault.NotAllowed, ""},
		"an answer of another issuer": {func(_ *string, q url.Values) { q.Set("iss", "https://elsewhere.example") }, fault.NotAllowed, "iss"},
		"too late":                    {func(*string, url.Values) { w.pass(staff.Within + time.Second) }, fault.NotAllowed, "state"},
	} {
		t.Run(name, func(t *testing.T) {
			before := w.now()
			party, err := w.attempt(t, c.change)
			w.pass(before.Sub(w.now()))
			f, ok := fault.As(err)
			if !ok || f.Reason != c.reason || f.Field != c.field || party != "" {
				t.Errorf("%q, %v; want %s %q", party, err, c.reason, c.field)
			}
		})
	}
	// A login ends once: the issuer takes a code once, and what comes back is of no use to another address.
	var cookie string
	var query url.Values
	if _, err := w.attempt(t, func(c *string, q url.Values) { cookie, query = *c, q }); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Finish(t.Context(), redirect, cookie, query); fault.Of(err) != fault.BadToken {
		t.Errorf("the same again: %v", err)
	}
	address, cookie, err = w.Begin(t.Context(), redirect)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Finish(t.Context(), "http://elsewhere.example/session/callback", cookie, w.issuer.LogIn(t, address)); fault.Of(err) != fault.BadToken {
		t.Errorf("at another address: %v", err)
	}
	if party, err := w.attempt(t, func(_ *string, q url.Values) { q.Set("iss", w.issuer.URL) }); err != nil || party != "harrow-gully" {
		t.Errorf("an issuer that names itself: %q, %v", party, err)
	}
}

// An issuer that fails is asked again later, not by everybody at once.
func TestIssuerFails(t *testing.T) {
	w := newWorld(t, nil)
	w.issuer.Down(true)
	for range 3 {
		if _, err := w.attempt(t, nil); fault.Of(err) != fault.IssuerUnavailable {
			t.Fatalf("%v", err)
		}
	}
	if discovered, _ := w.issuer.Seen(); discovered != 1 {
		t.Errorf("it was asked %d times", discovered)
	}
	w.issuer.Down(false)
	w.pass(5 * time.Second)
	if party, err := w.attempt(t, nil); err != nil || party != "harrow-gully" {
		t.Fatalf("%q, %v", party, err)
	}
	if _, err := w.attempt(t, func(*string, url.Values) { w.issuer.Down(true) }); fault.Of(err) != fault.IssuerUnavailable {
		t.Errorf("without an answer to the code: %v", err)
	}
	w.issuer.Down(false)
	w.Close()
	if _, err := w.attempt(t, nil); err == nil {
		t.Error("somebody logged in after the end")
	}
	wrong := newWorld(t, func(c *staff.Config) { c.ClientSecret = "another" })
	if _, err := wrong.attempt(t, nil); fault.Of(err) != fault.IssuerUnavailable || !strings.Contains(wrong.log.String(), "invalid_client") {
		t.Errorf("a secret that the issuer does not know: %v\n%s", err, &wrong.log)
	}
}

func TestIssuersThatAreNotUsed(t *testing.T) {
	elsewhere := httptest.NewServer(http.NotFoundHandler())
	defer elsewhere.Close()
	for name, change := range map[string]func(map[string]any){
		"calls itself otherwise":          func(d map[string]any) { d["issuer"] = "https://elsewhere.example" },
		"sends people on in the clear":    func(d map[string]any) { d["authorization_endpoint"] = "http://elsewhere.example/authorize" },
		"sends people to a script":        func(d map[string]any) { d["authorization_endpoint"] = "javascript:alert(1)" },
		"takes codes in the clear":        func(d map[string]any) { d["token_endpoint"] = "http://elsewhere.example/token" },
		"publishes its keys in the clear": func(d map[string]any) { d["jwks_uri"] = "http://elsewhere.example/keys" },
		"publishes no keys":               func(d map[string]any) { d["jwks_uri"] = elsewhere.URL },
		"has much to say":                 func(d map[string]any) { d["x"] = strings.Repeat("x", 1<<20) },
		"signs by what nobody should":     func(d map[string]any) { d["id_token_signing_alg_values_supported"] = []string{"ES512"} },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, nil)
			w.issuer.Document(change)
			if party, err := w.attempt(t, nil); err == nil || party != "" || fault.Of(err) != fault.IssuerUnavailable && fault.Of(err) != fault.BadToken {
				t.Errorf("%q, %v", party, err)
			}
			if w.log.Len() == 0 {
				t.Error("the log says nothing")
			}
		})
	}
}

func TestConfigurationsThatAreRefused(t *testing.T) {
	good := staff.Config{Issuer: "https://login.example", ClientID: "x", PartyClaim: "y"}
	if err := good.Check(); err != nil {
		t.Error(err)
	}
	for issuer, taken := range map[string]bool{
		"": false, "login.example": false, "http://login.example": false, "https://login.example/?x=1": false, "https://a:b@login.example": false, "https://login.example#x": false,
		"ftp://login.example": false, "http://127.0.0.1:5556/dex": true, "http://localhost:5556": true, "http://[::1]:5556": true, "https://login.example/realms/guild": true,
	} {
		c := good
		c.Issuer = issuer
		if err := c.Check(); (err == nil) != taken {
			t.Errorf("%q: %v", issuer, err)
		}
	}
	if _, err := staff.New(staff.Config{}); err == nil || !strings.Contains(err.Error(), "issuer") || !strings.Contains(err.Error(), "client id") || !strings.Contains(err.Error(), "party claim") {
		t.Errorf("an empty one: %v", err)
	}
}

// Many logins at once wait for an issuer that is slow, and more are refused at once.
func TestLoginsAtOnce(t *testing.T) {
	hold, arrived := make(chan struct{}), make(chan struct{}, 100)
	slow := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		arrived <- struct{}{}
		<-hold
		rw.WriteHeader(http.StatusServiceUnavailable)
	}))
	defer slow.Close()
	busy := newWorld(t, nil)
	busy.issuer.Document(func(d map[string]any) { d["token_endpoint"] = slow.URL })
	type login struct {
		cookie string
		query  url.Values
	}
	var logins []login
	for range 17 {
		address, cookie, err := busy.Begin(t.Context(), redirect)
		if err != nil {
			t.Fatal(err)
		}
		logins = append(logins, login{cookie, busy.issuer.LogIn(t, address)})
	}
	var all sync.WaitGroup
	for _, l := range logins[:16] {
		all.Go(func() {
			if _, err := busy.Finish(context.Background(), redirect, l.cookie, l.query); fault.Of(err) != fault.IssuerUnavailable {
				t.Errorf("%v", err)
			}
		})
	}
	for range 16 {
		<-arrived
	}
	if _, err := busy.Finish(t.Context(), redirect, logins[16].cookie, logins[16].query); fault.Of(err) != fault.RateLimited {
		t.Errorf("one more: %v", err)
	}
	close(hold)
	all.Wait()
}
