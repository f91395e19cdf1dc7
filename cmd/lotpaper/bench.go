package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strconv"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/cmd/lotpaper/bench"
	"github.com/lotpaper/lotpaper/internal/table"
)

func (a *app) benchCommand() *cobra.Command {
	o := bench.Options{Dir: os.TempDir()}
	var quiet bool
	cmd := &cobra.Command{
		Use:   "bench",
		Short: "Measure a node on this machine against a bare store with the same records",
		Long: `Measure how many events a node takes in a second, and how long it takes to answer, on this machine.

The figures to go by are the ratios: "of raw.pebble.64" compares with a bare Pebble store that syncs commits of 64 events with exactly the
records that a node keeps for them, and does nothing else. What is compared runs in turn, several rounds of each; told are medians.
Without --quick it takes some minutes and some gigabytes under --dir, which are removed again.`,
		Example: "  lotpaper bench --quick\n  lotpaper bench -o json > bench.json",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if !quiet {
				o.Progress = func(what string) { fmt.Fprintln(a.stderr, what) }
			}
			r, err := bench.Run(cmd.Context(), o)
			if err != nil {
				return err
			}
			if a.asJSON() {
				data, err := json.Marshal(r)
				if err != nil {
					return fmt.Errorf("write the report: %w", err)
				}
				return a.printIndented(data)
			}
			return a.printBench(r)
		},
	}
	cmd.Flags().BoolVar(&o.Quick, "quick", false, "take under a minute, and leave the log of a million events out")
	cmd.Flags().StringVar(&o.Dir, "dir", o.Dir, "where to make the stores; what is measured is this folder's disk")
	cmd.Flags().BoolVar(&quiet, "no-progress", false, "do not tell what is being measured")
	return cmd
}

func (a *app) printBench(r *bench.Report) error {
	number := func(v float64, unit string) table.Cell {
		if v == 0 {
			return table.C("")
		}
		return table.C(strconv.FormatFloat(v, 'f', -1, 64) + unit)
	}
	t := table.New(table.Column{Head: "what"}, table.Column{Head: "per second", Right: true}, table.Column{Head: "p50", Right: true},
		table.Column{Head: "p99", Right: true}, table.Column{Head: "memory", Right: true}, table.Column{Head: "ratio", Right: true}, table.Column{Head: "of"})
	for _, x := range r.Results {
		t.Row(table.C(x.Name), number(x.PerSecond, ""), number(x.P50Micros, " µs"), number(x.P99Micros, " µs"), number(x.Mebibytes, " MiB"), number(x.Ratio, ""), table.C(x.Of))
	}
	p := a.page()
	p.Heading(r.Machine)
	p.Table(t)
	return p.Err()
}
