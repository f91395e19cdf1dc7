package attachment_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/attachment"
)

// platter is what a disk keeps over a power cut: the content of files that were synced, and the names that stood in a folder when it was.
type platter struct {
	mu    sync.Mutex
	files []os.FileInfo                        // guarded by mu
	names map[string]map[string]os.FileInfo    // by folder; guarded by mu
	fail  func(name string, folder bool) error // guarded by mu
	syncs int                                  // guarded by mu
}

func (p *platter) sync(f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	at := filepath.Base(filepath.Clean(f.Name()))
	p.mu.Lock()
	fail := p.fail
	p.syncs++
	p.mu.Unlock()
	if fail != nil {
		if err := fail(at, info.IsDir()); err != nil {
			return err
		}
	}
	if !info.IsDir() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.files = append(p.files, info)
		return nil
	}
	// Only what stood there when the sync began is sure to be kept.
	list, err := os.ReadDir(f.Name())
	if err != nil {
		return err
	}
	names := map[string]os.FileInfo{}
	for _, e := range list {
		if info, err := e.Info(); err == nil { // an upload's file may go meanwhile
			names[e.Name()] = info
		}
	}
	time.Sleep(time.Millisecond) // as a disk takes its time
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.names[at] == nil {
		p.names[at] = map[string]os.FileInfo{}
	}
	maps.Copy(p.names[at], names)
	return nil
}

// failing makes syncs fail.
func (p *platter) failing(fail func(name string, folder bool) error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = fail
}

// count answers how many syncs there were since it was asked before.
func (p *platter) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := p.syncs
	p.syncs = 0
	return n
}

// lacks says what of a stored file would not be there after a power cut; "": it would be.
func (p *platter) lacks(dir string, h attachment.Hash) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	text := hex.EncodeToString(h[:])
	if _, ok := p.names[filepath.Base(filepath.Dir(dir))][filepath.Base(dir)]; !ok {
		return "the root's name"
	}
	if _, ok := p.names[filepath.Base(dir)][text[:2]]; !ok {
		return "the folder's name"
	}
	file, ok := p.names[text[:2]][text[2:]]
	if !ok {
		return "the file's name"
	}
	for _, f := range p.files {
		if os.SameFile(f, file) {
			return ""
		}
	}
	return "the file's content"
}

// newPlatter makes one, and the root of a store that is not there yet.
func newPlatter(t *testing.T) (*platter, string) {
	t.Helper()
	return &platter{names: map[string]map[string]os.FileInfo{}}, filepath.Join(t.TempDir(), "data", "attachments")
}

// What Put answers is on disk with all the names that lead to it, also if the content was there before or another caller has just named it.
func TestAnsweredIsOnDisk(t *testing.T) {
	p, dir := newPlatter(t)
	if _, err := attachment.Open(dir, attachment.Options{}.WithSync(p.sync)); err == nil {
		t.Error("a store was made in a folder that is not there")
	}
	if err := os.Mkdir(filepath.Dir(dir), 0o700); err != nil {
		t.Fatal(err)
	}
	s := openWith(t, dir, attachment.Options{}.WithSync(p.sync))
	out, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil)
	if err != nil {
		t.Fatal(err)
	}
	if lacks := p.lacks(dir, out.Hash); lacks != "" {
		t.Errorf("new: a power cut would take %s", lacks)
	}
	p.count()
	if again, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil); err != nil || !again.Known {
		t.Errorf("%+v, %v", again, err)
	}
	if n := p.count(); n != 1 {
		t.Errorf("%d syncs for what is known and on disk, want the file's alone", n)
	}

	// Other files in a folder that was on disk as it was.
	var others []string
	for i := 0; len(others) < 9; i++ {
		if content := text + strconv.Itoa(i); sha256.Sum256([]byte(content))[0] == out.Hash[0] {
			others = append(others, content)
		}
	}
	beside, err := s.Put(t.Context(), strings.NewReader(others[0]), attachment.JCAMP, nil)
	if err != nil {
		t.Fatal(err)
	}
	if lacks := p.lacks(dir, beside.Hash); lacks != "" {
		t.Errorf("beside another: a power cut would take %s", lacks)
	}

	// A node that named a file and crashed before its names were on disk: the file is found, and nobody knows whether it will stay.
	q := &platter{names: map[string]map[string]os.FileInfo{}}
	s = openWith(t, dir, attachment.Options{}.WithSync(q.sync))
	if again, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil); err != nil || !again.Known {
		t.Errorf("%+v, %v", again, err)
	}
	if lacks := q.lacks(dir, out.Hash); lacks != "" {
		t.Errorf("found at a start: a power cut would take %s", lacks)
	}

	// Many bring the same few at once; each answer stands by itself.
	var all sync.WaitGroup
	for _, content := range others[1:] {
		for range 4 {
			all.Go(func() {
				out, err := s.Put(t.Context(), strings.NewReader(content), attachment.JCAMP, nil)
				if err != nil {
					t.Error(err)
				} else if lacks := q.lacks(dir, out.Hash); lacks != "" {
					t.Errorf("known %v: a power cut would take %s", out.Known, lacks)
				}
			})
		}
	}
	all.Wait()
}

// A sync that fails is the upload's failure, and leaves no name behind that a later caller would take for a stored file.
func TestSyncsThatFail(t *testing.T) {
	broken := errors.New("the disk is broken")
	for name, fail := range map[string]func(name string, folder bool) error{
		"of the content": func(_ string, folder bool) error {
			if !folder {
				return broken
			}
			return nil
		},
		"of the folder": func(name string, folder bool) error {
			if folder && len(name) == 2 {
				return broken
			}
			return nil
		},
		"of the root": func(name string, folder bool) error {
			if name == "attachments" {
				return broken
			}
			return nil
		},
	} {
		p, dir := newPlatter(t)
		if err := os.Mkdir(filepath.Dir(dir), 0o700); err != nil {
			t.Fatal(err)
		}
		s := openWith(t, dir, attachment.Options{}.WithSync(p.sync))
		p.failing(fail)
		for range 2 {
			if out, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil); !errors.Is(err, broken) {
				t.Errorf("%s: %+v, %v", name, out, err)
			}
			if list := held(t, dir); len(list) != 0 {
				t.Errorf("%s left %q", name, list)
			}
		}
		p.failing(nil)
		out, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil)
		if err != nil || out.Known || p.lacks(dir, out.Hash) != "" {
			t.Errorf("%s, mended: %+v, %v, a power cut would take %s", name, out, err, p.lacks(dir, out.Hash))
		}
		// What is known is answered only if it is on disk, too.
		p.failing(fail)
		s = openWith(t, filepath.Join(filepath.Dir(dir), "attachments"), attachment.Options{}.WithSync(p.sync))
		if out, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil); !errors.Is(err, broken) {
			t.Errorf("%s, known: %+v, %v", name, out, err)
		}
	}
	p, dir := newPlatter(t)
	p.failing(func(name string, _ bool) error { return broken })
	if err := os.Mkdir(filepath.Dir(dir), 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := attachment.Open(dir, attachment.Options{}.WithSync(p.sync)); !errors.Is(err, broken) {
		t.Errorf("a root whose name is not on disk: %v", err)
	}
}
