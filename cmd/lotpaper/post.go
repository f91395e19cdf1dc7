package main

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/eventfile"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/readout"
	"github.com/lotpaper/lotpaper/internal/wire"
)

func (a *app) postCommand() *cobra.Command {
	var tokenDir, receipts string
	var dryRun bool
	var s signing
	cmd := &cobra.Command{
		Use:   "post FILE…",
		Short: "Post events from YAML or JSON files",
		Long: `Post events from files: YAML or JSON, one event or many, as documents, lists, or one JSON object a line; "-" is the standard input.

All files are read and checked before anything is sent. Events go in their order, in batches that are taken whole or not at all.
An attachment, and the spectrum of a test, may be given as "file: path" in place of its sha256: the file is uploaded first. Paths are relative to the event file.
An event without a requestId gets one that follows from its content and from how many equal ones stand before it in its file, so
that posting a file again, or a file that has grown, adds only what is new.

With --sign the events are signed with a party's own key (lotpaper keygen), one signature a batch, so that nobody needs to trust who brings them. With --out the
signed events are written to a file, without a network, to be posted later by anybody with a token: lotpaper post FILE` + signedEnding + `. Events are put into an order in which
each stands behind what it needs.

With --token-dir, an event that names its party is posted with the token in the file of that name; the others with the usual token.`,
		Example: "  lotpaper post spring-rough.yaml\n  cat events.jsonl | lotpaper post -\n  lotpaper post --token-dir tokens acts/*.yaml",
		Args:    takes(1, -1, "one or more files, or - for the standard input"),
		RunE: func(cmd *cobra.Command, args []string) error {
			signed := 0
			for _, name := range args {
				if isSigned(name) {
					signed++
				}
			}
			switch {
			case signed > 0 && (signed < len(args) || dryRun || s != signing{}):
				return usageError{errors.New("found signed events beside other files or flags of signing, accepted are they alone")}
			case signed > 0:
				return a.postSignedFiles(cmd.Context(), args, receipts)
			case s.key == "" && s != signing{}:
				return usageError{errors.New("found --party, --log or --out without --sign, accepted is the key's file with them")}
			}
			entries, err := a.readEvents(args)
			if err != nil {
				return err
			}
			if dryRun {
				return a.tellChecked(len(entries))
			}
			if s.key != "" {
				return a.postSigned(cmd.Context(), entries, &s, receipts)
			}
			return a.post(cmd.Context(), entries, tokenDir, receipts)
		},
	}
	cmd.Flags().StringVar(&tokenDir, "token-dir", "", "folder with one token file for each party")
	cmd.Flags().StringVar(&receipts, "receipts", "", "keep in this folder, for each event, the proof that it is in the log")
	cmd.Flags().StringVar(&s.key, "sign", "", "sign with the key in this file")
	cmd.Flags().StringVar(&s.party, "party", "", "with --sign: whose events they are, where the file does not say")
	cmd.Flags().StringVar(&s.log, "log", "", "with --sign: the log's name; needed with --out")
	cmd.Flags().StringVar(&s.out, "out", "", "with --sign: write the signed events to this new file instead of posting them")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "only check the files; what needs the accounts is judged when they are posted")
	return cmd
}

// readEvents reads all files; of several that are wrong, all are told.
func (a *app) readEvents(names []string) ([]*eventfile.Entry, error) {
	var all []*eventfile.Entry
	var wrong eventfile.Problems
	stdinTaken := false
	for _, name := range names {
		var data []byte
		var err error
		switch {
		case name == "-" && stdinTaken:
			return nil, usageError{errors.New("found \"-\" twice, accepted is the standard input once")}
		case name == "-":
			stdinTaken = true
			data, err = io.ReadAll(io.LimitReader(a.stdin, eventfile.MaxFile+1))
		default:
			data, err = readFile(name)
		}
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
		entries, err := eventfile.Read(name, data, beside(name))
		var problems eventfile.Problems
		switch {
		case errors.As(err, &problems):
			wrong = append(wrong, problems...)
		case err != nil:
			return nil, err
		}
		all = append(all, entries...)
	}
	if len(wrong) > 0 {
		return nil, wrong
	}
	return all, nil
}

// beside opens files by paths relative to an event file; the standard input lies in the working folder.
func beside(name string) eventfile.Opener {
	dir := filepath.Dir(name) // "." of "-"
	return func(path string) ([]byte, error) {
		if path = filepath.FromSlash(path); !filepath.IsAbs(path) {
			path = filepath.Join(dir, path)
		}
		return readAttachment(path)
	}
}

// upload puts the files of a batch into the service, each once. known are those that this run has put already.
func upload(ctx context.Context, to uploader, batch []*eventfile.Entry, known map[attachment.Hash]bool, open func(*eventfile.Entry, string) ([]byte, error)) error {
	for _, e := range batch {
		for _, f := range e.Files {
			if known[f.Hash] {
				continue
			}
			data, err := open(e, f.Path)
			if err != nil {
				return fmt.Errorf("read %s: %w", f.Path, err)
			}
			// The event names what was read before. Anything else is not sent: it would be stored, and no event would name it.
			if sha256.Sum256(data) != f.Hash {
				return fmt.Errorf("%s changed after its hash was taken for %s, event %d; it was not uploaded, and its events were not posted: post again", f.Path, e.File, e.Number)
			}
			if _, err := to.PutAttachment(ctx, f.MediaType, data); err != nil {
				return fmt.Errorf("upload %s: %w", f.Path, err)
			}
			known[f.Hash] = true
		}
	}
	return nil
}

// uploader takes files.
type uploader interface {
	PutAttachment(ctx context.Context, mediaType string, data []byte) (*pb.PutAttachmentResponse, error)
}

// readFile reads a file up to one byte past what is accepted, so that the refusal is the reader's.
func readFile(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, eventfile.MaxFile+1))
}

func (a *app) tellChecked(n int) error {
	if a.asJSON() {
		return a.printIndented(fmt.Appendf(nil, `{"checked":%d,"posted":0}`, n))
	}
	_, err := fmt.Fprintf(a.stdout, "Nothing is wrong with %s as written; nothing was posted. Whether lots exist and balance is judged when it is.\n", plural(n, "event"))
	return err
}

// A batch stays well under the service's limits of 1,000 events, 384 KiB of statements and 1 MiB of body.
const (
	batchEvents = 500
	batchBytes  = 192 << 10
)

// batches parts entries into runs of one token each that fit into one request. Their order is kept.
func batches(entries []*eventfile.Entry, tokenOf func(*eventfile.Entry) string) [][]*eventfile.Entry {
	var out [][]*eventfile.Entry
	size := 0
	for _, e := range entries {
		n := len(out)
		bytes := proto.Size(e.Event)
		if n == 0 || len(out[n-1]) == batchEvents || size+bytes > batchBytes || tokenOf(out[n-1][0]) != tokenOf(e) {
			out = append(out, nil)
			n++
			size = 0
		}
		out[n-1] = append(out[n-1], e)
		size += bytes
	}
	return out
}

// post sends all entries and tells what became of them.
func (a *app) post(ctx context.Context, entries []*eventfile.Entry, tokenDir, receipts string) error {
	entries, err := inOrder(entries)
	if err != nil {
		return err
	}
	tokens, err := a.tokensFor(entries, tokenDir)
	if err != nil {
		return err
	}
	clients := map[string]*client.Client{}
	for _, token := range tokens {
		if clients[token] == nil {
			if clients[token], err = client.New(client.Config{Server: a.server, Token: token}); err != nil {
				return err
			}
		}
	}
	tokenOf := func(e *eventfile.Entry) string { return tokens[e.Event.GetParty()] }
	log, err := clients[tokenOf(entries[0])].GetLog(ctx, &pb.GetLogRequest{})
	if err != nil {
		return err
	}
	bar := a.bar(len(entries))
	uploaded := map[string]map[attachment.Hash]bool{} // by token
	var results []*pb.AppendResponse
	for _, batch := range batches(entries, tokenOf) {
		req := &pb.AppendBatchRequest{}
		for _, e := range batch {
			req.Events = append(req.Events, e.Event)
		}
		token := tokenOf(batch[0])
		if uploaded[token] == nil {
			uploaded[token] = map[attachment.Hash]bool{}
		}
		if err := upload(ctx, clients[token], batch, uploaded[token], func(e *eventfile.Entry, path string) ([]byte, error) { return beside(e.File)(path) }); err != nil {
			bar.clear()
			return a.stopped(len(results), len(entries), err)
		}
		answer, err := clients[token].AppendBatch(ctx, req)
		if err != nil {
			bar.clear()
			return a.stopped(len(results), len(entries), eventfile.Blame(batch, err))
		}
		results = append(results, answer.GetResults()...)
		bar.add(len(batch))
	}
	bar.clear()
	if err := keepReceipts(ctx, clients[tokenOf(entries[0])], receipts, results); err != nil {
		return err
	}
	return a.tellPosted(results, log.GetSize())
}

// inOrder puts entries into an order in which each stands behind what it needs.
func inOrder(entries []*eventfile.Entry) ([]*eventfile.Entry, error) {
	events := make([]*opal.Event, len(entries))
	for i, e := range entries {
		ev, f := wire.EventToDomain(e.Event)
		if f != nil {
			return nil, e.Problem(f)
		}
		events[i] = ev
	}
	out := make([]*eventfile.Entry, 0, len(entries))
	for _, i := range eventfile.Order(events) {
		out = append(out, entries[i])
	}
	return out, nil
}

// tokensFor finds the token of each party that the events name.
func (a *app) tokensFor(entries []*eventfile.Entry, dir string) (map[string]string, error) {
	usual, err := a.token(envToken)
	if err != nil {
		return nil, err
	}
	tokens := map[string]string{}
	for _, e := range entries {
		party := e.Event.GetParty()
		if _, known := tokens[party]; known {
			continue
		}
		tokens[party] = usual
		// Only what has the form of a party's id may name a file.
		if dir == "" || party == "" || opal.CheckParty(party) != nil {
			continue
		}
		token, err := readToken(filepath.Join(dir, party))
		switch {
		case err == nil:
			tokens[party] = token
		case !errors.Is(err, os.ErrNotExist):
			return nil, err
		}
	}
	return tokens, nil
}

// stopped tells how far it went before a refusal.
func (a *app) stopped(done, total int, err error) error {
	if done == 0 {
		return err
	}
	return fmt.Errorf("%w\n%d of %d events are in the log, none of the refused batch; put it right and post the same file again: what is there stays one event", err, done, total)
}

// tellPosted tells what was posted. size is how many events the log had before: what stands below it was there already.
func (a *app) tellPosted(results []*pb.AppendResponse, size int64) error {
	repeated := 0
	for _, r := range results {
		if r.GetPosition() < size {
			repeated++
		}
	}
	if !a.asJSON() {
		p := a.page()
		readout.Posted(p, results, repeated)
		return p.Err()
	}
	out := struct {
		Posted   int               `json:"posted"`
		Repeated int               `json:"repeated"`
		Results  []json.RawMessage `json:"results"`
	}{len(results) - repeated, repeated, []json.RawMessage{}}
	for _, r := range results {
		data, err := toJSON(r)
		if err != nil {
			return err
		}
		out.Results = append(out.Results, data)
	}
	data, err := json.Marshal(out)
	if err != nil {
		return fmt.Errorf("write the answer: %w", err)
	}
	return a.printIndented(data)
}

// bar is a progress bar on the standard error, shown for long work on a terminal only.
type bar struct{ shown *progressbar.ProgressBar }

// longWork is how many events take long enough to watch.
const longWork = 200

func (a *app) bar(total int) bar {
	f, ok := a.stderr.(*os.File)
	if !ok || total < longWork || !term.IsTerminal(int(f.Fd())) {
		return bar{}
	}
	return bar{progressbar.NewOptions(total,
		progressbar.OptionSetWriter(f), progressbar.OptionSetDescription("posting"), progressbar.OptionShowCount(),
		progressbar.OptionSetPredictTime(true), progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30))}
}

// demoBar is a bar that is told where it is.
func (a *app) demoBar() bar { return a.bar(longWork) }

// What the bar shows is decoration: a terminal that refuses it must not stop the work.
func (b bar) add(n int) {
	if b.shown != nil {
		_ = b.shown.Add(n)
	}
}

// to moves the bar to where the work is.
func (b bar) to(what string, done, total int) {
	if b.shown != nil {
		b.shown.ChangeMax(total)
		b.shown.Describe(what)
		_ = b.shown.Set(done)
	}
}

func (b bar) clear() {
	if b.shown != nil {
		_ = b.shown.Clear()
	}
}
