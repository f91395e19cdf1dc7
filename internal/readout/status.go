package readout

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/table"
)

// Status sets a lot's treatment status; with evidence, what each verdict rests on beneath it.
func Status(p *table.Page, s *pb.GetStatusResponse, evidence bool) {
	p.Heading("Status of " + s.GetLot())
	words, tone := verdict(s.GetOverall())
	p.Pairs(
		table.Pair{Name: "as of", Value: when(s.GetAsOf())},
		table.Pair{Name: "known", Value: fmt.Sprintf("what the log knew at position %s", count(s.GetKnownAt()))},
		table.Pair{Name: "worst", Value: words, Tone: tone},
	)
	if s.GetStatement() != "" {
		p.Blank()
		p.Text(2, table.Plain, s.GetStatement())
	}
	for _, t := range s.GetTreatments() {
		treatment(p, t, evidence)
	}
	if len(s.GetCustody()) > 0 {
		p.Heading("Custody")
		spans := table.New(table.Column{Head: "from"}, table.Column{Head: "to"}, table.Column{Head: "holder"}, table.Column{Head: "lot"}, table.Column{Head: "why", Wrap: true})
		for _, c := range s.GetCustody() {
			holder := table.C(c.GetHolder())
			if !c.GetDocumented() {
				holder = table.Cell{Text: or(c.GetHolder(), "undocumented"), Tone: table.Warn}
			}
			spans.Row(table.C(or(when(c.GetFrom()), "unknown")), table.C(or(when(c.GetTo()), "now")), holder, table.C(c.GetLot()), table.C(c.GetBecause()))
		}
		p.Table(spans)
	}
	if text := s.GetRecord().GetText(); text != "" {
		p.Blank()
		p.Text(2, table.Plain, text)
	}
	sales(p, s.GetSales(), evidence)
	position(p, s.GetPosition())
}

// sales sets what was said at each sale, what the record said of it then, and what it says now; with evidence, why.
func sales(p *table.Page, list []*pb.SaleClaims, evidence bool) {
	if len(list) == 0 {
		return
	}
	p.Heading("Claims at sales")
	t := table.New(table.Column{Head: "when"}, table.Column{Head: "lot"}, table.Column{Head: "seller"}, table.Column{Head: "to"},
		table.Column{Head: "claim"}, table.Column{Head: "the record then"}, table.Column{Head: "and now"})
	for _, sale := range list {
		to := sale.GetTo()
		if sale.GetReturned() {
			to += " (returned)"
		}
		for _, c := range sale.GetClaims() {
			then, thenTone := claimVerdict(c.GetThen())
			now, nowTone := claimVerdict(c.GetNow())
			t.Row(table.C(when(sale.GetOccurredAt())), table.C(sale.GetLot()), table.C(sale.GetParty()), table.C(to), table.C(c.GetClaim()),
				table.Cell{Text: then, Tone: thenTone}, table.Cell{Text: now, Tone: nowTone})
		}
	}
	p.Table(t)
	if !evidence {
		return
	}
	for _, sale := range list {
		for _, c := range sale.GetClaims() {
			words, _ := claimVerdict(c.GetNow())
			p.Hanging(4, 6, table.Quiet, "· "+when(sale.GetOccurredAt())+", "+sale.GetParty()+", "+c.GetClaim()+" is "+words+" now: "+c.GetBecause())
		}
	}
}

// treatment sets one verdict: the words, the statement, and what it rests on.
func treatment(p *table.Page, t *pb.TreatmentStatus, evidence bool) {
	words, tone := verdict(t.GetVerdict())
	if t.GetBySample() && t.GetVerdict() == "NOT_FOUND" {
		words = "not found in a sample; this stone was not tested"
	}
	line := capital(spoken(t.GetTreatment())) + ": " + words
	if t.Strength != nil {
		line += " (" + strength(t.GetStrength()) + ")"
	}
	p.Blank()
	p.Hanging(2, 4, tone, line)
	if t.GetStatement() != "" {
		p.Text(4, table.Plain, t.GetStatement())
	}
	if t.Log10Lr != nil {
		p.Text(4, table.Quiet, fmt.Sprintf("Combined likelihood ratio, treated to untreated: %s.", ratio(t.GetLog10Lr())))
	}
	if !evidence {
		return
	}
	var silent []string
	for _, e := range t.GetEvidence() {
		if e.GetStance() == "SILENT" && e.GetMethod() != "" {
			silent = append(silent, spoken(e.GetMethod())+" of "+when(e.GetOccurredAt())+" ("+spoken(e.GetOutcome())+")")
			continue
		}
		p.Hanging(4, 6, evidenceTone(e), "· "+item(e))
	}
	if len(silent) > 0 {
		p.Hanging(4, 6, table.Quiet, "· Says nothing of it: "+strings.Join(silent, ", ")+".")
	}
}

func evidenceTone(e *pb.EvidenceItem) table.Tone {
	if e.GetCounts() {
		return table.Plain
	}
	return table.Quiet
}

// item is one line of evidence: the service's own sentence, or where there is none what the fields say.
func item(e *pb.EvidenceItem) string {
	text := strings.TrimSuffix(e.GetText(), ".")
	if text == "" {
		what := e.GetKind()
		if e.Method != nil {
			what = spoken(e.GetMethod()) + ": " + spoken(e.GetOutcome())
		}
		text = phrase(when(e.GetOccurredAt()), e.GetParty(), e.GetLot(), what)
	}
	if detail := phrase(spoken(e.GetStance()), coverage(e.GetCoverage()), samples(e)); detail != "" {
		text += " (" + detail + ")"
	}
	switch {
	case e.GetSetAside() != "" && !strings.Contains(text, e.GetSetAside()):
		text += "; set aside: " + strings.TrimSuffix(e.GetSetAside(), ".")
	case e.GetSetAside() == "" && !e.GetCounts():
		text += "; does not count"
	}
	text += "."
	if e.GetSource() != "" {
		text += " Source: " + e.GetSource() + "."
	}
	return text
}

func coverage(word string) string {
	switch word {
	case "THIS_STONE":
		return "on this stone"
	case "SOURCE_PIECE":
		return "on the piece it was cut from"
	case "SAMPLE":
		return "on a sample"
	}
	return spoken(word)
}

func samples(e *pb.EvidenceItem) string {
	if e.Tested == nil || e.Of == nil {
		return ""
	}
	s := fmt.Sprintf("%s of %s tested", count(e.GetTested()), count(e.GetOf()))
	if e.Positive != nil {
		s += fmt.Sprintf(", %s showed it", count(e.GetPositive()))
	}
	return s
}

// ratio writes a likelihood ratio from its common logarithm, with two significant digits.
func ratio(log10 float64) string {
	if math.Abs(log10) > 6 {
		return fmt.Sprintf("10^%.1f", log10)
	}
	digits := max(0, 1-int(math.Floor(log10))) // after the point
	v := math.Pow(10, log10)
	if log10 >= 2 {
		place := math.Pow(10, math.Floor(log10)-1)
		v = math.Round(v/place) * place
	}
	return strconv.FormatFloat(v, 'f', digits, 64)
}

// Claims sets how claims about a lot stand.
func Claims(p *table.Page, lot string, r *pb.CheckClaimsResponse) {
	p.Heading("Claims about " + lot)
	p.Pairs(
		table.Pair{Name: "as of", Value: when(r.GetAsOf())},
		table.Pair{Name: "known", Value: fmt.Sprintf("what the log knew at position %s", count(r.GetKnownAt()))},
	)
	for _, c := range r.GetResults() {
		words, tone := claimVerdict(c.GetVerdict())
		line := c.GetClaim() + ": " + words
		if c.Strength != nil {
			line += " (" + strength(c.GetStrength()) + ")"
		}
		p.Blank()
		p.Hanging(2, 4, tone, line)
		if c.GetBecause() != "" {
			p.Text(4, table.Plain, c.GetBecause())
		}
		for _, m := range c.GetMissing() {
			p.Hanging(4, 6, table.Plain, "· missing: "+m)
		}
	}
	position(p, r.GetPosition())
}

// Supported tells whether the record supports every claim that was asked about.
func Supported(r *pb.CheckClaimsResponse) bool {
	for _, c := range r.GetResults() {
		if c.GetVerdict() != "SUPPORTED" {
			return false
		}
	}
	return len(r.GetResults()) > 0
}

// NextTests sets what to test next, the most useful first; with all, every outcome and what it would make of the verdict.
func NextTests(p *table.Page, r *pb.GetNextTestsResponse, all bool) {
	p.Heading("What to test next on " + r.GetLot())
	if len(r.GetTests()) == 0 {
		p.Text(2, table.Plain, r.GetText())
	}
	if r.SampleSize != nil {
		p.Text(2, table.Plain, fmt.Sprintf("For a word on the whole lot: draw %s of its %s stones blindly and test them.", count(r.GetSampleSize()), count(r.GetOf())))
	}
	for i, t := range r.GetTests() {
		if i == 5 && !all {
			p.Blank()
			p.Text(2, table.Quiet, fmt.Sprintf("%d more; -v shows them, with what each outcome would mean.", len(r.GetTests())-i))
			break
		}
		p.Blank()
		p.Hanging(2, 4, table.Strong, fmt.Sprintf("%d. %s", i+1, t.GetText()))
		if len(t.GetRecord()) > 0 {
			p.Hanging(4, 6, table.Quiet, "record: "+strings.Join(t.GetRecord(), ", "))
		}
		if !all {
			continue
		}
		for _, x := range t.GetTreatments() {
			for _, o := range x.GetOutcomes() {
				outcome := o.GetOutcome()
				if o.GetWhere() != "" {
					outcome += " (" + strings.ToLower(o.GetWhere()) + ")"
				}
				words, tone := verdict(o.GetVerdict())
				p.Hanging(4, 6, tone, fmt.Sprintf("%s: %s would make it %s", x.GetTreatment(), outcome, words))
			}
		}
	}
	position(p, r.GetPosition())
}

// What says in short what a lot is, and how much of it there is.
func What(a *pb.GetLotResponse) (what, quantity string) {
	return phrase(capital(spoken(a.GetMaterial().GetKind()))+" opal", spoken(a.GetForm())), strings.ReplaceAll(amount(a.Pieces, a.GetMass()), "\u00a0", " ")
}

// Known says of each treatment in one line what is known.
func Known(s *pb.GetStatusResponse) (lines []string) {
	for _, t := range s.GetTreatments() {
		words, _ := verdict(t.GetVerdict())
		if t.GetBySample() && t.GetVerdict() == "NOT_FOUND" {
			words = "not found in a sample; this stone was not tested"
		}
		lines = append(lines, capital(spoken(t.GetTreatment()))+": "+words+". "+t.GetStatement())
	}
	return lines
}
