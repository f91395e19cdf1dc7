package gateway

import (
	"crypto/tls"
	"net/http"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// Callers finds out who calls over HTTP.
type Callers interface {
	// Caller finds the caller by headers and certificate. What does not hold is refused with a fault.
	Caller(rpc.Credentials) (rpc.Caller, error)
	// Vouch gives the Authorization value by which the node's gRPC server, and no other, takes a call of the gateway for that caller's.
	Vouch(rpc.Caller) string
}

var _ Callers = (*rpc.Authenticator)(nil)

// doors finds out who calls before anything else of a request is looked at.
//
// A token is in a header, which only the caller's own program writes. What a browser adds by itself to whatever page's request, a
// certificate, says who sends it and not who wanted it sent: so a request that changes something and comes with no more than that must not
// come from another site's page. On public routes such credentials count if they hold, and are as good as none if they do not.
type doors struct {
	callers Callers
	origins *http.CrossOriginProtection
}

func newDoors(c Callers) *doors { return &doors{c, http.NewCrossOriginProtection()} }

// enter refuses who must not come in, and makes the request say who calls in the one way that the services read: by the header that goes
// on with it. A token goes on as it is and is looked up again there.
func (d *doors) enter(r *http.Request) error {
	tokens := r.Header.Values("Authorization")
	private := strings.HasPrefix(r.URL.Path, "/v1/") && !public(r)
	switch {
	case len(tokens) > 0 && (private || hasCertificate(r.TLS)):
		_, err := d.callers.Caller(rpc.Credentials{Authorization: tokens, TLS: r.TLS})
		return err
	case len(tokens) > 0:
		return nil
	}
	who, err := d.ambient(r)
	if err == nil {
		r.Header.Set("Authorization", d.callers.Vouch(who))
		return nil
	}
	if _, ok := fault.As(err); ok && !private {
		return nil
	}
	return err
}

// ambient finds the caller by what the client sends with every request.
func (d *doors) ambient(r *http.Request) (rpc.Caller, error) {
	who, err := d.callers.Caller(rpc.Credentials{TLS: r.TLS})
	if err != nil {
		return who, err
	}
	return who, d.sameOrigin(r)
}

// sameOrigin refuses a request that changes something if a browser says that another site's page sent it.
func (d *doors) sameOrigin(r *http.Request) error {
	if d.origins.Check(r) == nil {
		return nil
	}
	found := r.Header.Get("Origin")
	if found == "" {
		found = "Sec-Fetch-Site: " + r.Header.Get("Sec-Fetch-Site")
	}
	return fault.New(fault.NotAllowed, "Origin", "found a request from the page of another site (%s), accepted are those of one's own pages and programs", clip(found))
}

func hasCertificate(s *tls.ConnectionState) bool { return s != nil && len(s.PeerCertificates) > 0 }
