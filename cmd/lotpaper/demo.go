package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/cmd/lotpaper/demo"
	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/harness"
	"github.com/lotpaper/lotpaper/internal/table"
)

// readyWithin is more than a node needs to be ready.
const readyWithin = 30 * time.Second

func (a *app) demoCommand() *cobra.Command {
	cfg := harness.Config{}
	var once bool
	var files string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run a service with an invented scenario, and print questions to ask it",
		Long: `Run a service in a temporary folder, load an invented scenario into it through the public API, each event with the token of its
party, and print five questions with the calls that answer them. It keeps serving until ctrl-C; the temporary folder is removed then.

With --data the log stays; loading it again adds nothing. --write-files writes the scenario's event files to a folder, to read or to
post.`,
		Example: "  lotpaper demo\n  lotpaper demo --data demo-data --listen 127.0.0.1:8090\n  lotpaper demo --write-files scenario",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if files != "" {
				return a.writeScenario(files)
			}
			return a.demo(cmd.Context(), cfg, once)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&cfg.DataDir, "data", "", "folder to keep the log in; default: a temporary one")
	flags.StringVar(&cfg.Listen, "listen", defaultListen, "HTTP address; if its port is taken, a free one is used")
	flags.StringVar(&cfg.GRPCListen, "grpc-listen", defaultGRPCListen, "gRPC address; if its port is taken, a free one is used")
	flags.BoolVar(&once, "once", false, "end when the questions are answered")
	flags.StringVar(&files, "write-files", "", "write the scenario's files to this new folder, and do nothing else")
	return cmd
}

// writeScenario writes the files of the scenario.
func (a *app) writeScenario(dir string) error {
	if err := os.CopyFS(dir, demo.Files()); err != nil {
		return fmt.Errorf("write the scenario: %w", err)
	}
	_, err := fmt.Fprintf(a.stdout, "The scenario's files are in %s.\n", dir)
	return err
}

func (a *app) demo(ctx context.Context, cfg harness.Config, once bool) (err error) {
	start := time.Now()
	if cfg.DataDir == "" {
		if cfg.DataDir, err = os.MkdirTemp("", "lotpaper-demo-"); err != nil {
			return fmt.Errorf("make a temporary folder: %w", err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(cfg.DataDir)) }()
	}
	p := a.page()
	if cfg.Listen, err = freePort(p, cfg.Listen); err != nil {
		return err
	}
	if cfg.GRPCListen, err = freePort(p, cfg.GRPCListen); err != nil {
		return err
	}
	cfg.Logger = slog.New(slog.NewTextHandler(a.stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	n, err := harness.Start(ctx, cfg)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stopNode(ctx, n)) }()
	waiting, cancel := context.WithTimeout(ctx, readyWithin)
	defer cancel()
	if err := n.WaitReady(waiting); err != nil {
		return fmt.Errorf("wait for the service: %w", err)
	}
	server := "http://" + n.HTTPAddr()
	ready := time.Since(start)
	loaded, err := a.load(ctx, server, n.AdminToken(), filepath.Join(cfg.DataDir, "demo-tokens"))
	if err != nil {
		return err
	}
	asker, err := client.New(client.Config{Server: server, Token: loaded.Tokens[demo.Asks]})
	if err != nil {
		return err
	}
	questions, err := demo.Ask(ctx, asker, loaded)
	if err != nil {
		return err
	}
	a.tellDemo(p, server, n.GRPCAddr(), loaded, ready, time.Since(start))
	tellQuestions(p, server, questions)
	if once || p.Err() != nil {
		return p.Err()
	}
	p.Blank()
	p.Line(table.Good, "Serving on "+server+" until ctrl-C.")
	<-ctx.Done()
	return p.Err()
}

// freePort tells whether an address can be listened on, and takes another port of the same host if it is taken.
func freePort(p *table.Page, address string) (string, error) {
	if address == "" {
		return "", nil
	}
	l, err := net.Listen("tcp", address)
	if err == nil {
		return address, l.Close()
	}
	host, port, splitErr := net.SplitHostPort(address)
	if splitErr != nil || !errors.Is(err, syscall.EADDRINUSE) {
		return "", fmt.Errorf("listen on %s: %w", address, err)
	}
	p.Line(table.Warn, fmt.Sprintf("Port %s of %s is taken; a free one is used.", port, host))
	return net.JoinHostPort(host, "0"), nil
}

// load posts the scenario. The parties' tokens are kept in a folder, so that a log that stays can be loaded again.
func (a *app) load(ctx context.Context, server, adminToken, tokens string) (*demo.Loaded, error) {
	as := func(token string) (demo.Poster, error) {
		return client.New(client.Config{Server: server, Token: token})
	}
	admin, err := as(adminToken)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(tokens, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder of tokens: %w", err)
	}
	b := a.demoBar()
	defer b.clear()
	return demo.Loader{
		Admin: admin,
		As:    as,
		Token: func(party string) (string, error) {
			token, err := readToken(filepath.Join(tokens, party))
			if errors.Is(err, fs.ErrNotExist) {
				return "", nil
			}
			return token, err
		},
		Keep: func(party, token string) error {
			return os.WriteFile(filepath.Join(tokens, party), []byte(token+"\n"), 0o600)
		},
		Progress: b.to,
	}.Load(ctx)
}

func (a *app) tellDemo(p *table.Page, server, grpc string, loaded *demo.Loaded, ready, all time.Duration) {
	p.Heading("An invented scenario is loaded")
	findings := 0
	for _, n := range loaded.Findings {
		findings += n
	}
	p.Pairs(
		table.Pair{Name: "parties", Value: fmt.Sprint(len(loaded.Parties))},
		table.Pair{Name: "lots", Value: fmt.Sprint(loaded.Lots)},
		table.Pair{Name: "events", Value: fmt.Sprint(loaded.Events)},
		table.Pair{Name: "findings", Value: fmt.Sprint(findings)},
		table.Pair{Name: "pages", Value: server + "/ (sign in with a token below)"},
		table.Pair{Name: "REST", Value: server},
		table.Pair{Name: "gRPC", Value: grpc},
		table.Pair{Name: "time", Value: fmt.Sprintf("ready after %.1f s, loaded after %.1f s", ready.Seconds(), all.Seconds())},
	)
	p.Blank()
	t := table.New(table.Column{Head: "party"}, table.Column{Head: "roles"}, table.Column{Head: "name"})
	for _, party := range loaded.Parties {
		t.Row(table.C(party.Party), table.C(strings.ToLower(strings.Join(party.Roles, ", "))), table.C(party.DisplayName))
	}
	p.Table(t)
	p.Blank()
	t = table.New(table.Column{Head: "what was noticed"}, table.Column{Head: "times", Right: true})
	for _, code := range loaded.Codes() {
		t.Row(table.C(strings.ToLower(strings.ReplaceAll(code, "_", " "))), table.C(fmt.Sprint(loaded.Findings[code])))
	}
	p.Table(t)
	p.Heading("Five questions of a shop")
	p.Line(table.Plain, "Each with its curl line; the token is that of the shop "+demo.Asks+", of this demo only:")
	p.Blank()
	p.Line(table.Strong, "export LOTPAPER_SERVER="+server)
	p.Line(table.Strong, "export LOTPAPER_TOKEN="+loaded.Tokens[demo.Asks])
}

func tellQuestions(p *table.Page, server string, questions []demo.Question) {
	for i, q := range questions {
		p.Heading(fmt.Sprintf("%d. %s", i+1, q.Title))
		for _, c := range q.Calls {
			line := `curl -s -H "Authorization: Bearer $LOTPAPER_TOKEN" '` + server + c.Path + `'`
			if c.Body != "" {
				line += ` -d '` + c.Body + `'`
			}
			p.Line(table.Quiet, line)
		}
		for _, answer := range q.Answer {
			p.Hanging(2, 4, table.Plain, "→ "+answer)
		}
	}
	p.Blank()
	p.Line(table.Plain, "The same on the command line: lotpaper status wet-wheel.k2 -v, lotpaper check wet-wheel.f1 NATURAL, lotpaper history wet-wheel.f1.")
}
