package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/bundle"
	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/envelope"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/receipt"
	"github.com/lotpaper/lotpaper/internal/table"
)

func (a *app) proveCommand() *cobra.Command {
	out, asOf, since := "", "", ""
	cmd := &cobra.Command{
		Use:   "prove LOT|EVENT|POSITION",
		Short: "Get a lot's record, or one event's place in the log, as a file to be checked offline",
		Long: `Get a file that lotpaper verify checks without a network.

Of a lot: its whole record in one file. The events that its status rests on, as they were signed, the proof that each is in the log, the rule table, the status, and the log's
signed word that this is all there is. No private value is in it. With --since the proof comes along that the log was only added to since a checkpoint that you have.

Of an event, by its id or position: its entry, the hashes that lead from it to the log's root, and the signed root (C2SP tlog-proof). No token is needed: the entry tells
hashes and a time.`,
		Example: "  lotpaper prove corner-lantern.s1\n  lotpaper prove harrow-gully/2b1f6c9e-7c0a-4d5e-9a57-000000000001 --out mine.tlog-proof",
		Args:    takes(1, 1, "a lot, or an event's id or position"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if strings.Contains(args[0], ".") && !strings.Contains(args[0], "/") {
				return a.proveLot(cmd.Context(), args[0], out, asOf, since)
			}
			if asOf != "" || since != "" {
				return usageError{errors.New("found --as-of or --since with an event, accepted are they with a lot")}
			}
			return a.proveEvent(cmd.Context(), args[0], out)
		},
	}
	cmd.Flags().StringVar(&out, "out", "", "write the proof to this file (of a lot: LOT.bundle, if nothing is given)")
	cmd.Flags().StringVar(&asOf, "as-of", "", "of a lot: the time that the status is of")
	cmd.Flags().StringVar(&since, "since", "", "of a lot: a checkpoint that was seen before, as a file")
	return cmd
}

func (a *app) proveEvent(ctx context.Context, event, out string) error {
	c, err := client.New(client.Config{Server: a.server})
	if err != nil {
		return err
	}
	in := &pb.ProveInclusionRequest{Event: &event}
	if n, err := strconv.ParseUint(event, 10, 63); err == nil {
		in = &pb.ProveInclusionRequest{Position: proto.Int64(int64(n))}
	}
	r, err := c.ProveInclusion(ctx, in)
	if err != nil {
		return err
	}
	// What is kept was checked: a proof that does not hold is of no use to anybody later.
	if _, err := receipt.Check([]byte(r.GetProof()), r.GetVerifierKey()); err != nil {
		return fmt.Errorf("the service's proof does not hold: %w", err)
	}
	if out != "" {
		if err := os.WriteFile(out, []byte(r.GetProof()), 0o644); err != nil {
			return fmt.Errorf("write the proof: %w", err)
		}
	}
	if a.asJSON() {
		return a.printJSON(r)
	}
	p := a.page()
	p.Heading("Proof that " + r.GetEvent() + " is in the log")
	p.Pairs(table.Pair{Name: "position", Value: fmt.Sprint(r.GetPosition())}, table.Pair{Name: "log key", Value: r.GetVerifierKey()}, table.Pair{Name: "proof in", Value: out})
	p.Blank()
	p.Text(0, table.Plain, "Compare the log key with what the keeper of the log tells you in another way, once; then: lotpaper verify FILE --log-key KEY")
	return p.Err()
}

// keepReceipts writes the proof of each posted event into a folder, named after its position. Each was checked.
func keepReceipts(ctx context.Context, c *client.Client, dir string, results []*pb.AppendResponse) error {
	if dir == "" {
		return nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the folder of receipts: %w", err)
	}
	for _, r := range results {
		out, err := c.ProveInclusion(ctx, &pb.ProveInclusionRequest{Event: &r.Event})
		if err == nil {
			_, err = receipt.Check([]byte(out.GetProof()), out.GetVerifierKey())
		}
		if err != nil {
			return fmt.Errorf("the events are in the log; fetch the receipt of %s: %w", r.GetEvent(), err)
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%d.tlog-proof", out.GetPosition())), []byte(out.GetProof()), 0o644); err != nil {
			return fmt.Errorf("write a receipt: %w", err)
		}
	}
	return nil
}

func (a *app) verifyCommand() *cobra.Command {
	var key, signed, older string
	cmd := &cobra.Command{
		Use:   "verify FILE",
		Short: "Check a lot's record, or the proof that an event is in the log, without a network",
		Long: `Check what lotpaper prove wrote, without a network.

Of a lot's record: that the log of the key signed it and that it is whole, each signature and that its key counted then, that each event is in the log, that the accounts accept each
event as they did, and that the status follows from the events by this program's own reckoning. Without --log-key it is checked against the key that the log's first event names, which is
then told to be compared: anybody can make a log of his own. What the record says may still be little: read the status.

Of one event's proof: that the log of the key signed the root, and that the entry is in it. With --signed it also tells which of your signed events the entry is.

With --checkpoint a checkpoint that was seen before is compared: the log must have been only added to since. Exit status 3: a check failed.`,
		Example: "  lotpaper verify corner-lantern.s1.bundle --log-key lotpaper/3f…+1a2b3c4d+AZ…=\n  lotpaper verify mine.tlog-proof --log-key lotpaper/3f…+1a2b3c4d+AZ…= --signed day1.signed",
		Args:    takes(1, 1, "a file"),
		RunE: func(_ *cobra.Command, args []string) error {
			data, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("read the file: %w", err)
			}
			// A record whose first bytes were changed is one still, unless it is a proof of an event.
			if bytes.HasPrefix(data, []byte(bundle.Magic)) || !bytes.HasPrefix(data, []byte("c2sp.org/")) {
				if signed != "" {
					return usageError{errors.New("found --signed with a lot's record, accepted is it with the proof of an event")}
				}
				return a.verifyLot(args[0], data, key, older)
			}
			return a.verifyEvent(args[0], data, key, signed, older)
		},
	}
	cmd.Flags().StringVar(&key, "log-key", "", "the log's verifier key")
	cmd.Flags().StringVar(&signed, "signed", "", "of an event: a file of signed events, one of which the entry must be")
	cmd.Flags().StringVar(&older, "checkpoint", "", "a checkpoint that was seen before")
	return cmd
}

func (a *app) verifyEvent(name string, data []byte, key, signed, older string) error {
	if key == "" {
		return usageError{errors.New("found no --log-key, accepted is the log's verifier key: without it anybody could have signed the proof")}
	}
	r, err := receipt.Check(data, key)
	if err != nil {
		return a.failed(name, err)
	}
	if older != "" {
		before, err := checkpointIn(older, key)
		if err != nil {
			return a.failed(older, err)
		}
		if before.Tree.N != r.Checkpoint.Tree.N {
			return fmt.Errorf("%s is of %d events and the proof's checkpoint of %d: lotpaper witness compares them by asking the log", older, before.Tree.N, r.Checkpoint.Tree.N)
		}
		if err := receipt.Follows(before, r.Checkpoint, nil); err != nil {
			return a.failed(older, err)
		}
	}
	which := ""
	if signed != "" {
		if which, err = eventOf(signed, r.Leaf.StatementHash); err != nil {
			return a.failed(signed, err)
		}
	}
	if a.asJSON() {
		return a.printMap(map[string]any{
			"verified": true, "origin": r.Checkpoint.Origin, "position": r.Leaf.Position, "recordedAt": r.Leaf.RecordedAt.String(), "size": r.Checkpoint.Tree.N,
			"statement": hex.EncodeToString(r.Leaf.StatementHash[:]), "event": which,
		})
	}
	p := a.page()
	p.Heading("The proof holds")
	p.Pairs(
		table.Pair{Name: "log", Value: r.Checkpoint.Origin},
		table.Pair{Name: "position", Value: fmt.Sprintf("%d of %d", r.Leaf.Position, r.Checkpoint.Tree.N)},
		table.Pair{Name: "recorded", Value: r.Leaf.RecordedAt.String()},
		table.Pair{Name: "statement", Value: "SHA-256 " + hex.EncodeToString(r.Leaf.StatementHash[:])},
		table.Pair{Name: "event", Value: which},
	)
	return p.Err()
}

// checkpointIn reads a checkpoint from a file and verifies it.
func checkpointIn(name, key string) (*receipt.Checkpoint, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read the checkpoint: %w", err)
	}
	return receipt.ReadCheckpoint(string(text), key)
}

func (a *app) printMap(m map[string]any) error {
	out, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("write the answer: %w", err)
	}
	return a.printIndented(out)
}

// failed tells that a check failed; anything else is an ordinary error.
func (a *app) failed(what string, err error) error {
	var flaw *receipt.Flaw
	if !errors.As(err, &flaw) {
		return err
	}
	if _, err := fmt.Fprintf(a.stdout, "Not verified: %s: %s\n", what, flaw.Error()); err != nil {
		return err
	}
	return errUnsupported
}

// eventOf finds the signed event with a statement of that hash.
func eventOf(name string, hash [32]byte) (string, error) {
	list, err := readSigned(name)
	if err != nil {
		return "", err
	}
	for _, m := range list {
		e, err := envelope.Decode(m.GetEnvelope())
		if err != nil {
			return "", fmt.Errorf("read %s: %w", name, err)
		}
		for i, b := range m.GetStatements() {
			if sha256.Sum256(b) != hash {
				continue
			}
			st, err := envelope.DecodeStatement(b)
			if err != nil {
				return "", fmt.Errorf("read %s, statement %d: %w", name, i+1, err)
			}
			return e.Payload.Party + "/" + st.Event.RequestID.String(), nil
		}
	}
	return "", &receipt.Flaw{Part: "entry", Says: "none of the signed events is the one that it stands for"}
}

// seen is what a witness remembers of a log.
type seen struct {
	VerifierKey string `json:"verifierKey"`
	Checkpoint  string `json:"checkpoint"`
}

func (a *app) witnessCommand() *cobra.Command {
	var state, key, other, sign, name, out string
	cmd := &cobra.Command{
		Use:   "witness",
		Short: "Remember what the log showed, and check that it was only added to since",
		Long: `Fetch the log's checkpoint, check its signature, and check that the log of the last time is its beginning. What was seen is kept in the --state file; the first time the
log's key is taken as it is shown, unless --log-key gives it. With --also, a checkpoint that somebody else was shown is compared too: two shops that see different logs find out.
With --sign the checkpoint is cosigned (C2SP tlog-cosignature) and written to --out. Exit status 3: the log was rewritten, cut off, or is another one.`,
		Example: "  lotpaper witness --state seen.json\n  lotpaper witness --state seen.json --also from-the-other-shop.checkpoint",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if state == "" {
				return usageError{errors.New("found no --state, accepted is the file in which what was seen is kept")}
			}
			if (sign == "") != (name == "") || (sign == "") != (out == "") {
				return usageError{errors.New("found --sign, --name or --out without the others, accepted are the three together")}
			}
			c, err := client.New(client.Config{Server: a.server})
			if err != nil {
				return err
			}
			before, err := readSeen(state)
			if err != nil {
				return err
			}
			now, told, err := a.look(cmd.Context(), c, before, key)
			if err != nil {
				return a.failed("the log", err)
			}
			if other != "" {
				text, err := os.ReadFile(other)
				if err != nil {
					return fmt.Errorf("read the other checkpoint: %w", err)
				}
				theirs, err := receipt.ReadCheckpoint(string(text), now.VerifierKey)
				if err == nil {
					err = between(cmd.Context(), c, theirs, told)
				}
				if err != nil {
					return a.failed(other, err)
				}
			}
			if sign != "" {
				if err := cosign(told.Text, now.VerifierKey, sign, name, out); err != nil {
					return err
				}
			}
			if err := writeSeen(state, now); err != nil {
				return err
			}
			return a.tellSeen(before, now, told)
		},
	}
	cmd.Flags().StringVar(&state, "state", "", "the file in which what was seen is kept")
	cmd.Flags().StringVar(&key, "log-key", "", "the log's verifier key, the first time")
	cmd.Flags().StringVar(&other, "also", "", "a checkpoint that somebody else was shown")
	cmd.Flags().StringVar(&sign, "sign", "", "cosign with the key in this file")
	cmd.Flags().StringVar(&name, "name", "", "with --sign: the witness's name, such as a domain")
	cmd.Flags().StringVar(&out, "out", "", "with --sign: write the cosigned checkpoint to this file")
	return cmd
}

// look fetches the checkpoint of now and holds it against that of before; nil: there was none.
func (a *app) look(ctx context.Context, c *client.Client, before *seen, key string) (*seen, *receipt.Checkpoint, error) {
	text, err := c.Checkpoint(ctx)
	if err != nil {
		return nil, nil, err
	}
	switch {
	case before != nil && key != "" && key != before.VerifierKey:
		return nil, nil, usageError{errors.New("found --log-key beside another key that was seen before, accepted is the same, or a new --state")}
	case before != nil:
		key = before.VerifierKey
	case key == "":
		r, err := c.ProveInclusion(ctx, &pb.ProveInclusionRequest{Position: proto.Int64(0)})
		if err != nil {
			return nil, nil, err
		}
		key = r.GetVerifierKey()
	}
	now, err := receipt.ReadCheckpoint(text, key)
	if err != nil {
		return nil, nil, err
	}
	if before != nil {
		old, err := receipt.ReadCheckpoint(before.Checkpoint, key)
		if err != nil {
			return nil, nil, fmt.Errorf("the file of what was seen: %w", err)
		}
		if err := between(ctx, c, old, now); err != nil {
			return nil, nil, err
		}
	}
	return &seen{key, text}, now, nil
}

// between proves that of two checkpoints one is the beginning of the other, whichever is the older.
func between(ctx context.Context, c *client.Client, a, b *receipt.Checkpoint) error {
	if a.Origin == b.Origin && a.Tree.N > b.Tree.N {
		a, b = b, a
	}
	var hashes [][]byte
	if a.Origin == b.Origin && a.Tree.N < b.Tree.N {
		r, err := c.ProveConsistency(ctx, &pb.ProveConsistencyRequest{From: &a.Tree.N, To: &b.Tree.N})
		if err != nil {
			return err
		}
		hashes = r.GetHashes()
	}
	return receipt.Follows(a, b, hashes)
}

// cosign adds a witness's signature to a checkpoint, and writes it.
func cosign(text, verifierKey, keyFile, name, out string) error {
	private, err := envelope.ReadPartyKey(keyFile)
	if err != nil {
		return err
	}
	signed, err := receipt.Cosign(text, verifierKey, name, private)
	if err != nil {
		return err
	}
	if err := os.WriteFile(out, signed, 0o644); err != nil {
		return fmt.Errorf("write the cosigned checkpoint: %w", err)
	}
	return nil
}

func readSeen(name string) (*seen, error) {
	data, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read what was seen: %w", err)
	}
	s := &seen{}
	if err := json.Unmarshal(data, s); err != nil || s.VerifierKey == "" || s.Checkpoint == "" {
		return nil, fmt.Errorf("%s: found no record of a log, accepted is what lotpaper witness wrote", name)
	}
	return s, nil
}

// writeSeen keeps what was seen: the file is the old one or the new one, never half of either.
func writeSeen(name string, s *seen) error {
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return fmt.Errorf("keep what was seen: %w", err)
	}
	temp, err := os.CreateTemp(filepath.Dir(name), filepath.Base(name)+".*")
	if err != nil {
		return fmt.Errorf("keep what was seen: %w", err)
	}
	_, err = temp.Write(append(data, '\n'))
	if err = errors.Join(err, temp.Sync(), temp.Close()); err == nil {
		err = os.Rename(temp.Name(), name)
	}
	if err != nil {
		return fmt.Errorf("keep what was seen: %w", errors.Join(err, os.Remove(temp.Name())))
	}
	return nil
}

func (a *app) tellSeen(before, now *seen, told *receipt.Checkpoint) error {
	if a.asJSON() {
		data, err := json.Marshal(map[string]any{"consistent": true, "first": before == nil, "origin": told.Origin, "size": told.Tree.N, "verifierKey": now.VerifierKey})
		if err != nil {
			return fmt.Errorf("write the answer: %w", err)
		}
		return a.printIndented(data)
	}
	if before == nil {
		_, err := fmt.Fprintf(a.stdout, "Seen for the first time: %s with %d events.\nIts key: %s\nCompare it with what the keeper of the log tells you in another way.\n", told.Origin, told.Tree.N, now.VerifierKey)
		return err
	}
	_, err := fmt.Fprintf(a.stdout, "Only added to: %s has %d events now.\n", told.Origin, told.Tree.N)
	return err
}
