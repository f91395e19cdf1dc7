// Package bundle makes and checks the record of a lot as one file, so that a reader can check it without a network and without trusting whoever handed it over:
// the events that the lot's status rests on, as they were signed; the proof that each is in the log, up to a signed checkpoint; the rule table; the status that
// they lead to; and the log's signed word that these are all the events there are.
//
// It promises that every changed byte is found and the part named in which it lies, that signatures, keys, proofs and accounts are checked anew with the same
// functions that the log is judged by, and that a file that is cut off is refused. It does not compute the status: services/status does, from the events that were
// checked. Private values are never in a bundle.
//
// Two things a bundle cannot show. That no event was left out is the log's word, signed, so that a lie could be proved later by anybody who holds the missing
// event's receipt. And the mass balance over all relatives of a lot needs their events, which are not the reader's business: each event is judged by the
// accounts of the lots in the bundle alone.
package bundle
