package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// historyPage is how many events are asked for at once.
const historyPage = 500

func (a *app) historyCommand() *cobra.Command {
	var knownAt string
	var limit int
	cmd := &cobra.Command{
		Use:     "history LOT",
		Short:   "List the events that bear on a lot, oldest first",
		Example: "  lotpaper history harrow-gully.r7\n  lotpaper history harrow-gully.r7 --known-at 2025-01-31T00:00:00Z -o json",
		Args:    takes(1, 1, "one lot"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if limit < 0 {
				return usageError{fmt.Errorf("--limit: found %d, accepted is 0 (all) or more", limit)}
			}
			c, err := a.client()
			if err != nil {
				return err
			}
			all := &pb.GetHistoryResponse{}
			req := &pb.GetHistoryRequest{Lot: args[0], KnownAt: optional(knownAt), Signers: true}
			for {
				req.PageSize = proto.Int32(historyPage)
				if left := limit - len(all.Events); limit > 0 && left < historyPage {
					req.PageSize = proto.Int32(int32(left))
				}
				page, err := c.GetHistory(cmd.Context(), req)
				if err != nil {
					return err
				}
				all.Events = append(all.Events, page.GetEvents()...)
				all.Position, all.Epoch, all.NextPageToken = page.GetPosition(), page.GetEpoch(), page.GetNextPageToken()
				if page.GetNextPageToken() == "" || limit > 0 && len(all.Events) >= limit {
					break
				}
				req.PageToken = proto.String(page.GetNextPageToken())
			}
			if a.asJSON() {
				return a.printJSON(all)
			}
			p := a.page()
			readout.History(p, args[0], all.GetEvents(), all.GetPosition(), all.GetNextPageToken() != "")
			return p.Err()
		},
	}
	cmd.Flags().StringVar(&knownAt, "known-at", "", "what the log knew then: a time (RFC 3339) or a position")
	cmd.Flags().IntVar(&limit, "limit", 1000, "show at most so many events; 0: all")
	return cmd
}
