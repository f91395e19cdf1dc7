package account

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
	"pgregory.net/rapid"
)

// player posts random events, most of them sensible, by several parties.
type player struct {
	*book
	rng *rand.Rand
	day int
	log func(string, ...any)
	// what became of the events
	accepted map[opal.Kind]int
	refused  map[string]int
	ids      int
}

var parties = []string{"mine", "dealer", "cutter", "treater", "lab", "shop"}

// one picks from a list, evenly. rapid draws the seed and the number of events: its own numbers favour the small ones, and then most
// logs would be alike.
func one[T any](p *player, list []T) T { return list[p.rng.IntN(len(list))] }

func (p *player) between(low, high int) int { return low + p.rng.IntN(high-low+1) }

func (p *player) chance(percent int) bool { return p.rng.IntN(100) < percent }

// mass writes about so many micrograms on a random scale.
func (p *player) mass(micrograms int64) opal.Mass {
	micrograms = max(micrograms, 2_000)
	digits := one(p, []int{2, 2, 2, 3, 0})
	ct := float64(micrograms) / 200_000
	if digits == 0 && ct < 2 {
		digits = 2
	}
	return opal.Mass(fmt.Sprintf("%.*f ct", digits, ct))
}

func (p *player) moisture() opal.Moisture {
	return one(p, []opal.Moisture{"", opal.Dry, opal.Room, opal.Soaked})
}

// share gives a mass near a share of the lot: often right, sometimes with what may and may not be made.
func (p *player) portions(l *Lot, k int) []int64 {
	factor := one(p, []int64{100, 100, 100, 98, 90, 60, 103, 110, 114, 124, 140})
	left := l.Micrograms / 100 * factor
	out := make([]int64, k)
	for i := range out {
		out[i] = left / int64(k-i)
		if i < k-1 {
			out[i] = out[i] * int64(p.between(50, 150)) / 100
		}
		left -= out[i]
	}
	return out
}

func (p *player) counts(l *Lot, k int) []*int64 {
	out := make([]*int64, k)
	if l.Pieces == nil || p.chance(10) {
		return out
	}
	left := *l.Pieces
	for i := range out {
		c := max(1, left/int64(k-i))
		left -= c
		out[i] = &c
	}
	if p.chance(5) {
		*out[0]++
	}
	return out
}

func (p *player) newLot(party string) string {
	p.ids++
	return fmt.Sprintf("%s.n%d", party, p.ids)
}

func (p *player) at() string {
	at := p.moment()
	if p.chance(15) {
		return at[:len("2006-01-02")]
	}
	return at
}

func (p *player) moment() string {
	if p.chance(12) {
		return day(p.between(0, p.day))
	}
	if p.chance(50) {
		p.day++
	}
	return day(p.day)
}

// event draws one.
func (p *player) event() opal.Event {
	ids := p.m.LotIDs()
	if len(ids) == 0 || p.chance(6) {
		return p.opening()
	}
	id := one(p, ids)
	l := p.m.lots[id]
	if l.State != Open && p.chance(70) {
		for _, other := range ids {
			if p.m.lots[other].State == Open && p.m.lots[other].Holder != opal.Outside {
				l, id = p.m.lots[other], other
			}
		}
	}
	party := l.Holder
	if l.Pending != nil && p.chance(70) {
		party = l.Pending.To
	}
	if party == opal.Outside || p.chance(8) {
		party = one(p, parties)
	}
	e := opal.Event{Party: party, Lot: id, OccurredAt: p.at(), Moisture: p.moisture()}
	if (l.State == Closed || l.Holder == opal.Outside) && p.chance(40) {
		e.Reopened = &opal.Reopened{Why: one(p, opal.AllReopenWhys())}
		e.Party = l.lastParty()
		return e
	}
	if l.Pending != nil && p.chance(70) {
		p.answer(&e, l)
		return e
	}
	if p.chance(18) && len(p.m.history[id]) > 0 {
		p.amend(&e, id)
		return e
	}
	p.body(&e, l)
	return e
}

func (p *player) opening() opal.Event {
	kind := one(p, []opal.MaterialKind{opal.Hydrophane, opal.Hydrophane, opal.Volcanic})
	pieces := n(int64(p.between(1, 40)))
	if p.chance(20) {
		pieces = nil
	}
	mass := p.mass(int64(p.between(1_000_000, 100_000_000)))
	if p.chance(30) {
		return opal.Event{Party: "dealer", Lot: p.newLot("dealer"), OccurredAt: p.at(), Moisture: p.moisture(), Acquired: &opal.Acquired{Material: opal.Material{Kind: kind}, Pieces: pieces, Mass: mass}}
	}
	e := mined(p.newLot("mine"), p.at(), string(mass), pieces, p.moisture(), kind)
	return e
}

func (p *player) answer(e *opal.Event, l *Lot) {
	switch p.between(0, 5) {
	case 0:
		e.Refused = &opal.Refused{Because: "no"}
	case 1:
		e.Party = l.Pending.From
		e.Received = &opal.Received{CameBack: true}
	default:
		e.Received = &opal.Received{}
		if p.chance(50) {
			e.Received.Mass = p.mass(p.portions(l, 1)[0])
			e.Received.Pieces = p.counts(l, 1)[0]
		}
	}
}

// amend corrects or withdraws an event of the lot, mostly the latest, mostly one's own.
func (p *player) amend(e *opal.Event, id string) {
	h := p.m.history[id]
	r := &h[len(h)-1]
	if p.chance(40) {
		r = &h[p.between(0, len(h)-1)]
	}
	if p.chance(95) {
		e.Party = r.Event.Party
	}
	e.Moisture = ""
	if p.chance(60) {
		e.Withdrawn = &opal.Withdrawn{Event: r.Event.ID(), Because: "wrong"}
		return
	}
	c := opal.Clone(&r.Event)
	n := &opal.Replacement{
		Mined: c.Mined, Acquired: c.Acquired, Split: c.Split, Combined: c.Combined, Cut: c.Cut, Tested: c.Tested, Treated: c.Treated,
		Described: c.Described, HandedOver: c.HandedOver, Sold: c.Sold, Received: c.Received, NothingDone: c.NothingDone, Counted: c.Counted, Closed: c.Closed,
	}
	if n.Kind() == "" {
		e.Withdrawn = &opal.Withdrawn{Event: r.Event.ID(), Because: "wrong"}
		return
	}
	scaled := func(m *opal.Mass) {
		if *m != "" {
			*m = p.mass(m.Weight().Micrograms * int64(one(p, []int{100, 97, 103, 112, 150})) / 100)
		}
	}
	switch {
	case n.Mined != nil:
		scaled(&n.Mined.Mass)
	case n.Acquired != nil:
		scaled(&n.Acquired.Mass)
	case n.Combined != nil:
		scaled(&n.Combined.Mass)
	case n.Split != nil:
		scaled(&n.Split.Children[0].Mass)
		if n.Split.Rest != nil {
			scaled(&n.Split.Rest.Mass)
		}
	case n.Cut != nil:
		scaled(&n.Cut.Stones[0].Mass)
	case n.Treated != nil:
		scaled(&n.Treated.MassAfter)
	case n.Described != nil:
		scaled(&n.Described.MeasuredMass)
	case n.Counted != nil:
		scaled(&n.Counted.Mass)
	case n.Received != nil:
		scaled(&n.Received.Mass)
	case n.Sold != nil && n.Sold.Part != nil:
		scaled(&n.Sold.Part.Mass)
	}
	if p.chance(20) {
		n.OccurredAt = p.at()
	}
	e.Corrected = &opal.Corrected{Event: r.Event.ID(), Because: "wrong", Replacement: n}
}

func (p *player) body(e *opal.Event, l *Lot) {
	to := one(p, parties)
	for to == e.Party {
		to = one(p, parties)
	}
	switch p.between(0, 16) {
	case 0, 1, 2:
		k := p.between(1, 4)
		s := &opal.Split{Manner: one(p, []opal.SplitManner{"", opal.Unsorted, opal.Sawn, opal.SampleSent})}
		masses, pieces := p.portions(l, k+1), p.counts(l, k+1)
		for i := range k {
			s.Children = append(s.Children, opal.Part{Lot: p.newLot(e.Party), Mass: p.mass(masses[i]), Pieces: pieces[i], Moisture: p.moisture()})
		}
		switch {
		case p.chance(60):
			s.Rest = &opal.Rest{Mass: p.mass(masses[k]), Pieces: pieces[k]}
		case p.chance(30):
			s.Loss = &opal.Loss{Mass: p.mass(masses[k]), Pieces: pieces[k]}
		default:
			s.Children = append(s.Children, opal.Part{Lot: p.newLot(e.Party), Mass: p.mass(masses[k]), Pieces: pieces[k]})
		}
		e.Split = s
	case 3:
		masses := p.portions(l, 3)
		e.Cut = &opal.Cut{Stones: []opal.Stone{{Lot: p.newLot(e.Party), Mass: p.mass(masses[0])}}, Offcuts: []opal.Part{{Lot: p.newLot(e.Party), Mass: p.mass(masses[1])}}}
		if p.chance(40) {
			e.Cut.Loss = &opal.Loss{Mass: p.mass(masses[2]), Measured: true}
		}
	case 4, 5:
		c := &opal.Combined{Parents: []string{l.ID}}
		var in int64 = l.Micrograms
		for _, id := range p.m.LotIDs() {
			o := p.m.lots[id]
			if id != l.ID && o.State == Open && o.Holder == e.Party && o.Pending == nil && len(c.Parents) < 3 {
				c.Parents = append(c.Parents, id)
				in += o.Micrograms
			}
		}
		if len(c.Parents) < 2 {
			e.Tested = tested(e.Party, l.ID, e.OccurredAt).Tested
			return
		}
		e.Lot = p.newLot(e.Party)
		c.Mass = p.mass(p.portions(&Lot{Micrograms: in}, 1)[0])
		e.Combined = c
	case 6:
		e.Tested = tested(e.Party, l.ID, e.OccurredAt).Tested
		if p.chance(50) {
			e.Tested.Destroyed = &opal.Destroyed{Pieces: n(1), Mass: p.mass(l.Micrograms / 10)}
		}
	case 7:
		e.Treated = &opal.Treated{Treatment: opal.Resin}
		if p.chance(60) {
			e.Treated.MassBefore, e.Treated.MassAfter = p.mass(p.portions(l, 1)[0]), p.mass(p.portions(l, 1)[0])
		}
	case 8:
		e.Described = &opal.Described{MeasuredMass: p.mass(p.portions(l, 1)[0])}
	case 9, 10:
		s := &opal.Sold{To: to}
		if p.chance(10) {
			s.To = opal.Outside
		}
		if l.Owner != e.Party && l.Owner != opal.Outside && l.Owner != s.To {
			s.OnBehalfOf = l.Owner
		}
		s.Part = p.part(e.Party, l)
		e.Sold = s
	case 11, 12:
		e.HandedOver = &opal.HandedOver{To: to, Purpose: one(p, opal.AllPurposes())}
		if l.Purpose != "" && p.chance(60) {
			e.HandedOver.Purpose = opal.ForReturn
			if l.Owner != e.Party && l.Owner != opal.Outside {
				e.HandedOver.To = l.Owner
			}
		}
		e.HandedOver.Part = p.part(e.Party, l)
	case 13:
		e.NothingDone = &opal.NothingDone{From: day(max(0, p.day-1)), To: day(p.day)}
	case 14:
		e.Counted = &opal.Counted{Why: one(p, opal.AllCountWhys()), Mass: p.mass(p.portions(l, 1)[0]), Pieces: p.counts(l, 1)[0]}
	case 15:
		e.Closed = &opal.Closed{Reason: one(p, opal.AllCloseReasons())}
		if p.chance(60) {
			e.Closed, e.Set = nil, &opal.Set{Piece: "ring"}
		}
	case 16:
		for _, r := range p.recs {
			if r.Event.Sold != nil && r.Event.Sold.To == e.Party {
				e.Returned = &opal.Returned{Sale: r.Event.ID(), Because: "not as described"}
			}
		}
		if e.Returned == nil || l.SetIn != "" {
			e.Returned, e.Unset = nil, &opal.Unset{}
		}
	}
}

func (p *player) part(party string, l *Lot) *opal.PartOf {
	if !p.chance(50) {
		return nil
	}
	return &opal.PartOf{Lot: p.newLot(party), Mass: p.mass(l.Micrograms / 3), Pieces: p.counts(l, 2)[0]}
}

// TestRandom plays random logs and checks after every event what must always hold: no split, cut or combination makes mass beyond the
// allowance; pieces balance; lots have one holder at a time, and holder and owner are parties; a refusal changes nothing; replay equals
// live; a history told again gives the account; no line exceeds its base by more than 2h + 3u; a withdrawn split restores its parent.
func TestRandom(t *testing.T) {
	accepted, refused := map[opal.Kind]int{}, map[string]int{}
	for seed := range uint64(40) { // the same in each run, so that what they cover is, too
		p := newPlayer(t, seed)
		p.play(80)
		for k, n := range p.accepted {
			accepted[k] += n
		}
		for r, n := range p.refused {
			refused[r] += n
		}
	}
	t.Logf("accepted %v; refused %v", accepted, refused)
	for _, k := range []opal.Kind{
		opal.KindMined, opal.KindAcquired, opal.KindSplit, opal.KindCombined, opal.KindCut, opal.KindTested, opal.KindTreated, opal.KindDescribed,
		opal.KindHandedOver, opal.KindSold, opal.KindReceived, opal.KindRefused, opal.KindNothingDone, opal.KindCounted, opal.KindSet,
		opal.KindUnset, opal.KindReturned, opal.KindClosed, opal.KindReopened, opal.KindCorrected, opal.KindWithdrawn,
	} {
		if accepted[k] == 0 {
			t.Errorf("no %s was ever accepted: the play is too narrow", k)
		}
	}
	for _, r := range []string{"MASS_GAIN", "PIECE_MISMATCH", "NOT_HOLDER", "LOT_CLOSED", "HANDOVER_PENDING", "OUT_OF_ORDER", "HAS_LATER_EVENTS", "BEFORE_LOT_OPENED"} {
		if refused[r] == 0 {
			t.Errorf("nothing was ever refused with %s: the play is too narrow", r)
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		p := newPlayer(rt, rapid.Uint64().Draw(rt, "seed"))
		p.log = rt.Logf
		p.play(rapid.IntRange(10, 80).Draw(rt, "events"))
	})
}

func newPlayer(t failer, seed uint64) *player {
	return &player{
		book: newBook(t), rng: rand.New(rand.NewPCG(seed, 7)), day: 1, accepted: map[opal.Kind]int{}, refused: map[string]int{},
		log: func(string, ...any) {},
	}
}

// play posts so many events.
func (p *player) play(events int) {
	for range events {
		e := p.event()
		p.clock(day(p.day))
		was := p.m.lots[e.Lot]
		rec, f := p.tryChecked(e)
		if f != "" {
			p.refused[f]++
			continue
		}
		p.accepted[e.Kind()]++
		p.log("%d: %s %s", rec.Position, e.Kind(), dump(rec))
		p.makesNothing(rec, was)
		for _, id := range p.m.LotIDs() {
			p.sound(id)
		}
		for _, root := range p.m.LineRoots() {
			p.lineHolds(root)
		}
		if was != nil && (e.Split != nil || e.Cut != nil) && p.chance(10) {
			p.takesBack(rec, was)
		}
	}
	p.consistent()
}

// tryChecked posts an event if it is well formed, and answers the reason of its refusal.
func (p *player) tryChecked(e opal.Event) (*opal.Recorded, string) {
	if f := opal.Check(&p.record(e).Event, 0); f != nil {
		return nil, "malformed"
	}
	rec, f := p.try(e)
	if f != nil {
		return nil, string(f.Reason)
	}
	return rec, ""
}

// makesNothing balances an accepted split, cut or combination anew, from the event alone.
func (p *player) makesNothing(rec *opal.Recorded, was *Lot) {
	p.t.Helper()
	e := &rec.Event
	var in, out, variance float64
	kind := opal.UnknownKind
	add := func(m opal.Mass) {
		if m != "" {
			w := m.Weight()
			out += float64(w.Micrograms)
			variance += w.Uncertainty() * w.Uncertainty()
		}
	}
	switch {
	case e.Split != nil:
		in, variance, kind = float64(was.Micrograms), was.Variance, was.Material.Kind
		sum, known := int64(0), was.Pieces != nil
		for i := range e.Split.Children {
			add(e.Split.Children[i].Mass)
			if c := e.Split.Children[i].Pieces; c != nil {
				sum += *c
			} else {
				known = false
			}
		}
		if r := e.Split.Rest; r != nil {
			add(r.Mass)
			if left := p.m.lots[e.Lot].Pieces; left != nil {
				sum += *left
			} else {
				known = false
			}
		}
		if l := e.Split.Loss; l != nil {
			add(l.Mass)
			if l.Pieces != nil {
				sum += *l.Pieces
			}
		}
		if known && sum != *was.Pieces && (e.Split.Manner != opal.Sawn || sum < *was.Pieces) {
			p.t.Fatalf("%d pieces of %d", sum, *was.Pieces)
		}
	case e.Cut != nil:
		in, variance, kind = float64(was.Micrograms), was.Variance, was.Material.Kind
		for i := range e.Cut.Stones {
			add(e.Cut.Stones[i].Mass)
		}
		for i := range e.Cut.Offcuts {
			add(e.Cut.Offcuts[i].Mass)
		}
		if e.Cut.Loss != nil {
			add(e.Cut.Loss.Mass)
		}
	case e.Combined != nil:
		for _, id := range e.Combined.Parents {
			in += float64(p.m.lots[id].Micrograms)
			variance += p.m.lots[id].Variance
		}
		add(e.Combined.Mass)
		kind = p.m.lots[e.Lot].Material.Kind
	default:
		return
	}
	most := 0.25
	if kind != opal.Hydrophane && kind != opal.UnknownKind {
		most = 0.01
	}
	if out > in+3*math.Sqrt(variance)+most*in+1 {
		p.t.Fatalf("%s made mass: %v out of %v", e.Kind(), out, in)
	}
}

// takesBack withdraws a split or cut at once: the parent is as it was.
func (p *player) takesBack(rec *opal.Recorded, was *Lot) {
	p.t.Helper()
	e := withdrawn(rec, day(p.day))
	if _, f := p.try(e); f != nil {
		p.t.Fatalf("a split could not be taken back at once: %v", f)
	}
	is := *p.m.lots[was.ID]
	is.Revision, is.Events, is.Amended = was.Revision, was.Events, was.Amended
	if rec.When.Before(was.LastMove) {
		p.t.Fatalf("out of order")
	}
	if dump(&is) != dump(was) {
		p.t.Fatalf("taken back:\n%s\nwas:\n%s", dump(&is), dump(was))
	}
	for _, id := range opal.NewLots(&rec.Event) {
		if p.m.lots[id].State != Void {
			p.t.Fatalf("child %s is %s", id, p.m.lots[id].State)
		}
	}
}
