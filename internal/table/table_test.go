package table_test

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rivo/uniseg"

	"github.com/lotpaper/lotpaper/internal/table"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// golden compares with a file that was read and approved by a person.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name+".txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("not as in %s (-want +got):\n%s", file, diff)
	}
}

func sample() *table.Table {
	t := table.New(
		table.Column{Head: "lot"}, table.Column{Head: "pieces", Right: true}, table.Column{Head: "mass", Right: true},
		table.Column{Head: "never given"}, table.Column{Head: "what was noticed", Wrap: true},
	)
	t.Row(table.C("harrow-gully.r7"), table.C("140"), table.C("684.2 g"), table.C(""), table.Cell{
		Text: "On arrival the lot was measured: 6 pieces fewer and 178.00 ct (6.1 %) less than was sent.", Tone: table.Warn})
	t.Row(table.C("wet-wheel.k2"), table.C("1"), table.C("6.88 ct"))
	t.Row(table.C("café.蛋白石"), table.C("12"), table.C("31.20 g"), table.C(""), table.C("naïve"))
	return t
}

func TestPage(t *testing.T) {
	tests := map[string]table.Style{
		"wide":     {Width: 140},
		"narrow":   {Width: 72},
		"tiny":     {Width: table.MinWidth},
		"coloured": {Width: 72, Colour: true},
	}
	for name, style := range tests {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			p := table.NewPage(&b, style)
			p.Heading("Lot harrow-gully.r7")
			p.Pairs(
				table.Pair{Name: "state", Value: "OPEN", Tone: table.Good},
				table.Pair{Name: "left out"},
				table.Pair{Name: "material", Value: "hydrophane, translucent, white body, as it was described by the party that opened the lot"},
			)
			p.Heading("Findings")
			p.Table(sample())
			p.Blank()
			p.Hanging(2, 4, table.Plain, "This stone was not tested; 12 of 96 were. At most 19 of 96 may be treated (95 %).")
			if err := p.Err(); err != nil {
				t.Fatal(err)
			}
			golden(t, name, b.String())
		})
	}
}

// The width of a column counts the cells that a terminal shows, whatever the bytes: the gap before the next column starts at the same
// cell in each row. East Asian wide characters take two (Unicode Standard Annex 11).
func TestColumnsAlignByDisplayWidth(t *testing.T) {
	tb := table.New(table.Column{Head: "a"}, table.Column{Head: "b"})
	for _, s := range []string{"opal", "opál", "蛋白石", "e\u0301le\u0301ment"} {
		tb.Row(table.C(s), table.C("|"))
	}
	var b bytes.Buffer
	table.NewPage(&b, table.Style{}).Table(tb)
	places := map[int]bool{}
	for _, line := range strings.Split(strings.TrimSpace(b.String()), "\n")[1:] {
		before, _, _ := strings.Cut(line, "|")
		places[uniseg.StringWidth(strings.TrimPrefix(before, "  "))] = true
	}
	if len(places) != 1 {
		t.Errorf("the second column starts at cells %v:\n%s", places, b.String())
	}
}

func TestControlCharactersDoNotReachTheTerminal(t *testing.T) {
	var b bytes.Buffer
	p := table.NewPage(&b, table.Style{})
	evil := "a\x1b[2Jb\u009bc\u202ed\re\nf"
	p.Heading(evil)
	p.Text(0, table.Bad, evil)
	p.Pairs(table.Pair{Name: "n", Value: evil})
	tb := table.New(table.Column{Head: "h"})
	tb.Row(table.C(evil))
	p.Table(tb)
	if got := b.String(); strings.ContainsAny(got, "\x1b\u009b\u202e\r") || !strings.Contains(got, "a?[2Jb?c?d e f") {
		t.Errorf("found %q", got)
	}
}

type broken struct{ writes int }

func (b *broken) Write([]byte) (int, error) { b.writes++; return 0, errors.New("pipe is closed") }

func TestPageKeepsTheFirstError(t *testing.T) {
	w := &broken{}
	p := table.NewPage(w, table.Style{})
	p.Heading("a")
	p.Line(table.Plain, "b")
	if p.Err() == nil || w.writes != 1 {
		t.Errorf("error %v after %d writes, want one error after one write", p.Err(), w.writes)
	}
}
