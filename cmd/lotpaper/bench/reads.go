package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"time"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
)

// childEnv tells a process that it is the one to grow a log and ask it: it holds the order, as JSON.
const childEnv = "LOTPAPER_BENCH_READS"

// order is what the process apart has to do.
type order struct {
	Dir   string    `json:"dir"`
	Sizes []logSize `json:"sizes"`
}

// readsApart runs measureReads in a process of its own, so that its memory is a node's and not also that of what ran before.
func readsApart(ctx context.Context, dir string, sizes []logSize, say func(string)) ([]Result, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program: %w", err)
	}
	what, err := json.Marshal(order{dir, sizes})
	if err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, self)
	cmd.Env = append(os.Environ(), childEnv+"="+string(what))
	var results, said bytes.Buffer
	lines := &liner{say: say, rest: &said}
	cmd.Stdout, cmd.Stderr = &results, lines
	if err := cmd.Run(); err != nil {
		return nil, fmt.Errorf("measure reads in a process of their own: %w: %s", err, said.String())
	}
	var out []Result
	if err := json.Unmarshal(results.Bytes(), &out); err != nil {
		return nil, fmt.Errorf("read what was measured: %w", err)
	}
	return out, nil
}

// liner passes on what a process says, line by line, and keeps what it said last.
type liner struct {
	say  func(string)
	rest *bytes.Buffer
}

func (l *liner) Write(p []byte) (int, error) {
	l.rest.Write(p)
	for {
		line, after, ok := bytes.Cut(l.rest.Bytes(), []byte("\n"))
		if !ok {
			return len(p), nil
		}
		l.say(string(line))
		left := bytes.Clone(after)
		l.rest.Reset()
		l.rest.Write(left)
	}
}

// Child measures reads and ends with true, if this process was started to do that: main and the tests call it before anything else.
func Child(ctx context.Context, stdout, stderr io.Writer) (status int, is bool) {
	var o order
	what := os.Getenv(childEnv)
	if what == "" {
		return 0, false
	}
	err := json.Unmarshal([]byte(what), &o)
	if err == nil {
		var out []Result
		if out, err = measureReads(ctx, o.Dir, o.Sizes, func(s string) { fmt.Fprintln(stderr, s) }); err == nil {
			err = json.NewEncoder(stdout).Encode(out)
		}
	}
	if err != nil {
		fmt.Fprint(stderr, err)
		return 1, true
	}
	return 0, true
}

// measureReads grows one log and asks it at each decade of its size.
func measureReads(ctx context.Context, dir string, sizes []logSize, say func(string)) (out []Result, err error) {
	n, err := startNode(ctx, filepath.Join(dir, "reads"), harness.Config{Listen: "127.0.0.1:0", GRPCListen: "127.0.0.1:0"})
	if err != nil {
		return nil, err
	}
	defer n.stop()
	stories := 0
	var before float64
	for i, s := range sizes {
		say(fmt.Sprintf("filling the log to %d events", s.Events))
		if stories, err = fill(ctx, n, stories, s.Events); err != nil {
			return nil, err
		}
		if err := settle(ctx, n, s.Rest, say); err != nil {
			return nil, err
		}
		resident, err := residentBytes()
		if err != nil {
			return nil, err
		}
		say("reading at " + s.Name)
		status, err := ask(stories, func(party, lot string) error {
			_, err := n.Status.GetStatus(asParty(ctx, party), &pb.GetStatusRequest{Lot: lot})
			return err
		})
		if err != nil {
			return nil, err
		}
		status.Name = "status." + s.Name
		if i > 0 {
			status.Ratio, status.Of = round3(status.P50Micros/before), "status."+sizes[i-1].Name
		}
		before = status.P50Micros
		history, err := ask(stories, func(party, lot string) error {
			_, err := n.Status.GetHistory(asParty(ctx, party), &pb.GetHistoryRequest{Lot: lot})
			return err
		})
		if err != nil {
			return nil, err
		}
		history.Name = "history." + s.Name
		out = append(out, status, history, Result{Name: "memory." + s.Name, Mebibytes: round3(float64(resident) / (1 << 20))})
	}
	return out, nil
}

// fill posts whole stories until the log has that many events.
func fill(ctx context.Context, n *node, stories, size int) (int, error) {
	upTo := size / storyLength
	var wg sync.WaitGroup
	failed := make(chan error, len(benchParties))
	for p, party := range benchParties {
		wg.Go(func() {
			const together = 40 // stories in one batch of 640 events
			first := stories + (p-stories%len(benchParties)+len(benchParties))%len(benchParties)
			for s := first; s < upTo; {
				var run []int
				for ; s < upTo && len(run) < together; s += len(benchParties) {
					run = append(run, s)
				}
				events := story(party, run[0])
				for _, k := range run[1:] {
					events = append(events, story(party, k)...)
				}
				if _, f := n.Intake.Submit(ctx, party, events); f != nil {
					failed <- f
					return
				}
			}
		})
	}
	wg.Wait()
	select {
	case err := <-failed:
		return 0, err
	default:
	}
	return upTo, nil
}

// settle waits until projection and stores have nothing more to do: readings are of a log at rest.
func settle(ctx context.Context, n *node, quiet time.Duration, say func(string)) error {
	if err := n.WaitReady(ctx); err != nil {
		return err
	}
	if err := errors.Join(n.Log.Compact(ctx), n.Status.Compact(ctx)); err != nil {
		return err
	}
	say(fmt.Sprintf("letting the log rest for %s", quiet))
	select {
	case <-time.After(quiet):
	case <-ctx.Done():
		return ctx.Err()
	}
	return nil
}

// ask puts one question about lots all over the log, once to warm up and then measured.
func ask(stories int, question func(party, lot string) error) (Result, error) {
	rng := rand.New(rand.NewPCG(1, 2))
	const lots, times = 1000, 5
	type target struct{ party, lot string }
	targets := make([]target, lots)
	for i := range targets {
		s := rng.IntN(stories)
		party := benchParties[s%len(benchParties)]
		all := storyLots(party, s)
		targets[i] = target{party, all[rng.IntN(len(all))]}
	}
	var took []float64
	for round := range times + 1 {
		for _, t := range targets {
			began := time.Now()
			if err := question(t.party, t.lot); err != nil {
				return Result{}, fmt.Errorf("ask about %s: %w", t.lot, err)
			}
			if round > 0 {
				took = append(took, float64(time.Since(began).Nanoseconds())/1000)
			}
		}
	}
	slices.Sort(took)
	return Result{P50Micros: round3(took[len(took)/2]), P99Micros: round3(took[len(took)*99/100])}, nil
}
