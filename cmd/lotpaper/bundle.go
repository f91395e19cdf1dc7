package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/bundle"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/receipt"
	"github.com/lotpaper/lotpaper/internal/table"
	"github.com/lotpaper/lotpaper/services/status"
)

// proveLot fetches a lot's record, checks it, and writes it.
func (a *app) proveLot(ctx context.Context, lot, out, asOf, since string) error {
	in := &pb.GetLotProofRequest{Lot: lot}
	if asOf != "" {
		in.AsOf = &asOf
	}
	if since != "" {
		n, err := sizeIn(since)
		if err != nil {
			return err
		}
		in.Since = &n
	}
	c, err := a.client()
	if err != nil {
		return err
	}
	data, err := c.LotProof(ctx, in)
	if err != nil {
		return err
	}
	// What is kept was checked: a record that does not hold is of no use to anybody later.
	checked, got, err := check(data, "")
	if err != nil {
		return fmt.Errorf("the service's record does not hold: %w", err)
	}
	if out == "" {
		out = lot + ".bundle"
	}
	if err := os.WriteFile(out, data, 0o644); err != nil {
		return fmt.Errorf("write the record: %w", err)
	}
	if a.asJSON() {
		return a.printMap(map[string]any{"lot": lot, "file": out, "bytes": len(data), "events": len(checked.List), "size": checked.Checkpoint.Tree.N, "verifierKey": checked.VerifierKey})
	}
	p := a.page()
	p.Heading("The record of " + lot)
	p.Pairs(
		table.Pair{Name: "file", Value: fmt.Sprintf("%s, %d bytes", out, len(data))},
		table.Pair{Name: "events", Value: fmt.Sprintf("%d of the log's %d", len(checked.List), checked.Checkpoint.Tree.N)},
		table.Pair{Name: "overall", Value: got.GetOverall()},
		table.Pair{Name: "log key", Value: checked.VerifierKey},
	)
	p.Blank()
	p.Text(0, table.Plain, "Whoever gets the file needs the log key from you or from the keeper of the log in another way; then: lotpaper verify FILE --log-key KEY")
	return p.Err()
}

// sizeIn reads the size off a checkpoint, which is verified once the record is.
func sizeIn(name string) (int64, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return 0, fmt.Errorf("read the checkpoint: %w", err)
	}
	lines := strings.SplitN(string(text), "\n", 3)
	if len(lines) == 3 {
		if n, err := strconv.ParseInt(lines[1], 10, 64); err == nil && n > 0 {
			return n, nil
		}
	}
	return 0, fmt.Errorf("%s: found no checkpoint, accepted is a signed note with origin, size and root", name)
}

// check checks a lot's record and computes its status anew.
func check(data []byte, key string) (*bundle.Checked, *pb.GetStatusResponse, error) {
	c, err := bundle.Check(data, key)
	if err != nil {
		return nil, nil, err
	}
	stated := &pb.GetStatusResponse{}
	if err := protojson.Unmarshal(c.Status, stated); err != nil {
		return nil, nil, &receipt.Flaw{Part: "status", Says: "it cannot be read: " + err.Error()}
	}
	list := make([]*opal.Recorded, len(c.List))
	for i, e := range c.List {
		list[i] = e.Recorded
	}
	got, err := status.Replay(c, list, c.Lot, c.AsOf, uint64(c.Checkpoint.Tree.N), c.Epoch)
	if err != nil {
		return nil, nil, &receipt.Flaw{Part: "status", Says: "it cannot be computed from the events: " + err.Error()}
	}
	if !proto.Equal(got, stated) {
		return nil, nil, &receipt.Flaw{Part: "status", Says: "computed anew from the events it is another one: " + difference(stated, got)}
	}
	return c, got, nil
}

// difference names what two statuses differ in first.
func difference(a, b *pb.GetStatusResponse) string {
	if a.GetOverall() != b.GetOverall() {
		return fmt.Sprintf("overall %s, computed %s", a.GetOverall(), b.GetOverall())
	}
	for i, t := range a.GetTreatments() {
		if i < len(b.GetTreatments()) && !proto.Equal(t, b.GetTreatments()[i]) {
			return fmt.Sprintf("%s %s, computed %s", strings.ToLower(t.GetTreatment()), t.GetVerdict(), b.GetTreatments()[i].GetVerdict())
		}
	}
	return "its custody, its sales or its words differ"
}

func (a *app) verifyLot(name string, data []byte, key, older string) error {
	c, got, err := check(data, key)
	if err != nil {
		return a.failed(name, err)
	}
	if older != "" {
		before, err := checkpointIn(older, c.VerifierKey)
		if err == nil {
			err = c.Follows(before)
		}
		if err != nil {
			return a.failed(older, err)
		}
	}
	if a.asJSON() {
		text, err := protojson.Marshal(got)
		if err != nil {
			return fmt.Errorf("write the answer: %w", err)
		}
		return a.printMap(map[string]any{
			"verified": true, "anchored": c.Anchored, "verifierKey": c.VerifierKey, "origin": c.Checkpoint.Origin, "size": c.Checkpoint.Tree.N, "lot": c.Lot, "asOf": c.AsOf,
			"events": len(c.List), "signedByParty": c.OwnKey, "status": rawJSON(text),
		})
	}
	p := a.page()
	p.Heading("The record of " + c.Lot + " holds")
	attested := len(c.List) - 1 - c.OwnKey
	p.Pairs(
		table.Pair{Name: "log", Value: fmt.Sprintf("%s, %d events", c.Checkpoint.Origin, c.Checkpoint.Tree.N)},
		table.Pair{Name: "events", Value: fmt.Sprintf("%d: %d signed by the party's own key, %d posted with its token, as the service attests", len(c.List), c.OwnKey, attested)},
		table.Pair{Name: "as of", Value: c.AsOf},
		table.Pair{Name: "overall", Value: got.GetOverall()},
	)
	p.Blank()
	p.Text(0, table.Plain, got.GetStatement())
	p.Blank()
	if !c.Anchored {
		p.Text(0, table.Plain, "The log key comes from the file itself: "+c.VerifierKey)
		p.Text(0, table.Plain, "Anybody can make a log of his own. Compare the key with what the keeper of the log tells you in another way, and give it with --log-key.")
	}
	p.Text(0, table.Plain, "That nothing was left out is the log's signed word. The mass balance over all relatives of the lot is not in the file.")
	return p.Err()
}

// rawJSON is JSON that stands in other JSON as it is, without the blanks that its writer puts in at will.
type rawJSON []byte

// MarshalJSON gives it.
func (r rawJSON) MarshalJSON() ([]byte, error) {
	if len(bytes.TrimSpace(r)) == 0 {
		return nil, errors.New("found no JSON")
	}
	return r, nil
}
