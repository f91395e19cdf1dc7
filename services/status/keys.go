package status

import "encoding/binary"

// Every record's key starts with a letter for its kind. Lot, party and event ids hold no zero byte, so a zero ends them where more
// follows; positions are big-endian, so that they sort.
const (
	kindMeta       = 'm' // → meta
	kindSummary    = 's' // lot → evidence.Summary
	kindChild      = 'c' // parent, position, place in the event → child
	kindHandle     = 'h' // handle → handle
	kindRoles      = 'p' // party, lot → roles
	kindSale       = 'k' // lot, position → sale
	kindMarks      = 'w' // event id → marks
	kindTime       = 't' // recordedAt, first position of a block → position after the block
	kindPolicy     = 'y' // position → opal.Policy
	kindJob        = 'q' // position → job
	kindAlert      = 'a' // party, side, position → alert
	kindValid      = 'v' // number → validation
	kindCompromise = 'x' // position → compromise
	kindOffer      = 'o' // party, lot that waits for its receipt →
	kindFile       = 'f' // SHA-256 of a file, position, place in the event → fileUse
)

func keyMeta() []byte { return []byte{kindMeta} }

func keySummary(lot string) []byte { return appendKey(kindSummary, lot) }

// keyChildren is the prefix of a lot's edges.
func keyChildren(parent string) []byte { return append(appendKey(kindChild, parent), 0) }

func keyChild(parent string, position uint64, place int) []byte {
	return binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint64(keyChildren(parent), position), uint32(place))
}

func keyHandle(handle string) []byte { return appendKey(kindHandle, handle) }

// keyParty is the prefix of the lots that a party has, or had, to do with.
func keyParty(party string) []byte { return append(appendKey(kindRoles, party), 0) }

func keyRoles(party, lot string) []byte { return append(keyParty(party), lot...) }

// keyOffers is the prefix of the lots that wait for a party's receipt.
func keyOffers(party string) []byte { return append(appendKey(kindOffer, party), 0) }

func keyOffer(party, lot string) []byte { return append(keyOffers(party), lot...) }

// keySales is the prefix of a lot's sales.
func keySales(lot string) []byte { return append(appendKey(kindSale, lot), 0) }

func keySale(lot string, position uint64) []byte {
	return binary.BigEndian.AppendUint64(keySales(lot), position)
}

func keyMarks(event string) []byte { return appendKey(kindMarks, event) }

func keyTime(recordedAt int64, first uint64) []byte {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint64([]byte{kindTime}, uint64(recordedAt)), first)
}

func keyPolicy(position uint64) []byte {
	return binary.BigEndian.AppendUint64([]byte{kindPolicy}, position)
}

func keyValid(number int) []byte {
	return binary.BigEndian.AppendUint64([]byte{kindValid}, uint64(number))
}

func keyCompromise(position uint64) []byte {
	return binary.BigEndian.AppendUint64([]byte{kindCompromise}, position)
}

func keyJob(position uint64) []byte {
	return binary.BigEndian.AppendUint64([]byte{kindJob}, position)
}

// keyAlerts is the prefix of a party's alerts on one side of a sale.
func keyAlerts(party string, side side) []byte {
	return append(append(appendKey(kindAlert, party), 0), byte(side))
}

func keyAlert(party string, side side, position uint64) []byte {
	return binary.BigEndian.AppendUint64(keyAlerts(party, side), position)
}

func appendKey(kind byte, id string) []byte {
	key := make([]byte, 0, 1+len(id)+16)
	return append(append(key, kind), id...)
}

// after is the smallest key that no key with this prefix reaches.
func after(prefix []byte) []byte {
	end := append([]byte(nil), prefix...)
	for i := len(end) - 1; i >= 0; i-- {
		if end[i]++; end[i] != 0 {
			return end[:i+1]
		}
	}
	return nil
}

// lastPosition reads the position at the end of a key.
func lastPosition(key []byte) uint64 { return binary.BigEndian.Uint64(key[len(key)-8:]) }
