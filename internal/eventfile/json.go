package eventfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// readJSON reads JSON values one after the other, with white space or line ends between them.
func readJSON(data []byte) ([]*Node, *Problem) {
	d := &jsonReader{dec: json.NewDecoder(bytes.NewReader(data)), data: data, line: 1}
	d.dec.UseNumber()
	var nodes []*Node
	for {
		tok, err := d.token()
		if errors.Is(err, io.EOF) {
			return nodes, nil
		}
		if err == nil {
			var n *Node
			if n, err = d.value(tok, 0); err == nil {
				nodes = append(nodes, n)
				continue
			}
		}
		return nil, d.problem(err)
	}
}

type jsonReader struct {
	dec  *json.Decoder
	data []byte
	// line is that of the byte at offset; both only move forwards.
	line   int
	offset int64
}

// token reads the next one and moves the line to its end. A token has no line end in it, so that is its own line.
func (d *jsonReader) token() (json.Token, error) {
	tok, err := d.dec.Token()
	d.moveTo(d.dec.InputOffset())
	return tok, err
}

func (d *jsonReader) moveTo(offset int64) {
	offset = min(offset, int64(len(d.data)))
	if offset > d.offset {
		d.line += bytes.Count(d.data[d.offset:offset], []byte{'\n'})
		d.offset = offset
	}
}

// maxDepth is deeper than any event.
const maxDepth = 32

var errDepth = fault.New(fault.InvalidField, "", "found values nested more than %d deep, accepted is an event", maxDepth)

func (d *jsonReader) value(tok json.Token, depth int) (*Node, error) {
	if depth > maxDepth {
		return nil, errDepth
	}
	n := &Node{Line: d.line}
	switch v := tok.(type) {
	case nil:
		n.Shape = Null
	case bool:
		n.Shape, n.Text = Bool, "false"
		if v {
			n.Text = "true"
		}
	case json.Number:
		n.Shape, n.Text = Number, v.String()
	case string:
		n.Shape, n.Text = Text, v
	case json.Delim:
		if v == '[' {
			return n, d.list(n, depth)
		}
		return n, d.object(n, depth)
	}
	return n, nil
}

func (d *jsonReader) list(n *Node, depth int) error {
	n.Shape = List
	for {
		tok, err := d.token()
		if err != nil {
			return unexpectedEnd(err)
		}
		if tok == json.Delim(']') {
			return nil
		}
		item, err := d.value(tok, depth+1)
		if err != nil {
			return err
		}
		n.Items = append(n.Items, item)
	}
}

func (d *jsonReader) object(n *Node, depth int) error {
	n.Shape = Map
	for {
		tok, err := d.token()
		if err != nil {
			return unexpectedEnd(err)
		}
		if tok == json.Delim('}') {
			return nil
		}
		name, _ := tok.(string)
		if n.Get(name) != nil {
			return fault.New(fault.InvalidField, name, "found the field twice in one object, accepted is once")
		}
		line := d.line
		if tok, err = d.token(); err != nil {
			return unexpectedEnd(err)
		}
		v, err := d.value(tok, depth+1)
		if err != nil {
			return err
		}
		n.Keys = append(n.Keys, Key{Name: name, Line: line, Value: v})
	}
}

func unexpectedEnd(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

func (d *jsonReader) problem(err error) *Problem {
	var syntax *json.SyntaxError
	var f *fault.Error
	switch {
	case errors.As(err, &f):
	case errors.As(err, &syntax):
		d.moveTo(syntax.Offset)
		f = fault.New(fault.InvalidField, "", "found what is not JSON: %v", syntax)
	case errors.Is(err, io.ErrUnexpectedEOF):
		d.moveTo(int64(len(bytes.TrimRight(d.data, "\n"))))
		f = fault.New(fault.InvalidField, "", "found the end of the file inside a value")
	default:
		f = fault.New(fault.InvalidField, "", "found what is not JSON: %s", strings.TrimPrefix(err.Error(), "json: "))
	}
	return &Problem{Line: d.line, Fault: f}
}
