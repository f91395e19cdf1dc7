package main

import (
	"github.com/spf13/cobra"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

func (a *app) checkCommand() *cobra.Command {
	var asOf, knownAt string
	cmd := &cobra.Command{
		Use:   "check LOT CLAIM…",
		Short: "Ask whether the record supports what is said of a lot",
		Long: `Ask whether the record supports what is said of a lot: UNTREATED, NO_DYE, NO_SMOKE, NO_SUGAR_ACID, NO_OIL_WAX, NO_RESIN,
NO_COATING, NO_BACKING, NO_HEAT, NATURAL, HYDROPHANE, or ORIGIN with a country, such as ORIGIN:ET.

The exit status is 3 if any of them is not supported.`,
		Example: "  lotpaper check wet-wheel.f1 NATURAL HYDROPHANE ORIGIN:ET",
		Args:    takes(2, -1, "a lot and one or more claims"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			r, err := c.CheckClaims(cmd.Context(), &pb.CheckClaimsRequest{
				Lot: args[0], Claims: args[1:], AsOf: optional(asOf), KnownAt: optional(knownAt),
			})
			if err != nil {
				return err
			}
			if a.asJSON() {
				err = a.printJSON(r)
			} else {
				p := a.page()
				readout.Claims(p, args[0], r)
				err = p.Err()
			}
			if err == nil && !readout.Supported(r) {
				return errUnsupported
			}
			return err
		},
	}
	cmd.Flags().StringVar(&asOf, "as-of", "", "what was true then: a time (RFC 3339) or a date (its end); default now")
	cmd.Flags().StringVar(&knownAt, "known-at", "", "what the log knew then: a time (RFC 3339) or a position; default all")
	return cmd
}
