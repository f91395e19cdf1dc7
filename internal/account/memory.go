package account

import (
	"slices"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Memory is a View in memory, filled by what Apply answers. The checker folds a whole log into one; tests do too. It is not safe for use
// by several goroutines at once.
type Memory struct {
	lots     map[string]*Lot
	lines    map[string]*Line
	parties  map[string]*Party
	log      *Log
	recorded map[string]*opal.Recorded
	history  map[string][]opal.Recorded
}

var _ View = (*Memory)(nil)

// NewMemory makes an empty one.
func NewMemory() *Memory {
	return &Memory{
		lots: map[string]*Lot{}, lines: map[string]*Line{}, parties: map[string]*Party{},
		recorded: map[string]*opal.Recorded{}, history: map[string][]opal.Recorded{},
	}
}

// Put stores an accepted event, with its findings, and what it made of the accounts. Both must not be changed afterwards.
func (m *Memory) Put(c *Changes, rec *opal.Recorded) {
	for _, l := range c.Lots {
		m.lots[l.ID] = l
	}
	for _, l := range c.Lines {
		m.lines[l.Root] = l
	}
	for _, p := range c.Parties {
		m.parties[p.ID] = p
	}
	if c.Log != nil {
		m.log = c.Log
	}
	m.recorded[rec.Event.ID()] = rec
	if rec.Event.Lot != "" {
		m.history[rec.Event.Lot] = append(m.history[rec.Event.Lot], *rec)
	}
}

// Lot finds a lot.
func (m *Memory) Lot(id string) (*Lot, error) { return m.lots[id], nil }

// Line finds a line.
func (m *Memory) Line(root string) (*Line, error) { return m.lines[root], nil }

// Party finds a party.
func (m *Memory) Party(id string) (*Party, error) { return m.parties[id], nil }

// Log gives the log, nil before logOpened.
func (m *Memory) Log() (*Log, error) { return m.log, nil }

// Recorded finds an event.
func (m *Memory) Recorded(id string) (*opal.Recorded, error) { return m.recorded[id], nil }

// History lists a lot's own events.
func (m *Memory) History(lot string) ([]opal.Recorded, error) { return m.history[lot], nil }

// LotIDs lists all lots, sorted.
func (m *Memory) LotIDs() []string { return sortedKeys(m.lots) }

// LineRoots lists all lines, sorted.
func (m *Memory) LineRoots() []string { return sortedKeys(m.lines) }

// PartyIDs lists all parties, sorted.
func (m *Memory) PartyIDs() []string { return sortedKeys(m.parties) }

func sortedKeys[T any](m map[string]T) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
