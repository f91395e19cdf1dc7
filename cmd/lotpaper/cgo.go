//go:build cgo

package main

// cgo says whether stores take their caches from the C library and not from Go's heap.
const cgo = true
