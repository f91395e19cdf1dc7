package table

import "strings"

// Column is one column of a table.
type Column struct {
	Head string
	// Right sets figures flush right.
	Right bool
	// Wrap lets the column give way to the page's width. At most one column of a table should.
	Wrap bool
}

// Cell is one text of a table.
type Cell struct {
	Text string
	Tone Tone
}

// C makes a plain cell.
func C(text string) Cell { return Cell{Text: text} }

// Table is a table that grows by rows. Columns in which nothing stands are left out when it is written.
type Table struct {
	columns []Column
	rows    [][]Cell
}

// New makes a table.
func New(columns ...Column) *Table { return &Table{columns: columns} }

// Row adds a row; cells that are missing at its end are empty.
func (t *Table) Row(cells ...Cell) {
	row := make([]Cell, len(t.columns))
	copy(row, cells)
	for i := range row {
		row[i].Text = clean(row[i].Text)
	}
	t.rows = append(t.rows, row)
}

// Len counts the rows.
func (t *Table) Len() int { return len(t.rows) }

const (
	gap          = 2  // cells between columns
	narrowestFit = 24 // cells that a wrapped column keeps at least
)

// Table writes a table, indented by two cells.
func (p *Page) Table(t *Table) {
	widths := t.widths(p.style.Width)
	var heads []Cell
	for _, c := range t.columns {
		heads = append(heads, Cell{c.Head, Quiet})
	}
	for _, row := range append([][]Cell{heads}, t.rows...) {
		p.row(t.columns, widths, row)
	}
}

// widths finds how wide each column is; -1 for one that is left out.
func (t *Table) widths(page int) []int {
	widths := make([]int, len(t.columns))
	total, wrapped := 2-gap, -1
	for i, c := range t.columns {
		widths[i] = -1
		for _, row := range t.rows {
			if row[i].Text != "" {
				widths[i] = max(widths[i], width(row[i].Text), width(c.Head))
			}
		}
		if widths[i] < 0 {
			continue
		}
		total += widths[i] + gap
		if c.Wrap {
			wrapped = i
		}
	}
	if over := total - page; wrapped >= 0 && over > 0 {
		least := max(narrowestFit, width(t.columns[wrapped].Head))
		widths[wrapped] = max(min(widths[wrapped], least), widths[wrapped]-over)
	}
	return widths
}

// row writes one row, over as many lines as its wrapped cell takes.
func (p *Page) row(columns []Column, widths []int, cells []Cell) {
	lines := make([][]string, len(columns))
	height := 1
	for i := range columns {
		lines[i] = []string{cells[i].Text}
		if columns[i].Wrap {
			lines[i] = wrap(cells[i].Text, max(1, widths[i]))
		}
		if widths[i] >= 0 {
			height = max(height, len(lines[i]))
		}
	}
	for n := range height {
		var b strings.Builder
		between := "  "
		for i, c := range columns {
			if widths[i] < 0 {
				continue
			}
			text := ""
			if n < len(lines[i]) {
				text = lines[i][n]
			}
			b.WriteString(between)
			fill := strings.Repeat(" ", max(0, widths[i]-width(text)))
			if c.Right {
				b.WriteString(fill + p.paint(cells[i].Tone, text))
			} else {
				b.WriteString(p.paint(cells[i].Tone, text) + fill)
			}
			between = strings.Repeat(" ", gap)
		}
		p.line(b.String())
	}
}
