package eventlog

import (
	"encoding/binary"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// The first byte of a key says what the record is. Numbers are big-endian, so that the order of keys is that of numbers.
const (
	kindHead   = 'a' // one record: where the log stands
	kindBlock  = 'b' // first position → what the events alone do not say of their block
	kindEvent  = 'e' // lot, 0, position → the event
	kindPosted = 'i' // event id → request hash, position, lot
	kindKey    = 'k' // key id → party
	kindLot    = 'l' // lot → account
	kindTile   = 'm' // level, number → 256 hashes of the tree
	kindLine   = 'n' // root lot → balance of the line
	kindParty  = 'p' // party → directory entry
	kindState  = 's' // one record: what belongs to no lot
	kindToken  = 't' // token hash → party
	kindAudit  = 'v' // one record: up to where the background audit has come; no part of the log itself
)

func kindName(k byte) string {
	switch k {
	case kindHead:
		return "head"
	case kindBlock:
		return "block"
	case kindEvent:
		return "event"
	case kindPosted:
		return "event id"
	case kindKey:
		return "key"
	case kindLot:
		return "account"
	case kindTile:
		return "tile"
	case kindLine:
		return "line"
	case kindParty:
		return "party"
	case kindState:
		return "state"
	case kindToken:
		return "token"
	case kindAudit:
		return "audit mark"
	}
	return fmt.Sprintf("unknown kind %#02x", k)
}

// describeKey names a record for a person.
func describeKey(k []byte) string {
	if len(k) == 0 {
		return "an empty key"
	}
	rest := k[1:]
	switch {
	case k[0] == kindBlock && len(rest) == 8:
		return fmt.Sprintf("block record at position %d", binary.BigEndian.Uint64(rest))
	case k[0] == kindEvent && len(rest) >= 9:
		n := len(rest) - 9
		return fmt.Sprintf("event record of lot %q at position %d", rest[:n], binary.BigEndian.Uint64(rest[n+1:]))
	case k[0] == kindTile && len(rest) == 9:
		return fmt.Sprintf("tile %d at level %d", binary.BigEndian.Uint64(rest[1:]), rest[0])
	case k[0] == kindToken:
		return fmt.Sprintf("token record %x", rest)
	case k[0] == kindHead, k[0] == kindState, k[0] == kindAudit:
		return "record of the " + kindName(k[0])
	}
	return fmt.Sprintf("%s record of %q", kindName(k[0]), rest)
}

func headKey() []byte  { return []byte{kindHead} }
func stateKey() []byte { return []byte{kindState} }
func auditKey() []byte { return []byte{kindAudit} }

func textKey(kind byte, id string) []byte { return appendTextKey(make([]byte, 0, 1+len(id)), kind, id) }

func appendTextKey(k []byte, kind byte, id string) []byte { return append(append(k, kind), id...) }

func blockKey(first uint64) []byte {
	return binary.BigEndian.AppendUint64(append(make([]byte, 0, 9), kindBlock), first)
}

// eventKey: a lot id holds no zero byte, so no lot's events stand between those of another.
func eventKey(lot string, position uint64) []byte {
	return appendEventKey(make([]byte, 0, 10+len(lot)), lot, position)
}

func appendEventKey(k []byte, lot string, position uint64) []byte {
	k = append(append(append(k, kindEvent), lot...), 0)
	return binary.BigEndian.AppendUint64(k, position)
}

// postedKey is the party's name and the 16 bytes of its request id, so that a party's ids lie together.
func postedKey(party string, id opal.RequestID) []byte {
	return appendPostedKey(make([]byte, 0, 18+len(party)), party, id)
}

func appendPostedKey(k []byte, party string, id opal.RequestID) []byte {
	k = append(append(append(k, kindPosted), party...), 0)
	return append(k, id[:]...)
}

func tokenKey(hash [32]byte) []byte {
	return append(append(make([]byte, 0, 33), kindToken), hash[:]...)
}

func tileKey(level uint8, n uint64) []byte {
	return binary.BigEndian.AppendUint64(append(make([]byte, 0, 10), kindTile, level), n)
}

// after is the smallest key behind all that begin with a prefix.
func after(prefix []byte) []byte {
	k := append([]byte(nil), prefix...)
	for i := len(k) - 1; i >= 0; i-- {
		if k[i]++; k[i] != 0 {
			return k[:i+1]
		}
	}
	return nil
}
