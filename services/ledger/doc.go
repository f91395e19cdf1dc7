// Package ledger is the log's one writer: it judges what is posted, gives each event its position, and seals blocks.
//
// It promises that a caller is told of a position only when the block is acknowledged by the journal and readable in the store of
// this node; that a batch is in the log wholly or not at all; that an event id is in the log at most once, however often it is posted;
// that what is in the log was judged in the order of the log, each event against all before it; and that a refusal leaves no trace.
//
// It leaves to intake who the caller is, the signatures (which are verified once more behind its back), and the private values; to
// internal/account every rule of the trade; and to internal/eventlog how a block is stored and read.
package ledger
