package status

import (
	"encoding/base64"
	"testing"

	"pgregory.net/rapid"
)

func TestPageTokens(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		question := query("epoch", rapid.String().Draw(r, "a"), rapid.String().Draw(r, "b"))
		c := cursor{rapid.Uint64().Draw(r, "next"), rapid.String().Draw(r, "last")}
		token := c.token(question)
		got, err := parseToken(token, question)
		if err != nil || *got != c {
			r.Fatalf("%v, %v, want %v", got, err, c)
		}
		if _, err := parseToken(token, question+"x"); err == nil {
			r.Fatal("a token of another question is read")
		}
		data, err := base64.RawURLEncoding.DecodeString(token)
		if err != nil {
			r.Fatal(err)
		}
		i := rapid.IntRange(0, len(data)-1).Draw(r, "byte")
		data[i] ^= 1 << rapid.IntRange(0, 7).Draw(r, "bit")
		if got, err := parseToken(base64.RawURLEncoding.EncodeToString(data), question); err == nil {
			r.Fatalf("a token with a flipped bit is read as %v", got)
		}
	})
}

// FuzzPageToken: whatever is read as a token is written the same way again.
func FuzzPageToken(f *testing.F) {
	const question = "lots"
	f.Add(cursor{7, "mine.r1"}.token(question))
	f.Add(cursor{}.token(question))
	f.Add("")
	f.Add("AQAA")
	f.Fuzz(func(t *testing.T, token string) {
		c, err := parseToken(token, question)
		if err == nil && c != nil && c.token(question) != token {
			t.Errorf("%q is read as %v, which is written %q", token, *c, c.token(question))
		}
	})
}
