package account

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// A combination makes one lot of several. It is a new root, but no new start: what its parts had gained on their own lines goes with
// them, or splitting and combining in turn would earn an allowance each time.

// union is what is known of the lots that a combination joins.
type union struct {
	in       int64 // mass going in
	variance float64
	earned   Earned // by these weighings
	carried  Earned // by the lines that the parts come from
	gained   int64  // the parts' share of what their lines had gained
	pieces   int64  // of the counted parts
	unknown  int64  // parts not counted
	material opal.Material
	form     opal.Form
	depth    int64
}

// unite sums up the parents of a combination whose result has this moisture.
func unite(v View, parents []*Lot, moisture opal.Moisture) (union, error) {
	u := union{material: parents[0].Material, form: parents[0].Form}
	for i, p := range parents {
		u.in += p.Micrograms
		u.variance += p.Variance
		u.earned |= earns(p.Moisture, moisture)
		if p.Pieces == nil {
			u.unknown++
		} else {
			u.pieces += *p.Pieces
		}
		u.depth = max(u.depth, p.Depth+1)
		if i > 0 {
			u.material = common(u.material, p.Material)
			if u.form != p.Form {
				u.form = ""
			}
		}
		line, err := v.Line(p.Root)
		if err != nil {
			return u, err
		}
		if line == nil {
			return u, fmt.Errorf("lot %s: the line of %s is missing", p.ID, p.Root)
		}
		u.carried |= line.Earned
		if over := line.Total - line.Base; over > 0 {
			u.gained += portion(over, min(p.Micrograms, line.Total), line.Total)
		}
	}
	return u, nil
}

// common gives what two materials agree in.
func common(a, b opal.Material) opal.Material {
	if a.Kind != b.Kind {
		a.Kind = opal.UnknownKind
	}
	if a.Look != b.Look {
		a.Look = ""
	}
	if a.BodyColour != b.BodyColour {
		a.BodyColour = ""
	}
	if a.BodyTone != b.BodyTone {
		a.BodyTone = 0
	}
	return a
}

// tally begins the new line: its base is what went in without what had been gained before, and no more than what came out.
func (u *union) tally(mass int64, variance float64) tally {
	return tally{total: mass, base: min(mass, u.in-u.gained), variance: u.variance + variance, earned: u.earned | u.carried}
}

// openCombined opens the lot that a combination makes. was is the lot as it stands, if its opening is told again: what its parts had
// gained then is not what their lines have gained by now.
func openCombined(v View, en entry, parents []*Lot, was *Lot) (*Lot, tally, error) {
	e := &en.rec.Event
	u, err := unite(v, parents, e.Moisture)
	if err != nil {
		return nil, tally{}, err
	}
	if was != nil {
		u.gained = was.CarriedGain
	}
	l := opened(e.Lot, en.rec, u.material, u.form, parents[0].Holder, parents[0].Owner, parents[0].Purpose)
	l.Parents = e.Combined.Parents
	l.Depth = u.depth
	l.CarriedGain = u.gained
	if l.Ancestors, err = ancestors(v, parents, all); err != nil {
		return nil, tally{}, err
	}
	pieces := e.Combined.Pieces
	if pieces == nil && u.unknown == 0 {
		pieces = &u.pieces
	}
	l.weighedFirst(e.Combined.Mass, e.Moisture, pieces)
	l.note(en.source, true, en.rec.Findings, Keep)
	l.Events = 1
	return l, u.tally(l.Micrograms, l.Variance), nil
}

// ancestors counts the distinct lots above a lot with these parents, the parents among them, and stops counting past most.
func ancestors(v View, parents []*Lot, most int64) (int64, error) {
	alone := true
	for _, p := range parents {
		alone = alone && p.Ancestors == 0
	}
	if alone {
		return int64(len(parents)), nil
	}
	seen := make(map[string]bool, len(parents))
	var queue []string
	for _, p := range parents {
		seen[p.ID] = true
	}
	for _, p := range parents {
		for _, id := range p.Parents {
			if !seen[id] {
				seen[id] = true
				queue = append(queue, id)
			}
		}
	}
	for len(queue) > 0 && int64(len(seen)) <= most {
		l, err := v.Lot(queue[len(queue)-1])
		if err != nil {
			return 0, err
		}
		if l == nil {
			return 0, fmt.Errorf("lot %s is missing among the ancestors", queue[len(queue)-1])
		}
		queue = queue[:len(queue)-1]
		for _, id := range l.Parents {
			if !seen[id] {
				seen[id] = true
				queue = append(queue, id)
			}
		}
	}
	return int64(len(seen)), nil
}

// joined closes a parent of a combination.
func (l *Lot) joined(rec *opal.Recorded, id, child string) {
	before := l.LastMove
	l.MoveBefore = &before
	l.moved(rec.When)
	l.close(Combined, id, rec.When)
	l.Children = with(l.Children, child)
	l.ChildCount++
	l.Revision = rec.Position
}

// parted opens a parent again whose combination was withdrawn.
func (l *Lot) parted(rec *opal.Recorded, child string) {
	l.State, l.ClosedAt, l.ClosedBy = Open, nil, ""
	if l.MoveBefore != nil {
		l.LastMove, l.MoveBefore = *l.MoveBefore, nil
	}
	if n := len(l.Custody); n > 0 {
		c := append([]Custody(nil), l.Custody...)
		c[n-1].To = nil
		l.Custody = c
	}
	l.dropChild(child)
	l.Revision = rec.Position
}

// dropChild forgets a child that was withdrawn.
func (l *Lot) dropChild(child string) {
	l.ChildCount--
	for i, id := range l.Children {
		if id == child {
			left := append(append([]string(nil), l.Children[:i]...), l.Children[i+1:]...)
			if l.Children = left; len(left) == 0 {
				l.Children = nil
			}
			return
		}
	}
}
