package harness_test

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/bundle"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/receipt"
	"github.com/lotpaper/lotpaper/services/status"
)

// grow posts descriptions of a lot in one batch.
func (n *node) grow(t *testing.T, events int) {
	t.Helper()
	req := &pb.AppendBatchRequest{}
	for range events {
		req.Events = append(req.Events, &pb.Event{
			RequestId: proto.String(newID()), Lot: proto.String("harrow-gully.r1"), OccurredAt: proto.String("2025-03-05"),
			Body: &pb.Event_Described{Described: &pb.Described{BodyColour: proto.String("white")}},
		})
	}
	if _, err := n.intake().AppendBatch(n.with(t.Context(), "harrow-gully"), req); err != nil {
		t.Fatal(err)
	}
}

// opened is a checkpoint that was verified.
type opened struct {
	tree tlog.Tree
	text string
}

// checkpointOf fetches a checkpoint over HTTP and opens it by the library for signed notes.
func (n *node) checkpointOf(t *testing.T) opened {
	t.Helper()
	a := n.do(t, call{method: "GET", path: "/log/checkpoint"})
	if a.code != http.StatusOK {
		t.Fatalf("%d %s", a.code, a.raw)
	}
	key, err := n.transparency().GetCheckpoint(t.Context(), &pb.GetCheckpointRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return openNote(t, key.GetVerifierKey(), string(a.raw))
}

func openNote(t *testing.T, verifierKey, text string) opened {
	t.Helper()
	v, err := note.NewVerifier(verifierKey)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := note.Open([]byte(text), note.VerifierList(v))
	if err != nil || len(signed.Sigs) != 1 {
		t.Fatalf("%v of\n%s", err, text)
	}
	lines := strings.Split(signed.Text, "\n")
	if len(lines) != 4 || lines[3] != "" || lines[0] != v.Name() || !strings.HasPrefix(lines[0], "lotpaper/") {
		t.Fatalf("%q", lines)
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || strconv.FormatInt(size, 10) != lines[1] {
		t.Fatalf("%q: %v", lines, err)
	}
	root, err := base64.StdEncoding.DecodeString(lines[2])
	if err != nil {
		t.Fatal(err)
	}
	return opened{tlog.Tree{N: size, Hash: tlog.Hash(root)}, text}
}

// overHTTP reads tiles as any client of C2SP's tlog-tiles does; the library compares them with the root.
type overHTTP struct {
	t *testing.T
	n *node
}

func (overHTTP) Height() int                     { return 8 }
func (overHTTP) SaveTiles([]tlog.Tile, [][]byte) {}
func (r overHTTP) path(tile tlog.Tile) string {
	text := fmt.Sprintf("%03d", tile.N%1000)
	for n := tile.N / 1000; n > 0; n /= 1000 {
		text = fmt.Sprintf("x%03d/%s", n%1000, text)
	}
	if tile.W != 256 {
		text += fmt.Sprintf(".p/%d", tile.W)
	}
	return text
}

func (r overHTTP) ReadTiles(tiles []tlog.Tile) (out [][]byte, err error) {
	for _, tile := range tiles {
		a, err := r.n.try(r.t.Context(), call{method: "GET", path: fmt.Sprintf("/log/tile/%d/%s", tile.L, r.path(tile))})
		if err != nil || a.code != http.StatusOK {
			return nil, fmt.Errorf("tile %v: %d %s %v", tile, a.code, a.raw, err)
		}
		out = append(out, a.raw)
	}
	return out, nil
}

// The log proves itself to libraries of others: signed notes and tile reading of golang.org/x/mod, proofs of transparency-dev/merkle.
func TestTheLogProvesItself(t *testing.T) {
	n := minerNode(t, nil)
	var seen []opened
	for _, more := range []int{1, 250, 3, 256, 777} {
		n.grow(t, more)
		seen = append(seen, n.checkpointOf(t))
	}
	last := seen[len(seen)-1]
	if uint64(last.tree.N) != n.next() {
		t.Errorf("the checkpoint is of %d events, the log has %d", last.tree.N, n.next())
	}
	reader := overHTTP{t, n}
	hashes := tlog.TileHashReader(last.tree, reader)
	hasher := rfc6962.DefaultHasher
	for _, index := range []int64{0, 1, 255, 256, 300, 511, 512, last.tree.N - 1} {
		// The library's own proof, of tiles that it compared with the root.
		theirs, err := tlog.ProveRecord(last.tree.N, index, hashes)
		if err != nil {
			t.Fatalf("index %d: %v", index, err)
		}
		out, err := n.transparency().ProveInclusion(t.Context(), &pb.ProveInclusionRequest{Position: &index})
		if err != nil {
			t.Fatalf("index %d: %v", index, err)
		}
		leaf, err := block.DecodeLeaf(out.GetEntry())
		if err != nil || int64(leaf.Position) != index || len(out.GetHashes()) != len(theirs) {
			t.Errorf("index %d: leaf %+v, %d hashes, the library has %d: %v", index, leaf, len(out.GetHashes()), len(theirs), err)
			continue
		}
		for i := range theirs {
			if !bytes.Equal(theirs[i][:], out.GetHashes()[i]) {
				t.Errorf("index %d: hash %d differs", index, i)
			}
		}
		if err := proof.VerifyInclusion(hasher, uint64(index), uint64(last.tree.N), hasher.HashLeaf(out.GetEntry()), out.GetHashes(), last.tree.Hash[:]); err != nil {
			t.Errorf("index %d: %v", index, err)
		}
		if !strings.HasPrefix(out.GetProof(), fmt.Sprintf("c2sp.org/tlog-proof@v1\nextra %s\nindex %d\n", base64.StdEncoding.EncodeToString(out.GetEntry()), index)) || !strings.HasSuffix(out.GetProof(), "\n\n"+last.text) || out.GetCheckpoint() != last.text {
			t.Errorf("index %d: %s", index, out.GetProof())
		}
	}
	// Every checkpoint is the beginning of each later one, by two libraries.
	for i, a := range seen {
		for _, b := range seen[i:] {
			out, err := n.transparency().ProveConsistency(t.Context(), &pb.ProveConsistencyRequest{From: &a.tree.N, To: &b.tree.N})
			if err != nil {
				t.Fatal(err)
			}
			if err := proof.VerifyConsistency(hasher, uint64(a.tree.N), uint64(b.tree.N), out.GetHashes(), a.tree.Hash[:], b.tree.Hash[:]); err != nil {
				t.Errorf("%d to %d: %v", a.tree.N, b.tree.N, err)
			}
			var list tlog.TreeProof
			for _, h := range out.GetHashes() {
				list = append(list, tlog.Hash(h))
			}
			if err := tlog.CheckTree(list, b.tree.N, b.tree.Hash, a.tree.N, a.tree.Hash); err != nil {
				t.Errorf("%d to %d: %v", a.tree.N, b.tree.N, err)
			}
		}
	}
	// The entries hash to the tiles of level 0, and hold no content.
	for _, tile := range []tlog.Tile{{H: 8, L: 0, N: 0, W: 256}, {H: 8, L: 0, N: last.tree.N / 256, W: int(last.tree.N % 256)}} {
		bundle := n.do(t, call{method: "GET", path: "/log/tile/entries/" + reader.path(tile)})
		level0, err := reader.ReadTiles([]tlog.Tile{tile})
		if err != nil || bundle.code != http.StatusOK || bundle.header.Get("Cache-Control") == "no-store" {
			t.Fatalf("%d %v", bundle.code, err)
		}
		rest, count := bundle.raw, 0
		for len(rest) > 2 {
			size := int(binary.BigEndian.Uint16(rest))
			if got := hasher.HashLeaf(rest[2 : 2+size]); !bytes.Equal(got, level0[0][32*count:32*count+32]) {
				t.Fatalf("entry %d of tile %d hashes to %x", count, tile.N, got)
			}
			rest, count = rest[2+size:], count+1
		}
		if count != tile.W || bytes.Contains(bundle.raw, []byte("white")) || bytes.Contains(bundle.raw, []byte("harrow")) {
			t.Errorf("tile %d has %d entries", tile.N, count)
		}
	}
}

// What is asked wrongly is told so, with the right status.
func TestPublishedErrors(t *testing.T) {
	n := minerNode(t, nil)
	for path, want := range map[string]struct {
		code   int
		reason string
	}{
		"/log/tile/0/000":              {404, "UNKNOWN_TILE"},
		"/log/tile/0/000.p/200":        {404, "UNKNOWN_TILE"},
		"/log/tile/entries/000":        {404, "UNKNOWN_TILE"},
		"/log/tile/entries/x001/000":   {404, "UNKNOWN_TILE"},
		"/log/tile/1/000.p/1":          {404, "UNKNOWN_TILE"},
		"/log/tile/0/0":                {404, "NO_ROUTE"},
		"/log/tile/0/x000/000":         {404, "NO_ROUTE"},
		"/log/tile/0/000.p/256":        {404, "NO_ROUTE"},
		"/log/tile/0/000.p/0":          {404, "NO_ROUTE"},
		"/log/tile/0/000.p/01":         {404, "NO_ROUTE"},
		"/log/tile/8/000":              {400, "INVALID_FIELD"},
		"/log/tile/data/000":           {404, "NO_ROUTE"},
		"/log/other":                   {404, "NO_ROUTE"},
		"/v1/log/inclusion":            {400, "INVALID_FIELD"},
		"/v1/log/inclusion?position=9": {404, "UNKNOWN_EVENT"},
		"/v1/log/inclusion?event=x":    {404, "UNKNOWN_EVENT"},
		"/v1/log/consistency":          {400, "INVALID_FIELD"},
		"/v1/log/consistency?from=9":   {400, "INVALID_FIELD"},
	} {
		a := n.do(t, call{method: "GET", path: path})
		if f := a.refusal(t); a.code != want.code || f.reason != want.reason || !strings.Contains(f.message, "found") {
			t.Errorf("%s: %d %+v, want %d %s", path, a.code, f, want.code, want.reason)
		}
	}
	if a := n.do(t, call{method: "POST", path: "/log/checkpoint"}); a.code != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", a.code)
	}
	a := n.do(t, call{method: "GET", path: "/v1/log/checkpoint"})
	if a.code != 200 || !strings.HasPrefix(a.header.Get("Content-Type"), "text/plain") || a.header.Get("Cache-Control") != "no-store" {
		t.Errorf("%d %v", a.code, a.header)
	}
}

// The record of a lot is given to whoever has a token, as a file; what is asked wrongly is refused by name.
func TestRecordOverREST(t *testing.T) {
	n := minerNode(t, nil)
	n.grow(t, 3)
	lot := n.get(t, "harrow-gully", "/v1/lots").ok(t).text(t, "lots", 0, "lot")
	path := "/v1/lots/" + lot + "/proof"
	a := n.do(t, call{method: "GET", path: path + "?asOf=2026-01-01&since=1", as: "harrow-gully"})
	if a.code != 200 || a.header.Get("Content-Type") != "application/octet-stream" || a.header.Get("Content-Disposition") != `attachment; filename="`+lot+`.bundle"` || a.header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%d %v", a.code, a.header)
	}
	c, err := bundle.Check(a.raw, "")
	if err != nil || c.Lot != lot || c.Since != 1 || c.Anchored {
		t.Fatalf("%+v %v", c, err)
	}
	if a := n.do(t, call{method: "HEAD", path: path, as: "harrow-gully"}); a.code != 200 || len(a.raw) != 0 {
		t.Errorf("HEAD: %d with %d bytes", a.code, len(a.raw))
	}
	for name, c := range map[string]struct {
		call   call
		code   int
		reason string
		field  string
	}{
		"no token":          {call{method: "GET", path: path}, 401, "NO_TOKEN", ""},
		"an unknown lot":    {call{method: "GET", path: "/v1/lots/harrow-gully.no/proof", as: "harrow-gully"}, 404, "UNKNOWN_LOT", "lot"},
		"no lot's id":       {call{method: "GET", path: "/v1/lots/a%2fb/proof", as: "harrow-gully"}, 404, "UNKNOWN_LOT", "lot"},
		"a parameter":       {call{method: "GET", path: path + "?lot=x", as: "harrow-gully"}, 400, "INVALID_FIELD", "lot"},
		"another parameter": {call{method: "GET", path: path + "?knownAt=3", as: "harrow-gully"}, 400, "INVALID_FIELD", "knownAt"},
		"no number":         {call{method: "GET", path: path + "?since=x", as: "harrow-gully"}, 400, "INVALID_FIELD", "since"},
		"since nothing":     {call{method: "GET", path: path + "?since=0", as: "harrow-gully"}, 400, "INVALID_FIELD", "since"},
		"since what comes":  {call{method: "GET", path: path + "?since=4711", as: "harrow-gully"}, 400, "INVALID_FIELD", "since"},
		"no time":           {call{method: "GET", path: path + "?asOf=yesterday", as: "harrow-gully"}, 400, "INVALID_FIELD", "asOf"},
		"another method":    {call{method: "POST", path: path, as: "harrow-gully"}, 405, "METHOD_NOT_ALLOWED", ""},
	} {
		a := n.do(t, c.call)
		if f := a.refusal(t); a.code != c.code || f.reason != c.reason || c.field != "" && f.field != c.field {
			t.Errorf("%s: %d %+v, want %d %s in %s", name, a.code, f, c.code, c.reason, c.field)
		}
	}
}

func (n *node) transparency() pb.TransparencyServiceClient {
	return pb.NewTransparencyServiceClient(n.Conn())
}

// A log whose keeper goes on with another history from an earlier copy, under the same keys, cannot prove that what it showed before is its beginning.
func TestARewrittenLogIsFound(t *testing.T) {
	n := minerNode(t, nil)
	n.grow(t, 20)
	before := n.checkpointOf(t)
	n.down(t)
	copied := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(copied, os.DirFS(n.cfg.DataDir)); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"admin", "intake", "checkpoint", "salt", "handle"} { // CopyFS keeps no modes
		if err := os.Chmod(filepath.Join(copied, "keys", name+".pem"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	n.up(t)
	n.grow(t, 30)
	shown := n.checkpointOf(t)
	n.down(t)
	other := &node{cfg: harness.Config{DataDir: copied, Listen: "127.0.0.1:0", GRPCListen: "127.0.0.1:0"}, tokens: n.tokens}
	other.up(t)
	t.Cleanup(func() { other.down(t) })
	other.grow(t, 40)
	now := other.checkpointOf(t)
	check := func(older opened) error {
		t.Helper()
		out, err := other.transparency().ProveConsistency(t.Context(), &pb.ProveConsistencyRequest{From: &older.tree.N, To: &now.tree.N})
		if err != nil {
			t.Fatal(err)
		}
		return receipt.Follows(&receipt.Checkpoint{Origin: "o", Tree: older.tree}, &receipt.Checkpoint{Origin: "o", Tree: now.tree}, out.GetHashes())
	}
	if err := check(before); err != nil {
		t.Errorf("what both have: %v", err)
	}
	if err := check(shown); err == nil || !strings.Contains(err.Error(), "is not the beginning") {
		t.Errorf("what was shown and rewritten: %v", err)
	}
}

// recordHolds fetches a lot's record and checks it: its status, computed from its events alone, is the service's.
func (n *node) recordHolds(t *testing.T, as, lot string) {
	t.Helper()
	path := "/v1/lots/" + lot + "/proof?asOf=2026-01-01"
	c, err := bundle.Check(n.get(t, as, path).ok(t).raw, "")
	if err != nil {
		t.Errorf("the record of %s: %v", lot, err)
		return
	}
	list := make([]*opal.Recorded, len(c.List))
	for i, e := range c.List {
		list[i] = e.Recorded
	}
	got, err := status.Replay(c, list, c.Lot, c.AsOf, uint64(c.Checkpoint.Tree.N), c.Epoch)
	if err != nil {
		t.Errorf("the record of %s: %v", lot, err)
		return
	}
	want, stated := &pb.GetStatusResponse{}, &pb.GetStatusResponse{}
	if err := errors.Join(protojson.Unmarshal(n.get(t, as, "/v1/lots/"+lot+"/status?asOf=2026-01-01").ok(t).raw, want), protojson.Unmarshal(c.Status, stated)); err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(got, want) || !proto.Equal(stated, want) {
		t.Errorf("the record of %s gives %v, the service %v", lot, got, want)
	}
}
