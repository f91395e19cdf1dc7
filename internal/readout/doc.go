// Package readout sets the service's answers as pages for people: accounts, histories, statuses, weighed claims, what a post did.
//
// It shows what the answer says and judges nothing: words of the vocabulary become words of speech, one for one, masses keep the
// digits that were recorded, and the service's own sentences stand as they came.
package readout
