package bench

import (
	"fmt"
	"os"
)

// residentBytes is the memory of this process that lies in RAM: the second figure of /proc/self/statm, in pages (proc(5)).
func residentBytes() (int64, error) {
	data, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0, fmt.Errorf("read the resident memory: %w", err)
	}
	var all, resident int64
	if _, err := fmt.Sscan(string(data), &all, &resident); err != nil {
		return 0, fmt.Errorf("read the resident memory: %w", err)
	}
	return resident * int64(os.Getpagesize()), nil
}
