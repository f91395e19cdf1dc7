package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"github.com/lotpaper/lotpaper/internal/harness"
)

const (
	defaultListen     = "127.0.0.1:8080"
	defaultGRPCListen = "127.0.0.1:9090"
	// stopWithin is how long a node may take to stop gently.
	stopWithin = 30 * time.Second
)

// serveFlags are what serve can be told.
type serveFlags struct {
	cfg                 harness.Config
	zone                string
	logLevel, logFormat string
	reserveMiB          uint64
}

func (f *serveFlags) bind(flags *pflag.FlagSet) {
	c := &f.cfg
	flags.StringVar(&c.DataDir, "data", "", "folder for journal, log, keys and projection; made if it does not exist")
	flags.StringVar(&c.Listen, "listen", defaultListen, "HTTP address")
	flags.StringVar(&c.GRPCListen, "grpc-listen", defaultGRPCListen, "gRPC address; empty: none")
	flags.StringVar(&c.LogName, "log-name", "", "the log's name (default \"lotpaper\"); fixed when the log is made")
	flags.StringVar(&f.zone, "zone", "", "offset in which a bare date is a day, such as +03:00 (default UTC); fixed when the log is made")
	flags.StringVar(&c.NATSURL, "nats", "", "external NATS server or cluster; default: one embedded in this process")
	flags.StringVar(&c.NATSCredentials, "nats-credentials", "", "file of NATS credentials")
	flags.IntVar(&c.Replicas, "replicas", 0, "replicas of the journal on an external NATS: 1, 3 or 5 (default 3)")
	flags.StringVar(&c.TLSCert, "tls-cert", "", "certificate (PEM); needed on addresses that other machines reach")
	flags.StringVar(&c.TLSKey, "tls-key", "", "its key (PEM)")
	flags.StringVar(&c.ClientCA, "client-ca", "", "authorities (PEM) whose certificates clients may present in place of a token; the URI lotpaper:party:ID in a certificate names its party")
	flags.StringVar(&c.ClientCRL, "client-crl", "", "their lists of revoked certificates (PEM or DER), read again when the file changes")
	flags.StringVar(&c.OIDCIssuer, "oidc-issuer", "", "OpenID Connect issuer (https address) by which people log in at /session/login; it must know the address /session/callback of this service")
	flags.StringVar(&c.OIDCClientID, "oidc-client-id", "", "the id by which the issuer knows this service")
	flags.StringVar(&c.OIDCClientSecretFile, "oidc-client-secret-file", "", "file with the secret that belongs to it; none for a public client")
	flags.StringVar(&c.OIDCPartyClaim, "oidc-party-claim", "", "claim of the ID token that holds the party a person works for; the issuer's administrators alone may be able to set it")
	flags.StringVar(&c.PublicAddress, "public-address", "", "where people reach the pages, such as https://stones.example, as it stands in links on labels; default: the host that a request names")
	flags.BoolVar(&c.BehindTLSProxy, "behind-tls-proxy", false, "other machines reach this node only through something that ends TLS")
	flags.Uint64Var(&f.reserveMiB, "reserve", 256, "free space in MiB below which appends and uploads are refused")
	flags.StringVar(&f.logLevel, "log-level", "info", "debug, info, warn or error")
	flags.StringVar(&f.logFormat, "log-format", "text", "text or json")
}

// config puts the flags together; all that is wrong is told.
func (f *serveFlags) config(a *app) (harness.Config, error) {
	cfg := f.cfg
	var wrong []error
	if cfg.DataDir == "" {
		wrong = append(wrong, errors.New("--data: found nothing, accepted is a folder"))
	}
	var err error
	if cfg.ZoneMinutes, err = zoneMinutes(f.zone); err != nil {
		wrong = append(wrong, err)
	}
	if f.reserveMiB > 1<<30 {
		wrong = append(wrong, fmt.Errorf("--reserve: found %d MiB, accepted is at most %d", f.reserveMiB, 1<<30))
	}
	cfg.Reserve = f.reserveMiB << 20
	if cfg.Logger, err = f.logger(a); err != nil {
		wrong = append(wrong, err)
	}
	cfg.AdminToken = os.Getenv(envAdminToken)
	if err := errors.Join(wrong...); err != nil {
		return cfg, usageError{err}
	}
	return cfg, nil
}

func (f *serveFlags) logger(a *app) (*slog.Logger, error) {
	var level slog.Level
	if err := level.UnmarshalText([]byte(f.logLevel)); err != nil {
		return nil, fmt.Errorf("--log-level: found %q, accepted is debug, info, warn or error", f.logLevel)
	}
	opts := &slog.HandlerOptions{Level: level}
	switch f.logFormat {
	case "text":
		return slog.New(slog.NewTextHandler(a.stderr, opts)), nil
	case "json":
		return slog.New(slog.NewJSONHandler(a.stderr, opts)), nil
	}
	return nil, fmt.Errorf("--log-format: found %q, accepted is text or json", f.logFormat)
}

var zoneForm = regexp.MustCompile(`^[+-](\d\d):([0-5]\d)$`)

// zoneMinutes reads an offset east of UTC.
func zoneMinutes(s string) (int64, error) {
	if s == "" || s == "UTC" || s == "Z" {
		return 0, nil
	}
	m := zoneForm.FindStringSubmatch(s)
	if m == nil {
		return 0, fmt.Errorf("--zone: found %q, accepted is an offset such as +03:00, or UTC", s)
	}
	hours, _ := strconv.Atoi(m[1]) // two digits: nothing can go wrong
	minutes, _ := strconv.Atoi(m[2])
	n := int64(hours*60 + minutes)
	if n > 14*60 {
		return 0, fmt.Errorf("--zone: found %q, accepted are offsets up to 14 hours", s)
	}
	if strings.HasPrefix(s, "-") {
		n = -n
	}
	return n, nil
}

func (a *app) serveCommand() *cobra.Command {
	f := &serveFlags{}
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the service",
		Long: `Run the service with its log in the folder --data.

A new log gets an admin token: the one in ` + envAdminToken + ` if that is set, else one that is written to the file admin-token in the
data folder. Ctrl-C or SIGTERM stops the service gently: what it acknowledged is on disk whatever happens.`,
		Example: "  lotpaper serve --data data\n  lotpaper serve --data data --zone +10:00 --log-format json",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := f.config(a)
			if err != nil {
				return err
			}
			n, err := harness.Start(cmd.Context(), cfg)
			if err != nil {
				return err
			}
			scheme := "http"
			if cfg.TLSCert != "" {
				scheme = "https"
			}
			fmt.Fprintf(a.stdout, "REST on %s://%s", scheme, n.HTTPAddr())
			if n.GRPCAddr() != "" {
				fmt.Fprintf(a.stdout, ", gRPC on %s", n.GRPCAddr())
			}
			fmt.Fprintln(a.stdout)
			if file := n.AdminTokenFile(); file != "" && n.AdminToken() != "" {
				fmt.Fprintf(a.stdout, "The admin's token is in %s.\n", file)
			}
			<-cmd.Context().Done()
			return stopNode(cmd.Context(), n)
		},
	}
	f.bind(cmd.Flags())
	return cmd
}

// stopNode stops a node although the command's own context has ended.
func stopNode(ctx context.Context, n *harness.Node) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
	defer cancel()
	return n.Stop(ctx)
}
