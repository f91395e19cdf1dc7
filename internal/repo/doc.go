// Package repo holds the tests about the repository itself: which package may import which, that the pure packages stay pure, that
// every RPC has its route and every route its RPC, that generated code is only where it belongs, and that no file names a machine.
//
// Each check is a function from what was read to a list of faults; a test runs it over the repository, and another shows, on small
// made-up input, that it does find what it is for. What a program does is left to the tests beside that program.
package repo
