package harness

import (
	"context"
	"runtime/debug"
	"time"
)

// giveBack gives memory back to the operating system when a load has ended: under load the collector lets garbage grow, and nothing
// would take it away while the node is at rest. It does so again now and then, since stores go on to compact for a while.
func (n *Node) giveBack() {
	const look, quiet, again, worthIt = 5 * time.Second, 10 * time.Second, 20 * time.Second, 10_000
	ctx, cancel := context.WithCancel(context.Background())
	n.onStop(func(context.Context) error { cancel(); return nil })
	n.serving.Go(func() {
		seen, _ := n.Log.Next()
		left := 0 // times
		first, since := seen, time.Now()
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(look):
			}
			if next, _ := n.Log.Next(); next != seen {
				seen, since = next, time.Now()
				if seen-first >= worthIt {
					left = 3
				}
			}
			if left > 0 && time.Since(since) >= quiet {
				debug.FreeOSMemory()
				trim()
				left, first = left-1, seen
				since = time.Now().Add(again - quiet)
			}
		}
	})
}
