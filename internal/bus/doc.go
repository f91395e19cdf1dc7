// Package bus is how the parts of lotpaper talk to each other, and where the journal lies: NATS, either a server embedded in this
// process (no port, one process, nothing to install) or a cluster that somebody else runs.
//
// It promises three things. The journal's acknowledgement means that the message is on disk: the embedded server syncs before it
// answers, and a stream that is set up to do less, or that may delete, is refused at start. A publish ends as acknowledged, as
// fenced (another message took the place) or as ambiguous, and never as anything in between. And what travels between intake and
// ledger is decoded strictly, within limits.
//
// What a block means, and what to do about an ambiguous answer, is services/ledger's matter.
package bus
