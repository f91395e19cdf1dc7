package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"gopkg.in/yaml.v3"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
	"github.com/lotpaper/lotpaper/services/laboratory"
)

// assayCommand computes here: it needs no service.
func (a *app) assayCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "assay",
		Short: "Say what a measurement says",
		Long: `Say what weighings, readings or spectra say: the figures with their uncertainty, the outcome word, what follows and what does not.

For hydrostatic and uptake the file is YAML or JSON with the fields of POST /v1/assays:hydrostatic or /v1/assays:uptake; - is standard input. Masses are
written as the scale shows them, because the last digit states its step. It is computed here, without a service.`,
		Args: takes(0, 0, "hydrostatic, uptake or spectrum"),
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(&cobra.Command{
		Use:     "hydrostatic FILE",
		Short:   "A stone weighed in air and in water",
		Example: "  lotpaper assay hydrostatic weights.yaml",
		Args:    takes(1, 1, "a file, or - for standard input"),
		RunE: func(cmd *cobra.Command, args []string) error {
			in := &pb.WeighHydrostaticRequest{}
			if err := a.readMessage(args[0], in); err != nil {
				return err
			}
			r, err := laboratory.New().WeighHydrostatic(cmd.Context(), in)
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			p := a.page()
			readout.Hydrostatic(p, r)
			return p.Err()
		},
	})
	picture := ""
	uptake := &cobra.Command{
		Use:     "uptake FILE",
		Short:   "A stone weighed again and again while it drinks",
		Example: "  lotpaper assay uptake readings.yaml --svg uptake.svg",
		Args:    takes(1, 1, "a file, or - for standard input"),
		RunE: func(cmd *cobra.Command, args []string) error {
			in := &pb.ReadUptakeRequest{}
			if err := a.readMessage(args[0], in); err != nil {
				return err
			}
			r, err := laboratory.New().ReadUptake(cmd.Context(), in)
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			if picture != "" {
				if err := os.WriteFile(picture, []byte(r.GetSvg()), 0o644); err != nil {
					return fmt.Errorf("write the picture: %w", err)
				}
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			p := a.page()
			readout.Uptake(p, r)
			return p.Err()
		},
	}
	uptake.Flags().StringVar(&picture, "svg", "", "write the picture to this file")
	cmd.AddCommand(uptake, a.spectrumCommand())
	return cmd
}

// readMessage reads a YAML or JSON file into a message, strictly.
func (a *app) readMessage(name string, m proto.Message) error {
	var data []byte
	var err error
	if name == "-" {
		data, err = io.ReadAll(a.stdin)
	} else {
		data, err = os.ReadFile(name)
	}
	if err != nil {
		return fmt.Errorf("read %s: %w", name, err)
	}
	var any map[string]any
	if err := yaml.Unmarshal(data, &any); err != nil {
		return fmt.Errorf("%s: found no YAML or JSON object: %w", name, err)
	}
	text, err := json.Marshal(any)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if err := protojson.Unmarshal(text, m); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}
