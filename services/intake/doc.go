// Package intake takes events in: over gRPC, one, in batches, in a stream, or signed by the party itself, and the few calls that make
// a directory event of a plainer request (a party, a token, a public handle).
//
// It promises that what it hands on is well formed: read strictly, within the limits, by a party that its token or its signature
// names, under a request id, sealed to the same bytes each time the same request comes. Private values are on disk before the
// envelope that commits to them is sent. A batch is handed on whole or not at all, and an answer that holds a position was given after the
// event was on disk in the journal. Where the answer of the sequencer is lost the caller is told to send the same again, which never
// makes a second event.
//
// It judges no account: whether a lot exists, who holds it and whether masses balance, the sequencer decides. Who may call which method is
// internal/rpc's matter.
package intake
