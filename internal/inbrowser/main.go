//go:build js && wasm

// Command inbrowser is what checks a lot's record in a browser: the same code as lotpaper verify, compiled to WebAssembly.
//
// It checks the log's signature over the whole record, each event's signatures and that their keys counted then, that each event is in the log, and that the
// accounts accept each event as they did. The verdicts it reads from what the log signed; lotpaper verify also computes them again.
package main

import (
	"encoding/json"
	"errors"
	"syscall/js"

	"github.com/lotpaper/lotpaper/internal/bundle"
	"github.com/lotpaper/lotpaper/internal/receipt"
)

// answer is what the page is told.
type answer struct {
	Holds bool `json:"holds"`
	// Part and Says tell what does not hold.
	Part string `json:"part,omitempty"`
	Says string `json:"says,omitempty"`
	// Followed: an older checkpoint was compared, and the log was only added to since.
	Followed      bool            `json:"followed"`
	Origin        string          `json:"origin,omitempty"`
	VerifierKey   string          `json:"verifierKey,omitempty"`
	Anchored      bool            `json:"anchored"`
	Checkpoint    string          `json:"checkpoint,omitempty"`
	Size          int64           `json:"size,omitempty"`
	Lot           string          `json:"lot,omitempty"`
	AsOf          string          `json:"asOf,omitempty"`
	Events        int             `json:"events,omitempty"`
	SignedByParty int             `json:"signedByParty"`
	Status        json.RawMessage `json:"status,omitempty"`
}

func main() {
	js.Global().Set("lotpaperCheck", js.FuncOf(func(_ js.Value, args []js.Value) any {
		data := make([]byte, args[0].Length())
		js.CopyBytesToGo(data, args[0])
		out, err := json.Marshal(check(data, args[1].String(), args[2].String()))
		if err != nil {
			return `{"holds":false,"says":"the answer cannot be written"}`
		}
		return string(out)
	}))
	select {} // the page calls, as long as it is there
}

// check checks a record against a log's key and an older checkpoint; "": none.
func check(data []byte, key, older string) *answer {
	c, err := bundle.Check(data, key)
	if err != nil {
		return flaw(err)
	}
	out := &answer{
		Holds: true, Origin: c.Checkpoint.Origin, VerifierKey: c.VerifierKey, Anchored: c.Anchored, Checkpoint: c.Checkpoint.Text, Size: c.Checkpoint.Tree.N,
		Lot: c.Lot, AsOf: c.AsOf, Events: len(c.List), SignedByParty: c.OwnKey, Status: json.RawMessage(c.Status),
	}
	if older == "" {
		return out
	}
	before, err := receipt.ReadCheckpoint(older, c.VerifierKey)
	if err == nil {
		err = c.Follows(before)
	}
	if err != nil {
		return flaw(err)
	}
	out.Followed = true
	return out
}

func flaw(err error) *answer {
	var f *receipt.Flaw
	if errors.As(err, &f) {
		return &answer{Part: f.Part, Says: f.Says}
	}
	return &answer{Says: err.Error()}
}
