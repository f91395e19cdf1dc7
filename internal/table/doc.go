// Package table sets text for people to read in a terminal: headings, aligned tables, pairs of name and value, wrapped sentences.
//
// Widths are those that a terminal shows (a letter with an accent takes one cell, a wide character two), figures stand right-aligned
// under their heading, and the last wide column is wrapped to the page. Colour is an addition and never carries what the words do
// not say. Whatever comes in is made harmless first: control characters that could move the cursor are shown as a question mark.
//
// Whether the output is a terminal, how wide it is and whether it may have colours is the caller's to say.
package table
