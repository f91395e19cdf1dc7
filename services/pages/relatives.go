package pages

import (
	"html/template"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/lineage"
)

// relativesOf draws a lot's line: what it came from, and what was made of it.
func relativesOf(c *catalog, lot string, l *pb.GetLineageResponse) relatives {
	lots := make([]lineage.Lot, len(l.GetLots()))
	byID := map[string]*pb.LineageLot{}
	for i, x := range l.GetLots() {
		lots[i] = lineage.Lot{ID: x.GetLot(), State: x.GetState(), Form: x.GetForm(), Pieces: -1, Mass: x.GetMass(), Micrograms: x.GetMassMicrograms(), Holder: x.GetHolder()}
		if x.Pieces != nil {
			lots[i].Pieces = int64(x.GetPieces())
		}
		byID[x.GetLot()] = x
	}
	edges := make([]lineage.Edge, len(l.GetEdges()))
	for i, e := range l.GetEdges() {
		edges[i] = lineage.Edge{From: e.GetFrom(), To: e.GetTo(), Event: e.GetEvent(), Kind: e.GetKind()}
	}
	g := lineage.Lay(lot, lots, edges)
	out := relatives{Lots: len(lots), Truncated: l.GetTruncated()}
	if len(lots) > 1 {
		out.SVG = template.HTML(g.SVG(lineage.Words{
			Title: c.text("lot.line"), Several: func(n int) string { return c.counted("lots.several", n) }, Below: func(n int) string { return c.counted("lots.below", n) },
			State: func(w string) string { return c.word("state", w) }, Form: func(w string) string { return c.word("form", w) },
		}))
	}
	for _, n := range g.Nodes {
		if !n.Folded() {
			continue
		}
		group := relativeGroup{Label: c.counted("lots.several", len(n.Lots))}
		for _, x := range n.Lots {
			group.Lots = append(group.Lots, byID[x.ID])
		}
		out.Groups = append(out.Groups, group)
	}
	return out
}
