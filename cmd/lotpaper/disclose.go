package main

import (
	"github.com/spf13/cobra"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

func (a *app) discloseCommand() *cobra.Command {
	var market, asOf, knownAt string
	cmd := &cobra.Command{
		Use:   "disclose LOT",
		Short: "Say what a seller has to tell of a lot",
		Long: `Say what a seller has to tell of a lot in a market (AU, INTL or US): what was done to it, with the section that each duty rests on, what is not
known, the terms that may not be used, trade letters, and how to care for the stone.

It is guidance and no legal advice.`,
		Example: "  lotpaper disclose wet-wheel.k2 --market US",
		Args:    takes(1, 1, "one lot"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			r, err := c.GetDisclosure(cmd.Context(), &pb.GetDisclosureRequest{Lot: args[0], Market: &market, AsOf: optional(asOf), KnownAt: optional(knownAt)})
			if err != nil {
				return err
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			p := a.page()
			readout.Disclosure(p, r)
			return p.Err()
		},
	}
	cmd.Flags().StringVar(&market, "market", "INTL", "AU, INTL or US")
	cmd.Flags().StringVar(&asOf, "as-of", "", "what was true then: a time (RFC 3339) or a date (its end); default now")
	cmd.Flags().StringVar(&knownAt, "known-at", "", "what the log knew then: a time (RFC 3339) or a position; default all")
	return cmd
}
