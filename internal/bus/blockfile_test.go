package bus

import (
	"context"
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The files are the ones that the server of this build writes, so that a change of its format is noticed here: each record must be where
// the check looks for it.
func TestASequenceFarTooHighIsNamed(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	b := openBus(t, dir)
	j := openJournal(t, b, true)
	for i, size := range []int{1000, 20, 300_000, 5} {
		if _, err := j.Publish(ctx, uint64(i), make([]byte, size)); err != nil {
			t.Fatal(err)
		}
	}
	b.Close()
	files, err := filepath.Glob(filepath.Join(dir, "jetstream", "$G", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(files) != 1 {
		t.Fatalf("files %v, %v", files, err)
	}
	whole, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	if last, err := checkBlockFile(files[0], 0); last != 4 || err != nil {
		t.Fatalf("read up to message %d, %v", last, err)
	}
	var heads []int
	for at := 0; at < len(whole); {
		if got := binary.LittleEndian.Uint64(whole[at+4:]); got != uint64(len(heads))+1 {
			t.Fatalf("record %d at byte %d has the sequence %d", len(heads), at, got)
		}
		heads = append(heads, at)
		at += int(binary.LittleEndian.Uint32(whole[at:]) & lengthMask)
	}
	change := func(f func(b []byte) []byte) error {
		if err := os.WriteFile(files[0], f(append([]byte(nil), whole...)), 0o600); err != nil {
			t.Fatal(err)
		}
		return checkBlockFiles(dir)
	}
	for bit := 17; bit < 62; bit++ {
		for n, at := range heads {
			err := change(func(b []byte) []byte {
				b[at+4+bit/8] ^= 1 << (bit % 8)
				return b
			})
			if err == nil || !strings.Contains(err.Error(), files[0]) || !strings.Contains(err.Error(), "damaged") {
				t.Errorf("bit %d of the sequence of message %d: %v", bit, n+1, err)
			}
		}
	}
	// The server is not even started.
	if b, err := Open(ctx, Config{Dir: dir}); err == nil {
		b.Close()
		t.Error("the bus opens")
	}
	// What a power cut leaves is the server's to mend.
	third := heads[2]
	for name, torn := range map[string]func(b []byte) []byte{
		"a record cut off":           func(b []byte) []byte { return b[:third+100] },
		"a head cut off":             func(b []byte) []byte { return b[:third+10] },
		"zeros in place of a record": func(b []byte) []byte { clear(b[third:]); return b },
		"zeros behind a length":      func(b []byte) []byte { clear(b[third+4:]); return b },
		"an empty file":              func(b []byte) []byte { return nil },
	} {
		if err := change(torn); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
