package eventfile

import (
	"fmt"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Shape is what a value in a file is.
type Shape uint8

// The shapes. Plain is a scalar whose type the field decides: an unquoted word of YAML, or the cell of a sheet.
const (
	Null Shape = iota
	Plain
	Text
	Number
	Bool
	List
	Map
)

// Node is a value as a file states it, with the line that it stands on.
type Node struct {
	Shape Shape
	Line  int
	// Text is a scalar's value; of Number and Bool as written.
	Text string
	// Items are those of a List.
	Items []*Node
	// Keys are those of a Map, in the order of the file.
	Keys []Key
}

// Key is a name in a Map with its value.
type Key struct {
	Name  string
	Line  int
	Value *Node
}

// Get finds a key of a Map; nil if there is none.
func (n *Node) Get(name string) *Node {
	if n == nil {
		return nil
	}
	for i := range n.Keys {
		if n.Keys[i].Name == name {
			return n.Keys[i].Value
		}
	}
	return nil
}

// sayFound describes a value in a refusal.
func (n *Node) sayFound() string {
	switch n.Shape {
	case Null:
		return "nothing"
	case List:
		return fmt.Sprintf("a list of %d", len(n.Items))
	case Map:
		names := make([]string, 0, len(n.Keys))
		for _, k := range n.Keys {
			names = append(names, k.Name)
		}
		return "{" + clip(strings.Join(names, ", ")) + "}"
	case Text, Plain:
		return fmt.Sprintf("%q", clip(n.Text))
	}
	return clip(n.Text)
}

// Problem is what is wrong with one place of a file.
type Problem struct {
	// File is its name; "-" stands for the standard input.
	File string
	// Event counts the file's events from 1; 0 where the fault is not in one.
	Event int
	// Line of the file, 0 where it is not known.
	Line  int
	Fault *fault.Error
}

// Error names the place, then the fault.
func (p *Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.File == "-" {
		b.Reset()
		b.WriteString("standard input")
	}
	if p.Event > 0 {
		fmt.Fprintf(&b, ", event %d", p.Event)
	}
	if p.Line > 0 {
		fmt.Fprintf(&b, ", line %d", p.Line)
	}
	return b.String() + ": " + p.Fault.Error()
}

// Unwrap gives the fault.
func (p *Problem) Unwrap() error { return p.Fault }

// Problems is what is wrong with a file, in the order of the file.
type Problems []*Problem

// mostShown bounds how many problems an error spells out.
const mostShown = 50

// Error has one line for each problem.
func (list Problems) Error() string {
	var b strings.Builder
	for i, p := range list {
		if i == mostShown {
			fmt.Fprintf(&b, "\nand %d more", len(list)-i)
			break
		}
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.Error())
	}
	return b.String()
}

// Unwrap gives the problems one by one.
func (list Problems) Unwrap() []error {
	errs := make([]error, len(list))
	for i, p := range list {
		errs[i] = p
	}
	return errs
}

// clip shortens found text for a message.
func clip(s string) string {
	const most = 60
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most]) + "…"
}
