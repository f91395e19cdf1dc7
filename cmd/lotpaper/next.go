package main

import (
	"github.com/spf13/cobra"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

func (a *app) nextCommand() *cobra.Command {
	var asOf, knownAt string
	var all bool
	cmd := &cobra.Command{
		Use:   "next LOT",
		Short: "Say which tests would tell more of a lot",
		Long: `Say which tests would tell more of a lot's treatments, the most useful first: by the information to be expected where known stones were counted, then
by harm to the stone, then by time.`,
		Example: "  lotpaper next wet-wheel.f1\n  lotpaper next wet-wheel.f1 -v",
		Args:    takes(1, 1, "a lot"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			r, err := c.GetNextTests(cmd.Context(), &pb.GetNextTestsRequest{Lot: args[0], AsOf: optional(asOf), KnownAt: optional(knownAt)})
			if err != nil {
				return err
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			p := a.page()
			readout.NextTests(p, r, all)
			return p.Err()
		},
	}
	cmd.Flags().BoolVarP(&all, "verbose", "v", false, "all tests, with what each outcome would make of the verdict")
	cmd.Flags().StringVar(&asOf, "as-of", "", "what was true then: a time (RFC 3339) or a date (its end); default now")
	cmd.Flags().StringVar(&knownAt, "known-at", "", "what the log knew then: a time (RFC 3339) or a position; default all")
	return cmd
}
