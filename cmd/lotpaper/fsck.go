package main

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/table"
)

func (a *app) fsckCommand() *cobra.Command {
	var cfg bus.Config
	var data, logName string
	cmd := &cobra.Command{
		Use:   "fsck",
		Short: "Check a stopped node's log: derive everything anew from raw bytes",
		Long: `Derive the whole log of a stopped node anew from its raw bytes and hold all that is stored against it: blocks, chain, signatures,
judgements, accounts, tree, private values. Nothing is changed. The exit status is 3 if something is wrong.`,
		Example: "  lotpaper fsck --data data",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if data == "" {
				return usageError{fmt.Errorf("--data: found nothing, accepted is the folder of a stopped node")}
			}
			report, err := checkLog(cmd, cfg, data, logName)
			if err != nil {
				return err
			}
			if a.asJSON() {
				err = a.printReportJSON(report)
			} else {
				err = a.printReport(report)
			}
			if err == nil && !report.OK() {
				return errUnsupported
			}
			return err
		},
	}
	cmd.Flags().StringVar(&data, "data", "", "the node's folder")
	cmd.Flags().StringVar(&logName, "log-name", "lotpaper", "the log's name, where the store cannot tell it")
	cmd.Flags().StringVar(&cfg.URL, "nats", "", "external NATS server or cluster; default: the embedded journal in the data folder")
	cmd.Flags().StringVar(&cfg.Credentials, "nats-credentials", "", "file of NATS credentials")
	return cmd
}

func checkLog(cmd *cobra.Command, cfg bus.Config, data, logName string) (_ *eventlog.Report, err error) {
	ctx := cmd.Context()
	if _, err := os.Stat(filepath.Join(data, "log")); err != nil {
		return nil, fmt.Errorf("find the log: %w", err)
	}
	l, err := eventlog.Open(eventlog.Options{Dir: data, ReadOnly: true})
	switch {
	case errors.Is(err, syscall.EAGAIN):
		return nil, fmt.Errorf("open the log: a node runs on %s, accepted is the folder of a stopped one: %w", data, err)
	case err != nil:
		return nil, fmt.Errorf("open the log: %w", err)
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	state, err := l.Log()
	if err != nil {
		return nil, fmt.Errorf("read the log's name: %w", err)
	}
	if state != nil {
		logName = state.Name
	}
	cfg.Dir = filepath.Join(data, "journal")
	b, err := bus.Open(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("open the bus: %w", err)
	}
	defer b.Close()
	journal, err := b.Journal(ctx, logName, false)
	if err != nil {
		return nil, fmt.Errorf("open the journal: %w", err)
	}
	return eventlog.Fsck(ctx, journal, l, nil)
}

func (a *app) printReport(r *eventlog.Report) error {
	p := a.page()
	verdict, tone := "The log is whole.", table.Good
	if !r.OK() {
		verdict, tone = fmt.Sprintf("%d problems.", uint64(len(r.Problems))+r.More), table.Bad
	}
	p.Line(tone, verdict)
	p.Pairs(
		table.Pair{Name: "blocks", Value: fmt.Sprint(r.Blocks)},
		table.Pair{Name: "events", Value: fmt.Sprint(r.Events)},
		table.Pair{Name: "envelopes", Value: fmt.Sprint(r.Envelopes)},
		table.Pair{Name: "signatures", Value: fmt.Sprint(r.Signatures)},
		table.Pair{Name: "records", Value: fmt.Sprint(r.Records)},
		table.Pair{Name: "files", Value: fmt.Sprint(r.Files)},
		table.Pair{Name: "private", Value: fmt.Sprintf("%d events with their private values, %d without, %d of which all were erased", r.Openings, r.Unopened, r.Erased)},
		table.Pair{Name: "root", Value: hex.EncodeToString(r.Root[:])},
	)
	for _, problem := range r.Problems {
		p.Hanging(2, 4, table.Bad, problem.String())
	}
	return p.Err()
}

func (a *app) printReportJSON(r *eventlog.Report) error {
	problems := []string{}
	for _, p := range r.Problems {
		problems = append(problems, p.String())
	}
	data, err := json.Marshal(map[string]any{
		"ok": r.OK(), "blocks": r.Blocks, "events": r.Events, "envelopes": r.Envelopes, "signatures": r.Signatures, "records": r.Records,
		"files": r.Files, "openings": r.Openings, "unopened": r.Unopened, "erased": r.Erased, "next": r.Next, "root": hex.EncodeToString(r.Root[:]),
		"problems": problems, "more": r.More,
	})
	if err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	return a.printIndented(data)
}
