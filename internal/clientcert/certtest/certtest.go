// Package certtest makes authorities and the certificates that they sign, for tests. What it makes guards nothing.
package certtest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Authority signs certificates.
type Authority struct {
	Cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// Serial numbers, so that a test can revoke by them.
func serial(t testing.TB) *big.Int {
	t.Helper()
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 100))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// New makes an authority; signed by another one if that is not nil.
func New(t testing.TB, name string, by *Authority) *Authority {
	t.Helper()
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: name}, SerialNumber: serial(t), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	a := &Authority{Cert: template, key: newKey(t)}
	if by == nil {
		by = a
	}
	a.Cert = by.sign(t, template, a.key)
	return a
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func (a *Authority) sign(t testing.TB, template *x509.Certificate, key *ecdsa.PrivateKey) *x509.Certificate {
	t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, template, a.Cert, &key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return cert
}

// Client makes a client's certificate with these URIs, valid for an hour; change may alter it before it is signed.
func (a *Authority) Client(t testing.TB, change func(*x509.Certificate), uris ...string) tls.Certificate {
	t.Helper()
	template := &x509.Certificate{
		Subject: pkix.Name{CommonName: "a client"}, SerialNumber: serial(t), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	for _, s := range uris {
		u, err := url.Parse(s)
		if err != nil {
			t.Fatal(err)
		}
		template.URIs = append(template.URIs, u)
	}
	if change != nil {
		change(template)
	}
	key := newKey(t)
	cert := a.sign(t, template, key)
	return tls.Certificate{Certificate: [][]byte{cert.Raw}, PrivateKey: key, Leaf: cert}
}

// Server makes a server's certificate for 127.0.0.1.
func (a *Authority) Server(t testing.TB) tls.Certificate {
	t.Helper()
	return a.Client(t, func(c *x509.Certificate) {
		c.ExtKeyUsage, c.IPAddresses = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, []net.IP{net.IPv4(127, 0, 0, 1)}
	})
}

// Files writes a certificate and its key as PEM files.
func Files(t testing.TB, c tls.Certificate) (cert, key string) {
	t.Helper()
	pkcs, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	Write(t, cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Certificate[0]}))
	Write(t, key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs}))
	return cert, key
}

// File writes the certificates of authorities as one PEM file.
func File(t testing.TB, authorities ...*Authority) string {
	t.Helper()
	var all []byte
	for _, a := range authorities {
		all = append(all, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.Cert.Raw})...)
	}
	name := filepath.Join(t.TempDir(), "ca.pem")
	Write(t, name, all)
	return name
}

// Pool is what a client trusts who trusts this authority.
func (a *Authority) Pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.Cert)
	return pool
}

// Revoke makes a list of revoked certificates (PEM), good for an hour; change may alter it before it is signed.
func (a *Authority) Revoke(t testing.TB, number int64, change func(*x509.RevocationList), revoked ...tls.Certificate) []byte {
	t.Helper()
	l := &x509.RevocationList{Number: big.NewInt(number), ThisUpdate: time.Now().Add(-time.Hour), NextUpdate: time.Now().Add(time.Hour)}
	for _, c := range revoked {
		l.RevokedCertificateEntries = append(l.RevokedCertificateEntries, x509.RevocationListEntry{SerialNumber: c.Leaf.SerialNumber, RevocationTime: time.Now()})
	}
	if change != nil {
		change(l)
	}
	der, err := x509.CreateRevocationList(rand.Reader, l, a.Cert, a.key)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: der})
}

// Write writes a file as an operator's tool would: beside, and then in place of the one before.
func Write(t testing.TB, name string, data []byte) {
	t.Helper()
	if err := os.WriteFile(name+".new", data, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(name+".new", name); err != nil {
		t.Fatal(err)
	}
}
