package lineage

import (
	"fmt"
	"html"
	"strings"
)

// Words are what a drawing says beside ids and masses.
type Words struct {
	// Title says what the drawing shows; Several counts lots, Below says how many made of a lot are folded into it; State and Form are words of the vocabulary.
	Title          string
	Several, Below func(int) string
	State, Form    func(string) string
}

// SVG draws a graph. Each lot that stands by itself is a link to its page.
func (g *Graph) SVG(w Words) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="lineage" width="%.0f" height="%.0f" viewBox="0 0 %.0f %.0f" role="group" aria-label="%s">`, g.Width, g.Height, g.Width, g.Height, html.EscapeString(w.Title))
	b.WriteString(`<g class="edges" aria-hidden="true">`)
	for _, e := range g.edges {
		x1, y1, x2, y2 := e[0].X+nodeWidth, e[0].Y+nodeHeight/2, e[1].X, e[1].Y+nodeHeight/2
		class := ""
		if e[0].Line && e[1].Line {
			class = ` class="line"`
		}
		fmt.Fprintf(&b, `<path%s d="M%.1f %.1fC%.1f %.1f %.1f %.1f %.1f %.1f"/>`, class, x1, y1, x1+columnGap/2, y1, x2-columnGap/2, y2, x2, y2)
	}
	b.WriteString(`</g>`)
	for _, n := range g.Nodes {
		n.draw(&b, w)
	}
	b.WriteString(`</svg>`)
	return b.String()
}

func (n *Node) draw(b *strings.Builder, w Words) {
	l := n.Lots[0]
	class := "node"
	if l.State != "OPEN" {
		class += " gone"
	}
	for name, is := range map[string]bool{" focus": n.Focus, " line": n.Line && !n.Focus, " folded": n.Folded()} {
		if is {
			class += name
			break
		}
	}
	name, detail := l.ID, amount(l, w)
	switch {
	case n.Folded() && n.Below == len(n.Lots)-1:
		detail += " · " + w.Below(n.Below)
	case n.Folded():
		var sum int64
		for _, x := range n.Lots {
			sum += x.Micrograms
		}
		name, detail = w.Several(len(n.Lots)), carats(sum)+" · "+w.Form(l.Form)
	}
	title := name + ", " + detail + ", " + w.State(l.State)
	open, end := fmt.Sprintf(`<g class="%s"><title>%s</title>`, class, html.EscapeString(title)), `</g>`
	if !n.Folded() || n.Below == len(n.Lots)-1 {
		open = fmt.Sprintf(`<a class="%s" href="/lots/%s"><title>%s</title>`, class, segment(l.ID), html.EscapeString(title))
		end = `</a>`
	}
	b.WriteString(open)
	if n.Folded() { // a pile
		fmt.Fprintf(b, `<rect x="%.1f" y="%.1f" width="%.0f" height="%.0f" rx="3"/>`, n.X+4, n.Y+4, nodeWidth, nodeHeight)
	}
	fmt.Fprintf(b, `<rect x="%.1f" y="%.1f" width="%.0f" height="%.0f" rx="3"/>`, n.X, n.Y, nodeWidth, nodeHeight)
	fmt.Fprintf(b, `<text class="id" x="%.1f" y="%.1f">%s</text><text class="what" x="%.1f" y="%.1f">%s</text>`,
		n.X+9, n.Y+18, html.EscapeString(clip(name, 22)), n.X+9, n.Y+34, html.EscapeString(clip(detail, 28)))
	b.WriteString(end)
}

// segment writes an id as a segment of an address (RFC 3986).
func segment(id string) string {
	var b strings.Builder
	for _, c := range []byte(id) {
		if c == '.' || c == '-' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	return b.String()
}

// amount says how much a lot is.
func amount(l *Lot, w Words) string {
	if l.Pieces >= 0 {
		return fmt.Sprintf("%d · %s", l.Pieces, l.Mass)
	}
	return l.Mass
}

// clip shortens a text in its middle, where ids are alike.
func clip(s string, most int) string {
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most/2]) + "…" + string(r[len(r)-(most-most/2-1):])
}
