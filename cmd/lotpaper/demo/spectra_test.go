package demo_test

import (
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/cmd/lotpaper/demo"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/spectrum"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

var update = flag.Bool("update", false, "make the spectra anew")

// spectra are the scenario's files: of six stones that the laboratory saw dug, with the little organic matter that they drank, and of one that somebody oiled.
// They are made, not measured, and each says so in its title.
func spectra() map[string]string {
	out := map[string]string{}
	recipe := synth.Recipe{First: 6200, Last: 2600, Step: -2, Noise: 0.0006, Thick: true}
	file := func(name, of string, seed uint64, organics float64) {
		r := recipe
		r.Title, r.Seed, r.Organics = "made by lotpaper's generator, not measured: "+of, seed, organics
		r.Water, r.Silica = 0.9+0.02*float64(seed%7), 0.95+0.01*float64(seed%11)
		out["acts/spectra/"+name+".jdx"] = synth.Infrared(r).Through().JCAMP(synth.DIFDUP, 0.005)
	}
	for i, organics := range []float64{0.55, 0.7, 0.62, 0.85, 0.48, 0.75} {
		file(fmt.Sprintf("k%d", i+1), fmt.Sprintf("known stone %d", i+1), uint64(21+i), organics)
	}
	file("w1", "a stone that drank oil", 40, 3.2)
	return out
}

// The files are what the generator makes; -update writes them.
func TestSpectraAreMade(t *testing.T) {
	want := spectra()
	for name, text := range want {
		if *update {
			if err := os.WriteFile(filepath.FromSlash(name), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		kept, err := fs.ReadFile(demo.Files(), name)
		if *update {
			kept, err = os.ReadFile(name)
		}
		if err != nil || string(kept) != text {
			t.Errorf("%s is not what the generator makes (-update makes it): %v", name, err)
		}
		if !strings.Contains(text, "not measured") {
			t.Errorf("%s does not say that it was made", name)
		}
	}
	names, err := fs.Glob(demo.Files(), "acts/spectra/*")
	if err != nil || !*update && len(names) != len(want) {
		t.Errorf("%d files, %v", len(names), err)
	}
}

// The known stones are alike, and the other is not.
func TestSpectraSayWhatTheyShould(t *testing.T) {
	material := opal.Material{Kind: opal.Hydrophane, Look: opal.Translucent}
	read := func(text string, known []spectrum.Reference) *spectrum.Result {
		c, f := spectrum.Parse([]byte(text))
		if f != nil {
			t.Fatal(f)
		}
		r, f := spectrum.Read(c, spectrum.Infrared, material, known)
		if f != nil {
			t.Fatal(f)
		}
		return r
	}
	files := spectra()
	var known []spectrum.Reference
	for i := range 6 {
		r := read(files[fmt.Sprintf("acts/spectra/k%d.jdx", i+1)], nil)
		if r.Outcome != "ORGANICS_PRESENT" {
			t.Errorf("known stone %d: %s %q", i+1, r.Outcome, r.Reasons)
		}
		known = append(known, spectrum.Reference{Material: material, Figures: r.Figures()})
	}
	if r := read(files["acts/spectra/w1.jdx"], known); r.Outcome != "RAISED" {
		t.Errorf("the oiled stone: %s %q", r.Outcome, r.Reasons)
	}
	if r := read(files["acts/spectra/k1.jdx"], known[1:]); r.Outcome != "AS_UNTREATED" {
		t.Errorf("a known stone beside the others: %s %q", r.Outcome, r.Reasons)
	}
}
