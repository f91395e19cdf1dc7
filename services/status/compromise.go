package status

import (
	"encoding/binary"
	"fmt"
	"slices"
	"sync"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// compromise is a revocation that says since when a key was in other hands.
type compromise struct {
	KeyID string `cbor:"1,keyasint"`
	Party string `cbor:"2,keyasint"`
	// Since is the position from which what the key signed is doubtful.
	Since uint64 `cbor:"3,keyasint"`
	// Position is where the log learnt it.
	Position uint64 `cbor:"4,keyasint"`
}

// compromises are all of them, in the order of the log. There are few, and mostly none.
type compromises struct {
	mu   sync.RWMutex
	list []compromise // guarded by mu; what it holds is never changed in place
}

func (c *compromises) all() []compromise {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.list
}

func (c *compromises) add(list []compromise) {
	if len(list) == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.list = append(slices.Clip(c.list), list...)
}

// loadCompromises reads them from a store.
func loadCompromises(s *store) (*compromises, error) {
	c := &compromises{}
	prefix := []byte{kindCompromise}
	return c, s.each(prefix, after(prefix), func(key, value []byte) (bool, error) {
		var r compromise
		if err := s.codecs.compromise.Decode(value, &r); err != nil {
			return false, fmt.Errorf("read the revocation at %d: %w", binary.BigEndian.Uint64(key[1:]), err)
		}
		c.list = append(c.list, r)
		return true, nil
	})
}

// compromise folds a revocation.
func (f *folding) compromise(rec *opal.Recorded) error {
	k := rec.Event.KeyRevoked
	if k == nil || k.CompromisedSince == nil {
		return nil
	}
	r := compromise{KeyID: k.KeyID, Party: k.Party, Since: *k.CompromisedSince, Position: rec.Position}
	f.doubts = append(f.doubts, r)
	return write(f.batch, f.store.codecs.compromise, keyCompromise(rec.Position), &r)
}

// signers says who signed for an event, and whose a key is.
type signers interface {
	Signers(position uint64) (keyIDs []string, err error)
	KeyHolder(keyID string) (party string, err error)
}

// doubtful answers evidence's question whether the key that spoke for a party at a position was in other hands by then; nil: none ever was. A second signature
// that speaks for the party and is in no doubt is enough.
func doubtful(list []compromise, log signers, knownAt uint64) func(party string, position uint64) (bool, error) {
	list = slices.DeleteFunc(slices.Clone(list), func(c compromise) bool { return c.Position >= knownAt })
	if len(list) == 0 {
		return nil
	}
	return func(party string, position uint64) (bool, error) {
		concerns := func(c compromise) bool { return c.Since <= position && (c.Party == party || c.Party == opal.Admin) }
		if !slices.ContainsFunc(list, concerns) {
			return false, nil
		}
		ids, err := log.Signers(position)
		if err != nil {
			return false, fmt.Errorf("find who signed at %d: %w", position, err)
		}
		inDoubt := false
		for _, id := range ids {
			if slices.ContainsFunc(list, func(c compromise) bool { return c.KeyID == id && concerns(c) }) {
				inDoubt = true
				continue
			}
			holder, err := log.KeyHolder(id)
			if err != nil {
				return false, fmt.Errorf("find whose the key %s is: %w", id, err)
			}
			if holder == party || holder == opal.Admin {
				return false, nil
			}
		}
		return inDoubt, nil
	}
}
