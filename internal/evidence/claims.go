package evidence

import (
	"errors"
	"slices"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// checkClaims weighs claims about one lot.
func checkClaims(q Query, claims []opal.Claim) ([]ClaimResult, error) {
	w, err := newWalker(q)
	if err != nil {
		return nil, err
	}
	w.brief = true
	r, err := w.line(q.Lot, nil)
	void := errors.Is(err, errVoid)
	if err != nil && !void {
		return nil, err
	}
	out := make([]ClaimResult, 0, len(claims))
	for i, c := range claims {
		switch {
		case !slices.Contains(opal.AllClaimKinds(), c.Claim):
			return nil, fault.New(fault.InvalidField, fieldAt("claims", i), "found %q, accepted are %s", c.Claim, strings.Join(words(opal.AllClaimKinds()), ", "))
		case (c.Claim == opal.ClaimOrigin) != (c.Country != ""):
			return nil, fault.New(fault.InvalidField, fieldAt("claims", i), "found %q with the country %q, accepted is a country with ORIGIN and with nothing else", c.Claim, c.Country)
		case void:
			out = append(out, ClaimResult{Claim: c, Verdict: Unsupported, Because: textVoid})
		default:
			out = append(out, w.check(r, c))
		}
	}
	return out, nil
}

// check weighs one claim.
func (w *walker) check(r *lineResult, c opal.Claim) ClaimResult {
	switch c.Claim {
	case opal.ClaimUntreated:
		return w.untreated(r, c)
	case opal.ClaimNatural:
		return w.natural(r, c)
	case opal.ClaimHydrophane:
		return w.hydrophane(r, c)
	case opal.ClaimOrigin:
		return w.origin(r, c)
	}
	return w.denies(r, c, []opal.Treatment{denied(c.Claim)})
}

// denied is the treatment that a claim denies.
func denied(c opal.ClaimKind) opal.Treatment {
	return opal.Treatment(strings.TrimPrefix(string(c), "NO_"))
}

// of is what is known of a treatment.
func (w *walker) of(r *lineResult, t opal.Treatment) *treatmentResult {
	return &r.treatments[slices.Index(w.treatments, t)]
}

// against tells whether a verdict contradicts a claim that denies the treatment.
func against(v Verdict) bool {
	return v == Declared || v == Found || v == Conflicting || v == Suspected
}

// denies weighs a claim that denies treatments.
func (w *walker) denies(r *lineResult, c opal.Claim, treatments []opal.Treatment) ClaimResult {
	out := ClaimResult{Claim: c, Verdict: Supported}
	var bad, open, good []string
	for _, t := range treatments {
		x := w.of(r, t)
		switch {
		case against(x.verdict):
			bad = append(bad, x.statement)
		case x.verdict == NotFound || x.verdict == NotApplicable:
			good = append(good, x.statement)
			out.Strength = weaker(out.Strength, x.strength)
		default:
			open = append(open, x.statement)
			out.Missing = append(out.Missing, w.missing(t))
		}
	}
	switch {
	case len(bad) > 0:
		out.Verdict, out.Strength, out.Missing = Contradicted, "", nil
		out.Because = strings.Join(bad, " ")
	case len(open) > 0:
		out.Verdict, out.Strength = Unsupported, ""
		out.Because = strings.Join(open, " ")
	default:
		out.Because = strings.Join(good, " ")
	}
	return out
}

// strengthRank orders strengths: what rests on the record alone is the weakest, a diagnostic sign the strongest.
func strengthRank(s Strength) int {
	return slices.Index([]Strength{"", ByRecord, HardlyAny, Weak, Moderate, ModeratelyStrong, Strong, VeryStrong, ExtremelyStrong, BySign}, s)
}

// weaker is the weaker of two strengths, and stronger the stronger; "" is none yet.
func weaker(a, b Strength) Strength {
	if a == "" || b != "" && strengthRank(b) < strengthRank(a) {
		return b
	}
	return a
}

func stronger(a, b Strength) Strength {
	if strengthRank(b) > strengthRank(a) {
		return b
	}
	return a
}

// untreated denies every treatment. Heat can't be told: it blocks nothing, unless somebody said that the stone was heated.
func (w *walker) untreated(r *lineResult, c opal.Claim) ClaimResult {
	treatments := slices.DeleteFunc(slices.Clone(w.treatments), func(t opal.Treatment) bool { return t == opal.Heat })
	if against(w.of(r, opal.Heat).verdict) {
		treatments = w.treatments
	}
	out := w.denies(r, c, treatments)
	if odds, reckoned := w.odds(r); reckoned != nil && out.Verdict != Contradicted {
		out.Because += " " + textOdds(odds, reckoned)
	}
	out.Because += " " + textHeat + " " + w.record(r).Text
	return out
}

func (w *walker) natural(r *lineResult, c opal.Claim) ClaimResult {
	out := ClaimResult{Claim: c}
	backing := w.of(r, opal.Backing)
	unbroken := r.country() != "" || r.unbroken()
	status := " " + textStatus(w.treatments, r.treatments, w.record(r).Gaps)
	switch {
	case r.synthetic:
		out.Verdict, out.Because = Contradicted, textSynthetic+status
	case against(backing.verdict):
		out.Verdict, out.Because = Contradicted, backing.statement+status
	case (unbroken || r.growth) && !r.near && (backing.verdict == NotFound || backing.verdict == NotApplicable):
		out.Verdict, out.Because = Supported, textNatural(unbroken)+" "+backing.statement+status
		out.Strength = BySign
		if unbroken {
			out.Strength = ByRecord
		}
	default:
		out.Verdict = Unsupported
		if !unbroken && !r.growth {
			out.Missing = append(out.Missing, textMissingNatural)
		}
		if backing.verdict != NotFound && backing.verdict != NotApplicable {
			out.Missing = append(out.Missing, w.missing(opal.Backing))
		}
		if r.near {
			out.Missing = append(out.Missing, textMissingIdentity)
		}
		out.Because = textNaturalOpen + status
	}
	return out
}

// unbroken tells whether every part goes back to a mine without a gap.
func (r *lineResult) unbroken() bool {
	for i := range r.spans {
		if !r.spans[i].Documented {
			return false
		}
	}
	return !slices.ContainsFunc(r.roots, func(o *Opening) bool { return o.Kind != opal.KindMined })
}

func (w *walker) hydrophane(r *lineResult, c opal.Claim) ClaimResult {
	out := ClaimResult{Claim: c, Verdict: Unsupported, Because: textDrinksOpen, Missing: []string{textMissingUptake}}
	resin := w.of(r, opal.Resin)
	var drank *Item
	for i := range resin.items {
		x := &resin.items[i]
		if x.Counts && x.Stance == Excludes && (x.Coverage == ThisStone || x.Coverage == SourcePiece) && (x.Method == opal.WaterUptake || x.Method == opal.WaterDrop) &&
			(drank == nil || drank.At.Before(x.At)) {
			drank = x
		}
	}
	for i := range resin.items {
		x := &resin.items[i]
		full := x.Kind != ItemTest && (x.Extent == opal.Full || x.Extent == "") || x.Kind == ItemTest && x.Coverage != SampleOf
		sealed := x.Stance == Shows || x.Kind == ItemDeclaration || x.Kind == ItemStated
		if x.Counts && sealed && full && (drank == nil || !x.At.Before(drank.At)) {
			return ClaimResult{Claim: c, Verdict: Contradicted, Because: textSealed + " " + resin.statement}
		}
	}
	if drank != nil {
		return ClaimResult{Claim: c, Verdict: Supported, Strength: BySign, Because: textDrinks(drank)}
	}
	return out
}

func (w *walker) origin(r *lineResult, c opal.Claim) ClaimResult {
	out := ClaimResult{Claim: c}
	switch {
	case r.country() == c.Country:
		out.Verdict, out.Strength, out.Because = Supported, ByRecord, textOrigin(c.Country)
	case slices.ContainsFunc(r.roots, func(o *Opening) bool { return o.Kind == opal.KindMined && o.Country != c.Country }):
		out.Verdict, out.Because = Contradicted, textOriginElsewhere(r.roots, c.Country)
	default:
		out.Verdict, out.Because, out.Missing = Unsupported, textOriginOpen(r.roots), []string{textMissingOrigin}
	}
	return out
}

// missing says what would be needed to deny a treatment, and the shortest way to it.
func (w *walker) missing(t opal.Treatment) string {
	if w.q.WithoutMissing {
		return ""
	}
	var methods []opal.Method
	for _, rule := range w.rules.Table.rules {
		if rule.Treatment == t && rule.Stance == PointsAway && !slices.Contains(methods, rule.Method) {
			methods = append(methods, rule.Method)
		}
	}
	return textMissing(t, methods, w.fewest(t))
}
