package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// command is a run of lotpaper in this process that goes on until it is ended.
type command struct {
	cancel context.CancelFunc
	status chan int
	mu     sync.Mutex
	out    bytes.Buffer // guarded by mu
	errs   bytes.Buffer // guarded by mu
}

// lockedWriter writes to one of a command's buffers.
type lockedWriter struct {
	c *command
	b *bytes.Buffer
}

func (w lockedWriter) Write(p []byte) (int, error) {
	w.c.mu.Lock()
	defer w.c.mu.Unlock()
	return w.b.Write(p)
}

func startCommand(t testing.TB, args ...string) *command {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	c := &command{cancel: cancel, status: make(chan int, 1)}
	go func() {
		c.status <- run(ctx, args, strings.NewReader(""), lockedWriter{c, &c.out}, lockedWriter{c, &c.errs})
	}()
	t.Cleanup(cancel)
	return c
}

func (c *command) output() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.out.String()
}

// waitFor waits until the output has a line that matches, and answers its first group.
func (c *command) waitFor(t testing.TB, pattern string, within time.Duration) string {
	t.Helper()
	re := regexp.MustCompile(pattern)
	for deadline := time.Now().Add(within); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if m := re.FindStringSubmatch(c.output()); m != nil {
			return m[len(m)-1]
		}
		select {
		case status := <-c.status:
			t.Fatalf("ended with %d:\n%s%s", status, c.output(), c.errs.String())
		default:
		}
	}
	t.Fatalf("no line matches %s within %v:\n%s", pattern, within, c.output())
	return ""
}

// end ends the command as ctrl-C does.
func (c *command) end(t testing.TB) {
	t.Helper()
	c.cancel()
	select {
	case status := <-c.status:
		if status != exitDone {
			t.Errorf("ended with %d: %s", status, c.errs.String())
		}
	case <-time.After(time.Minute):
		t.Fatal("does not end")
	}
}

func TestServe(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	c := startCommand(t, "serve", "--data", data, "--listen", "127.0.0.1:0", "--grpc-listen", "127.0.0.1:0", "--zone", "+03:00", "--log-level", "warn")
	server := c.waitFor(t, `(?m)^REST on (http://127\.0\.0\.1:\d+), gRPC on 127\.0\.0\.1:\d+$`, 20*time.Second)
	file := c.waitFor(t, `(?m)^The admin's token is in (.+)\.$`, time.Second)
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the admin's token lies in %v (%v), want mode 0600", info, err)
	}
	resp, err := http.Get(server + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Errorf("healthz answers %s", resp.Status)
	}
	var out, errs bytes.Buffer
	if status := run(context.Background(), []string{"enrol", "harrow-gully", "--role", "MINER", "--server", server, "--token-file", file}, nil, &out, &errs); status != exitDone {
		t.Errorf("enrol ends with %d: %s", status, errs.String())
	}
	c.end(t)
}

// The demo is ready in time, says that its port is taken, answers each of its curl lines, and leaves nothing behind.
func TestDemo(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	t.Setenv("COLUMNS", "1000")
	start := time.Now()
	c := startCommand(t, "demo", "--listen", taken.Addr().String(), "--grpc-listen", "127.0.0.1:0")
	server := c.waitFor(t, `(?m)^Serving on (\S+) until ctrl-C\.$`, 20*time.Second)
	if took := time.Since(start); took > 5*time.Second {
		t.Errorf("ready after %v, want at most 5 s", took)
	}
	_, port, err := net.SplitHostPort(taken.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	out := c.output()
	if want := "Port " + port + " of 127.0.0.1 is taken; a free one is used."; !strings.HasPrefix(out, want) {
		t.Errorf("found %.100q, want it to start %q", out, want)
	}
	token := regexp.MustCompile(`export LOTPAPER_TOKEN=(\S+)`).FindStringSubmatch(out)
	if token == nil {
		t.Fatal("no token is shown")
	}
	lines := regexp.MustCompile(`(?m)^curl -s -H "Authorization: Bearer \$LOTPAPER_TOKEN" '([^']+)'(?: -d '([^']+)')?$`).FindAllStringSubmatch(out, -1)
	if len(lines) < 5 {
		t.Fatalf("%d curl lines, want at least one for each of five questions", len(lines))
	}
	for _, line := range lines {
		if !strings.HasPrefix(line[1], server+"/v1/") {
			t.Errorf("asks %s, want the demo's own server %s", line[1], server)
			continue
		}
		if status, body := ask(t, line[1], line[2], token[1]); status != http.StatusOK {
			t.Errorf("%s: %d %s", line[0], status, body)
		}
	}
	if n := strings.Count(out, "\n  → "); n < 10 {
		t.Errorf("%d answers, want at least 10:\n%s", n, out)
	}
	c.end(t)
	left, err := filepath.Glob(filepath.Join(temp, "*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v (%v)", left, err)
	}
}

// ask does what curl does: a GET, or with a body a POST of what curl calls a form.
func ask(t *testing.T, url, body, token string) (int, string) {
	t.Helper()
	method, reader := http.MethodGet, io.Reader(nil)
	if body != "" {
		method, reader = http.MethodPost, strings.NewReader(body)
	}
	req, err := http.NewRequest(method, url, reader)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+token)
	if body != "" {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(data)
}

// A long file goes in batches. Where one is refused, what went before stays and is told; the file put right and posted again is whole.
func TestLongFileStopsAndGoesOn(t *testing.T) {
	dir := t.TempDir()
	c := startCommand(t, "serve", "--data", filepath.Join(dir, "data"), "--listen", "127.0.0.1:0", "--grpc-listen", "", "--log-level", "warn")
	server := c.waitFor(t, `(?m)^REST on (\S+)$`, 20*time.Second)
	token := filepath.Join(dir, "token")
	lotpaper := func(want int, args ...string) (string, string) {
		t.Helper()
		var out, errs bytes.Buffer
		if status := run(context.Background(), append(args, "--server", server), nil, &out, &errs); status != want {
			t.Fatalf("lotpaper %q ends with %d, want %d: %s", args, status, want, errs.String())
		}
		return out.String(), errs.String()
	}
	lotpaper(exitDone, "enrol", "harrow-gully", "--role", "MINER", "--save", token, "--token-file", filepath.Join(dir, "data", "admin-token"))

	const total = 1_100
	write := func(faulty bool) string {
		var b strings.Builder
		for i := range total {
			country := "AU"
			if faulty && i == 700 {
				fmt.Fprintf(&b, "- {lot: harrow-gully.n0, occurredAt: 2024-03-04, mined: {origin: {country: AU}, material: {kind: FIRE}, mass: 2 g}}\n")
				continue
			}
			fmt.Fprintf(&b, "- {lot: harrow-gully.n%d, occurredAt: 2024-03-04, mined: {origin: {country: %s}, material: {kind: FIRE}, mass: 1.00 g}}\n", i, country)
		}
		file := filepath.Join(dir, "long.yaml")
		if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	_, errs := lotpaper(exitFailed, "post", write(true), "--token-file", token)
	for _, want := range []string{"long.yaml, event 701, line 701: LOT_EXISTS: lot: ", "\nlotpaper: 500 of 1100 events are in the log, none of the refused batch;"} {
		if !strings.Contains(errs, want) {
			t.Errorf("found %q, want %q in it", errs, want)
		}
	}
	out, _ := lotpaper(exitDone, "post", write(false), "--token-file", token)
	if want := "Posted 600 events; 500 stood in the log already.\n"; out != want {
		t.Errorf("found %q, want %q", out, want)
	}
	out, _ = lotpaper(exitDone, "post", write(false), "--token-file", token)
	if want := "Nothing new: 1100 events stood in the log already.\n"; out != want {
		t.Errorf("found %q, want %q", out, want)
	}
	c.end(t)
}

// Batches keep the order, lose nothing, are of one token each, and stay within what the service takes.
func TestBatches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var entries []*eventfile.Entry
		for i := range rapid.IntRange(1, 1500).Draw(t, "events") {
			party := rapid.SampledFrom([]string{"a-b", "a-b", "a-b", "c-d"}).Draw(t, "party")
			size := rapid.SampledFrom([]int{0, 0, 0, 2000, 300_000}).Draw(t, "remark")
			entries = append(entries, &eventfile.Entry{Number: i + 1, Event: &pb.Event{Party: &party, Remark: proto.String(strings.Repeat("x", size))}})
		}
		var joined []*eventfile.Entry
		for _, b := range batches(entries, func(e *eventfile.Entry) string { return e.Event.GetParty() }) {
			bytes := 0
			for _, e := range b {
				bytes += proto.Size(e.Event)
				if e.Event.GetParty() != b[0].Event.GetParty() {
					t.Fatal("two tokens in a batch")
				}
			}
			if len(b) == 0 || len(b) > batchEvents || bytes > batchBytes && len(b) > 1 {
				t.Fatalf("a batch of %d events and %d bytes", len(b), bytes)
			}
			joined = append(joined, b...)
		}
		if !slices.Equal(joined, entries) {
			t.Fatal("the batches are not the entries in their order")
		}
	})
}

func TestZones(t *testing.T) {
	for in, want := range map[string]int64{"": 0, "UTC": 0, "Z": 0, "+03:00": 180, "-09:30": -570, "+14:00": 840} {
		if got, err := zoneMinutes(in); err != nil || got != want {
			t.Errorf("%q: found %d (%v), want %d", in, got, err, want)
		}
	}
	for _, in := range []string{"3", "+3:00", "+14:01", "+99:00", "+05:60", "CET"} {
		if got, err := zoneMinutes(in); err == nil || !strings.Contains(err.Error(), "--zone: found") {
			t.Errorf("%q: found %d (%v), want it refused", in, got, err)
		}
	}
}

// Colours are for terminals alone: a page that goes into a buffer, a pipe or a file has none.
func TestNoColourWithoutATerminal(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for _, w := range []io.Writer{&bytes.Buffer{}, file} {
		if styleOf(w).Colour {
			t.Errorf("a %T gets colours", w)
		}
	}
	t.Setenv("COLUMNS", "72")
	if got := styleOf(file).Width; got != 72 {
		t.Errorf("the page is %d wide, want the 72 of COLUMNS", got)
	}
}
