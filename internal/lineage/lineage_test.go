package lineage

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func words() Words {
	return Words{
		Title: "Line", Several: func(n int) string { return fmt.Sprintf("%d lots", n) }, Below: func(n int) string { return fmt.Sprintf("%d below", n) },
		State: strings.ToLower, Form: strings.ToLower,
	}
}

func lot(id string) Lot {
	return Lot{ID: id, State: "OPEN", Form: "CABOCHON", Pieces: 1, Mass: "1.00 ct", Micrograms: 200_000}
}

// holds checks what the package promises of every drawing.
func holds(t interface{ Errorf(string, ...any) }, focus string, lots []Lot, edges []Edge, g *Graph) {
	where := map[string]*Node{}
	for _, n := range g.Nodes {
		for _, l := range n.Lots {
			if where[l.ID] != nil {
				t.Errorf("%s stands twice", l.ID)
			}
			where[l.ID] = n
		}
	}
	parents := map[string][]string{}
	for _, e := range edges {
		parents[e.To] = append(parents[e.To], e.From)
	}
	line := map[string]bool{}
	var up func(string)
	up = func(id string) {
		if !line[id] {
			line[id] = true
			for _, p := range parents[id] {
				up(p)
			}
		}
	}
	up(focus)
	for _, l := range lots {
		n := where[l.ID]
		if n == nil {
			t.Errorf("%s stands nowhere", l.ID)
			continue
		}
		if line[l.ID] && n.Folded() {
			t.Errorf("%s of the direct line is folded", l.ID)
		}
	}
	for i, a := range g.Nodes {
		for _, b := range g.Nodes[i+1:] {
			if a.X < b.X+nodeWidth && b.X < a.X+nodeWidth && a.Y < b.Y+nodeHeight-1e-6 && b.Y < a.Y+nodeHeight-1e-6 {
				t.Errorf("%s and %s overlap", a.Lots[0].ID, b.Lots[0].ID)
			}
		}
		if a.X < 0 || a.Y < 0 || a.X+nodeWidth > g.Width || a.Y+nodeHeight > g.Height {
			t.Errorf("%s leaves the drawing", a.Lots[0].ID)
		}
	}
	for _, e := range edges {
		a, b := where[e.From], where[e.To]
		if a != b && a.X >= b.X {
			t.Errorf("the edge from %s to %s leads back", e.From, e.To)
		}
	}
	// Sugiyama and others 1981: in the longest-path layering each node stands right behind the farthest of its sources.
	for _, n := range g.Nodes {
		want := 0
		for _, p := range n.in {
			want = max(want, p.layer+1)
		}
		if n.layer != want {
			t.Errorf("%s stands in layer %d, want %d", n.Lots[0].ID, n.layer, want)
		}
	}
}

func TestLinesOfEveryForm(t *testing.T) {
	fan := func(n int) (lots []Lot, edges []Edge) {
		lots = []Lot{lot("a.root")}
		for i := range n {
			id := fmt.Sprintf("a.c%d", i)
			lots, edges = append(lots, lot(id)), append(edges, Edge{"a.root", id, "e", "split"})
		}
		return lots, edges
	}
	chain := func(n int) (lots []Lot, edges []Edge) {
		for i := range n {
			lots = append(lots, lot(fmt.Sprintf("a.l%03d", i)))
			if i > 0 {
				edges = append(edges, Edge{lots[i-1].ID, lots[i].ID, "e", "cut"})
			}
		}
		return lots, edges
	}
	fanLots, fanEdges := fan(1000)
	chainLots, chainEdges := chain(200)
	for name, c := range map[string]struct {
		focus string
		lots  []Lot
		edges []Edge
		most  int // nodes
	}{
		"one":             {"a.x", []Lot{lot("a.x")}, nil, 1},
		"1,000 children":  {"a.root", fanLots, fanEdges, 2},
		"one of 1,000":    {"a.c7", fanLots, fanEdges, 3},
		"a chain of 200":  {"a.l199", chainLots, chainEdges, 200},
		"a chain's begin": {"a.l000", chainLots, chainEdges, 36},
		"a diamond": {"a.d", []Lot{lot("a.a"), lot("a.b"), lot("a.c"), lot("a.d")},
			[]Edge{{"a.a", "a.b", "e", "split"}, {"a.a", "a.c", "e", "split"}, {"a.b", "a.d", "f", "combined"}, {"a.c", "a.d", "f", "combined"}}, 4},
	} {
		g := Lay(c.focus, c.lots, c.edges)
		holds(t, c.focus, c.lots, c.edges, g)
		if len(g.Nodes) > c.most {
			t.Errorf("%s: %d nodes, want %d at most", name, len(g.Nodes), c.most)
		}
		if a, b := g.SVG(words()), Lay(c.focus, c.lots, c.edges).SVG(words()); a != b {
			t.Errorf("%s: drawn twice it is another", name)
		}
	}
}

// line draws a line with splits, cuts and combinations.
func line(t *rapid.T, most int) (focus string, lots []Lot, edges []Edge) {
	n := rapid.IntRange(1, most).Draw(t, "lots")
	for i := range n {
		l := lot(fmt.Sprintf("p%d.l%d", i%3, i))
		l.State = rapid.SampledFrom([]string{"OPEN", "SPLIT", "CUT"}).Draw(t, "state")
		lots = append(lots, l)
		if i == 0 {
			continue
		}
		for range rapid.SampledFrom([]int{1, 1, 1, 1, 2, 3}).Draw(t, "parents") {
			edges = append(edges, Edge{lots[rapid.IntRange(max(0, i-40), i-1).Draw(t, "parent")].ID, l.ID, "e", "split"})
		}
	}
	return lots[rapid.IntRange(0, n-1).Draw(t, "focus")].ID, lots, edges
}

func TestAnyLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		focus, lots, edges := line(t, 120)
		holds(t, focus, lots, edges, Lay(focus, lots, edges))
	})
}

func TestMarkupStaysText(t *testing.T) {
	evil := `"><script>alert(1)</script>`
	l := Lot{ID: evil, State: evil, Form: evil, Mass: evil, Pieces: -1}
	w := words()
	w.Title = evil
	svg := Lay(evil, []Lot{l}, nil).SVG(w)
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if e, ok := token.(xml.StartElement); ok && e.Name.Local == "script" {
			t.Fatal("markup became an element")
		}
	}
}

// mixed is a line of so many lots: rough that is split, the parts cut, some put together.
func mixed(n int) (lots []Lot, edges []Edge) {
	lots = append(lots, lot("mine.r1"))
	for i := 1; len(lots) < n; i++ {
		from := lots[(i*7)%max(1, len(lots)/4)].ID
		for k := range 8 {
			id := fmt.Sprintf("cutter.s%d-%d", i, k)
			lots, edges = append(lots, lot(id)), append(edges, Edge{from, id, fmt.Sprint("e", i), "split"})
		}
		if i%5 == 0 {
			id := fmt.Sprintf("dealer.m%d", i)
			lots = append(lots, lot(id))
			for k := range 3 {
				edges = append(edges, Edge{lots[len(lots)-3-k].ID, id, fmt.Sprint("m", i), "combined"})
			}
		}
	}
	return lots, edges
}

func TestThreeHundredLotsCanBeRead(t *testing.T) {
	lots, edges := mixed(300)
	for _, focus := range []string{lots[0].ID, lots[150].ID, lots[299].ID} {
		g := Lay(focus, lots, edges)
		holds(t, focus, lots, edges, g)
		svg := g.SVG(words())
		if len(g.Nodes) > 60 || len(svg) > 60_000 || g.Height > 3000 {
			t.Errorf("%s: %d nodes, %d bytes, %.0f × %.0f", focus, len(g.Nodes), len(svg), g.Width, g.Height)
		}
	}
}

func BenchmarkLay(b *testing.B) {
	lots, edges := mixed(1000)
	for b.Loop() {
		Lay(lots[500].ID, lots, edges).SVG(words())
	}
}
