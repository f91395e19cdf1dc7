package status

import (
	"container/list"
	"hash/maphash"
	"sync"
)

// lru keeps the values that were used last, up to a total weight. What it holds is shared: nobody may change it.
type lru[V any] struct {
	seed maphash.Seed
	most int // weight

	mu    sync.Mutex
	held  int                      // guarded by mu: weight
	order *list.List               // guarded by mu: the most recently used first
	at    map[string]*list.Element // guarded by mu
	// writes counts, for each class of keys, how often a value was put. Guarded by mu. See add.
	writes [256]uint64
}

type lruEntry[V any] struct {
	key    string
	value  V
	weight int
}

func newLRU[V any](most int) *lru[V] {
	return &lru[V]{seed: maphash.MakeSeed(), most: most, order: list.New(), at: map[string]*list.Element{}}
}

func (c *lru[V]) class(key string) int {
	return int(maphash.String(c.seed, key) % uint64(len(c.writes)))
}

// get answers what is held for a key; where nothing is, ticket is what add asks for.
func (c *lru[V]) get(key string) (value V, ticket uint64, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e, ok := c.at[key]
	if !ok {
		return value, c.writes[c.class(key)], false
	}
	c.order.MoveToFront(e)
	return e.Value.(*lruEntry[V]).value, 0, true
}

// put stores what was just written to the store.
func (c *lru[V]) put(key string, value V, weight int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.writes[c.class(key)]++
	c.set(key, value, weight)
}

// add stores what a reader read from the store after get gave it the ticket. If anything of the key's class was put since then, the
// value may be an old one, and is not kept.
func (c *lru[V]) add(key string, value V, weight int, ticket uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.writes[c.class(key)] == ticket {
		c.set(key, value, weight)
	}
}

// set is called with mu held.
func (c *lru[V]) set(key string, value V, weight int) {
	if e, ok := c.at[key]; ok {
		entry := e.Value.(*lruEntry[V])
		c.held += weight - entry.weight
		entry.value, entry.weight = value, weight
		c.order.MoveToFront(e)
	} else {
		c.at[key] = c.order.PushFront(&lruEntry[V]{key, value, weight})
		c.held += weight
	}
	for c.held > c.most && c.order.Len() > 1 {
		entry := c.order.Remove(c.order.Back()).(*lruEntry[V])
		delete(c.at, entry.key)
		c.held -= entry.weight
	}
}
