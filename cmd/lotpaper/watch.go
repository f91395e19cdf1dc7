package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
)

// watchFlags are what lotpaper watch is told.
type watchFlags struct {
	lot, after, command, state string
	holder, sold, alerts       bool
	once                       bool
}

func (a *app) watchCommand() *cobra.Command {
	f := &watchFlags{}
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Follow what happens: to a lot, to what you hold, or alerts on what you sold",
		Long: `Follow what happens, one line a notice, until ctrl-C: the events of a lot and its ancestors (--lot), events and alerts of what you hold (--holder), or alerts on what
you sold (--sold). A stream that is cut off is taken up again where it was; with --state also after a restart.

With --exec a command of yours is run for each notice, one at a time, with the notice as JSON on its standard input, and LOTPAPER_KIND and LOTPAPER_ID in its environment: a
mailer, say. A command that fails is tried again twice; then watch ends with status 1, and with --state the notice comes again next time.`,
		Example: "  lotpaper watch --sold\n  lotpaper watch --holder --alerts --state alerts.json --exec ./mail-the-owner",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.watch(cmd.Context(), f)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.lot, "lot", "", "events of this lot and of its ancestors")
	flags.BoolVar(&f.holder, "holder", false, "events and alerts of the lots that you hold")
	flags.BoolVar(&f.sold, "sold", false, "alerts on the lots that you sold")
	flags.BoolVar(&f.alerts, "alerts", false, "with --holder: alerts alone")
	flags.StringVar(&f.after, "after", "", "go on after this id")
	flags.StringVar(&f.state, "state", "", "keep in this file how far it has come, and go on from there")
	flags.StringVar(&f.command, "exec", "", "run this command for each notice, by the shell")
	flags.BoolVar(&f.once, "once", false, "end when everything up to now was told")
	return cmd
}

// watched is what a state file keeps.
type watched struct {
	Server string `json:"server"`
	Watch  string `json:"watch"`
	ID     string `json:"id"`
}

func (a *app) watch(ctx context.Context, f *watchFlags) error {
	in := &pb.WatchRequest{Lot: optional(f.lot), After: optional(f.after)}
	me, set := "me", 0
	if f.lot != "" {
		set++
	}
	if f.holder {
		in.Holder = &me
		set++
	}
	if f.sold {
		in.Sold = &me
		set++
	}
	if set != 1 {
		return usageError{fmt.Errorf("found %d of --lot, --holder and --sold, accepted is exactly one", set)}
	}
	c, err := a.client()
	if err != nil {
		return err
	}
	what := fmt.Sprintf("lot=%s holder=%v sold=%v", f.lot, f.holder, f.sold)
	if f.state != "" {
		before, err := readWatched(f.state)
		if err != nil {
			return err
		}
		if before != nil && (before.Server != a.server || before.Watch != what) {
			return usageError{fmt.Errorf("--state: found the state of another watch (%s at %s), accepted is that of this one, or a new file", before.Watch, before.Server)}
		}
		if before != nil && f.after == "" {
			in.After = &before.ID
		}
	}
	w := &watching{app: a, flags: f, what: what}
	for wait := time.Second; ; {
		w.heardAny = false
		err := c.Watch(ctx, in, func(n *pb.WatchResponse) error { return w.notice(ctx, n) }, func(id string) error {
			in.After = &id
			w.heardAny = true
			if err := w.keep(id); err != nil {
				return err
			}
			if f.once && w.quiet >= 1 {
				return errDone
			}
			w.quiet++
			return nil
		})
		switch {
		case errors.Is(err, errDone), ctx.Err() != nil:
			return nil
		case err != nil && !again(err):
			return err
		}
		if w.heardAny {
			wait = time.Second
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
			wait = min(2*wait, time.Minute)
		}
	}
}

var errDone = errors.New("all was told")

// again tells whether a stream is worth asking for once more: not if the service refused it for good, or the command failed.
func again(err error) bool {
	if f, ok := fault.As(err); ok {
		return f.RetryAfter > 0
	}
	var failed commandError
	return !errors.As(err, &failed)
}

// watching is a watch under way.
type watching struct {
	app      *app
	flags    *watchFlags
	what     string
	quiet    int  // signs of life since the last notice
	heardAny bool // the service was heard at all
}

// commandError is a command of the caller's that failed.
type commandError struct{ err error }

func (c commandError) Error() string { return c.err.Error() }
func (c commandError) Unwrap() error { return c.err }

func (w *watching) notice(ctx context.Context, n *pb.WatchResponse) error {
	w.quiet = 0
	if w.flags.alerts && n.GetAlert() == nil {
		return nil
	}
	raw, err := protojson.Marshal(n)
	if err != nil {
		return fmt.Errorf("write a notice: %w", err)
	}
	var line bytes.Buffer // the library puts blanks in at will
	if err := json.Compact(&line, raw); err != nil {
		return fmt.Errorf("write a notice: %w", err)
	}
	line.WriteByte('\n')
	if w.flags.command != "" {
		return w.run(ctx, n, line.Bytes())
	}
	if w.app.asJSON() {
		_, err := w.app.stdout.Write(line.Bytes())
		return err
	}
	_, err = fmt.Fprintln(w.app.stdout, readout.Notice(n))
	return err
}

// run gives a notice to the command, three times if it fails.
func (w *watching) run(ctx context.Context, n *pb.WatchResponse, line []byte) error {
	for try := 1; ; try++ {
		cmd := exec.CommandContext(ctx, "/bin/sh", "-c", w.flags.command)
		cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(line), w.app.stdout, w.app.stderr
		cmd.Env = append(os.Environ(), "LOTPAPER_KIND="+n.GetKind(), "LOTPAPER_ID="+n.GetId())
		err := cmd.Run()
		if err == nil || ctx.Err() != nil {
			return ctx.Err()
		}
		if try == 3 {
			return commandError{fmt.Errorf("the command failed three times on notice %s: %w", n.GetId(), err)}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Duration(try) * time.Second):
		}
	}
}

// keep writes how far the watch has come.
func (w *watching) keep(id string) error {
	if w.flags.state == "" {
		return nil
	}
	data, err := json.Marshal(watched{w.app.server, w.what, id})
	if err != nil {
		return fmt.Errorf("keep the state: %w", err)
	}
	temp, err := os.CreateTemp(filepath.Dir(w.flags.state), filepath.Base(w.flags.state)+".*")
	if err != nil {
		return fmt.Errorf("keep the state: %w", err)
	}
	_, err = temp.Write(append(data, '\n'))
	if err = errors.Join(err, temp.Sync(), temp.Close()); err == nil {
		err = os.Rename(temp.Name(), w.flags.state)
	}
	if err != nil {
		return fmt.Errorf("keep the state: %w", errors.Join(err, os.Remove(temp.Name())))
	}
	return nil
}

func readWatched(name string) (*watched, error) {
	data, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the state: %w", err)
	}
	s := &watched{}
	if err := json.Unmarshal(data, s); err != nil || s.ID == "" {
		return nil, fmt.Errorf("%s: found no state of a watch, accepted is what lotpaper watch wrote", name)
	}
	return s, nil
}
