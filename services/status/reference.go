package status

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// references remembers the stones that laboratories have counted for them (a methodValidated event with lots and without rows), and what those came from that they
// counted themselves: to find them again for each status would read every line of the set. An entry holds until a fold touches one of the lots that it rests on. What is remembered follows from the store
// alone, and a store that is made anew begins without any.
type references struct {
	mu sync.Mutex
	// busy: a fold is on its way into the store, so that nothing that was read meanwhile is kept. folds counts them.
	busy  bool
	folds uint64
	// sets are the entries by the number of the reading.
	sets map[int]*referenceSet
}

type referenceSet struct {
	stones []evidence.ReferenceStone
	named  []evidence.Kin  // of stated counts, in place of stones
	rests  map[string]bool // on these lots
	from   uint64          // it holds for whoever knows the log up to here or further
}

// touch is told of the lots that a fold changes, before it is in the store; done once it is.
func (r *references) touch(lots func(yield func(string) bool)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.busy = true
	if len(r.sets) == 0 {
		return
	}
	for lot := range lots {
		for n, set := range r.sets {
			if set.rests[lot] {
				delete(r.sets, n)
			}
		}
	}
}

func (r *references) done() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.busy = false
	r.folds++
}

// counting is what it takes to count a laboratory's own tests of known stones.
type counting struct {
	list []validation
	get  func(lot string) (*evidence.Summary, error)
	// remembered is what was found before; nil: it is found anew.
	remembered *references
	// head is the position behind the last event that get knows.
	head uint64
}

// validated answers evidence's question for what a laboratory validated.
func (c counting) validated(party string, method opal.Method, protocol string, knownAt uint64) ([]evidence.Validation, error) {
	var out []evidence.Validation
	for i := range c.list {
		r := &c.list[i]
		if r.Party != party || r.Body.Method != method || r.Body.Protocol != protocol || !r.stands(knownAt) {
			continue
		}
		v := evidence.Validation{Event: r.Event, Rows: r.Body.Rows, Lots: r.Body.Lots}
		if len(v.Lots) > 0 {
			set, err := c.stones(i, knownAt)
			if err != nil {
				return nil, err
			}
			v.Stones, v.Named = set.stones, set.named
		}
		out = append(out, v)
	}
	return out, nil
}

// stands tells whether a reading is known and stands, by what the log knew before a position.
func (r *validation) stands(knownAt uint64) bool {
	return r.Since < knownAt && (r.Until == 0 || r.Until >= knownAt)
}

// stones finds the stones of the n-th reading: those that count or, where it states counts, those that it names.
func (c counting) stones(n int, knownAt uint64) (*referenceSet, error) {
	v := &c.list[n]
	lab := evidence.Laboratory{Party: v.Party, Method: v.Body.Method, Protocol: v.Body.Protocol}
	var folds uint64
	if m := c.remembered; m != nil {
		m.mu.Lock()
		set := m.sets[n]
		folds = m.folds
		m.mu.Unlock()
		if set != nil && set.from <= knownAt {
			return set, nil
		}
	}
	set := &referenceSet{from: knownAt}
	var rests []string
	var err error
	if len(v.Body.Rows) == 0 {
		set.stones, rests, err = evidence.ReferenceStones(c.get, lab, v.Body.Lots, knownAt)
	} else {
		set.named, rests, err = evidence.Kins(c.get, v.Body.Lots, knownAt)
	}
	if err != nil {
		return nil, fmt.Errorf("count the stones of %s: %w", v.Event, err)
	}
	if m := c.remembered; m != nil && knownAt == c.head {
		set.rests = make(map[string]bool, len(rests))
		for _, lot := range rests {
			set.rests[lot] = true
		}
		m.mu.Lock()
		if !m.busy && m.folds == folds {
			m.sets[n] = set
		}
		m.mu.Unlock()
	}
	return set, nil
}

// Reference is a test of a stone that its laboratory names as known to be untreated.
type Reference struct {
	Lot      string
	Material opal.Material
	Event    string
	// Computed is what the service read off the test's measurement; nil: it had none.
	Computed *opal.Computed
}

// References answers the tests of the stones that a laboratory names as known to be untreated, with a method under a protocol, as this node knows them: one
// of each stone. What is of one stone with the lot asked about is left out.
func (s *Service) References(ctx context.Context, party string, method opal.Method, protocol, about string) ([]Reference, error) {
	m, done, err := s.begin(ctx, nil, nil, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	v := m.view
	var lots []string
	for _, r := range v.counts.all() {
		if r.Party == party && r.Body.Method == method && r.Body.Protocol == protocol && r.stands(m.next) {
			lots = append(lots, r.Body.Lots...)
		}
	}
	if len(lots) == 0 {
		return nil, nil
	}
	stones, _, err := evidence.ReferenceStones(v.store.summary, evidence.Laboratory{Party: party, Method: method, Protocol: protocol}, lots, m.next)
	if err != nil {
		return nil, err
	}
	if stones, err = evidence.Witnesses(v.store.summary, about, stones, m.next); err != nil {
		return nil, err
	}
	var out []Reference
	for i := range stones {
		stone := &stones[i]
		if !untreated(stone) {
			continue
		}
		e, err := s.log.At(stone.Position)
		if err != nil {
			return nil, fmt.Errorf("read the test of the reference stone %s: %w", stone.Lot, err)
		}
		out = append(out, Reference{Lot: stone.Lot, Material: stone.Material, Event: stone.Event, Computed: e.Recorded.Computed})
	}
	return out, nil
}

// untreated tells whether a stone is known not to have been treated at all; heat nobody can tell.
func untreated(stone *evidence.ReferenceStone) bool {
	for _, t := range opal.AllTreatments() {
		if t != opal.Heat && !slices.Contains(stone.Untreated, t) {
			return false
		}
	}
	return true
}
