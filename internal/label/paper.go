package label

import (
	"fmt"
	"html"
	"strings"
)

// Paper is the folded paper of a parcel: one A4 sheet, printed on the outside.
type Paper struct {
	Label
	Facts []Fact // what the lot is, beside its mass
	// Known says of each treatment what is known, Told what must be told and what is unsettled, Care how to treat it.
	Known, Told, Care []string
	Titles            PaperTitles
	Notes             []string
}

// Fact is a name and a value.
type Fact struct{ Name, Value string }

// PaperTitles are the words of the paper itself.
type PaperTitles struct {
	Known, Told, Care, Fold, Front, Back, Flap string
}

// The panels: the sheet is folded in thirds across, and its sides are folded in.
const (
	panel     = a4Height / 3
	flapWidth = 32.0
	margin    = 6.0
)

// Fold draws the paper of a parcel. The upper third becomes the front, the middle one the back, and the lower one goes inside.
func Fold(p Paper) (Page, error) {
	var b strings.Builder
	for _, y := range []float64{panel, 2 * panel} {
		fmt.Fprintf(&b, `<path d="M0 %sH%s" stroke="#888" stroke-width=".2" stroke-dasharray="2 2"/>`, mm(y), mm(a4Width))
	}
	for _, x := range []float64{flapWidth, a4Width - flapWidth} {
		fmt.Fprintf(&b, `<path d="M%s 0V%s" stroke="#888" stroke-width=".2" stroke-dasharray="2 2"/>`, mm(x), mm(a4Height))
	}
	x, room := flapWidth+margin, a4Width-2*flapWidth-2*margin
	for i, text := range []string{p.Titles.Front, p.Titles.Back, p.Titles.Flap} {
		fmt.Fprintf(&b, `<text x="2" y="%s" font-size="2.2" fill="#666">%s</text>`, mm(float64(i)*panel+4), html.EscapeString(clip(text, 2.2, flapWidth-4)))
	}
	fmt.Fprintf(&b, `<text x="2" y="%s" font-size="2.2" fill="#666">%s</text>`, mm(panel-1.5), html.EscapeString(clip(p.Titles.Fold, 2.2, flapWidth-4)))

	// The front.
	const side = 44.0
	code, err := QR(p.Link, x+room-side, margin, side)
	if err != nil {
		return Page{}, err
	}
	b.WriteString(code)
	front := &column{x: x, y: margin, room: room - side - 3, bottom: panel - margin}
	front.put(p.Lot, 6, ` font-weight="bold"`, 3)
	front.put(p.What, 4, "", 2)
	front.put(p.Amount, 5, "", 2)
	for _, f := range p.Facts {
		front.put(f.Name+": "+f.Value, 3, "", 2)
	}
	foot := &column{x: x, y: panel - margin - 12, room: room, bottom: panel - margin}
	foot.put(strings.TrimPrefix(strings.TrimPrefix(p.Link, "https://"), "http://"), 2.4, ` fill="#333"`, 2)
	foot.put(p.Printed, 2.4, ` fill="#333"`, 1)
	b.WriteString(front.String() + foot.String())

	// The back, and inside.
	back := &column{x: x, y: panel + margin, room: room, bottom: 2*panel - margin}
	back.list(p.Titles.Known, p.Known, p.Elsewhere)
	inside := &column{x: x, y: 2*panel + margin, room: room, bottom: a4Height - margin}
	inside.list(p.Titles.Told, p.Told, p.Elsewhere)
	inside.list(p.Titles.Care, p.Care, p.Elsewhere)
	for _, n := range p.Notes {
		inside.put(n, 2.1, ` fill="#333"`, 3)
	}
	b.WriteString(back.String() + inside.String())
	return page(a4Width, a4Height, b.String()), nil
}

// column sets lines below each other.
type column struct {
	strings.Builder
	x, y, room, bottom float64
}

// put sets a text in so many lines at most; one that has no room is left out.
func (c *column) put(text string, size float64, attributes string, most int) {
	lines, size := fit(text, size, c.room, most, 0.6)
	c.lines(lines, size, attributes)
}

func (c *column) lines(lines []string, size float64, attributes string) {
	for _, line := range lines {
		if c.y+size*1.25 > c.bottom {
			return
		}
		c.y += size * 1.25
		fmt.Fprintf(c, `<text x="%s" y="%s" font-size="%s"%s>%s</text>`, mm(c.x), mm(c.y), mm(size), attributes, html.EscapeString(line))
	}
}

// list sets a heading and all its entries, as large as they fit. If they do not, none of them stands there but where they are: half of what must be told would
// be worse.
func (c *column) list(title string, entries []string, elsewhere string) {
	if len(entries) == 0 {
		return
	}
	c.y += 1
	c.lines([]string{title}, 3, ` font-weight="bold"`)
	for size := 2.8; size >= 1.7; size -= 0.1 {
		var lines []string
		for _, e := range entries {
			for i, line := range wrap(e, size, c.room-3) {
				if i == 0 {
					line = "– " + line
				} else {
					line = "\u2007 " + line
				}
				lines = append(lines, line)
			}
		}
		if c.y+float64(len(lines))*size*1.25 <= c.bottom {
			c.lines(lines, size, "")
			return
		}
	}
	c.put(elsewhere, 2.8, "", 2)
}

// clip cuts a text to a room.
func clip(text string, size, room float64) string {
	lines, _ := fit(text, size, room, 1, 0.6)
	if len(lines) == 0 {
		return ""
	}
	return lines[0]
}
