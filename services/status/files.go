package status

import (
	"context"
	"encoding/binary"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// fileUse is that an event names a file.
type fileUse struct {
	Lot   string `cbor:"1,keyasint,omitempty"` // "": of the directory, as a laboratory's report on its method
	Party string `cbor:"2,keyasint"`
}

// Bounds of the search whether a file belongs to the past of something that a party has. Beyond them it must say of which lot.
const (
	mostUses      = 1_000
	mostLots      = 2_000
	mostAncestors = 20_000
)

// keyFiles is the prefix of the uses of a file.
func keyFiles(hash [32]byte) []byte { return append([]byte{kindFile}, hash[:]...) }

func keyFile(hash [32]byte, position uint64, place int) []byte {
	return binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint64(keyFiles(hash), position), uint32(place))
}

// useFiles folds the files that an event names.
func (f *folding) useFiles(rec *opal.Recorded) error {
	ev := &rec.Event
	for i := range ev.Attachments {
		if err := write(f.batch, f.store.codecs.file, keyFile(ev.Attachments[i].SHA256, rec.Position, i), &fileUse{lotOf(ev), ev.Party}); err != nil {
			return err
		}
	}
	return nil
}

// MayRead tells whether a party may read a file: who posted an event that names it, and who has, or had, to do with a lot that such an event is about or with one that
// was made of it. lot, if given, is the one to look at. A file that no event names, or one of the directory, is for every party that knows its hash.
func (s *Service) MayRead(ctx context.Context, party string, hash [32]byte, lot string) (bool, error) {
	m, done, err := s.begin(ctx, nil, nil, nil)
	if err != nil {
		return false, err
	}
	defer done()
	st := m.view.store
	lots := map[string]bool{}
	free, uses := false, 0
	prefix := keyFiles(hash)
	err = st.each(prefix, after(prefix), func(_, value []byte) (bool, error) {
		var use fileUse
		if err := st.codecs.file.Decode(value, &use); err != nil {
			return false, fmt.Errorf("read the uses of a file: %w", err)
		}
		if uses++; use.Lot == "" || use.Party == party {
			free = true
		}
		lots[use.Lot] = true
		return !free && uses < mostUses, nil
	})
	if err != nil || free || uses == 0 || party == opal.Admin {
		return err == nil, err
	}
	for l := range lots {
		if has, err := st.has(keyRoles(party, l)); has || err != nil {
			return has, err
		}
	}
	queue := []string{lot}
	if lot == "" {
		queue = nil
		own := keyParty(party)
		err = st.each(own, after(own), func(key, _ []byte) (bool, error) {
			queue = append(queue, string(key[len(own):]))
			return len(queue) < mostLots, nil
		})
	} else if has, herr := st.has(keyRoles(party, lot)); herr != nil || !has {
		return false, herr
	}
	if err != nil {
		return false, err
	}
	return st.reaches(queue, lots)
}

// reaches tells whether one of some lots was made of one of others.
func (s *store) reaches(queue []string, lots map[string]bool) (bool, error) {
	seen := map[string]bool{}
	for ; len(queue) > 0 && len(seen) < mostAncestors; queue = queue[1:] {
		if seen[queue[0]] {
			continue
		}
		seen[queue[0]] = true
		r, err := s.peek(queue[0])
		if err != nil {
			return false, err
		}
		if r == nil {
			continue
		}
		for _, o := range r.Summary.Openings {
			for _, p := range o.Parents {
				if lots[p.Lot] {
					return true, nil
				}
				queue = append(queue, p.Lot)
			}
		}
	}
	return false, nil
}
