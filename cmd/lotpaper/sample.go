package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/readout"
	"github.com/lotpaper/lotpaper/internal/sampling"
	"github.com/lotpaper/lotpaper/services/laboratory"
)

// Both commands compute here: they need no service.

func (a *app) planCommand() *cobra.Command {
	var of, most, finds int32
	var share, confidence, sensitivity float64
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "Say how many stones of a parcel to test",
		Long: `Say how many stones of a parcel must be drawn blindly and tested, so that a sentence about the whole parcel may be printed if none of them (or no
more than --finds) is found treated: "at most --max-treated stones are treated", or "fewer than --max-fraction of them are".

Exact (hypergeometric, one-sided). It is computed here, without a service.`,
		Example: "  lotpaper plan --of 400 --max-treated 20\n  lotpaper plan --of 1000 --max-fraction 0.05 --sensitivity 0.9",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			in := &pb.PlanSampleRequest{LotSize: &of, Confidence: &confidence, Sensitivity: &sensitivity, AllowedFinds: &finds}
			if cmd.Flags().Changed("max-treated") {
				in.MaxTreated = &most
			}
			if cmd.Flags().Changed("max-fraction") {
				in.MaxFraction = &share
			}
			r, err := laboratory.New().PlanSample(cmd.Context(), in)
			if err != nil {
				return flagFault(err)
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			p := a.page()
			readout.Plan(p, r)
			return p.Err()
		},
	}
	f := cmd.Flags()
	f.Int32Var(&of, "of", 0, "stones in the parcel")
	f.Int32Var(&most, "max-treated", 0, "so many may be treated, at most")
	f.Float64Var(&share, "max-fraction", 0, "fewer than this share may be, such as 0.05")
	f.Float64Var(&confidence, "confidence", 0.95, "confidence of the sentence")
	f.Float64Var(&sensitivity, "sensitivity", 1, "share of treated stones that the test shows")
	f.Int32Var(&finds, "finds", 0, "finds that the sentence is to survive")
	return cmd
}

func (a *app) inferCommand() *cobra.Command {
	var of, tested, found int32
	var confidence, sensitivity, specificity float64
	var twoSided bool
	var treated, untreated []int32
	cmd := &cobra.Command{
		Use:   "infer",
		Short: "Say what a sample of a parcel says of the rest",
		Long: `Say how many stones of a parcel may be treated, at least and at most, when so many of a blindly drawn sample were found treated.

Exact (hypergeometric) limits; a test that errs is reckoned in by --sensitivity and --specificity, or by counts of known stones: --treated 19,20 (the
outcome was seen on 19 of 20 treated stones) with --untreated 1,30. It is computed here, without a service.`,
		Example: "  lotpaper infer --of 400 --tested 25 --found 0\n  lotpaper infer --of 400 --tested 25 --found 1 --treated 19,20 --untreated 1,30",
		Args:    takes(0, 0, "none"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			in := &pb.InferSampleRequest{
				LotSize: &of, SampleSize: &tested, Positives: &found, Confidence: &confidence, Sensitivity: &sensitivity, Specificity: &specificity,
				TwoSided: &twoSided,
			}
			if len(treated) > 0 || len(untreated) > 0 {
				if len(treated) != 2 || len(untreated) != 2 {
					return usageError{errors.New("--treated and --untreated: accepted are two numbers each, with the outcome and in all, such as --treated 19,20 --untreated 1,30")}
				}
				in.Counts = &pb.KnownCounts{TreatedWith: &treated[0], TreatedAll: &treated[1], UntreatedWith: &untreated[0], UntreatedAll: &untreated[1]}
			}
			r, err := laboratory.New().InferSample(cmd.Context(), in)
			if err != nil {
				return flagFault(err)
			}
			if a.asJSON() {
				return a.printJSON(r)
			}
			q, f := laboratory.Question(in)
			if f != nil {
				return flagFault(f)
			}
			points, f := sampling.Picture(q, 64)
			if f != nil {
				return flagFault(f)
			}
			fits := make([]float64, len(points))
			for i := range points {
				fits[i] = points[i].Fit
			}
			p := a.page()
			readout.Inference(p, r, of, fits)
			return p.Err()
		},
	}
	f := cmd.Flags()
	f.Int32Var(&of, "of", 0, "stones in the parcel")
	f.Int32Var(&tested, "tested", 0, "stones drawn and tested")
	f.Int32Var(&found, "found", 0, "stones found treated")
	f.Float64Var(&confidence, "confidence", 0.95, "confidence of the limits")
	f.Float64Var(&sensitivity, "sensitivity", 1, "share of treated stones that the test shows")
	f.Float64Var(&specificity, "specificity", 1, "share of untreated stones that it does not show")
	f.BoolVar(&twoSided, "two-sided", false, "share the error between the two limits")
	f.Int32SliceVar(&treated, "treated", nil, "known treated stones: with the outcome, in all")
	f.Int32SliceVar(&untreated, "untreated", nil, "known untreated stones: with the outcome, in all")
	return cmd
}

// flagFault names the flag that a fault speaks of.
func flagFault(err error) error {
	f, ok := fault.As(err)
	if !ok {
		return err
	}
	name := map[string]string{
		"lotSize": "--of", "sampleSize": "--tested", "positives": "--found", "maxTreated": "--max-treated", "maxFraction": "--max-fraction",
		"confidence": "--confidence", "sensitivity": "--sensitivity", "specificity": "--specificity", "allowedFinds": "--finds",
		"counts.treatedWith": "--treated", "counts.treatedAll": "--treated", "counts.untreatedWith": "--untreated", "counts.untreatedAll": "--untreated",
	}[f.Field]
	if name == "" {
		name = f.Field
	}
	return usageError{fmt.Errorf("%s: %s", name, f.Message)}
}
