package main

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/harness"
)

var update = flag.Bool("update", false, "rewrite what the stories expect; read the difference before it is kept")

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"lotpaper": func() { os.Exit(interruptible()) }})
}

// The stories are what people do at the command line, with all that they see. Beside testscript's own commands they know:
//
//	node DIR        starts a service on a free port with the log in DIR, and sets LOTPAPER_SERVER and LOTPAPER_ADMIN_TOKEN
//	endnode         stops it
//	ends N CMD…     runs a command that must end with that status
//	keyof FILE      sets KEY to the public half of the key in FILE, and of a miner's key MINERKEY to its id
//	logkey          sets LOGKEY to the log's key as the last output tells it
//	alter FILE A B  replaces A by B in a file
//	mask            writes the last output, with what differs from run to run masked, to masked.txt
func TestStories(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("..", "..", "testdata", "stories"),
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			// Wide enough that nothing is wrapped: the number of days since the scenario would move the line ends.
			env.Setenv("COLUMNS", "1000")
			env.Setenv("TZ", "UTC")
			env.Values[running{}] = &running{}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"node":    startNode,
			"endnode": endNode,
			"ends":    ends,
			"mask":    mask,
			"keyof":   keyOf,
			"logkey":  logKey,
			"alter":   alter,
		},
	})
}

// running is the story's service.
type running struct{ node *harness.Node }

func startNode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: node DIR")
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	n, err := harness.Start(ctx, harness.Config{DataDir: ts.MkAbs(args[0]), Listen: "127.0.0.1:0"})
	ts.Check(err)
	r := ts.Value(running{}).(*running)
	r.node = n
	ts.Defer(func() { ts.Check(r.stop()) })
	ts.Check(n.WaitReady(ctx))
	ts.Setenv("LOTPAPER_SERVER", "http://"+n.HTTPAddr())
	ts.Setenv("LOTPAPER_ADMIN_TOKEN", n.AdminToken())
}

func (r *running) stop() error {
	if r.node == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	n := r.node
	r.node = nil
	return n.Stop(ctx)
}

func endNode(ts *testscript.TestScript, _ bool, _ []string) {
	ts.Check(ts.Value(running{}).(*running).stop())
}

func ends(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: ends STATUS CMD…")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := err.(*exec.ExitError)
		if !ok {
			ts.Fatalf("run %s: %v", args[1], err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("found exit status %d, want %d", got, want)
	}
}

// keyOf sets KEY to the public half of a party's key, and for the key of a miner MINERKEY to its id.
func keyOf(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: keyof FILE")
	}
	private, err := envelope.ReadPartyKey(ts.MkAbs(args[0]))
	ts.Check(err)
	public := private.Public().(ed25519.PublicKey)
	ts.Setenv("KEY", base64.StdEncoding.EncodeToString(public))
	if strings.HasPrefix(args[0], "miner") {
		ts.Setenv("MINERKEY", envelope.KeyID(public))
	}
}

var logKeyLine = regexp.MustCompile(`log key +(\S+)`)

// logKey sets LOGKEY to the log's key as the last output tells it.
func logKey(ts *testscript.TestScript, _ bool, _ []string) {
	m := logKeyLine.FindStringSubmatch(ts.ReadFile("stdout"))
	if m == nil {
		ts.Fatalf("no log key in the last output")
	}
	ts.Setenv("LOGKEY", m[1])
}

// alter replaces a text in a file.
func alter(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 3 {
		ts.Fatalf("usage: alter FILE OLD NEW")
	}
	text := ts.ReadFile(args[0])
	if !strings.Contains(text, args[1]) {
		ts.Fatalf("%s does not hold %q", args[0], args[1])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(strings.ReplaceAll(text, args[1], args[2])), 0o600))
}

// masking is a pattern with what stands for it.
type masking struct {
	pattern *regexp.Regexp
	with    string
}

// masks are what differs from run to run. The scenario lies in 2024 and 2025: later times are those of the run.
func masks() []masking {
	return []masking{
		{regexp.MustCompile(`lp_[\w-]{43}`), "TOKEN"},
		{regexp.MustCompile(`\b[a-z2-7]{26}\b`), "HANDLE"},
		{regexp.MustCompile(`127\.0\.0\.1:\d+`), "ADDRESS"},
		{regexp.MustCompile(`\b20(2[6-9]|[3-9]\d)-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?Z?`), "NOW"},
		{regexp.MustCompile(`\b\d+ days later`), "DAYS later"},
		{regexp.MustCompile(`\b\d+\.\d s\b`), "SECONDS"},
		{regexp.MustCompile(`\+[0-9a-f]{8}\+[A-Za-z0-9+/]{44}`), "+KEY"},
		{regexp.MustCompile(`[A-Za-z0-9+/]{43}=`), "PUBLIC"},
		{regexp.MustCompile(`\b[0-9a-f]{16}\b`), "ID"},
		{regexp.MustCompile(`\b[0-9a-f]{32}\b`), "EPOCH"},
		{regexp.MustCompile(`\b[0-9a-f]{64}\b`), "HASH"},
	}
}

// mask writes the last output, with what differs from run to run masked, to masked.txt.
func mask(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 0 {
		ts.Fatalf("usage: mask")
	}
	text := ts.ReadFile("stdout")
	for _, m := range masks() {
		text = m.pattern.ReplaceAllString(text, m.with)
	}
	ts.Check(os.WriteFile(ts.MkAbs("masked.txt"), []byte(text), 0o600))
}
