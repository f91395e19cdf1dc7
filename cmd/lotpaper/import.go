package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/internal/eventfile"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/sheet"
)

func (a *app) importCommand() *cobra.Command {
	var template, sheetName, workbook string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "import FILE.csv|FILE.xlsx",
		Short: "Post events from a spreadsheet, all or none",
		Long: `Post events from a CSV file or a workbook (.xlsx) with a header row, all of them or none; at most 1,000 events in one file. The same file imported again
adds nothing.

The header names fields by their path: lot, occurredAt, mined.mass. A heading with [] is a list of parts: "cut.stones[].lot" gives one
stone a row, and a row in which only such cells are filled continues the event of the row above. Lists of words are parted by ";" or
"|". Semicolons, tabs, a decimal comma and a byte order mark are understood; "mined.mass [ct]" gives bare numbers a unit.

Of a workbook the first sheet that shows something is taken, or the one that --sheet-name names; numbers count with the digits that they are shown with.

--template prints the header row for one kind of event, or with --workbook writes one to be filled in: ` + strings.Join(sheet.Kinds(), ", ") + `.`,
		Example: "  lotpaper import --template mined > spring.csv\n  lotpaper import --dry-run spring.csv\n  lotpaper import spring.csv",
		Args:    takes(0, 1, "one file, or --template"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if template != "" {
				return a.printTemplate(template, workbook, args)
			}
			if len(args) != 1 {
				return usageError{errors.New("found no file, accepted is one CSV file or workbook, or --template")}
			}
			data, err := readFile(args[0])
			if err != nil {
				return fmt.Errorf("read %s: %w", args[0], err)
			}
			entries, err := sheet.ReadSheet(args[0], data, sheetName)
			if err != nil {
				return err
			}
			if dryRun {
				return a.tellChecked(len(entries))
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			log, err := c.GetLog(cmd.Context(), &pb.GetLogRequest{})
			if err != nil {
				return err
			}
			req := &pb.AppendBatchRequest{}
			for _, e := range entries {
				req.Events = append(req.Events, e.Event)
			}
			answer, err := c.AppendBatch(cmd.Context(), req)
			if err != nil {
				return fmt.Errorf("%w\nnothing of the file was posted", eventfile.Blame(entries, err))
			}
			return a.tellPosted(answer.GetResults(), log.GetSize())
		},
	}
	cmd.Flags().StringVar(&template, "template", "", "print the header row for this kind of event, and do nothing else")
	cmd.Flags().StringVar(&workbook, "workbook", "", "with --template: write a workbook to this file")
	cmd.Flags().StringVar(&sheetName, "sheet-name", "", "of a workbook: the sheet to read")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "only check the file; what needs the accounts is judged when it is imported")
	return cmd
}

func (a *app) printTemplate(kind, workbook string, args []string) error {
	if len(args) > 0 {
		return usageError{errors.New("found a file beside --template, accepted is one of them")}
	}
	heads, err := sheet.Template(kind)
	if err != nil {
		return usageError{fmt.Errorf("--template: %w", err)}
	}
	if workbook != "" {
		data, err := sheet.Workbook(kind)
		if err != nil {
			return err
		}
		if err := os.WriteFile(workbook, data, 0o644); err != nil {
			return fmt.Errorf("write the workbook: %w", err)
		}
		_, err = fmt.Fprintf(a.stdout, "%s has %d columns for %s.\n", workbook, len(heads), kind)
		return err
	}
	w := csv.NewWriter(a.stdout)
	if err := w.Write(heads); err != nil {
		return err
	}
	w.Flush()
	return w.Error()
}
