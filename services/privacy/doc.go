// Package privacy serves the private values of events: a poster shows one of its own to another party, or erases it.
//
// It keeps nothing itself and logs nothing of the values.
package privacy
