package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

func (a *app) revealCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "reveal EVENT FIELD PARTY",
		Short: "Show one private value of your event to another party",
		Long: `Show one private value of an event that you posted (a price, a region, a remark, …) to another party, from now on. The party sees it in the lot's history. What was seen
cannot be taken back; erase makes it unreadable here.`,
		Example: "  lotpaper reveal harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-000000000001 mined.origin.region third-drawer",
		Args:    takes(3, 3, "an event, a field and a party"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := a.client()
			if err != nil {
				return err
			}
			r, err := c.RevealField(cmd.Context(), &pb.RevealFieldRequest{Event: args[0], Path: args[1], To: args[2]})
			if err != nil {
				return err
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			_, err = fmt.Fprintf(a.stdout, "%s may see %s of %s.\n", r.GetTo(), r.GetPath(), r.GetEvent())
			return err
		},
	}
}

func (a *app) eraseCommand() *cobra.Command {
	all, yes := false, false
	cmd := &cobra.Command{
		Use:   "erase EVENT [FIELD…]",
		Short: "Make private values of your event unreadable, for ever",
		Long: `Destroy the keys of private values of an event that you posted, so that nobody can read them any more; the admin may do so for any event. The event, its public part and
what it means for the stones stay as they are, and the history says that the values were erased. It cannot be undone. Copies that were made before, by whoever could read the values or of
the data folder, are out of reach.`,
		Example: "  lotpaper erase harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-000000000001 remark --yes",
		Args:    takes(1, -1, "an event, and fields or --all"),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case all == (len(args) > 1):
				return usageError{errors.New("found fields and --all, or neither; accepted is one of the two")}
			case !yes:
				return usageError{errors.New("found no --yes, accepted is the command with it: what is erased cannot be brought back")}
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			r, err := c.EraseFields(cmd.Context(), &pb.EraseFieldsRequest{Event: args[0], Paths: args[1:], All: all})
			if err != nil {
				return err
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			what := strings.Join(r.GetErased(), ", ")
			if what == "" {
				what = "nothing: it has no private values here"
			}
			_, err = fmt.Fprintf(a.stdout, "Erased of %s: %s.\n", r.GetEvent(), what)
			return err
		},
	}
	cmd.Flags().BoolVar(&all, "all", false, "all private values of the event")
	cmd.Flags().BoolVar(&yes, "yes", false, "yes, for ever")
	return cmd
}
