package clientcert

import (
	"bytes"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"os"
	"sync"
	"time"
)

// maxCRL bounds a file of revoked certificates, 16 MiB: some 400,000 of them.
const maxCRL = 16 << 20

// crlFile is a file of lists of revoked certificates. It is looked at on each use and read again when it has changed.
//
// A changed file that cannot be taken (half written, signed by nobody that we know, older than what we have) changes nothing: what was
// known to be revoked stays so, and the log is told. It cannot be put off for ever like that, because each list says until when it is
// good, and after that no certificate of its authority counts.
type crlFile struct {
	path        string
	authorities []*x509.Certificate
	log         *slog.Logger

	mu sync.Mutex
	// Guarded by mu.
	seen  os.FileInfo // of the file as it was read last, taken or not; nil: it was not there
	lists map[string]*list
}

// list is what one authority revoked. It is not changed once it is made.
type list struct {
	number     *big.Int
	nextUpdate time.Time
	revoked    map[string]bool // by serial number
}

func openCRL(path string, authorities []*x509.Certificate, log *slog.Logger) (*crlFile, error) {
	f := &crlFile{path: path, authorities: authorities, log: log}
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if err := f.read(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	f.seen = info
	return f, nil
}

// read takes the file's lists over, all or none.
func (f *crlFile) read() error {
	file, err := os.Open(f.path)
	if err != nil {
		return err
	}
	data, err := io.ReadAll(io.LimitReader(file, maxCRL+1))
	if err := errors.Join(err, file.Close()); err != nil {
		return err
	}
	if len(data) > maxCRL {
		return fmt.Errorf("found more than %d bytes, accepted are at most so many", maxCRL)
	}
	lists, err := parseLists(data, f.authorities)
	if err != nil {
		return err
	}
	for issuer, before := range f.lists {
		now := lists[issuer]
		if now == nil {
			return errors.New("found no list of an authority that had one, accepted is a file with a list of each")
		}
		if now.number.Cmp(before.number) < 0 {
			return fmt.Errorf("found the list number %v, accepted is one that is no older than number %v, which is known", now.number, before.number)
		}
	}
	f.lists = lists
	return nil
}

// parseLists reads all lists of a file, by the authority's subject and key.
func parseLists(data []byte, authorities []*x509.Certificate) (map[string]*list, error) {
	var raw [][]byte
	if block, _ := pem.Decode(data); block == nil {
		raw = append(raw, data)
	} else {
		for rest := data; ; {
			if block, rest = pem.Decode(rest); block == nil {
				break
			}
			if block.Type != "X509 CRL" {
				return nil, fmt.Errorf("found a block %q, accepted are lists of revoked certificates", block.Type)
			}
			raw = append(raw, block.Bytes)
		}
	}
	lists := map[string]*list{}
	for _, der := range raw {
		crl, err := x509.ParseRevocationList(der)
		if err != nil {
			return nil, fmt.Errorf("found what is no list of revoked certificates: %w", err)
		}
		issuer := signerOf(crl, authorities)
		if issuer == nil {
			return nil, fmt.Errorf("found a list of %q that none of the client authorities signed, accepted are lists of theirs", crl.Issuer)
		}
		for _, e := range crl.Extensions {
			if e.Critical { // a list of some certificates only, or of what changed: to be taken for the whole it must not be
				return nil, fmt.Errorf("found a list of %q with the critical extension %v, accepted are whole lists without any", crl.Issuer, e.Id)
			}
		}
		if crl.Number == nil || crl.NextUpdate.IsZero() {
			return nil, fmt.Errorf("found a list of %q without number or without the time of the next, accepted is one that has both", crl.Issuer)
		}
		if lists[keyOf(issuer)] != nil {
			return nil, fmt.Errorf("found two lists of %q, accepted is one of each authority", crl.Issuer)
		}
		l := &list{number: crl.Number, nextUpdate: crl.NextUpdate, revoked: make(map[string]bool, len(crl.RevokedCertificateEntries))}
		for _, e := range crl.RevokedCertificateEntries {
			l.revoked[string(e.SerialNumber.Bytes())] = true
		}
		lists[keyOf(issuer)] = l
	}
	return lists, nil
}

func signerOf(crl *x509.RevocationList, authorities []*x509.Certificate) *x509.Certificate {
	for _, a := range authorities {
		if bytes.Equal(a.RawSubject, crl.RawIssuer) && crl.CheckSignatureFrom(a) == nil {
			return a
		}
	}
	return nil
}

// keyOf tells authorities apart: by name and key, so that a renewed certificate of one is the same authority.
func keyOf(c *x509.Certificate) string {
	return string(c.RawSubject) + "\x00" + string(c.RawSubjectPublicKeyInfo)
}

// current gives the lists, read anew if the file has changed.
func (f *crlFile) current() map[string]*list {
	f.mu.Lock()
	defer f.mu.Unlock()
	info, err := os.Stat(f.path)
	if err != nil {
		if f.seen != nil {
			f.log.Error("the file of revoked client certificates is gone; what it said stands until it has expired", "file", f.path, "error", err)
		}
		f.seen = nil
		return f.lists
	}
	if f.seen != nil && os.SameFile(f.seen, info) && f.seen.Size() == info.Size() && f.seen.ModTime().Equal(info.ModTime()) {
		return f.lists
	}
	f.seen = info // before it is read: what is written meanwhile is seen the next time
	if err := f.read(); err != nil {
		f.log.Error("the file of revoked client certificates was not taken; what it said before stands until it has expired", "file", f.path, "error", err)
	} else {
		f.log.Info("revoked client certificates read", "file", f.path)
	}
	return f.lists
}

// inForce tells whether each authority that may have lists has one that is good now. It is for the start: later each call finds out for
// itself.
func (f *crlFile) inForce(now time.Time) error {
	lists := f.current()
	for _, a := range f.authorities {
		l := lists[keyOf(a)]
		if l == nil {
			return fmt.Errorf("%s: found no list of %q, accepted is a file with one of each client authority", f.path, a.Subject)
		}
		if now.After(l.nextUpdate) {
			return fmt.Errorf("%s: found a list of %q that was good until %s, accepted is one that is good now", f.path, a.Subject, l.nextUpdate.UTC().Format(time.RFC3339))
		}
	}
	return nil
}

// allows tells whether a certificate is not revoked. What nobody can tell counts as revoked.
func (f *crlFile) allows(c, issuer *x509.Certificate, now time.Time) error {
	l := f.current()[keyOf(issuer)]
	switch {
	case l == nil:
		return bad("found a certificate of %q whose authority has no list of revoked ones here, accepted is one of an authority that has", c.Subject)
	case now.After(l.nextUpdate):
		return bad("found that the list of revoked certificates was good until %s; accepted is a certificate that a list in force does not name", l.nextUpdate.UTC().Format(time.RFC3339))
	case l.revoked[string(c.SerialNumber.Bytes())]:
		return bad("found a certificate that its authority revoked, accepted is one in force")
	}
	return nil
}
