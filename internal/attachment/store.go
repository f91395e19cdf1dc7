package attachment

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"sync"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// MaxBytes is the largest file, 16 MiB.
const MaxBytes = 16 << 20

// incoming is the folder of files that are being written.
const incoming = "incoming"

// ErrMissing says that a file is not here.
var ErrMissing = errors.New("the file is not here")

// ErrDamaged says that a file is not what its name says any more. It stays where it is; putting the content again mends it.
var ErrDamaged = errors.New("the file is damaged")

// Hash is a file's name: the SHA-256 of its content.
type Hash = [sha256.Size]byte

// Stored says what was put.
type Stored struct {
	Hash      Hash
	MediaType string
	Size      int64
	// Known: the same content was here already.
	Known bool
}

// Store is a folder of files. It is safe for many callers at once.
//
// A file is there for good once three things are on disk: its content, its name in its folder, and its folder's name in the root. Who finds a file that
// another caller has just named, or that a node which then crashed had named, must not be told that it is stored before they are. So each folder has a lock,
// and remembers whether anything in it is not known to be on disk.
type Store struct {
	root    *os.Root
	folders [256]folder
	o       Options
}

// folder is one of the folders that files lie in.
type folder struct {
	mu sync.Mutex
	// settled: the names in it are on disk. rooted: its own is. Guarded by mu; a store that was just opened knows neither.
	settled, rooted bool
}

// Options of a store.
type Options struct {
	// Free says how many bytes are free where the files lie; nil: nobody asks. An upload that would leave less than Reserve (0: 256 MiB) is refused: what it would
	// take is what the log needs.
	Free    func() (uint64, error)
	Reserve uint64

	// sync is what tests put in place of (*os.File).Sync.
	sync func(*os.File) error
}

// Open opens a store, and makes it if it is not there; the folder that it lies in must be. What was left of uploads that were cut off is removed.
func Open(dir string, o Options) (*Store, error) {
	if o.sync == nil {
		o.sync = (*os.File).Sync
	}
	if o.Reserve == 0 {
		o.Reserve = 256 << 20
	}
	if err := os.Mkdir(dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("make the folder of attachments: %w", err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("open the folder of attachments: %w", err)
	}
	s := &Store{root: root, o: o}
	if err := s.syncAbove(dir); err != nil {
		return nil, errors.Join(fmt.Errorf("make the folder of attachments: %w", err), root.Close())
	}
	err = root.RemoveAll(incoming)
	if err == nil {
		err = root.Mkdir(incoming, 0o700)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("clear what was left of uploads: %w", err), root.Close())
	}
	return s, nil
}

// syncAbove puts the root's own name on disk, whoever made it: the node that did may have crashed right after.
func (s *Store) syncAbove(dir string) error {
	d, err := os.Open(filepath.Dir(filepath.Clean(dir)))
	if err != nil {
		return err
	}
	return errors.Join(s.o.sync(d), d.Close())
}

// Close ends it; files that are being read can be read to their end.
func (s *Store) Close() error { return s.root.Close() }

// place is where a file lies: its first byte is a folder, so that none grows too large.
func place(h Hash) (folder, name string) {
	text := hex.EncodeToString(h[:])
	return text[:2], path.Join(text[:2], text[2:])
}

// Put stores what it reads under its SHA-256. want, if not nil, is what the hash must be. A refusal is a *fault.Error; any other error is the reader's or the
// disk's. After an error nothing is stored.
func (s *Store) Put(ctx context.Context, r io.Reader, mediaType string, want *Hash) (out Stored, err error) {
	media, strict, f := stated(mediaType)
	if f != nil {
		return out, f
	}
	if f := s.room(0); f != nil {
		return out, f
	}
	temp := path.Join(incoming, rand.Text())
	file, err := s.root.OpenFile(temp, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return out, fmt.Errorf("begin an attachment: %w", err)
	}
	done := false
	defer func() {
		if !done {
			err = errors.Join(err, file.Close(), s.root.Remove(temp))
		}
	}()
	look := newChecker(media, strict)
	sum := sha256.New()
	buf := make([]byte, 64<<10)
	for {
		if err := ctx.Err(); err != nil {
			return out, fmt.Errorf("receive an attachment: %w", err)
		}
		n, rerr := r.Read(buf)
		if look.size+int64(n) > MaxBytes {
			return out, fault.New(fault.TooLarge, "", "found more than %d bytes, accepted are at most %d", MaxBytes, MaxBytes)
		}
		if f := s.room(n); f != nil {
			return out, f
		}
		look.write(buf[:n])
		sum.Write(buf[:n])
		if _, err := file.Write(buf[:n]); err != nil {
			return out, fmt.Errorf("write an attachment: %w", err)
		}
		if rerr == io.EOF {
			break
		}
		if rerr != nil {
			return out, fmt.Errorf("receive an attachment: %w", rerr)
		}
	}
	if f := look.end(); f != nil {
		return out, f
	}
	out = Stored{MediaType: media, Size: look.size}
	sum.Sum(out.Hash[:0])
	if want != nil && *want != out.Hash {
		return Stored{}, fault.New(fault.InvalidField, "sha256", "found %x, and what arrived is a file whose SHA-256 is %x; accepted are those that agree", *want, out.Hash)
	}
	in := &s.folders[out.Hash[0]]
	in.mu.Lock()
	defer in.mu.Unlock()
	switch err := s.known(out.Hash); {
	case err == nil:
		out.Known = true
		return out, nil // and what was written just now goes
	case !errors.Is(err, ErrMissing) && !errors.Is(err, ErrDamaged):
		return Stored{}, err
	}
	if err := s.o.sync(file); err != nil {
		return Stored{}, fmt.Errorf("write an attachment: %w", err)
	}
	if err := file.Close(); err != nil {
		return Stored{}, fmt.Errorf("write an attachment: %w", err)
	}
	done = true
	if err := s.keep(temp, out.Hash); err != nil {
		return Stored{}, fmt.Errorf("keep an attachment: %w", errors.Join(err, ignoreMissing(s.root.Remove(temp))))
	}
	return out, nil
}

// room says why n bytes more cannot be taken, if so. Free space that is not known refuses nothing: then the disk itself does.
func (s *Store) room(n int) *fault.Error {
	if s.o.Free == nil {
		return nil
	}
	free, err := s.o.Free()
	if err != nil || free >= s.o.Reserve && free-s.o.Reserve >= uint64(n) {
		return nil
	}
	return fault.New(fault.DiskReserve, "", "found %d MiB free where the files lie, accepted are uploads that leave %d MiB; they are taken again when there is more",
		free>>20, s.o.Reserve>>20).Retry(30 * time.Second)
}

// known tells that a file is here already, whole and on disk. Its folder is locked.
func (s *Store) known(h Hash) error {
	_, name := place(h)
	file, err := s.open(name)
	if err != nil {
		return err
	}
	defer file.Close()
	if err := check(file, h); err != nil {
		return err
	}
	if err := s.o.sync(file); err != nil { // it may have been put here by a copy of the folder
		return fmt.Errorf("keep an attachment: %w", err)
	}
	if err := s.settle(h); err != nil {
		return fmt.Errorf("keep an attachment: %w", err)
	}
	return nil
}

// keep gives a written file its name. Its folder is locked. After an error the name is gone: a later sync that succeeds would not tell that this one is on disk.
func (s *Store) keep(temp string, h Hash) error {
	folder, name := place(h)
	if err := s.root.Mkdir(folder, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if err := s.root.Rename(temp, name); err != nil {
		return err
	}
	s.folders[h[0]].settled = false
	if err := s.settle(h); err != nil {
		return errors.Join(err, ignoreMissing(s.root.Remove(name)))
	}
	return nil
}

// settle puts the names in a folder and its own on disk, as far as they are not known to be. The folder is locked.
func (s *Store) settle(h Hash) error {
	f := &s.folders[h[0]]
	name, _ := place(h)
	if !f.settled {
		if err := s.syncFolder(name); err != nil {
			return err
		}
		f.settled = true
	}
	if !f.rooted {
		if err := s.syncFolder("."); err != nil {
			return err
		}
		f.rooted = true
	}
	return nil
}

func (s *Store) syncFolder(folder string) error {
	d, err := s.root.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(s.o.sync(d), d.Close())
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// open opens a regular file.
func (s *Store) open(name string) (*os.File, error) {
	f, err := s.root.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrMissing
	}
	if err != nil {
		return nil, fmt.Errorf("open an attachment: %w", err)
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = ErrDamaged
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open an attachment: %w", err), f.Close())
	}
	return f, nil
}

func check(r io.Reader, h Hash) error {
	sum := sha256.New()
	if _, err := io.Copy(sum, r); err != nil {
		return fmt.Errorf("read an attachment: %w", err)
	}
	if Hash(sum.Sum(nil)) != h {
		return ErrDamaged
	}
	return nil
}

// File is a stored file, open at its beginning, whose content was compared with its name.
type File struct {
	*os.File
	Size      int64
	MediaType string
}

// Get opens a file. ErrMissing: it is not here; ErrDamaged: it is not what it was.
func (s *Store) Get(h Hash) (*File, error) {
	_, name := place(h)
	f, err := s.open(name)
	if err != nil {
		return nil, err
	}
	fail := func(err error) (*File, error) { return nil, errors.Join(err, f.Close()) }
	if err := check(f, h); err != nil {
		return fail(err)
	}
	begin := make([]byte, head)
	n, err := f.ReadAt(begin, 0)
	if err != nil && err != io.EOF {
		return fail(fmt.Errorf("read an attachment: %w", err))
	}
	size, err := f.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return fail(fmt.Errorf("read an attachment: %w", err))
	}
	return &File{f, size, Guess(begin[:n])}, nil
}

// Read answers a file's whole content, which was compared with its name; larger than limit is a refusal.
func (s *Store) Read(h Hash, limit int64) ([]byte, error) {
	_, name := place(h)
	f, err := s.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, fmt.Errorf("read an attachment: %w", err)
	}
	if int64(len(data)) > limit {
		return nil, fault.New(fault.TooLarge, "", "found a file of more than %d bytes, accepted are at most %d", limit, limit)
	}
	if sha256.Sum256(data) != h {
		return nil, ErrDamaged
	}
	return data, nil
}
