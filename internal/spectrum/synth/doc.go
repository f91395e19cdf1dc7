// Package synth makes spectra of opals that never were: bands of plausible place, width and height on a plausible background, with noise. They are for tests and
// for the demo, and each file says in its title that it was made and not measured. They check that a reading finds what was put in; of real stones they say
// nothing.
package synth
