// Package eventlog is a node's own copy of the log: a Pebble store that holds every block, made ready for reading.
//
// It promises that a block is in the store wholly or not at all; that the accounts, ids and tree in it are what the blocks up to
// its head make of them, and of no other; that each block can be made again byte for byte; that a store or journal which is damaged, shorter
// than it was, or at odds with the other is named as such and never served as if it were whole; and that private values are on
// disk before anybody can be told that their event is.
//
// It judges nothing: what may be appended, and in which order, is services/ledger's matter, and what an event does to an account is
// internal/account's. It knows the journal only as something that can be read.
package eventlog
