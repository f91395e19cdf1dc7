// Package spectrum reads infrared and Raman spectra of opal and says what they show.
//
// A file (JCAMP-DX 4.24 or 5.01, or two columns of text) becomes a Curve; Read cuts it to the windows that matter, takes a baseline off,
// smooths, finds peaks, measures bands against a band of the opal itself, compares with stones known to be untreated, and answers an outcome with its
// reasons.
//
// It promises that the same file gives the same nine digits, that a hostile file ends in one clear refusal within bounded time and memory, and that no
// outcome says more than the curve does: organic matter is not resin, and where the curve cannot be read the outcome is UNREADABLE with the reason.
//
// It names no substance: which resin, oil or dye a band belongs to is for the person who knows the reference spectra. What an outcome says of a treatment
// is the matter of internal/evidence.
package spectrum
