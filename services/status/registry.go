package status

import (
	"slices"
	"sync"
)

// registry knows who watches what, so that the fold can say in passing who is concerned by an event. It only wakes watches: what a
// watch sends, it reads from the store and the log like any other reader, so that a slow one costs nobody anything.
type registry struct {
	mu      sync.Mutex
	lots    map[string]map[*watching]bool // guarded by mu
	parties map[string]map[*watching]bool // guarded by mu
	callers map[string]int                // guarded by mu: streams by caller
	closed  chan struct{}
	once    sync.Once
}

// concerned is what an event is about, as far as watches go.
type concerned struct {
	position uint64
	lots     []string
	parties  []string
}

// watching is one stream: either of lots or of a party's lots.
type watching struct {
	caller string
	party  string
	lots   []string
	// woken holds one token if there is something to do.
	woken chan struct{}

	mu        sync.Mutex
	positions []uint64 // guarded by mu: candidates, at most maxCandidates
	lost      bool     // guarded by mu: there were more than the list takes, so the log must be read again
}

// maxCandidates bounds what waits for a slow stream.
const maxCandidates = 1_024

func newRegistry() *registry {
	return &registry{
		lots: map[string]map[*watching]bool{}, parties: map[string]map[*watching]bool{}, callers: map[string]int{},
		closed: make(chan struct{}),
	}
}

// close tells all streams to end.
func (r *registry) close() { r.once.Do(func() { close(r.closed) }) }

// enter counts a caller's stream in; false: the caller has as many as it may.
func (r *registry) enter(caller string, most int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.callers[caller] >= most {
		return false
	}
	r.callers[caller]++
	return true
}

func (r *registry) leave(caller string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.callers[caller]--; r.callers[caller] == 0 {
		delete(r.callers, caller)
	}
}

// add begins to wake a watch. The caller holds the fold still, so that it knows from which position on.
func (r *registry) add(w *watching) {
	r.mu.Lock()
	defer r.mu.Unlock()
	enlist := func(at map[string]map[*watching]bool, id string) {
		if at[id] == nil {
			at[id] = map[*watching]bool{}
		}
		at[id][w] = true
	}
	for _, lot := range w.lots {
		enlist(r.lots, lot)
	}
	if w.party != "" {
		enlist(r.parties, w.party)
	}
}

func (r *registry) remove(w *watching) {
	r.mu.Lock()
	defer r.mu.Unlock()
	strike := func(at map[string]map[*watching]bool, id string) {
		delete(at[id], w)
		if len(at[id]) == 0 {
			delete(at, id)
		}
	}
	for _, lot := range w.lots {
		strike(r.lots, lot)
	}
	if w.party != "" {
		strike(r.parties, w.party)
	}
}

// any tells whether anybody watches.
func (r *registry) any() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.lots)+len(r.parties) > 0
}

// tell wakes those whom an event may concern.
func (r *registry) tell(c *concerned) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, lot := range c.lots {
		for w := range r.lots[lot] {
			w.wake(c.position)
		}
	}
	for _, party := range c.parties {
		for w := range r.parties[party] {
			w.wake(c.position)
		}
	}
}

// reached has those look again whom tell has woken, now that they may tell of the event.
func (r *registry) reached(c *concerned) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, lot := range c.lots {
		for w := range r.lots[lot] {
			w.nudge()
		}
	}
	for _, party := range c.parties {
		for w := range r.parties[party] {
			w.nudge()
		}
	}
}

// alerted wakes those who were told of an event.
func (r *registry) alerted(parties []string, position uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, party := range parties {
		for w := range r.parties[party] {
			w.wake(position)
		}
	}
}

// passed has all look again who held back events until the alerts of an earlier one were told.
func (r *registry) passed() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, all := range r.parties {
		for w := range all {
			w.nudge()
		}
	}
}

// wake adds a candidate.
func (w *watching) wake(position uint64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.lost:
	case len(w.positions) >= maxCandidates:
		w.positions, w.lost = nil, true
	default:
		w.positions = append(w.positions, position)
	}
	w.nudge()
}

func (w *watching) nudge() {
	select {
	case w.woken <- struct{}{}:
	default:
	}
}

// take answers the candidates up to a position, each once and in order; lost tells that there were more than were kept.
func (w *watching) take(upTo uint64) (positions []uint64, lost bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.lost {
		w.lost = false
		return nil, true
	}
	slices.Sort(w.positions)
	all := slices.Compact(w.positions)
	n, _ := slices.BinarySearch(all, upTo+1)
	positions = slices.Clone(all[:n])
	w.positions = slices.Clone(all[n:])
	return positions, false
}
