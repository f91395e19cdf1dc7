// Package demo holds an invented scenario: two mines, an exporter, a treater, a dealer, a laboratory, a cutter and two shops, and what
// they wrote down about their opals over a year. Nothing and nobody in it exists.
//
// The acts are event files as anybody would post them, one story each, in the order in which they happened. The package reads them and
// says which questions are worth asking of the result; posting is the caller's matter.
package demo

import (
	"bytes"
	"embed"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"gopkg.in/yaml.v3"

	"github.com/lotpaper/lotpaper/internal/eventfile"
)

//go:embed parties.yaml acts
var files embed.FS

// Files gives the scenario as it is written: parties.yaml, and the acts below acts.
func Files() fs.FS { return files }

// Party is who takes part.
type Party struct {
	Party       string   `yaml:"party"`
	DisplayName string   `yaml:"displayName"`
	Roles       []string `yaml:"roles"`
}

// Parties lists who takes part.
func Parties() ([]Party, error) {
	data, err := files.ReadFile("parties.yaml")
	if err != nil {
		return nil, fmt.Errorf("read the parties: %w", err)
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	dec.KnownFields(true)
	var list []Party
	if err := dec.Decode(&list); err != nil {
		return nil, fmt.Errorf("read the parties: %w", err)
	}
	return list, nil
}

// Act is one file of events.
type Act struct {
	// Name is the file's name without its ending.
	Name    string
	Entries []*eventfile.Entry
}

// Acts reads all acts, in their order.
func Acts() ([]Act, error) {
	names, err := fs.Glob(files, "acts/*.yaml") // sorted by name
	if err != nil {
		return nil, fmt.Errorf("list the acts: %w", err)
	}
	var acts []Act
	for _, name := range names {
		data, err := files.ReadFile(name)
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
		entries, err := eventfile.Read(path.Base(name), data, func(file string) ([]byte, error) {
			return files.ReadFile(path.Join("acts", file))
		})
		if err != nil {
			return nil, err
		}
		acts = append(acts, Act{Name: strings.TrimSuffix(path.Base(name), ".yaml"), Entries: entries})
	}
	return acts, nil
}
