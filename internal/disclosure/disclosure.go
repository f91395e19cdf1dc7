package disclosure

import (
	"slices"
	"strings"

	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Stone is what is known of a stone.
type Stone struct {
	Material opal.MaterialKind
	// Treatments holds one entry for each treatment.
	Treatments []Treatment
}

// Treatment is what is known of one treatment.
type Treatment struct {
	Treatment opal.Treatment
	Verdict   evidence.Verdict
	// BySample: the verdict rests on a sample of the parcel; the stone itself was not tested.
	BySample bool
	// Statement is the plain sentence of the status.
	Statement string
}

// Source is where a duty or a term comes from. Mark says how far it was followed: V read in the published text, V2 in texts that quote it, M from
// memory, P common practice without a published source, D this service's own rule.
type Source struct {
	Section, Mark string
}

// Duty is something that must be told.
type Duty struct {
	Treatment opal.Treatment // "": of the stone as a whole
	Text      string
	Source    Source
}

// Term is a word that may not be used of the stone, or only with an addition.
type Term struct {
	Term, Why string
	Source    Source
}

// Code is a letter of a published list of treatment codes.
type Code struct {
	Letter, Meaning string
	Treatment       opal.Treatment
	// List names the list and its edition: letters changed their meaning over time.
	List string
}

// Disclosure is the answer.
type Disclosure struct {
	Market, Name, Edition string
	Must                  []Duty
	// Unsettled are sentences on what is not known; they belong beside the duties, so that silence does not read as "untreated".
	Unsettled []string
	MayNot    []Term
	Codes     []Code
	// Short is for a label, Long for an invoice.
	Short, Long string
	Care        []string
	Notes       []string
}

// The sentences that always stand at the end.
const (
	Guidance = "This is guidance and no legal advice: local law and its officers decide what must be told."
	Licensed = "Where a trade or a test is reserved to licensed or qualified persons, ask one; a gemmologist with the right instruments can settle what is open here."
)

// Markets lists the markets that are known, in order.
func Markets() []string { return []string{"AU", "INTL", "US"} }

// market is what differs from one market to the next.
type market struct {
	name, edition string
	// told gives the duty of a treatment that was declared or found.
	told func(opal.Treatment) (why string, source Source)
	// natural is who keeps that term for untreated stones; bare is who keeps the bare name from assembled and filled ones.
	natural, bare Source
}

func markets() map[string]market {
	return map[string]market{
		"US": {
			"United States", "16 CFR Part 23, Guides for the Jewelry, Precious Metals, and Pewter Industries, 83 FR 40667 (16 August 2018)",
			func(t opal.Treatment) (string, Source) {
				switch t {
				case opal.Dye:
					return "The dye may not be permanent, the stone needs special care, and it is worth much less than one of that colour by nature.", Source{"16 CFR 23.24 (a), (b), (c)", "V"}
				case opal.Coating:
					return "The coating is not permanent, needs special care, and changes the value.", Source{"16 CFR 23.24 (a), (b), (c)", "V"}
				case opal.OilWax:
					return "The filling is not permanent and needs special care.", Source{"16 CFR 23.24 (a), (b)", "V"}
				case opal.Resin:
					return "The stone needs special care, the filling changes its value, and a stone held together by a filler may not go by the bare name of the gem.", Source{"16 CFR 23.24 (b), (c); 23.25 (d)", "V"}
				case opal.Backing:
					return "It is assembled of several parts and may not go by the bare name of the gem.", Source{"16 CFR 23.25", "V"}
				case opal.Smoke, opal.SugarAcid:
					return "The treatment changes the value, and recutting uncovers a pale core.", Source{"16 CFR 23.24 (c); that these count as dyeing is from memory", "M"}
				}
				return "A treatment with a significant effect on the value must be told.", Source{"16 CFR 23.24 (c)", "V"}
			},
			own, // 16 CFR 23.27 keeps "natural" from what is manufactured, and says nothing of treated stones
			Source{"16 CFR 23.25, 23.27", "V"},
		},
		"INTL": {
			"international trade", "CIBJO, The Gemstone Book (editions of 2018 and 22 December 2022)",
			func(t opal.Treatment) (string, Source) {
				switch t {
				case opal.OilWax, opal.Heat:
					return "General disclosure: in plain words, before the sale or with it, and on the commercial papers.", Source{"Gemstone Book, general disclosure", "V2"}
				case opal.Backing:
					return "A composite is an artificial product and must be named as one.", Source{"Gemstone Book, artificial products", "V"}
				case opal.Smoke, opal.SugarAcid:
					return "Specific disclosure, as for a dye: written in full on the papers, and said.", Source{"Gemstone Book, specific disclosure; that these count as dyeing is from memory", "M"}
				}
				return "Specific disclosure: written in full on the papers, and said.", Source{"Gemstone Book, specific disclosure", "V2"}
			},
			Source{"Gemstone Book, definition of natural", "V"}, Source{"Gemstone Book, artificial products", "V"},
		},
		"AU": {
			"Australia", "Gemmological Association of Australia, opal nomenclature (1997), as texts of the trade quote it",
			func(t opal.Treatment) (string, Source) {
				if t == opal.Backing {
					return "Doublets, triplets and mosaics are composites and no natural opal.", Source{"Opal nomenclature (1997), composite opal", "V2"}
				}
				return "Natural opal is opal with no treatment beyond cutting and polishing; what was done must be told.", Source{"Opal nomenclature (1997), treated opal", "V2"}
			},
			Source{"Opal nomenclature (1997), natural opal", "V2"}, Source{"Opal nomenclature (1997), composite opal", "V2"},
		},
	}
}

// words are how a treatment is told of, in few and in more words, and its letter.
func words(t opal.Treatment) (short, long, letter, meaning string) {
	switch t {
	case opal.Dye:
		return "dyed", "dyed: colour was brought into its pores", "D", "dyeing"
	case opal.Smoke:
		return "smoke-treated", "smoked: carbon was brought into its skin to darken it", "D", "dyeing (smoke has no letter of its own)"
	case opal.SugarAcid:
		return "sugar-acid treated", "sugar-treated: sugar charred by acid darkens its pores", "D", "dyeing (sugar and acid have no letter of their own)"
	case opal.OilWax:
		return "oiled or waxed", "oiled or waxed: a colourless oil or wax is in its pores or cracks", "W", "wax, paraffin or oil in a porous stone"
	case opal.Resin:
		return "resin-impregnated", "impregnated: a resin is in its pores or cracks", "I", "impregnation of a porous stone with a colourless agent"
	case opal.Coating:
		return "coated", "coated: a film lies on its surface", "C", "coating"
	case opal.Backing:
		return "assembled (backed opal)", "assembled: a backing is joined to the opal", "ASBL", "assembled"
	}
	return "heated", "heated", "H", "heating"
}

// codeList names the list that the letters are from.
const codeList = "American Gem Trade Association, gemstone treatment codes, as several pages reproduce them; letters differ between editions"

// noun is a treatment as a thing.
func noun(t opal.Treatment) string {
	switch t {
	case opal.Dye:
		return "dye"
	case opal.Smoke:
		return "smoke"
	case opal.SugarAcid:
		return "sugar and acid"
	case opal.OilWax:
		return "oil or wax"
	case opal.Resin:
		return "resin"
	case opal.Coating:
		return "a coating"
	case opal.Backing:
		return "a backing"
	}
	return "heat"
}

// own is the source of what this service asks for by itself.
var own = Source{"rule of this service: what is not known is told as not known", "D"}

// For says what must be told of a stone in a market.
func For(where string, s Stone) (*Disclosure, *fault.Error) {
	m, ok := markets()[where]
	if !ok {
		return nil, fault.New(fault.InvalidField, "market", "found %q, accepted is one of %s", where, strings.Join(Markets(), ", "))
	}
	d := &Disclosure{Market: where, Name: m.name, Edition: m.edition}
	var short, long, suspected, open, untested, sampled, absent []string
	clear := true
	for _, t := range s.Treatments {
		few, more, letter, meaning := words(t.Treatment)
		switch t.Verdict {
		case evidence.Declared, evidence.Found:
			why, source := m.told(t.Treatment)
			d.Must = append(d.Must, Duty{t.Treatment, upper(more) + ". " + why, source})
			d.Codes = append(d.Codes, Code{letter, meaning, t.Treatment, codeList})
			short, long = append(short, few), append(long, t.Statement)
			clear = false
		case evidence.Conflicting:
			d.Must = append(d.Must, Duty{t.Treatment, "Tests contradict each other on " + noun(t.Treatment) + ".", own})
			suspected, long = append(suspected, noun(t.Treatment)+" (tests contradict each other)"), append(long, t.Statement)
			clear = false
		case evidence.Suspected:
			d.Must = append(d.Must, Duty{t.Treatment, "It is suspected of " + noun(t.Treatment) + ".", own})
			suspected, long = append(suspected, noun(t.Treatment)), append(long, t.Statement)
			clear = false
		case evidence.Open:
			open, clear = append(open, noun(t.Treatment)), false
		case evidence.NotTested:
			untested, clear = append(untested, noun(t.Treatment)), false
		case evidence.NotFound:
			if t.BySample {
				sampled = append(sampled, noun(t.Treatment))
			} else {
				absent = append(absent, noun(t.Treatment))
			}
		}
	}
	add := func(list []string, before, after string) {
		if len(list) > 0 {
			d.Unsettled = append(d.Unsettled, before+strings.Join(list, ", ")+after)
		}
	}
	add(open, "Looked for, and not settled: ", ".")
	add(untested, "Not tested for ", ". Not tested does not mean untreated.")
	add(sampled, "Looked for in a sample of its parcel, and not on this stone, and not found: ", ".")
	add(absent, "Looked for on this stone and not found: ", ".")
	d.Unsettled = append(d.Unsettled, "Whether it was heated cannot be determined by any test.")
	d.MayNot = terms(m, s, clear && len(sampled) == 0)
	d.Short = label(short, suspected, untested, open, sampled)
	d.Long = strings.Join(append(slices.Clone(long), d.Unsettled...), " ")
	d.Care = care(s)
	d.Notes = []string{Guidance, Licensed}
	return d, nil
}

// label is the line for a label.
func label(told, suspected, untested, open, sampled []string) string {
	var parts []string
	if len(told) > 0 {
		parts = append(parts, "Opal, "+strings.Join(told, ", "))
	} else {
		parts = append(parts, "Opal")
	}
	if len(suspected) > 0 {
		parts = append(parts, "suspected of "+strings.Join(suspected, ", "))
	}
	if len(untested) > 0 {
		parts = append(parts, "not tested for "+strings.Join(untested, ", "))
	}
	if len(open) > 0 {
		parts = append(parts, "not settled: "+strings.Join(open, ", "))
	}
	if len(sampled) > 0 {
		parts = append(parts, "by a sample of its parcel only: "+strings.Join(sampled, ", "))
	}
	return strings.Join(append(parts, "heat undeterminable"), "; ") + "."
}

// terms are the words that may not be used.
func terms(m market, s Stone, clear bool) (list []Term) {
	of := func(t opal.Treatment) evidence.Verdict {
		for _, x := range s.Treatments {
			if x.Treatment == t {
				return x.Verdict
			}
		}
		return evidence.NotTested
	}
	treated := func(v evidence.Verdict) bool {
		return v == evidence.Declared || v == evidence.Found || v == evidence.Conflicting || v == evidence.Suspected
	}
	if clear {
		list = append(list, Term{"untreated", "Only with the addition that heat cannot be determined.", own})
	} else {
		list = append(list, Term{"untreated", "Not every treatment was looked for on this stone and not found.", own})
		list = append(list, Term{"natural", "As a bare word it reads as untreated, which the record does not support.", m.natural})
	}
	switch {
	case treated(of(opal.Backing)):
		for _, word := range []string{"opal", "solid opal", "genuine", "real"} {
			list = append(list, Term{word, "It is, or may be, assembled of several parts: name it as a doublet, triplet or backed opal.", m.bare})
		}
	case treated(of(opal.Resin)):
		list = append(list, Term{"opal", "Not as a bare name for a stone with a filler: say what is in it.", m.bare})
	}
	return list
}

// care is how to treat the stone, by what is known of it; common practice, with published notes on hydrophane.
func care(s Stone) []string {
	list := []string{
		"Keep it from heat, from sudden changes of temperature, and from hot lamps and dry vaults: it may crack or lose its play of colour.",
		"No ultrasonic bath, no steam, no solvents, no abrasives. Clean it with a soft cloth.",
	}
	if s.Material == opal.Hydrophane || s.Material == opal.UnknownKind || s.Material == "" {
		list = append(list, "It takes up liquids: keep it from water, oils, creams, perfume and sweat, which can dull its play of colour for good. If it got wet, let it dry slowly in the air, never in an oven.")
	}
	for _, t := range s.Treatments {
		if t.Verdict != evidence.Declared && t.Verdict != evidence.Found && t.Verdict != evidence.Suspected && t.Verdict != evidence.Conflicting {
			continue
		}
		switch t.Treatment {
		case opal.Dye:
			list = append(list, "Dyed: do not soak it, keep it from solvents; light and sweat may fade it or make it stain.")
		case opal.Smoke, opal.SugarAcid:
			list = append(list, "Darkened: do not have it recut without knowing that a pale core may show.")
		case opal.OilWax:
			list = append(list, "Oiled or waxed: keep it from warmth and soap; it may need the treatment again.")
		case opal.Resin:
			list = append(list, "Resin: no solvents, no torch near it.")
		case opal.Coating:
			list = append(list, "Coated: do not rub it, no solvents.")
		case opal.Backing:
			list = append(list, "Assembled: a damp cloth only; soaking parts the glue.")
		}
	}
	return list
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
