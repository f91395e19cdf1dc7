// Package sampling says what a sample of a parcel says about the parcel: how many of its stones may be treated, how many have to be
// tested before a sentence about the rest is worth printing, and what is left of that sentence when the parcel is parted.
//
// It promises exact limits for a parcel of a known number of stones, each of which is treated or not: the number of treated stones in the
// sample is hypergeometric, and a test that misses some of them, or takes some others for treated, is reckoned in. Nothing is approximated
// by a normal curve, and no limit depends on a prior. The one figure that does is the probability for a single stone that nobody tested; it
// is named as such.
//
// All of it holds for samples drawn blindly only. Stones that somebody chose say something about themselves and nothing about the rest;
// whether a sample was drawn or chosen is not this package's to find out.
package sampling
