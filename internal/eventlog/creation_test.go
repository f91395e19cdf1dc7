package eventlog

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/cockroachdb/pebble/v2/vfs"
	"github.com/cockroachdb/pebble/v2/vfs/errorfs"
)

// A process that is killed, or a machine that loses power, while it makes a new log leaves something that the next start goes on with.
func TestANewLogCutOffAtEachWrite(t *testing.T) {
	mem := vfs.NewCrashableMem()
	random := rand.New(rand.NewPCG(1, 2))
	type left struct {
		fs   *vfs.MemFS
		what string
	}
	var mu sync.Mutex // Pebble writes from several goroutines
	var all []left
	fs := errorfs.Wrap(mem, errorfs.InjectorFunc(func(op errorfs.Op) error {
		if op.Kind.ReadOrWrite() != errorfs.OpIsWrite {
			return nil
		}
		mu.Lock()
		defer mu.Unlock()
		for _, kept := range []int{100, 50, 0} { // percent of what was not synced; all of it if only the process died
			all = append(all, left{mem.CrashClone(vfs.CrashCloneCfg{UnsyncedDataPercent: kept, RNG: random}), fmt.Sprintf("before %v of %s, %d %% kept", op.Kind, op.Path, kept)})
		}
		return nil
	}))
	openTestLog(t, fs).Close()
	if len(all) < 60 {
		t.Fatalf("only %d moments were looked at", len(all))
	}
	for _, l := range all {
		log, err := Open(Options{Dir: "data", FS: l.fs, FlushEvery: -1, MemTableBytes: 1 << 20, CacheBytes: 1 << 20})
		if err != nil {
			t.Errorf("%s: %v", l.what, err)
			continue
		}
		if err := log.Close(); err != nil {
			t.Errorf("%s: %v", l.what, err)
		}
	}
}
