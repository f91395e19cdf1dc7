package eventfile

import (
	"crypto/sha256"
	"encoding/hex"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/fault"
)

// Opener reads a file that an event names, by its path as written: relative to the folder of the event's own file.
type Opener func(path string) ([]byte, error)

// File is a file that an event names by its path; it has to be uploaded before the event is posted.
type File struct {
	Path      string
	Hash      attachment.Hash
	MediaType string
}

// attach puts hashes in place of paths. An attachment may be given as `file: path` in place of its sha256, and so may a spectrum that was measured, whose file
// becomes one of the attachments by it.
func (e *Entry) attach(open Opener) (problems Problems) {
	if e.root.Shape != Map {
		return nil
	}
	refuse := func(line int, field, format string, args ...any) {
		problems = append(problems, &Problem{File: e.File, Event: e.Number, Line: line, Fault: fault.New(fault.InvalidField, field, format, args...)})
	}
	// take reads the file of a node, and writes its hash in place of the path.
	take := func(n *Node, field string) *File {
		i := slices.IndexFunc(n.Keys, func(k Key) bool { return k.Name == "file" })
		if n.Shape != Map || i < 0 {
			return nil
		}
		k := n.Keys[i]
		field += ".file"
		switch v := k.Value; {
		case n.Get("sha256") != nil:
			refuse(k.Line, field, "found both file and sha256, accepted is one of them")
			return nil
		case v.Shape != Text && v.Shape != Plain || v.Text == "":
			refuse(k.Line, field, "found %s, accepted is the path of a file", v.sayFound())
			return nil
		case open == nil:
			refuse(k.Line, field, "found %q, accepted here is sha256: there is no folder to look for it in", clip(v.Text))
			return nil
		}
		name := k.Value.Text
		data, err := open(name)
		if err != nil {
			refuse(k.Line, field, "found %q, which cannot be read: %v", clip(name), err)
			return nil
		}
		f := &File{Path: name, Hash: sha256.Sum256(data), MediaType: attachment.TypeOf(name, data)}
		if stated := n.Get("mediaType"); stated != nil {
			f.MediaType = stated.Text
		}
		switch {
		case len(data) == 0:
			refuse(k.Line, field, "found %q, which is an empty file of 0 bytes, accepted are 1 to %d bytes", clip(name), attachment.MaxBytes)
			return nil
		case len(data) > attachment.MaxBytes:
			refuse(k.Line, field, "found a file of %d bytes, accepted are at most %d", len(data), attachment.MaxBytes)
			return nil
		case f.MediaType == "":
			refuse(k.Line, field, "found %q, which is none of the accepted types: %s", clip(name), strings.Join(attachment.MediaTypes(), ", "))
			return nil
		}
		n.Keys[i] = Key{Name: "sha256", Line: k.Line, Value: &Node{Shape: Text, Line: k.Line, Text: hex.EncodeToString(f.Hash[:])}}
		e.Files = append(e.Files, *f)
		return f
	}
	text := func(line int, name, value string) Key {
		return Key{Name: name, Line: line, Value: &Node{Shape: Text, Line: line, Text: value}}
	}
	describe := func(n *Node, f *File) {
		if n.Get("mediaType") == nil {
			n.Keys = append(n.Keys, text(n.Line, "mediaType", f.MediaType))
		}
		if n.Get("name") == nil {
			n.Keys = append(n.Keys, text(n.Line, "name", filepath.Base(filepath.FromSlash(f.Path))))
		}
	}
	list := e.root.Get("attachments")
	if list != nil && list.Shape == List {
		for i, n := range list.Items {
			if f := take(n, "attachments["+strconv.Itoa(i)+"]"); f != nil {
				describe(n, f)
			}
		}
	}
	for _, at := range [...]string{"tested", "corrected.replacement.tested"} {
		n := e.root
		for step := range strings.SplitSeq(at+".measurement.spectrum", ".") {
			n = n.Get(step)
		}
		if n == nil || n.Shape != Map {
			continue
		}
		f := take(n, at+".measurement.spectrum")
		if f == nil {
			continue
		}
		hash := hex.EncodeToString(f.Hash[:])
		if list == nil {
			list = &Node{Shape: List, Line: n.Line}
			e.root.Keys = append(e.root.Keys, Key{Name: "attachments", Line: n.Line, Value: list})
		}
		if list.Shape == List && !slices.ContainsFunc(list.Items, func(x *Node) bool { h := x.Get("sha256"); return h != nil && h.Text == hash }) {
			item := &Node{Shape: Map, Line: n.Line, Keys: []Key{text(n.Line, "sha256", hash)}}
			describe(item, f)
			list.Items = append(list.Items, item)
		}
	}
	return problems
}
