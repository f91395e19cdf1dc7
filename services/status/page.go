package status

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/binary"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

const (
	defaultPage = 100
	maxPage     = 1_000
)

// pageSize reads how many entries a page may have.
func pageSize(given *int32) (int, error) {
	if given == nil || *given == 0 {
		return defaultPage, nil
	}
	if *given < 0 || *given > maxPage {
		return 0, fault.New(fault.InvalidField, "pageSize", "found %d, accepted is 1 to %d, or 0 for %d", *given, maxPage, defaultPage)
	}
	return int(*given), nil
}

// cursor is where a page ended: the position that all pages are pinned to, and the last entry.
type cursor struct {
	next uint64 // the pages show what was known before it
	last string
}

const (
	pageVersion = 1
	pageSum     = 16
)

// query names a question with all that its answer depends on, so that a token of one question is no token of another.
func query(epoch string, parts ...string) string {
	var b strings.Builder
	b.WriteString("lotpaper/page/v1\x00" + epoch)
	for _, p := range parts {
		b.WriteByte(0)
		b.WriteString(p)
	}
	return b.String()
}

// token writes a cursor so that it can be told from any other text. It guards nothing: what a page shows depends on who asks.
func (c cursor) token(query string) string {
	body := append(binary.AppendUvarint([]byte{pageVersion}, c.next), c.last...)
	return base64.RawURLEncoding.EncodeToString(append(body, pageCheck(query, body)...))
}

func pageCheck(query string, body []byte) []byte {
	h := sha256.New()
	h.Write([]byte(query))
	h.Write([]byte{0})
	h.Write(body)
	return h.Sum(nil)[:pageSum]
}

// parseToken reads a token of this query; nil for no token.
func parseToken(token, query string) (*cursor, error) {
	if token == "" {
		return nil, nil
	}
	data, err := base64.RawURLEncoding.DecodeString(token)
	if err == nil && len(data) > pageSum+1 && data[0] == pageVersion && base64.RawURLEncoding.EncodeToString(data) == token {
		body, sum := data[:len(data)-pageSum], data[len(data)-pageSum:]
		next, n := binary.Uvarint(body[1:])
		if n > 0 && subtle.ConstantTimeCompare(pageCheck(query, body), sum) == 1 {
			return &cursor{next, string(body[1+n:])}, nil
		}
	}
	return nil, fault.New(fault.InvalidField, "pageToken", "found a token that is not of this question; accepted is the nextPageToken of the page before, with the other fields unchanged")
}
