package attachment

import (
	"bytes"
	"mime"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// The media types that are kept: what instruments, cameras and laboratories write. None of them runs anything when it is opened in a browser.
const (
	JCAMP = "chemical/x-jcamp-dx"
	Plain = "text/plain"
	CSV   = "text/csv"
	JPEG  = "image/jpeg"
	PNG   = "image/png"
	TIFF  = "image/tiff"
	PDF   = "application/pdf"
)

// MediaTypes are the accepted ones.
func MediaTypes() []string { return []string{JCAMP, Plain, CSV, JPEG, PNG, TIFF, PDF} }

// head is how many bytes at the beginning tell what a file is: enough for the remarks that may stand before a JCAMP-DX file's first record.
const head = 16 << 10

// Guess tells a file's type by how it begins; "": none of the accepted. CSV and plain text begin alike, and are told as plain text.
func Guess(begin []byte) string {
	begin = begin[:min(len(begin), head)]
	for _, m := range [...]struct{ magic, media string }{
		{"\xff\xd8\xff", JPEG}, {"\x89PNG\r\n\x1a\n", PNG}, {"II*\x00", TIFF}, {"MM\x00*", TIFF}, {"%PDF-", PDF},
	} {
		if bytes.HasPrefix(begin, []byte(m.magic)) {
			return m.media
		}
	}
	look := newScan()
	look.write(begin)
	text := bytes.TrimPrefix(begin, []byte("\xef\xbb\xbf"))
	switch {
	case len(begin) == 0:
		return ""
	case beginsJCAMP(text) && look.fault(JCAMP, false) == nil:
		return JCAMP
	case bytes.HasPrefix(bytes.TrimSpace(text), []byte("<")): // a page or a drawing, which may run something
		return ""
	case look.fault(Plain, false) == nil:
		return Plain
	}
	return ""
}

// beginsJCAMP tells whether the first line that is neither empty nor a comment is a record of JCAMP-DX.
func beginsJCAMP(text []byte) bool {
	for {
		text = bytes.TrimLeft(text, " \t\r\n\f")
		if !bytes.HasPrefix(text, []byte("$$")) {
			return bytes.HasPrefix(text, []byte("##"))
		}
		end := bytes.IndexAny(text, "\r\n")
		if end < 0 {
			return false
		}
		text = text[end:]
	}
}

// TypeOf tells a file's type by how it begins, and CSV by its name; "": none of the accepted.
func TypeOf(name string, begin []byte) string {
	media := Guess(begin)
	if media == Plain && strings.EqualFold(path.Ext(name), ".csv") {
		return CSV
	}
	return media
}

// isText tells whether a type is text all through.
func isText(media string) bool { return media == JCAMP || media == Plain || media == CSV }

// stated reads a stated media type. Text may say how it is written; strict: it is said to be UTF-8.
func stated(media string) (base string, strict bool, f *fault.Error) {
	base, params, err := mime.ParseMediaType(media)
	if err != nil || !slices.Contains(MediaTypes(), base) {
		return "", false, fault.New(fault.InvalidField, "mediaType", "found %q, accepted is one of %s", media, strings.Join(MediaTypes(), ", "))
	}
	for k, v := range params {
		switch {
		case k == "charset" && isText(base) && (strings.EqualFold(v, "utf-8") || strings.EqualFold(v, "us-ascii")):
			strict = true
		case k == "charset" && isText(base) && (strings.EqualFold(v, "iso-8859-1") || strings.EqualFold(v, "windows-1252")):
		default:
			return "", false, fault.New(fault.InvalidField, "mediaType",
				"found %q, accepted beside the type is, for text, a charset of utf-8, us-ascii, iso-8859-1 or windows-1252", media)
		}
	}
	return base, strict, nil
}

// scan looks at text as it passes by, in pieces, and keeps what tells it from other files. Instruments write Latin-1 and what Windows made of it, often under
// DOS, so that UTF-8 alone would refuse micro and degree signs.
type scan struct {
	size int64
	// high counts the bytes beyond ASCII.
	high int64
	// control is where the first control character stands that has no place in text, foreign the first byte that is no UTF-8, nothing the first that is a
	// character in Windows-1252 neither; -1: there is none.
	control, foreign, nothing spot
	// ended: a Ctrl-Z was seen, which is DOS's end of a file.
	ended spot
	// rest is a rune that was cut at the end of the last piece.
	rest []byte
}

// spot is a byte and where it stands.
type spot struct {
	at int64
	c  byte
}

func newScan() scan {
	none := spot{at: -1}
	return scan{control: none, foreign: none, nothing: none, ended: none}
}

func (s *scan) write(p []byte) {
	for i, c := range p {
		here := spot{s.size + int64(i), c}
		switch {
		case c == 0x1a && s.ended.at < 0:
			s.ended = here
		case c != 0x1a && s.ended.at >= 0: // it was none
			first(&s.control, s.ended)
		case c < ' ' && c != '\t' && c != '\r' && c != '\n' && c != '\f' && c != 0x1a || c == 0x7f:
			first(&s.control, here)
		case c >= utf8.RuneSelf:
			s.high++
			if c == 0x81 || c == 0x8d || c == 0x8f || c == 0x90 || c == 0x9d {
				first(&s.nothing, here)
			}
		}
	}
	b := append(s.rest, p...)
	at := s.size - int64(len(s.rest))
	s.size += int64(len(p))
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n <= 1 {
			if !utf8.FullRune(b) {
				break
			}
			first(&s.foreign, spot{at, b[0]})
		}
		b, at = b[n:], at+int64(n)
	}
	s.rest = slices.Clone(b)
}

// end is for the end of the whole: what was cut there is no rune.
func (s *scan) end() {
	if len(s.rest) > 0 {
		first(&s.foreign, spot{s.size - int64(len(s.rest)), s.rest[0]})
	}
}

// first keeps the first of the places that it is given.
func first(kept *spot, p spot) {
	if kept.at < 0 {
		*kept = p
	}
}

// mostHigh: text that is no UTF-8 has at most one byte in so many beyond ASCII. Of what is no text, every second one is.
const mostHigh = 4

// fault says why it is no text of a type; strict: it is said to be UTF-8. Of JCAMP-DX the records tell that it is text, whichever code page its remarks were
// written in; other text that is no UTF-8 must be mostly ASCII, as columns of numbers under a heading are.
func (s *scan) fault(media string, strict bool) *fault.Error {
	const accepted = "accepted is text in UTF-8, or mostly in ASCII with characters of Latin-1 or Windows-1252"
	switch {
	case s.control.at >= 0:
		return fault.New(fault.InvalidField, "mediaType", "found %s with the control character 0x%02x at byte %d; %s", media, s.control.c, s.control.at, accepted)
	case s.foreign.at < 0 || media == JCAMP && !strict:
		return nil
	case strict:
		return fault.New(fault.InvalidField, "mediaType", "found %s, said to be UTF-8, with the byte 0x%02x at byte %d, which is none; accepted are those that agree",
			media, s.foreign.c, s.foreign.at)
	case s.nothing.at >= 0:
		return fault.New(fault.InvalidField, "mediaType", "found %s that is no UTF-8 with the byte 0x%02x at byte %d, which is no character; %s",
			media, s.nothing.c, s.nothing.at, accepted)
	case s.high > s.size/mostHigh:
		return fault.New(fault.InvalidField, "mediaType", "found %s that is no UTF-8 at byte %d, with %d of its %d bytes beyond ASCII; %s", media, s.foreign.at, s.high, s.size, accepted)
	}
	return nil
}

// checker looks at a file as it passes by.
type checker struct {
	media string
	// strict: the text is said to be UTF-8.
	strict bool
	begin  []byte
	size   int64
	text   scan
}

func newChecker(media string, strict bool) checker {
	return checker{media: media, strict: strict, text: newScan()}
}

// write takes a piece.
func (c *checker) write(p []byte) {
	if len(c.begin) < head {
		c.begin = append(c.begin, p[:min(len(p), head-len(c.begin))]...)
	}
	if isText(c.media) && c.text.control.at < 0 {
		c.text.write(p)
	}
	c.size += int64(len(p))
}

// end says what is wrong with the whole.
func (c *checker) end() *fault.Error {
	if c.size == 0 {
		return fault.New(fault.InvalidField, "", "found 0 bytes, which is an empty file; accepted are 1 to %d bytes", MaxBytes)
	}
	if isText(c.media) {
		c.text.end()
		if f := c.text.fault(c.media, c.strict); f != nil {
			return f
		}
	}
	is := Guess(c.begin)
	if is == c.media || c.media == CSV && is == Plain {
		return nil
	}
	if is == "" {
		is = "none of the accepted types"
	}
	return fault.New(fault.InvalidField, "mediaType", "found %s, and a file that by its beginning is %s; accepted are those that agree", c.media, is)
}
