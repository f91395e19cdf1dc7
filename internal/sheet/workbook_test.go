package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"github.com/lotpaper/lotpaper/internal/eventfile"
)

// byPython makes a workbook with openpyxl, another program than the one that reads it.
func byPython(t *testing.T, script string) []byte {
	t.Helper()
	name := filepath.Join(t.TempDir(), "book.xlsx")
	cmd := exec.Command("/usr/bin/python3", "-c", "import sys, datetime, openpyxl\nfrom openpyxl.styles import *\nw = openpyxl.Workbook(); s = w.active\n"+script+"\nw.save(sys.argv[1])\n", name)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("python3 with openpyxl (on Debian: apt-get install python3-openpyxl): %v\n%s", err, out)
	}
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func TestAWorkbookOfAnExporter(t *testing.T) {
	data := byPython(t, `
s.append(["lot", "occurredAt", "mined.origin.country", "mined.material.kind", "mined.pieces", "mined.mass [g]", "remark"])
s.append(["harrow-gully.r1", datetime.date(2026, 3, 4), "ET", "HYDROPHANE", 12, 62.5, None])
s["F2"].number_format = "0.00"
s.append(["harrow-gully.r2", datetime.datetime(2026, 3, 4, 10, 30), "ET", "HYDROPHANE", 1, "12,5", "a text"])
s.append(["harrow-gully.r3", "2026-03-05", "ET", "HYDROPHANE", 3, 0.1 + 0.2, None])
s.append(["harrow-gully.r4", "2026-03-05", "ET", "HYDROPHANE", 3, 1234.5, None])
s["F5"].number_format = "#,##0.000"
s.append([])
h = w.create_sheet("hidden", 0); h.sheet_state = "hidden"; h["A1"] = "nothing to do with it"
`)
	entries, err := Read("spring.xlsx", data)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, fmt.Sprintf("%d %s %s %d %s %s", e.Line, e.Event.GetLot(), e.Event.GetOccurredAt(), e.Event.GetMined().GetPieces(), e.Event.GetMined().GetMass(), e.Event.GetRemark()))
	}
	want := []string{
		"2 harrow-gully.r1 2026-03-04 12 62.50 g ", "3 harrow-gully.r2 2026-03-04T10:30:00Z 1 12.5 g a text", "4 harrow-gully.r3 2026-03-05 3 0.3 g ", "5 harrow-gully.r4 2026-03-05 3 1234.500 g ",
	}
	if a, b := strings.Join(got, "\n"), strings.Join(want, "\n"); a != b {
		t.Errorf("read are\n%s\nwant\n%s", a, b)
	}
	again, err := Read("renamed.xlsx", data)
	if err != nil || again[0].Event.GetRequestId() != entries[0].Event.GetRequestId() || entries[0].Event.GetRequestId() == "" {
		t.Errorf("read again the ids are others: %v", err)
	}
}

// The date systems of ECMA-376, part 1, 18.17.4.1: day 1 is 1 January 1900, day 60 stands for a 29 February 1900 that never was, and day 0 of the other is
// 1 January 1904.
func TestDateSystems(t *testing.T) {
	for name, c := range map[string]struct {
		script string
		want   string
	}{
		"of 1900":       {`s["B2"] = 44197`, "2021-01-01"},
		"past the leap": {`s["B2"] = 61`, "1900-03-01"},
		"of 1904":       {`from openpyxl.utils.datetime import CALENDAR_MAC_1904; w.epoch = CALENDAR_MAC_1904; s["B2"] = 42735`, "2021-01-01"},
		"with a time":   {`s["B2"] = 44197.5; s["B2"].number_format = "yyyy-mm-dd hh:mm"`, "2021-01-01T12:00:00Z"},
	} {
		data := byPython(t, `
s.append(["lot", "occurredAt", "described.bodyColour"]); s["A2"] = "a-b.c"; s["C2"] = "white"
s["B2"].number_format = "dd.mm.yyyy"
`+c.script+"\nif s['B2'].number_format == 'General': s['B2'].number_format = 'dd.mm.yyyy'")
		entries, err := Read("x.xlsx", data)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got := entries[0].Event.GetOccurredAt(); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

func TestNumberFormats(t *testing.T) {
	for code, want := range map[string]style{
		"0.00": {decimals: 2}, "0": {decimals: 0}, `0.000" ct"`: {decimals: 3}, "#,##0.0": {decimals: 1}, "0.0#": {decimals: -1}, "General": {decimals: -1}, "@": {decimals: -1}, "0%": {decimals: -1},
		"dd/mm/yyyy": {date: true}, "[$-407]d. mmmm yyyy": {date: true}, "hh:mm": {date: true, time: true}, "yyyy-mm-dd hh:mm:ss": {date: true, time: true}, "[Red]0.00": {decimals: 2}, `"day "0`: {decimals: 0},
	} {
		if got := styleOf(0, code); got != want {
			t.Errorf("%s is %+v, want %+v", code, got, want)
		}
	}
}

func TestWorkbooksThatAreRefused(t *testing.T) {
	plain := byPython(t, `s.append(["lot"]); s.append(["x"])`)
	locked := excelize.NewFile()
	var secret bytes.Buffer
	if err := locked.Write(&secret, excelize.Options{Password: "x"}); err != nil {
		t.Fatal(err)
	}
	problems := byPython(t, `
s.append(["lot", "occurredAt", "mined.origin.country", "mined.material.kind", "mined.mass"])
s.append(["harrow-gully.r1", "2026-03-04", "ET", "HYDROPHANE", "62.5 g"])
s.append(["harrow-gully.r2", "4/3/26", "ET", "HYDROPHANE", "62.5 g"])
s.append(["Harrow gully", "2026-03-04", "ET", "SHINY", "62.5"])
`)
	for name, c := range map[string]struct {
		data  []byte
		sheet string
		says  []string
	}{
		"half":              {plain[:len(plain)/2], "", []string{"cannot be read", ".xlsx"}},
		"a password":        {secret.Bytes(), "", []string{"no UTF-8 text"}},
		"another sheet":     {plain, "Winter", []string{`no sheet "Winter"`, "Sheet"}},
		"an empty one":      {byPython(t, ""), "", []string{"no header row"}},
		"three bad rows":    {problems, "", []string{"line 3", "occurredAt", "line 4", "material.kind", "mass"}},
		"a name with a CSV": {[]byte("lot\nx\n"), "Winter", []string{"no workbook"}},
	} {
		_, err := ReadSheet("x.xlsx", c.data, c.sheet)
		var p eventfile.Problems
		if !errors.As(err, &p) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, s := range c.says {
			if !strings.Contains(err.Error(), s) {
				t.Errorf("%s: %v, want %q", name, err, s)
			}
		}
	}
}

// A template is read back by the program that others use, and what is filled in is taken.
func TestTemplateWorkbooks(t *testing.T) {
	for _, kind := range Kinds() {
		data, err := Workbook(kind)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(t.TempDir(), "template.xlsx")
		if err := os.WriteFile(name, data, 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("/usr/bin/python3", "-c", `
import sys, openpyxl
w = openpyxl.load_workbook(sys.argv[1])
print("|".join(c.value for c in w["events"][1]))
assert all(r[1].value for r in w["columns"].iter_rows(max_col=2))
`, name).CombinedOutput()
		heads, _ := Template(kind)
		if err != nil || strings.TrimSpace(string(out)) != strings.Join(heads, "|") {
			t.Errorf("%s: %v, %s", kind, err, out)
		}
	}
}

func BenchmarkWorkbook(b *testing.B) {
	f := excelize.NewFile()
	for i, h := range []string{"lot", "occurredAt", "described.bodyColour", "remark"} {
		at, _ := excelize.CoordinatesToCellName(i+1, 1)
		_ = f.SetCellStr("Sheet1", at, h)
	}
	for row := 2; row <= 1001; row++ {
		_ = f.SetSheetRow("Sheet1", fmt.Sprintf("A%d", row), &[]any{fmt.Sprintf("a-b.c%d", row), "2026-01-02", "white", "x"})
	}
	var out bytes.Buffer
	if err := f.Write(&out); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := Read("x.xlsx", out.Bytes()); err != nil {
			b.Fatal(err)
		}
	}
}
