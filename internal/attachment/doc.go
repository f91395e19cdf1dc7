// Package attachment keeps the files that events name by their SHA-256: spectra, photographs, reports.
//
// It promises that a file is on disk, whole and with every name that leads to it, when Put returns; that an upload leaves free what the log needs; that nothing
// partial ever stands under a file's name; that what is read hashes to the name it was asked by, or is not given out at all; and that no name leads out of the
// store's folder. The same content is kept once.
//
// It knows no events and no parties: who may put or read a file is the matter of services/attachments, and no status rests on whether a file is here.
package attachment
