package opal

import "strconv"

// PrivateField is a private text of an event: its path, and where it stands.
type PrivateField struct {
	Path  string
	Value *string
}

// Private lists the private fields that exist in this event, set or empty: `remark` in all, the others with the body or attachment that
// they belong to. A stored statement only commits to them, under these paths: the paths are fixed for ever, and so is their order.
func Private(e *Event) []PrivateField {
	var list []PrivateField
	EachPrivate(e, func(path string, v *string) { list = append(list, PrivateField{path, v}) })
	return list
}

// EachPrivate calls f for each of what Private lists, in that order. It allocates only for the paths of attachments.
func EachPrivate(e *Event, f func(path string, v *string)) {
	f("remark", &e.Remark)
	if m := e.Mined; m != nil {
		f("mined.origin.region", &m.Origin.Region)
		f("mined.origin.deposit", &m.Origin.Deposit)
		f("mined.origin.licence", &m.Origin.Licence)
	}
	if a := e.Acquired; a != nil {
		f("acquired.from", &a.From)
	}
	if s := e.Sold; s != nil {
		f("sold.price", &s.Price)
	}
	for i := range e.Attachments {
		f("attachments["+strconv.Itoa(i)+"].name", &e.Attachments[i].Name)
	}
	if n := e.Enrolled; n != nil {
		f("enrolled.displayName", &n.DisplayName)
		f("enrolled.contact", &n.Contact)
	}
	if e.Corrected == nil || e.Corrected.Replacement == nil {
		return
	}
	r := e.Corrected.Replacement
	if m := r.Mined; m != nil {
		f("corrected.replacement.mined.origin.region", &m.Origin.Region)
		f("corrected.replacement.mined.origin.deposit", &m.Origin.Deposit)
		f("corrected.replacement.mined.origin.licence", &m.Origin.Licence)
	}
	if a := r.Acquired; a != nil {
		f("corrected.replacement.acquired.from", &a.From)
	}
	if s := r.Sold; s != nil {
		f("corrected.replacement.sold.price", &s.Price)
	}
}
