package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/eventfile"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// signedEnding is how files of signed events end: one SignedEnvelope as JSON a line.
const signedEnding = ".signed"

// signing says how posted events are signed.
type signing struct {
	key, party, log, out string
}

// signedBatch is an envelope with the entries that it was made of, as far as they are known.
type signedBatch struct {
	*pb.SignedEnvelope
	entries []*eventfile.Entry
}

// blame places the refusal of a batch in the file that it was made of.
func (b *signedBatch) blame(err error) error {
	f, ok := fault.As(err)
	if !ok || len(b.entries) == 0 {
		return err
	}
	c := *f
	c.Field = strings.Replace(f.Field, "envelopes[0].statements[", "events[", 1)
	return eventfile.Blame(b.entries, &c)
}

// sign seals entries and signs them, a batch at a time, in an order in which each stands behind what it needs.
func (s *signing) sign(entries []*eventfile.Entry, private ed25519.PrivateKey, logName string) ([]*signedBatch, error) {
	events := make([]*opal.Event, len(entries))
	for i, e := range entries {
		switch given := e.Event.GetParty(); {
		case given == "" && s.party == "":
			return nil, e.Problem(fault.New(fault.InvalidField, "party", "found nothing, accepted with --sign is the party here or with --party"))
		case given != "" && s.party != "" && given != s.party:
			return nil, e.Problem(fault.New(fault.InvalidField, "party", "found %s beside --party %s, accepted is one of them", given, s.party))
		case given != "":
			s.party = given
		}
		ev, f := wire.EventToDomain(e.Event)
		if f != nil {
			return nil, e.Problem(f)
		}
		events[i] = ev
	}
	if err := opal.CheckParty(s.party); err != nil {
		return nil, usageError{fmt.Errorf("--party: %w", err)}
	}
	for _, ev := range events {
		ev.Party = s.party // before they are put in order: an event's id has its party
	}
	var out []*signedBatch
	var batch []*opal.Event
	var of []*eventfile.Entry
	size := 0
	flush := func() error {
		if len(batch) == 0 {
			return nil
		}
		b, err := envelope.Sign(logName, s.party, private, batch)
		if err != nil {
			return err
		}
		m := &pb.SignedEnvelope{Envelope: b.Envelope, Statements: b.Statements}
		for i, list := range b.Openings {
			for _, o := range list {
				m.Openings = append(m.Openings, &pb.Opening{Statement: int32(i), Path: o.Path, Salt: o.Salt[:], Value: o.Value})
			}
		}
		out = append(out, &signedBatch{m, of})
		batch, of, size = nil, nil, 0
		return nil
	}
	for _, i := range eventfile.Order(events) {
		data, err := protojson.Marshal(entries[i].Event)
		if err != nil {
			return nil, fmt.Errorf("write event %d: %w", i+1, err)
		}
		if len(batch) == batchEvents || size+len(data) > batchBytes {
			if err := flush(); err != nil {
				return nil, err
			}
		}
		batch, of = append(batch, events[i]), append(of, entries[i])
		size += len(data)
	}
	return out, flush()
}

// postSigned signs entries, and posts them or writes them to a file.
func (a *app) postSigned(ctx context.Context, entries []*eventfile.Entry, s *signing, receipts string) error {
	private, err := envelope.ReadPartyKey(s.key)
	if err != nil {
		return err
	}
	if s.out != "" {
		if s.log == "" {
			return usageError{errors.New("found --out without --log, accepted is the name of the log too: without a network nobody can be asked, and what is signed holds for one log alone")}
		}
		list, err := s.sign(entries, private, s.log)
		if err != nil {
			return err
		}
		return a.writeSigned(s.out, list, len(entries))
	}
	token, err := a.token(envToken)
	if err != nil {
		return err
	}
	c, err := client.New(client.Config{Server: a.server, Token: token})
	if err != nil {
		return err
	}
	log, err := c.GetLog(ctx, &pb.GetLogRequest{})
	if err != nil {
		return err
	}
	if s.log != "" && s.log != log.GetLog() {
		return usageError{fmt.Errorf("found --log %s, and the service keeps %s", s.log, log.GetLog())}
	}
	list, err := s.sign(entries, private, log.GetLog())
	if err != nil {
		return err
	}
	if err := upload(ctx, c, entries, map[attachment.Hash]bool{}, func(e *eventfile.Entry, path string) ([]byte, error) { return beside(e.File)(path) }); err != nil {
		return err
	}
	return a.sendSigned(ctx, c, list, log.GetSize(), receipts)
}

// sendSigned posts envelopes. One that needs a lot which another of them opens is sent again after it.
func (a *app) sendSigned(ctx context.Context, c *client.Client, list []*signedBatch, size int64, receipts string) error {
	total := 0
	for _, m := range list {
		total += len(m.GetStatements())
	}
	b := a.bar(total)
	var results []*pb.AppendResponse
	for len(list) > 0 {
		var later []*signedBatch
		var first error
		for _, m := range list {
			out, err := c.AppendEnvelopes(ctx, &pb.AppendEnvelopesRequest{Envelopes: []*pb.SignedEnvelope{m.SignedEnvelope}})
			if fault.Of(err) == fault.UnknownLot || fault.Of(err) == fault.UnknownEvent {
				later = append(later, m)
				if first == nil {
					first = m.blame(err)
				}
				continue
			}
			if err != nil {
				b.clear()
				return a.stopped(len(results), total, m.blame(err))
			}
			results = append(results, out.GetResults()...)
			b.add(len(m.GetStatements()))
		}
		if len(later) == len(list) {
			b.clear()
			return a.stopped(len(results), total, first)
		}
		list = later
	}
	b.clear()
	if err := keepReceipts(ctx, c, receipts, results); err != nil {
		return err
	}
	return a.tellPosted(results, size)
}

// writeSigned writes envelopes to a new file.
func (a *app) writeSigned(name string, list []*signedBatch, events int) error {
	var b bytes.Buffer
	for _, m := range list {
		data, err := protojson.Marshal(m.SignedEnvelope)
		if err != nil {
			return fmt.Errorf("write %s: %w", name, err)
		}
		// protojson puts in blanks at random, so that nobody relies on them.
		if err := json.Compact(&b, data); err != nil {
			return fmt.Errorf("write %s: %w", name, err)
		}
		b.WriteByte('\n')
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600) // private values are in it
	if err != nil {
		return fmt.Errorf("write the signed events: %w", err)
	}
	_, err = f.Write(b.Bytes())
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", name, errors.Join(err, os.Remove(name)))
	}
	if a.asJSON() {
		return a.printIndented(fmt.Appendf(nil, `{"signed":%d,"envelopes":%d,"file":%q}`, events, len(list), name))
	}
	_, err = fmt.Fprintf(a.stdout, "%s signed, in %s. Whoever has a token can post it: lotpaper post %s\n", plural(events, "event"), name, name)
	return err
}

// isSigned tells whether a file holds signed events.
func isSigned(name string) bool { return strings.EqualFold(filepath.Ext(name), signedEnding) }

// readSigned reads a file of signed events.
func readSigned(name string) ([]*signedBatch, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	defer f.Close()
	in := bufio.NewScanner(io.LimitReader(f, eventfile.MaxFile+1))
	in.Buffer(nil, 4<<20)
	var list []*signedBatch
	for line := 1; in.Scan(); line++ {
		if len(bytes.TrimSpace(in.Bytes())) == 0 {
			continue
		}
		m := &pb.SignedEnvelope{}
		if err := protojson.Unmarshal(in.Bytes(), m); err != nil {
			return nil, fmt.Errorf("%s, line %d: found no signed events, accepted is what lotpaper post --out wrote: %w", name, line, err)
		}
		list = append(list, &signedBatch{SignedEnvelope: m})
	}
	if err := in.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("%s: found no signed events, accepted is one line or more of them", name)
	}
	return list, nil
}

// postSignedFiles posts files of signed events, all of them together.
func (a *app) postSignedFiles(ctx context.Context, names []string, receipts string) error {
	var all []*signedBatch
	for _, name := range names {
		list, err := readSigned(name)
		if err != nil {
			return err
		}
		all = append(all, list...)
	}
	token, err := a.token(envToken)
	if err != nil {
		return err
	}
	c, err := client.New(client.Config{Server: a.server, Token: token})
	if err != nil {
		return err
	}
	log, err := c.GetLog(ctx, &pb.GetLogRequest{})
	if err != nil {
		return err
	}
	return a.sendSigned(ctx, c, all, log.GetSize(), receipts)
}

func (a *app) countersignCommand() *cobra.Command {
	var key, out string
	cmd := &cobra.Command{
		Use:   "countersign FILE",
		Short: "Add a second party's signature to signed events, as on a hand-over",
		Long: `Add a signature to each batch of a file that lotpaper post --out wrote, and write the result to a new file. What was signed stays as it is: the events are
those of the party that signed first, and the second signature says that another has seen them.`,
		Example: "  lotpaper countersign handover.signed --sign shop.pem --out handover-both.signed",
		Args:    takes(1, 1, "a file of signed events"),
		RunE: func(_ *cobra.Command, args []string) error {
			if key == "" || out == "" {
				return usageError{errors.New("found no --sign or no --out, accepted are both: the key, and the file to write")}
			}
			private, err := envelope.ReadPartyKey(key)
			if err != nil {
				return err
			}
			list, err := readSigned(args[0])
			if err != nil {
				return err
			}
			events := 0
			for i, m := range list {
				if m.Envelope, err = envelope.Countersign(m.GetEnvelope(), private); err != nil {
					return fmt.Errorf("%s, batch %d: %w", args[0], i+1, err)
				}
				events += len(m.GetStatements())
			}
			return a.writeSigned(out, list, events)
		},
	}
	cmd.Flags().StringVar(&key, "sign", "", "the key's file")
	cmd.Flags().StringVar(&out, "out", "", "the file to write")
	return cmd
}
