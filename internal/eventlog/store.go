//go:build !js

package eventlog

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/bloom"
	"github.com/cockroachdb/pebble/v2/sstable"
	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/canon"
)

// storeFormat is Pebble's own format. It is set, and not left to "the newest": a newer library must not make stores that the
// release before cannot read.
const storeFormat = pebble.FormatValueSeparation

// ErrDamaged marks an error that says a file of the store is damaged or missing.
var ErrDamaged = errors.New("the store is damaged")

// storeLog passes Pebble's words to slog, and keeps its fatal errors from ending the process.
//
// Pebble calls Fatalf for what it cannot go on from (a manifest that cannot be written), and counts on it not to return. In this
// process others are still reading, and callers wait for answers. So the error is told, the log takes no more events, and what follows depends on whose
// goroutine it is: one of Pebble's own ends there, holding what it holds, instead of trying the same for ever; one of ours goes on and
// finds the log refusing. A store that has died so is not closed any more, the process's end does that; what it had not
// written is in the journal.
type storeLog struct {
	log   *slog.Logger
	name  string
	fatal func(error)
}

func (l *storeLog) say(level slog.Level, format string, args []any) {
	if l.log.Enabled(context.Background(), level) {
		l.log.Log(context.Background(), level, "store", "part", l.name, "says", strings.TrimSpace(fmt.Sprintf(format, args...)))
	}
}

// Infof implements pebble.Logger.
func (l *storeLog) Infof(format string, args ...any) { l.say(slog.LevelDebug, format, args) }

// Errorf implements pebble.Logger.
func (l *storeLog) Errorf(format string, args ...any) { l.say(slog.LevelWarn, format, args) }

// Fatalf implements pebble.Logger.
func (l *storeLog) Fatalf(format string, args ...any) {
	l.say(slog.LevelError, format, args)
	l.fatal(fmt.Errorf(format, args...))
	if onPebblesGoroutine() {
		runtime.Goexit()
	}
}

// onPebblesGoroutine tells whether the goroutine was started by Pebble: whether the function at its bottom is one of Pebble's.
func onPebblesGoroutine() bool {
	pcs := make([]uintptr, 256)
	frames := runtime.CallersFrames(pcs[:runtime.Callers(1, pcs)])
	bottom := ""
	for {
		f, more := frames.Next()
		if f.Function != "" && f.Function != "runtime.goexit" {
			bottom = f.Function
		}
		if !more {
			return strings.HasPrefix(bottom, "github.com/cockroachdb/pebble/")
		}
	}
}

// storeConfig says how one of the two Pebble stores is opened.
type storeConfig struct {
	name     string // for messages
	dir      string
	fs       vfs.FS
	cache    *pebble.Cache
	memTable uint64
	wal      bool
	readOnly bool
	// mustExist is set if something says that the store was there before.
	mustExist bool
	logger    *slog.Logger
	// guard is told of errors after which nothing may be written any more, and of damage found while reading.
	guard *guard
}

// openStore opens a Pebble store, or says what is wrong with it.
func openStore(cfg storeConfig) (db *pebble.DB, err error) {
	if err := cfg.fs.MkdirAll(cfg.dir, 0o700); err != nil {
		return nil, &StoreError{"make the folder " + cfg.dir, err}
	}
	// Without its marker file a store looks like an empty folder to Pebble, which would then make a new one over it.
	if !cfg.mustExist {
		if cfg.mustExist, err = holdsTables(cfg.fs, cfg.dir); err != nil {
			return nil, &StoreError{"list the folder " + cfg.dir, err}
		}
	}
	if !cfg.mustExist && !cfg.readOnly {
		if err := clearHalfMade(cfg.fs, cfg.dir); err != nil {
			return nil, &StoreError{"clear what is left of a half-made store in " + cfg.dir, err}
		}
	}
	logger := &storeLog{cfg.logger, cfg.name, cfg.guard.die}
	o := &pebble.Options{
		FS: cfg.fs, Cache: cfg.cache, Logger: logger, FormatMajorVersion: storeFormat,
		DisableWAL: !cfg.wal, ReadOnly: cfg.readOnly, ErrorIfNotExists: cfg.mustExist,
		MemTableSize: cfg.memTable, MemTableStopWritesThreshold: 2,
		L0CompactionThreshold: 8, L0StopWritesThreshold: 24, LBaseMaxBytes: 256 << 20,
		MaxOpenFiles: 512,
		EventListener: &pebble.EventListener{
			DataCorruption: func(i pebble.DataCorruptionInfo) {
				cfg.guard.fail(fmt.Errorf("%w: file %s: %w", ErrDamaged, i.Path, i.Details))
			},
			BackgroundError: func(err error) { logger.Errorf("background work failed: %v", err) },
		},
	}
	for i := range o.Levels {
		// Most questions about an event id are answered "no such", which a filter on every level answers from memory.
		o.Levels[i] = pebble.LevelOptions{BlockSize: 8 << 10, IndexBlockSize: 256 << 10, FilterPolicy: bloom.FilterPolicy(10)}
	}
	// What is flushed is merged with the rest before long: to compress it for that time is work in vain.
	o.Levels[0].Compression = func() *sstable.CompressionProfile { return sstable.NoCompression }
	o.Levels[1].Compression = func() *sstable.CompressionProfile { return sstable.SnappyCompression }
	db, err = openOrDie(cfg, o)
	if err != nil {
		if pebble.IsCorruptionError(err) || errors.Is(err, pebble.ErrDBDoesNotExist) || strings.Contains(err.Error(), "does not exist") {
			err = fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		return nil, &StoreError{fmt.Sprintf("open the %s in %s", cfg.name, cfg.dir), err}
	}
	return db, nil
}

// openOrDie opens a store on a goroutine of its own: an opening whose background work has died waits for ever.
func openOrDie(cfg storeConfig, o *pebble.Options) (*pebble.DB, error) {
	type result struct {
		db  *pebble.DB
		err error
	}
	opened := make(chan result, 1)
	go func() {
		var r result
		// A damaged file can hold anything: a panic while it is read is an error of the file, and not of this process.
		defer func() {
			if p := recover(); p != nil {
				r.err = fmt.Errorf("%w: %v", ErrDamaged, p)
			}
			opened <- r
		}()
		r.db, r.err = pebble.Open(cfg.dir, o)
	}()
	select {
	case r := <-opened:
		return r.db, r.err
	case <-cfg.guard.dead:
		return nil, *cfg.guard.err.Load()
	}
}

// clearHalfMade removes the marker of a manifest that never came to disk, so that a store whose making a power cut broke off can be made
// anew. The folder has no file that only a finished store has; if a single byte of a write-ahead log lies in it all the same, it is left as
// it is, and opening it will say what is wrong.
func clearHalfMade(fs vfs.FS, dir string) error {
	names, err := fs.List(dir)
	if err != nil {
		return err
	}
	marker := ""
	for _, n := range names {
		switch {
		case strings.HasPrefix(n, "marker.manifest."):
			marker = n
		case strings.HasPrefix(n, "MANIFEST-"):
			return nil
		case strings.HasSuffix(n, ".log"):
			info, err := fs.Stat(fs.PathJoin(dir, n))
			if err != nil {
				return err
			}
			if info.Size() > 0 {
				return nil
			}
		}
	}
	if marker == "" {
		return nil
	}
	return fs.Remove(fs.PathJoin(dir, marker))
}

// holdsTables tells whether a folder has files that only a store has which was made to its end. Pebble writes a manifest, then the marker
// file that names it, then its options: a manifest alone is what is left of a process that was killed in between.
func holdsTables(fs vfs.FS, dir string) (bool, error) {
	names, err := fs.List(dir)
	for _, n := range names {
		if strings.HasSuffix(n, ".sst") || strings.HasPrefix(n, "OPTIONS-") {
			return true, nil
		}
	}
	return false, err
}

// mark is a third witness: up to where the store was flushed at least. Pebble answers a manifest whose end is damaged with an older state of
// the store, without a word, and the journal may have lost its end as well; the mark shows both.
type mark struct {
	Epoch [16]byte `cbor:"1,keyasint"`
	Seq   uint64   `cbor:"2,keyasint"`
	Hash  [32]byte `cbor:"3,keyasint"`
	Next  uint64   `cbor:"4,keyasint"`
}

// markFile keeps the mark beside the store, not inside it.
type markFile struct {
	fs    vfs.FS
	dir   string
	codec *canon.Codec[mark]
}

const markName = "log.mark"

// read gives the mark. A file that is not whole is an error; none at all is a mark of nothing.
func (f *markFile) read() (m mark, err error) {
	file, err := f.fs.Open(f.fs.PathJoin(f.dir, markName))
	if isNotExist(err) {
		return mark{}, nil
	}
	if err != nil {
		return mark{}, err
	}
	b, err := io.ReadAll(file)
	if err = errors.Join(err, file.Close()); err != nil {
		return mark{}, err
	}
	if len(b) < sha256.Size {
		return mark{}, fmt.Errorf("found %d bytes", len(b))
	}
	if sum := sha256.Sum256(b[sha256.Size:]); !bytes.Equal(sum[:], b[:sha256.Size]) {
		return mark{}, errors.New("its sum is wrong")
	}
	return m, f.codec.Decode(b[sha256.Size:], &m)
}

func isNotExist(err error) bool { return err != nil && errors.Is(err, errNotExist) }

// write replaces the mark; it is on disk when write returns.
func (f *markFile) write(m mark) error {
	b, err := f.codec.Append(make([]byte, sha256.Size), &m)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(b[sha256.Size:])
	copy(b, sum[:])
	path := f.fs.PathJoin(f.dir, markName)
	file, err := f.fs.Create(path+".new", vfs.WriteCategoryUnspecified)
	if err != nil {
		return err
	}
	_, err = file.Write(b)
	if err = errors.Join(err, file.Sync(), file.Close()); err != nil {
		return err
	}
	if err := f.fs.Rename(path+".new", path); err != nil {
		return err
	}
	return syncFolder(f.fs, f.dir)
}

// syncFolder makes the entries of a folder durable: a file that is synced in a folder whose own entry is not may be gone after a
// power cut, with the folder.
func syncFolder(fs vfs.FS, dir string) error {
	f, err := fs.OpenDir(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// guard keeps the first error after which nothing may be written to a store.
type guard struct {
	err  atomic.Pointer[error]
	tell func(error)
	// dead is closed when a store has died: it cannot be flushed or closed any more.
	dead chan struct{}
	once sync.Once
}

// fail takes note of an error that makes the store unfit to be written to.
func (g *guard) fail(err error) {
	if g.err.CompareAndSwap(nil, &err) {
		g.tell(err)
	}
}

// die takes note of an error that a store did not survive.
func (g *guard) die(err error) {
	g.fail(err)
	g.once.Do(func() { close(g.dead) })
}

// failed gives the first error, if there was one.
func (g *guard) failed() error {
	if err := g.err.Load(); err != nil {
		return *err
	}
	return nil
}

func (g *guard) isDead() bool {
	select {
	case <-g.dead:
		return true
	default:
		return false
	}
}
