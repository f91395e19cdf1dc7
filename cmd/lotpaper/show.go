package main

import (
	"github.com/spf13/cobra"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

func (a *app) showCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "show LOT",
		Short:   "Show a lot's account: pieces, mass, owner, holder, weighings, findings",
		Example: "  lotpaper show harrow-gully.r7",
		Args:    takes(1, 1, "one lot"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			lot, err := c.GetLot(cmd.Context(), &pb.GetLotRequest{Lot: args[0]})
			if err != nil {
				return err
			}
			if a.asJSON() {
				return a.printJSON(lot)
			}
			p := a.page()
			readout.Account(p, lot)
			return p.Err()
		},
	}
}
