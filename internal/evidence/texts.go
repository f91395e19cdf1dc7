package evidence

import (
	"slices"
	"strconv"
	"strings"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// Every sentence that a reader sees is made here, so that the wording stays one; hence the length of this file. A sentence says what
// is known and by whom, and never that a stone is untreated.

const (
	textVoid                = "This lot never came to be: the event that made it was withdrawn."
	textHeat                = "Heat cannot be told by any test."
	textOutsideGap          = "sold to a buyer outside the log; nobody documents what happened then"
	textBulk                = "several pieces were measured together, which says nothing of the single stone"
	textTreatedAfterLeaving = "the stone that was tested was treated so after it had been parted off"
	textUnknownWord         = "the rule table does not know this outcome"
	textPerhapsAfter        = "dated so that it may be later than the parting of the stones, or than the time asked for"
	textSurfaceCut          = "it saw the surface only, and the stone was cut or sawn since"
	textSynthetic           = "A test identified the stone as synthetic or an imitation."
	textNaturalOpen         = "The record does not show that this is natural opal."
	textMissingNatural      = "an unbroken line to the mine, or natural growth seen under the microscope on this stone"
	textMissingIdentity     = "another stone of its parcel was identified as synthetic or an imitation: have this one identified"
	textDrinksOpen          = "No valid test shows that this stone takes up water."
	textMissingUptake       = "a WATER_UPTAKE test of this stone (MODERATE or STRONG), or a WATER_DROP that soaks in; it wets the stone for days and can crack it"
	textSealed              = "A stone filled with resin is no longer hydrophane."
	textMissingOrigin       = "an unbroken line to a mined lot; a gap cannot be closed afterwards"
	textNotUntreated        = "not tested does not mean untreated"
)

// noun is a treatment as the object of a sentence.
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
	case opal.Heat:
		return "heat"
	}
	return string(t)
}

// done is a treatment as something that was done.
func done(t opal.Treatment) string {
	switch t {
	case opal.Dye:
		return "dyed"
	case opal.Smoke:
		return "smoked"
	case opal.SugarAcid:
		return "blackened with sugar and acid"
	case opal.OilWax:
		return "oiled or waxed"
	case opal.Resin:
		return "filled with resin"
	case opal.Coating:
		return "coated"
	case opal.Backing:
		return "backed"
	case opal.Heat:
		return "heated"
	}
	return string(t)
}

// methodNoun is a method as people call it.
func methodNoun(m opal.Method) string {
	switch m {
	case opal.WaterUptake:
		return "water uptake"
	case opal.WaterDrop:
		return "water drop"
	case opal.Hydrostatic:
		return "hydrostatic weighing"
	case opal.Refractometer:
		return "refractometer"
	case opal.Microscope:
		return "microscope"
	case opal.Swab:
		return "swab"
	case opal.HotPoint:
		return "hot point"
	case opal.UVShortWave:
		return "short-wave UV"
	case opal.UVLongWave:
		return "long-wave UV"
	case opal.DeepUVImaging:
		return "deep-UV imaging"
	case opal.Infrared:
		return "infrared"
	case opal.Raman:
		return "Raman"
	case opal.UVVis:
		return "UV-visible spectrum"
	case opal.XRF:
		return "X-ray fluorescence"
	case opal.Polariscope:
		return "polariscope"
	case opal.SideView:
		return "side view"
	}
	return string(m)
}

// plainWord is an outcome as people read it. AS_UNTREATED is a comparison with reference stones, and must not read as a finding.
func plainWord(o opal.Outcome) string {
	if o == "AS_UNTREATED" {
		return "like the reference stones"
	}
	return strings.ReplaceAll(strings.ToLower(string(o)), "_", " ")
}

// textDay is the day of a time. A bare date lies around its noon, whatever the zone that it was a day in.
func textDay(w opal.When) string {
	return ((w.From + w.To) / 2).Time().Format("2006-01-02")
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func fieldAt(field string, i int) string { return field + "[" + strconv.Itoa(i) + "]" }

func plural(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.FormatInt(n, 10) + " " + many
}

// percent writes parts per million: "12.5 %", "0.3 %".
func percent(ppm int64) string {
	tenths := (ppm + 500) / 1000
	if tenths == 0 {
		return "less than 0.1 %"
	}
	s := strconv.FormatInt(tenths/10, 10)
	if tenths%10 != 0 {
		s += "." + strconv.FormatInt(tenths%10, 10)
	}
	return s + " %"
}

// Custody.

func textAcquiredGap(party string) string {
	return "acquired by " + party + "; what happened before is not documented"
}

func textLateGap(to string, transitDays int64) string {
	return "under way to " + to + " for more than " + plural(transitDays, "day", "days") + " without a receipt"
}

func textGainGap(party string) string {
	return "more arrived at " + party + " than was sent; where it came from is not documented"
}

func textReopenedGap(party string) string {
	return "closed, and opened again by " + party + "; what happened between is not documented"
}

func textHeldBy(g *seg, event string) string {
	if event == g.open.Fact.Event {
		return string(g.open.Kind)
	}
	for i := range g.s.Moves {
		if g.s.Moves[i].Fact.Event == event {
			return string(g.s.Moves[i].Kind)
		}
	}
	return string(g.open.Kind)
}

func textSpan(s *CustodySpan) string {
	switch {
	case s.From == nil && s.To == nil:
		return "at all times"
	case s.From == nil:
		return "up to " + textDay(*s.To)
	case s.To == nil:
		return "since " + textDay(*s.From)
	}
	return "from " + textDay(*s.From) + " to " + textDay(*s.To)
}

func textRecord(r Record, mined bool, still string) string {
	since := "since the mine"
	if !mined {
		since = "since the record begins"
	}
	verb := " states that it did nothing to the stones"
	if r.Stated != 1 {
		verb = " state that they did nothing to the stones"
	}
	s := strconv.FormatInt(r.Stated, 10) + " of " + plural(r.Hands, "hand", "hands") + " " + since + verb
	if still != "" {
		s += " (" + still + ")"
	}
	if r.Gaps == 0 {
		s += "; no gap."
	} else {
		s += "; " + plural(r.Gaps, "span is", "spans are") + " not documented."
	}
	if slices.ContainsFunc(r.Statements, func(h HandStatement) bool { return h.Contradicted }) {
		s += " A declaration or a find contradicts such a statement."
	}
	return s
}

// Why an item does not count.

func textNotRecorded(needs string) string {
	what := ""
	switch needs {
	case needsCleaned:
		what = "the test does not record that the stone was cleaned before"
	case needsGirdle:
		what = "the test does not record that the whole girdle was seen"
	case needsMagnification:
		what = "the test does not record the magnification"
	case needsSpots:
		what = "the test does not record the spots that were measured"
	case needsSolvent:
		what = "the test does not record the solvent"
	case needsCounts:
		return "how often known stones give this outcome is not known"
	}
	return what + ", so it counts one class less"
}

func textNoneShowed(tested *int64) string {
	if tested == nil || *tested == 1 {
		return "counted as not showing it"
	}
	return "none of " + strconv.FormatInt(*tested, 10) + " tested showed it"
}

func textWithdrawn(f *Fact) string {
	if !f.Withdrawn {
		return "corrected by " + f.Party + reasonOf(f)
	}
	return "withdrawn by " + f.Party + reasonOf(f)
}

func reasonOf(f *Fact) string {
	if f.Because == "" {
		return ""
	}
	return ": " + f.Because
}

func textCompromised(party string) string {
	return "the key of " + party + " was compromised by then"
}

// textSignAgainst: counts cannot turn a sign into an absence. That more untreated than treated stones showed it says how the known stones were chosen or read, and
// not that a stone with the sign is clean.
const textSignAgainst = "a sign that known stones showed more often untreated than treated says nothing either way"

func textContested(outcome opal.Outcome) string {
	return "the tester names what is in the same spectrum, so that " + plainWord(outcome) + " does not count as absence"
}

func textStranger(party string) string {
	return party + " did not hold this stone then"
}

func textTreatedAfter(d *declaration) string {
	return "declared " + done(d.treatment) + " afterwards (" + textDay(d.fact.At) + ")"
}

func textGapAfter(s *CustodySpan) string {
	return "nobody documents who held the stones " + textSpan(s) + ": " + s.Because
}

func textMasked(mask opal.Treatment) string {
	return noun(mask) + " on the stone keeps this test from seeing what is under it"
}

func textNotDry(m opal.Moisture) string {
	if m == opal.MoistureUnknown {
		return "the test does not record that the stone was dry at its start"
	}
	return "the stone was " + strings.ToLower(string(m)) + " at the start of the test"
}

// Items.

// textTest is how the sentence on an outcome begins: "Microscope by a-laboratory on 2026-03-04: carbon in scratches".
func textTest(t *TestFact, finding *opal.TestFinding) string {
	s := upperFirst(methodNoun(t.Method)) + " by " + t.Fact.Party + " on " + textDay(t.Fact.At) + ": " + plainWord(finding.Outcome)
	if finding.Where != "" {
		s += " (" + strings.ToLower(string(finding.Where)) + ")"
	}
	switch {
	case t.read():
		s += textReading(t, finding)
	case t.Computed == "" || finding.Outcome != t.Computed && !slices.Contains(t.Also, finding.Outcome):
	case t.Outcome != "" && t.Outcome != t.Computed:
		s += " (computed from its readings; the tester's word was " + plainWord(t.Outcome) + ")"
	default:
		s += " (computed from its readings)"
	}
	return s
}

// textReading says of a spectrum's word whether the service read it, and where the tester says otherwise.
func textReading(t *TestFact, finding *opal.TestFinding) string {
	r := t.reading()
	own := finding.Outcome == r.word || slices.Contains(t.Also, finding.Outcome)
	s := ""
	switch {
	case own && r.word == t.Computed:
		s = " (computed from its readings"
	case own && t.Computed != "":
		s = " (its readings give " + plainWord(t.Computed)
	case own:
		s = " (its readings show peaks that no word fits"
	case r.contested && kindOf(finding.Outcome) == organicMatter:
		s = " (the tester's word; its readings give " + plainWord(t.Computed)
	case t.Computed == "" && kindOf(finding.Outcome) == dyeMatter:
		s = " (the tester's word for peaks that its readings show and no word fits"
	default:
		return ""
	}
	var words []string
	for _, o := range r.unseen {
		words = append(words, plainWord(o))
	}
	saw := "; the tester saw " + strings.Join(words, ", ")
	switch {
	case len(words) > 0 && t.unread():
		s += saw + ", which is not judged where nothing could be read"
	case len(words) > 0 && r.word == opal.Unreadable:
		s += saw + ", of which they show nothing: one of the two errs, so neither is judged"
	case len(words) > 0:
		s += saw + ", of which they show nothing: one of the two errs, so that is not judged"
	case own && t.Outcome != "" && t.Outcome != t.Computed:
		s += "; the tester's word was " + plainWord(t.Outcome)
	}
	return s + ")"
}

// textItem is the sentence of a test's item, whose beginning it has already.
func textItem(treatment opal.Treatment, w *weighed) string {
	item := w.item
	before, after := stancePhrase(item.Stance, w.rule)
	aside := ""
	if item.SetAside != "" {
		aside = "; "
		if !item.Counts && item.Stance != Silent {
			aside = "; set aside: "
		}
	}
	return item.Text + before + noun(treatment) + after + textCounts(item) + coveragePhrase(w) + aside + item.SetAside + "."
}

// stancePhrase is what a stance says: what stands before and after the treatment.
func stancePhrase(s Stance, rule *Rule) (before, after string) {
	switch {
	case s == Shows:
		return ", which shows ", ""
	case s == Excludes && rule.Extent == opal.Full:
		return ", which excludes that it is sealed through and through with ", ""
	case s == Excludes:
		return ", which excludes ", ""
	case s == PointsTo:
		return ", which points to ", " but does not decide"
	case s == PointsAway:
		return ", which points away from ", " but does not decide"
	}
	return ", which says nothing of ", ""
}

func coveragePhrase(w *weighed) string {
	item := w.item
	switch {
	case item.Coverage == SourcePiece:
		return "; made on the piece that the stone was cut from"
	case w.test.bulk:
		return "; the pieces were measured together"
	case item.Coverage == SampleOf:
		return "; made on " + sampleSize(item) + ", not on this stone"
	}
	return ""
}

// sampleSize says how many stones of how many were tested.
func sampleSize(item *Item) string {
	s := "a sample"
	if item.Tested != nil {
		s = plural(*item.Tested, "stone", "stones")
	}
	if item.Of != nil {
		s += " of " + strconv.FormatInt(*item.Of, 10)
	}
	return s
}

func textMaterial(t opal.Treatment, look *LookFact) string {
	return upperFirst(strings.ToLower(look.BodyColour)) + " opal, as " + look.Fact.Party + " described it on " + textDay(look.Fact.At) +
		", needs no check for " + noun(t) + "."
}

// textDeclared is the sentence of a declaration. from and to are the time in which the poster held the lot, for a late one.
func textDeclared(d *declaration, from, to string) string {
	f := d.fact
	var b strings.Builder
	b.WriteString(upperFirst(done(d.treatment)))
	if d.medium != "" {
		b.WriteString(" (" + d.medium + ")")
	}
	if d.stated {
		b.WriteString(", as stated by " + f.Party + " who acquired it on " + textDay(f.At))
	} else {
		b.WriteString(" on " + textDay(f.At) + ", declared by " + f.Party)
		if from != "" {
			b.WriteString(" (held it from " + from)
			if to != "" {
				b.WriteString(" to " + to)
			}
			b.WriteByte(')')
		}
		if d.late > 0 {
			b.WriteString(", " + late(d.late) + " later")
		}
	}
	if d.taken {
		if f.Withdrawn {
			b.WriteString(", then withdrawn by " + f.Party)
		} else {
			b.WriteString(", then corrected away by " + f.Party)
		}
	}
	b.WriteByte('.')
	return b.String()
}

func late(seconds int64) string {
	const day, hour = 24 * 60 * 60, 60 * 60
	if seconds >= day {
		return plural(seconds/day, "day", "days")
	}
	return plural(max(1, seconds/hour), "hour", "hours")
}

func textStatedUntreated(f *Fact) string {
	return "Stated untreated by " + f.Party + " when it acquired the lot on " + textDay(f.At) + ": a statement, not a test."
}

func textInherited(t opal.Treatment, r *treatmentResult, lot string, byPieces bool) string {
	return "Inherited from the lots that were combined, the worst of them " + lot + ": " + verdictPhrase(t, r.verdict) + sharePhrase(r.share, byPieces) + "."
}

func verdictPhrase(t opal.Treatment, v Verdict) string {
	switch v {
	case Declared:
		return "declared " + done(t)
	case Found:
		return noun(t) + " found"
	case Conflicting:
		return "tests contradict each other on " + noun(t)
	case Suspected:
		return noun(t) + " suspected"
	case Open:
		return "not enough is known of " + noun(t)
	case NotFound:
		return noun(t) + " looked for and not found"
	case Undeterminable:
		return "heat cannot be told"
	case NotApplicable:
		return "no check for " + noun(t) + " is needed"
	}
	return "not tested for " + noun(t)
}

func sharePhrase(share int64, byPieces bool) string {
	if share == 0 {
		return ""
	}
	if byPieces {
		return " (" + percent(share) + " of the pieces)"
	}
	return " (" + percent(share) + " of the mass)"
}

// Statements.

// statement is the one sentence on a treatment.
func (l *line) statement(t opal.Treatment, r *treatmentResult) string {
	s := l.verdictSentence(t, r)
	if r.share > 0 {
		s += " This holds for " + percent(r.share) + " of the lot that it was combined into; which stones, is not known."
	}
	if (r.verdict == Declared || r.verdict == Found || r.verdict == Suspected) && l.mayBeGone(t, r) {
		s += " It may be gone since the stone was cut."
	}
	return s
}

func (l *line) verdictSentence(t opal.Treatment, r *treatmentResult) string {
	switch r.verdict {
	case Declared:
		for i := range r.items {
			if x := &r.items[i]; x.Counts && (x.Kind == ItemDeclaration || x.Kind == ItemStated) && !strings.Contains(x.Text, ", then ") {
				return x.Text
			}
		}
		return upperFirst(verdictPhrase(t, Declared)) + "."
	case Found:
		if r.byWeight {
			return upperFirst(noun(t)) + " found: these findings are " + textRatio(*r.weight.ratio, r.weight.level) + "."
		}
		return upperFirst(noun(t)) + " found" + by(first2(r.items, Shows, true)) + "."
	case Conflicting:
		return upperFirst(verdictPhrase(t, Conflicting)) + ": one shows it" + by(first2(r.items, Shows, true)) + ", another excludes it" +
			by(first2(r.items, Excludes, true)) + "."
	case Suspected:
		if r.byWeight {
			return upperFirst(noun(t)) + " suspected: a finding on the stone is " + textRatio(*r.weight.group, ItemLevel) + "."
		}
		return l.suspectedSentence(t, r)
	case Open:
		if r.bySample && !r.byWeight {
			return "Not enough is known of " + noun(t) + ": " + textSampled(r.sample)
		}
		if r.byWeight {
			return "Not enough is known of " + noun(t) + ": these findings are " + textRatio(*r.weight.ratio, r.weight.level) + "."
		}
		return openSentence(t, r)
	case NotFound:
		if r.bySample {
			return upperFirst(noun(t)) + " looked for in a sample: " + textSampled(r.sample)
		}
		if r.byWeight {
			return upperFirst(noun(t)) + " looked for and not found: these findings are " + textRatio(*r.weight.ratio, r.weight.level) + "."
		}
		s := upperFirst(noun(t)) + " looked for and not found" + by(first2(r.items, Excludes, true))
		if x := first2(r.items, Excludes, true); x != nil && x.Extent == opal.Full {
			if cracks := first2(r.items, PointsAway, true); cracks != nil {
				s += ", nor in its cracks" + by(cracks)
			}
		}
		return s + "."
	case Undeterminable:
		return textHeat
	case NotApplicable:
		for i := range r.items {
			if r.items[i].Stance == StanceInapplicable {
				return r.items[i].Text
			}
		}
		return upperFirst(verdictPhrase(t, NotApplicable)) + "."
	}
	return notTestedSentence(t, r)
}

// first2 is the first item that counts with a stance; direct: made on the stone itself, or inherited with it.
func first2(items []Item, stance Stance, direct bool) *Item {
	for i := range items {
		x := &items[i]
		if x.Counts && x.Kind == ItemTest && x.Stance == stance && (!direct || x.Coverage != SampleOf) {
			return x
		}
	}
	return nil
}

// by says by whom, when and how.
func by(x *Item) string {
	if x == nil {
		return ""
	}
	return " by " + x.Party + " on " + textDay(x.At) + " (" + methodNoun(x.Method) + ": " + plainWord(x.Outcome) + ")"
}

func (l *line) suspectedSentence(t opal.Treatment, r *treatmentResult) string {
	for i := range r.items {
		if x := &r.items[i]; x.Counts && (x.Kind == ItemDeclaration || x.Kind == ItemStated) {
			return x.Text
		}
	}
	for i := range r.items {
		x := &r.items[i]
		if !x.Counts || x.Kind != ItemTest || x.Stance != Shows && x.Stance != PointsTo {
			continue
		}
		s := upperFirst(noun(t)) + " suspected: "
		if r.sample != nil && r.sample.positives > 0 {
			return s + textSampled(r.sample)
		}
		switch {
		case x.Positive != nil && x.Tested != nil:
			s += strconv.FormatInt(*x.Positive, 10) + " of " + plural(*x.Tested, "stone", "stones") + " tested showed it"
		case x.Tested != nil && *x.Tested == 1:
			s += "another stone of the parcel showed it"
		default:
			s += "stones of the parcel showed it"
		}
		return s + by(x) + "; this stone was not tested."
	}
	return upperFirst(verdictPhrase(t, Suspected)) + "."
}

func openSentence(t opal.Treatment, r *treatmentResult) string {
	s := "Not enough is known of " + noun(t)
	if x := first2(r.items, PointsTo, false); x != nil {
		return s + ": a sign that points to it, but does not decide, was seen" + by(x) + "."
	}
	if x := first2(r.items, Excludes, false); x != nil {
		return s + ": it was looked for" + by(x) + ", which does not rule it out for this stone."
	}
	if x := first2(r.items, PointsAway, false); x != nil {
		return s + ": it was looked for and not seen" + by(x) + ", which does not rule it out."
	}
	return s + "."
}

// notTestedSentence names what was looked at but cannot tell, and what was set aside.
func notTestedSentence(t opal.Treatment, r *treatmentResult) string {
	s := "Not tested for " + noun(t) + "."
	var silent []string
	aside := ""
	for i := range r.items {
		x := &r.items[i]
		if x.Kind != ItemTest || x.Counts {
			continue
		}
		switch {
		case x.Stance == Silent:
			if m := methodNoun(x.Method); !slices.Contains(silent, m) && len(silent) < 4 {
				silent = append(silent, m)
			}
		case x.SetAside != "" && aside == "":
			aside = " A test was set aside (" + methodNoun(x.Method) + " by " + x.Party + " on " + textDay(x.At) + "): " + x.SetAside + "."
		}
	}
	if len(silent) > 0 {
		s += " What was seen by " + strings.Join(silent, ", ") + " cannot tell."
	}
	return s + aside
}

// mayBeGone tells whether what was declared or found lies on the surface or dries out, and the stone was cut since.
func (l *line) mayBeGone(t opal.Treatment, r *treatmentResult) bool {
	for i := range r.items {
		x := &r.items[i]
		if !x.Counts || x.Stance != Shows && x.Kind == ItemTest || x.Kind == ItemInherited {
			continue
		}
		shallow := t == opal.OilWax || t == opal.Coating || x.Extent == opal.Rim || x.Extent == opal.Surface
		if !shallow {
			return false
		}
		for j := range l.segs {
			if l.segs[j].s.Lot == x.Lot && l.surfaceCutAfter(j, x.At) {
				return true
			}
		}
	}
	return false
}

// textStatus is one line on a stone that a retailer can print.
func textStatus(treatments []opal.Treatment, results []treatmentResult, gaps int64) string {
	sample := false
	group := func(v Verdict, word func(opal.Treatment) string) string {
		var out []string
		for i, t := range treatments {
			if results[i].verdict == v && (v != NotFound || results[i].bySample == sample) {
				s := word(t)
				if results[i].share > 0 {
					s += " (" + percent(results[i].share) + " of the combined lot)"
				}
				out = append(out, s)
			}
		}
		return strings.Join(out, ", ")
	}
	var b strings.Builder
	add := func(before, list, after string) {
		if list == "" {
			return
		}
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(before + list + after)
	}
	add("Declared: ", group(Declared, done), ".")
	add("Found: ", group(Found, noun), ".")
	add("Tests contradict each other on ", group(Conflicting, noun), ".")
	add("Suspected: ", group(Suspected, noun), ".")
	add("Not enough is known of ", group(Open, noun), ".")
	add("Not tested for ", group(NotTested, noun), "; "+textNotUntreated+".")
	add("Looked for and not found: ", group(NotFound, noun), ".")
	sample = true
	add("Looked for in a sample of the parcel, and not on this stone, and not found: ", group(NotFound, noun), ".")
	add("No check is needed for ", group(NotApplicable, noun), ".")
	if group(Undeterminable, noun) != "" {
		add(textHeat, " ", "")
	}
	if gaps > 0 {
		add("", upperFirst(plural(gaps, "span", "spans"))+" of its custody not documented", ".")
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// Claims.

func textNatural(unbroken bool) string {
	if unbroken {
		return "An unbroken line leads to the mine."
	}
	return "Natural growth was seen under the microscope on this stone."
}

func textDrinks(x *Item) string {
	return "This stone takes up water, as tested" + by(x) + "."
}

func textOrigin(country string) string {
	return "Every part goes back, by an unbroken line of the record, to a mine in " + country + "."
}

func textOriginElsewhere(roots []*Opening, country string) string {
	for _, o := range roots {
		if o.Kind == opal.KindMined && o.Country != country {
			return "A part of it was mined in " + o.Country + ", as " + o.Fact.Party + " recorded."
		}
	}
	return ""
}

func textOriginOpen(roots []*Opening) string {
	for _, o := range roots {
		if o.Kind == opal.KindAcquired {
			s := "The record begins with " + o.Fact.Party + ", who acquired it"
			if o.StatedOrigin != "" {
				s += " and states the origin as " + strconv.Quote(o.StatedOrigin)
			}
			return s + "; what was before is not documented."
		}
	}
	return "The line to the mine has spans that nobody documents."
}

// textMissing says what a claim that denies a treatment lacks, and the shortest way to close it.
func textMissing(t opal.Treatment, methods []opal.Method, fewest int64) string {
	names := make([]string, len(methods))
	for i, m := range methods {
		names[i] = string(m)
	}
	n := strconv.FormatInt(fewest, 10)
	validated := "a laboratory must first validate the method on at least " + n + " treated and " + n + " untreated stones of known history, and tell all of them rightly"
	switch t {
	case opal.Heat:
		return "heat: no test can tell it, so that the record can never support this"
	case opal.Backing:
		return "a backing: a SIDE_VIEW test of the unset stone with the outcome NO_JOIN and the condition wholeGirdle"
	case opal.Resin:
		return "resin: a WATER_UPTAKE test of the dry stone (MODERATE or STRONG), and INFRARED of the cleaned stone, or MICROSCOPE with its magnification, looking for resin in the cracks"
	case opal.SugarAcid, opal.Smoke, opal.Dye, opal.OilWax, opal.Coating:
		return noun(t) + ": a test by " + strings.Join(names, ", ") + " that looked for it does not decide alone; " + validated
	}
	return noun(t) + ": a test that can decide"
}
