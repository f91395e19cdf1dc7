package sheet

import (
	"regexp"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	"github.com/lotpaper/lotpaper/internal/fault"
)

var (
	commaNumber = regexp.MustCompile(`^\d+,\d+$`)
	// twoReadings is a number that is a thousand times another one when its comma is taken for the decimal sign.
	twoReadings = regexp.MustCompile(`^[1-9]\d{0,2},\d{3}$`)
	leadNumber  = regexp.MustCompile(`^[\d.,]+`)
	bareNumber  = regexp.MustCompile(`^\d+(\.\d+)?$`)
	betweenAxes = regexp.MustCompile(`\s*[xX×]\s*`)
)

// nodeOf reads a cell into the value that its column takes. commaDecimal tells that cells are parted by semicolons, which
// spreadsheets do where the comma is the decimal sign.
func nodeOf(c column, text string, line int, commaDecimal bool) (*eventfile.Node, *fault.Error) {
	text = strings.TrimSpace(text)
	n := &eventfile.Node{Shape: eventfile.Plain, Text: text, Line: line}
	if !c.field.IsList() {
		return n, adjust(c, n, commaDecimal)
	}
	n.Shape, n.Text = eventfile.List, ""
	for _, part := range partsOf(c, text) {
		item := &eventfile.Node{Shape: eventfile.Plain, Text: strings.TrimSpace(part), Line: line}
		if item.Text == "" {
			continue
		}
		if f := adjust(c, item, commaDecimal); f != nil {
			return nil, f
		}
		n.Items = append(n.Items, item)
	}
	return n, nil
}

// partsOf parts the cell of a list: dimensions at "x", all others at semicolons or bars.
func partsOf(c column, text string) []string {
	if c.field.Kind() == protoreflect.DoubleKind {
		text = betweenAxes.ReplaceAllString(text, ";")
	}
	return strings.FieldsFunc(text, func(r rune) bool { return r == ';' || r == '|' })
}

// adjust turns a spreadsheet's way of writing into ours.
func adjust(c column, n *eventfile.Node, commaDecimal bool) *fault.Error {
	switch {
	case c.isMass():
		number := leadNumber.FindString(n.Text)
		point, f := decimalPoint(number, commaDecimal)
		if f != nil {
			return f
		}
		n.Text = point + n.Text[len(number):]
		if c.unit != "" && bareNumber.MatchString(n.Text) {
			n.Text += " " + c.unit
		}
	case c.field.Kind() == protoreflect.DoubleKind:
		point, f := decimalPoint(n.Text, commaDecimal)
		if f != nil {
			return f
		}
		n.Text = point
	case c.field.Kind() == protoreflect.BoolKind:
		n.Text = strings.ToLower(n.Text)
	}
	return nil
}

// decimalPoint turns a decimal comma into a point. What is no number with one comma comes back as it is, to be judged as any other.
func decimalPoint(number string, commaDecimal bool) (string, *fault.Error) {
	if !commaNumber.MatchString(number) {
		return number, nil
	}
	if !commaDecimal && twoReadings.MatchString(number) {
		return "", fault.New(fault.InvalidField, "", "found %q, which can be %s or %s; accepted is a point before the decimals and nothing between thousands",
			number, strings.Replace(number, ",", ".", 1), strings.Replace(number, ",", "", 1))
	}
	return strings.Replace(number, ",", ".", 1), nil
}
