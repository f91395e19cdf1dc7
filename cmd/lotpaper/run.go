package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/client"
	"github.com/lotpaper/lotpaper/internal/table"
)

// Exit statuses.
const (
	exitDone        = 0
	exitFailed      = 1
	exitUsage       = 2
	exitUnsupported = 3
)

// What the environment can set.
const (
	envServer     = "LOTPAPER_SERVER"
	envToken      = "LOTPAPER_TOKEN"
	envAdminToken = "LOTPAPER_ADMIN_TOKEN"
)

const defaultServer = "http://127.0.0.1:8080"

// app is one run of the command: its three streams and what the flags of all subcommands said.
type app struct {
	stdin          io.Reader
	stdout, stderr io.Writer

	server    string
	tokenFile string
	output    string
	// started is set once flags and arguments were right: what goes wrong before is a fault of usage.
	started bool
}

// errUnsupported ends a command whose answer is no: it was told already.
var errUnsupported = errors.New("not supported by the evidence")

// usageError is a fault of how the command was called.
type usageError struct{ error }

// run is the whole command; it answers the exit status.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	a := &app{stdin: stdin, stdout: stdout, stderr: stderr}
	root := a.root()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errUnsupported):
		return exitUnsupported
	case !a.started || errors.As(err, &usage):
		fmt.Fprintf(stderr, "lotpaper: %v\nlotpaper --help tells how to call it.\n", err)
		return exitUsage
	}
	fmt.Fprintln(stderr, "lotpaper: "+strings.ReplaceAll(err.Error(), "\n", "\nlotpaper: "))
	return exitFailed
}

// root puts the subcommands together.
func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "lotpaper",
		Short: "The paper of opal lots: who did what to a stone, when, and what tests stand behind it",
		Long: `lotpaper keeps the paper of opal lots: who did what to them, when, and what tests stand behind each statement.

"lotpaper demo" starts a service with an invented scenario and prints questions to ask it. "lotpaper serve" starts an empty one.
The other commands post to a service and ask it; they take the token from ` + envToken + ` or a file, never from the command line.

Exit status: 0 done, 1 failed, 2 called wrongly, 3 not supported by the evidence or not verified.`,
		SilenceErrors: true,
		SilenceUsage:  true,
		PersistentPreRunE: func(*cobra.Command, []string) error {
			if a.output != "table" && a.output != "json" {
				return fmt.Errorf("--output: found %q, accepted is table or json", a.output)
			}
			a.started = true
			return nil
		},
	}
	flags := root.PersistentFlags()
	flags.StringVar(&a.server, "server", valueOr(envServer, defaultServer), "address of the service (or "+envServer+")")
	flags.StringVar(&a.tokenFile, "token-file", "", "file with the token (default: the token in "+envToken+")")
	flags.StringVarP(&a.output, "output", "o", "table", "table, or json: the service's answer as it came")
	root.AddCommand(
		a.serveCommand(), a.demoCommand(),
		a.postCommand(), a.importCommand(), a.attachCommand(), a.enrolCommand(),
		a.keygenCommand(), a.keysCommand(), a.countersignCommand(),
		a.proveCommand(), a.verifyCommand(), a.witnessCommand(), a.revealCommand(), a.eraseCommand(),
		a.showCommand(), a.historyCommand(), a.statusCommand(), a.checkCommand(), a.nextCommand(), a.discloseCommand(), a.labelCommand(), a.exportCommand(), a.watchCommand(),
		a.planCommand(), a.inferCommand(), a.assayCommand(),
		a.fsckCommand(), a.benchCommand(), a.versionCommand(),
	)
	return root
}

// takes checks the number of arguments; what says what they are. most below 0: any number.
func takes(least, most int, what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if n := len(args); n < least || most >= 0 && n > most {
			return fmt.Errorf("found %s, accepted is %s", plural(n, "argument"), what)
		}
		return nil
	}
}

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func valueOr(name, otherwise string) string {
	if v := os.Getenv(name); v != "" {
		return v
	}
	return otherwise
}

// client makes a client with the caller's token.
func (a *app) client() (*client.Client, error) {
	token, err := a.token(envToken)
	if err != nil {
		return nil, err
	}
	return client.New(client.Config{Server: a.server, Token: token})
}

// token finds the token: in the file that the flag names, else in the first of the variables that is set.
func (a *app) token(variables ...string) (string, error) {
	if a.tokenFile != "" {
		return readToken(a.tokenFile)
	}
	for _, name := range variables {
		if token := os.Getenv(name); token != "" {
			return token, nil
		}
	}
	return "", nil
}

// maxToken is more than any token has.
const maxToken = 4096

func readToken(file string) (string, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("read the token: %w", err)
	}
	token := strings.TrimSpace(string(data))
	if token == "" || len(token) > maxToken {
		return "", fmt.Errorf("read the token: found %d characters in %s, accepted is a file with the token alone", len(token), file)
	}
	return token, nil
}

// page starts a page on the standard output.
func (a *app) page() *table.Page { return table.NewPage(a.stdout, styleOf(a.stdout)) }

// styleOf fits a page to where it goes: the width that COLUMNS names, or the terminal's; and colours on a terminal that has them and where
// NO_COLOR does not forbid them (no-color.org).
func styleOf(w io.Writer) table.Style {
	var style table.Style
	if n, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil {
		style.Width = n
	}
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return style
	}
	if width, _, err := term.GetSize(int(f.Fd())); err == nil && style.Width == 0 {
		style.Width = width
	}
	style.Colour = os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
	return style
}

// asJSON tells whether the answer is wanted as it came.
func (a *app) asJSON() bool { return a.output == "json" }

// printJSON writes a message as ProtoJSON, indented. It is formatted anew, because the library varies its spaces on purpose.
func (a *app) printJSON(m proto.Message) error {
	data, err := toJSON(m)
	if err != nil {
		return err
	}
	return a.printIndented(data)
}

func toJSON(m proto.Message) (json.RawMessage, error) {
	data, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("write the answer: %w", err)
	}
	return data, nil
}

func (a *app) printIndented(data []byte) error {
	var b bytes.Buffer
	if err := json.Indent(&b, data, "", "  "); err != nil {
		return fmt.Errorf("write the answer: %w", err)
	}
	b.WriteByte('\n')
	_, err := a.stdout.Write(b.Bytes())
	return err
}

// optional gives a flag's value where it was set.
func optional(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
