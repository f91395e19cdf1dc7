package sheet

import (
	"archive/zip"
	"bytes"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// Bounds of what a workbook may unpack to.
const (
	maxUnpacked = 64 << 20
	maxXML      = 32 << 20
	maxRows     = 20_000
)

// isWorkbook tells whether a file is a ZIP archive, as workbooks of ECMA-376 are.
func isWorkbook(data []byte) bool { return bytes.HasPrefix(data, []byte("PK\x03\x04")) }

// workbook reads the cells of one sheet of a workbook as a person sees them: dates as dates and numbers with the digits that they are shown with, because the last
// digit of a mass states the scale's step. Of a formula the value that was stored with it counts. Without a name the first sheet that is not hidden and not empty is
// taken.
func (t *reading) workbook(data []byte, name string) ([]record, *eventfile.Problem) {
	refuse := func(format string, args ...any) ([]record, *eventfile.Problem) {
		return nil, &eventfile.Problem{File: t.name, Fault: fault.New(fault.InvalidField, "", format, args...)}
	}
	if macros(data) {
		return refuse("found a workbook with macros, accepted is one without: save it as .xlsx")
	}
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{UnzipSizeLimit: maxUnpacked, UnzipXMLSizeLimit: maxXML})
	if err != nil {
		return refuse("found a workbook that cannot be read (%v), accepted is an .xlsx file without a password", err)
	}
	defer f.Close()
	var names []string
	for _, s := range f.GetSheetList() {
		if shown, err := f.GetSheetVisible(s); err == nil && shown {
			names = append(names, s)
		}
	}
	if name != "" {
		found := false
		for _, s := range f.GetSheetList() {
			found = found || s == name
		}
		if !found {
			return refuse("found no sheet %q, accepted is one of %s", clip(name), strings.Join(names, ", "))
		}
		names = []string{name}
	}
	b := &book{file: f, styles: map[int]style{}}
	if p, err := f.GetWorkbookProps(); err == nil && p.Date1904 != nil {
		b.date1904 = *p.Date1904
	}
	for _, s := range names {
		records, err := b.records(s)
		if err != nil {
			return refuse("found a sheet %q that cannot be read: %v", clip(s), err)
		}
		if len(records) > 0 {
			return records, nil
		}
	}
	return nil, nil
}

// macros tells whether a workbook holds programs.
func macros(data []byte) bool {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return false
	}
	for _, f := range z.File {
		if strings.HasSuffix(strings.ToLower(f.Name), "vbaproject.bin") {
			return true
		}
	}
	return false
}

// book is a workbook being read.
type book struct {
	file     *excelize.File
	date1904 bool
	styles   map[int]style
}

// style is what matters of how a cell is shown.
type style struct {
	date     bool
	time     bool // with the time of day
	decimals int  // of a number; -1: as many as it has
}

func (b *book) records(sheet string) ([]record, error) {
	rows, err := b.file.Rows(sheet)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []record
	for row := 1; rows.Next(); row++ {
		if row > maxRows {
			return nil, fmt.Errorf("it has more than %d rows", maxRows)
		}
		raw, err := rows.Columns(excelize.Options{RawCellValue: true})
		if err != nil {
			return nil, err
		}
		rec := record{}
		empty := true
		for i, value := range raw {
			if value != "" {
				if value, err = b.cell(sheet, i+1, row, value); err != nil {
					return nil, err
				}
			}
			empty = empty && strings.TrimSpace(value) == ""
			rec.cells, rec.lines = append(rec.cells, value), append(rec.lines, row)
		}
		if !empty {
			out = append(out, rec)
		}
	}
	return out, rows.Error()
}

// cell gives a cell's text as a person reads it.
func (b *book) cell(sheet string, column, row int, raw string) (string, error) {
	at, err := excelize.CoordinatesToCellName(column, row)
	if err != nil {
		return "", err
	}
	kind, err := b.file.GetCellType(sheet, at)
	if err != nil {
		return "", err
	}
	switch kind {
	case excelize.CellTypeBool:
		if raw == "1" {
			return "true", nil
		}
		return "false", nil
	case excelize.CellTypeNumber, excelize.CellTypeUnset, excelize.CellTypeFormula, excelize.CellTypeDate:
	default:
		return raw, nil
	}
	v, err := strconv.ParseFloat(raw, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return raw, nil // a text, as a formula's value may be
	}
	id, err := b.file.GetCellStyle(sheet, at)
	if err != nil {
		return "", err
	}
	s, err := b.style(id)
	if err != nil {
		return "", err
	}
	if !s.date {
		if s.decimals >= 0 {
			return strconv.FormatFloat(v, 'f', s.decimals, 64), nil
		}
		// Fifteen digits are what a spreadsheet shows at most; the rest is binary noise.
		v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64)
		return strconv.FormatFloat(v, 'f', -1, 64), nil
	}
	when, err := excelize.ExcelDateToTime(v, b.date1904)
	if err != nil {
		return "", err
	}
	when = when.Round(time.Second)
	if !s.time && when.Equal(when.Truncate(24*time.Hour)) {
		return when.Format(time.DateOnly), nil
	}
	return when.Format("2006-01-02T15:04:05Z07:00"), nil
}

func (b *book) style(id int) (style, error) {
	if s, ok := b.styles[id]; ok {
		return s, nil
	}
	x, err := b.file.GetStyle(id)
	if err != nil {
		return style{}, err
	}
	format := ""
	if x.CustomNumFmt != nil {
		format = *x.CustomNumFmt
	}
	s := styleOf(x.NumFmt, format)
	b.styles[id] = s
	return s, nil
}

// quoted is what stands in a format as it is: text in quotes, a character behind a backslash, and what is in brackets.
var quoted = regexp.MustCompile(`"[^"]*"|\\.|\[[^\]]*\]`)

// styleOf reads a number format of ECMA-376, part 1, 18.8.30: the numbers of the ones that are built in, or its code.
func styleOf(id int, code string) style {
	switch {
	case code != "":
	case id == 2 || id == 4 || id == 39 || id == 40:
		return style{decimals: 2}
	case id == 1 || id == 3 || id == 37 || id == 38:
		return style{decimals: 0}
	case id >= 14 && id <= 17, id >= 27 && id <= 31, id == 34 || id == 35 || id == 36, id >= 50 && id <= 54, id >= 57 && id <= 58:
		return style{date: true}
	case id == 22, id >= 18 && id <= 21, id == 32, id == 33, id >= 45 && id <= 47, id == 55 || id == 56:
		return style{date: true, time: true}
	default:
		return style{decimals: -1}
	}
	plain, _, _ := strings.Cut(quoted.ReplaceAllString(code, ""), ";")
	lower := strings.ToLower(plain)
	if strings.ContainsAny(lower, "ydhs") || strings.Contains(lower, "m") && !strings.ContainsAny(lower, "0#") {
		return style{date: true, time: strings.ContainsAny(lower, "hs")}
	}
	if strings.Contains(lower, "general") || !strings.ContainsAny(plain, "0#?") || strings.ContainsAny(plain, "%eE/") {
		return style{decimals: -1}
	}
	_, after, point := strings.Cut(plain, ".")
	if !point {
		return style{decimals: 0}
	}
	n := 0
	for _, c := range after {
		if c != '0' && c != '#' && c != '?' {
			break
		}
		if c != '0' {
			return style{decimals: -1} // as many as there are
		}
		n++
	}
	return style{decimals: n}
}

// Workbook gives a workbook with the header row for one kind of event, and what its columns take on a second sheet.
func Workbook(kind string) ([]byte, error) {
	heads, err := Template(kind)
	if err != nil {
		return nil, err
	}
	f := excelize.NewFile()
	defer f.Close()
	const events, notes = "events", "columns"
	if err := f.SetSheetName("Sheet1", events); err != nil {
		return nil, err
	}
	if _, err := f.NewSheet(notes); err != nil {
		return nil, err
	}
	bold, err := f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return nil, err
	}
	text, err := f.NewStyle(&excelize.Style{NumFmt: 49}) // "@": what is written stays as it was written, dates and lots too
	if err != nil {
		return nil, err
	}
	if err := f.SetColStyle(events, "A:"+columnName(len(heads)), text); err != nil {
		return nil, err
	}
	for i, h := range heads {
		at, err := excelize.CoordinatesToCellName(i+1, 1)
		if err != nil {
			return nil, err
		}
		if err := f.SetCellStr(events, at, h); err != nil {
			return nil, err
		}
		if err := f.SetCellStyle(events, at, at, bold); err != nil {
			return nil, err
		}
		for col, s := range []string{h, Note(h)} {
			at, err := excelize.CoordinatesToCellName(col+1, i+1)
			if err != nil {
				return nil, err
			}
			if err := f.SetCellStr(notes, at, s); err != nil {
				return nil, err
			}
		}
	}
	for sheet, width := range map[string]float64{events: 20, notes: 48} {
		if err := f.SetColWidth(sheet, "A", columnName(max(2, len(heads))), width); err != nil {
			return nil, err
		}
	}
	if err := f.SetPanes(events, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := f.Write(&out); err != nil {
		return nil, fmt.Errorf("write the workbook: %w", err)
	}
	return out.Bytes(), nil
}

func columnName(n int) string {
	name, err := excelize.ColumnNumberToName(n)
	if err != nil {
		return "A"
	}
	return name
}

// Note says in a few words what a column takes.
func Note(head string) string {
	c, f := columnOf(head)
	if f != nil {
		return ""
	}
	switch {
	case c.isMass():
		return "a mass as the scale shows it, such as 3.42 ct or 1.250 kg"
	case strings.HasSuffix(head, "occurredAt"), strings.HasSuffix(head, ".from"), strings.HasSuffix(head, ".to") && strings.HasPrefix(head, "nothingDone"):
		return "a date such as 2026-03-04, or a time with its zone such as 2026-03-04T10:30:00+03:00"
	case c.list > 0:
		return "one part a row: a row in which only such columns are filled goes on with the event above"
	case c.field.IsList():
		return "several, parted by ; or |"
	}
	switch c.field.Kind().String() {
	case "bool":
		return "true or false"
	case "int32", "int64":
		return "a whole number"
	case "double":
		return "a number"
	}
	return "a text or a word of the vocabulary"
}
