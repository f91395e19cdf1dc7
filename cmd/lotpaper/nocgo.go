//go:build !cgo

package main

const cgo = false
