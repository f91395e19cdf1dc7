// Package issuertest is an OpenID Connect issuer for tests, on the loopback. It signs what the test says, forged things too.
package issuertest

import (
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"
)

// The client that the issuer knows.
const (
	ClientID     = "lotpaper of the guild"
	ClientSecret = "a secret: with a colon"
)

// Issuer is an issuer. Its fields say what it does next.
type Issuer struct {
	URL string

	mu sync.Mutex
	// Guarded by mu.
	key, other *rsa.PrivateKey
	pending    map[string]url.Values // what was asked for, by code
	change     func(header, claims map[string]any)
	document   func(map[string]any)
	sign       func(signed string, right func(string) []byte) []byte
	down       bool
	discovered int
	redeemed   int
}

// New starts one; it ends with the test.
func New(t testing.TB) *Issuer {
	t.Helper()
	i := &Issuer{pending: map[string]url.Values{}}
	for _, key := range []**rsa.PrivateKey{&i.key, &i.other} {
		var err error
		if *key, err = rsa.GenerateKey(rand.Reader, 2048); err != nil {
			t.Fatal(err)
		}
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/.well-known/openid-configuration", i.discovery)
	mux.HandleFunc("/keys", i.keys)
	mux.HandleFunc("/token", i.token)
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	i.URL = server.URL
	return i
}

// Change alters the tokens that come next before they are signed; nil: nothing.
func (i *Issuer) Change(f func(header, claims map[string]any)) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.change = f
}

// Sign makes the signatures that come next in place of the right one, which it may ask for; nil: the right one.
func (i *Issuer) Sign(f func(signed string, right func(string) []byte) []byte) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.sign = f
}

// Document alters what the issuer says of itself.
func (i *Issuer) Document(f func(map[string]any)) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.document = f
}

// Down makes the issuer fail, or work again.
func (i *Issuer) Down(down bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.down = down
}

// Seen tells how often it was asked what it does where, and how many codes it gave tokens for.
func (i *Issuer) Seen() (discovered, redeemed int) {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.discovered, i.redeemed
}

// LogIn does what a person's browser does at the issuer: it goes to the address and comes back with this query.
func (i *Issuer) LogIn(t testing.TB, address string) url.Values {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	if u.Path != "/authorize" || q.Get("response_type") != "code" || q.Get("client_id") != ClientID || q.Get("code_challenge_method") != "S256" ||
		len(q.Get("code_challenge")) != 43 || len(q.Get("state")) != 43 || len(q.Get("nonce")) != 43 {
		t.Fatalf("a login was begun with %s", address)
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	code := rand.Text()
	i.pending[code] = q
	return url.Values{"code": {code}, "state": {q.Get("state")}}
}

func (i *Issuer) discovery(w http.ResponseWriter, _ *http.Request) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.discovered++
	if i.down {
		http.Error(w, "down", http.StatusServiceUnavailable)
		return
	}
	doc := map[string]any{
		"issuer": i.URL, "authorization_endpoint": i.URL + "/authorize", "token_endpoint": i.URL + "/token", "jwks_uri": i.URL + "/keys",
		"id_token_signing_alg_values_supported": []string{"RS256", "none", "HS256"}, // an issuer may say that, and nobody has to take it
	}
	if i.document != nil {
		i.document(doc)
	}
	write(w, doc)
}

func (i *Issuer) keys(w http.ResponseWriter, _ *http.Request) {
	write(w, map[string]any{"keys": []any{map[string]any{
		"kty": "RSA", "kid": "one", "use": "sig", "alg": "RS256",
		"n": base64.RawURLEncoding.EncodeToString(i.key.N.Bytes()), "e": base64.RawURLEncoding.EncodeToString(big.NewInt(int64(i.key.E)).Bytes()),
	}}})
}

// token gives an ID token for a code: once, to the client, for the address and the verifier that the login began with.
func (i *Issuer) token(w http.ResponseWriter, r *http.Request) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.down {
		http.Error(w, "down", http.StatusServiceUnavailable)
		return
	}
	refuse := func(code int, word string) {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(code)
		fmt.Fprintf(w, `{"error":%q}`, word)
	}
	id, secret, ok := r.BasicAuth()
	if !ok || id != url.QueryEscape(ClientID) || secret != url.QueryEscape(ClientSecret) {
		refuse(http.StatusUnauthorized, "invalid_client")
		return
	}
	code := r.PostFormValue("code")
	asked, ok := i.pending[code]
	delete(i.pending, code)
	proof := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	if !ok || r.PostFormValue("grant_type") != "authorization_code" || r.PostFormValue("redirect_uri") != asked.Get("redirect_uri") ||
		base64.RawURLEncoding.EncodeToString(proof[:]) != asked.Get("code_challenge") {
		refuse(http.StatusBadRequest, "invalid_grant")
		return
	}
	i.redeemed++
	header := map[string]any{"alg": "RS256", "kid": "one", "typ": "JWT"}
	claims := map[string]any{
		"iss": i.URL, "sub": "person-7", "aud": ClientID, "exp": time.Now().Add(5 * time.Minute).Unix(), "iat": time.Now().Unix(),
		"nonce": asked.Get("nonce"), "works_for": "harrow-gully",
	}
	if i.change != nil {
		i.change(header, claims)
	}
	signed := part(header) + "." + part(claims)
	right := func(s string) []byte { return i.rsa(i.key, s) }
	signature := right(signed)
	if i.sign != nil {
		signature = i.sign(signed, right)
	}
	write(w, map[string]any{"access_token": "opaque", "token_type": "Bearer", "id_token": signed + "." + base64.RawURLEncoding.EncodeToString(signature)})
}

// ByAnother signs with a key that the issuer does not publish.
func (i *Issuer) ByAnother(signed string) []byte { return i.rsa(i.other, signed) }

// PublicKey is the issuer's key as whoever mistakes it for a secret would have it.
func (i *Issuer) PublicKey() []byte { return i.key.N.Bytes() }

func (i *Issuer) rsa(key *rsa.PrivateKey, signed string) []byte {
	sum := sha256.Sum256([]byte(signed))
	out, err := rsa.SignPKCS1v15(nil, key, crypto.SHA256, sum[:])
	if err != nil {
		panic(err)
	}
	return out
}

func part(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

func write(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}
