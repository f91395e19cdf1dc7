package bundle

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/receipt"
)

// Magic is what every bundle begins with.
const Magic = "lotpaper/bundle/v1\n"

// The limits of a bundle.
const (
	MaxBytes = 64 << 20
	// MaxEvents is how many events one may hold.
	MaxEvents = 20_000
	maxParts  = 2*MaxEvents + 100
	maxName   = 100
	endName   = "end"
)

// Part is one part of a bundle.
type Part struct {
	Name    string
	Content []byte
}

// hash is the SHA-256 of name, a zero byte, and content.
func (p *Part) hash() [32]byte {
	h := sha256.New()
	h.Write([]byte(p.Name))
	h.Write([]byte{0})
	h.Write(p.Content)
	return [32]byte(h.Sum(nil))
}

// Write puts parts together. The bytes of a bundle are Magic and then the parts, each
//
//	1 byte: how long its name is, 1 to 100
//	its name, in ASCII
//	8 bytes: how long its content is, the most significant byte first
//	32 bytes: SHA-256 of name, a zero byte, and content
//	its content
//
// The last part has the name "end", and its content is the SHA-256 of all bytes before that part.
func Write(parts []Part) ([]byte, error) {
	out := []byte(Magic)
	if len(parts) > maxParts {
		return nil, fmt.Errorf("write a bundle of %d parts, accepted are at most %d", len(parts), maxParts)
	}
	for i := range parts {
		if p := &parts[i]; !goodName(p.Name) || p.Name == endName {
			return nil, fmt.Errorf("write a bundle: found the part %q, accepted is a name of 1 to %d letters, digits, slashes and dashes", p.Name, maxName)
		}
		out = appendPart(out, &parts[i])
	}
	sum := sha256.Sum256(out)
	if out = appendPart(out, &Part{endName, sum[:]}); len(out) > MaxBytes {
		return nil, fmt.Errorf("write a bundle of %d bytes, accepted are at most %d", len(out), MaxBytes)
	}
	return out, nil
}

func appendPart(out []byte, p *Part) []byte {
	out = append(append(out, byte(len(p.Name))), p.Name...)
	out = binary.BigEndian.AppendUint64(out, uint64(len(p.Content)))
	h := p.hash()
	return append(append(out, h[:]...), p.Content...)
}

func goodName(name string) bool {
	for i := range len(name) {
		switch c := name[i]; {
		case 'a' <= c && c <= 'z', '0' <= c && c <= '9', c == '/', c == '-':
		default:
			return false
		}
	}
	return len(name) > 0 && len(name) <= maxName
}

// Read takes a bundle apart. Contents share memory with data. A flaw names the part.
func Read(data []byte) ([]Part, error) {
	if len(data) > MaxBytes {
		return nil, flaw("file", "found %d bytes, accepted are at most %d", len(data), MaxBytes)
	}
	rest, ok := bytes.CutPrefix(data, []byte(Magic))
	if !ok {
		return nil, flaw("file", "it does not begin as a bundle of this version does, with %q", Magic)
	}
	var parts []Part
	before := "the beginning"
	for {
		at := len(data) - len(rest)
		if len(rest) == 0 {
			return nil, flaw("end", "the file ends after %s, without its last part: it was cut off", before)
		}
		n := int(rest[0])
		if len(rest) < 1+n+8+32 {
			return nil, flaw("part after "+before, "the file ends within its head: it was cut off, or the length of its name was changed")
		}
		p := Part{Name: string(rest[1 : 1+n])}
		if !goodName(p.Name) {
			return nil, flaw("part after "+before, "found the name %q, accepted are 1 to %d letters, digits, slashes and dashes", clip(p.Name), maxName)
		}
		size := binary.BigEndian.Uint64(rest[1+n:])
		stated := [32]byte(rest[1+n+8:])
		rest = rest[1+n+8+32:]
		if size > uint64(len(rest)) {
			return nil, flaw(p.Name, "it is said to have %d bytes, and the file has %d more: it was cut off or changed", size, len(rest))
		}
		p.Content, rest = rest[:size:size], rest[size:]
		if p.hash() != stated {
			return nil, flaw(p.Name, "its bytes are not those that it was written with: SHA-256 %x, stated %x", short(p.hash()), short(stated))
		}
		if p.Name == endName {
			sum := sha256.Sum256(data[:at])
			switch {
			case !bytes.Equal(p.Content, sum[:]):
				return nil, flaw(endName, "the parts before it are not those that the file was written with")
			case len(rest) > 0:
				return nil, flaw(endName, "found %d bytes behind it, accepted are none", len(rest))
			}
			return parts, nil
		}
		if parts = append(parts, p); len(parts) > maxParts {
			return nil, flaw(p.Name, "found more than %d parts, accepted are at most as many", maxParts)
		}
		before = p.Name
	}
}

// digest is the SHA-256 of the hashes of parts, one after the other.
func digest(parts []Part) [32]byte {
	h := sha256.New()
	for i := range parts {
		sum := parts[i].hash()
		h.Write(sum[:])
	}
	return [32]byte(h.Sum(nil))
}

func flaw(part, format string, args ...any) *receipt.Flaw {
	return &receipt.Flaw{Part: part, Says: fmt.Sprintf(format, args...)}
}

func short(h [32]byte) []byte { return h[:8] }

func clip(s string) string { return s[:min(len(s), 80)] }
