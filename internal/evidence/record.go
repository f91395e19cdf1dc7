package evidence

import (
	"cmp"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// merge adds what a part brings to the record of the whole.
func (r *lineResult) merge(part *lineResult) {
	type key struct{ lot, event, holder, because string }
	at := map[key]int{}
	for i := range r.spans {
		s := &r.spans[i]
		at[key{s.Lot, s.Event, s.Holder, s.Because}] = i
	}
	for _, s := range part.spans {
		k := key{s.Lot, s.Event, s.Holder, s.Because}
		i, there := at[k]
		switch {
		case !there:
			at[k] = len(r.spans)
			r.spans = append(r.spans, s)
		case s.To == nil || r.spans[i].To != nil && r.spans[i].To.To < s.To.To:
			r.spans[i].To = s.To // Parts of one lot that went on at different times.
		}
	}
	for _, n := range part.nothing {
		if !slices.ContainsFunc(r.nothing, func(x nothingRef) bool { return x.fact == n.fact }) {
			r.nothing = append(r.nothing, n)
		}
	}
	for _, o := range part.roots {
		if !slices.Contains(r.roots, o) {
			r.roots = append(r.roots, o)
		}
	}
	for _, s := range part.sales {
		if !slices.ContainsFunc(r.sales, func(x saleRef) bool { return x.sale == s.sale }) {
			r.sales = append(r.sales, s)
		}
	}
	r.synthetic = r.synthetic || part.synthetic
	r.near = r.near || part.near
}

// describe adds what the line itself brings to the record.
func (l *line) describe(r *lineResult) {
	r.spans = append(r.spans, l.spans...)
	knownAt := l.w.q.KnownAt
	eldest := &l.segs[len(l.segs)-1]
	if len(l.parts) == 0 {
		r.roots = append(r.roots, eldest.open)
	}
	for i := len(l.segs) - 1; i >= 0; i-- {
		s := l.segs[i].s
		for j := range s.Nothing {
			n := &s.Nothing[j]
			// What it is dated says nothing: it speaks of the time that it names.
			if n.Fact.live(knownAt) && n.Fact.At.From <= l.w.q.AsOf {
				r.nothing = append(r.nothing, nothingRef{s.Lot, n})
			}
		}
		for j := range s.Sales {
			x := &s.Sales[j]
			if x.Fact.live(knownAt) && l.reaches(i, x.Fact.At) {
				r.sales = append(r.sales, saleRef{s.Lot, x})
			}
		}
	}
	for i := range l.tests {
		t := &l.tests[i]
		if t.withdrawn || t.stranger || l.compromised(&t.fact.Fact) {
			continue
		}
		if t.fact.Identity == opal.SyntheticOrImitation {
			r.synthetic = r.synthetic || t.direct()
			r.near = r.near || !t.direct()
		}
		if t.direct() && t.fact.Method == opal.Microscope {
			for _, f := range t.outcomes {
				r.growth = r.growth || f.Outcome == "NATURAL_GROWTH"
			}
		}
	}
}

// country is where an unbroken line leads to, if it leads to one country only.
func (r *lineResult) country() string {
	for i := range r.spans {
		if !r.spans[i].Documented {
			return ""
		}
	}
	country := ""
	for i, o := range r.roots {
		if o.Kind != opal.KindMined || i > 0 && o.Country != country {
			return ""
		}
		country = o.Country
	}
	return country
}

// sales compares what was claimed at sales of the line with what the record said then and says now.
func (w *walker) sales(r *lineResult) ([]SaleClaims, error) {
	var out []SaleClaims
	for _, ref := range r.sales {
		f := &ref.sale.Fact
		s := SaleClaims{
			Event: f.Event, Position: f.Position, Lot: ref.lot, Party: f.Party, To: ref.sale.To, OccurredAt: f.OccurredAt,
			Returned: w.returned(ref),
		}
		if len(ref.sale.Claims) > 0 {
			q := w.q
			q.Lot, q.AsOf, q.WithoutSales, q.WithoutMissing = ref.lot, f.At.To, true, true
			now, err := checkAll(q, ref.sale.Claims)
			if err != nil {
				return nil, err
			}
			// The sale itself is no evidence, but it may have made the lot.
			q.KnownAt = f.since() + 1
			then, err := checkAll(q, ref.sale.Claims)
			if err != nil {
				return nil, err
			}
			for i, c := range ref.sale.Claims {
				s.Claims = append(s.Claims, ClaimThenAndNow{Claim: c, Then: then[i].Verdict, Now: now[i].Verdict, Because: now[i].Because})
			}
		}
		out = append(out, s)
	}
	slices.SortStableFunc(out, func(a, b SaleClaims) int { return cmp.Compare(a.Position, b.Position) })
	return out, nil
}

// returned tells whether the title of a sold lot was sent back, of the whole or of the part that the question is about.
func (w *walker) returned(ref saleRef) bool {
	for lot, s := range w.read {
		if s == nil {
			continue
		}
		for i := range s.Moves {
			m := &s.Moves[i]
			if m.Kind == opal.KindReturned && m.Sale == ref.sale.Fact.Event && m.Fact.live(w.q.KnownAt) && m.Fact.At.From <= w.q.AsOf &&
				w.descends(w.q.Lot, lot) {
				return true
			}
		}
	}
	return false
}

// checkAll is CheckClaims for a lot that may never have come to be.
func checkAll(q Query, claims []opal.Claim) ([]ClaimResult, error) {
	results, err := checkClaims(q, claims)
	if fault.Of(err) == fault.UnknownLot {
		results, err = nil, nil
		for _, c := range claims {
			results = append(results, ClaimResult{Claim: c, Verdict: Unsupported, Because: textVoid})
		}
	}
	return results, err
}
