package status

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// references remembers the stones that laboratories have counted for them (a methodValidated event with lots and without rows): to find them again for each
// status would read every line of the set. An entry holds until a fold touches one of the lots that it rests on. What is remembered follows from the store
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
		if len(v.Rows) == 0 {
			var err error
			if v.Stones, err = c.stones(i, knownAt); err != nil {
				return nil, err
			}
		}
		out = append(out, v)
	}
	return out, nil
}

// stands tells whether a reading is known and stands, by what the log knew before a position.
func (r *validation) stands(knownAt uint64) bool {
	return r.Since < knownAt && (r.Until == 0 || r.Until >= knownAt)
}

// stones finds the stones of the n-th reading that count.
func (c counting) stones(n int, knownAt uint64) ([]evidence.ReferenceStone, error) {
	v := &c.list[n]
	lab := evidence.Laboratory{Party: v.Party, Method: v.Body.Method, Protocol: v.Body.Protocol}
	var folds uint64
	if m := c.remembered; m != nil {
		m.mu.Lock()
		set := m.sets[n]
		folds = m.folds
		m.mu.Unlock()
		if set != nil && set.from <= knownAt {
			return set.stones, nil
		}
	}
	stones, rests, err := evidence.ReferenceStones(c.get, lab, v.Body.Lots, knownAt)
	if err != nil {
		return nil, fmt.Errorf("count the stones of %s: %w", v.Event, err)
	}
	if m := c.remembered; m != nil && knownAt == c.head {
		set := &referenceSet{stones: stones, rests: make(map[string]bool, len(rests)), from: knownAt}
		for _, lot := range rests {
			set.rests[lot] = true
		}
		m.mu.Lock()
		if !m.busy && m.folds == folds {
			m.sets[n] = set
		}
		m.mu.Unlock()
	}
	return stones, nil
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
// of each stone. The lot asked about, what it was made of, and what was made of it are left out.
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
	own, err := v.store.ancestors(about)
	if err != nil {
		return nil, err
	}
	lots = slices.DeleteFunc(lots, func(lot string) bool { return own[lot] })
	stones, _, err := evidence.ReferenceStones(v.store.summary, evidence.Laboratory{Party: party, Method: method, Protocol: protocol}, lots, m.next)
	if err != nil {
		return nil, err
	}
	var out []Reference
	for i := range stones {
		stone := &stones[i]
		if !untreated(stone) || slices.Contains(stone.From, about) {
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

// ancestors are a lot and those that it was made of.
func (s *store) ancestors(lot string) (map[string]bool, error) {
	out := map[string]bool{lot: true}
	for queue := []string{lot}; len(queue) > 0; queue = queue[1:] {
		r, err := s.lot(queue[0])
		if err != nil {
			return nil, err
		}
		if r == nil {
			continue
		}
		for _, o := range r.Summary.Openings {
			for _, p := range o.Parents {
				if !out[p.Lot] {
					out[p.Lot] = true
					queue = append(queue, p.Lot)
				}
			}
		}
	}
	return out, nil
}
