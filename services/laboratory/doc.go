// Package laboratory is the gRPC service that computes what samples and measurements say. It keeps nothing, knows no lot and asks nobody who
// he is: what it answers follows from the question alone. The computing is done by the pure packages; here are the edge's forms, their
// defaults, and the sentences.
package laboratory
