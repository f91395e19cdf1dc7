// Package staff logs people in through an OpenID Connect issuer that knows them.
//
// It promises that Finish names a party only if the issuer signed, for this client, for this very login and within its time, that the person
// has that party in the agreed claim; and that the login was begun in the browser that ends it. It keeps nothing of a login: what it must
// know again at the end follows from the browser's cookie and a key of the process.
//
// Whether the party is enrolled, and the session that follows, are left to its caller. Which claim to trust is the operator's choice: it must be
// one that the issuer's administrators alone can set.
package staff

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

const (
	// Within is how long a person may take to log in at the issuer.
	Within = 10 * time.Minute
	// answerWithin is how long the issuer may take for one answer.
	answerWithin = 10 * time.Second
	// pause is how long an issuer that did not answer is not asked again for where it does what.
	pause = 5 * time.Second
	// atOnce bounds the logins that wait for the issuer: anybody can begin one.
	atOnce = 16
)

// Config is what a Login needs.
type Config struct {
	// Issuer is its address, exactly as it calls itself.
	Issuer string
	// ClientID and ClientSecret are what the issuer knows this node by; a public client has no secret.
	ClientID, ClientSecret string
	// PartyClaim is the claim of the ID token that holds a party's id.
	PartyClaim string
	// Now is the clock; unset: the machine's.
	Now func() time.Time
	// Log is told why a login failed, of which the person learns less; unset: nowhere.
	Log *slog.Logger
}

// Check tells all that is wrong with a configuration.
func (c Config) Check() error {
	var wrong []error
	if u, err := url.Parse(c.Issuer); err != nil || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil || !confidential(u) {
		wrong = append(wrong, fmt.Errorf("OIDC issuer: found %q, accepted is an https address without query, or http on the loopback", c.Issuer))
	}
	if c.ClientID == "" {
		wrong = append(wrong, errors.New("OIDC client id: found nothing, accepted is the id that the issuer gave this node"))
	}
	if c.PartyClaim == "" {
		wrong = append(wrong, errors.New("OIDC party claim: found nothing, accepted is the name of the claim that holds a party's id"))
	}
	return errors.Join(wrong...)
}

// confidential tells whether what goes to an address stays between the two.
func confidential(u *url.URL) bool {
	if u.Scheme == "https" {
		return true
	}
	ip := net.ParseIP(u.Hostname())
	return u.Scheme == "http" && (u.Hostname() == "localhost" || ip != nil && ip.IsLoopback())
}

// Login logs people in. It is safe for concurrent use.
type Login struct {
	cfg    Config
	client *http.Client
	life   context.Context
	end    context.CancelFunc
	key    [32]byte // of this process; see secrets
	slots  chan struct{}

	mu sync.Mutex
	// Guarded by mu.
	issuer *issuer // nil: not asked yet
	failed time.Time
}

// issuer is what the issuer says of itself. It is not changed once it is made.
type issuer struct {
	oauth    oauth2.Config
	verifier *oidc.IDTokenVerifier
}

// New makes a Login. The issuer is asked when somebody logs in: one that does not answer must not keep the node from starting.
func New(cfg Config) (*Login, error) {
	if err := cfg.Check(); err != nil {
		return nil, err
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	l := &Login{cfg: cfg, slots: make(chan struct{}, atOnce)}
	rand.Read(l.key[:])
	l.life, l.end = context.WithCancel(context.Background())
	l.client = &http.Client{
		Timeout:   answerWithin,
		Transport: &transport{next: http.DefaultTransport.(*http.Transport).Clone(), life: l.life},
		// Where the issuer does what it says itself; an address that leads on to another is none of them.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return l, nil
}

// Close ends what is under way.
func (l *Login) Close() {
	l.end()
	l.client.CloseIdleConnections()
}

// secrets are what a login is bound by: all that the issuer is told and tells again, of which only who has the cookie and this process
// know how to make them.
type secrets struct{ state, nonce, verifier string }

// cookieSize is that of a cookie before it is written: 32 random bytes, and when the login began.
const cookieSize = 32 + 8

func (l *Login) secretsOf(cookie []byte) secrets {
	derive := func(what string) string {
		m := hmac.New(sha256.New, l.key[:])
		m.Write(cookie) // of one length
		m.Write([]byte(what))
		return base64.RawURLEncoding.EncodeToString(m.Sum(nil))
	}
	return secrets{derive("state"), derive("nonce"), derive("verifier")}
}

// Begin gives the address at the issuer to which a person goes to log in, and a cookie that the same browser must come back with.
func (l *Login) Begin(ctx context.Context, redirect string) (address, cookie string, err error) {
	is, err := l.discovered(ctx)
	if err != nil {
		return "", "", err
	}
	b := make([]byte, cookieSize)
	rand.Read(b[:32])
	binary.BigEndian.PutUint64(b[32:], uint64(l.cfg.Now().Unix()))
	s := l.secretsOf(b)
	oauth := is.oauth
	oauth.RedirectURL = redirect
	return oauth.AuthCodeURL(s.state, oidc.Nonce(s.nonce), oauth2.S256ChallengeOption(s.verifier)), base64.RawURLEncoding.EncodeToString(b), nil
}

// Finish ends a login with the cookie and the query that the browser came back with, and names the party that the person works for.
func (l *Login) Finish(ctx context.Context, redirect, cookie string, query url.Values) (party string, err error) {
	s, f := l.begun(cookie, query)
	if f != nil {
		return "", f
	}
	if f := l.issuersWord(query); f != nil {
		return "", f
	}
	select {
	case l.slots <- struct{}{}:
		defer func() { <-l.slots }()
	default:
		return "", fault.New(fault.RateLimited, "", "found %d logins that wait for the issuer, accepted are no more at once", atOnce)
	}
	is, err := l.discovered(ctx)
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(oidc.ClientContext(ctx, l.client), 2*answerWithin)
	defer cancel()
	oauth := is.oauth
	oauth.RedirectURL = redirect
	answer, err := oauth.Exchange(ctx, query.Get("code"), oauth2.VerifierOption(s.verifier))
	if err != nil {
		return "", l.exchangeFault(err)
	}
	raw, _ := answer.Extra("id_token").(string)
	token, err := is.verifier.Verify(ctx, raw)
	if err != nil {
		return "", l.notTaken("verify the ID token", err)
	}
	if err := l.ours(token, s.nonce); err != nil {
		return "", l.notTaken("check the ID token", err)
	}
	return l.partyOf(token)
}

// begun finds the secrets of the login that a browser began, if it was this one and not too long ago.
func (l *Login) begun(cookie string, query url.Values) (secrets, *fault.Error) {
	const accepted = "accepted is the end of a login that this browser began within %v; it begins at /session/login"
	b, err := base64.RawURLEncoding.DecodeString(cookie)
	if err != nil || len(b) != cookieSize {
		return secrets{}, fault.New(fault.NotAllowed, "Cookie", "found none of a login, "+accepted, Within)
	}
	s := l.secretsOf(b)
	if given := query["state"]; len(given) != 1 || !hmac.Equal([]byte(given[0]), []byte(s.state)) {
		return secrets{}, fault.New(fault.NotAllowed, "state", "found one of another login, "+accepted, Within)
	}
	// Only now: a time that the state does not vouch for says nothing.
	began := time.Unix(int64(binary.BigEndian.Uint64(b[32:])), 0)
	if age := l.cfg.Now().Sub(began); age > Within || age < -time.Minute {
		return secrets{}, fault.New(fault.NotAllowed, "state", "found one of a login that began at %s, "+accepted, began.UTC().Format(time.RFC3339), Within)
	}
	return s, nil
}

// issuersWord reads what the issuer sent beside the state.
func (l *Login) issuersWord(query url.Values) *fault.Error {
	if from := query["iss"]; len(from) > 0 && !slices.Equal(from, []string{l.cfg.Issuer}) { // RFC 9207
		return fault.New(fault.NotAllowed, "iss", "found an answer of another issuer, accepted is one of %s", l.cfg.Issuer)
	}
	if refused := query.Get("error"); refused != "" {
		l.cfg.Log.Warn("the issuer refused a login", "error", refused, "description", query.Get("error_description"))
		return fault.New(fault.NotAllowed, "", "the issuer refused the login; accepted is one that it lets through")
	}
	if code := query["code"]; len(code) != 1 || code[0] == "" {
		return fault.New(fault.InvalidField, "code", "found %d of them, accepted is one that the issuer gave", len(code))
	}
	return nil
}

// discovered asks the issuer, once, where it does what and how it signs.
func (l *Login) discovered(ctx context.Context) (*issuer, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.issuer != nil {
		return l.issuer, nil
	}
	if l.cfg.Now().Sub(l.failed) < pause {
		return nil, unavailable()
	}
	ctx, cancel := context.WithTimeout(oidc.ClientContext(ctx, l.client), answerWithin)
	defer cancel()
	is, err := l.discover(ctx)
	if err != nil {
		if ctx.Err() == nil || errors.Is(ctx.Err(), context.DeadlineExceeded) { // not for a person who left
			l.failed = l.cfg.Now()
		}
		l.cfg.Log.Error("the issuer of logins cannot be used", "issuer", l.cfg.Issuer, "error", err)
		return nil, unavailable()
	}
	l.issuer = is
	return is, nil
}

func (l *Login) discover(ctx context.Context) (*issuer, error) {
	provider, err := oidc.NewProvider(ctx, l.cfg.Issuer)
	if err != nil {
		return nil, fmt.Errorf("discover the issuer: %w", err)
	}
	endpoint := provider.Endpoint()
	if u, err := url.Parse(endpoint.AuthURL); err != nil || !confidential(u) { // the other addresses the transport looks at
		return nil, fmt.Errorf("found the authorization endpoint %q, accepted is an https address", endpoint.AuthURL)
	}
	var also struct {
		Methods []string `json:"token_endpoint_auth_methods_supported"`
	}
	if err := provider.Claims(&also); err != nil {
		return nil, fmt.Errorf("read what the issuer says of itself: %w", err)
	}
	// Told, and not found out by trying: a code that was tried once is used up. Without a list it is Basic.
	endpoint.AuthStyle = oauth2.AuthStyleInHeader
	if l.cfg.ClientSecret == "" || len(also.Methods) > 0 && !slices.Contains(also.Methods, "client_secret_basic") {
		endpoint.AuthStyle = oauth2.AuthStyleInParams
	}
	return &issuer{
		oauth:    oauth2.Config{ClientID: l.cfg.ClientID, ClientSecret: l.cfg.ClientSecret, Endpoint: endpoint, Scopes: []string{oidc.ScopeOpenID, "profile"}},
		verifier: provider.Verifier(&oidc.Config{ClientID: l.cfg.ClientID, Now: l.cfg.Now}),
	}, nil
}

func unavailable() *fault.Error {
	return fault.New(fault.IssuerUnavailable, "", "the issuer of logins did not answer as it should; the same may be tried again")
}

// exchangeFault tells a code that the issuer does not take from an issuer that cannot be used.
func (l *Login) exchangeFault(err error) *fault.Error {
	var refused *oauth2.RetrieveError
	if errors.As(err, &refused) && refused.ErrorCode == "invalid_grant" {
		return l.notTaken("exchange the code", err)
	}
	l.cfg.Log.Error("the issuer of logins gave no token for a code", "issuer", l.cfg.Issuer, "error", err)
	return unavailable()
}

// notTaken refuses a login, and leaves the particulars to the log: whoever tries things out shall not learn how far they got.
func (l *Login) notTaken(what string, err error) *fault.Error {
	l.cfg.Log.Warn("a login was not taken", "issuer", l.cfg.Issuer, "while", what, "error", err)
	return fault.New(fault.BadToken, "", "found a login that the issuer does not stand for; accepted is one for which %s signs, for this service and within its time", l.cfg.Issuer)
}

// ours checks what the library leaves to its caller: that the token is of this login, and, if it is for several clients, was given to
// this one.
func (l *Login) ours(t *oidc.IDToken, nonce string) error {
	if !hmac.Equal([]byte(t.Nonce), []byte(nonce)) {
		return errors.New("the nonce is of another login")
	}
	if t.Subject == "" {
		return errors.New("it names no subject")
	}
	var also struct {
		AuthorizedParty *string `json:"azp"`
	}
	if err := t.Claims(&also); err != nil {
		return err
	}
	switch {
	case also.AuthorizedParty != nil && *also.AuthorizedParty != l.cfg.ClientID:
		return fmt.Errorf("it was given to the client %q", *also.AuthorizedParty)
	case also.AuthorizedParty == nil && len(t.Audience) > 1:
		return fmt.Errorf("it is for the clients %q and does not say to which it was given", t.Audience)
	}
	return nil
}

// partyOf reads the claim. The admin is no party: nobody logs in as that.
func (l *Login) partyOf(t *oidc.IDToken) (string, error) {
	var claims map[string]any
	if err := t.Claims(&claims); err != nil {
		return "", l.notTaken("read the claims", err)
	}
	party, ok := claims[l.cfg.PartyClaim].(string)
	if !ok {
		return "", fault.New(fault.NotAllowed, l.cfg.PartyClaim, "found no text in this claim of the issuer's, accepted is a party's id")
	}
	if err := opal.CheckParty(party); err != nil {
		return "", fault.New(fault.NotAllowed, l.cfg.PartyClaim, "in this claim of the issuer's: %s", err)
	}
	return party, nil
}

// transport sends nothing in the clear over a network, reads no endless answer, and ends with the Login: the library fetches keys in a goroutine
// of its own, which no call's context ends.
type transport struct {
	next *http.Transport
	life context.Context
}

// maxAnswer is far more than any issuer has to say.
const maxAnswer = 1 << 20

func (t *transport) RoundTrip(r *http.Request) (*http.Response, error) {
	if !confidential(r.URL) {
		return nil, fmt.Errorf("found the address %s of the issuer's, accepted is an https address", r.URL.Redacted())
	}
	ctx, cancel := context.WithCancel(r.Context())
	stop := context.AfterFunc(t.life, cancel)
	res, err := t.next.RoundTrip(r.WithContext(ctx))
	if err != nil {
		stop()
		cancel()
		return nil, err
	}
	res.Body = &boundedBody{http.MaxBytesReader(nil, res.Body, maxAnswer), func() { stop(); cancel() }}
	return res, nil
}

// CloseIdleConnections is what http.Client asks its transport for.
func (t *transport) CloseIdleConnections() { t.next.CloseIdleConnections() }

type boundedBody struct {
	io.ReadCloser
	done func()
}

func (b *boundedBody) Close() error {
	defer b.done()
	return b.ReadCloser.Close()
}
