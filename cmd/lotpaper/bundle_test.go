package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/cmd/lotpaper/demo"
	"github.com/lotpaper/lotpaper/internal/bundle"
	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/envelope"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/receipt"
)

// demonstrated is the demo's service, loaded.
type demonstrated struct {
	server, data string
	asker        *client.Client
}

func startDemo(t *testing.T) *demonstrated {
	t.Helper()
	data := filepath.Join(t.TempDir(), "data")
	c := startCommand(t, "demo", "--data", data, "--listen", "127.0.0.1:0", "--grpc-listen", "127.0.0.1:0")
	d := &demonstrated{server: c.waitFor(t, `(?m)^Serving on (http://127\.0\.0\.1:\d+) until`, time.Minute), data: data}
	t.Cleanup(func() { c.end(t) })
	d.asker = d.as(t, demo.Asks)
	return d
}

func (d *demonstrated) as(t *testing.T, party string) *client.Client {
	t.Helper()
	token, err := readToken(filepath.Join(d.data, "demo-tokens", party))
	if err != nil {
		t.Fatal(err)
	}
	c, err := client.New(client.Config{Server: d.server, Token: token})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (d *demonstrated) record(t *testing.T, in *pb.GetLotProofRequest) []byte {
	t.Helper()
	data, err := d.asker.LotProof(t.Context(), in)
	if err != nil {
		t.Fatalf("%s: %v", in.GetLot(), err)
	}
	return data
}

// key is the log's verifier key and private key.
func (d *demonstrated) key(t *testing.T) (string, ed25519.PrivateKey) {
	t.Helper()
	keys, err := envelope.LoadKeys(d.data)
	if err != nil {
		t.Fatal(err)
	}
	r, err := d.asker.ProveInclusion(t.Context(), &pb.ProveInclusionRequest{Position: proto.Int64(0)})
	if err != nil {
		t.Fatal(err)
	}
	return r.GetVerifierKey(), keys.Checkpoint
}

// lots are all lots of the demo, as its parties see them.
func (d *demonstrated) lots(t *testing.T) (out []string) {
	t.Helper()
	parties, err := demo.Parties()
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, p := range parties {
		list, err := d.as(t, p.Party).ListLots(t.Context(), &pb.ListLotsRequest{PageSize: proto.Int32(1000)})
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range list.GetLots() {
			if !have[l.GetLot()] {
				have[l.GetLot()] = true
				out = append(out, l.GetLot())
			}
		}
	}
	return out
}

// flawIn answers the part that a check names.
func flawIn(t *testing.T, err error) string {
	t.Helper()
	var f *receipt.Flaw
	if !errors.As(err, &f) {
		t.Fatalf("%v is no flaw of a part", err)
	}
	return f.Part
}

// Each lot of the demo has a record that holds, whose status, computed from its events alone, is the service's own: the sampled parcel and what was sorted from it,
// the laboratory's own counts, withdrawn and corrected events, late disclosures among them. And no private value is in any.
func TestRecordsHold(t *testing.T) {
	d := startDemo(t)
	key, _ := d.key(t)
	lots := d.lots(t)
	if len(lots) < 60 {
		t.Fatalf("%d lots", len(lots))
	}
	private := d.privateValues(t, lots)
	if len(private) < 15 {
		t.Fatalf("%d private values", len(private))
	}
	asOf := "2026-01-01"
	for _, lot := range lots {
		data := d.record(t, &pb.GetLotProofRequest{Lot: lot, AsOf: &asOf})
		c, got, err := check(data, key)
		if err != nil {
			t.Errorf("%s: %v", lot, err)
			continue
		}
		want, err := d.asker.GetStatus(t.Context(), &pb.GetStatusRequest{Lot: lot, AsOf: &asOf})
		if err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(got, want) || c.Lot != lot || !c.Anchored {
			t.Errorf("%s: %v, want %v", lot, got, want)
		}
		if _, _, err := check(data, ""); err != nil {
			t.Errorf("%s, by its own key: %v", lot, err)
		}
		for _, v := range private {
			if bytes.Contains(data, []byte(v)) {
				t.Errorf("%s: the private value %q is in it", lot, v)
			}
		}
	}
}

// privateValues are what the parties see of their own events and nobody else does.
func (d *demonstrated) privateValues(t *testing.T, lots []string) (out []string) {
	t.Helper()
	have := map[string]bool{}
	for _, lot := range lots {
		party, _, _ := strings.Cut(lot, ".")
		h, err := d.as(t, party).GetHistory(t.Context(), &pb.GetHistoryRequest{Lot: lot, PageSize: proto.Int32(1000)})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range h.GetEvents() {
			o := e.GetMined().GetOrigin()
			for _, v := range []string{e.GetRemark(), o.GetRegion(), o.GetDeposit(), o.GetLicence(), e.GetSold().GetPrice(), e.GetAcquired().GetFrom()} {
				if len(v) > 5 && !have[v] {
					have[v] = true
					out = append(out, v)
				}
			}
		}
	}
	return out
}

// Every single byte of a record counts: whichever is changed, the check fails and names the part that it lies in.
func TestEveryByteCounts(t *testing.T) {
	d := startDemo(t)
	key, _ := d.key(t)
	asOf := "2026-01-01"
	small := []byte(nil)
	for _, lot := range d.lots(t) {
		if data := d.record(t, &pb.GetLotProofRequest{Lot: lot, AsOf: &asOf}); small == nil || len(data) < len(small) {
			small = data
		}
	}
	parts, err := bundle.Read(small)
	if err != nil {
		t.Fatal(err)
	}
	// Where each part begins and ends: its head is one byte, its name, 8 and 32 bytes.
	type place struct {
		name     string
		from, to int
	}
	places := []place{{"file", 0, len(bundle.Magic)}}
	at := len(bundle.Magic)
	for _, p := range append(parts, bundle.Part{Name: "end", Content: make([]byte, 32)}) {
		end := at + 1 + len(p.Name) + 8 + 32 + len(p.Content)
		places = append(places, place{p.Name, at, end})
		at = end
	}
	if at != len(small) {
		t.Fatalf("%d bytes, want %d", at, len(small))
	}
	t.Logf("%d bytes in %d parts", len(small), len(parts))
	changed := make([]byte, len(small))
	for n, p := range places {
		for i := p.from; i < p.to; i++ {
			copy(changed, small)
			changed[i] ^= byte(1 << (i % 8))
			_, err := bundle.Check(changed, key)
			if err == nil {
				t.Fatalf("byte %d of %s may be changed", i, p.name)
			}
			named := flawIn(t, err)
			before := "part after the beginning"
			if n > 1 {
				before = "part after " + places[n-1].name
			}
			// In a changed name the part is named as it reads now, or by the one before it.
			inName := n > 0 && i > p.from && i <= p.from+len(p.name)
			if named != p.name && named != before && !inName && !(i == p.from && n > 0) {
				t.Fatalf("byte %d of %s: %v", i, p.name, err)
			}
		}
	}
	for n := 0; n < len(small); n += 97 {
		if _, err := bundle.Check(small[:n], key); err == nil {
			t.Fatalf("cut off after %d bytes it still holds", n)
		}
	}
}

// Who changes a record and puts the file together anew is found out by what was signed; and even the log's own keeper cannot state a status that does not follow.
func TestForgedRecords(t *testing.T) {
	d := startDemo(t)
	key, private := d.key(t)
	asOf := "2026-01-01"
	honest := d.record(t, &pb.GetLotProofRequest{Lot: "wet-wheel.k2", AsOf: &asOf})
	other := d.record(t, &pb.GetLotProofRequest{Lot: "wet-wheel.f1", AsOf: &asOf})
	late := "2027-01-01"
	later := d.record(t, &pb.GetLotProofRequest{Lot: "wet-wheel.k2", AsOf: &late})
	origin, _, _ := strings.Cut(key, "+")
	whole, err := bundle.Read(honest)
	if err != nil {
		t.Fatal(err)
	}
	resign := func(t *testing.T, parts []bundle.Part) []byte {
		t.Helper()
		parts = parts[:len(parts)-1]
		as := strings.Split(string(whole[len(whole)-1].Content), "\n")[4]
		index := signed(t, key, private, bundle.IndexText(origin, size(t, whole), "wet-wheel.k2", as, parts))
		data, err := bundle.Write(append(parts[:len(parts):len(parts)], bundle.Part{Name: "index", Content: []byte(index)}))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	find := func(parts []bundle.Part, prefix string, n int) int {
		for i := range parts {
			if strings.HasPrefix(parts[i].Name, prefix) {
				if n--; n < 0 {
					return i
				}
			}
		}
		t.Fatalf("no part %s", prefix)
		return 0
	}
	for name, c := range map[string]struct {
		forge  func(parts []bundle.Part) []bundle.Part
		keeper bool // the forger has the log's key
		part   string
	}{
		"another status": {func(p []bundle.Part) []bundle.Part {
			i := find(p, "status", 0)
			p[i].Content = bytes.ReplaceAll(p[i].Content, []byte(`"DECLARED"`), []byte(`"NOT_FOUND"`))
			return p
		}, false, "index"},
		"another status, by the keeper": {func(p []bundle.Part) []bundle.Part {
			i := find(p, "status", 0)
			p[i].Content = bytes.ReplaceAll(p[i].Content, []byte(`"DECLARED"`), []byte(`"NOT_FOUND"`))
			return p
		}, true, "status"},
		"an event left out": {func(p []bundle.Part) []bundle.Part {
			i := find(p, "event/", 5)
			return append(p[:i:i], p[i+1:]...)
		}, false, "index"},
		"the opening of the log left out, by the keeper": {func(p []bundle.Part) []bundle.Part {
			i := find(p, "event/0", 0)
			return append(p[:i:i], p[i+1:]...)
		}, true, "event/0"},
		"an envelope left out, by the keeper": {func(p []bundle.Part) []bundle.Part {
			i := find(p, "envelope/", 3)
			return append(p[:i:i], p[i+1:]...)
		}, true, "event/"},
		"another's status": {func(p []bundle.Part) []bundle.Part {
			q, err := bundle.Read(other)
			if err != nil {
				t.Fatal(err)
			}
			p[find(p, "status", 0)] = q[find(q, "status", 0)]
			return p
		}, true, "status"},
		"the status of another day": {func(p []bundle.Part) []bundle.Part {
			q, err := bundle.Read(later)
			if err != nil {
				t.Fatal(err)
			}
			p[find(p, "status", 0)] = q[find(q, "status", 0)]
			return p
		}, true, "status"},
		"events in another order, by the keeper": {func(p []bundle.Part) []bundle.Part {
			i, j := find(p, "event/", 2), find(p, "event/", 3)
			p[i], p[j] = p[j], p[i]
			return p
		}, true, "event/"},
		"another rule table, by the keeper": {func(p []bundle.Part) []bundle.Part {
			i := find(p, "rules", 0)
			p[i].Content = append(bytes.Clone(p[i].Content), '\n')
			return p
		}, true, "rules"},
		"a part that is none, by the keeper": {func(p []bundle.Part) []bundle.Part {
			return append([]bundle.Part{{Name: "more", Content: []byte("x")}}, p...)
		}, true, "more"},
		"an envelope that nothing came in, by the keeper": {func(p []bundle.Part) []bundle.Part {
			q, err := bundle.Read(other)
			if err != nil {
				t.Fatal(err)
			}
			have := map[string]bool{}
			for i := range p {
				have[p[i].Name] = true
			}
			for i := range q {
				if strings.HasPrefix(q[i].Name, "envelope/") && !have[q[i].Name] {
					return append([]bundle.Part{q[i]}, p...)
				}
			}
			t.Fatal("no other envelope")
			return nil
		}, true, "envelope/"},
		"a bit of a statement, by the keeper": {func(p []bundle.Part) []bundle.Part {
			i := find(p, "event/", 4)
			p[i].Content = bytes.Clone(p[i].Content)
			p[i].Content[250] ^= 1
			return p
		}, true, "event/"},
	} {
		t.Run(name, func(t *testing.T) {
			parts, err := bundle.Read(bytes.Clone(honest))
			if err != nil {
				t.Fatal(err)
			}
			forged := c.forge(parts)
			var data []byte
			if c.keeper {
				data = resign(t, forged)
			} else if data, err = bundle.Write(forged); err != nil {
				t.Fatal(err)
			}
			_, _, err = check(data, key)
			if err == nil {
				t.Fatal("it holds")
			}
			if part := flawIn(t, err); !strings.HasPrefix(part, c.part) {
				t.Errorf("%v, want a flaw in %s", err, c.part)
			}
		})
	}
	// Another's key.
	strange, err := note.NewEd25519VerifierKey(origin, ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32)).Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := check(honest, strange); err == nil || flawIn(t, err) != "checkpoint" {
		t.Errorf("by another key: %v", err)
	}
}

// size reads the size off a record's checkpoint.
func size(t *testing.T, parts []bundle.Part) uint64 {
	t.Helper()
	for _, p := range parts {
		if p.Name == "checkpoint" {
			n, err := strconv.ParseUint(strings.Split(string(p.Content), "\n")[1], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
	}
	t.Fatal("no checkpoint")
	return 0
}

func sizeOf(t *testing.T, data []byte) uint64 {
	t.Helper()
	parts, err := bundle.Read(data)
	if err != nil {
		t.Fatal(err)
	}
	return size(t, parts)
}

// signed signs a note as the log does.
func signed(t *testing.T, key string, private ed25519.PrivateKey, text string) string {
	t.Helper()
	name, rest, _ := strings.Cut(key, "+")
	hash, _, _ := strings.Cut(rest, "+")
	s, err := note.NewSigner("PRIVATE+KEY+" + name + "+" + hash + "+" + base64.StdEncoding.EncodeToString(append([]byte{1}, private.Seed()...)))
	if err != nil {
		t.Fatal(err)
	}
	b, err := note.Sign(&note.Note{Text: text}, s)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A record shows whether the log was only added to since a checkpoint that its reader has.
func TestRecordsFollowCheckpoints(t *testing.T) {
	d := startDemo(t)
	key, private := d.key(t)
	origin, _, _ := strings.Cut(key, "+")
	const n = 40
	now, err := d.asker.Checkpoint(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// The log goes on.
	token, err := os.ReadFile(filepath.Join(d.data, "admin-token"))
	if err != nil {
		t.Fatal(err)
	}
	admin, err := client.New(client.Config{Server: d.server, Token: strings.TrimSpace(string(token))})
	if err != nil {
		t.Fatal(err)
	}
	before := d.record(t, &pb.GetLotProofRequest{Lot: "wet-wheel.k2"})
	if _, err := admin.CreateParty(t.Context(), &pb.CreatePartyRequest{Party: "tall-ladder", Roles: []string{"RETAILER"}}); err != nil {
		t.Fatal(err)
	}
	seenAt := int64(sizeOf(t, before))
	// The honest checkpoint of the present, and one of the same size and one of 40 events that another log would have.
	made := func(origin string, size int, root byte) string {
		return signed(t, key, private, fmt.Sprintf("%s\n%d\n%s\n", origin, size, base64.StdEncoding.EncodeToString(bytes.Repeat([]byte{root}, 32))))
	}
	whole := d.record(t, &pb.GetLotProofRequest{Lot: "wet-wheel.k2"})
	honest := d.record(t, &pb.GetLotProofRequest{Lot: "wet-wheel.k2", Since: &seenAt})
	since := d.record(t, &pb.GetLotProofRequest{Lot: "wet-wheel.k2", Since: proto.Int64(n)})
	parts, err := bundle.Read(whole)
	if err != nil {
		t.Fatal(err)
	}
	total := int(size(t, parts))
	dir := t.TempDir()
	for name, c := range map[string]struct {
		record     []byte
		checkpoint string
		want       int
		says       string
	}{
		"the same":                      {before, now, exitDone, "holds"},
		"only added to":                 {honest, now, exitDone, "holds"},
		"another log of the same size":  {whole, made(origin, total, 7), exitUnsupported, "two different logs"},
		"rewritten before":              {since, made(origin, n, 7), exitUnsupported, "is not the beginning"},
		"without a proof":               {whole, made(origin, n, 7), exitFailed, ""},
		"a log that lost its end":       {whole, made(origin, total+5, 7), exitUnsupported, "lost its end"},
		"a checkpoint of no log at all": {whole, "what\n", exitUnsupported, "checkpoint"},
	} {
		file, seen := filepath.Join(dir, "x.bundle"), filepath.Join(dir, "seen")
		if err := errors.Join(os.WriteFile(file, c.record, 0o600), os.WriteFile(seen, []byte(c.checkpoint), 0o600)); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := run(context.Background(), []string{"verify", file, "--log-key", key, "--checkpoint", seen}, nil, &out, &errs); code != c.want || !strings.Contains(out.String(), c.says) {
			t.Errorf("%s: %d, want %d with %q: %s%s", name, code, c.want, c.says, out.String(), errs.String())
		}
	}
}

// longRecord is the record of a stone with 12 ancestors, each of which was tested, handed over and received, as a node makes it.
func longRecord(b *testing.B) (data []byte, key string) {
	b.Helper()
	dir := b.TempDir()
	c := startCommand(b, "serve", "--data", filepath.Join(dir, "data"), "--listen", "127.0.0.1:0", "--grpc-listen", "", "--log-level", "warn")
	server := c.waitFor(b, `(?m)^REST on (\S+)$`, 20*time.Second)
	b.Cleanup(func() { c.end(b) })
	token := filepath.Join(dir, "token")
	lotpaper := func(args ...string) {
		b.Helper()
		var out, errs bytes.Buffer
		if status := run(context.Background(), append(args, "--server", server), nil, &out, &errs); status != exitDone {
			b.Fatalf("lotpaper %q ends with %d: %s%s", args, status, out.String(), errs.String())
		}
	}
	lotpaper("enrol", "harrow-gully", "--role", "MINER", "--save", token, "--token-file", filepath.Join(dir, "data", "admin-token"))
	var events strings.Builder
	fmt.Fprintf(&events, "- {lot: harrow-gully.n0, occurredAt: 2024-03-04, mined: {origin: {country: AU}, material: {kind: HYDROPHANE, look: TRANSLUCENT}, pieces: 14, mass: 140 g}}\n")
	for i := range 12 {
		lot := fmt.Sprintf("harrow-gully.n%d", i)
		for _, method := range []string{"method: UV_LONG_WAVE, outcome: INERT", "method: MICROSCOPE, outcome: NOTHING_SEEN, lookedFor: [RESIN]", "method: INFRARED, outcome: NONE"} {
			fmt.Fprintf(&events, "- {lot: %s, occurredAt: 2024-04-%02d, tested: {%s, sample: {kind: WHOLE}}}\n", lot, i+1, method)
		}
		fmt.Fprintf(&events, "- {lot: %s, occurredAt: 2024-04-%02d, split: {manner: UNSORTED, children: [{lot: harrow-gully.n%d, pieces: %d, mass: %d g}, {lot: harrow-gully.m%d, pieces: 1, mass: 10 g}]}}\n",
			lot, i+1, i+1, 13-i, 130-10*i, i+1)
	}
	file := filepath.Join(dir, "long.yaml")
	if err := os.WriteFile(file, []byte(events.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	lotpaper("post", file, "--token-file", token)
	own, err := readToken(token)
	if err != nil {
		b.Fatal(err)
	}
	asker, err := client.New(client.Config{Server: server, Token: own})
	if err != nil {
		b.Fatal(err)
	}
	if data, err = asker.LotProof(b.Context(), &pb.GetLotProofRequest{Lot: "harrow-gully.n12"}); err != nil {
		b.Fatal(err)
	}
	r, err := asker.ProveInclusion(b.Context(), &pb.ProveInclusionRequest{Position: proto.Int64(0)})
	if err != nil {
		b.Fatal(err)
	}
	return data, r.GetVerifierKey()
}

// The bound is for a stone with 12 ancestors: 50 ms.
func BenchmarkVerify(b *testing.B) {
	data, key := longRecord(b)
	c, _, err := check(data, key)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, _, err := check(data, key); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(data)), "bytes")
	b.ReportMetric(float64(len(c.List)), "events")
}
