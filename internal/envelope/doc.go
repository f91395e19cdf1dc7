// Package envelope makes and reads what is hashed, signed and sent: statements, openings and envelopes, and keeps the log's keys.
//
// A Statement is one event without its private values, to which it only commits; its bytes are what a position of the log stands
// for, for ever. An Opening holds one private value and shows that it is the one committed to; it travels beside the statement
// and is never part of what the log is made of. An envelope lists the hashes of up to 1,000 statements of one party and
// carries the signatures over that list: a batch is signed once and checked once.
//
// The package promises that every format has exactly one encoding (that of internal/canon) and that decoding refuses all else,
// so that encoding what was decoded gives the same bytes. Each type's comment gives its bytes.
//
// It leaves to others what an event means and whether it is well formed (internal/opal), whether a key may sign for a party at a position
// (the party directory of internal/account), and where openings are kept.
package envelope
