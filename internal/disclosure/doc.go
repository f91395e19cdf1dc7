// Package disclosure says what a seller has to tell of a stone: what was done to it, in words that can be printed, with the section that each duty rests
// on; the terms that may not be used; letter codes with the edition of their list; and how to care for the stone.
//
// It promises that what it says follows from the verdicts alone and is always the same for the same stone, that what was not tested never reads as
// untreated, and that every duty names its source and how far that was followed. It is guidance and no legal advice, and says so each time.
package disclosure
