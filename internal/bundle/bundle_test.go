package bundle

import (
	"bytes"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"github.com/lotpaper/lotpaper/internal/receipt"
)

func kept(t testing.TB) []byte {
	t.Helper()
	data, err := os.ReadFile("testdata/record.bundle")
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// A record that was given away once is read for ever: this one was made by the first version, of a lot of the demo.
func TestAKeptRecordStillHolds(t *testing.T) {
	data := kept(t)
	c, err := Check(data, "")
	if err != nil {
		t.Fatal(err)
	}
	if c.Anchored || c.Lot == "" || len(c.List) < 3 || c.OwnKey != 0 || !strings.HasPrefix(c.Checkpoint.Origin, "lotpaper/") {
		t.Errorf("%+v", c)
	}
	if again, err := Check(data, c.VerifierKey); err != nil || !again.Anchored {
		t.Errorf("by its own key: %v", err)
	}
	parts, err := Read(data)
	if err != nil {
		t.Fatal(err)
	}
	written, err := Write(parts)
	if err != nil || !bytes.Equal(written, data) {
		t.Errorf("written again it is another file: %v", err)
	}
	// Its notes and proofs are what the library for them reads, without anything of ours.
	v, err := note.NewVerifier(c.VerifierKey)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		if p.Name != partCheckpoint && p.Name != partIndex {
			continue
		}
		n, err := note.Open(p.Content, note.VerifierList(v))
		if err != nil {
			t.Errorf("%s: %v", p.Name, err)
		}
		if p.Name == partCheckpoint {
			tree, err := tlog.ParseTree([]byte("go.sum database tree\n" + strings.SplitN(n.Text, "\n", 2)[1]))
			if err != nil || tree != c.Checkpoint.Tree {
				t.Errorf("%v %v, want %v", tree, err, c.Checkpoint.Tree)
			}
		}
	}
}

func TestReadRefuses(t *testing.T) {
	good, err := Write([]Part{{"a", []byte("one")}, {"b/2", nil}})
	if err != nil {
		t.Fatal(err)
	}
	if parts, err := Read(good); err != nil || len(parts) != 2 || string(parts[0].Content) != "one" || parts[1].Name != "b/2" {
		t.Fatalf("%v %v", parts, err)
	}
	for name, c := range map[string]struct {
		data []byte
		part string
		says string
	}{
		"nothing":           {nil, "file", "does not begin"},
		"another version":   {bytes.Replace(good, []byte("/v1"), []byte("/v2"), 1), "file", "does not begin"},
		"no end":            {good[:len(good)-1-3-8-32-32], "end", "cut off"},
		"half an end":       {good[:len(good)-40], "part after b/2", "cut off"},
		"most of it":        {good[:len(good)-1], "end", "cut off"},
		"something behind":  {append(bytes.Clone(good), 0), "end", "1 bytes behind it"},
		"a content":         {bytes.Replace(good, []byte("one"), []byte("two"), 1), "a", "its bytes are not those"},
		"a name":            {bytes.Replace(good, []byte("b/2"), []byte("b/3"), 1), "b/3", "its bytes are not those"},
		"no name of a part": {bytes.Replace(good, []byte("b/2"), []byte("B/2"), 1), "part after a", `found the name "B/2"`},
	} {
		_, err := Read(c.data)
		var f *receipt.Flaw
		if !errors.As(err, &f) || f.Part != c.part || !strings.Contains(f.Says, c.says) {
			t.Errorf("%s: %v, want %s: %s", name, err, c.part, c.says)
		}
	}
	for _, name := range []string{"", "end", "a b", "Ä", strings.Repeat("a", maxName+1)} {
		if _, err := Write([]Part{{name, nil}}); err == nil {
			t.Errorf("the part %q was written", name)
		}
	}
}

// FuzzCheck holds that whatever is read ends in a record that holds or in a flaw of a named part, and that a container that is read is written as it was.
func FuzzCheck(f *testing.F) {
	data := kept(f)
	f.Add(data, []byte(nil), 0)
	parts, err := Read(data)
	if err != nil {
		f.Fatal(err)
	}
	for i := range parts {
		f.Add([]byte(nil), parts[i].Content, i)
	}
	f.Fuzz(func(t *testing.T, whole, content []byte, at int) {
		if parts, err := Read(whole); err == nil {
			if again, err := Write(parts); err != nil || !bytes.Equal(again, whole) {
				t.Fatalf("written again it is another file: %v", err)
			}
		}
		// A part with another content, in a file that is whole: what stands behind the hashes is read.
		changed := slices.Clone(parts)
		if at >= 0 && at < len(changed) {
			changed[at].Content = content
		}
		file, err := Write(changed)
		if err != nil {
			t.Fatal(err)
		}
		_, err = Check(file, "")
		var flaw *receipt.Flaw
		switch {
		case err == nil && !bytes.Equal(file, data):
			t.Fatal("a changed record holds")
		case err != nil && (!errors.As(err, &flaw) || flaw.Part == "" || flaw.Says == ""):
			t.Fatalf("%v names no part", err)
		}
	})
}
