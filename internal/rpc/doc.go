// Package rpc is the gRPC edge: what every call passes before and after the service that answers it.
//
// It promises that a call is looked at in one order: who calls, how large the message is, how fast the party posts, and only then
// what the message says; that a method which is not in the table of methods is served to nobody; that every error which leaves is a
// status with details of known types, made from a fault in one place; and that what went wrong inside is logged once, with the
// request's id, while the caller learns the id alone.
//
// What a call means is left to the services. Which token belongs to whom the party directory says.
package rpc
