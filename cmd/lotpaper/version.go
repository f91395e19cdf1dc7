package main

import (
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/internal/table"
)

// build is what the binary knows of itself.
type build struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"`
	Changed  bool   `json:"changed"` // built from a tree that was not as committed
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func buildInfo() build {
	b := build{Version: "unknown", Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	b.Version = info.Main.Version
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.modified":
			b.Changed = s.Value == "true"
		}
	}
	return b
}

func (a *app) versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Tell which version this is",
		Args:  takes(0, 0, "none"),
		RunE: func(*cobra.Command, []string) error {
			b := buildInfo()
			if a.asJSON() {
				data, err := json.Marshal(b)
				if err != nil {
					return fmt.Errorf("write the version: %w", err)
				}
				return a.printIndented(data)
			}
			revision := b.Revision
			if b.Changed {
				revision += " (changed)"
			}
			p := a.page()
			p.Line(table.Plain, "lotpaper "+b.Version)
			p.Pairs(table.Pair{Name: "revision", Value: revision}, table.Pair{Name: "go", Value: b.Go}, table.Pair{Name: "platform", Value: b.Platform})
			return p.Err()
		},
	}
}
