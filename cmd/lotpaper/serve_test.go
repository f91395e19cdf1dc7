package main

import (
	"bytes"
	"testing"

	"github.com/spf13/pflag"

	"github.com/lotpaper/lotpaper/internal/harness"
)

// What serve is told of callers gets to the node under its own name, and nothing of it is on unless it is told.
func TestServeFlagsOfCallers(t *testing.T) {
	parse := func(args ...string) harness.Config {
		t.Helper()
		f, flags := &serveFlags{}, pflag.NewFlagSet("serve", pflag.ContinueOnError)
		f.bind(flags)
		if err := flags.Parse(append(args, "--data", "d")); err != nil {
			t.Fatal(err)
		}
		cfg, err := f.config(&app{stderr: new(bytes.Buffer)})
		if err != nil {
			t.Fatal(err)
		}
		return cfg
	}
	fields := func(c harness.Config) map[string]string {
		return map[string]string{
			"--client-ca": c.ClientCA, "--client-crl": c.ClientCRL, "--oidc-issuer": c.OIDCIssuer, "--oidc-client-id": c.OIDCClientID,
			"--oidc-client-secret-file": c.OIDCClientSecretFile, "--oidc-party-claim": c.OIDCPartyClaim,
		}
	}
	for flag, value := range fields(parse()) {
		if value != "" {
			t.Errorf("%s is %q where nothing is told", flag, value)
		}
		for other, value := range fields(parse(flag, "told")) {
			if want := map[bool]string{true: "told"}[other == flag]; value != want {
				t.Errorf("%s told: %s is %q, want %q", flag, other, value, want)
			}
		}
	}
}
