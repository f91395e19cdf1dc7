package bench

import (
	"context"
	"os"
	"slices"
	"testing"
	"time"
)

// TestMain lets this binary be the process apart that measures reads.
func TestMain(m *testing.M) {
	if status, is := Child(context.Background(), os.Stdout, os.Stderr); is {
		os.Exit(status)
	}
	m.Run()
}

// TestReport runs every measurement, each for a moment: the figures mean nothing then, but every name that others rely on must be
// there, with a figure that can be one.
func TestReport(t *testing.T) {
	small := plan{1, 2 * time.Second, 20, 4, []logSize{{"1e4", 320, 0}, {"1e5", 800, 0}, {"1e6", 1600, 0}}}
	r, err := measure(t.Context(), Options{Dir: t.TempDir()}, small)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]Result{}
	for _, x := range r.Results {
		got[x.Name] = x
		if x.PerSecond <= 0 && x.P50Micros <= 0 && x.Mebibytes <= 0 {
			t.Errorf("%s has no figure", x.Name)
		}
		if x.Of != "" && (x.Ratio <= 0 || !slices.ContainsFunc(r.Results, func(y Result) bool { return y.Name == x.Of })) {
			t.Errorf("%s compares with %s: ratio %v", x.Name, x.Of, x.Ratio)
		}
	}
	for _, name := range []string{
		"raw.pebble.64", "raw.pebble.1024", "append.inprocess.64x1", "append.inprocess.64x16", "append.grpc.unary64", "append.grpc.batch16", "append.grpc.signed16",
		"status.1e4", "status.1e5", "status.1e6", "history.1e4", "memory.1e6",
	} {
		if _, ok := got[name]; !ok {
			t.Errorf("%s is missing", name)
		}
	}
	for name, of := range map[string]string{"append.inprocess.64x1": "raw.pebble.64", "append.inprocess.64x16": "raw.pebble.1024", "append.grpc.batch16": "raw.pebble.1024", "append.grpc.signed16": "append.grpc.batch16"} {
		if got[name].Of != of {
			t.Errorf("%s compares with %q, want %q", name, got[name].Of, of)
		}
	}
}

// BenchmarkPost is one rate alone, to be profiled.
func BenchmarkPost(b *testing.B) {
	for name, c := range map[string]struct {
		batch   int
		connect func(*node) (poster, func() error, error)
	}{
		"inprocess/1": {1, inProcess}, "inprocess/16": {16, inProcess}, "grpc/1": {1, overGRPC}, "grpc/16": {16, overGRPC}, "signed/16": {16, signedOverGRPC},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				rate, err := post(b.Context(), b.TempDir(), 4*time.Second, c.batch, c.connect)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(rate, "events/s")
			}
		})
	}
}
