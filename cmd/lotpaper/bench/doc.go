// Package bench measures a node of lotpaper on the machine that it runs on, against the same records written to a bare store.
//
// It promises ratios and not boasts: what is compared runs in one process run, in turn, several rounds of each, and what is told is
// the median. The bare store is Pebble with its own log, synced at each commit, given exactly the records that a node keeps for the same events in
// blocks of that size, and nothing else to do: no judging, no hashing, no signatures, no second copy. A node can come near to it
// and never pass it by much.
package bench
