package eventlog

import "sync"

// memo keeps decoded records in memory, so that the account of a lot that is busy is not read and decoded for each event.
//
// It has two generations: what is asked for moves to the young one, and when that is full the old one is dropped. What is kept is
// what was used last, without a list to maintain.
//
// A record read from the store may be older than one that was written meanwhile; fill therefore takes a ticket that was drawn before
// the reading, and puts nothing in if something was written since.
type memo[T any] struct {
	mu     sync.Mutex
	most   int
	young  map[string]*T
	old    map[string]*T
	writes uint64
}

func newMemo[T any](most int) *memo[T] {
	return &memo[T]{most: max(most/2, 16), young: map[string]*T{}, old: map[string]*T{}}
}

// get gives a record, or a ticket for fill.
func (m *memo[T]) get(id string) (v *T, ticket uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if v, ok := m.young[id]; ok {
		return v, 0
	}
	if v, ok := m.old[id]; ok {
		m.set(id, v)
		return v, 0
	}
	return nil, m.writes
}

func (m *memo[T]) set(id string, v *T) {
	if len(m.young) >= m.most {
		m.young, m.old = m.old, m.young
		clear(m.young)
	}
	m.young[id] = v
}

// fill puts in what was read from the store.
func (m *memo[T]) fill(id string, v *T, ticket uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if ticket == m.writes {
		m.set(id, v)
	}
}

// put takes over what was written to the store.
func (m *memo[T]) put(changed map[string]*T) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.writes++
	for id, v := range changed {
		m.set(id, v)
	}
}
