// Package status answers what is known of a lot and how well, from a projection of the log: one summary record for each lot, the edges
// down to what was made of it, public handles, who ever had to do with it, and alerts.
//
// It promises that the projection is a fold of the log and of nothing else, so that making it anew gives the same bytes; that an
// answer names the position that it reflects and is no older than what the node had applied when the question came; that a question
// about an earlier position is answered as it would have been then; and that a report which reaches back is in the very next answer
// about every lot that it concerns, however many they are, because a status reads upwards.
//
// What an event does to an account is internal/account's matter, what a record says of a treatment internal/evidence's, and the log
// itself is read and never written.
package status
