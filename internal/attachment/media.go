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

// head is how many bytes at the beginning tell what a file is.
const head = 16

// Guess tells a file's type by how it begins; "": none of the accepted. CSV and plain text begin alike, and are told as plain text.
func Guess(begin []byte) string {
	for _, m := range [...]struct{ magic, media string }{
		{"\xff\xd8\xff", JPEG}, {"\x89PNG\r\n\x1a\n", PNG}, {"II*\x00", TIFF}, {"MM\x00*", TIFF}, {"%PDF-", PDF},
	} {
		if bytes.HasPrefix(begin, []byte(m.magic)) {
			return m.media
		}
	}
	switch text := bytes.TrimLeft(bytes.TrimPrefix(begin, []byte("\xef\xbb\xbf")), " \t\r\n"); {
	case len(begin) == 0 || slices.ContainsFunc(begin, control):
		return ""
	case bytes.HasPrefix(text, []byte("##")):
		return JCAMP
	case bytes.HasPrefix(text, []byte("<")): // a page or a drawing, which may run something
		return ""
	}
	return Plain
}

// TypeOf tells a file's type by how it begins, and CSV by its name; "": none of the accepted.
func TypeOf(name string, begin []byte) string {
	media := Guess(begin[:min(len(begin), head)])
	if media == Plain && strings.EqualFold(path.Ext(name), ".csv") {
		return CSV
	}
	return media
}

// control tells whether a byte has no place in text.
func control(c byte) bool { return c < ' ' && c != '\t' && c != '\r' && c != '\n' || c == 0x7f }

// isText tells whether a type is text all through.
func isText(media string) bool { return media == JCAMP || media == Plain || media == CSV }

// stated reads a stated media type; text may say that it is UTF-8.
func stated(media string) (string, *fault.Error) {
	refuse := func() (string, *fault.Error) {
		return "", fault.New(fault.InvalidField, "mediaType", "found %q, accepted is one of %s", media, strings.Join(MediaTypes(), ", "))
	}
	base, params, err := mime.ParseMediaType(media)
	if err != nil || !slices.Contains(MediaTypes(), base) {
		return refuse()
	}
	for k, v := range params {
		if k != "charset" || !isText(base) || !strings.EqualFold(v, "utf-8") && !strings.EqualFold(v, "us-ascii") {
			return refuse()
		}
	}
	return base, nil
}

// checker looks at a file as it passes by.
type checker struct {
	media string
	begin []byte
	size  int64
	// rest is a rune that was cut at the end of the last piece.
	rest  []byte
	wrong *fault.Error
}

// write takes a piece; after a fault it looks no further.
func (c *checker) write(p []byte) {
	first := len(c.begin) < head
	if first {
		c.begin = append(c.begin, p[:min(len(p), head-len(c.begin))]...)
	}
	if c.wrong == nil && isText(c.media) {
		c.text(p)
	}
	c.size += int64(len(p))
}

func (c *checker) text(p []byte) {
	if i := slices.IndexFunc(p, control); i >= 0 {
		c.wrong = fault.New(fault.InvalidField, "mediaType", "found %s with the control character 0x%02x at byte %d, accepted is text in UTF-8", c.media, p[i], c.size+int64(i))
		return
	}
	b := append(c.rest, p...)
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n <= 1 {
			if !utf8.FullRune(b) {
				break
			}
			c.wrong = fault.New(fault.InvalidField, "mediaType", "found %s with the byte 0x%02x, which is no UTF-8; accepted is text in UTF-8", c.media, b[0])
			return
		}
		b = b[n:]
	}
	c.rest = slices.Clone(b)
}

// end says what is wrong with the whole.
func (c *checker) end() *fault.Error {
	if c.size == 0 {
		return fault.New(fault.InvalidField, "", "found an empty file, accepted is one with something in it")
	}
	if c.wrong != nil {
		return c.wrong
	}
	if len(c.rest) > 0 {
		return fault.New(fault.InvalidField, "mediaType", "found %s that ends within a character, accepted is text in UTF-8", c.media)
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
