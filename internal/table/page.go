package table

import (
	"fmt"
	"io"
	"strings"
	"unicode"

	"github.com/rivo/uniseg"
)

// Tone is how a piece of text should stand out, where there are colours.
type Tone uint8

// The tones.
const (
	Plain Tone = iota
	Strong
	Quiet
	Good
	Warn
	Bad
)

// Narrowest and default widths of a page, in cells.
const (
	MinWidth     = 40
	DefaultWidth = 100
)

// Style is how a page is set.
type Style struct {
	// Width is how many cells a line may have; below MinWidth it is DefaultWidth. Only text that can be wrapped obeys it.
	Width int
	// Colour allows escape sequences.
	Colour bool
}

// Page writes text to one output. The first error of the output is kept and told by Err; what follows it is dropped.
type Page struct {
	w     io.Writer
	style Style
	err   error
	begun bool
}

// NewPage makes a page.
func NewPage(w io.Writer, style Style) *Page {
	if style.Width < MinWidth {
		style.Width = DefaultWidth
	}
	return &Page{w: w, style: style}
}

// Err tells what went wrong with the output.
func (p *Page) Err() error { return p.err }

// Heading starts a part of the page.
func (p *Page) Heading(text string) {
	if p.begun {
		p.line("")
	}
	p.line(p.paint(Strong, clean(text)))
}

// Blank leaves a line free.
func (p *Page) Blank() { p.line("") }

// Line writes one line as it is, however long.
func (p *Page) Line(tone Tone, text string) { p.line(p.paint(tone, clean(text))) }

// Text writes a paragraph, wrapped and indented.
func (p *Page) Text(indent int, tone Tone, text string) { p.Hanging(indent, indent, tone, text) }

// Hanging writes a paragraph whose first line is indented otherwise than the others.
func (p *Page) Hanging(first, others int, tone Tone, text string) {
	for i, line := range wrap(clean(text), p.style.Width-max(first, others)) {
		indent := others
		if i == 0 {
			indent = first
		}
		p.line(strings.Repeat(" ", indent) + p.paint(tone, line))
	}
}

// Pair is a name with its value.
type Pair struct {
	Name, Value string
	Tone        Tone
}

// Pairs writes names and values in two columns; pairs without a value are left out.
func (p *Page) Pairs(pairs ...Pair) {
	widest := 0
	for _, pair := range pairs {
		if pair.Value != "" {
			widest = max(widest, width(pair.Name))
		}
	}
	for _, pair := range pairs {
		if pair.Value == "" {
			continue
		}
		for i, line := range wrap(clean(pair.Value), p.style.Width-widest-4) {
			name := pair.Name
			if i > 0 {
				name = ""
			}
			p.line("  " + p.paint(Quiet, pad(name, widest, false)) + "  " + p.paint(pair.Tone, line))
		}
	}
}

func (p *Page) line(s string) {
	p.begun = true
	if p.err == nil {
		s = strings.ReplaceAll(s, "\u00a0", " ") // a space that only must not be broken at
		_, p.err = fmt.Fprintln(p.w, strings.TrimRight(s, " "))
	}
}

// paint wraps text into the escape sequence of its tone (ECMA-48, SGR).
func (p *Page) paint(tone Tone, s string) string {
	code := ""
	switch tone {
	case Strong:
		code = "1"
	case Quiet:
		code = "2"
	case Good:
		code = "32"
	case Warn:
		code = "33"
	case Bad:
		code = "31"
	}
	if !p.style.Colour || code == "" || s == "" {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

// width is how many cells a text takes.
func width(s string) int { return uniseg.StringWidth(s) }

// pad fills a text up to so many cells.
func pad(s string, cells int, right bool) string {
	fill := strings.Repeat(" ", max(0, cells-width(s)))
	if right {
		return fill + s
	}
	return s + fill
}

// clean makes a text harmless for a terminal: white space becomes one space, other control characters and the marks that turn the
// direction of writing become a question mark.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r':
			return ' '
		case unicode.IsControl(r), r == unicode.ReplacementChar, unicode.Is(unicode.Bidi_Control, r), r == '\u2028', r == '\u2029':
			return '?'
		}
		return r
	}, s)
}

// wrap breaks a text into lines of at most so many cells, at spaces other than no-break ones; a word that is longer stands alone. There
// is always one line.
func wrap(s string, cells int) []string {
	var lines []string
	line, used := "", 0
	for _, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) {
		w := width(word)
		switch {
		case line == "":
			line, used = word, w
		case used+1+w <= cells:
			line, used = line+" "+word, used+1+w
		default:
			lines = append(lines, line)
			line, used = word, w
		}
	}
	return append(lines, line)
}
