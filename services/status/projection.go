package status

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path"
	"strings"
	"sync"
	"time"

	"github.com/cockroachdb/pebble/v2/vfs"

	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/evidence"
)

const (
	// flushEvery is how much of the fold a crash may take back, to be done again.
	flushEvery = 30 * time.Second
	// gather is how long blocks may pile up under load when nobody waits for them: a lot that several of them touch is then written once.
	gather = 10 * time.Millisecond
	// groupEvents bounds what is folded in one go, and so how long a reader waits for a fold that is under way.
	groupEvents = 2048
)

// projection keeps a store at the log's heels. It runs two goroutines: one folds, one tells alerts.
type projection struct {
	log    Log
	handle func(lot string) string
	logger *slog.Logger
	fs     vfs.FS
	dir    string // the data directory
	watch  *registry

	// folding is held while a block is folded, so that a rebuild can stop the fold for a moment. It guards folder.
	folding sync.Mutex
	folder  *folder

	// swap guards live: readers share it, a rebuild takes it alone to put another store in its place.
	swap sync.RWMutex
	live *view

	// rebuilding is held by the one rebuild that may be under way.
	rebuilding sync.Mutex

	// jobs wakes the teller; stopWalk ends the walk that it is on.
	jobs     chan struct{}
	walkMu   sync.Mutex
	stopWalk context.CancelFunc // guarded by walkMu

	// ratios remembers likelihood ratios: they follow from counts alone.
	ratios *evidence.Ratios
	place  place
	run    sync.WaitGroup
	stop   context.CancelFunc
	closed func() error
}

// view is what a reader reads.
type view struct {
	store    *store
	policies *policies
	jobs     *jobs
	counts   *validations
	doubts   *compromises
	ratios   *evidence.Ratios
	// references are what is remembered of known stones.
	references *references
}

func name(dir string) string { return path.Join(dir, fmt.Sprintf("status-%d", schema)) }

// openProjection opens the projection of a log and starts to follow it.
func openProjection(log Log, handle func(string) string, fs vfs.FS, dir string, logger *slog.Logger) (*projection, error) {
	p := &projection{
		log: log, handle: handle, logger: logger, fs: fs, dir: dir, watch: newRegistry(), jobs: make(chan struct{}, 1),
		ratios: &evidence.Ratios{},
	}
	p.place.changed, p.place.wanted = make(chan struct{}), make(chan struct{}, 1)
	p.closed = sync.OnceValue(p.close)
	if err := fs.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the data directory: %w", err)
	}
	f, err := p.openFolder(name(dir))
	if err != nil {
		// Whatever is wrong with it: it can be made anew. If it is the disk that is at fault, that fails too.
		logger.Warn("the projection cannot be read and is made anew", "error", err.Error())
		if err := fs.RemoveAll(name(dir)); err != nil {
			return nil, fmt.Errorf("remove the damaged projection: %w", err)
		}
		if f, err = p.openFolder(name(dir)); err != nil {
			return nil, err
		}
	}
	p.attach(f)
	stale := false
	if err := p.belongs(f); errors.Is(err, errOtherLog) {
		logger.Warn("the projection is made anew", "because", err.Error())
		stale = true
	} else if err != nil {
		return nil, errors.Join(err, f.store.close())
	}
	ctx, cancel := context.WithCancel(context.Background())
	p.stop = cancel
	p.run.Go(func() { p.follow(ctx, stale) })
	p.run.Go(func() { p.tellAll(ctx) })
	return p, nil
}

// openFolder opens a store, or makes an empty one, with the folder that goes on where it stands.
func (p *projection) openFolder(dir string) (*folder, error) {
	s, err := openStore(p.fs, dir, p.logger)
	if err != nil {
		return nil, err
	}
	f, err := p.newFolder(s)
	if err != nil {
		return nil, errors.Join(err, s.close())
	}
	return f, nil
}

// newFolder makes the folder that goes on where a store stands.
func (p *projection) newFolder(s *store) (*folder, error) {
	m, err := s.meta()
	if err != nil {
		return nil, err
	}
	f := &folder{store: s, log: p.log, handle: p.handle, ratios: p.ratios, references: &references{sets: map[int]*referenceSet{}}}
	if m != nil {
		f.at = *m
	}
	if f.policies, err = loadPolicies(s); err != nil {
		return nil, err
	}
	if f.validations, err = loadValidations(s); err != nil {
		return nil, err
	}
	if f.compromises, err = loadCompromises(s); err != nil {
		return nil, err
	}
	f.jobs, err = loadJobs(s)
	return f, err
}

// attach makes a folder's store the one that is read. It is called with nobody reading.
func (p *projection) attach(f *folder) {
	f.watch = p.watch
	p.folder = f
	p.live = &view{f.store, f.policies, f.jobs, f.validations, f.compromises, p.ratios, f.references}
}

// belongs checks that a store is the projection of this log: that the log has the block at which the store stands.
func (p *projection) belongs(f *folder) error {
	if f.at.Next == 0 {
		return nil
	}
	next, epoch := p.log.Next()
	if epoch != f.at.Epoch {
		return fmt.Errorf("it is of epoch %x, the log's is %x: %w", f.at.Epoch, epoch, errOtherLog)
	}
	if f.at.Next > next {
		return fmt.Errorf("it stands at %d, the log at %d: %w", f.at.Next, next, errOtherLog)
	}
	found := errors.New("found")
	same := false
	err := p.log.Tail(f.at.Next-1, func(a *eventlog.Applied) error {
		same = a.Block.First+uint64(len(a.Events)) == f.at.Next && a.Hash == f.at.Block
		return found
	})
	if err != nil && !errors.Is(err, found) {
		return fmt.Errorf("read the block at %d: %w", f.at.Next-1, err)
	}
	if !same {
		return fmt.Errorf("its last block, before %d, is not the log's: %w", f.at.Next, errOtherLog)
	}
	return nil
}

// close stops following and writes everything to disk; see closed, which does it once.
func (p *projection) close() error {
	p.stop()
	p.run.Wait()
	p.watch.close()
	p.swap.Lock()
	defer p.swap.Unlock()
	return p.live.store.close()
}

// follow folds what the log applies, until it is stopped.
func (p *projection) follow(ctx context.Context, stale bool) {
	pause := time.Second
	flush := time.NewTicker(flushEvery)
	defer flush.Stop()
	first := true
	for ctx.Err() == nil {
		var err error
		if stale {
			if err = p.rebuild(ctx); err == nil {
				stale = false
			}
		} else {
			err = p.catchUp(ctx)
		}
		if err != nil && ctx.Err() == nil {
			stale = stale || errors.Is(err, errOtherLog) || errors.Is(err, errBroken)
			p.place.fail(err)
			p.logger.Error("the projection does not go on", "error", err.Error(), "anew", stale)
			wait(ctx, pause)
			pause = min(2*pause, flushEvery)
			continue
		}
		pause = time.Second
		if first && !stale && ctx.Err() == nil {
			p.removeOld()
			first = false
		}
		folded := time.Now()
		p.await(ctx, flush.C)
		p.place.linger(ctx, gather-time.Since(folded))
	}
}

// await waits for the next block, flushing now and then.
func (p *projection) await(ctx context.Context, flush <-chan time.Time) {
	select {
	case <-flush:
		v, done := p.read()
		if _, err := v.store.db.AsyncFlush(); err != nil {
			p.logger.Error("the projection cannot be flushed", "error", err.Error())
		}
		done()
	default:
	}
	bounded, cancel := context.WithTimeout(ctx, flushEvery)
	defer cancel()
	if err := p.log.Wait(bounded, p.standing()); err != nil && bounded.Err() == nil {
		p.logger.Error("the log cannot be followed", "error", err.Error())
		wait(ctx, time.Second)
	}
}

// standing is the position of the event that is folded next.
func (p *projection) standing() uint64 {
	p.folding.Lock()
	defer p.folding.Unlock()
	return p.folder.at.Next
}

func (p *projection) trouble() error {
	v, done := p.read()
	defer done()
	return v.store.trouble()
}

// catchUp folds all applied blocks.
func (p *projection) catchUp(ctx context.Context) error {
	if err := p.trouble(); err != nil {
		return err
	}
	stands := p.standing()
	if next, _ := p.log.Next(); next == stands {
		p.place.reach(next)
		return nil
	}
	return inGroups(ctx, p.log, stands, p.fold)
}

// fold folds some blocks that follow each other, and lets readers and watches know.
func (p *projection) fold(group []*eventlog.Applied) error {
	p.folding.Lock()
	defer p.folding.Unlock()
	if err := p.folder.store.trouble(); err != nil {
		return err
	}
	for len(group) > 0 && group[0].Block.First+uint64(len(group[0].Events)) <= p.folder.at.Next {
		group = group[1:] // a rebuild folded it while this waited
	}
	if len(group) == 0 {
		return nil
	}
	if err := p.folder.blocks(group); err != nil {
		return err
	}
	// A watch must have its candidates before it can see that the position is reached, or it would pass them by; and one that looked in
	// between found nothing reached yet, so it has to look again.
	p.place.reach(p.folder.at.Next)
	for i := range p.folder.told {
		p.watch.reached(&p.folder.told[i])
	}
	p.wakeTeller()
	return nil
}

// inGroups gives out the blocks that a log has applied from a position on, as many at once as there are, up to groupEvents.
func inGroups(ctx context.Context, log Log, from uint64, fold func([]*eventlog.Applied) error) error {
	var group []*eventlog.Applied
	events := 0
	err := log.Tail(from, func(a *eventlog.Applied) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		group = append(group, a)
		if events += len(a.Events); events < groupEvents {
			return nil
		}
		full := group
		group, events = nil, 0
		return fold(full)
	})
	if err != nil || len(group) == 0 {
		return err
	}
	return fold(group)
}

func (p *projection) wakeTeller() {
	select {
	case p.jobs <- struct{}{}:
	default:
	}
}

// tellAll does the jobs that the fold leaves.
func (p *projection) tellAll(ctx context.Context) {
	for ctx.Err() == nil {
		more, err := p.tellNext(ctx)
		switch {
		case errors.Is(err, errStopped):
		case err != nil:
			p.logger.Error("alerts cannot be told", "error", err.Error())
			wait(ctx, time.Second)
		case !more:
			select {
			case <-p.jobs:
			case <-ctx.Done():
			}
		}
	}
}

// tellNext does the oldest job, if there is one.
func (p *projection) tellNext(ctx context.Context) (more bool, err error) {
	p.swap.RLock()
	defer p.swap.RUnlock()
	walking, cancel := context.WithCancel(ctx)
	defer cancel()
	p.walkMu.Lock()
	p.stopWalk = cancel
	p.walkMu.Unlock()
	more, err = tell(walking, p.live.store, p.live.jobs, p.watch.alerted)
	if more {
		p.watch.passed()
	}
	return more, err
}

// read gives a reader the store for as long as it needs it; done must be called.
func (p *projection) read() (v *view, done func()) {
	p.swap.RLock()
	return p.live, p.swap.RUnlock
}

// rebuild makes the projection anew beside the one that is read, and then puts it in its place.
func (p *projection) rebuild(ctx context.Context) error {
	p.rebuilding.Lock()
	defer p.rebuilding.Unlock()
	beside := name(p.dir) + ".rebuild"
	if err := p.fs.RemoveAll(beside); err != nil {
		return fmt.Errorf("remove an unfinished rebuild: %w", err)
	}
	f, err := p.openFolder(beside)
	if err != nil {
		return err
	}
	if err := p.fill(ctx, f); err != nil {
		return errors.Join(fmt.Errorf("rebuild the projection: %w", err), f.store.close())
	}
	p.folding.Lock()
	defer p.folding.Unlock()
	if err := p.fill(ctx, f); err != nil {
		return errors.Join(fmt.Errorf("rebuild the projection: %w", err), f.store.close())
	}
	if err := f.store.close(); err != nil {
		return fmt.Errorf("rebuild the projection: %w", err)
	}
	return p.replace(beside)
}

// fill folds all applied blocks into a store beside, and tells its alerts.
func (p *projection) fill(ctx context.Context, f *folder) error {
	err := inGroups(ctx, p.log, f.at.Next, f.blocks)
	if err != nil {
		return err
	}
	for more := true; more && err == nil; {
		more, err = tell(ctx, f.store, f.jobs, func([]string, uint64) {})
	}
	return err
}

// replace puts the store in a directory in the place of the one that is read. It is called with the fold stopped.
func (p *projection) replace(beside string) error {
	p.walkMu.Lock()
	if p.stopWalk != nil {
		p.stopWalk()
	}
	p.walkMu.Unlock()
	p.swap.Lock()
	defer p.swap.Unlock()
	old := name(p.dir) + ".old"
	if err := p.live.store.close(); err != nil {
		p.logger.Warn("the old projection did not close well", "error", err.Error())
	}
	move := func() error {
		if err := p.fs.RemoveAll(old); err != nil {
			return err
		}
		if err := p.fs.Rename(name(p.dir), old); err != nil {
			return err
		}
		return p.fs.Rename(beside, name(p.dir))
	}
	moved := move()
	f, err := p.openFolder(name(p.dir))
	if err != nil {
		err = errors.Join(moved, err)
		p.place.set(0) // the old one is closed, and nothing can be read
		return fmt.Errorf("open the new projection: %w: %w", errBroken, err)
	}
	p.attach(f)
	if moved != nil {
		return fmt.Errorf("put the new projection in place: %w", moved)
	}
	p.place.set(f.at.Next)
	return p.fs.RemoveAll(old)
}

// removeOld removes what rebuilds and other versions of this program left.
func (p *projection) removeOld() {
	list, err := p.fs.List(p.dir)
	if err != nil {
		p.logger.Warn("old projections cannot be listed", "error", err.Error())
		return
	}
	for _, entry := range list {
		full := path.Join(p.dir, entry)
		if !strings.HasPrefix(entry, "status-") || full == name(p.dir) {
			continue
		}
		if err := p.fs.RemoveAll(full); err != nil {
			p.logger.Warn("an old projection cannot be removed", "directory", entry, "error", err.Error())
		}
	}
}

// place is how far the projection has come.
type place struct {
	mu      sync.Mutex
	next    uint64        // guarded by mu
	failed  error         // guarded by mu: why it does not go on
	changed chan struct{} // guarded by mu: closed when the above change
	// wanted wakes a fold that lets blocks pile up, because somebody waits for them.
	wanted chan struct{}
}

// hurry asks for what has been applied to be folded now.
func (p *place) hurry() {
	select {
	case p.wanted <- struct{}{}:
	default:
	}
}

// linger waits a while, unless somebody is in a hurry.
func (p *place) linger(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-p.wanted:
	case <-ctx.Done():
	}
}

func (p *place) reach(next uint64) { p.update(next, false) }
func (p *place) set(next uint64)   { p.update(next, true) }

func (p *place) update(next uint64, back bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if next < p.next && !back || next == p.next && p.failed == nil {
		return
	}
	p.next, p.failed = next, nil
	close(p.changed)
	p.changed = make(chan struct{})
}

func (p *place) fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.failed = err
	close(p.changed)
	p.changed = make(chan struct{})
}

// now answers how far it is, a channel that is closed when that changes, and why it does not go on, if so.
func (p *place) now() (next uint64, changed <-chan struct{}, failed error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.next, p.changed, p.failed
}

// wait waits a while.
func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
