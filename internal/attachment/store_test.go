package attachment_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/iotest"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/fault"
)

func open(t *testing.T, dir string) *attachment.Store {
	t.Helper()
	return openWith(t, dir, attachment.Options{})
}

func openWith(t *testing.T, dir string, o attachment.Options) *attachment.Store {
	t.Helper()
	s, err := attachment.Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// held lists the files below a folder.
func held(t *testing.T, dir string) (list []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			list = append(list, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

const text = "##TITLE=made\n##END=\n"

func TestPutAndRead(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "attachments")
	s := open(t, dir)
	png := "\x89PNG\r\n\x1a\n" + strings.Repeat("x", 100_000)
	for media, content := range map[string]string{
		attachment.JCAMP: text, attachment.Plain: "3.42 ct, dry — 21 °C\n", attachment.CSV: "minutes,mass\n10,3.42\n", attachment.PNG: png, attachment.JPEG: "\xff\xd8\xff\xe0rest",
		attachment.TIFF: "II*\x00rest", attachment.PDF: "%PDF-1.7 rest", "text/plain; charset=UTF-8": "ä",
	} {
		want := sha256.Sum256([]byte(content))
		out, err := s.Put(t.Context(), iotest.OneByteReader(strings.NewReader(content)), media, &want)
		if err != nil || out.Hash != want || out.Size != int64(len(content)) || out.Known || !strings.HasPrefix(media, out.MediaType) {
			t.Errorf("%s: %+v, %v", media, out, err)
			continue
		}
		if again, err := s.Put(t.Context(), strings.NewReader(content), media, nil); err != nil || !again.Known || again.Hash != want {
			t.Errorf("%s again: %+v, %v", media, again, err)
		}
		data, err := s.Read(want, 1<<20)
		if err != nil || string(data) != content {
			t.Errorf("%s: read %d bytes, %v", media, len(data), err)
		}
		f, err := s.Get(want)
		if err != nil {
			t.Errorf("%s: %v", media, err)
			continue
		}
		data, err = io.ReadAll(f)
		if err != nil || string(data) != content || f.Size != int64(len(content)) || f.MediaType == "" {
			t.Errorf("%s: %d of %d bytes, %s, %v", media, len(data), f.Size, f.MediaType, err)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
	if n := len(held(t, dir)); n != 8 {
		t.Errorf("%d files are kept, want 8", n)
	}
	if _, err := s.Read(sha256.Sum256([]byte(png)), 1000); fault.Of(err) != fault.TooLarge {
		t.Errorf("beyond the limit: %v", err)
	}
	for _, call := range []func() error{
		func() error { _, err := s.Read([32]byte{1}, 10); return err }, func() error { _, err := s.Get([32]byte{1}); return err },
	} {
		if err := call(); !errors.Is(err, attachment.ErrMissing) {
			t.Errorf("missing: %v", err)
		}
	}
}

// What is refused, and what breaks off, leaves nothing.
func TestRefused(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	other := sha256.Sum256([]byte("other"))
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	for name, c := range map[string]struct {
		ctx   context.Context
		media string
		in    io.Reader
		want  *attachment.Hash
		field string // of a refusal; "-": it is none
		says  string
	}{
		"nothing":              {in: strings.NewReader(""), media: attachment.Plain, says: "found 0 bytes, which is an empty file"},
		"no type":              {in: strings.NewReader(text), field: "mediaType", says: `found "", accepted is one of chemical/x-jcamp-dx, text/plain`},
		"a page":               {in: strings.NewReader("<html>"), media: "text/html", field: "mediaType", says: "text/html"},
		"a page as text":       {in: strings.NewReader(" <svg onload='x'>"), media: attachment.Plain, field: "mediaType", says: "none of the accepted types"},
		"a drawing":            {in: strings.NewReader("<svg/>"), media: "image/svg+xml", field: "mediaType", says: "image/svg+xml"},
		"text as a picture":    {in: strings.NewReader(text), media: attachment.PNG, field: "mediaType", says: "by its beginning is chemical/x-jcamp-dx"},
		"a picture as text":    {in: strings.NewReader("\x89PNG\r\n\x1a\n"), media: attachment.Plain, field: "mediaType", says: "0x1a"},
		"text with a zero":     {in: strings.NewReader(strings.Repeat("a", 100) + "\x00"), media: attachment.Plain, field: "mediaType", says: "0x00 at byte 100"},
		"zero behind the end":  {in: strings.NewReader("a\x1a\x00"), media: attachment.Plain, field: "mediaType", says: "0x1a at byte 1"},
		"text behind the end":  {in: iotest.OneByteReader(strings.NewReader(text + "\x1a\r\n")), media: attachment.JCAMP, field: "mediaType", says: "0x1a at byte 20"},
		"an escape":            {in: strings.NewReader(text + "\x1b[2J"), media: attachment.JCAMP, field: "mediaType", says: "0x1b at byte 20"},
		"said to be UTF-8":     {in: iotest.OneByteReader(strings.NewReader("20 \xb0C")), media: "text/plain; charset=utf-8", field: "mediaType", says: "said to be UTF-8, with the byte 0xb0 at byte 3"},
		"half a character":     {in: iotest.OneByteReader(strings.NewReader("20 \xc2")), media: "text/plain; charset=utf-8", field: "mediaType", says: "0xc2 at byte 3"},
		"JCAMP in no UTF-8":    {in: strings.NewReader("##TITLE=\xb5\n"), media: "chemical/x-jcamp-dx; charset=utf-8", field: "mediaType", says: "0xb5 at byte 8"},
		"no character":         {in: strings.NewReader("a long line and \x81 in it"), media: attachment.CSV, field: "mediaType", says: "0x81 at byte 16, which is no character"},
		"few bytes of ASCII":   {in: iotest.OneByteReader(strings.NewReader("\xde\xad\xbe\xefabcd")), media: attachment.Plain, field: "mediaType", says: "with 4 of its 8 bytes beyond ASCII"},
		"few at the beginning": {in: strings.NewReader(strings.Repeat("\xe4\xf6", 8<<10) + strings.Repeat("abcdefg ", 16<<10)), media: attachment.Plain, field: "mediaType", says: "none of the accepted types"},
		"remarks alone":        {in: strings.NewReader("$$ made\n$$"), media: attachment.JCAMP, field: "mediaType", says: "by its beginning is text/plain"},
		"text in another code": {in: strings.NewReader(text), media: "text/plain; charset=utf-16", field: "mediaType", says: "a charset of utf-8, us-ascii, iso-8859-1 or windows-1252"},
		"a picture in a code":  {in: strings.NewReader("\xff\xd8\xff"), media: "image/jpeg; charset=utf-8", field: "mediaType", says: "for text, a charset"},
		"another hash":         {in: strings.NewReader(text), media: attachment.JCAMP, want: &other, field: "sha256", says: "those that agree"},
		"too large":            {in: io.MultiReader(strings.NewReader("%PDF-"), io.LimitReader(zeros{}, attachment.MaxBytes)), media: attachment.PDF, says: "found more than 16777216 bytes"},
		"cut off":              {in: io.MultiReader(strings.NewReader(text), iotest.ErrReader(io.ErrUnexpectedEOF)), media: attachment.JCAMP, field: "-", says: "unexpected EOF"},
		"given up":             {in: strings.NewReader(text), media: attachment.JCAMP, ctx: cancelled, field: "-", says: "canceled"},
	} {
		ctx := c.ctx
		if ctx == nil {
			ctx = t.Context()
		}
		_, err := s.Put(ctx, c.in, c.media, c.want)
		f, refused := fault.As(err)
		switch {
		case err == nil || !strings.Contains(err.Error(), c.says):
			t.Errorf("%s: %v, want %q", name, err, c.says)
		case refused != (c.field != "-") || refused && f.Field != c.field:
			t.Errorf("%s: a refusal of %q: %v", name, f.Field, refused)
		}
		if list := held(t, dir); len(list) != 0 {
			t.Errorf("%s left %q", name, list)
		}
	}
}

// What instruments write is text, whatever code page the machine had and whatever stands before the first record, and is told to be what it is by its beginning.
func TestTextOfInstruments(t *testing.T) {
	s := open(t, t.TempDir())
	for name, c := range map[string]struct{ media, content string }{
		"a micro sign":          {attachment.JCAMP, "##TITLE=layer of 20 \xb5m, 21 \xb0C\n##OWNER=M\xfcller\n##END=\n"},
		"an umlaut of DOS":      {attachment.JCAMP, "##TITLE=gr\x81n\r\n##END=\r\n\x1a"},
		"a title in no ASCII":   {attachment.JCAMP, "##TITLE=\xcf\xd0\xc8\xc2\xc5\xd2 \xcf\xd0\xc8\xc2\xc5\xd2"},
		"the end of DOS":        {attachment.JCAMP, text + "\x1a"},
		"a block of ends":       {attachment.JCAMP, text + strings.Repeat("\x1a", 100)},
		"empty lines":           {attachment.JCAMP, "\r\n \t\r\n" + text},
		"a remark":              {attachment.JCAMP, "$$ exported, 20 \xb5m\r\n\r\n  $$ again\n" + text},
		"a remark behind a BOM": {attachment.JCAMP, "\xef\xbb\xbf$$ made\r" + text},
		"pages of remarks":      {attachment.JCAMP, strings.Repeat("$$ a condition of use\r\n", 600) + text},
		"JCAMP with its code":   {attachment.JCAMP + "; charset=iso-8859-1", "##TITLE=\xb5\n"},
		"degrees":               {attachment.Plain, "dried at 40 \xb0C, \xb1 1"},
		"quotes of Windows":     {attachment.Plain + "; charset=windows-1252", "the \x93wet\x94 wheel \x96 40 \x80\f"},
		"columns":               {attachment.CSV, "Wellenzahl (cm\xb9);Absorption f\xfcr 20 \xb5m\r\n4000;0,1\r\n\x1a"},
		"Cyrillic in UTF-8":     {attachment.Plain, "\u043e\u043f\u0430\u043b"},
	} {
		for _, in := range []io.Reader{strings.NewReader(c.content), iotest.OneByteReader(strings.NewReader(c.content))} {
			out, err := s.Put(t.Context(), in, c.media, nil)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			f, err := s.Get(out.Hash)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			// What it is told to be by its beginning is what it was stored as, CSV being plain text.
			if got := strings.Replace(out.MediaType, attachment.CSV, attachment.Plain, 1); f.MediaType != got || attachment.TypeOf("x", []byte(c.content)) != got {
				t.Errorf("%s: stored as %s, and is %s by its beginning", name, out.MediaType, f.MediaType)
			}
			if err := f.Close(); err != nil {
				t.Error(err)
			}
		}
	}
	for _, begin := range []string{"", "\x00", "$$ made\n<svg>\x00", "\f<html>", "\xff\xfe#\x00#\x00", "\xde\xad\xbe\xef", "a\x1ab"} {
		if got := attachment.Guess([]byte(begin)); got != "" {
			t.Errorf("%q is told to be %s", begin, got)
		}
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// A file that is not what its name says is not given out; putting the content again mends it. A link does not lead out of the folder.
func TestDamage(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	out, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil)
	if err != nil {
		t.Fatal(err)
	}
	file := held(t, dir)[0]
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	notGiven := func(what string, want error) {
		t.Helper()
		if _, err := s.Read(out.Hash, 1<<20); !errors.Is(err, want) && (want != nil || err == nil) {
			t.Errorf("%s: read: %v", what, err)
		}
		if f, err := s.Get(out.Hash); !errors.Is(err, want) && (want != nil || err == nil) {
			t.Errorf("%s: get: %v, %v", what, f, err)
		}
	}
	for _, content := range []string{"", text[:5], strings.Replace(text, "made", "mode", 1), text + " "} {
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		notGiven("tampered with", attachment.ErrDamaged)
	}
	if again, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil); err != nil || again.Known {
		t.Errorf("mending: %+v, %v", again, err)
	}
	if _, err := s.Read(out.Hash, 1<<20); err != nil {
		t.Errorf("mended: %v", err)
	}
	outside := filepath.Join(t.TempDir(), "secret")
	if err := errors.Join(os.WriteFile(outside, []byte(text), 0o600), os.Remove(file), os.Symlink(outside, file)); err != nil {
		t.Fatal(err)
	}
	notGiven("a link that leads out", nil)
	if err := errors.Join(os.Remove(file), os.Mkdir(file, 0o700)); err != nil {
		t.Fatal(err)
	}
	notGiven("a folder in its place", attachment.ErrDamaged)
}

// A start clears what a crash left of uploads, and keeps what was stored.
func TestStart(t *testing.T) {
	dir := t.TempDir()
	s, err := attachment.Open(dir, attachment.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil)
	if err := errors.Join(err, s.Close(), os.WriteFile(filepath.Join(dir, "incoming", "half"), []byte("##TI"), 0o600)); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	if data, err := s.Read(out.Hash, 100); err != nil || string(data) != text {
		t.Errorf("%q, %v", data, err)
	}
	if list := held(t, dir); len(list) != 1 {
		t.Errorf("kept %q", list)
	}
	if _, err := attachment.Open(held(t, dir)[0], attachment.Options{}); err == nil {
		t.Error("a file was opened as a store")
	}
}

// A disk that takes nothing more is the disk's error and no refusal, and nothing is stored. (root may write anywhere, so a folder in the way stands for it.)
func TestDiskErrors(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	hash := sha256.Sum256([]byte(text))
	folder := filepath.Join(dir, string("0123456789abcdef"[hash[0]>>4])+string("0123456789abcdef"[hash[0]&15]))
	if err := os.WriteFile(folder, nil, 0o600); err != nil { // a file where the folder should be
		t.Fatal(err)
	}
	_, err := s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil)
	if _, refused := fault.As(err); err == nil || refused {
		t.Errorf("%v", err)
	}
	if list := held(t, filepath.Join(dir, "incoming")); len(list) != 0 {
		t.Errorf("left %q", list)
	}
	if err := os.RemoveAll(filepath.Join(dir, "incoming")); err != nil {
		t.Fatal(err)
	}
	if _, err = s.Put(t.Context(), strings.NewReader(text), attachment.JCAMP, nil); err == nil {
		t.Error("stored without a place to write")
	}
}

// An upload that would leave less than the reserve is refused before anything is written or read, and while it is written; nothing of it stays.
func TestDiskReserve(t *testing.T) {
	const reserve = 100 << 20
	content := strings.Repeat("a", 1<<20)
	for name, c := range map[string]struct {
		free uint64 // before the upload; what lies in the store is taken off
		err  error
		fits bool
		read bool // something of it was read
	}{
		"less than the reserve": {free: reserve - 1},
		"nothing":               {},
		"half a file more":      {free: reserve + 1<<19, read: true},
		"a byte too little":     {free: reserve + 1<<20 - 1, read: true},
		"as much as it takes":   {free: reserve + 1<<20, fits: true, read: true},
		"nobody knows":          {err: errors.New("no such call"), fits: true, read: true},
	} {
		dir := t.TempDir()
		s := openWith(t, dir, attachment.Options{Reserve: reserve, Free: func() (uint64, error) {
			free := c.free
			for _, name := range held(t, dir) {
				info, err := os.Stat(name)
				if err != nil {
					t.Fatal(err)
				}
				free -= uint64(info.Size())
			}
			return free, c.err
		}})
		in := strings.NewReader(content)
		out, err := s.Put(t.Context(), in, attachment.Plain, nil)
		f, _ := fault.As(err)
		switch list := held(t, dir); {
		case (in.Len() < len(content)) != c.read:
			t.Errorf("%s: %d of %d bytes were read", name, len(content)-in.Len(), len(content))
		case c.fits && (err != nil || out.Size != 1<<20):
			t.Errorf("%s: %+v, %v", name, out, err)
		case !c.fits && (f == nil || f.Reason != fault.DiskReserve || f.RetryAfter <= 0 || !strings.Contains(f.Message, "accepted are uploads that leave 100 MiB")):
			t.Errorf("%s: %v", name, err)
		case !c.fits && len(list) != 0:
			t.Errorf("%s left %q", name, list)
		}
	}
}

// Many who put and read the same few files at once get what they asked for.
func TestManyAtOnce(t *testing.T) {
	s := open(t, t.TempDir())
	var all sync.WaitGroup
	for i := range 4 * runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for j := range 25 {
				content := bytes.Repeat([]byte{'a' + byte((i+j)%3)}, 70_000)
				out, err := s.Put(t.Context(), bytes.NewReader(content), attachment.Plain, nil)
				if err != nil {
					t.Error(err)
					return
				}
				if data, err := s.Read(out.Hash, 1<<20); err != nil || !bytes.Equal(data, content) {
					t.Errorf("%d bytes, %v", len(data), err)
				}
			}
		})
	}
	all.Wait()
}

// FuzzPut holds that any content is stored whole under its hash, or refused with nothing left.
func FuzzPut(f *testing.F) {
	f.Add([]byte(text), attachment.JCAMP)
	f.Add([]byte("\xff\xd8\xff"), attachment.JPEG)
	f.Add([]byte("a\xc3"), "text/plain;charset=utf-8")
	f.Add([]byte("<svg>"), attachment.CSV)
	f.Fuzz(func(t *testing.T, content []byte, media string) {
		dir := t.TempDir()
		s := open(t, dir)
		out, err := s.Put(t.Context(), bytes.NewReader(content), media, nil)
		if err != nil {
			if _, refused := fault.As(err); !refused || len(held(t, dir)) != 0 {
				t.Fatalf("%v, left %q", err, held(t, dir))
			}
			return
		}
		if data, err := s.Read(out.Hash, attachment.MaxBytes); err != nil || !bytes.Equal(data, content) || bytes.HasPrefix(bytes.TrimSpace(content), []byte("<")) {
			t.Fatalf("%q, %v", data, err)
		}
	})
}
