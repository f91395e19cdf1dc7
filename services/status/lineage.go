package status

import (
	"context"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// maxDescendants bounds how many descendants a lineage shows.
const maxDescendants = 1_000

// GetLineage answers a lot with all its ancestors, nearest first, and as many descendants as were asked for. Siblings are nobody's
// business here: an edge stands only between two lots that are both shown.
func (s *Service) GetLineage(ctx context.Context, in *pb.GetLineageRequest) (*pb.GetLineageResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	if n := in.GetDescendants(); n < 0 || n > maxDescendants {
		return nil, fault.New(fault.InvalidField, "descendants", "found %d, accepted is 0 to %d", n, maxDescendants)
	}
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	first, err := s.account(in.GetLot())
	if err != nil {
		return nil, err
	}
	g := &graph{log: s.log, shown: map[string]*account.Lot{}}
	g.show(first)
	if err := g.up(); err != nil {
		return nil, err
	}
	if n := int(in.GetDescendants()); n > 0 {
		if err := g.down(m.view.store, first.ID, n); err != nil {
			return nil, err
		}
	}
	out := &pb.GetLineageResponse{Truncated: g.truncated, Position: m.position(), Epoch: m.epoch}
	for _, a := range g.order {
		out.Lots = append(out.Lots, &pb.LineageLot{
			Lot: a.ID, State: string(a.State), Form: string(a.Form), Pieces: wire.Count(a.Pieces), Mass: massText(a), MassMicrograms: a.Micrograms, Holder: a.Holder,
		})
	}
	out.Edges = g.edges()
	return out, nil
}

// graph is the part of the lots' descent that an answer shows.
type graph struct {
	log       Accounts
	shown     map[string]*account.Lot
	order     []*account.Lot
	truncated bool
}

func (g *graph) show(a *account.Lot) {
	g.shown[a.ID] = a
	g.order = append(g.order, a)
}

// lot reads an account that must be there.
func (g *graph) lot(id string) (*account.Lot, error) {
	a, err := g.log.Lot(id)
	if err != nil {
		return nil, err
	}
	if a == nil {
		return nil, fmt.Errorf("lot %s is a relative of another and has no account", id)
	}
	return a, nil
}

// up shows all ancestors. How many there may be, judging has bounded.
func (g *graph) up() error {
	for i := 0; i < len(g.order); i++ {
		for _, parent := range g.order[i].Parents {
			if g.shown[parent] != nil {
				continue
			}
			a, err := g.lot(parent)
			if err != nil {
				return err
			}
			g.show(a)
		}
	}
	return nil
}

// down shows descendants of a lot, nearest first. Lots that never came to be, because what made them was withdrawn, are left out.
func (g *graph) down(s *store, from string, most int) error {
	queue := []string{from}
	for len(queue) > 0 && !g.truncated {
		lot := queue[0]
		queue = queue[1:]
		err := s.children(lot, func(_ uint64, child string) (bool, error) {
			if g.shown[child] != nil {
				return true, nil
			}
			a, err := g.lot(child)
			if err != nil {
				return false, err
			}
			if a.State == account.Void {
				return true, nil
			}
			if most == 0 {
				g.truncated = true
				return false, nil
			}
			most--
			g.show(a)
			queue = append(queue, child)
			return true, nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// edges lists the steps between lots that are shown. What went that way is the child's mass as it was opened; into a combination, the
// part's own.
func (g *graph) edges() []*pb.LineageEdge {
	var list []*pb.LineageEdge
	for _, a := range g.order {
		for _, parent := range a.Parents {
			p := g.shown[parent]
			if p == nil {
				continue
			}
			e := &pb.LineageEdge{From: parent, To: a.ID, Event: a.OpenedBy, Kind: string(a.OpenedKind), Mass: massText(p)}
			if a.OpenedKind != opal.KindCombined && len(a.Weighings) > 0 {
				e.Mass = string(a.Weighings[0].Mass)
			}
			list = append(list, e)
		}
	}
	return list
}
