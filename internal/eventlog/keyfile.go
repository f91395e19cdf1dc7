//go:build !js

package eventlog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"sync"

	"github.com/cockroachdb/pebble/v2/vfs"
)

// keyFile holds the keys of private values, each in a place of its own, so that a key can be destroyed: its place is overwritten and synced. A store that only ever
// adds, as Pebble does, would keep the old bytes in files that it clears away some day.
//
// Its bytes are keyMagic, filled up with zeros to 32 bytes, and then 32 bytes for each place, from place 1 on. Zeros: nothing, or a key that was destroyed. Keys of values
// that were never acknowledged stay unread. Whether a disk or a copying file system keeps the old bytes somewhere of its own is beyond it.
type keyFile struct {
	mu   sync.Mutex
	file vfs.File
	next uint64 // guarded by mu: the place for the next key
}

const (
	keyFileName = "openings.keys"
	keyMagic    = "lotpaper/opening-keys/v1\n"
	keySize     = 32
)

// openKeyFile opens the file, or makes it. Read only, it may be absent: nil.
func openKeyFile(fs vfs.FS, name string, readOnly bool) (*keyFile, error) {
	var f vfs.File
	var err error
	if readOnly {
		if f, err = fs.Open(name); err != nil {
			if _, serr := fs.Stat(name); serr != nil {
				return nil, nil
			}
			return nil, err
		}
	} else if f, err = fs.OpenReadWrite(name, vfs.WriteCategoryUnspecified); err != nil {
		return nil, err
	}
	k := &keyFile{file: f}
	if err := k.begin(readOnly); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return k, nil
}

func (k *keyFile) begin(readOnly bool) error {
	info, err := k.file.Stat()
	if err != nil {
		return err
	}
	head := make([]byte, keySize)
	copy(head, keyMagic)
	if info.Size() < keySize { // no key was ever synced into it
		if readOnly {
			k.next = 1
			return nil
		}
		if _, err := k.file.WriteAt(head, 0); err != nil {
			return err
		}
		k.next = 1
		return k.file.Sync()
	}
	found := make([]byte, keySize)
	if _, err := k.file.ReadAt(found, 0); err != nil {
		return err
	}
	if !bytes.Equal(found, head) {
		return fmt.Errorf("found %q at its beginning, accepted is %q", found, head)
	}
	// The last key may have been cut off before it was acknowledged; its place stays unused.
	k.next = uint64(info.Size()+keySize-1) / keySize
	return nil
}

// add stores keys; they are on disk when it returns. It answers the first one's place; the others follow.
func (k *keyFile) add(keys [][keySize]byte) (first uint64, err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	buf := make([]byte, 0, keySize*len(keys))
	for i := range keys {
		buf = append(buf, keys[i][:]...)
	}
	first = k.next
	if _, err := k.file.WriteAt(buf, int64(first*keySize)); err != nil {
		return 0, err
	}
	k.next += uint64(len(keys))
	return first, k.file.Sync()
}

// get reads a key; false: it was destroyed.
func (k *keyFile) get(place uint64) (key [keySize]byte, ok bool, err error) {
	if k == nil {
		return key, false, errors.New("the file of keys is not there")
	}
	k.mu.Lock()
	next := k.next
	k.mu.Unlock()
	if place == 0 || place >= next {
		return key, false, fmt.Errorf("found no place %d, the file has %d", place, next-1)
	}
	if _, err := k.file.ReadAt(key[:], int64(place*keySize)); err != nil && !errors.Is(err, io.EOF) {
		return key, false, err
	}
	return key, key != [keySize]byte{}, nil
}

// destroy overwrites keys; they are gone from the file when it returns.
func (k *keyFile) destroy(places []uint64) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	var zeros [keySize]byte
	for _, p := range places {
		if p == 0 || p >= k.next {
			return fmt.Errorf("found no place %d, the file has %d", p, k.next-1)
		}
		if _, err := k.file.WriteAt(zeros[:], int64(p*keySize)); err != nil {
			return err
		}
	}
	return k.file.Sync()
}

func (k *keyFile) close() error { return k.file.Close() }
