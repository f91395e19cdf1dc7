package evidence

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Kin tells which lots are of one stone.
//
// A stone that is recut, sawn or parted becomes other lots, and they share what was done to it before. So a laboratory that tests the halves of one stone has one
// witness and not two, and a stone's own offspring are none in its cause. All that was made of a lot of one piece is of one stone, however often it was parted
// since. What was taken from a parcel is not: the stones of a parcel are several. Where lots were combined, what comes out may be any of them, and so counts
// as of one stone with each that went in; two that come out are two.
type Kin struct {
	Lot string
	// Stone is the eldest lot of one piece in its line, which may be itself; "": all are parcels.
	Stone string
	// from are the older lots of its line, mixed those that the eldest was combined of, with all that they were made of.
	from  []string
	mixed map[string]bool
}

// madeOf tells whether the lot is another or was made of it, or may have been.
func (k *Kin) madeOf(lot string) bool {
	return k.Lot == lot || slices.Contains(k.from, lot) || k.mixed[lot]
}

// one tells whether two lots are of one stone, or may be; of a parcel, whether the other was made of it or went into it.
func (k *Kin) one(o *Kin) bool {
	if k.Stone != "" && o.Stone != "" && (k.Stone == o.Stone || k.mixed == nil && o.mixed == nil) {
		return k.Stone == o.Stone // of two lines that meet, the lots above are the same
	}
	return k.madeOf(cmp.Or(o.Stone, o.Lot)) || o.madeOf(cmp.Or(k.Stone, k.Lot)) || o.madeOf(k.Lot) || k.madeOf(o.Lot)
}

// eldest is the oldest lot of the line.
func (k *Kin) eldest() string {
	if n := len(k.from); n > 0 {
		return k.from[n-1]
	}
	return k.Lot
}

// kinSet is a set of lots, of which it is asked whether one is of one stone with any of them; the zero value is ready.
type kinSet struct {
	stones map[string]bool            // the lots and their stones
	lines  map[string]bool            // the lots, and what their lines went through
	mixed  map[string]map[string]bool // what went into the eldest of a line
}

func (s *kinSet) empty() bool { return len(s.stones) == 0 }

func (s *kinSet) add(k *Kin) {
	if s.stones == nil {
		s.stones, s.lines, s.mixed = map[string]bool{}, map[string]bool{}, map[string]map[string]bool{}
	}
	s.stones[k.Lot], s.stones[cmp.Or(k.Stone, k.Lot)], s.lines[k.Lot] = true, true, true
	for _, lot := range k.from {
		s.lines[lot] = true
	}
	if k.mixed != nil {
		s.mixed[k.eldest()] = k.mixed
	}
}

func (s *kinSet) has(k *Kin) bool {
	if s.empty() {
		return false
	}
	of := cmp.Or(k.Stone, k.Lot)
	if s.stones[k.Lot] || s.lines[k.Lot] || s.lines[of] || slices.ContainsFunc(k.from, func(lot string) bool { return s.stones[lot] }) {
		return true
	}
	for _, m := range s.mixed {
		if m[k.Lot] || m[of] {
			return true
		}
	}
	if k.mixed != nil {
		for lot := range s.stones {
			if k.mixed[lot] {
				return true
			}
		}
	}
	return false
}

// kin is what the line's youngest lot came from.
func (l *line) kin(mixed map[string]bool) Kin {
	k := Kin{Lot: l.segs[0].s.Lot, mixed: mixed}
	for i := range l.segs {
		g := &l.segs[i]
		if i > 0 {
			k.from = append(k.from, g.s.Lot)
		}
		if single(g.open.Pieces) {
			k.Stone = g.s.Lot
		}
	}
	return k
}

// ancestry gathers lots and all that they were made of; nil for none.
func (w *walker) ancestry(parts []Parent) (map[string]bool, error) {
	if len(parts) == 0 {
		return nil, nil
	}
	out := map[string]bool{}
	for queue := parts; len(queue) > 0; queue = queue[1:] {
		lot := queue[0].Lot
		if out[lot] {
			continue
		}
		out[lot] = true
		s, err := w.summary(lot)
		if err != nil {
			return nil, err
		}
		if s == nil {
			continue
		}
		if open := s.opening(w.q.KnownAt); open != nil {
			queue = append(slices.Clip(queue), open.Parents...)
		}
	}
	return out, nil
}

// descents finds what lots came from, one after the other, and remembers what they rest on.
type descents struct {
	get     func(lot string) (*Summary, error)
	knownAt uint64
	read    map[string]bool
	// mixed remembers what went into combined lots, of which many stones may come.
	mixed map[string]ancestry
}

type ancestry struct {
	lots map[string]bool
	err  error
}

func newDescents(get func(lot string) (*Summary, error), knownAt uint64) *descents {
	return &descents{get: remember(get), knownAt: knownAt, read: map[string]bool{}, mixed: map[string]ancestry{}}
}

// walker is a new one for each lot: one with a long line must not keep the others from counting.
func (d *descents) walker(lot string) (*walker, func()) {
	w := &walker{q: Query{Lot: lot, Get: d.get, AsOf: math.MaxInt64, KnownAt: d.knownAt}, read: map[string]*Summary{}}
	return w, func() {
		for name := range w.read {
			d.read[name] = true
		}
	}
}

// of gives the line of a lot with its kin; nil: it never came to be, or rests on too many lots.
func (d *descents) of(lot string) (*line, Kin, error) {
	w, done := d.walker(lot)
	defer done()
	l, err := w.build(lot, nil)
	var a ancestry
	if err == nil {
		a = d.ancestry(l)
		err = a.err
	}
	if reason := fault.Of(err); errors.Is(err, errVoid) || reason == fault.UnknownLot || reason == fault.TooDeep {
		return nil, Kin{Lot: lot, Stone: lot}, nil
	}
	if err != nil {
		return nil, Kin{}, fmt.Errorf("read what %s was made of: %w", lot, err)
	}
	return l, l.kin(a.lots), nil
}

func (d *descents) ancestry(l *line) ancestry {
	if len(l.parts) == 0 {
		return ancestry{}
	}
	eldest := l.segs[len(l.segs)-1].s.Lot
	a, ok := d.mixed[eldest]
	if !ok {
		w, done := d.walker(eldest)
		defer done()
		a.lots, a.err = w.ancestry(l.parts)
		d.mixed[eldest] = a
	}
	return a
}

// rests are the lots that were read, in order.
func (d *descents) rests() []string {
	list := make([]string, 0, len(d.read))
	for name := range d.read {
		list = append(list, name)
	}
	slices.Sort(list)
	return list
}

// Kins answers what lots came from, as known before a position, and all lots that the answer rests on.
func Kins(get func(lot string) (*Summary, error), lots []string, knownAt uint64) (kins []Kin, rests []string, err error) {
	d := newDescents(get, knownAt)
	for _, lot := range lots {
		_, k, err := d.of(lot)
		if err != nil {
			return nil, nil, err
		}
		kins = append(kins, k)
	}
	return kins, d.rests(), nil
}

// Witnesses answers those of some stones of known history that may speak of a lot: no stone is a witness in its own cause, nor is what it was made of or what was
// made of it. Where it cannot be told what the lot came from, none is.
func Witnesses(get func(lot string) (*Summary, error), lot string, stones []ReferenceStone, knownAt uint64) ([]ReferenceStone, error) {
	l, k, err := newDescents(get, knownAt).of(lot)
	if l == nil || err != nil {
		return nil, err
	}
	return slices.DeleteFunc(slices.Clone(stones), func(s ReferenceStone) bool { return k.one(&s.Kin) }), nil
}
