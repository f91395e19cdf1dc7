package bus

import (
	"crypto/sha256"
	"fmt"
	"strings"
)

// MaxMessage is the largest message between intake and ledger, in bytes.
const MaxMessage = 768 << 10

// maxPayload is what the embedded server accepts as one message: the largest of ours with its headers fits.
const maxPayload = 1 << 20

// maxToken is the longest subject token made of a name as it is.
const maxToken = 160

// token makes one subject token of a log's name, in which a point, a slash or an upper-case letter may stand. Two names never give
// one token, in either case of letters: all but a–z, 0–9 and "-" is written as "_" with two hexadecimal digits.
func token(log string) string {
	var b strings.Builder
	for _, c := range []byte(log) {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-' {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "_%02x", c)
		}
	}
	if b.Len() <= maxToken {
		return b.String()
	}
	return fmt.Sprintf("__%x", sha256.Sum256([]byte(log)))
}

// SubjectAppend is where intake asks the ledger to append (request and reply).
func SubjectAppend(log string) string { return "lotpaper." + token(log) + ".append" }

// SubjectJournal is the one subject of the journal's stream.
func SubjectJournal(log string) string { return "lotpaper." + token(log) + ".journal" }

// SubjectNotice is where the ledger tells everybody that the log has grown.
func SubjectNotice(log string) string { return "lotpaper." + token(log) + ".notice" }

// StreamName is the name of the journal's stream.
func StreamName(log string) string { return "LOTPAPER_" + strings.ToUpper(token(log)) }
