// Package clientcert says which party a client's TLS certificate is of.
//
// It promises that a certificate counts only if an authority of the operator's file signed it for clients, it is valid at the time of the
// call, and it names exactly one party by a URI lotpaper:party:<id>; and, where there is a file of revoked certificates, only as long as
// a list in force says that it is not revoked. All that is asked anew at each call, because a connection may outlive its certificate.
//
// Whether the party is enrolled and what it may do is left to internal/rpc.
package clientcert

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Options are what an Authority is made of.
type Options struct {
	// CA is a PEM file with the certificates of all authorities that sign clients' certificates.
	CA string
	// CRL is a file with their lists of revoked certificates (PEM or DER); empty: nothing is revoked before it expires.
	CRL string
	// Now is the clock; unset: the machine's.
	Now func() time.Time
	// Log is told of a file of revoked certificates that cannot be taken; unset: nowhere.
	Log *slog.Logger
}

// Authority knows whose certificates count. It is safe for concurrent use.
type Authority struct {
	pool *x509.CertPool
	now  func() time.Time
	crl  *crlFile // nil: there is none
}

// Open reads the files. A file that is not as it should be is refused here, before anybody connects.
func Open(o Options) (*Authority, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	data, err := os.ReadFile(o.CA)
	if err != nil {
		return nil, fmt.Errorf("client CA: %w", err)
	}
	authorities, err := parseAuthorities(data)
	if err != nil {
		return nil, fmt.Errorf("client CA: %s: %w", o.CA, err)
	}
	a := &Authority{pool: x509.NewCertPool(), now: o.Now}
	for _, c := range authorities {
		a.pool.AddCert(c)
	}
	if o.CRL == "" {
		return a, nil
	}
	if a.crl, err = openCRL(o.CRL, authorities, o.Log); err != nil {
		return nil, fmt.Errorf("client CRL: %w", err)
	}
	if err := a.crl.inForce(o.Now()); err != nil {
		return nil, fmt.Errorf("client CRL: %w", err)
	}
	return a, nil
}

// parseAuthorities reads a PEM file of certificates, each of which must be an authority's: a client's own, put there by mistake, would
// otherwise pass as one that signs nobody and be missed only much later.
func parseAuthorities(data []byte) ([]*x509.Certificate, error) {
	var list []*x509.Certificate
	for {
		var block *pem.Block
		if block, data = pem.Decode(data); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			return nil, fmt.Errorf("found a block %q, accepted are certificates", block.Type)
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, fmt.Errorf("found a block that is no certificate: %w", err)
		}
		if !c.BasicConstraintsValid || !c.IsCA || c.KeyUsage != 0 && c.KeyUsage&x509.KeyUsageCertSign == 0 {
			return nil, fmt.Errorf("found the certificate of %q, which may sign no others; accepted are those of authorities", c.Subject)
		}
		list = append(list, c)
	}
	if len(list) == 0 {
		return nil, errors.New("found no certificate, accepted is a PEM file with at least one")
	}
	return list, nil
}

// Ask makes a server ask its clients for a certificate. A client without one is let in and needs a token; one with a certificate that
// does not count is refused in the handshake.
func (a *Authority) Ask(c *tls.Config) {
	c.ClientAuth, c.ClientCAs, c.Time = tls.VerifyClientCertIfGiven, a.pool, a.now
	// It is called on resumed connections too, unlike VerifyPeerCertificate.
	c.VerifyConnection = func(state tls.ConnectionState) error {
		if len(state.PeerCertificates) == 0 {
			return nil
		}
		_, err := a.check(&state)
		return err
	}
}

// Holder names the party of the certificate that a connection was made with, and until when that is valid.
func (a *Authority) Holder(state *tls.ConnectionState) (string, time.Time, error) {
	until, err := a.check(state)
	if err != nil {
		return "", time.Time{}, err
	}
	party, err := partyOf(state.PeerCertificates[0].URIs)
	return party, until, err
}

func bad(format string, args ...any) error {
	return fault.New(fault.BadCertificate, "", format, args...)
}

// check looks at all chains that the handshake found, and takes none that any of them speaks against: an authority may have been signed
// by several others, and one of those may have revoked it.
func (a *Authority) check(state *tls.ConnectionState) (until time.Time, err error) {
	if len(state.PeerCertificates) == 0 || len(state.VerifiedChains) == 0 {
		return until, bad("found a certificate that nobody verified, accepted is one that the node's authority signed")
	}
	leaf := state.PeerCertificates[0]
	if leaf.IsCA || !slices.Contains(leaf.ExtKeyUsage, x509.ExtKeyUsageClientAuth) {
		return until, bad("found a certificate of %q that is not for clients, accepted is one with the extended key usage clientAuth that is no authority's", leaf.Subject)
	}
	now := a.now()
	for _, chain := range state.VerifiedChains {
		for i, c := range chain {
			if now.Before(c.NotBefore) || now.After(c.NotAfter) {
				return until, bad("found a certificate of %q that is valid from %s to %s, accepted is one that is valid now",
					c.Subject, c.NotBefore.UTC().Format(time.RFC3339), c.NotAfter.UTC().Format(time.RFC3339))
			}
			if until.IsZero() || c.NotAfter.Before(until) {
				until = c.NotAfter
			}
			if a.crl == nil || i == len(chain)-1 {
				continue // what stands last the operator trusts by putting it into the file
			}
			if err := a.crl.allows(c, chain[i+1], now); err != nil {
				return until, err
			}
		}
	}
	return until, nil
}

// The form of the URI that names a party.
const (
	scheme = "lotpaper"
	kind   = "party:"
)

// partyOf reads the party from a certificate's URIs. Others than ours say nothing here; two of ours would leave open who calls.
func partyOf(uris []*url.URL) (string, error) {
	const accepted = "accepted is exactly one lotpaper:party:<id> among its subject alternative names"
	var ours []*url.URL
	for _, u := range uris {
		if strings.EqualFold(u.Scheme, scheme) {
			ours = append(ours, u)
		}
	}
	if len(ours) != 1 {
		return "", bad("found a certificate with %d URIs of the scheme lotpaper, %s", len(ours), accepted)
	}
	id, ok := strings.CutPrefix(ours[0].Opaque, kind)
	if !ok || ours[0].String() != scheme+":"+kind+id {
		return "", bad("found a certificate with the URI %q, %s", clip(ours[0].String()), accepted)
	}
	if err := opal.CheckParty(id); err != nil {
		return "", bad("in the certificate's URI: %s", err)
	}
	return id, nil
}

// clip shortens what a certificate says, so that a message stays a sentence.
func clip(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "…"
	}
	return s
}
