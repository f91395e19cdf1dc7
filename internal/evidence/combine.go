package evidence

import (
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// combine lets the worst part's verdict stand. The stone's own items may make it worse. They make it better only where nothing spoke for
// the treatment: what was not tested in the parts may be tested on the stone.
func (l *line) combine(treatment opal.Treatment, own *treatmentResult, i int, parts []*lineResult) {
	base := l.worst(treatment, i, parts)
	ownRank, baseRank := rank(own.verdict, own.points), rank(base.verdict, base.points)
	items := own.items
	switch {
	case ownRank < baseRank && ownRank < rank(NotTested, false):
		// Worse than every part.
	case baseRank < rank(NotTested, false):
		*own = base
	case own.verdict == NotTested || own.verdict == Undeterminable || own.verdict == Open && baseRank > ownRank:
		*own = base
	}
	own.items = append(base.items, items...)
}

// worst is the worst part's verdict at the time of the combination, as far as it still holds.
func (l *line) worst(treatment opal.Treatment, i int, parts []*lineResult) treatmentResult {
	byPieces := !slices.ContainsFunc(l.parts, func(p Parent) bool { return p.Pieces == nil })
	weight := func(j int) int64 {
		if byPieces {
			return *l.parts[j].Pieces
		}
		return l.parts[j].Micrograms
	}
	held := make([]treatmentResult, len(parts))
	var base *treatmentResult
	var of int
	var all, worst float64
	for j, part := range parts {
		held[j] = l.stillHolds(part.treatments[i])
		if base == nil || rank(held[j].verdict, held[j].points) < rank(base.verdict, base.points) {
			base, of = &held[j], j
		}
	}
	var items []Item
	for j := range held {
		all += float64(weight(j))
		if rank(held[j].verdict, held[j].points) != rank(base.verdict, base.points) {
			continue
		}
		share := 1.0
		if held[j].share > 0 {
			share = float64(held[j].share) / 1e6
		}
		worst += float64(float64(weight(j)) * share)
		items = addItems(items, held[j].items)
	}
	out := treatmentResult{verdict: base.verdict, strength: base.strength, points: base.points, surface: base.surface}
	for j := range held {
		if h := &held[j]; h.bySample && rank(h.verdict, h.points) == rank(base.verdict, base.points) && out.sample == nil {
			out.bySample, out.sample = true, h.sample
		}
	}
	if all > 0 && worst < all {
		out.share = max(1, int64(worst/all*1e6+0.5))
	}
	f := &l.segs[len(l.segs)-1].open.Fact
	out.items = append(items, Item{
		Event: f.Event, Position: f.Position, Lot: l.parts[of].Lot, Party: f.Party, At: f.At, OccurredAt: f.OccurredAt, Kind: ItemInherited,
		Counts: true, Text: textInherited(treatment, &out, l.parts[of].Lot, byPieces),
	})
	return out
}

// maxInherited bounds how many items of the parts are repeated.
const maxInherited = 20

// addItems adds the items that count and are not there yet.
func addItems(items, more []Item) []Item {
	for _, x := range more {
		if len(items) >= maxInherited {
			break
		}
		if x.Counts && x.Kind != ItemInherited &&
			!slices.ContainsFunc(items, func(y Item) bool { return y.Event == x.Event && y.Outcome == x.Outcome && y.Where == x.Where }) {
			x.Coverage = "" // It touched the part, not the stone.
			items = append(items, x)
		}
	}
	return items
}

// stillHolds takes from a part's verdict what ended since the parts were put together: an absence does not outlive a gap, nor one of the
// surface a cut.
func (l *line) stillHolds(r treatmentResult) treatmentResult {
	absence := r.verdict == NotFound || r.verdict == Open && !r.points || r.verdict == NotApplicable
	if !absence {
		return r
	}
	at := l.partsLeft()
	ended := slices.ContainsFunc(l.gaps, func(g gap) bool { return g.after(at) }) || r.surface && l.surfaceCutAfter(len(l.segs)-1, at)
	if ended {
		r.verdict, r.strength, r.surface, r.items = NotTested, "", false, slices.Clone(r.items)
		for i := range r.items {
			r.items[i].Counts = false
		}
		r.bySample, r.sample = false, nil
		return r
	}
	if r.bySample && r.verdict == NotFound && l.chosenSince(at) {
		r.verdict, r.strength = Open, "" // of what was sorted out of the combined lot, all may be among those that the sample leaves possible
	}
	return r
}

// chosenSince tells whether stones were sorted, sawn, cut or counted anew since the parts were put together, so that what a sample says of a
// parcel says nothing of the stone any more.
func (l *line) chosenSince(at opal.When) bool {
	oldest := len(l.segs) - 1
	s := &drawn{}
	for i := oldest; i >= 0; i-- {
		if i < oldest {
			l.part(s, l.segs[i].open)
		}
		l.parted(s, i, &lineTest{seg: oldest, at: at})
	}
	return s.sorted || s.lost
}
