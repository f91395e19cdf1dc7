package eventfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// readYAML reads YAML documents; empty ones are left out.
func readYAML(data []byte) ([]*Node, *Problem) {
	var nodes []*Node
	for dec := yaml.NewDecoder(bytes.NewReader(data)); ; {
		var doc yaml.Node
		err := dec.Decode(&doc)
		if errors.Is(err, io.EOF) {
			return nodes, nil
		}
		if err != nil {
			return nil, yamlProblem(err)
		}
		if doc.Kind == 0 || len(doc.Content) == 0 {
			continue
		}
		n, problem := fromYAML(doc.Content[0], 0)
		if problem != nil {
			return nil, problem
		}
		if n.Shape != Null {
			nodes = append(nodes, n)
		}
	}
}

// fromYAML takes over what has one meaning only.
func fromYAML(y *yaml.Node, depth int) (*Node, *Problem) {
	refuse := func(field, format string, args ...any) (*Node, *Problem) {
		return nil, &Problem{Line: y.Line, Fault: fault.New(fault.InvalidField, field, format, args...)}
	}
	switch {
	case depth > maxDepth:
		return nil, &Problem{Line: y.Line, Fault: errDepth}
	case y.Kind == yaml.AliasNode:
		return refuse("", "found the alias *%s, accepted is the value itself: events are written out in full", clip(y.Value))
	case y.Anchor != "":
		return refuse("", "found the anchor &%s, accepted are values without anchors", clip(y.Anchor))
	case y.Style&yaml.TaggedStyle != 0:
		return refuse("", "found the tag %s, accepted are values without tags; quotes make a text", clip(y.Tag))
	}
	n := &Node{Line: y.Line}
	switch y.Kind {
	case yaml.SequenceNode:
		n.Shape = List
		for _, item := range y.Content {
			v, problem := fromYAML(item, depth+1)
			if problem != nil {
				return nil, problem
			}
			n.Items = append(n.Items, v)
		}
	case yaml.MappingNode:
		n.Shape = Map
		for i := 0; i+1 < len(y.Content); i += 2 {
			key := y.Content[i]
			switch {
			case key.Kind != yaml.ScalarNode || key.Tag == "!!merge":
				return refuse("", "found a key that is no plain name, accepted are field names")
			case key.Anchor != "":
				return refuse("", "found the anchor &%s, accepted are values without anchors", clip(key.Anchor))
			case n.Get(key.Value) != nil:
				return nil, &Problem{Line: key.Line, Fault: fault.New(fault.InvalidField, key.Value, "found the field twice in one event or part, accepted is once")}
			}
			v, problem := fromYAML(y.Content[i+1], depth+1)
			if problem != nil {
				return nil, problem
			}
			n.Keys = append(n.Keys, Key{Name: key.Value, Line: key.Line, Value: v})
		}
	case yaml.ScalarNode:
		n.Text = y.Value
		switch {
		case y.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) != 0:
			n.Shape = Text
		case y.Style&(yaml.LiteralStyle|yaml.FoldedStyle) != 0:
			n.Shape, n.Text = Text, strings.TrimRight(y.Value, "\n")
		case y.Tag == "!!null":
			n.Shape = Null
		default:
			n.Shape = Plain
		}
	}
	return n, nil
}

var yamlLine = regexp.MustCompile(`^line (\d+): `)

// yamlProblem takes the line out of the library's sentence.
func yamlProblem(err error) *Problem {
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	p := &Problem{}
	if m := yamlLine.FindStringSubmatch(text); m != nil {
		p.Line, _ = strconv.Atoi(m[1])
		text = text[len(m[0]):]
	}
	if strings.Contains(text, "\n") { // a list of several: the first is told
		text, _, _ = strings.Cut(strings.TrimSpace(text), "\n")
	}
	p.Fault = fault.New(fault.InvalidField, "", "%s", fmt.Sprintf("found what is not YAML: %s", text))
	return p
}
