package gateway

import (
	"crypto/subtle"
	"crypto/tls"
	"fmt"
	"net/http"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/session"
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
// certificate or a cookie, says who sends it and not who wanted it sent: so a request that changes something and comes with no more than
// that must not come from another site's page, and with a cookie it must carry a value that other sites' pages cannot read. On public
// routes such credentials count if all that holds, and are as good as none if it does not.
type doors struct {
	callers  Callers
	sessions *session.Store
	staff    Staff // nil: nobody logs in by an issuer
	secure   bool
	origins  *http.CrossOriginProtection
}

func newDoors(cfg Config) *doors {
	return &doors{cfg.Callers, cfg.Sessions, cfg.Staff, cfg.Secure, http.NewCrossOriginProtection()}
}

// enter refuses who must not come in, and makes the request say who calls in the one way that the services read: by the header that goes
// on with it. A token goes on as it is and is looked up again there.
func (d *doors) enter(w http.ResponseWriter, r *http.Request) error {
	if r.URL.Path == sessionPath || strings.HasPrefix(r.URL.Path, sessionPath+"/") {
		return nil // these look for themselves
	}
	tokens := r.Header.Values("Authorization")
	private := strings.HasPrefix(r.URL.Path, "/v1/") && !public(r)
	switch {
	case len(tokens) > 0 && (private || hasCertificate(r.TLS)):
		_, err := d.callers.Caller(rpc.Credentials{Authorization: tokens, TLS: r.TLS})
		return err
	case len(tokens) > 0:
		if who, err := d.callers.Caller(rpc.Credentials{Authorization: tokens, TLS: r.TLS}); err == nil {
			*r = *r.WithContext(rpc.WithCaller(r.Context(), who))
		}
		return nil
	}
	who, err := d.ambient(w, r)
	if err == nil {
		r.Header.Set("Authorization", d.callers.Vouch(who))
		*r = *r.WithContext(rpc.WithCaller(r.Context(), who)) // a page is another one for another caller
		return nil
	}
	if _, ok := fault.As(err); ok && !private {
		return nil
	}
	return err
}

// ambient finds the caller by what the client sends with every request.
func (d *doors) ambient(w http.ResponseWriter, r *http.Request) (rpc.Caller, error) {
	id, err := d.cookie(r)
	if err != nil {
		return rpc.Caller{}, err
	}
	if id == "" {
		who, err := d.callers.Caller(rpc.Credentials{TLS: r.TLS})
		if err != nil {
			return who, err
		}
		return who, d.sameOrigin(r)
	}
	s, err := d.session(w, r, id)
	if err != nil {
		return rpc.Caller{}, err
	}
	return s.Caller, d.wanted(r, s)
}

// session finds the session of a cookie. A browser is told to forget a cookie that leads to none.
func (d *doors) session(w http.ResponseWriter, r *http.Request, id string) (session.Session, error) {
	s, err := d.sessions.Find(id)
	if err != nil {
		if _, ok := fault.As(err); ok {
			d.setCookie(w, "", -1)
		}
		return s, err
	}
	return s, d.sameParty(r, s.Party)
}

// sameParty refuses a session of another party than the certificate that it comes with.
func (d *doors) sameParty(r *http.Request, party string) error {
	if !hasCertificate(r.TLS) {
		return nil
	}
	holder, err := d.callers.Caller(rpc.Credentials{TLS: r.TLS})
	if err != nil {
		return err
	}
	if holder.Party != party {
		return fault.New(fault.BadToken, "", "found a certificate of %s and a session of another party, accepted is one of the same", holder.Party)
	}
	return nil
}

// wanted refuses a request that changes something unless a page of one's own sent it.
func (d *doors) wanted(r *http.Request, s session.Session) error {
	if safe(r.Method) {
		return nil
	}
	if err := d.sameOrigin(r); err != nil {
		return err
	}
	if given := r.Header.Values(csrfHeader); len(given) != 1 || subtle.ConstantTimeCompare([]byte(given[0]), []byte(s.CSRF)) != 1 {
		found := "another value"
		if len(given) != 1 {
			found = fmt.Sprintf("%d of them", len(given))
		}
		return fault.New(fault.NotAllowed, csrfHeader, "found %s, accepted with a session is one with the csrfToken that GET /session tells", found)
	}
	return nil
}

func safe(method string) bool {
	return method == http.MethodGet || method == http.MethodHead || method == http.MethodOptions
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
