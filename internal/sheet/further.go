package sheet

import (
	"errors"
	"slices"
	"strings"

	"github.com/lotpaper/lotpaper/internal/eventfile"
)

// further lists all problems of the events. The rules of an event tell the first fault only, so the cell at fault is given a stand-in
// that is right in form, and the event is read again, until nothing is found or no stand-in helps.
func (t *reading) further(roots []*eventfile.Node, err error) eventfile.Problems {
	var all, list eventfile.Problems
	type place struct {
		event int
		field string
	}
	told := map[place]bool{}
	for errors.As(err, &list) {
		replaced := false
		for _, p := range list {
			at := place{p.Event, p.Fault.Field}
			if told[at] {
				continue
			}
			told[at] = true
			all = append(all, p)
			replaced = replace(roots[p.Event-1], p.Fault.Field) || replaced
		}
		if !replaced {
			break
		}
		list = nil
		_, err = eventfile.Events(t.name, roots, nil)
	}
	// A cell that was refused for its form already has its stand-in; what is told of it now would speak of that.
	return slices.DeleteFunc(all, func(p *eventfile.Problem) bool {
		return slices.ContainsFunc(t.problems, func(q *eventfile.Problem) bool { return q.Event == p.Event && q.Fault.Field == p.Fault.Field })
	})
}

// replace gives a cell its stand-in; false if there is no such cell or nothing to put there.
func replace(root *eventfile.Node, field string) bool {
	names := strings.FieldsFunc(field, func(r rune) bool { return r == '.' || r == '[' || r == ']' || r == '"' })
	if len(names) == 0 {
		return false
	}
	n := root
	for _, name := range names {
		switch {
		case n == nil:
			return false
		case n.Shape == eventfile.List:
			i := 0
			for _, c := range name {
				i = i*10 + int(c-'0')
			}
			if i < 0 || i >= len(n.Items) {
				return false
			}
			n = n.Items[i]
		default:
			n = n.Get(name)
		}
	}
	text := standIn(names[len(names)-1])
	if text == "lot" { // new lots need a name each
		text = "stand-in.l" + strings.Join(names[:len(names)-1], "")
		text = strings.Map(func(r rune) rune {
			if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r == '-' || r == '.' {
				return r
			}
			return -1
		}, text)
	}
	if n == nil || n.Shape != eventfile.Plain || text == "" || n.Text == text {
		return false
	}
	n.Text = text
	return true
}

// standIn gives a value that the field of a name takes, whatever the event; "" where there is none.
func standIn(name string) string {
	switch name {
	case "requestId":
		return "2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11"
	case "occurredAt", "expires":
		return "2000-01-01"
	case "lot":
		return "lot"
	case "party", "to", "selectedBy", "onBehalfOf":
		return "stand-in"
	case "moisture":
		return "ROOM"
	case "country":
		return "AU"
	case "kind": // of a material; that of a sample has its own words, and none is of both
		return "UNKNOWN"
	case "look", "transparency":
		return "OPAQUE"
	case "form":
		return "ROUGH"
	case "bodyTone", "pieces", "tested", "of", "positive":
		return "1"
	case "mass", "massBefore", "massAfter", "measuredMass":
		return "1 g"
	case "treatment":
		return "HEAT"
	case "extent":
		return "FULL"
	case "selection":
		return "CHOSEN"
	case "purpose":
		return "VIEWING"
	case "identity":
		return "NATURAL_OPAL"
	case "temperatureCelsius", "durationHours":
		return "1"
	case "remark", "region", "deposit", "licence", "bodyColour", "shape", "why", "because", "piece", "note", "medium":
		return "x"
	}
	return ""
}
