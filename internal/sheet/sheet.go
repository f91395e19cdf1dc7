package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// MaxEvents is how many events one table may hold: they are taken as one batch, all or none.
const MaxEvents = 1_000

// Read reads a table. It answers all its events, or eventfile.Problems with everything that is wrong with it.
func Read(name string, data []byte) ([]*eventfile.Entry, error) { return ReadSheet(name, data, "") }

// ReadSheet reads a table, of a workbook the sheet of that name; "": the first that shows something. The lines of its problems are then the rows of the sheet.
func ReadSheet(name string, data []byte, sheet string) ([]*eventfile.Entry, error) {
	refuse := func(line int, format string, args ...any) ([]*eventfile.Entry, error) {
		return nil, eventfile.Problems{{File: name, Line: line, Fault: fault.New(fault.InvalidField, "", format, args...)}}
	}
	if len(data) > eventfile.MaxFile {
		return nil, eventfile.Problems{{File: name, Fault: fault.New(fault.TooLarge, "", "found %d bytes, accepted are %d in one file", len(data), eventfile.MaxFile)}}
	}
	if isWorkbook(data) {
		t := &reading{name: name}
		records, problem := t.workbook(data, sheet)
		if problem != nil {
			return nil, eventfile.Problems{problem}
		}
		return t.table(records)
	}
	if sheet != "" {
		return refuse(0, "found the name of a sheet, %q, with a file that is no workbook", clip(sheet))
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if !utf8.Valid(data) || bytes.IndexByte(data, 0) >= 0 {
		return refuse(0, "found bytes that are no UTF-8 text; save the sheet as CSV UTF-8")
	}
	skipped := 0
	comma := rune(0)
	// A spreadsheet can be told its separator in a line of its own.
	if rest, ok := bytes.CutPrefix(data, []byte("sep=")); ok && len(rest) > 0 {
		comma = rune(rest[0])
		_, data, _ = bytes.Cut(rest, []byte("\n"))
		skipped = 1
	}
	t := &reading{name: name, skipped: skipped}
	records, problem := t.records(data, comma)
	if problem != nil {
		return nil, eventfile.Problems{problem}
	}
	return t.table(records)
}

// table reads the rows of a table, its header row first.
func (t *reading) table(records []record) ([]*eventfile.Entry, error) {
	name := t.name
	refuse := func(line int, format string, args ...any) ([]*eventfile.Entry, error) {
		return nil, eventfile.Problems{{File: name, Line: line, Fault: fault.New(fault.InvalidField, "", format, args...)}}
	}
	if len(records) == 0 {
		return refuse(0, "found no header row, accepted is a table with one; lotpaper import --template prints it")
	}
	if !t.header(records[0]) {
		return nil, t.problems
	}
	if len(records) == 1 {
		return refuse(0, "found a header row and no events")
	}
	roots := t.events(records[1:])
	if len(roots) > MaxEvents {
		return nil, eventfile.Problems{{File: name, Fault: fault.New(fault.TooLarge, "", "found %d events, accepted are %d in one table, which is taken whole or not at all; part it, or post it as YAML or JSON", len(roots), MaxEvents)}}
	}
	entries, err := eventfile.Events(name, roots, nil)
	t.problems = append(t.problems, t.further(roots, err)...)
	if len(t.problems) > 0 {
		slices.SortStableFunc(t.problems, func(a, b *eventfile.Problem) int { return a.Line - b.Line })
		return nil, t.problems
	}
	return entries, nil
}

// record is a row with the line on which each of its cells starts.
type record struct {
	cells []string
	lines []int
}

// reading is the work on one table.
type reading struct {
	name         string
	skipped      int // lines before the table
	commaDecimal bool
	columns      []column
	problems     eventfile.Problems
}

func (t *reading) refuse(event, line int, f *fault.Error) {
	t.problems = append(t.problems, &eventfile.Problem{File: t.name, Event: event, Line: line, Fault: f})
}

// records parts the text into cells.
func (t *reading) records(data []byte, comma rune) ([]record, *eventfile.Problem) {
	if comma == 0 {
		comma = separator(data)
	}
	if !strings.ContainsRune(",;\t|", comma) {
		return nil, &eventfile.Problem{File: t.name, Line: 1, Fault: fault.New(fault.InvalidField, "", "found %q between cells, accepted are commas, semicolons and tabs", comma)}
	}
	t.commaDecimal = comma == ';'
	r := csv.NewReader(bytes.NewReader(data))
	r.Comma, r.FieldsPerRecord = comma, -1
	var records []record
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return records, nil
		}
		if err != nil {
			p := &eventfile.Problem{File: t.name}
			var parse *csv.ParseError
			if errors.As(err, &parse) {
				p.Line, err = parse.StartLine+t.skipped, parse.Err
			}
			p.Fault = fault.New(fault.InvalidField, "", "found what is not CSV: %v; a cell with quotes in it is quoted, and its quotes doubled", err)
			return nil, p
		}
		rec := record{cells: cells}
		empty := true
		for i := range cells {
			line, _ := r.FieldPos(i)
			rec.lines = append(rec.lines, line+t.skipped)
			empty = empty && strings.TrimSpace(cells[i]) == ""
		}
		if !empty {
			records = append(records, rec)
		}
	}
}

// separator finds what parts the cells: whichever stands most often in the header row, whose names have none of them.
func separator(data []byte) rune {
	head, _, _ := bytes.Cut(data, []byte("\n"))
	best, most := ',', 0
	for _, r := range ",;\t" {
		if n := bytes.Count(head, []byte(string(r))); n > most {
			best, most = r, n
		}
	}
	return best
}

// header reads the header row; false: a problem was told.
func (t *reading) header(rec record) bool {
	for len(rec.cells) > 0 && strings.TrimSpace(rec.cells[len(rec.cells)-1]) == "" {
		rec.cells = rec.cells[:len(rec.cells)-1] // empty columns to the right
	}
	for i, head := range rec.cells {
		c, f := columnOf(head)
		if f == nil {
			for _, other := range t.columns {
				if c.sameField(other) {
					f = fault.New(fault.InvalidField, "", "found the column %q twice, accepted is once", c.head)
				}
			}
		}
		if f != nil {
			t.refuse(0, rec.lines[i], f)
		}
		t.columns = append(t.columns, c)
	}
	return len(t.problems) == 0
}

// events makes one node for each event.
func (t *reading) events(records []record) []*eventfile.Node {
	var roots []*eventfile.Node
	for _, rec := range records {
		line := rec.lines[0]
		continues := true
		for i, cell := range rec.cells {
			if strings.TrimSpace(cell) == "" {
				continue
			}
			if i >= len(t.columns) {
				t.refuse(0, rec.lines[i], fault.New(fault.InvalidField, "", "found %q in column %d, and the header row has %d columns", clip(cell), i+1, len(t.columns)))
				continue
			}
			continues = continues && t.columns[i].list > 0
		}
		if !continues || len(roots) == 0 {
			roots = append(roots, &eventfile.Node{Shape: eventfile.Map, Line: line})
		}
		t.fill(roots[len(roots)-1], len(roots), rec)
	}
	return roots
}

// fill writes a row's cells into its event. Each list gets at most one part from a row.
func (t *reading) fill(root *eventfile.Node, event int, rec record) {
	parts := map[string]*eventfile.Node{}
	for i, cell := range rec.cells {
		if i >= len(t.columns) || strings.TrimSpace(cell) == "" {
			continue
		}
		c := t.columns[i]
		value, f := nodeOf(c, cell, rec.lines[i], t.commaDecimal)
		n := root
		if c.list > 0 {
			list := below(root, c.path[:c.list], eventfile.List, rec.lines[i])
			name := strings.Join(c.path[:c.list], ".")
			if parts[name] == nil {
				parts[name] = &eventfile.Node{Shape: eventfile.Map, Line: rec.lines[i]}
				list.Items = append(list.Items, parts[name])
			}
			n = parts[name]
		}
		if f != nil {
			at := *f
			at.Field = t.pathOf(root, c)
			t.refuse(event, rec.lines[i], &at)
			// A value that is right in form keeps this one problem from causing others.
			value = &eventfile.Node{Shape: eventfile.Plain, Text: standIn(c.path[len(c.path)-1]), Line: rec.lines[i]}
		}
		last := len(c.path) - 1
		n = below(n, c.path[c.list:last], eventfile.Map, rec.lines[i])
		n.Keys = append(n.Keys, eventfile.Key{Name: c.path[last], Line: rec.lines[i], Value: value})
	}
}

// pathOf gives the path of a cell as the API writes it, with the number of the list's last part.
func (t *reading) pathOf(root *eventfile.Node, c column) string {
	if c.list == 0 {
		return strings.Join(c.path, ".")
	}
	list := below(root, c.path[:c.list], eventfile.List, 0)
	return fmt.Sprintf("%s[%d].%s", strings.Join(c.path[:c.list], "."), len(list.Items)-1, strings.Join(c.path[c.list:], "."))
}

// below finds or makes the node that names lead to; the last one made has the shape.
func below(n *eventfile.Node, names []string, shape eventfile.Shape, line int) *eventfile.Node {
	for i, name := range names {
		next := n.Get(name)
		if next == nil {
			next = &eventfile.Node{Shape: eventfile.Map, Line: line}
			if i == len(names)-1 {
				next.Shape = shape
			}
			n.Keys = append(n.Keys, eventfile.Key{Name: name, Line: line, Value: next})
		}
		n = next
	}
	return n
}
