package main

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/envelope"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/table"
)

func (a *app) keygenCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "keygen FILE",
		Short: "Make a key by which a party signs its events",
		Long: `Make an Ed25519 key and write it to a new file that only you can read. The public half is shown; the admin admits it for the party with
lotpaper keys add. Nobody can make the private half anew: keep a copy in a safe place.`,
		Example: "  lotpaper keygen harrow-gully.pem",
		Args:    takes(1, 1, "the file to make"),
		RunE: func(_ *cobra.Command, args []string) error {
			private, err := envelope.NewPartyKey(rand.Reader)
			if err != nil {
				return fmt.Errorf("make a key: %w", err)
			}
			if err := envelope.WritePartyKey(args[0], private); err != nil {
				return err
			}
			return a.tellKey(args[0], private.Public().(ed25519.PublicKey))
		},
	}
}

func (a *app) tellKey(file string, public ed25519.PublicKey) error {
	text, id := base64.StdEncoding.EncodeToString(public), envelope.KeyID(public)
	if a.asJSON() {
		data, err := json.Marshal(map[string]string{"file": file, "keyId": id, "publicKey": text})
		if err != nil {
			return fmt.Errorf("write the answer: %w", err)
		}
		return a.printIndented(data)
	}
	p := a.page()
	p.Heading("A key of your own")
	p.Pairs(table.Pair{Name: "private, in", Value: file}, table.Pair{Name: "public", Value: text}, table.Pair{Name: "key id", Value: id})
	p.Blank()
	p.Text(0, table.Plain, "For the admin: lotpaper keys add PARTY "+text)
	return p.Err()
}

func (a *app) keysCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "keys",
		Short: "Admit and revoke the keys by which parties sign (admin)",
		Args:  takes(0, 0, "add or revoke"),
		RunE:  func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	add := &cobra.Command{
		Use:     "add PARTY PUBLICKEY",
		Short:   "Admit a party's public key, as keygen shows it",
		Example: "  lotpaper keys add harrow-gully 9Xk…= --token-file data/admin-token",
		Args:    takes(2, 2, "a party and its public key"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.postAsAdmin(cmd, keyAdded(args[0], args[1]))
		},
	}
	var since uint64
	because := ""
	revoke := &cobra.Command{
		Use:   "revoke PARTY KEYID",
		Short: "End a key; with --compromised-since, what it signed from that position on is doubtful",
		Long: `End a key. Nothing more is taken that it signs. With --compromised-since the tests that it signed at that position of the log or later are set aside in every
status that knows of the revocation, and history marks whatever it signed since then.`,
		Example: "  lotpaper keys revoke harrow-gully 0f3c… --because 'the notebook was stolen' --compromised-since 812",
		Args:    takes(2, 2, "a party and the id of its key"),
		RunE: func(cmd *cobra.Command, args []string) error {
			k := &pb.KeyRevoked{Party: &args[0], KeyId: &args[1]}
			if because != "" {
				k.Because = &because
			}
			if cmd.Flags().Changed("compromised-since") {
				k.CompromisedSince = proto.Int64(int64(since))
			}
			return a.postAsAdmin(cmd, &pb.Event{Body: &pb.Event_KeyRevoked{KeyRevoked: k}})
		},
	}
	revoke.Flags().Uint64Var(&since, "compromised-since", 0, "position of the log from which the key was in other hands")
	revoke.Flags().StringVar(&because, "because", "", "why")
	cmd.AddCommand(add, revoke)
	return cmd
}

func keyAdded(party, public string) *pb.Event {
	return &pb.Event{Body: &pb.Event_KeyAdded{KeyAdded: &pb.KeyAdded{Party: &party, PublicKey: &public, Use: proto.String("SIGN")}}}
}

// postAsAdmin posts an event of the directory, dated now.
func (a *app) postAsAdmin(cmd *cobra.Command, ev *pb.Event) error {
	token, err := a.token(envAdminToken, envToken)
	if err != nil {
		return err
	}
	c, err := client.New(client.Config{Server: a.server, Token: token})
	if err != nil {
		return err
	}
	ev.RequestId, ev.OccurredAt = proto.String(uuid.NewString()), proto.String(time.Now().UTC().Format(time.RFC3339))
	out, err := c.AppendLogEvent(cmd.Context(), &pb.AppendLogEventRequest{Event: ev})
	if err != nil {
		return err
	}
	if a.asJSON() {
		return a.printJSON(out)
	}
	_, err = fmt.Fprintf(a.stdout, "Done, at position %d.\n", out.GetPosition())
	return err
}
