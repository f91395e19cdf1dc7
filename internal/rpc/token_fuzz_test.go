package rpc

import (
	"strings"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Whatever stands in an Authorization header: it names a party only if it is that party's token behind the word Bearer, or what this process vouched for where that
// counts; anything else is refused with NO_TOKEN or BAD_TOKEN, and ends nothing.
func FuzzAuthorization(f *testing.F) {
	d := &directory{tokens: map[string]entry{"lp_a-token": {party: "harrow-gully"}, "lp_of-a-shop": {party: "moor-shop"}}}
	a := NewAuthenticator(d, nil, time.Now)
	other := NewAuthenticator(d, nil, time.Now)
	vouched := a.Vouch(Caller{Party: "harrow-gully", Scopes: ReadAndPost()})
	for _, s := range []string{
		"", "Bearer", "Bearer ", "Bearer lp_a-token", "bearer lp_a-token", "BEARER lp_of-a-shop", "Bearer  lp_a-token", "Bearer lp_a-token ", "Basic bHA6eA==", "lp_a-token",
		"Bearer " + strings.Repeat("x", 300), "Bearer \x00", vouched, other.Vouch(Caller{Party: "moor-shop"}), vouched[:len(vouched)-1] + "A", "Vouched ", "Vouched AAAA",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, header string) {
		c, err := a.Caller(Credentials{Authorization: []string{header}})
		scheme, token, _ := strings.Cut(header, " ")
		_, known := d.tokens[token]
		switch {
		case strings.EqualFold(scheme, "Bearer") && known:
			if err != nil || c.Party != d.tokens[token].party || c.Means != ByToken {
				t.Errorf("%q: %+v, %v", header, c, err)
			}
		case err == nil:
			t.Errorf("%q is taken for %s", header, c.Party)
		case fault.Of(err) != fault.BadToken && (fault.Of(err) != fault.NoToken || header != ""):
			t.Errorf("%q: %v", header, err)
		}
		if v, ok := a.vouched(header); ok && (header != vouched || v.Party != "harrow-gully") {
			t.Errorf("%q is taken for vouched, of %s", header, v.Party)
		}
	})
}
