package eventfile

import (
	"bytes"
	"path"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// MaxFile is the largest file that is read, 64 MiB.
const MaxFile = 64 << 20

// Entry is one event of a file.
type Entry struct {
	File string
	// Number counts the file's events from 1.
	Number int
	// Line is where the event starts.
	Line  int
	Event *pb.Event
	// Given tells that the file itself states the requestId.
	Given bool
	// Files are those that the event names by their paths; they are to be uploaded first.
	Files []File

	root *Node
}

// Read reads a file. It answers all events, or Problems with every place that is wrong. The name tells by its ending what the file is;
// for another ending, or "-", the first character does: JSON starts with a brace or a bracket. open reads the files that events name by their paths; nil:
// none may be named so.
func Read(name string, data []byte, open Opener) ([]*Entry, error) {
	if len(data) > MaxFile {
		return nil, Problems{{File: name, Fault: fault.New(fault.TooLarge, "", "found %d bytes, accepted are %d in one file", len(data), MaxFile)}}
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	if !utf8.Valid(data) {
		return nil, Problems{{File: name, Line: invalidLine(data), Fault: fault.New(fault.InvalidField, "", "found bytes that are no UTF-8, accepted is a text file in UTF-8")}}
	}
	read := readYAML
	if isJSON(name, data) {
		read = readJSON
	}
	docs, problem := read(data)
	if problem != nil {
		problem.File = name
		return nil, Problems{problem}
	}
	var roots []*Node
	for _, doc := range docs {
		if doc.Shape == List {
			roots = append(roots, doc.Items...)
		} else {
			roots = append(roots, doc)
		}
	}
	if len(roots) == 0 {
		return nil, Problems{{File: name, Fault: fault.New(fault.InvalidField, "", "found no event, accepted is one or more")}}
	}
	return Events(name, roots, open)
}

// Events makes entries of nodes, in order, and gives those without a requestId one. open is that of Read.
func Events(name string, roots []*Node, open Opener) ([]*Entry, error) {
	var problems Problems
	entries := make([]*Entry, 0, len(roots))
	seen := map[[32]byte]int{}
	for i, root := range roots {
		e := &Entry{File: name, Number: i + 1, Line: root.Line, Event: &pb.Event{}, root: root}
		if wrong := e.attach(open); len(wrong) > 0 {
			problems = append(problems, wrong...)
			continue
		}
		var f filler
		f.message(e.Event.ProtoReflect(), root, "")
		for _, p := range f.sorted() {
			problems = append(problems, &Problem{File: name, Event: e.Number, Line: p.line, Fault: p.fault})
		}
		if len(f.found) > 0 {
			continue
		}
		e.Given = e.Event.GetRequestId() != ""
		if !e.Given {
			e.Event.RequestId = proto.String(newRequestID(e.Event, seen))
		}
		if _, fault := wire.EventToDomain(e.Event); fault != nil {
			problems = append(problems, e.Problem(fault))
			continue
		}
		entries = append(entries, e)
	}
	if len(problems) > 0 {
		return nil, problems
	}
	return entries, nil
}

// Problem places a fault about this event: the file, the event, and the line of the field, or of the nearest part above it.
func (e *Entry) Problem(f *fault.Error) *Problem {
	return &Problem{File: e.File, Event: e.Number, Line: e.lineOf(f.Field), Fault: f}
}

var pathSteps = regexp.MustCompile(`[^.\[\]"]+|"(?:[^"\\]|\\.)*"`)

// lineOf finds the line on which a field stands.
func (e *Entry) lineOf(field string) int {
	n, line := e.root, e.Line
	for _, step := range pathSteps.FindAllString(field, -1) {
		var next *Node
		switch {
		case n == nil:
		case n.Shape == List:
			if i, err := strconv.Atoi(step); err == nil && i >= 0 && i < len(n.Items) {
				next = n.Items[i]
				line = next.Line
			}
		case n.Shape == Map:
			if s, err := strconv.Unquote(step); err == nil {
				step = s
			}
			for _, k := range n.Keys {
				if k.Name == step {
					next, line = k.Value, k.Line
				}
			}
		}
		if next == nil {
			break
		}
		n = next
	}
	return line
}

func isJSON(name string, data []byte) bool {
	switch strings.ToLower(path.Ext(name)) {
	case ".json", ".jsonl", ".ndjson":
		return true
	case ".yaml", ".yml":
		return false
	}
	data = bytes.TrimLeft(data, " \t\r\n")
	return len(data) > 0 && (data[0] == '{' || data[0] == '[')
}

func invalidLine(data []byte) int {
	line := 1
	for len(data) > 0 {
		r, size := utf8.DecodeRune(data)
		if r == utf8.RuneError && size == 1 {
			break
		}
		if r == '\n' {
			line++
		}
		data = data[size:]
	}
	return line
}

var batchField = regexp.MustCompile(`^events\[(\d+)\]\.?`)

// Blame places the fault that a service answered to a batch of entries: its field starts with the number of the event in the batch, and
// becomes the file, event and line that the poster knows. An error that is no such fault comes back as it is.
func Blame(batch []*Entry, err error) error {
	f, ok := fault.As(err)
	if !ok {
		return err
	}
	m := batchField.FindStringSubmatch(f.Field)
	if m == nil {
		return err
	}
	i, convErr := strconv.Atoi(m[1])
	if convErr != nil || i >= len(batch) {
		return err
	}
	c := *f
	c.Field = f.Field[len(m[0]):]
	return batch[i].Problem(&c)
}
