package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/epcis"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/prov"
	"github.com/lotpaper/lotpaper/internal/readout"
)

func (a *app) exportCommand() *cobra.Command {
	format, base, out := "epcis", "", ""
	cmd := &cobra.Command{
		Use:   "export LOT",
		Short: "Write a lot's history as EPCIS 2.0, PROV-JSON or CSV",
		Long: `Write the history of a lot, and of its ancestors as far as they bear on it, for the systems of others:

  epcis  an EPCIS 2.0 document in JSON-LD (ISO/IEC 19987:2024)
  prov   the lineage as PROV-JSON (W3C Member Submission, 24 April 2013)
  csv    one row an event (RFC 4180); no cell is taken for a formula

Private values are never in it. Whoever needs proof takes lotpaper prove.`,
		Example: "  lotpaper export wet-wheel.f1 --base https://stones.example --out f1.jsonld\n  lotpaper export wet-wheel.f1 --format csv",
		Args:    takes(1, 1, "one lot"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.export(cmd.Context(), args[0], format, base, out)
		},
	}
	cmd.Flags().StringVar(&format, "format", format, "epcis, prov or csv")
	cmd.Flags().StringVar(&base, "base", "", "address below which lots, events and parties are named; default: the service's")
	cmd.Flags().StringVar(&out, "out", "", "file to write; default: standard output")
	return cmd
}

func (a *app) export(ctx context.Context, lot, format, base, out string) (err error) {
	if format != "epcis" && format != "prov" && format != "csv" {
		return usageError{fmt.Errorf("--format: found %q, accepted is epcis, prov or csv", format)}
	}
	c, err := a.client()
	if err != nil {
		return err
	}
	if base == "" {
		base = a.server
	}
	events, err := wholeHistory(ctx, c, lot)
	if err != nil {
		return err
	}
	var line *pb.GetLineageResponse
	if format == "prov" {
		if line, err = c.GetLineage(ctx, &pb.GetLineageRequest{Lot: lot, Descendants: proto.Int32(1000)}); err != nil {
			return err
		}
	}
	zone := int64(0)
	if format == "epcis" {
		log, err := c.GetLog(ctx, &pb.GetLogRequest{})
		if err != nil {
			return err
		}
		zone = log.GetPolicy().GetZoneMinutes()
	}
	to := io.Writer(a.stdout)
	if out != "" {
		f, cerr := os.Create(out)
		if cerr != nil {
			return fmt.Errorf("write the export: %w", cerr)
		}
		defer func() {
			if cerr := f.Close(); err == nil && cerr != nil {
				err = fmt.Errorf("write the export: %w", cerr)
			}
		}()
		to = f
	}
	switch format {
	case "epcis":
		return epcis.Write(to, events, epcis.Options{Base: base, Created: time.Now(), Zone: time.Duration(zone) * time.Minute})
	case "prov":
		return prov.Write(to, line, events, base)
	}
	return writeEvents(to, events)
}

// wholeHistory reads all pages of a history.
func wholeHistory(ctx context.Context, c *client.Client, lot string) (events []*pb.Event, err error) {
	in := &pb.GetHistoryRequest{Lot: lot, PageSize: proto.Int32(1000)}
	for {
		page, err := c.GetHistory(ctx, in)
		if err != nil {
			return nil, err
		}
		events = append(events, page.GetEvents()...)
		if page.GetNextPageToken() == "" {
			return events, nil
		}
		in.PageToken = &page.NextPageToken
	}
}

// writeEvents writes events as rows.
func writeEvents(to io.Writer, events []*pb.Event) error {
	w := csv.NewWriter(to)
	w.UseCRLF = true
	for _, row := range readout.Rows(events) {
		if err := w.Write(row); err != nil {
			return err
		}
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return fmt.Errorf("write the export: %w", err)
	}
	return nil
}
