//go:build !js

package eventlog

import (
	"errors"
	"fmt"
	"strings"

	"github.com/cockroachdb/pebble/v2"
	"github.com/cockroachdb/pebble/v2/sstable"
)

// files verifies every checksum of every table that the two stores are made of, also of blocks that no question happens to touch.
func (c *checker) files() {
	for _, part := range []struct {
		name, folder string
		db           *pebble.DB
	}{{"store", "log", c.log.db}, {"openings", "openings", c.log.openings}} {
		tables, err := part.db.SSTables()
		if err != nil {
			c.report.addError(part.name, fmt.Errorf("list the files: %w", err))
			continue
		}
		for _, level := range tables {
			for _, t := range level {
				name := fmt.Sprintf("%06d.sst", uint64(t.BackingSSTNum))
				if err := c.file(c.log.opts.FS.PathJoin(c.log.opts.Dir, part.folder, name)); err != nil {
					c.report.add(Problem{part.name, 0, Unbounded, Unbounded, fmt.Sprintf("file %s/%s: %v", part.folder, name, err)})
				}
				c.report.Files++
			}
		}
	}
	if _, err := c.log.mark.read(); err != nil {
		c.report.add(Problem{"store", 0, Unbounded, Unbounded, fmt.Sprintf("file %s: %v", markName, err)})
	}
}

// file verifies one table. Its footer may hold anything, so a panic on the way is the file's fault.
func (c *checker) file(path string) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: reading it fails with %v", ErrDamaged, p)
		}
	}()
	f, err := c.log.opts.FS.Open(path)
	if err != nil {
		return err
	}
	readable, err := sstable.NewSimpleReadable(f)
	if err != nil {
		return errors.Join(err, f.Close())
	}
	r, err := sstable.NewReader(c.ctx, readable, sstable.ReaderOptions{})
	if err != nil {
		return err
	}
	if err := r.ValidateBlockChecksums(); err != nil && !strings.Contains(err.Error(), "closed") {
		return errors.Join(err, r.Close())
	}
	return r.Close()
}
