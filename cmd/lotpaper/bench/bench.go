package bench

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/lotpaper/lotpaper/internal/harness"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Options say what to measure.
type Options struct {
	// Dir is where stores are made; they are removed again.
	Dir string
	// Quick takes under a minute and leaves the rows of 10⁶ events out.
	Quick bool
	// Progress is told what is being measured; nil: nobody.
	Progress func(what string)
}

// Report is what was measured.
type Report struct {
	Machine string   `json:"machine"`
	Results []Result `json:"results"`
}

// Result is one figure. A rate has PerSecond, a time has P50Micros and P99Micros, a size Mebibytes; Ratio compares with the result
// named by Of.
type Result struct {
	Name      string  `json:"name"`
	PerSecond float64 `json:"perSecond,omitempty"`
	P50Micros float64 `json:"p50Micros,omitempty"`
	P99Micros float64 `json:"p99Micros,omitempty"`
	Mebibytes float64 `json:"mebibytes,omitempty"`
	Ratio     float64 `json:"ratio,omitempty"`
	Of        string  `json:"of,omitempty"`
	// Low and High are the smallest and largest ratio (or figure, without one) of the rounds.
	Low  float64 `json:"low,omitempty"`
	High float64 `json:"high,omitempty"`
}

// callers is how many post at once.
const callers = 64

// benchParties are the posters; callers share them evenly. Several, because events of one party share one signature.
var benchParties = [8]string{"ashe-pit", "birk-pit", "corl-pit", "dunn-pit", "erle-pit", "fenn-pit", "gorl-pit", "hale-pit"}

// plan is how much is measured.
type plan struct {
	rounds               int
	span                 time.Duration // of one rate
	blocks64, blocks1024 int           // written to the bare store
	sizes                []logSize
}

// logSize is a size of the log at which it is read, and how long it rests before.
type logSize struct {
	Name   string        `json:"name"`
	Events int           `json:"events"`
	Rest   time.Duration `json:"rest"`
}

// Run measures everything in turn.
func Run(ctx context.Context, o Options) (*Report, error) {
	p := plan{5, 4 * time.Second, 4000, 300, []logSize{{"1e4", 10_000, time.Second}, {"1e5", 100_000, time.Second}, {"1e6", 1_000_000, time.Minute}}}
	if o.Quick {
		p = plan{3, 1200 * time.Millisecond, 1000, 80, p.sizes[:2]}
	}
	return measure(ctx, o, p)
}

func measure(ctx context.Context, o Options, p plan) (*Report, error) {
	say := o.Progress
	if say == nil {
		say = func(string) {}
	}
	dir, err := os.MkdirTemp(o.Dir, "bench-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	r := &Report{Machine: machine()}
	writes, err := measureWrites(ctx, dir, p, say)
	if err != nil {
		return nil, fmt.Errorf("measure writes: %w", err)
	}
	r.Results = append(r.Results, writes...)
	reads, err := readsApart(ctx, dir, p.sizes, say)
	if err != nil {
		return nil, fmt.Errorf("measure reads: %w", err)
	}
	r.Results = append(r.Results, reads...)
	return r, nil
}

// measureWrites runs rounds of: bare store, node, at 64 and at 1,024 events a commit, then the node over gRPC.
func measureWrites(ctx context.Context, dir string, plan plan, say func(string)) ([]Result, error) {
	rounds, span := plan.rounds, plan.span
	say("preparing the records for the bare store")
	raw64, err := recordsOf(ctx, filepath.Join(dir, "keys64"), plan.blocks64*64/storyLength, 64)
	if err != nil {
		return nil, err
	}
	raw1024, err := recordsOf(ctx, filepath.Join(dir, "keys1024"), plan.blocks1024*1024/storyLength, 1024)
	if err != nil {
		return nil, err
	}
	rates := map[string][]float64{}
	note := func(name string, rate float64, err error) error {
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		rates[name] = append(rates[name], rate)
		return nil
	}
	for round := range rounds {
		steps := []struct {
			name string
			run  func() (float64, error)
		}{
			{"raw.pebble.64", func() (float64, error) { return writeRaw(dir, raw64, 64) }},
			{"append.inprocess.64x1", func() (float64, error) { return post(ctx, dir, span, 1, inProcess) }},
			{"raw.pebble.1024", func() (float64, error) { return writeRaw(dir, raw1024, 1024) }},
			{"append.inprocess.64x16", func() (float64, error) { return post(ctx, dir, span, 16, inProcess) }},
			{"append.grpc.unary64", func() (float64, error) { return post(ctx, dir, span, 1, overGRPC) }},
			{"append.grpc.batch16", func() (float64, error) { return post(ctx, dir, span, 16, overGRPC) }},
			{"append.grpc.signed16", func() (float64, error) { return post(ctx, dir, span, 16, signedOverGRPC) }},
		}
		for _, s := range steps {
			say(fmt.Sprintf("%s, round %d of %d", s.name, round+1, rounds))
			rate, err := s.run()
			if err := note(s.name, rate, err); err != nil {
				return nil, err
			}
			runtime.GC()
		}
	}
	var out []Result
	for _, p := range []struct{ name, of string }{
		{"raw.pebble.64", ""}, {"raw.pebble.1024", ""},
		{"append.inprocess.64x1", "raw.pebble.64"}, {"append.inprocess.64x16", "raw.pebble.1024"},
		{"append.grpc.unary64", "append.inprocess.64x1"}, {"append.grpc.batch16", "raw.pebble.1024"},
		{"append.grpc.signed16", "append.grpc.batch16"},
	} {
		res := Result{Name: p.name, PerSecond: round3(median(rates[p.name])), Of: p.of}
		if p.of != "" {
			ratios := make([]float64, rounds)
			for i := range ratios {
				ratios[i] = rates[p.name][i] / rates[p.of][i]
			}
			res.Ratio, res.Low, res.High = round3(median(ratios)), round3(slices.Min(ratios)), round3(slices.Max(ratios))
		} else {
			res.Low, res.High = round3(slices.Min(rates[p.name])), round3(slices.Max(rates[p.name]))
		}
		out = append(out, res)
	}
	ratios := make([]float64, rounds)
	for i := range ratios {
		ratios[i] = rates["append.grpc.batch16"][i] / rates["append.inprocess.64x16"][i]
	}
	return append(out, Result{
		Name: "append.grpc.batch16.of.inprocess", PerSecond: round3(median(rates["append.grpc.batch16"])), Of: "append.inprocess.64x16",
		Ratio: round3(median(ratios)), Low: round3(slices.Min(ratios)), High: round3(slices.Max(ratios)),
	}), nil
}

// poster posts events of a party, all or none.
type poster func(ctx context.Context, party string, events []*opal.Event) error

// post starts a node on an empty folder, lets all callers post stories in batches for a while, and gives the events per second.
func post(ctx context.Context, dir string, span time.Duration, batch int, connect func(*node) (poster, func() error, error)) (float64, error) {
	n, err := startNode(ctx, filepath.Join(dir, "node"), harness.Config{GRPCListen: "127.0.0.1:0"})
	if err != nil {
		return 0, err
	}
	defer n.stop()
	put, disconnect, err := connect(n)
	if err != nil {
		return 0, err
	}
	defer disconnect()
	// A tenth of the time to get warm, then the count begins.
	var posted atomic.Int64
	var firstErr atomic.Pointer[error]
	run, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	for c := range callers {
		party := benchParties[c%len(benchParties)]
		wg.Go(func() {
			for s := c / len(benchParties); run.Err() == nil; s += callers / len(benchParties) {
				events := story(party, s)
				for i := 0; i < len(events) && run.Err() == nil; i += batch {
					part := events[i:min(i+batch, len(events))]
					if err := put(ctx, party, part); err != nil {
						firstErr.CompareAndSwap(nil, &err)
						cancel()
						return
					}
					posted.Add(int64(len(part)))
				}
			}
		})
	}
	time.Sleep(span / 10)
	before, began := posted.Load(), time.Now()
	select {
	case <-time.After(span):
	case <-run.Done():
	}
	rate := float64(posted.Load()-before) / time.Since(began).Seconds()
	cancel()
	wg.Wait()
	if err := firstErr.Load(); err != nil {
		return 0, *err
	}
	return rate, nil
}

func median(v []float64) float64 {
	s := slices.Sorted(slices.Values(v))
	if len(s) == 0 {
		return 0
	}
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

// round3 keeps three significant digits, which is more than such figures are good for.
func round3(v float64) float64 {
	var r float64
	if _, err := fmt.Sscanf(fmt.Sprintf("%.3g", v), "%g", &r); err != nil {
		return v
	}
	return r
}

// machine says what ran this.
func machine() string {
	model := "unknown processor"
	if data, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(data)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	return fmt.Sprintf("%s, %d cores, %s/%s, %s", model, runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, runtime.Version())
}
