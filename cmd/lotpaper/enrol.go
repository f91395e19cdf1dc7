package main

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/client"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/table"
)

func (a *app) enrolCommand() *cobra.Command {
	var name, contact, save, key string
	var roles []string
	cmd := &cobra.Command{
		Use:   "enrol PARTY",
		Short: "Admit a party and show its token, once",
		Long: `Admit a party. The admin's token is taken from --token-file, ` + envAdminToken + ` or ` + envToken + `.

The party's token is shown once and kept nowhere: the log holds its hash. --save writes it to a new file that only you can read
instead of showing it.`,
		Example: "  lotpaper enrol harrow-gully --role MINER --name 'Harrow Gully Mine' --token-file data/admin-token",
		Args:    takes(1, 1, "one party"),
		RunE: func(cmd *cobra.Command, args []string) error {
			token, err := a.token(envAdminToken, envToken)
			if err != nil {
				return err
			}
			c, err := client.New(client.Config{Server: a.server, Token: token})
			if err != nil {
				return err
			}
			var file *os.File
			if save != "" {
				// Made before the party is: a token that could not be kept would be lost.
				if file, err = os.OpenFile(save, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600); err != nil {
					return fmt.Errorf("make the token's file: %w", err)
				}
				defer file.Close()
			}
			if key != "" {
				if raw, err := base64.StdEncoding.DecodeString(key); err != nil || len(raw) != ed25519.PublicKeySize {
					return usageError{fmt.Errorf("found --key %q, accepted is a public key as lotpaper keygen shows it", key)}
				}
			}
			made, err := c.CreateParty(cmd.Context(), &pb.CreatePartyRequest{
				Party: args[0], DisplayName: name, Contact: contact, Roles: roles, RequestId: uuid.NewString(),
			})
			if err != nil {
				if file != nil {
					err = errors.Join(err, os.Remove(save))
				}
				return err
			}
			if file != nil {
				if _, err := fmt.Fprintln(file, made.GetToken()); err != nil {
					return fmt.Errorf("keep the token of %s, which is lost with this: %w", args[0], err)
				}
				made.Token = ""
			}
			if key != "" {
				ev := keyAdded(args[0], key)
				ev.RequestId, ev.OccurredAt = proto.String(uuid.NewString()), proto.String(time.Now().UTC().Format(time.RFC3339))
				if _, err := c.AppendLogEvent(cmd.Context(), &pb.AppendLogEventRequest{Event: ev}); err != nil {
					return fmt.Errorf("the party is enrolled, and its key was not taken (lotpaper keys add): %w", err)
				}
			}
			if a.asJSON() {
				return a.printJSON(made)
			}
			p := a.page()
			p.Heading("Enrolled " + made.GetParty())
			p.Pairs(
				table.Pair{Name: "token", Value: made.GetToken()},
				table.Pair{Name: "token in", Value: save},
				table.Pair{Name: "token id", Value: made.GetTokenId()},
				table.Pair{Name: "position", Value: fmt.Sprint(made.GetPosition())},
			)
			if save == "" {
				p.Blank()
				p.Text(0, table.Warn, "The token is shown this once and kept nowhere.")
			}
			return p.Err()
		},
	}
	cmd.Flags().StringSliceVar(&roles, "role", nil, "MINER, EXPORTER, DEALER, CUTTER, TREATER, LABORATORY or RETAILER; may be given again")
	cmd.Flags().StringVar(&name, "name", "", "the party's name; private")
	cmd.Flags().StringVar(&contact, "contact", "", "how to reach it; private")
	cmd.Flags().StringVar(&key, "key", "", "public key by which the party signs, as lotpaper keygen shows it")
	cmd.Flags().StringVar(&save, "save", "", "write the token to this new file instead of showing it")
	return cmd
}
