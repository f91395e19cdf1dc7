package opal

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
)

// TextField is one free text of an event, private ones included, with its ProtoJSON path.
type TextField struct {
	Path  string
	Value string
}

// Texts lists every free text of the event that is not empty, in the order of the fields; of a test's conditions the names as well as
// the values, sorted by name. It is what a decoder checks for Unicode's normal form C; ids, words, masses and times have an ASCII
// form of their own, which Check insists on.
func Texts(e *Event) []TextField {
	l := textList{}
	l.event(e)
	return l.fields
}

// TextsBeyondASCII lists those of Texts that have a character beyond ASCII: the others are in every normal form. For most events it
// is empty and costs no allocation.
func TextsBeyondASCII(e *Event) []TextField {
	l := textList{skipASCII: true}
	l.event(e)
	return l.fields
}

type textList struct {
	skipASCII bool
	// prefix is put in front of each path: "corrected.replacement." while that is listed.
	prefix string
	fields []TextField
}

func (l *textList) wants(s string) bool {
	if !l.skipASCII {
		return s != ""
	}
	for i := range len(s) {
		if s[i] >= 0x80 {
			return true
		}
	}
	return false
}

func (l *textList) add(path, value string) {
	if l.wants(value) {
		l.fields = append(l.fields, TextField{l.prefix + path, value})
	}
}

// addAt adds a text of a list's element; the path is built only if the text is wanted.
func (l *textList) addAt(list string, i int, rest, value string) {
	if l.wants(value) {
		l.add(list+"["+strconv.Itoa(i)+"]"+rest, value)
	}
}

func (l *textList) event(e *Event) {
	l.add("remark", e.Remark)
	for i := range e.Attachments {
		l.addAt("attachments", i, ".mediaType", e.Attachments[i].MediaType)
		l.addAt("attachments", i, ".name", e.Attachments[i].Name)
	}
	l.body(e)
	if c := e.Corrected; c != nil {
		l.add("corrected.because", c.Because)
		if c.Replacement != nil {
			r := c.Replacement.in(e)
			l.prefix = "corrected.replacement."
			l.body(&r)
			l.prefix = ""
		}
	}
	if w := e.Withdrawn; w != nil {
		l.add("withdrawn.because", w.Because)
	}
	if n := e.Enrolled; n != nil {
		l.add("enrolled.displayName", n.DisplayName)
		l.add("enrolled.contact", n.Contact)
	}
	if k := e.KeyRevoked; k != nil {
		l.add("keyRevoked.because", k.Because)
	}
}

// body lists the texts of the bodies that a lot or a method can have.
func (l *textList) body(e *Event) {
	if m := e.Mined; m != nil {
		l.add("mined.origin.region", m.Origin.Region)
		l.add("mined.origin.deposit", m.Origin.Deposit)
		l.add("mined.origin.licence", m.Origin.Licence)
		l.add("mined.material.bodyColour", m.Material.BodyColour)
	}
	if a := e.Acquired; a != nil {
		l.add("acquired.material.bodyColour", a.Material.BodyColour)
		l.add("acquired.statedOrigin", a.StatedOrigin)
		l.add("acquired.from", a.From)
	}
	if s := e.Split; s != nil {
		l.add("split.sortedBy", s.SortedBy)
		if s.Loss != nil {
			l.add("split.loss.why", s.Loss.Why)
		}
	}
	if c := e.Cut; c != nil {
		for i := range c.Stones {
			l.addAt("cut.stones", i, ".shape", c.Stones[i].Shape)
		}
		if c.Loss != nil {
			l.add("cut.loss.why", c.Loss.Why)
		}
	}
	if t := e.Tested; t != nil {
		l.tested(t)
	}
	if t := e.Treated; t != nil {
		l.add("treated.medium", t.Medium)
		if t.Process != nil {
			for i, s := range t.Process.Steps {
				l.addAt("treated.process.steps", i, "", s)
			}
		}
	}
	if d := e.Described; d != nil {
		l.add("described.bodyColour", d.BodyColour)
		l.add("described.playOfColour", d.PlayOfColour)
	}
	if s := e.Sold; s != nil {
		l.add("sold.price", s.Price)
	}
	if r := e.Refused; r != nil {
		l.add("refused.because", r.Because)
	}
	if r := e.Returned; r != nil {
		l.add("returned.because", r.Because)
	}
	if s := e.Set; s != nil {
		l.add("set.piece", s.Piece)
	}
	if u := e.Unset; u != nil {
		l.add("unset.piece", u.Piece)
	}
	if r := e.ReferenceSet; r != nil {
		l.add("referenceSet.how", r.How)
	}
	if m := e.MethodValidated; m != nil {
		l.add("methodValidated.protocol", m.Protocol)
	}
}

func (l *textList) tested(t *Tested) {
	for i := range t.Findings {
		l.addAt("tested.findings", i, ".note", t.Findings[i].Note)
	}
	// Only if one is wanted are the names put in order, which allocates.
	wanted := false
	for k, v := range t.Conditions {
		wanted = wanted || l.wants(k) || l.wants(v)
	}
	if wanted {
		for _, k := range slices.Sorted(maps.Keys(t.Conditions)) {
			path := fmt.Sprintf("tested.conditions[%q]", clip(k))
			l.add(path, k)
			l.add(path, t.Conditions[k])
		}
	}
	l.add("tested.instrument", t.Instrument)
	l.add("tested.protocol", t.Protocol)
}
