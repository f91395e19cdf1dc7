package envelope

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io"
)

// NewToken makes a caller's token, "lp_" and 32 random bytes in base64url without padding (46 characters), and the hash by which alone
// the log knows it. The token is shown once. A source of randomness that fails is a panic: there is no safe way to go on.
func NewToken(rand io.Reader) (token string, hash [32]byte) {
	var secret [32]byte
	if _, err := io.ReadFull(rand, secret[:]); err != nil {
		panic(fmt.Sprintf("no randomness for a token: %v", err))
	}
	token = "lp_" + base64.RawURLEncoding.EncodeToString(secret[:])
	return token, TokenHash(token)
}

// TokenHash is the SHA-256 of a token's text.
func TokenHash(token string) [32]byte { return sha256.Sum256([]byte(token)) }
