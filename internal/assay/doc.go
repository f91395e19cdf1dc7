// Package assay says what a measurement says: hydrostatic weighings, water uptake over time, refractive indices. It gives the figures with their
// standard uncertainties, the outcome word that they earn, what follows from them and what does not, and what to beware of.
//
// It promises that the same readings always give the same answer, to the last of nine digits: an answer is stored with its event and never computed
// again. It judges no treatment: what an outcome says of one is internal/evidence's matter, and it often says nothing.
package assay
