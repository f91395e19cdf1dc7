package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
	"github.com/lotpaper/lotpaper/internal/spectrum"
	"github.com/lotpaper/lotpaper/services/laboratory"
)

// spectrumCommand reads a spectrum's file here: it needs no service.
func (a *app) spectrumCommand() *cobra.Command {
	var kind, picture string
	var known []string
	cmd := &cobra.Command{
		Use:   "spectrum FILE",
		Short: "An infrared or Raman spectrum",
		Long: `Say what an infrared or Raman spectrum shows: its peaks, its bands measured by opal's own, the outcome word and why.

FILE is a JCAMP-DX file (4.24 or 5.01) or two columns of text, wavenumber or Raman shift in cm⁻¹ and ordinate; or YAML or JSON with the fields of
POST /v1/assays:spectrum, if its name ends so. - is standard input. With five or more --known files, one of each of five stones that are known to be
untreated and are of the same material and look, it is compared with them. The reading names no substance: which resin, oil or dye it is takes a person.`,
		Example: "  lotpaper assay spectrum stone.jdx --svg stone.svg\n  lotpaper assay spectrum stone.jdx --known k1.jdx --known k2.jdx --known k3.jdx --known k4.jdx --known k5.jdx",
		Args:    takes(1, 1, "a file, or - for standard input"),
		RunE: func(cmd *cobra.Command, args []string) error {
			in := &pb.ReadSpectrumRequest{}
			if err := a.readSpectrum(args[0], in); err != nil {
				return err
			}
			if kind != "" {
				in.Kind = proto.String(strings.ToUpper(kind))
			}
			for _, name := range known {
				text, err := a.spectrumText(name)
				if err != nil {
					return err
				}
				k := &pb.KnownSpectrum{}
				setForm(text, &k.Jcamp, &k.Columns)
				in.KnownUntreated = append(in.KnownUntreated, k)
			}
			r, err := laboratory.New().ReadSpectrum(cmd.Context(), in)
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
			readout.Spectrum(p, r)
			return p.Err()
		},
	}
	cmd.Flags().StringVar(&kind, "kind", "", "infrared or raman; needed where the file does not say")
	cmd.Flags().StringArrayVar(&known, "known", nil, "the spectrum of a stone that is known to be untreated; may be given again")
	cmd.Flags().StringVar(&picture, "svg", "", "write the picture to this file")
	return cmd
}

// readSpectrum reads a file into a request: a spectrum as it is, or a request's own fields.
func (a *app) readSpectrum(name string, in *pb.ReadSpectrumRequest) error {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".yaml", ".yml", ".json":
		return a.readMessage(name, in)
	}
	text, err := a.spectrumText(name)
	if err != nil {
		return err
	}
	setForm(text, &in.Jcamp, &in.Columns)
	return nil
}

func setForm(text []byte, jcamp, columns **string) {
	s := proto.String(string(text))
	if spectrum.LooksLikeJCAMP(text) {
		*jcamp = s
	} else {
		*columns = s
	}
}

// spectrumText reads a file, up to what a spectrum may have.
func (a *app) spectrumText(name string) ([]byte, error) {
	in := a.stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
		defer f.Close()
		in = f
	}
	text, err := io.ReadAll(io.LimitReader(in, spectrum.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	if len(text) > spectrum.MaxBytes {
		return nil, fmt.Errorf("%s: found more than %d MiB, accepted are at most as many", name, spectrum.MaxBytes>>20)
	}
	return text, nil
}
