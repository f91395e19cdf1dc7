// Package wire turns the messages of the contract into the trade's own values and back.
//
// It promises to be strict and complete. What comes in is refused with the path of the field (ProtoJSON names), what was found and
// what is accepted: fields that this service does not know, fields that only answers carry, counts that an int64 cannot mean, text
// that is not in Unicode's normal form C, and everything that opal.Check finds. What goes out carries every field. A field that is
// left out stays left out both ways; an empty string or list is the same as one left out.
//
// What an event means for a lot is internal/account's matter, and how it is stored internal/envelope's. Nothing but this package
// needs to know both the generated types and the domain's.
package wire
