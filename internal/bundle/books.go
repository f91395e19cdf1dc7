package bundle

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// books are the accounts of the lots and parties of some events of a log, as those events alone make them.
type books struct {
	*account.Memory
	holders map[string]string // of keys
	// asked is told which parties and lots a judgement wanted to know of, so that what is missing can be found.
	askedParty, askedLot func(id string)
}

var _ eventlog.State = (*books)(nil)

func newBooks() *books { return &books{Memory: account.NewMemory(), holders: map[string]string{}} }

// Lot finds a lot.
func (b *books) Lot(id string) (*account.Lot, error) {
	if b.askedLot != nil {
		b.askedLot(id)
	}
	return b.Memory.Lot(id)
}

// Party finds a party.
func (b *books) Party(id string) (*account.Party, error) {
	if b.askedParty != nil {
		b.askedParty(id)
	}
	return b.Memory.Party(id)
}

// roomy is a base that no line outgrows: the balance over all relatives of a lot takes their events, which are not here.
const roomy = 1 << 60

// Line answers a line that balances whatever its lots weigh.
func (b *books) Line(root string) (*account.Line, error) {
	return &account.Line{Root: root, Base: roomy}, nil
}

// Posted knows of no event id: that none stands twice is checked on the way.
func (b *books) Posted(string, opal.RequestID) (*eventlog.Posted, error) { return nil, nil }

// KeyHolder names the party of a key.
func (b *books) KeyHolder(id string) (string, error) { return b.holders[id], nil }

// judge decides an event anew and puts it on the books. The refusal is that of the events' own accounts; findings are those that it led to.
func (b *books) judge(e *eventlog.Event) (findings []opal.Finding, refusal *fault.Error, err error) {
	log, err := b.Log()
	if err != nil {
		return nil, nil, err
	}
	zone := int64(0)
	if log != nil {
		zone = log.Policy.ZoneMinutes
	} else if o := e.Recorded.Event.LogOpened; o != nil {
		zone = o.Policy.ZoneMinutes
	}
	if f := opal.Check(&e.Recorded.Event, zone); f != nil {
		return nil, f, nil
	}
	again := *e.Recorded
	again.Findings = nil
	return account.Decide(b, &again)
}

// put puts an event that was judged on the books.
func (b *books) put(e *eventlog.Event) error {
	changes, err := account.Apply(b, e.Recorded)
	if err != nil {
		return fmt.Errorf("apply event %s: %w", e.ID(), err)
	}
	b.Put(changes, e.Recorded)
	for _, p := range changes.Parties {
		for i := range p.Keys {
			b.holders[p.Keys[i].ID] = p.ID
		}
	}
	return nil
}

// public finds the key of an id.
func (b *books) public(id string) (*account.Key, string) {
	holder := b.holders[id]
	p, _ := b.Memory.Party(holder)
	if p == nil {
		return nil, ""
	}
	for i := range p.Keys {
		if p.Keys[i].ID == id {
			return &p.Keys[i], holder
		}
	}
	return nil, ""
}

// own tells whether a party's own key signed an envelope.
func (b *books) own(env *envelope.Envelope) bool {
	for _, s := range env.Signatures {
		if k, holder := b.public(s.KeyID); k != nil && k.Use == opal.UseSign && holder == env.Payload.Party {
			return true
		}
	}
	return false
}
