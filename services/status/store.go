package status

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/bloom"
	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Memory of a store: a projection stands beside the log in one process, and both are to stay small.
const (
	blockCache    = 24 << 20
	memTable      = 8 << 20
	recordsCached = 3 << 20 // encoded bytes of lot records; decoded they take some six times as much
)

// storeFormat is Pebble's own format. It is set, and not left to "the newest", so that what a version writes does not depend on when it was
// built.
const storeFormat = pebble.FormatValueSeparation

// store is one copy of the projection on disk. One goroutine folds into it, one tells alerts, any number read.
type store struct {
	db     *pebble.DB
	codecs *codecs
	lots   *lru[*lotRecord]
	closed func() error
	// failed is why the store is not to be trusted any more: it is damaged, or can write nothing.
	failed *atomic.Pointer[error]
}

// openStore opens or makes a store. Its write-ahead log is off: what a crash loses is read from the log again.
func openStore(fs vfs.FS, dir string, logger *slog.Logger) (s *store, err error) {
	codecs := newCodecs()
	// A damaged file can hold anything: a panic while it is read is an error of the file, and not of this process.
	defer func() {
		if r := recover(); r != nil {
			s, err = nil, fmt.Errorf("open the projection in %s: it is damaged: %v", dir, r)
		}
	}()
	cache := pebble.NewCache(blockCache)
	defer cache.Unref()
	failed := &atomic.Pointer[error]{}
	fail := func(err error) { failed.CompareAndSwap(nil, &err) }
	words := storeLogger{logger, fail}
	options := &pebble.Options{
		FS:                          fs,
		Cache:                       cache,
		DisableWAL:                  true,
		FormatMajorVersion:          storeFormat,
		MemTableSize:                memTable,
		MemTableStopWritesThreshold: 2,
		MaxOpenFiles:                256,
		Logger:                      words,
		EventListener: &pebble.EventListener{
			DataCorruption: func(i pebble.DataCorruptionInfo) {
				fail(fmt.Errorf("file %s is damaged: %w", i.Path, i.Details))
				logger.Error("the projection is damaged", "file", i.Path, "error", i.Details.Error())
			},
			BackgroundError: func(err error) { words.Errorf("background work failed: %v", err) },
		},
	}
	for i := range options.Levels {
		options.Levels[i].FilterPolicy = bloom.FilterPolicy(10)
	}
	db, err := pebble.Open(dir, options)
	if err != nil {
		return nil, fmt.Errorf("open the projection in %s: %w", dir, err)
	}
	return &store{
		db: db, codecs: codecs, lots: newLRU[*lotRecord](recordsCached), failed: failed,
		closed: sync.OnceValue(func() error {
			flush := db.Flush()
			return errors.Join(flush, db.Close())
		}),
	}, nil
}

// close writes everything to disk.
func (s *store) close() error { return s.closed() }

// trouble is why the store is not to be trusted any more; nil: it is.
func (s *store) trouble() error {
	if err := s.failed.Load(); err != nil {
		return fmt.Errorf("%w: %w", errBroken, *err)
	}
	return nil
}

// errBroken marks what only making the projection anew can help.
var errBroken = errors.New("the projection's store has failed")

// find reads one record; nil without an error: there is none.
func find[T any](s *store, codec *canon.Codec[T], key []byte) (*T, error) {
	value, closer, err := s.db.Get(key)
	if errors.Is(err, pebble.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read record %q: %w", key, err)
	}
	defer closer.Close()
	v := new(T)
	if err := codec.Decode(value, v); err != nil {
		return nil, fmt.Errorf("read record %q: %w", key, err)
	}
	return v, nil
}

// has tells whether there is a record.
func (s *store) has(key []byte) (bool, error) {
	_, closer, err := s.db.Get(key)
	if errors.Is(err, pebble.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("read record %q: %w", key, err)
	}
	return true, closer.Close()
}

// write encodes a record into a batch.
func write[T any](b *pebble.Batch, codec *canon.Codec[T], key []byte, v *T) error {
	value, err := codec.Append(nil, v)
	if err != nil {
		return fmt.Errorf("write record %q: %w", key, err)
	}
	return b.Set(key, value, nil)
}

// each reads the records from one key up to another, in order, until fn answers false. Key and value are fn's for that call only.
func (s *store) each(from, to []byte, fn func(key, value []byte) (bool, error)) error {
	it, err := s.db.NewIter(&pebble.IterOptions{LowerBound: from, UpperBound: to})
	if err != nil {
		return fmt.Errorf("read records: %w", err)
	}
	for ok := it.First(); ok; ok = it.Next() {
		on, err := fn(it.Key(), it.Value())
		if err != nil || !on {
			return errors.Join(err, it.Close())
		}
	}
	return errors.Join(it.Error(), it.Close())
}

// lot reads a lot's record; nil without an error: the lot is unknown. What it answers is shared and must not be changed.
func (s *store) lot(id string) (*lotRecord, error) {
	r, ticket, ok := s.lots.get(id)
	if ok {
		return r, nil
	}
	value, closer, err := s.db.Get(keySummary(id))
	if errors.Is(err, pebble.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the record of lot %s: %w", id, err)
	}
	defer closer.Close()
	r = new(lotRecord)
	if err := s.codecs.lot.Decode(value, r); err != nil {
		return nil, fmt.Errorf("read the record of lot %s: %w", id, err)
	}
	s.lots.add(id, r, len(value), ticket)
	return r, nil
}

// peek is lot without a place in the cache, for who reads many lots once.
func (s *store) peek(id string) (*lotRecord, error) {
	if r, _, ok := s.lots.get(id); ok {
		return r, nil
	}
	return find(s, s.codecs.lot, keySummary(id))
}

// summary is lot for internal/evidence.
func (s *store) summary(id string) (*evidence.Summary, error) {
	r, err := s.lot(id)
	if r == nil || err != nil {
		return nil, err
	}
	return &r.Summary, nil
}

// meta says where the store stands; nil: it is empty.
func (s *store) meta() (*meta, error) { return find(s, s.codecs.meta, keyMeta()) }

// knownBy answers the position before which every event had been recorded at a time.
func (s *store) knownBy(at opal.Instant) (uint64, error) {
	if at < 0 {
		return 0, nil
	}
	it, err := s.db.NewIter(&pebble.IterOptions{LowerBound: []byte{kindTime}, UpperBound: keyTime(int64(at)+1, 0)})
	if err != nil {
		return 0, fmt.Errorf("read the times of blocks: %w", err)
	}
	next := uint64(0)
	if it.Last() {
		next = binary.BigEndian.Uint64(it.Value())
	}
	return next, errors.Join(it.Error(), it.Close())
}

// children lists what was made of a lot, in the order in which it was made, after a place and until fn answers false.
func (s *store) children(parent string, fn func(position uint64, child string) (bool, error)) error {
	prefix := keyChildren(parent)
	return s.each(prefix, after(prefix), func(key, value []byte) (bool, error) {
		return fn(binary.BigEndian.Uint64(key[len(prefix):]), string(value))
	})
}

// sales lists what was judged of the claims at a lot's sales, oldest first.
func (s *store) sales(lot string, fn func(position uint64, sale *saleRecord)) error {
	prefix := keySales(lot)
	return s.each(prefix, after(prefix), func(key, value []byte) (bool, error) {
		sale := new(saleRecord)
		if err := s.codecs.sale.Decode(value, sale); err != nil {
			return false, fmt.Errorf("read record %q: %w", key, err)
		}
		fn(lastPosition(key), sale)
		return true, nil
	})
}

// alerted lists the positions from ≤ p < to whose events a party was alerted of.
func (s *store) alerted(party string, side side, from, to uint64) (positions []uint64, err error) {
	err = s.each(keyAlert(party, side, from), keyAlert(party, side, to), func(key, _ []byte) (bool, error) {
		positions = append(positions, lastPosition(key))
		return true, nil
	})
	return positions, err
}

// lastAlerted lists the positions of the events before one that a party was alerted of, the newest first, up to so many.
func (s *store) lastAlerted(party string, side side, before uint64, most int) (positions []uint64, err error) {
	it, err := s.db.NewIter(&pebble.IterOptions{LowerBound: keyAlerts(party, side), UpperBound: keyAlert(party, side, before)})
	if err != nil {
		return nil, fmt.Errorf("read records: %w", err)
	}
	for ok := it.Last(); ok && len(positions) < most; ok = it.Prev() {
		positions = append(positions, lastPosition(it.Key()))
	}
	return positions, errors.Join(it.Error(), it.Close())
}

// storeLogger gives Pebble's words to slog. Pebble's own logger ends the process on errors that it takes for fatal; here the projection
// stops, and the log beside it goes on.
type storeLogger struct {
	log   *slog.Logger
	fatal func(error)
}

func (l storeLogger) Infof(format string, args ...any) {
	l.say(slog.LevelDebug, format, args)
}

func (l storeLogger) Errorf(format string, args ...any) {
	l.say(slog.LevelWarn, format, args)
}

func (l storeLogger) Fatalf(format string, args ...any) {
	l.say(slog.LevelError, format, args)
	l.fatal(fmt.Errorf(format, args...))
}

func (l storeLogger) say(level slog.Level, format string, args []any) {
	if ctx := context.Background(); l.log.Enabled(ctx, level) {
		l.log.Log(ctx, level, "projection store", "says", fmt.Sprintf(format, args...))
	}
}
