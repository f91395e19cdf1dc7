// Package lineage draws what a lot came from and what was made of it, as SVG.
//
// It promises that every lot stands in exactly one node, drawn as itself or folded with others like it; that the lot in focus and its direct line are never folded;
// that no two nodes overlap and every edge leads onward; and that the same line is the same bytes. Colours are left to the page's style.
//
// The drawing is layered: each lot stands one column behind the last of those that it was made of, and the columns are ordered by the means of their neighbours'
// places (K. Sugiyama, S. Tagawa, M. Toda, Methods for visual understanding of hierarchical system structures, IEEE Trans. SMC 11 (1981) 109).
package lineage

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Lot is one lot of the line.
type Lot struct {
	ID, State, Form string
	Pieces          int64 // -1: not counted
	Mass            string
	Micrograms      int64
	Holder          string
}

// Edge is one step from a lot to one made of it.
type Edge struct{ From, To, Event, Kind string }

// Node is what is drawn: a lot, or several that are alike.
type Node struct {
	Lots  []*Lot
	Below int // how many lots made of it are folded into it, Lots[1:] among them
	Focus bool
	Line  bool // of the direct line
	X, Y  float64

	layer int
	in    []*Node
	out   []*Node
}

// Folded tells whether a node stands for several lots.
func (n *Node) Folded() bool { return len(n.Lots) > 1 }

// Graph is a line, laid out.
type Graph struct {
	Nodes         []*Node
	Width, Height float64
	edges         [][2]*Node
}

// Sizes in pixels.
const (
	nodeWidth  = 168.0
	nodeHeight = 44.0
	columnGap  = 46.0
	rowGap     = 14.0
	edge       = 8.0
	// mostNodes is how many nodes can be read; with more, what lies off the direct line is folded.
	mostNodes = 36
)

// Lay lays a line out around a lot.
func Lay(focus string, lots []Lot, edges []Edge) *Graph {
	g := &laying{focus: focus, lots: map[string]*Lot{}, parents: map[string][]string{}, children: map[string][]string{}, kind: map[[2]string]string{}}
	for i := range lots {
		g.lots[lots[i].ID] = &lots[i]
		g.order = append(g.order, lots[i].ID)
	}
	slices.Sort(g.order)
	for _, e := range edges {
		if g.lots[e.From] == nil || g.lots[e.To] == nil || slices.Contains(g.parents[e.To], e.From) {
			continue
		}
		g.parents[e.To] = append(g.parents[e.To], e.From)
		g.children[e.From] = append(g.children[e.From], e.To)
		g.kind[[2]string{e.From, e.To}] = e.Kind + " " + e.Event
	}
	for _, list := range []map[string][]string{g.parents, g.children} {
		for _, ids := range list {
			slices.Sort(ids)
		}
	}
	g.line = map[string]bool{focus: true}
	for queue := []string{focus}; len(queue) > 0; queue = queue[1:] {
		for _, p := range g.parents[queue[0]] {
			if !g.line[p] {
				g.line[p] = true
				queue = append(queue, p)
			}
		}
	}
	g.fold()
	return g.layOut()
}

// laying is a line on its way to a drawing.
type laying struct {
	focus             string
	lots              map[string]*Lot
	order             []string
	parents, children map[string][]string
	kind              map[[2]string]string
	line              map[string]bool
	into              map[string]string // lot → the lot whose node it is folded into
	below             map[string]int    // how many of a node's lots were made of its first
}

// fold decides which lots share a node: siblings alike that nothing was made of; and where that leaves too many, all that was made of a lot off the line.
func (g *laying) fold() {
	g.into, g.below = map[string]string{}, map[string]int{}
	first := map[string]string{}
	count := map[string]int{}
	alike := func(id string) string {
		l := g.lots[id]
		return strings.Join([]string{g.parents[id][0], g.kind[[2]string{g.parents[id][0], id}], l.State, l.Form}, "\x00")
	}
	single := func(id string) bool { return !g.line[id] && len(g.parents[id]) == 1 && len(g.children[id]) == 0 }
	for _, id := range g.order {
		if single(id) {
			count[alike(id)]++
		}
	}
	for _, id := range g.order {
		if !single(id) || count[alike(id)] < 3 {
			continue
		}
		if f, ok := first[alike(id)]; ok {
			g.into[id] = f
		} else {
			first[alike(id)] = id
		}
	}
	if len(g.order)-len(g.into) <= mostNodes {
		return
	}
	// Too many still: each lot off the line takes in what was made of it alone, the ones nearest to the line first.
	for _, id := range g.order {
		if g.line[id] || len(g.parents[id]) == 0 || !g.under(id) {
			continue
		}
		for queue := slices.Clone(g.children[id]); len(queue) > 0; queue = queue[1:] {
			c := queue[0]
			if g.line[c] || g.into[c] != "" && g.root(c) == id {
				continue
			}
			if slices.ContainsFunc(g.parents[c], func(p string) bool { return p != id && g.root(p) != id }) {
				continue // put together with others: it stands by itself
			}
			g.into[c] = id
			g.below[id]++
			queue = append(queue, g.children[c]...)
		}
	}
	// And the lots made of one, whatever they are, where there are many.
	if g.visible() <= mostNodes {
		return
	}
	byParent := map[string]string{}
	for _, id := range g.order {
		if g.line[id] || g.into[id] != "" || len(g.parents[id]) != 1 {
			continue
		}
		key := g.root(g.parents[id][0])
		if f, ok := byParent[key]; ok {
			for other, to := range g.into {
				if to == id {
					g.into[other] = f
				}
			}
			g.into[id] = f
		} else {
			byParent[key] = id
		}
	}
}

// under tells whether a lot was made of one of the line's.
func (g *laying) under(id string) bool {
	return slices.ContainsFunc(g.parents[id], func(p string) bool { return g.line[p] })
}

func (g *laying) visible() int { return len(g.order) - len(g.into) }

// root is the lot whose node a lot stands in.
func (g *laying) root(id string) string {
	for g.into[id] != "" {
		id = g.into[id]
	}
	return id
}

func (g *laying) layOut() *Graph {
	out := &Graph{}
	nodes := map[string]*Node{}
	for _, id := range g.order {
		r := g.root(id)
		n := nodes[r]
		if n == nil {
			n = &Node{Lots: []*Lot{g.lots[r]}, Focus: r == g.focus, Line: g.line[r], Below: g.below[r]}
			nodes[r] = n
			out.Nodes = append(out.Nodes, n)
		}
		if id != r {
			n.Lots = append(n.Lots, g.lots[id])
		}
	}
	seen := map[[2]*Node]bool{}
	for _, id := range g.order {
		for _, c := range g.children[id] {
			e := [2]*Node{nodes[g.root(id)], nodes[g.root(c)]}
			if e[0] == e[1] || seen[e] {
				continue
			}
			seen[e] = true
			e[0].out, e[1].in = append(e[0].out, e[1]), append(e[1].in, e[0])
			out.edges = append(out.edges, e)
		}
	}
	layers := assign(out.Nodes)
	arrange(layers)
	place(layers)
	for _, n := range out.Nodes {
		out.Width, out.Height = max(out.Width, n.X+nodeWidth+edge), max(out.Height, n.Y+nodeHeight+edge)
	}
	return out
}

// assign puts each node one layer behind the last of those that it was made of.
func assign(nodes []*Node) (layers [][]*Node) {
	waiting := map[*Node]int{}
	var ready []*Node
	for _, n := range nodes {
		if waiting[n] = len(n.in); len(n.in) == 0 {
			ready = append(ready, n)
		}
	}
	for ; len(ready) > 0; ready = ready[1:] {
		n := ready[0]
		for len(layers) <= n.layer {
			layers = append(layers, nil)
		}
		layers[n.layer] = append(layers[n.layer], n)
		for _, c := range n.out {
			c.layer = max(c.layer, n.layer+1)
			if waiting[c]--; waiting[c] == 0 {
				ready = append(ready, c)
			}
		}
	}
	return layers
}

// arrange orders each layer by the means of the places of its neighbours, forth and back a few times.
func arrange(layers [][]*Node) {
	place := map[*Node]float64{}
	number := func() {
		for _, l := range layers {
			for i, n := range l {
				place[n] = float64(i)
			}
		}
	}
	sweep := func(l []*Node, near func(*Node) []*Node) {
		mean := map[*Node]float64{}
		for _, n := range l {
			sum, list := 0.0, near(n)
			for _, o := range list {
				sum += place[o]
			}
			if mean[n] = place[n]; len(list) > 0 {
				mean[n] = sum / float64(len(list))
			}
		}
		slices.SortStableFunc(l, func(a, b *Node) int { return cmp.Compare(mean[a], mean[b]) })
		for i, n := range l {
			place[n] = float64(i)
		}
	}
	number()
	for range 4 {
		for _, l := range layers {
			sweep(l, func(n *Node) []*Node { return n.in })
		}
		for i := len(layers) - 1; i >= 0; i-- {
			sweep(layers[i], func(n *Node) []*Node { return n.out })
		}
	}
}

// place gives the nodes their places: near the mean of those that they were made of, and clear of each other.
func place(layers [][]*Node) {
	const row = nodeHeight + rowGap
	tallest := 0
	for _, l := range layers {
		tallest = max(tallest, len(l))
	}
	for i, l := range layers {
		y := edge + float64(tallest-len(l))*row/2
		if i > 0 {
			// As near to the middle of its parents as the order allows.
			for j, n := range l {
				if len(n.in) > 0 {
					sum := 0.0
					for _, p := range n.in {
						sum += p.Y
					}
					n.Y = sum / float64(len(n.in))
				} else {
					n.Y = edge + float64(j)*row
				}
			}
			spread(l, row)
		}
		for _, n := range l {
			n.X = edge + float64(i)*(nodeWidth+columnGap)
			if i == 0 {
				n.Y = y
				y += row
			}
		}
	}
	top := 0.0
	for _, l := range layers {
		for _, n := range l {
			top = min(top, n.Y-edge)
		}
	}
	for _, l := range layers {
		for _, n := range l {
			n.Y -= top
		}
	}
}

// spread moves nodes of a layer apart and keeps the middle of each run of them where it wants to be.
func spread(l []*Node, row float64) {
	type run struct {
		from, to int
		y        float64
	}
	var runs []run
	for i := range l {
		r := run{i, i + 1, l[i].Y}
		for len(runs) > 0 {
			last := runs[len(runs)-1]
			if last.y+float64(last.to-last.from)*row <= r.y {
				break
			}
			// Together, at the mean of what both want.
			n, m := float64(last.to-last.from), float64(r.to-r.from)
			r = run{last.from, r.to, (last.y*n + (r.y-n*row)*m) / (n + m)}
			runs = runs[:len(runs)-1]
		}
		runs = append(runs, r)
	}
	for _, r := range runs {
		for i := r.from; i < r.to; i++ {
			l[i].Y = r.y + float64(i-r.from)*row
		}
	}
}

// carats writes micrograms.
func carats(micrograms int64) string { return fmt.Sprintf("%.2f ct", float64(micrograms)/200_000) }
