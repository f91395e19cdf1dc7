package bus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// The embedded server keeps messages in files N.blk, one record behind the other. What matters here of a record (little endian, as
// nats-server 2.15 writes it; the test of this check reads files that the server of this build wrote):
//
//	0   length of the whole record; the top bit says that it has headers
//	4   sequence of the message; the two top bits mark what was deleted
const (
	recordHead   = 22
	shortest     = recordHead + 8 // with the hash behind it
	longest      = 32 << 20
	lengthMask   = 1<<31 - 1
	sequenceMask = 1<<62 - 1
	deletedMark  = 1 << 62
)

// widestGap is more than the sequence of a message may be ahead of the one before. A journal has no gaps at all; smaller ones are found,
// and named, when the blocks are compared.
const widestGap = 1 << 16

// checkBlockFiles looks at every message that the embedded server keeps, before that server does. A sequence that is far too high makes the
// server fill the gap with an entry for every message between, until no memory is left and the process is killed, so one flipped bit would
// have an effect that nobody can name. Whatever else is wrong with a file the server notices, or the comparison of the two copies does.
func checkBlockFiles(dir string) error {
	streams := filepath.Join(dir, "jetstream", "$G", "streams")
	list, err := os.ReadDir(streams)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("list the journal's folders: %w", err)
	}
	for _, stream := range list {
		if err := checkStreamFiles(filepath.Join(streams, stream.Name(), "msgs")); err != nil {
			return err
		}
	}
	return nil
}

func checkStreamFiles(dir string) error {
	list, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("list the journal's files: %w", err)
	}
	var numbers []int
	for _, f := range list {
		if name, ok := strings.CutSuffix(f.Name(), ".blk"); ok {
			if n, err := strconv.Atoi(name); err == nil {
				numbers = append(numbers, n)
			}
		}
	}
	slices.Sort(numbers)
	last := uint64(0)
	for _, n := range numbers {
		if last, err = checkBlockFile(filepath.Join(dir, strconv.Itoa(n)+".blk"), last); err != nil {
			return err
		}
	}
	return nil
}

// checkBlockFile reads the heads of a file's records up to its end, or to where it is no file of records any more.
func checkBlockFile(name string, last uint64) (uint64, error) {
	f, err := os.Open(name)
	if err != nil {
		return last, fmt.Errorf("read the journal: %w", err)
	}
	defer f.Close()
	var head [recordHead]byte
	for at := int64(0); ; {
		if _, err := f.ReadAt(head[:], at); errors.Is(err, io.EOF) {
			return last, nil
		} else if err != nil {
			return last, fmt.Errorf("read the journal file %s: %w", name, err)
		}
		length := binary.LittleEndian.Uint32(head[0:]) & lengthMask
		sequence := binary.LittleEndian.Uint64(head[4:])
		if length < shortest || length > longest {
			return last, nil
		}
		if s := sequence & sequenceMask; sequence&deletedMark == 0 {
			if s > last+widestGap {
				return last, fmt.Errorf("the journal file %s is damaged: the message at byte %d says that it is number %d, after number %d", name, at, s, last)
			}
			last = max(last, s)
		}
		at += int64(length)
	}
}
