package main

import (
	"github.com/spf13/cobra"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

func (a *app) statusCommand() *cobra.Command {
	var asOf, knownAt string
	var verbose bool
	cmd := &cobra.Command{
		Use:   "status LOT",
		Short: "Show what is known of a lot's treatments, and how well",
		Long: `Show what is known of a lot's treatments: a verdict for each, a sentence that can be printed, custody, and the claims made at sales.

--as-of asks what was true then, --known-at what the log knew then: a late disclosure changes the first and never the second.`,
		Example: "  lotpaper status wet-wheel.k2 -v\n  lotpaper status wet-wheel.k2 --known-at 130",
		Args:    takes(1, 1, "one lot"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			s, err := c.GetStatus(cmd.Context(), &pb.GetStatusRequest{Lot: args[0], AsOf: optional(asOf), KnownAt: optional(knownAt)})
			if err != nil {
				return err
			}
			if a.asJSON() {
				return a.printJSON(s)
			}
			p := a.page()
			readout.Status(p, s, verbose)
			return p.Err()
		},
	}
	cmd.Flags().StringVar(&asOf, "as-of", "", "what was true then: a time (RFC 3339) or a date (its end); default now")
	cmd.Flags().StringVar(&knownAt, "known-at", "", "what the log knew then: a time (RFC 3339) or a position; default all")
	cmd.Flags().BoolVarP(&verbose, "verbose", "v", false, "show the evidence beneath each verdict, and what was set aside")
	return cmd
}
