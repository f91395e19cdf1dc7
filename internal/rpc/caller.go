package rpc

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Directory knows parties and tokens. It answers from what this node has applied of the log; what it answers is not changed by anybody.
type Directory interface {
	// TokenParty finds the party that a token belongs to, by the SHA-256 of the token. A token that was revoked or has expired may still
	// be found.
	TokenParty(hash [32]byte) (*account.Party, *account.Token, bool, error)
	// Party finds an enrolled party; nil: there is none of that id.
	Party(id string) (*account.Party, error)
}

// Certificates knows whose the certificates of clients are.
type Certificates interface {
	// Holder names the party of the certificate that a connection was made with, and until when that is valid. It is asked at each call:
	// what has expired or was revoked since the connection was made is refused. Refusals are faults.
	Holder(*tls.ConnectionState) (party string, until time.Time, err error)
}

// Means says by what a caller showed who it is.
type Means string

// The means, as messages speak of them.
const (
	ByToken       Means = "token"
	ByCertificate Means = "certificate"
	BySession     Means = "session"
)

// Caller is who calls.
type Caller struct {
	Party  string
	Scopes []opal.Scope
	// Expires is when what the caller showed ends; 0: never. Nothing that the caller is given by it may last longer.
	Expires opal.Instant
	Means   Means
}

// Has tells whether the caller has a scope. ADMIN includes the others.
func (c Caller) Has(s opal.Scope) bool {
	return slices.Contains(c.Scopes, s) || slices.Contains(c.Scopes, opal.ScopeAdmin)
}

type callerKey struct{}

// WithCaller puts a caller into a context: for calls that are made in process.
func WithCaller(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// CallerFrom finds the caller of a call; a public method may have none.
func CallerFrom(ctx context.Context) (Caller, bool) {
	c, ok := ctx.Value(callerKey{}).(Caller)
	return c, ok
}

// Authenticator finds out who calls.
type Authenticator struct {
	directory    Directory
	certificates Certificates // nil: none are asked for
	now          func() time.Time
	// vouching is known to this process alone, and new with each; see Vouch.
	vouching [32]byte
}

// NewAuthenticator makes one. The clock is for what expires; certificates may be nil.
func NewAuthenticator(d Directory, c Certificates, now func() time.Time) *Authenticator {
	a := &Authenticator{directory: d, certificates: c, now: now}
	rand.Read(a.vouching[:])
	return a
}

// Credentials are what a call brings to show who calls.
type Credentials struct {
	// Authorization are the headers of that name.
	Authorization []string
	// TLS is the connection's state; nil: it is not by TLS, or ends elsewhere.
	TLS *tls.ConnectionState
}

// withCertificate tells whether the client presented one.
func (c *Credentials) withCertificate() bool { return c.TLS != nil && len(c.TLS.PeerCertificates) > 0 }

// Caller finds out who calls. A token says what its caller may do, also beside a certificate, which must then be of the same party. An error
// that is no fault is the directory's.
func (a *Authenticator) Caller(c Credentials) (Caller, error) {
	if len(c.Authorization) > 1 {
		return Caller{}, fault.New(fault.BadToken, "", "found %d Authorization headers, accepted is one", len(c.Authorization))
	}
	var holder Caller
	if c.withCertificate() && a.certificates != nil {
		var err error
		if holder, err = a.certificate(c.TLS); err != nil {
			return Caller{}, err
		}
		if len(c.Authorization) == 0 {
			return holder, nil
		}
	}
	header := ""
	if len(c.Authorization) == 1 {
		header = c.Authorization[0]
	}
	who, err := a.authorization(header)
	if err != nil {
		return Caller{}, err
	}
	if holder.Party != "" && holder.Party != who.Party {
		return Caller{}, fault.New(fault.BadToken, "", "found a certificate of %s and a token of another party, accepted is one of the same", holder.Party)
	}
	return who, nil
}

// certificate finds the party that the client's certificate is of. It may read and post, and never do what the admin may: a
// certificate is revoked outside the log, and what the log cannot take back it does not give.
func (a *Authenticator) certificate(state *tls.ConnectionState) (Caller, error) {
	id, until, err := a.certificates.Holder(state)
	if err != nil {
		return Caller{}, err
	}
	if err := a.Enrolled(id); err != nil {
		if f, ok := fault.As(err); ok {
			return Caller{}, fault.New(fault.BadCertificate, "", "in the certificate's URI: %s", f.Message)
		}
		return Caller{}, err
	}
	return Caller{id, ReadAndPost(), opal.InstantOf(until), ByCertificate}, nil
}

// Enrolled refuses a party that others than the log name and that the log does not know. The admin is none.
func (a *Authenticator) Enrolled(id string) error {
	if err := opal.CheckParty(id); err != nil {
		return fault.New(fault.UnknownParty, "", "%s", err)
	}
	p, err := a.directory.Party(id)
	if err != nil {
		return fmt.Errorf("look the party %s up: %w", id, err)
	}
	if p == nil {
		return fault.New(fault.UnknownParty, "", "found the party %s, which is not enrolled; accepted is the id of an enrolled party", id)
	}
	return nil
}

// ReadAndPost is what a caller may do of whom nothing else is said.
func ReadAndPost() []opal.Scope { return []opal.Scope{opal.ScopeRead, opal.ScopePost} }

// maxToken is longer than any token of ours, and short enough to hash whatever comes.
const maxToken = 200

// authorization reads an Authorization header, "Bearer TOKEN". No token at all is NO_TOKEN; whatever else is not a token in force
// is BAD_TOKEN, in the same words, so that nobody learns which tokens there once were.
func (a *Authenticator) authorization(header string) (Caller, error) {
	if header == "" {
		return Caller{}, noToken()
	}
	scheme, token, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "Bearer") || token == "" || len(token) > maxToken {
		return Caller{}, fault.New(fault.BadToken, "", "found an Authorization header that is not of the form Bearer TOKEN; accepted is that form")
	}
	return a.TokenCaller(envelope.TokenHash(token))
}

func noToken() *fault.Error {
	return fault.New(fault.NoToken, "", "found no token; accepted is the header Authorization: Bearer TOKEN with the token of an enrolled party")
}

// TokenCaller finds the caller by the hash of a token.
func (a *Authenticator) TokenCaller(hash [32]byte) (Caller, error) {
	party, t, ok, err := a.directory.TokenParty(hash)
	if err != nil {
		return Caller{}, fmt.Errorf("look a token up: %w", err)
	}
	if !ok || t.RevokedAt != nil || t.Expires != 0 && opal.InstantOf(a.now()) >= t.Expires {
		return Caller{}, fault.New(fault.BadToken, "", "found a token that is not in force: it is unknown, expired or revoked; accepted is a token of an enrolled party")
	}
	return Caller{party.ID, scopes(t), t.Expires, ByToken}, nil
}

// scopes gives what a token allows: one without scopes, to read and to post.
func scopes(t *account.Token) []opal.Scope {
	if len(t.Scopes) > 0 {
		return t.Scopes
	}
	return ReadAndPost()
}

// admit finds out who calls a method and whether it may. On a public method a token that is given must be good; a certificate comes with
// every call of a connection, asked for or not, and one that does not count is there as good as none.
func (a *Authenticator) admit(ctx context.Context, method string, access Access) (context.Context, Caller, error) {
	if access == Denied {
		return ctx, Caller{}, fault.New(fault.NotAllowed, "", "the method %s is not open to anybody", method)
	}
	c, given, err := a.calling(ctx)
	if err != nil {
		if _, ok := fault.As(err); ok && access == Public && !given {
			return ctx, Caller{}, nil
		}
		return ctx, Caller{}, err
	}
	if access != Public && !c.Has(access.scope()) {
		return ctx, Caller{}, fault.New(fault.NotAllowed, "", "found a %s with the scopes %s, and %s asks for %s",
			c.Means, join(c.Scopes), shortName(method), access.scope())
	}
	return WithCaller(ctx, c), c, nil
}

// calling finds the caller of a gRPC call. given: the call itself names one, in a header.
func (a *Authenticator) calling(ctx context.Context) (c Caller, given bool, err error) {
	creds := Credentials{Authorization: metadata.ValueFromIncomingContext(ctx, "authorization")}
	given = len(creds.Authorization) > 0
	if p, ok := peer.FromContext(ctx); ok {
		if len(creds.Authorization) == 1 && p.Addr != nil && p.Addr.Network() == inProcess {
			if c, ok := a.vouched(creds.Authorization[0]); ok {
				return c, given, nil
			}
		}
		if info, ok := p.AuthInfo.(credentials.TLSInfo); ok {
			creds.TLS = &info.State
		}
	}
	c, err = a.Caller(creds)
	return c, given, err
}

func join(scopes []opal.Scope) string {
	var b strings.Builder
	for i, s := range scopes {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(string(s))
	}
	return b.String()
}
