package opal

import (
	"encoding/base32"
	"errors"
	"fmt"
	"strings"
)

// Sizes of the ids.
const (
	maxParty = 32
	maxCode  = 48
)

// CheckParty tells what is wrong with a party id: 2 to 32 of a–z, 0–9 and "-", a letter first. The words Outside and Admin have the form
// of one and are none.
func CheckParty(s string) error {
	if !isPartyForm(s) {
		return fmt.Errorf("found %s, accepted is a party id: 2 to 32 characters a-z, 0-9 and -, a letter first", found(s))
	}
	if s == Outside || s == Admin {
		return fmt.Errorf("found %q, which is a reserved word; accepted is the id of a party", s)
	}
	return nil
}

func isPartyForm(s string) bool {
	return len(s) >= 2 && len(s) <= maxParty && s[0] >= 'a' && s[0] <= 'z' && isCode(s)
}

// isCode tells whether s is of a–z, 0–9 and "-" only.
func isCode(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// CheckLot tells what is wrong with a lot id, "<party>.<code>": a party id, a point, and 1 to 48 of a–z, 0–9 and "-", not "-" first.
func CheckLot(s string) error {
	party, code, ok := strings.Cut(s, ".")
	if !ok || !isPartyForm(party) || len(code) < 1 || len(code) > maxCode || code[0] == '-' || !isCode(code) {
		return fmt.Errorf("found %s, accepted is a lot id <party>.<code> such as harrow-gully.r7: the code has 1 to 48 characters a-z, 0-9 and -, a letter or digit first", found(s))
	}
	if party == Outside || party == Admin {
		return fmt.Errorf("found %q, whose first part is a reserved word; accepted is a lot id <party>.<code>", clip(s))
	}
	return nil
}

// PartyOfLot gives the party that named the lot, the part before the point; "" if there is none.
func PartyOfLot(lot string) string {
	party, _, ok := strings.Cut(lot, ".")
	if !ok {
		return ""
	}
	return party
}

// SplitEventID takes an event id "<party>/<requestId>" apart. The admin posts events too, so its word is accepted here. The UUID must be
// written in lower case: an event has one id.
func SplitEventID(s string) (party string, id RequestID, err error) {
	party, rest, ok := strings.Cut(s, "/")
	if ok && (party == Admin || CheckParty(party) == nil) {
		id, err = ParseRequestID(rest)
		if err == nil && id.String() == rest {
			return party, id, nil
		}
	}
	return "", RequestID{}, fmt.Errorf("found %s, accepted is an event id <party>/<requestId>, the UUID in lower case, such as harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11", found(s))
}

// Handle writes 128 bits as a public handle: 26 characters of base32 (RFC 4648, without padding), in lower case because it stands in
// links.
func Handle(bits [16]byte) string {
	return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(bits[:]))
}

// CheckHandle tells what is wrong with a public handle. The last character carries three bits only, so that it has eight possible
// values: each handle has one spelling.
func CheckHandle(s string) error {
	ok := len(s) == 26
	for i := 0; ok && i < len(s); i++ {
		c := s[i]
		ok = c >= 'a' && c <= 'z' || c >= '2' && c <= '7'
	}
	if !ok || !strings.Contains("aeimquy4", s[25:]) {
		return fmt.Errorf("found %s, accepted is a handle: 26 characters a-z and 2-7", found(s))
	}
	return nil
}

// checkShortHash tells what is wrong with the first 16 hexadecimal digits of a hash, by which tokens and keys are named.
func checkShortHash(s string) error {
	ok := len(s) == 16
	for i := 0; ok && i < len(s); i++ {
		c := s[i]
		ok = c >= '0' && c <= '9' || c >= 'a' && c <= 'f'
	}
	if !ok {
		return fmt.Errorf("found %s, accepted are 16 hexadecimal digits in lower case", found(s))
	}
	return nil
}

// maxLogName bounds a log's name.
const maxLogName = 128

// CheckLogName tells what is wrong with a log's name. It becomes the start of the origin line of checkpoints and of key names, where
// white space and "+" have a meaning of their own.
func CheckLogName(s string) error {
	if len(s) > maxLogName {
		return fmt.Errorf("found %d bytes, accepted are at most %d", len(s), maxLogName)
	}
	for i := range len(s) {
		if c := s[i]; c <= ' ' || c > '~' || c == '+' {
			return fmt.Errorf("found %s, accepted is a log name of visible ASCII characters other than +", found(s))
		}
	}
	if s == "" {
		return errors.New("found nothing, accepted is a log name such as lotpaper.example/opal")
	}
	return nil
}

// found quotes a found text for a message.
func found(s string) string {
	if s == "" {
		return "nothing"
	}
	return fmt.Sprintf("%q", clip(s))
}
