// Package block makes and reads what the journal holds: blocks of events in their order, the leaf of each event in the log's Merkle
// tree, and the tree's frontier.
//
// A block names the hash of the block before it and the root of the tree after it, so one block's hash fixes the whole log up to
// its end. Judging, replay and checking need nothing but blocks: envelopes and statements stand in them byte for byte, with
// the findings and outcomes that judging stored.
//
// The package promises one encoding of each block and leaf, and refuses all else. It leaves to others whether a block
// follows the one before (its position, hash and time), whether its root is the tree's, and what its events mean.
package block
