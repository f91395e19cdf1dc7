package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/internal/client"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/label"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// labelFlags are what lotpaper label is told.
type labelFlags struct {
	sheet, format, base, out, market string
	roll                             int
	skip                             int
	paper                            bool
}

func (a *app) labelCommand() *cobra.Command {
	f := &labelFlags{}
	var names []string
	for _, s := range label.Sheets() {
		names = append(names, s.Name)
	}
	cmd := &cobra.Command{
		Use:   "label LOT...",
		Short: "Draw labels with the code of a stone's page, or the folded paper of a parcel",
		Long: `Draw a label for each lot: its id, what it is, its mass, what must be told of it, and the code that leads to its public page. A status that does not fit is not
shortened: the label then says that it is behind the code.

As an HTML document to be printed at full size, or with --format svg as drawings, one file a page. With --paper: the folded paper of a parcel, one sheet for each lot.`,
		Example: "  lotpaper label wet-wheel.f1 wet-wheel.f2 --base https://stones.example --out labels.html\n  lotpaper label wet-wheel.f1 --roll 62 --out f1.html\n  lotpaper label harrow-gully.r7 --paper --out r7.html",
		Args:    takes(1, label.MostLabels, "lots"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.label(cmd.Context(), f, args)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.sheet, "sheet", names[0], "sheet of labels: "+strings.Join(names, ", "))
	flags.IntVar(&f.roll, "roll", 0, "an endless roll of this width in mm in place of a sheet: 62")
	flags.IntVar(&f.skip, "skip", 0, "places of the first sheet that are used up")
	flags.StringVar(&f.format, "format", "html", "html, or svg: one file a page")
	flags.StringVar(&f.base, "base", "", "where people reach the pages, such as https://stones.example; default: the service's address")
	flags.StringVar(&f.market, "market", "INTL", "the market whose rules say what must be told: AU, INTL or US")
	flags.StringVar(&f.out, "out", "", "file to write; default: standard output")
	flags.BoolVar(&f.paper, "paper", false, "the folded paper of a parcel")
	return cmd
}

func (a *app) label(ctx context.Context, f *labelFlags, lots []string) error {
	if f.format != "html" && f.format != "svg" {
		return usageError{fmt.Errorf("--format: found %q, accepted is html or svg", f.format)}
	}
	if f.format == "svg" && f.out == "" {
		return usageError{errors.New("found --format svg without --out, accepted is it with the file to write: each page is a file of its own")}
	}
	if f.roll != 0 && f.roll != label.RollWidth {
		return usageError{fmt.Errorf("--roll: found %d, accepted is %d", f.roll, int(label.RollWidth))}
	}
	c, err := a.client()
	if err != nil {
		return err
	}
	if f.base == "" {
		f.base = a.server
	}
	var labels []label.Label
	var pages []label.Page
	for _, lot := range lots {
		l, told, err := labelOf(ctx, c, f, lot)
		if err != nil {
			return err
		}
		labels = append(labels, *l)
		if !f.paper {
			continue
		}
		page, err := paperOf(ctx, c, l, told)
		if err != nil {
			return err
		}
		pages = append(pages, page)
	}
	switch {
	case f.paper:
	case f.roll != 0:
		pages, err = label.OnRoll(labels)
	default:
		s, refused := label.SheetByName(f.sheet)
		if refused != nil {
			return usageError{refused}
		}
		pages, err = label.OnSheets(s, labels, f.skip)
	}
	if err != nil {
		return err
	}
	return a.writePages(f, pages)
}

// labelOf gathers what stands on a lot's label.
func labelOf(ctx context.Context, c *client.Client, f *labelFlags, lot string) (*label.Label, *pb.GetDisclosureResponse, error) {
	got, err := c.GetLot(ctx, &pb.GetLotRequest{Lot: lot})
	if err != nil {
		return nil, nil, err
	}
	told, err := c.GetDisclosure(ctx, &pb.GetDisclosureRequest{Lot: lot, Market: &f.market, MinPosition: &got.Position})
	if err != nil {
		return nil, nil, err
	}
	if got.GetHandle() == "" {
		return nil, nil, fmt.Errorf("%s has no public handle: all of its were revoked", lot)
	}
	what, amount := readout.What(got)
	return &label.Label{
		Lot: lot, Link: strings.TrimRight(f.base, "/") + "/s/" + got.GetHandle(), What: what, Amount: amount, Status: told.GetShort(),
		Elsewhere: "Treatment status: see the code.", Printed: time.Now().Format(time.DateOnly),
	}, told, nil
}

// paperOf draws the folded paper of a parcel.
func paperOf(ctx context.Context, c *client.Client, l *label.Label, told *pb.GetDisclosureResponse) (label.Page, error) {
	status, err := c.GetStatus(ctx, &pb.GetStatusRequest{Lot: l.Lot, MinPosition: &told.Position})
	if err != nil {
		return label.Page{}, err
	}
	paper := label.Paper{
		Label: *l, Care: told.GetCare(), Notes: told.GetNotes(), Known: readout.Known(status),
		Titles: label.PaperTitles{
			Known: "What is known of treatments", Told: "To be told, and not known", Care: "Care", Fold: "fold here", Front: "front", Back: "back", Flap: "goes inside",
		},
	}
	for _, d := range told.GetMust() {
		paper.Told = append(paper.Told, d.GetText()+" ["+d.GetSection()+"]")
	}
	paper.Told = append(paper.Told, told.GetUnsettled()...)
	return label.Fold(paper)
}

// writePages writes what was drawn.
func (a *app) writePages(f *labelFlags, pages []label.Page) error {
	if f.format == "html" {
		doc := label.Document("lotpaper", pages)
		if f.out == "" {
			_, err := fmt.Fprint(a.stdout, doc)
			return err
		}
		if err := os.WriteFile(f.out, []byte(doc), 0o644); err != nil {
			return fmt.Errorf("write the labels: %w", err)
		}
		_, err := fmt.Fprintf(a.stdout, "%s: %d pages; print it at full size.\n", f.out, len(pages))
		return err
	}
	for i, p := range pages {
		name := f.out
		if len(pages) > 1 {
			name = fmt.Sprintf("%s-%d.svg", strings.TrimSuffix(f.out, ".svg"), i+1)
		}
		if err := os.WriteFile(name, []byte(p.SVG+"\n"), 0o644); err != nil {
			return fmt.Errorf("write the labels: %w", err)
		}
		if _, err := fmt.Fprintf(a.stdout, "%s\n", name); err != nil {
			return err
		}
	}
	return nil
}
