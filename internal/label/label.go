// Package label draws what goes with stones on paper: labels on sheets and on a roll, and the folded paper of a parcel, each with the QR code of the stone's page.
//
// It promises that nothing on a label says more than it was given: a status that does not fit is set smaller, and if it does not fit then either the label says
// that the status is behind the code. No text leaves its label, whatever is written in it, and the code has its quiet zone.
//
// What a status says is the caller's matter; so is the link that the code leads to.
package label

import (
	"fmt"
	"html"
	"slices"
	"strings"

	"rsc.io/qr"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Label is what stands on one label.
type Label struct {
	Lot  string // its id, large
	Link string // what the code leads to
	// What is the material and form, Amount pieces and mass as recorded.
	What, Amount string
	// Status is the short line that must be told, Elsewhere what stands in its place if there is no room.
	Status, Elsewhere string
	Printed           string // the day
}

// Sheet is a sheet of labels, in millimetres. The sizes are those that shops have; common practice, no published source.
type Sheet struct {
	Name          string
	Columns, Rows int
	Width, Height float64 // of a label
	Left, Top     float64 // of the first
	GapX, GapY    float64
}

// Sheets lists the sheets that are known.
func Sheets() []Sheet {
	return []Sheet{
		{Name: "a4-3x8", Columns: 3, Rows: 8, Width: 70, Height: 37, Top: 0.5},
		{Name: "a4-2x7", Columns: 2, Rows: 7, Width: 99.1, Height: 38.1, Left: 4.65, Top: 15.15, GapX: 2.5},
		{Name: "a4-4x10", Columns: 4, Rows: 10, Width: 48.5, Height: 25.4, Left: 8, Top: 21.5},
	}
}

// SheetByName finds a sheet.
func SheetByName(name string) (Sheet, *fault.Error) {
	var names []string
	for _, s := range Sheets() {
		if s.Name == name {
			return s, nil
		}
		names = append(names, s.Name)
	}
	return Sheet{}, fault.New(fault.InvalidField, "sheet", "found %q, accepted is one of %s", name, strings.Join(names, ", "))
}

// The paper of an A4 sheet (ISO 216), and the roll.
const (
	a4Width, a4Height = 210.0, 297.0
	RollWidth         = 62.0
	rollHeight        = 29.0
	// MostLabels bounds one drawing.
	MostLabels = 1000
)

// Page is one page of paper as an SVG drawing.
type Page struct {
	SVG           string
	Width, Height float64 // mm
}

// OnSheets draws labels on sheets of which the first skip places are used up.
func OnSheets(s Sheet, labels []Label, skip int) ([]Page, error) {
	if f := checkCount(labels); f != nil {
		return nil, f
	}
	each := s.Columns * s.Rows
	if skip < 0 || skip >= each {
		return nil, fault.New(fault.InvalidField, "skip", "found %d, accepted is 0 to %d on this sheet", skip, each-1)
	}
	var pages []Page
	for first := -skip; first < len(labels); first += each {
		var b strings.Builder
		for place := range each {
			i := first + place
			if i < 0 || i >= len(labels) {
				continue
			}
			x := s.Left + float64(place%s.Columns)*(s.Width+s.GapX)
			y := s.Top + float64(place/s.Columns)*(s.Height+s.GapY)
			one, err := draw(labels[i], s.Width, s.Height)
			if err != nil {
				return nil, err
			}
			fmt.Fprintf(&b, `<g transform="translate(%s %s)">%s</g>`, mm(x), mm(y), one)
		}
		pages = append(pages, page(a4Width, a4Height, b.String()))
	}
	return pages, nil
}

// OnRoll draws each label as a page of its own, on an endless roll of 62 mm.
func OnRoll(labels []Label) ([]Page, error) {
	if f := checkCount(labels); f != nil {
		return nil, f
	}
	var pages []Page
	for _, l := range labels {
		one, err := draw(l, RollWidth, rollHeight)
		if err != nil {
			return nil, err
		}
		pages = append(pages, page(RollWidth, rollHeight, one))
	}
	return pages, nil
}

func checkCount(labels []Label) *fault.Error {
	if n := len(labels); n == 0 || n > MostLabels {
		return fault.New(fault.InvalidField, "lot", "found %d labels, accepted are 1 to %d", n, MostLabels)
	}
	return nil
}

func page(width, height float64, content string) Page {
	return Page{fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s" font-family="%s" fill="#000">%s</svg>`,
		mm(width), mm(height), mm(width), mm(height), fonts, content), width, height}
}

// draw draws one label with its corner at 0 0.
func draw(l Label, width, height float64) (string, error) {
	const edge = 2.0
	side := min(height-2*edge, width*0.42, 30)
	code, err := QR(l.Link, edge, (height-side)/2, side)
	if err != nil {
		return "", err
	}
	x, room := edge+side+1.2, width-side-2*edge-1.2
	var b strings.Builder
	b.WriteString(code)
	large := height >= 35
	sizes := struct{ lot, line, status, foot float64 }{3.0, 2.3, 2.1, 1.5}
	if large {
		sizes = struct{ lot, line, status, foot float64 }{3.9, 2.9, 2.6, 1.8}
	}
	y := edge
	put := func(lines []string, size float64, weight string) {
		for _, line := range lines {
			y += size * 1.18
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s"%s>%s</text>`, mm(x), mm(y), mm(size), weight, html.EscapeString(line))
		}
	}
	lotLines, least := 1, 0.6
	if large {
		lotLines, least = 2, 0.7
	}
	lot, size := fit(l.Lot, sizes.lot, room, lotLines, least)
	put(lot, size, ` font-weight="bold"`)
	for _, text := range []string{l.What, l.Amount} {
		lines, size := fit(text, sizes.line, room, 1, 0.7)
		put(lines, size, "")
	}
	foot, footSize := fit(strings.TrimPrefix(strings.TrimPrefix(l.Link, "https://"), "http://"), sizes.foot, room, 2, 0.6)
	footHeight := float64(len(foot)+1) * footSize * 1.18
	left := height - edge - footHeight - y - 0.6
	status, size := status(l, sizes.status, room, left)
	y += 0.5
	put(status, size, "")
	y = height - edge - footHeight
	put(append(foot, l.Printed), footSize, ` fill="#333"`)
	return b.String(), nil
}

// status sets the status as large as it fits, or says where it is.
func status(l Label, size, room, height float64) ([]string, float64) {
	for s := size; s >= 1.5; s -= 0.1 {
		lines := wrap(l.Status, s, room)
		if float64(len(lines))*s*1.18 <= height {
			return lines, s
		}
	}
	for s := size; s >= 1.2; s -= 0.1 {
		if lines := wrap(l.Elsewhere, s, room); float64(len(lines))*s*1.18 <= height {
			return lines, s
		}
	}
	return nil, size
}

// fit sets a text in so many lines at most, smaller down to a share of its size; what does not fit then ends in dots.
func fit(text string, size, room float64, most int, least float64) ([]string, float64) {
	if text == "" {
		return nil, size
	}
	for s := size; s >= size*least; s -= size / 20 {
		if lines := wrap(text, s, room); len(lines) <= most {
			return lines, s
		}
	}
	s := size * least
	lines := wrap(text, s, room)[:most]
	last := []rune(lines[most-1])
	for len(last) > 0 && Width(string(last)+"…", s) > room {
		last = last[:len(last)-1]
	}
	lines[most-1] = string(last) + "…"
	return lines, s
}

// wrap breaks a text into lines that are no wider than the room: at blanks, behind hyphens, dots and slashes, and anywhere in a word that is too long.
func wrap(text string, size, room float64) []string {
	var lines []string
	line := ""
	for _, word := range parts(text) {
		if Width(strings.TrimRight(line+word, " "), size) <= room {
			line += word
			continue
		}
		if line != "" {
			lines = append(lines, strings.TrimSpace(line))
			line = ""
		}
		for _, r := range word {
			if Width(strings.TrimRight(line+string(r), " "), size) > room && line != "" {
				lines = append(lines, strings.TrimSpace(line))
				line = ""
			}
			line += string(r)
		}
	}
	if strings.TrimSpace(line) != "" {
		lines = append(lines, strings.TrimSpace(line))
	}
	return lines
}

// parts parts a text where a line may end.
func parts(text string) []string {
	var out []string
	begin := 0
	runes := []rune(strings.Join(strings.Fields(text), " "))
	for i, r := range runes {
		if slices.Contains([]rune{' ', '-', '/', '.', ','}, r) {
			out = append(out, string(runes[begin:i+1]))
			begin = i + 1
		}
	}
	return append(out, string(runes[begin:]))
}

// fonts begins with the widest faces that are common, by which texts are measured: others only leave more room.
const fonts = "DejaVu Sans, Verdana, Geneva, sans-serif"

// Width is how wide a text is at most, in the unit of its size, in the bold face of DejaVu Sans; the classes of characters are rounded up, from memory, and compared
// with what a renderer draws in the tests.
func Width(text string, size float64) float64 {
	em := 0.0
	for _, r := range text {
		switch {
		case strings.ContainsRune("il.,:;'|!j ", r):
			em += 0.40
		case strings.ContainsRune("ftr()[]-/\"", r):
			em += 0.52
		case strings.ContainsRune("mwMWQO@%&", r):
			em += 1.11
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			em += 0.72
		case r >= 'A' && r <= 'Z', r < 0x250:
			em += 0.88
		default:
			em += 1.2
		}
	}
	return em * size
}

func mm(v float64) string {
	s := fmt.Sprintf("%.3f", v)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// QR draws a link as a QR code (ISO/IEC 18004, level M) in a square of a side, its quiet zone of four modules included.
func QR(link string, x, y, side float64) (string, error) {
	c, err := qr.Encode(link, qr.M)
	if err != nil {
		return "", fault.New(fault.InvalidField, "link", "found %d characters, which no code holds", len(link))
	}
	module := side / float64(c.Size+8)
	var path strings.Builder
	for row := range c.Size {
		for col := 0; col < c.Size; col++ {
			from := col
			for col < c.Size && c.Black(col, row) {
				col++
			}
			if col > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+4, row+4, col-from, col-from)
			}
		}
	}
	// Black on white whatever the page is: many readers take no other.
	return fmt.Sprintf(`<g transform="translate(%s %s) scale(%.5f)" shape-rendering="crispEdges"><path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#000" d="%s"/></g>`,
		mm(x), mm(y), module, c.Size+8, c.Size+8, path.String()), nil
}

// Style is the style of a document of pages, for those that take it from a file; Document writes it into the document.
const Style = `body{margin:0;background:#fff}svg{display:block;break-after:page}svg:last-of-type{break-after:auto}`

// PageStyle sets the paper.
func PageStyle(p Page) string {
	return fmt.Sprintf("@page{size:%smm %smm;margin:0}", mm(p.Width), mm(p.Height))
}

// Document puts pages into one HTML document that needs nothing else.
func Document(title string, pages []Page) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<!doctype html><html lang="en"><meta charset="utf-8"><title>%s</title><style>%s%s</style>`, html.EscapeString(title), PageStyle(pages[0]), Style)
	for _, p := range pages {
		b.WriteString(p.SVG)
	}
	b.WriteString("</html>\n")
	return b.String()
}
