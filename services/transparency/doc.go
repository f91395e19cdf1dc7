// Package transparency is the gRPC service by which anybody checks that the log is only ever added to: checkpoints as signed notes, tiles and entries as C2SP's
// tlog-tiles has them, proofs of inclusion and consistency as RFC 6962 has them.
//
// It promises that two checkpoints that it signs are of one log, the smaller the beginning of the larger, because it signs what this node has applied and
// nothing else; that an entry tells hashes and a time and no content; and that every proof leads to the checkpoint beside it. It keeps nothing.
package transparency
