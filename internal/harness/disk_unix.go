//go:build unix

package harness

import "golang.org/x/sys/unix"

// freeBytes is what an ordinary user may still write where dir lies.
func freeBytes(dir string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return uint64(s.Bavail) * uint64(s.Bsize), nil
}
