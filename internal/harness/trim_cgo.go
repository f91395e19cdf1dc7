//go:build cgo && linux

package harness

/*
#include <stdlib.h>
#ifdef __GLIBC__
#include <malloc.h>
static void trim(void) { malloc_trim(0); }
#else
static void trim(void) {}
#endif
*/
import "C"

// trim has the C library give back what it keeps of freed memory: with cgo, Pebble takes its caches and memtables from there, and what it
// frees in one thread's arena stays resident for ever otherwise.
func trim() { C.trim() }
