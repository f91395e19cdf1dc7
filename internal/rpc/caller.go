package rpc

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/metadata"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Directory knows the tokens. It answers from what this node has applied of the log; what it answers is not changed by anybody.
type Directory interface {
	// TokenParty finds the party that a token belongs to, by the SHA-256 of the token. A token that was revoked or has expired may still
	// be found.
	TokenParty(hash [32]byte) (*account.Party, *account.Token, bool, error)
}

// Caller is who calls.
type Caller struct {
	Party  string
	Scopes []opal.Scope
	// Expires is when the caller's token ends; 0: never.
	Expires opal.Instant
}

// Has tells whether the caller's token has a scope. ADMIN includes the others.
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
	directory Directory
	now       func() time.Time
}

// NewAuthenticator makes one. The clock is for tokens that expire.
func NewAuthenticator(d Directory, now func() time.Time) *Authenticator {
	return &Authenticator{d, now}
}

// maxToken is longer than any token of ours, and short enough to hash whatever comes.
const maxToken = 200

// Authorization reads an Authorization header, "Bearer TOKEN". No token at all is NO_TOKEN; whatever else is not a token in force
// is BAD_TOKEN, in the same words, so that nobody learns which tokens there once were. An error that is no fault is the directory's.
func (a *Authenticator) Authorization(header string) (Caller, error) {
	if header == "" {
		return Caller{}, fault.New(fault.NoToken, "", "found no token; accepted is the header Authorization: Bearer TOKEN with the token of an enrolled party")
	}
	scheme, token, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "Bearer") || token == "" || len(token) > maxToken {
		return Caller{}, fault.New(fault.BadToken, "", "found an Authorization header that is not of the form Bearer TOKEN; accepted is that form")
	}
	party, t, ok, err := a.directory.TokenParty(envelope.TokenHash(token))
	if err != nil {
		return Caller{}, fmt.Errorf("look a token up: %w", err)
	}
	if !ok || t.RevokedAt != nil || t.Expires != 0 && opal.InstantOf(a.now()) >= t.Expires {
		return Caller{}, fault.New(fault.BadToken, "", "found a token that is not in force: it is unknown, expired or revoked; accepted is a token of an enrolled party")
	}
	return Caller{party.ID, scopes(t), t.Expires}, nil
}

// scopes gives what a token allows: one without scopes, to read and to post.
func scopes(t *account.Token) []opal.Scope {
	if len(t.Scopes) > 0 {
		return t.Scopes
	}
	return []opal.Scope{opal.ScopeRead, opal.ScopePost}
}

// admit finds out who calls a method and whether it may.
func (a *Authenticator) admit(ctx context.Context, method string, access Access) (context.Context, Caller, error) {
	if access == Denied {
		return ctx, Caller{}, fault.New(fault.NotAllowed, "", "the method %s is not open to anybody", method)
	}
	headers := metadata.ValueFromIncomingContext(ctx, "authorization")
	if len(headers) == 0 && access == Public {
		return ctx, Caller{}, nil
	}
	header := ""
	switch len(headers) {
	case 0:
	case 1:
		header = headers[0]
	default:
		return ctx, Caller{}, fault.New(fault.BadToken, "", "found %d Authorization headers, accepted is one", len(headers))
	}
	c, err := a.Authorization(header)
	if err != nil {
		return ctx, Caller{}, err
	}
	if access != Public && !c.Has(access.scope()) {
		return ctx, Caller{}, fault.New(fault.NotAllowed, "", "found a token with the scopes %s, and %s asks for %s",
			join(c.Scopes), shortName(method), access.scope())
	}
	return WithCaller(ctx, c), c, nil
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
