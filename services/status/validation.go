package status

import (
	"encoding/binary"
	"fmt"
	"slices"
	"sync"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// validation is one reading of what a laboratory counted on stones of known history: as it was posted, or as it was corrected to.
type validation struct {
	Event string `cbor:"1,keyasint"` // the methodValidated event
	Party string `cbor:"2,keyasint"`
	// Since is the position from which the reading is known, Until the one of the event that ended it; 0: it stands.
	Since uint64 `cbor:"3,keyasint"`
	Until uint64 `cbor:"4,keyasint,omitempty"`
	// Reading is the correction that brought it; "": the event itself.
	Reading string               `cbor:"5,keyasint,omitempty"`
	Body    opal.MethodValidated `cbor:"6,keyasint"`
}

// validations are all readings there ever were, in the order in which they became known. There are few: each takes a laboratory weeks.
type validations struct {
	mu   sync.RWMutex
	list []validation // guarded by mu; what it holds is never changed in place
}

func (v *validations) all() []validation {
	v.mu.RLock()
	defer v.mu.RUnlock()
	return v.list
}

func (v *validations) set(list []validation) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.list = list
}

// loadValidations reads them from a store.
func loadValidations(s *store) (*validations, error) {
	v := &validations{}
	prefix := []byte{kindValid}
	return v, s.each(prefix, after(prefix), func(key, value []byte) (bool, error) {
		var r validation
		if err := s.codecs.valid.Decode(value, &r); err != nil {
			return false, fmt.Errorf("read the counts at %d: %w", binary.BigEndian.Uint64(key[1:]), err)
		}
		v.list = append(v.list, r)
		return true, nil
	})
}

// readings are all of them with those of the blocks on their way.
func (f *folding) readings() []validation {
	if f.valid != nil {
		return f.valid
	}
	return f.folder.validations.all()
}

// validate folds what a laboratory counted, and what amends that.
func (f *folding) validate(rec *opal.Recorded) error {
	ev := &rec.Event
	switch {
	case ev.MethodValidated != nil:
		return f.addValidation(validation{Event: ev.ID(), Party: ev.Party, Since: rec.Position, Body: *ev.MethodValidated})
	case ev.Withdrawn != nil:
		return f.endValidation(ev.Withdrawn.Event, rec)
	case ev.Corrected != nil && ev.Corrected.Replacement != nil && ev.Corrected.Replacement.MethodValidated != nil:
		id := ev.Corrected.Event
		for _, r := range f.readings() {
			if r.Reading == id {
				id = r.Event // a correction of a correction is one of what that corrected
			}
		}
		party, err := f.endReading(func(r *validation) bool { return r.Event == id }, rec.Position)
		if err != nil || party == "" {
			return err
		}
		return f.addValidation(validation{Event: id, Party: party, Since: rec.Position, Reading: ev.ID(), Body: *ev.Corrected.Replacement.MethodValidated})
	}
	return nil
}

// endValidation ends the reading that a withdrawn event brought. If it was a correction, what stood before stands again.
func (f *folding) endValidation(id string, rec *opal.Recorded) error {
	party, err := f.endReading(func(r *validation) bool { return r.Reading == id || r.Event == id }, rec.Position)
	if err != nil || party == "" {
		return err
	}
	list := f.readings()
	at := slices.IndexFunc(list, func(r validation) bool { return r.Reading == id && r.Until == rec.Position })
	if at < 0 {
		return nil
	}
	for i := at - 1; i >= 0; i-- {
		if r := list[i]; r.Event == list[at].Event && r.Until == list[at].Since {
			r.Since, r.Until = rec.Position, 0
			return f.addValidation(r)
		}
	}
	return nil
}

// endReading ends the standing reading that fits, and answers whose it is.
func (f *folding) endReading(fits func(*validation) bool, position uint64) (party string, err error) {
	list := f.readings()
	for i := range list {
		if r := &list[i]; r.Until == 0 && fits(r) {
			f.valid = slices.Clone(list)
			f.valid[i].Until = position
			return r.Party, write(f.batch, f.store.codecs.valid, keyValid(i), &f.valid[i])
		}
	}
	return "", nil
}

func (f *folding) addValidation(r validation) error {
	list := f.readings()
	f.valid = append(slices.Clip(list), r)
	return write(f.batch, f.store.codecs.valid, keyValid(len(list)), &r)
}
