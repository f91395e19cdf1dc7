package rpc

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"strings"
)

// vouchedScheme stands in place of Bearer where the gateway has found out who calls.
const vouchedScheme = "Vouched "

// vouchedFor keeps these codes apart from any others.
const vouchedFor = "lotpaper/vouched/v1\x00"

// Vouch writes an Authorization value for a call that this process makes to its own gRPC server in the name of a caller whom it has found
// out by other means than a token: a certificate, a session.
//
// Nobody outside can make one, for two reasons that do not rest on each other: it carries a code under a key that is drawn anew by each
// process and leaves it nowhere, and it is looked at only on the listener within the process. It is not sent to anybody, and it lasts for
// the call that is made with it.
func (a *Authenticator) Vouch(c Caller) string {
	b, err := json.Marshal(c)
	if err != nil { // strings and numbers alone
		panic(err)
	}
	return vouchedScheme + base64.RawURLEncoding.EncodeToString(append(a.code(b), b...))
}

// vouched reads what Vouch wrote.
func (a *Authenticator) vouched(header string) (c Caller, ok bool) {
	text, ok := strings.CutPrefix(header, vouchedScheme)
	if !ok {
		return c, false
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(b) < sha256.Size || !hmac.Equal(b[:sha256.Size], a.code(b[sha256.Size:])) {
		return c, false
	}
	return c, json.Unmarshal(b[sha256.Size:], &c) == nil
}

func (a *Authenticator) code(b []byte) []byte {
	m := hmac.New(sha256.New, a.vouching[:])
	m.Write([]byte(vouchedFor))
	m.Write(b)
	return m.Sum(nil)
}
