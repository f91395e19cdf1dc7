package evidence

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Limits of what a summary lists.
const (
	maxChanges = 64
	maxAway    = 1_000
)

// Folder folds events that follow each other, for one writer. What it has made of a lot it goes on with in the same memory, so that many events
// on one lot cost what they say and not what the lot holds: the first event on a lot copies its lists once, the others add to those copies.
//
// Each fold answers new summaries, and what was answered or read before still reads as it did. But there is one future only: get must answer,
// for each lot, what the last fold made of it, and after an error the folder is not to be used again.
type Folder struct {
	get func(lot string) (*Summary, error)
	own map[string]bool // lots whose lists are this folder's own
}

// NewFolder makes a folder that reads summaries with get.
func NewFolder(get func(lot string) (*Summary, error)) *Folder {
	return &Folder{get: get, own: map[string]bool{}}
}

// Fold answers the summaries that the next event changes. Bare dates inside it are days at zoneMinutes east of UTC, as the policy in force at
// the event's position says.
func (f *Folder) Fold(rec *opal.Recorded, zoneMinutes int64) ([]*Summary, error) {
	return fold(f, rec, zoneMinutes)
}

// folding is one event being folded into summaries.
type folding struct {
	*Folder
	rec   *opal.Recorded
	ev    *opal.Event
	fact  Fact
	zone  int64
	edits map[string]*Summary
	order []*Summary
}

func fold(folder *Folder, rec *opal.Recorded, zoneMinutes int64) ([]*Summary, error) {
	ev := &rec.Event
	f := &folding{
		Folder: folder, rec: rec, ev: ev, zone: zoneMinutes, edits: map[string]*Summary{},
		fact: Fact{Event: ev.ID(), Position: rec.Position, Party: ev.Party, At: rec.When, OccurredAt: ev.OccurredAt},
	}
	if err := f.apply(); err != nil {
		return nil, fmt.Errorf("fold event %s at position %d: %w", ev.ID(), rec.Position, err)
	}
	return f.order, nil
}

func (f *folding) apply() error {
	ev := f.ev
	if ev.Lot == "" {
		return nil // about no lot: the directory, the policy, a laboratory's counts, and what amends those
	}
	switch ev.Kind() {
	case opal.KindMined, opal.KindAcquired:
		o := Opening{Fact: f.fact, Kind: ev.Kind(), Holder: ev.Party, Moisture: ev.Moisture}
		o.fill(ev.Mined, ev.Acquired)
		f.add(&Summary{Lot: ev.Lot, Openings: []Opening{o}})
		return nil
	case opal.KindSplit:
		return f.split(ev.Split)
	case opal.KindCut:
		return f.cut(ev.Cut)
	case opal.KindCombined:
		return f.combined(ev.Combined)
	case opal.KindHandedOver:
		h := ev.HandedOver
		return f.handOver(Move{Fact: f.fact, Kind: opal.KindHandedOver, To: h.To, Purpose: h.Purpose}, nil, h.Part)
	case opal.KindSold:
		s := ev.Sold
		sale := &Sale{Fact: f.fact, To: s.To, Claims: list(s.Claims)}
		return f.handOver(Move{Fact: f.fact, Kind: opal.KindSold, To: s.To}, sale, s.Part)
	case opal.KindCorrected:
		return f.corrected(ev.Corrected)
	case opal.KindWithdrawn:
		return f.withdrawn(ev.Withdrawn)
	case opal.KindTested, opal.KindTreated, opal.KindDescribed, opal.KindReceived, opal.KindRefused, opal.KindReturned,
		opal.KindNothingDone, opal.KindCounted, opal.KindReferenceSet, opal.KindClosed, opal.KindReopened:
		s, err := f.edit(ev.Lot)
		if err != nil {
			return err
		}
		return f.ofOneLot(s)
	}
	return nil
}

// ofOneLot folds the events that touch nothing but their own lot.
func (f *folding) ofOneLot(s *Summary) error {
	ev := f.ev
	switch {
	case ev.Tested != nil:
		s.Tests = append(s.Tests, newTest(f.fact, ev.Tested, ev.Moisture, f.rec.Computed))
		if d := ev.Tested.Destroyed; d != nil {
			f.change(s, Change{Kind: opal.KindTested, Pieces: number(d.Pieces), Micrograms: micrograms(d.Mass), Taken: true})
		}
	case ev.Treated != nil:
		t := newTreated(f.fact, ev.Treated)
		t.Late = f.delay()
		s.Treated = append(s.Treated, t)
		f.weighed(s, ev.Treated.MassAfter)
	case ev.Described != nil:
		if d := ev.Described; d.BodyColour != "" || d.BodyTone != 0 || d.Transparency != "" {
			s.Looks = append(s.Looks, newLook(f.fact, d))
		}
		f.weighed(s, ev.Described.MeasuredMass)
	case ev.Received != nil:
		m := Move{Fact: f.fact, Kind: opal.KindReceived, CameBack: ev.Received.CameBack, Gain: f.found(opal.FindArrivalGain)}
		s.Moves = append(s.Moves, m)
		if c, ok := received(f.fact, s, ev.Received); ok {
			f.change(s, c)
		}
	case ev.Refused != nil:
		s.Moves = append(s.Moves, Move{Fact: f.fact, Kind: opal.KindRefused})
	case ev.Returned != nil:
		s.Moves = append(s.Moves, Move{Fact: f.fact, Kind: opal.KindReturned, Sale: ev.Returned.Sale})
	case ev.NothingDone != nil:
		n, err := newNothing(f.fact, ev.NothingDone, f.zone)
		if err != nil {
			return err
		}
		s.Nothing = append(s.Nothing, n)
	case ev.Counted != nil:
		f.change(s, counted(s, ev.Counted))
	case ev.ReferenceSet != nil:
		r := ev.ReferenceSet
		s.Known = append(s.Known, KnownFact{Fact: f.fact, Known: r.Known, Treatment: r.Treatment})
	case ev.Closed != nil:
		f.change(s, Change{Kind: opal.KindClosed, Pieces: s.pieces(), Micrograms: s.micrograms(), Ends: true})
		s.Moves = append(s.Moves, Move{Fact: f.fact, Kind: opal.KindClosed, Reason: ev.Closed.Reason})
		if ev.Closed.Reason == opal.ClosedToAWearer {
			s.Sales = append(s.Sales, Sale{Fact: f.fact, Claims: list(ev.Closed.Claims)})
		}
	case ev.Reopened != nil:
		f.change(s, Change{Kind: opal.KindReopened, Pieces: s.pieces(), Micrograms: s.micrograms()})
		s.Moves = append(s.Moves, Move{Fact: f.fact, Kind: opal.KindReopened, Why: ev.Reopened.Why})
	}
	return nil
}

// split parts a lot. The children carry the edge; the parent keeps no list of them.
func (f *folding) split(x *opal.Split) error {
	parent, err := f.edit(f.ev.Lot)
	if err != nil {
		return err
	}
	manner := cmp.Or(x.Manner, opal.Sorted)
	alone := x.Rest == nil && len(x.Children) == 1
	for i := range x.Children {
		c := &x.Children[i]
		o := f.childOf(parent, opal.KindSplit)
		o.splitAs(x)
		o.Pieces, o.Micrograms, o.Moisture, o.Alone = number(c.Pieces), micrograms(c.Mass), c.Moisture, alone
		f.addChild(parent, c.Lot, o, manner == opal.SampleSent)
	}
	f.change(parent, splitChange(x))
	return nil
}

func (f *folding) cut(x *opal.Cut) error {
	parent, err := f.edit(f.ev.Lot)
	if err != nil {
		return err
	}
	for i := range x.Stones {
		c := &x.Stones[i]
		o := f.childOf(parent, opal.KindCut)
		o.cutAs(x)
		o.stoneAs(x, c)
		f.addChild(parent, c.Lot, o, false)
	}
	for i := range x.Offcuts {
		c := &x.Offcuts[i]
		o := f.childOf(parent, opal.KindCut)
		o.cutAs(x)
		o.Offcut = true
		o.Pieces, o.Micrograms, o.Moisture = number(c.Pieces), micrograms(c.Mass), c.Moisture
		f.addChild(parent, c.Lot, o, false)
	}
	f.change(parent, Change{Kind: opal.KindCut, Ends: true})
	return nil
}

func (f *folding) combined(x *opal.Combined) error {
	o := Opening{
		Fact: f.fact, Kind: opal.KindCombined, Holder: f.ev.Party, Pieces: number(x.Pieces), Micrograms: micrograms(x.Mass), Moisture: f.ev.Moisture,
	}
	s := &Summary{Lot: f.ev.Lot}
	f.add(s)
	for i, lot := range x.Parents {
		p, err := f.edit(lot)
		if err != nil {
			return err
		}
		o.Parents = append(o.Parents, Parent{Lot: lot, Pieces: p.pieces(), Micrograms: p.micrograms()})
		was := p.last()
		if i == 0 {
			o.Material, o.Form = was.Material, was.Form
		}
		o.Material, o.Form = common(o.Material, was.Material), same(o.Form, was.Form, "")
		p.FirstParted = cmp.Or(p.FirstParted, f.rec.Position)
		f.change(p, Change{Kind: opal.KindCombined, Ends: true})
	}
	s.Openings = []Opening{o}
	return nil
}

// handOver folds a hand-over or sale, of the whole lot or of a part that it splits off.
func (f *folding) handOver(m Move, sale *Sale, part *opal.PartOf) error {
	s, err := f.edit(f.ev.Lot)
	if err != nil {
		return err
	}
	testing := m.Purpose == opal.ForTesting
	if part != nil {
		o := f.childOf(s, m.Kind)
		o.partAs(part)
		o.Purpose = m.Purpose
		parent := s
		s = f.addChild(parent, part.Lot, o, testing || o.Manner == opal.SampleSent)
		f.change(parent, partChange(m.Kind, part))
	} else if testing && !s.SentAway && len(s.Moves) == 0 {
		if err := f.sendAway(s); err != nil {
			return err
		}
	}
	s.Moves = append(s.Moves, m)
	if sale != nil {
		s.Sales = append(s.Sales, *sale)
	}
	return nil
}

// sendAway marks a lot that the party which parted it off hands over for testing: its tests then speak for the stones that stayed.
func (f *folding) sendAway(s *Summary) error {
	o := s.last()
	if len(o.Parents) != 1 || o.Kind == opal.KindCombined || o.Fact.Party != f.ev.Party {
		return nil
	}
	parent, err := f.edit(o.Parents[0].Lot)
	if err != nil {
		return err
	}
	s.SentAway = true
	parent.away(Away{Lot: s.Lot, Event: o.Fact.Event, Position: f.rec.Position, At: o.Fact.At})
	return nil
}

// childOf starts the opening of a lot that is made of a part of another.
func (f *folding) childOf(parent *Summary, kind opal.Kind) Opening {
	was := parent.last()
	return Opening{
		Fact: f.fact, Kind: kind, Material: was.Material, Form: was.Form, Holder: f.ev.Party,
		Parents: []Parent{{Lot: parent.Lot, Pieces: parent.pieces(), Micrograms: parent.micrograms()}},
	}
}

// addChild adds a lot that was made of a part of another. What is made of a stone that was sent away for testing is one itself.
func (f *folding) addChild(parent *Summary, lot string, o Opening, sent bool) *Summary {
	c := &Summary{Lot: lot, Openings: []Opening{o}, SentAway: sent || parent.SentAway}
	f.add(c)
	if c.SentAway {
		parent.away(Away{Lot: lot, Event: f.fact.Event, Position: f.rec.Position, At: f.fact.At})
	}
	parent.FirstParted = cmp.Or(parent.FirstParted, f.rec.Position)
	return c
}

// edit answers a copy of a lot's summary that this event may change.
func (f *folding) edit(lot string) (*Summary, error) {
	if s, ok := f.edits[lot]; ok {
		return s, nil
	}
	was, err := f.get(lot)
	if err != nil {
		return nil, err
	}
	if was == nil {
		return nil, fmt.Errorf("lot %s has no summary", lot)
	}
	s := *was
	if !f.own[lot] {
		s.part()
	}
	f.add(&s)
	return &s, nil
}

// part makes sure that what is added to the summary's lists goes to memory of its own.
func (s *Summary) part() {
	s.Openings, s.Changes, s.Treated, s.Tests = slices.Clip(s.Openings), slices.Clip(s.Changes), slices.Clip(s.Treated), slices.Clip(s.Tests)
	s.Looks, s.Moves, s.Nothing, s.Sales = slices.Clip(s.Looks), slices.Clip(s.Moves), slices.Clip(s.Nothing), slices.Clip(s.Sales)
	s.Known, s.Away, s.Undone, s.Remade = slices.Clip(s.Known), slices.Clip(s.Away), slices.Clip(s.Undone), slices.Clip(s.Remade)
}

// add puts a summary among those that the event changes.
func (f *folding) add(s *Summary) {
	s.Revision = f.rec.Position
	f.own[s.Lot] = true
	f.edits[s.Lot] = s
	f.order = append(f.order, s)
}

// change lists a change of pieces or mass, or the lot's end.
func (f *folding) change(s *Summary, c Change) {
	c.Fact = f.fact
	s.Changes = append(s.Changes, c)
	if len(s.Changes) > maxChanges {
		s.forgetOldest()
	}
}

// weighed lists a weighing, unless it was reported late: then it is evidence and not the account's.
func (f *folding) weighed(s *Summary, m opal.Mass) {
	if m != "" && !f.found(opal.FindReportedLate) {
		f.change(s, Change{Kind: f.ev.Kind(), Pieces: s.pieces(), Micrograms: micrograms(m)})
	}
}

// found tells whether judging noticed something.
func (f *folding) found(code string) bool {
	return slices.ContainsFunc(f.rec.Findings, func(x opal.Finding) bool { return x.Code == code })
}

// delay is how many seconds late the event was reported, where judging noticed it.
func (f *folding) delay() int64 {
	for i := range f.rec.Findings {
		if f.rec.Findings[i].Code == opal.FindReportedLate {
			return f.rec.Findings[i].DelaySeconds
		}
	}
	return 0
}

// last is the reading of the opening that stands now.
func (s *Summary) last() *Opening {
	for i := len(s.Openings) - 1; i >= 0; i-- {
		if s.Openings[i].Fact.Until == 0 {
			return &s.Openings[i]
		}
	}
	return &s.Openings[len(s.Openings)-1]
}

// pieces and micrograms are what the lot has now; nil: not counted.
func (s *Summary) pieces() *int64 {
	n, _ := s.account(nil, now)
	return n
}

func (s *Summary) micrograms() int64 {
	_, m := s.account(nil, now)
	return m
}

// away lists a child that was sent away for testing.
func (s *Summary) away(a Away) {
	if slices.ContainsFunc(s.Away, func(x Away) bool { return x.Lot == a.Lot }) {
		return
	}
	if len(s.Away) >= maxAway {
		s.AwayMore++
		return
	}
	s.Away = append(s.Away, a)
}

// forgetOldest boils the oldest change down.
func (s *Summary) forgetOldest() {
	c := &s.Changes[0]
	var older Older
	if s.Older != nil {
		older = *s.Older
	} else {
		o := s.last()
		older.Pieces, older.Micrograms = number(o.Pieces), o.Micrograms
	}
	older.Count++
	older.Position = max(older.Position, c.Fact.since(), c.Fact.Until)
	older.Last.From, older.Last.To = max(older.Last.From, c.Fact.At.From), max(older.Last.To, c.Fact.At.To)
	if c.Fact.Until == 0 {
		older.Sorted = older.Sorted || c.Manner == opal.Sorted
		older.Sawn = older.Sawn || c.Manner == opal.Sawn
		older.Pieces, older.Micrograms = c.after(older.Pieces, older.Micrograms)
	}
	s.Older = &older
	s.Changes = s.Changes[1:]
}

// after is what a change leaves of pieces and mass.
func (c *Change) after(pieces *int64, mass int64) (*int64, int64) {
	if !c.Taken {
		return number(c.Pieces), c.Micrograms
	}
	if pieces != nil && c.Pieces != nil {
		pieces = new(*pieces - *c.Pieces)
	} else {
		pieces = nil
	}
	return pieces, mass - c.Micrograms
}

// list copies a list; nothing gives nil, so that a record has one form.
func list[T any](l []T) []T {
	if len(l) == 0 {
		return nil
	}
	return slices.Clone(l)
}

func number(p *int64) *int64 {
	if p == nil {
		return nil
	}
	n := *p
	return &n
}

func micrograms(m opal.Mass) int64 {
	if m == "" {
		return 0
	}
	return m.Weight().Micrograms
}

// common is what two materials have in common.
func common(a, b opal.Material) opal.Material {
	return opal.Material{
		Kind: same(a.Kind, b.Kind, opal.UnknownKind), Look: same(a.Look, b.Look, ""),
		BodyColour: same(a.BodyColour, b.BodyColour, ""), BodyTone: same(a.BodyTone, b.BodyTone, 0),
	}
}

func same[T comparable](a, b, otherwise T) T {
	if a == b {
		return a
	}
	return otherwise
}

// What the bodies of events say, as records. Corrections use the same functions, so that a corrected event reads as if it had been
// posted so.

func (o *Opening) fill(m *opal.Mined, a *opal.Acquired) {
	if m != nil {
		o.Material, o.Form, o.Pieces, o.Micrograms = m.Material, cmp.Or(m.Form, opal.Rough), number(m.Pieces), micrograms(m.Mass)
		o.Country = m.Origin.Country
	}
	if a != nil {
		o.Material, o.Form, o.Pieces, o.Micrograms = a.Material, cmp.Or(a.Form, opal.Rough), number(a.Pieces), micrograms(a.Mass)
		o.StatedOrigin, o.StatedTreatments, o.StatedUntreated = a.StatedOrigin, list(a.StatedTreatments), a.StatedUntreated
	}
}

func (o *Opening) splitAs(x *opal.Split) {
	o.Manner, o.SortedBy, o.SelectedBy, o.Selection = cmp.Or(x.Manner, opal.Sorted), x.SortedBy, x.Selected, x.Selection
}

func (o *Opening) cutAs(x *opal.Cut) { o.CutManner = cmp.Or(x.Manner, opal.RoughCut) }

func (o *Opening) stoneAs(x *opal.Cut, c *opal.Stone) {
	o.Pieces, o.Micrograms, o.Moisture = number(c.Pieces), micrograms(c.Mass), c.Moisture
	o.Form, o.Alone = cmp.Or(c.Form, opal.Cabochon), len(x.Stones) == 1
}

func (o *Opening) partAs(p *opal.PartOf) {
	o.Manner, o.Pieces, o.Micrograms, o.Moisture = cmp.Or(p.Manner, opal.Sorted), number(p.Pieces), micrograms(p.Mass), p.Moisture
}

func splitChange(x *opal.Split) Change {
	c := Change{Kind: opal.KindSplit, Manner: cmp.Or(x.Manner, opal.Sorted), Ends: x.Rest == nil}
	if x.Rest != nil {
		c.Pieces, c.Micrograms = number(x.Rest.Pieces), micrograms(x.Rest.Mass)
	}
	return c
}

func partChange(kind opal.Kind, p *opal.PartOf) Change {
	return Change{Kind: kind, Manner: cmp.Or(p.Manner, opal.Sorted), Pieces: number(p.Pieces), Micrograms: micrograms(p.Mass), Taken: true}
}

func newTest(f Fact, t *opal.Tested, moisture opal.Moisture, computed *opal.Computed) TestFact {
	sample := t.Sample
	sample.Tested, sample.Of, sample.Positive, sample.Lots = number(sample.Tested), number(sample.Of), number(sample.Positive), list(sample.Lots)
	var conditions map[string]string
	if len(t.Conditions) > 0 {
		conditions = maps.Clone(t.Conditions)
	}
	var word opal.Outcome
	var also []opal.Outcome
	if computed != nil {
		word, also = computed.Outcome, list(computed.Also)
	}
	return TestFact{
		Computed: word, Also: also, Measured: computed != nil,
		Fact: f, Method: t.Method, Outcome: t.Outcome, Findings: list(t.Findings), LookedFor: list(t.LookedFor), Identity: t.Identity,
		Conditions: conditions, Protocol: t.Protocol, Sample: sample, Moisture: moisture,
	}
}

func newTreated(f Fact, t *opal.Treated) TreatedFact {
	return TreatedFact{Fact: f, Treatment: t.Treatment, Medium: t.Medium, Extent: t.Extent}
}

func newLook(f Fact, d *opal.Described) LookFact {
	return LookFact{Fact: f, BodyColour: d.BodyColour, BodyTone: d.BodyTone, Transparency: d.Transparency}
}

func newNothing(f Fact, n *opal.NothingDone, zone int64) (NothingFact, error) {
	from, err := opal.ParseWhen(n.From, zone)
	if err != nil {
		return NothingFact{}, fmt.Errorf("from: %w", err)
	}
	to, err := opal.ParseWhen(n.To, zone)
	if err != nil {
		return NothingFact{}, fmt.Errorf("to: %w", err)
	}
	return NothingFact{Fact: f, From: from, To: to}, nil
}

// received is what a receipt makes of the account, where something was counted or weighed on arrival.
func received(f Fact, s *Summary, r *opal.Received) (Change, bool) {
	if r.Pieces == nil && r.Mass == "" {
		return Change{}, false
	}
	pieces, mass := s.account(nil, f.since())
	if r.Pieces != nil {
		pieces = number(r.Pieces)
	}
	if r.Mass != "" {
		mass = micrograms(r.Mass)
	}
	return Change{Kind: opal.KindReceived, Pieces: pieces, Micrograms: mass}, true
}

func counted(s *Summary, x *opal.Counted) Change {
	c := Change{Kind: opal.KindCounted, Pieces: number(x.Pieces), Micrograms: micrograms(x.Mass)}
	if x.Pieces == nil {
		c.Pieces = s.pieces()
	}
	if x.Mass == "" {
		c.Micrograms = s.micrograms()
	}
	return c
}
