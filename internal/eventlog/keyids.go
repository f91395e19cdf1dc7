package eventlog

import (
	"fmt"

	"github.com/lotpaper/lotpaper/internal/envelope"
)

// Signers answers the ids of the keys that signed the envelope of the event at a position; none: there is no such event.
func (l *Log) Signers(position uint64) (keyIDs []string, err error) {
	e, err := l.At(position)
	if e == nil || err != nil {
		return nil, err
	}
	err = l.blockRecords(position, func(_ uint64, r *blockRecord) (bool, error) {
		if int(e.Envelope) >= len(r.Envelopes) {
			return false, l.bad(blockKey(position), fmt.Errorf("the event at %d is of envelope %d, and there are %d", position, e.Envelope, len(r.Envelopes)))
		}
		signed, err := envelope.Decode(r.Envelopes[e.Envelope])
		if err != nil {
			return false, l.bad(blockKey(position), err)
		}
		for _, s := range signed.Signatures {
			keyIDs = append(keyIDs, s.KeyID)
		}
		return false, nil
	})
	return keyIDs, err
}
