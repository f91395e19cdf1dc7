package evidence

import (
	"cmp"
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// ReferenceStone is a stone of known history as one laboratory tested it, with one method under one protocol.
type ReferenceStone struct {
	Kin
	// Event is the test, and Position where it, or the correction that stands, is in the log.
	Event    string
	Position uint64
	// Words are what the test showed.
	Words []opal.Outcome
	// Treated are the treatments that are known to have been done to it before the test, Untreated those known not to have been done.
	Treated, Untreated []opal.Treatment
	Material           opal.Material
}

// ReferenceStones answers the stones among some lots that count as references of a laboratory, as known before a position, and all lots that the answer rests
// on. A stone counts if it is a lot of one piece that the laboratory itself marked as one of known history, and if it tested it with the method under the protocol
// and could read the test; of several tests the latest counts. What others mark takes a stone out where it says otherwise, and never puts one in: whoever holds a
// stone could else make a witness of it. What the record declares goes before the mark: a stone that is marked as untreated and was declared as
// treated before the test is no witness for that treatment, nor is one that was treated only after the test, or that bears both marks. Lots that are of one stone (see Kin) count once.
func ReferenceStones(get func(lot string) (*Summary, error), lab Laboratory, lots []string, knownAt uint64) (stones []ReferenceStone, rests []string, err error) {
	d := newDescents(get, knownAt)
	named := map[string]bool{}
	for _, lot := range lots {
		if named[lot] {
			continue
		}
		named[lot] = true
		l, k, err := d.of(lot)
		if err != nil {
			return nil, nil, err
		}
		if l == nil {
			continue
		}
		if stone, ok := l.reference(lab); ok {
			stone.Kin = k
			stones = append(stones, stone)
		}
	}
	return firsts(stones), d.rests(), nil
}

// firsts are the stones without those that are of one stone with another: of a lot and what was made of it the lot stays, else the one with fewer lots behind it,
// and of equals the one that is named first.
func firsts(stones []ReferenceStone) []ReferenceStone {
	order := make([]int, len(stones))
	for i := range order {
		order[i] = i
	}
	// What a lot was made of has fewer lots behind it than the lot.
	behind := func(i int) int { return len(stones[i].from) + len(stones[i].mixed) }
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(behind(a), behind(b)) })
	var counted kinSet
	again := map[string]bool{}
	for _, i := range order {
		k := &stones[i].Kin
		if counted.has(k) {
			again[k.Lot] = true
			continue
		}
		counted.add(k)
	}
	return slices.DeleteFunc(stones, func(s ReferenceStone) bool { return again[s.Lot] })
}

// reference is the line's youngest lot as a reference stone of a laboratory.
func (l *line) reference(lab Laboratory) (out ReferenceStone, ok bool) {
	s, open, knownAt := l.segs[0].s, l.segs[0].open, l.w.q.KnownAt
	if open.Pieces == nil || *open.Pieces != 1 {
		return out, false
	}
	var test *TestFact
	for i := range s.Tests {
		t := &s.Tests[i]
		if !t.Fact.live(knownAt) || t.Fact.Party != lab.Party || t.Method != lab.Method || t.Protocol != lab.Protocol {
			continue
		}
		if word, _ := t.judged(); word == opal.Unreadable {
			continue
		}
		// Of equal or overlapping times the later in the log.
		if test == nil || !t.Fact.At.Before(test.Fact.At) {
			test = t
		}
	}
	if test == nil {
		return out, false
	}
	out = ReferenceStone{Event: test.Fact.Event, Position: test.Fact.since(), Material: *l.material()}
	for _, f := range outcomesOf(test) {
		if f.Outcome != "" && !slices.Contains(out.Words, f.Outcome) {
			out.Words = append(out.Words, f.Outcome)
		}
	}
	before, after := map[opal.Treatment]bool{}, map[opal.Treatment]bool{}
	for _, d := range l.declarations() {
		switch {
		case d.taken && !d.left:
		case !d.stated && test.Fact.At.Before(d.fact.At):
			after[d.treatment] = true
		default: // before it, or at a time that cannot be told from the test's
			before[d.treatment] = true
		}
	}
	for _, t := range opal.AllTreatments() {
		treated, untreated := s.marked(t, "", knownAt)
		if treated && untreated {
			continue
		}
		switch treated, untreated := s.marked(t, lab.Party, knownAt); {
		case treated && (before[t] || !after[t]):
			out.Treated = append(out.Treated, t)
		case untreated && !before[t]:
			out.Untreated = append(out.Untreated, t)
		}
	}
	return out, len(out.Treated)+len(out.Untreated) > 0
}

// shows tells whether the stone showed an outcome, and whether its test could have (asked).
//
// ORGANICS_PRESENT is the word for bands that were not told from those of untreated stones: at first because there are too few known stones to compare with. What
// the comparison would have given nobody knows, so such a stone counts neither for nor against the words that come of one: else a laboratory that begins with untreated stones would
// have counts by which the word speaks for untreated ones. Of ORGANICS_PRESENT itself every stone with organic bands is a case, whatever they were called.
func (s *ReferenceStone) shows(outcome opal.Outcome) (shows, asked bool) {
	has := func(fits func(opal.Outcome) bool) bool { return slices.ContainsFunc(s.Words, fits) }
	switch {
	case outcome == "ORGANICS_PRESENT":
		return has(func(o opal.Outcome) bool { return kindOf(o) == organicMatter || o == "AS_UNTREATED" }), true
	case compares(outcome) && !has(compares) && slices.Contains(s.Words, "ORGANICS_PRESENT"):
		return false, false
	}
	return slices.Contains(s.Words, outcome), true
}

// compares tells whether a word comes of comparing with stones that are known to be untreated.
func compares(o opal.Outcome) bool { return o == "AS_UNTREATED" || o == "RAISED" || o == "MANY" }

// of counts the stones of a validation for an outcome and a treatment, without those that are to be passed over.
func (v *Validation) of(outcome opal.Outcome, treatment opal.Treatment, skip func(*ReferenceStone) bool) (c Counted) {
	for i := range v.Stones {
		s := &v.Stones[i]
		shows, asked := s.shows(outcome)
		if !asked || skip(s) {
			continue
		}
		with := int64(0)
		if shows {
			with = 1
		}
		switch {
		case slices.Contains(s.Treated, treatment):
			c.TreatedWith += with
			c.TreatedAll++
		case slices.Contains(s.Untreated, treatment):
			c.UntreatedWith += with
			c.UntreatedAll++
		}
	}
	return c
}

// LastTest is the last test with readings of a lot of one piece by a method that lies wholly before a time and stands by what the log knew before a position, without that of an
// event; nil: there is none, or the lot has several pieces.
func LastTest(s *Summary, method opal.Method, before opal.When, knownAt uint64, but string) *TestFact {
	open := s.opening(knownAt)
	if open == nil || open.Pieces == nil || *open.Pieces != 1 {
		return nil
	}
	var last *TestFact
	for i := range s.Tests {
		t := &s.Tests[i]
		if t.Method != method || !t.Measured || !t.Fact.live(knownAt) || t.Fact.Event == but || !t.Fact.At.Before(before) {
			continue
		}
		if last == nil || !t.Fact.At.Before(last.Fact.At) {
			last = t
		}
	}
	return last
}

// Known is the position of the event that states this reading of the test: its own, or that of a correction.
func (t *TestFact) Known() uint64 { return t.Fact.since() }
