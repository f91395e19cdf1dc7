//go:build !js

package eventlog

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/canon"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Options say where and how a Log is kept.
type Options struct {
	// Dir is the node's data folder; the log lies in Dir/log, private values in Dir/openings, their keys in Dir/openings.keys.
	Dir string
	// FS is the file system; nil: the disk's.
	FS vfs.FS
	// Logger gets the store's words and what the log finds; nil: nobody.
	Logger *slog.Logger
	// ReadOnly opens the store without changing it.
	ReadOnly bool
	// CacheBytes is the size of the block cache; 0: 32 MiB. MemTableBytes is the size of one memtable, of which there are two; 0: 32 MiB.
	CacheBytes    int64
	MemTableBytes uint64
	// FlushEvery is how long an applied block may live in memory and the journal only; 0: 30 s. Negative: only when a memtable is full.
	FlushEvery time.Duration
	// Accounts is how many decoded accounts are kept; 0: 16,384.
	Accounts int
}

func (o *Options) setDefaults() {
	if o.FS == nil {
		o.FS = vfs.Default
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.CacheBytes == 0 {
		o.CacheBytes = 32 << 20
	}
	if o.MemTableBytes == 0 {
		o.MemTableBytes = 32 << 20
	}
	if o.FlushEvery == 0 {
		o.FlushEvery = 30 * time.Second
	}
	if o.Accounts == 0 {
		o.Accounts = 16_384
	}
}

var _ State = (*Log)(nil)

// Log is a node's copy of the log.
//
// # Two copies, neither trusted alone
//
// The journal holds the blocks as they were sealed; the store holds the same events ready for reading. A block is committed when the
// journal acknowledges it, so the journal comes first and the store is behind by what is in memory only: it writes no log of
// its own, and after a crash the missing end is replayed from the journal. What the store has was acknowledged, always.
//
// Neither notices all damage to itself. One flipped byte can make the journal's server drop a message and all behind it in the same
// file, and count on from there as if they had never been; a manifest with a damaged end takes the store back to an older state. A copy that is
// shorter than it was looks exactly like one that was never longer. So each block names the hash of the one before, the store
// knows the sequence and hash of the last block that it applied, and a small file beside it (the mark) knows up to where the store was flushed.
// At start the three are compared (CatchUp). If they fit, the store is brought up to the journal's end. If they do not,
// what is wrong is named, with its positions, and the log takes no events: the other copy still has what is missing, and
// appending would make the two differ for ever.
//
// # Who may do what
//
// One goroutine at a time stages and commits. Everybody may read, at any time; a read sees whole blocks only for single
// questions, and the head moves after the records are there.
type Log struct {
	opts     Options
	db       *pebble.DB
	openings *pebble.DB
	// openingKeys are the keys of what is in openings. sealing is held while some are made or destroyed.
	openingKeys *keyFile
	sealing     sync.Mutex
	cache       *pebble.Cache
	codecs      *codecs
	mark        markFile

	lots    *memo[account.Lot]
	lines   *memo[account.Line]
	parties *memo[account.Party]
	owners  *memo[string] // of keys and tokens
	signed  *memo[blockSigners]
	state   atomic.Pointer[account.Log]
	known   *sieve

	guard guard
	// readOnly is the refusal that callers get once something was found to be wrong.
	readOnly atomic.Pointer[fault.Error]

	// Owned by the goroutine that stages and commits.
	writer writer // reused from block to block
	// flushed is the mark as found at start.
	flushed mark

	mu      sync.RWMutex
	head    Head          // guarded by mu
	edge    *edge         // replaced under mu by the goroutine that stages and commits, which alone reads it without; never changed in place
	grown   chan struct{} // guarded by mu; closed and replaced when head moves
	recent  []*Applied    // guarded by mu; the last blocks, oldest first
	inBytes int           // guarded by mu; their size

	stop context.CancelFunc
	wg   sync.WaitGroup
}

var errNotExist = fs.ErrNotExist

// Open opens the log in a data folder, or makes an empty one. What it holds is not compared with the journal yet: see CatchUp.
func Open(o Options) (*Log, error) {
	o.setDefaults()
	l := &Log{
		opts: o, codecs: newCodecs(), grown: make(chan struct{}), edge: &edge{},
		lots: newMemo[account.Lot](o.Accounts), lines: newMemo[account.Line](o.Accounts), parties: newMemo[account.Party](o.Accounts),
		owners: newMemo[string](4096), signed: newMemo[blockSigners](signersKept),
		mark: markFile{o.FS, o.Dir, canon.For[mark]()}, known: newSieve(),
	}
	l.guard.tell, l.guard.dead = l.storeFailed, make(chan struct{})
	if err := o.FS.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, &StoreError{"make the folder " + o.Dir, err}
	}
	var err error
	if l.flushed, err = l.mark.read(); err != nil {
		// It is a witness only, and the two copies stand without it. It is written anew with the next flush.
		o.Logger.Error("damaged file", "file", markName, "error", err)
	}
	l.cache = pebble.NewCache(o.CacheBytes)
	if err := l.open(); err != nil {
		return nil, errors.Join(err, l.closeStores())
	}
	ctx, stop := context.WithCancel(context.Background())
	l.stop = stop
	l.wg.Go(func() { l.fillSieve(ctx) })
	if !o.ReadOnly && o.FlushEvery > 0 {
		l.wg.Go(func() { l.flushNowAndThen(ctx) })
	}
	return l, nil
}

func (l *Log) open() (err error) {
	cfg := storeConfig{
		name: "log store", dir: l.opts.FS.PathJoin(l.opts.Dir, "log"), fs: l.opts.FS, cache: l.cache, memTable: l.opts.MemTableBytes,
		readOnly: l.opts.ReadOnly, mustExist: l.flushed.Seq > 0, logger: l.opts.Logger, guard: &l.guard,
	}
	if l.db, err = openStore(cfg); err != nil {
		return err
	}
	cfg.name, cfg.dir, cfg.memTable = "store of private values", l.opts.FS.PathJoin(l.opts.Dir, "openings"), 4<<20
	cfg.wal, cfg.mustExist = true, false
	if l.openings, err = openStore(cfg); err != nil {
		return err
	}
	if l.openingKeys, err = openKeyFile(l.opts.FS, l.opts.FS.PathJoin(l.opts.Dir, keyFileName), l.opts.ReadOnly); err != nil {
		return &StoreError{"open the keys of private values in " + keyFileName, err}
	}
	if !l.opts.ReadOnly {
		for _, dir := range []string{l.opts.Dir, l.opts.FS.PathDir(l.opts.Dir)} {
			if err := syncFolder(l.opts.FS, dir); err != nil {
				return &StoreError{"sync the folder " + dir, err}
			}
		}
	}
	if !l.opts.ReadOnly {
		if err := l.sealPlain(); err != nil {
			return err
		}
	}
	return l.load()
}

// load reads where the log stands.
func (l *Log) load() error {
	b, err := l.get(headKey())
	if err != nil || b == nil {
		return err
	}
	var r headRecord
	if err := l.codecs.head.Decode(b, &r); err != nil {
		return l.bad(headKey(), err)
	}
	tree, err := block.LoadTree(r.Next, r.Frontier)
	if err != nil {
		return l.bad(headKey(), err)
	}
	l.head = Head{Epoch: r.Epoch, LogName: r.LogName, Seq: r.Seq, Hash: r.Hash, Next: r.Next, RecordedAt: r.RecordedAt, tree: *tree}
	if l.edge, err = l.loadEdge(r.Next); err != nil {
		return err
	}
	b, err = l.get(stateKey())
	if err != nil {
		return err
	}
	var state account.Log
	if b == nil {
		return l.bad(stateKey(), errors.New("there is none"))
	}
	if err := l.codecs.state.Decode(b, &state); err != nil {
		return l.bad(stateKey(), err)
	}
	l.state.Store(&state)
	return nil
}

// Close flushes what is in memory and closes the stores.
func (l *Log) Close() error {
	l.stop()
	l.wg.Wait()
	var err error
	if !l.opts.ReadOnly && l.guard.failed() == nil {
		// With the private values flushed too, nothing is left to a log of writes, whose damaged end would be taken for its end.
		err = errors.Join(l.Flush(), l.flush(l.openings))
	}
	return errors.Join(err, l.closeStores())
}

func (l *Log) closeStores() (err error) {
	if l.guard.isDead() {
		return l.guard.failed()
	}
	for _, db := range []*pebble.DB{l.db, l.openings} {
		if db != nil {
			err = errors.Join(err, db.Close())
		}
	}
	if l.openingKeys != nil {
		err = errors.Join(err, l.openingKeys.close())
	}
	l.cache.Unref()
	return err
}

// flushNowAndThen bounds how much of the journal a start has to replay.
func (l *Log) flushNowAndThen(ctx context.Context) {
	tick := time.NewTicker(l.opts.FlushEvery)
	defer tick.Stop()
	var last uint64
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if seq := l.Head().Seq; seq != last && l.guard.failed() == nil {
			if err := l.Flush(); err != nil {
				l.opts.Logger.ErrorContext(ctx, "flush failed", "error", err)
				continue
			}
			last = seq
		}
	}
}

// flushWithin bounds the wait for a flush. On a disk that takes nothing the store tries again and again, and says so in its log.
const flushWithin = time.Minute

// flush puts a store's memory on disk.
func (l *Log) flush(db *pebble.DB) error {
	flushed, err := db.AsyncFlush()
	if err != nil {
		return &StoreError{"flush", err}
	}
	select {
	case <-flushed:
		return nil
	case <-l.guard.dead:
		return &StoreError{"flush", l.guard.failed()}
	case <-time.After(flushWithin):
		return &StoreError{"flush", fmt.Errorf("not done within %s", flushWithin)}
	}
}

// Flush puts on disk what is applied, and then says so in the mark.
func (l *Log) Flush() error {
	if err := l.guard.failed(); err != nil {
		return &StoreError{"flush", err}
	}
	h := l.Head()
	if err := l.flush(l.db); err != nil {
		return err
	}
	if err := l.mark.write(mark{h.Epoch, h.Seq, h.Hash, h.Next}); err != nil {
		return &StoreError{"write " + markName, err}
	}
	return nil
}

// Head says where the log stands: everything before Head().Next is applied.
func (l *Log) Head() Head {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.head
}

// Next gives the position of the next event, and the log's epoch: everything before it is applied.
func (l *Log) Next() (position uint64, epoch [16]byte) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.head.Next, l.head.Epoch
}

// Wait returns once the event at a position is applied (at once if it is already), or with the context's error.
func (l *Log) Wait(ctx context.Context, position uint64) error {
	for {
		l.mu.RLock()
		next, grown := l.head.Next, l.grown
		l.mu.RUnlock()
		if next > position {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-grown:
		}
	}
}

// ReadOnly gives the refusal for whoever wants to append, once something is wrong with the log; nil: nothing is.
func (l *Log) ReadOnly() *fault.Error { return l.readOnly.Load() }

// Refuse makes the log take no more events, and says why.
func (l *Log) Refuse(why *Mismatch) {
	if l.readOnly.CompareAndSwap(nil, why.Fault()) {
		l.opts.Logger.Error("log is read only", "copy", why.Copy, "block", why.Seq, "from", why.From, "to", why.To, "error", why.Err)
	}
}

// storeFailed is told of the first fatal error of a store.
func (l *Log) storeFailed(err error) {
	l.Refuse(&Mismatch{Copy: "store", From: 0, To: Unbounded, Err: err})
}

// get reads a record; nil: there is none. The bytes are the caller's.
func (l *Log) get(key []byte) ([]byte, error) {
	v, closer, err := l.db.Get(key)
	if errors.Is(err, pebble.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, l.bad(key, err)
	}
	out := append(make([]byte, 0, len(v)), v...)
	return out, closer.Close()
}

// bad reports a record that cannot be read.
func (l *Log) bad(key []byte, err error) error {
	err = &StoreError{"read the " + describeKey(key), err}
	l.guard.fail(err)
	return err
}

// Applied is a block with its events, decoded.
type Applied struct {
	Seq    uint64
	Hash   [32]byte
	Block  *block.Block
	Events []*opal.Recorded
	size   int
}

// recentBytes bounds the blocks that are kept decoded for those who follow the log's end.
const recentBytes = 2 << 20

// remember keeps a block for followers. Called with mu held.
func (l *Log) remember(s *Sealed) {
	a := &Applied{Seq: s.Seq, Hash: s.Hash, Block: s.Block, Events: make([]*opal.Recorded, len(s.Draft.events)), size: len(s.Bytes)}
	for i, e := range s.Draft.events {
		a.Events[i] = e.Recorded
	}
	l.recent = append(l.recent, a)
	l.inBytes += a.size
	for l.inBytes > recentBytes && len(l.recent) > 1 {
		l.inBytes -= l.recent[0].size
		l.recent[0] = nil
		l.recent = l.recent[1:]
	}
}

func (s *Sealed) String() string {
	return fmt.Sprintf("block %d, positions %d to %d", s.Seq, s.Block.First, s.After.Next-1)
}
