package opal

import (
	"cmp"
	"fmt"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// The bodies that say what stones are like, what was done to them, and what tests showed.

func checkTested(t *Tested) *fault.Error {
	if f := cmp.Or(
		needWord("method", t.Method, AllMethods()),
		under("sample", checkSample(&t.Sample)),
	); f != nil {
		return f
	}
	if t.Outcome == "" && len(t.Findings) == 0 && t.Measurement == nil {
		return wrongOutcome("outcome", t.Outcome, t.Method, ", or findings, or a measurement")
	}
	if t.Outcome != "" && !t.Method.KnowsOutcome(t.Outcome) {
		return wrongOutcome("outcome", t.Outcome, t.Method, "")
	}
	if f := tooMany("findings", len(t.Findings), MaxRows, "findings"); f != nil {
		return f
	}
	sawNothing := t.Outcome == NothingSeen
	for i := range t.Findings {
		x := &t.Findings[i]
		if !t.Method.KnowsOutcome(x.Outcome) {
			return at("findings", i, wrongOutcome("outcome", x.Outcome, t.Method, ""))
		}
		if f := cmp.Or(
			mayWord("treatment", x.Treatment, AllTreatments()),
			mayWord("where", x.Where, AllPlaces()),
			text("note", x.Note, MaxText),
		); f != nil {
			return at("findings", i, f)
		}
		sawNothing = sawNothing || x.Outcome == NothingSeen
	}
	if sawNothing && len(t.LookedFor) == 0 {
		return fault.New(fault.InvalidField, "lookedFor", "found nothing beside the outcome NOTHING_SEEN, which speaks only of what was looked for; accepted are one or more of %s", strings.Join(treatmentWords(), ", "))
	}
	return cmp.Or(
		wordList("lookedFor", t.LookedFor, AllTreatments()),
		mayWord("identity", t.Identity, AllIdentities()),
		checkConditions(t.Conditions),
		text("instrument", t.Instrument, MaxText),
		text("protocol", t.Protocol, MaxText),
		under("destroyed", checkDestroyed(t.Destroyed)),
		under("measurement", checkMeasurement(t.Measurement, t.Method)),
	)
}

func treatmentWords() []string {
	var words []string
	for _, t := range AllTreatments() {
		words = append(words, string(t))
	}
	return words
}

func wrongOutcome(field string, o Outcome, m Method, more string) *fault.Error {
	return fault.New(fault.InvalidField, field, "found %s, accepted with %s is one of %s%s", found(string(o)), m, strings.ReplaceAll(outcomeWords(m), " ", ", "), more)
}

// checkSample checks that the figures of a sample agree with each other. How far a sample reaches, and whether a RANDOM one counts as
// such, is judged from the accounts.
func checkSample(s *Sample) *fault.Error {
	if f := cmp.Or(
		needWord("kind", s.Kind, AllSampleKinds()),
		count("tested", s.Tested, 1),
		count("of", s.Of, 1),
		count("positive", s.Positive, 0),
	); f != nil {
		return f
	}
	if s.Kind == Random || s.Kind == Picked {
		for _, n := range [...]struct {
			name string
			p    *int64
		}{{"tested", s.Tested}, {"of", s.Of}} {
			if n.p == nil {
				return fault.New(fault.InvalidField, n.name, "found nothing, accepted with a %s sample are tested and of: how many pieces of how many", s.Kind)
			}
		}
	}
	if s.Tested != nil && s.Of != nil {
		if *s.Tested > *s.Of {
			return fault.New(fault.InvalidField, "tested", "found %s tested of %s, accepted is at most as many as there were", group(*s.Tested), group(*s.Of))
		}
		if s.Kind == Whole && *s.Tested < *s.Of {
			return fault.New(fault.InvalidField, "tested", "found %s tested of %s as the WHOLE lot, accepted is WHOLE only where every piece was tested; else PIECES, RANDOM or PICKED", group(*s.Tested), group(*s.Of))
		}
	}
	if s.Positive != nil {
		tested, name := s.Tested, "tested"
		if tested == nil {
			tested, name = s.Of, "there" // every piece of the lot, at most
		}
		if tested != nil && *s.Positive > *tested {
			return fault.New(fault.InvalidField, "positive", "found %s positive of %s %s, accepted is at most as many", group(*s.Positive), group(*tested), name)
		}
	}
	return cmp.Or(
		lotList("lots", s.Lots, MaxSampleLots),
		selector("selectedBy", s.SelectedBy),
		mayWord("selection", s.Selection, AllSelections()),
	)
}

// selector checks who selected a sample: a party, or somebody outside the log. It is never a person's name: it stands in public.
func selector(field, s string) *fault.Error {
	if s == "" || s == Outside {
		return nil
	}
	if CheckParty(s) == nil {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found %q, accepted is the id of the party that selected, or %q", clip(s), Outside)
}

func checkConditions(c map[string]string) *fault.Error {
	if f := tooMany("conditions", len(c), MaxSteps, "conditions"); f != nil {
		return f
	}
	// A map has no order: of several faults the one of the smallest key is told, so that the same event gets the same answer.
	var worst *fault.Error
	var worstKey string
	for k, v := range c {
		f := text("", k, MaxText)
		switch {
		case f != nil:
			f = under(fmt.Sprintf("conditions[%q]", clip(k)), f)
		case strings.TrimSpace(k) == "":
			f = fault.New(fault.InvalidField, "conditions", "found a condition without a name, accepted is a name with each value")
		default:
			if f = text("", v, MaxText); f != nil {
				f = under(fmt.Sprintf("conditions[%q]", clip(k)), f)
			}
		}
		if f != nil && (worst == nil || k < worstKey) {
			worst, worstKey = f, k
		}
	}
	return worst
}

func checkDestroyed(d *Destroyed) *fault.Error {
	if d == nil {
		return nil
	}
	if d.Pieces == nil && d.Mass == "" {
		return fault.New(fault.InvalidField, "", "found neither pieces nor mass, accepted is at least one of them")
	}
	return cmp.Or(count("pieces", d.Pieces, 0), mayMass("mass", d.Mass))
}

func checkTreated(t *Treated) *fault.Error {
	return cmp.Or(
		needWord("treatment", t.Treatment, AllTreatments()),
		text("medium", t.Medium, MaxText),
		under("process", checkProcess(t.Process)),
		mayWord("extent", t.Extent, AllExtents()),
		mayMass("massBefore", t.MassBefore),
		mayMass("massAfter", t.MassAfter),
	)
}

func checkProcess(p *Process) *fault.Error {
	if p == nil {
		return nil
	}
	if f := cmp.Or(
		measured("temperatureCelsius", p.TemperatureCelsius, absoluteZero, hottestTreating, "°C"),
		measured("durationHours", p.DurationHours, 0, maxHours, "hours"),
		tooMany("steps", len(p.Steps), MaxSteps, "steps"),
	); f != nil {
		return f
	}
	for i, s := range p.Steps {
		if f := needText("", s, MaxText); f != nil {
			return at("steps", i, f)
		}
	}
	return nil
}

func checkDescribed(d *Described) *fault.Error {
	return cmp.Or(
		bodyTone("bodyTone", d.BodyTone),
		text("bodyColour", d.BodyColour, MaxText),
		mayWord("transparency", d.Transparency, AllLooks()),
		text("playOfColour", d.PlayOfColour, MaxText),
		dimensions("dimensionsMm", d.DimensionsMm),
		mayMass("measuredMass", d.MeasuredMass),
	)
}

func checkNothingDone(n *NothingDone, zoneMinutes int64) *fault.Error {
	if f := cmp.Or(instant("from", n.From, zoneMinutes), instant("to", n.To, zoneMinutes)); f != nil {
		return f
	}
	from, _ := ParseWhen(n.From, zoneMinutes)
	to, _ := ParseWhen(n.To, zoneMinutes)
	if to.Before(from) {
		return fault.New(fault.InvalidField, "to", "found %s, which is before from (%s); accepted is a time at or after it", n.To, n.From)
	}
	return nil
}

func checkReferenceSet(r *ReferenceSet) *fault.Error {
	if f := cmp.Or(
		needWord("known", r.Known, AllKnowns()),
		mayWord("treatment", r.Treatment, AllTreatments()),
	); f != nil {
		return f
	}
	if r.Known == KnownTreated && r.Treatment == "" {
		return fault.New(fault.InvalidField, "treatment", "found nothing beside TREATED, accepted is one of %s", strings.Join(treatmentWords(), ", "))
	}
	return needText("how", r.How, MaxText)
}

func checkMethodValidated(m *MethodValidated) *fault.Error {
	if f := cmp.Or(
		needWord("method", m.Method, AllMethods()),
		needText("protocol", m.Protocol, MaxText),
		tooMany("rows", len(m.Rows), MaxRows, "rows"),
	); f != nil {
		return f
	}
	if len(m.Rows) == 0 && len(m.Lots) == 0 {
		return fault.New(fault.InvalidField, "rows", "found neither rows nor lots; accepted are 1 to %s rows of counts, or the lots of known history whose tests by this laboratory are to be counted", group(MaxRows))
	}
	for i := range m.Rows {
		r := &m.Rows[i]
		if !m.Method.KnowsOutcome(r.Outcome) {
			return at("rows", i, wrongOutcome("outcome", r.Outcome, m.Method, ""))
		}
		if f := cmp.Or(
			needWord("treatment", r.Treatment, AllTreatments()),
			checkShare("treatedWith", "treatedAll", r.TreatedWith, r.TreatedAll),
			checkShare("untreatedWith", "untreatedAll", r.UntreatedWith, r.UntreatedAll),
		); f != nil {
			return at("rows", i, f)
		}
		for j := range i {
			if m.Rows[j].Outcome == r.Outcome && m.Rows[j].Treatment == r.Treatment {
				return at("rows", i, fault.New(fault.InvalidField, "outcome", "found %s for %s, which rows[%d] counts already; accepted is one row for each outcome and treatment", r.Outcome, r.Treatment, j))
			}
		}
	}
	return lotList("lots", m.Lots, MaxSampleLots)
}

// checkShare checks counts of the kind "with of all".
func checkShare(withName, allName string, with, all int64) *fault.Error {
	if f := cmp.Or(number(withName, with, 0, MaxPieces), number(allName, all, 0, MaxPieces)); f != nil {
		return f
	}
	if with > all {
		return fault.New(fault.InvalidField, withName, "found %s of %s (%s), accepted is at most as many", group(with), group(all), allName)
	}
	return nil
}
