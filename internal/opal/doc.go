// Package opal is the trade's vocabulary: materials, treatments, test methods, masses as people write them, lot ids, times, and the
// events that a log of opal lots is made of.
//
// It promises that every value has one meaning and one written form, and that Check finds everything that is wrong with an event
// on its own face: unknown words, impossible counts, text that is too long. What an event means for a lot is internal/account's
// matter; how it is hashed and signed is internal/envelope's; how it looks on the wire is internal/wire's.
//
// The package is pure: no clock, no files, no randomness.
package opal
