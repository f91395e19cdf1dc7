package evidence

import (
	"fmt"
	"testing"

	"github.com/lotpaper/lotpaper/internal/opal"
)

// world is a log in memory: it folds what is posted and answers questions.
type world struct {
	t         testing.TB
	next      uint64
	summaries map[string]*Summary
	events    []opal.Recorded
}

func newWorld(t testing.TB) *world {
	t.Helper()
	return &world{t: t, next: 1, summaries: map[string]*Summary{}}
}

func (w *world) get(lot string) (*Summary, error) { return w.summaries[lot], nil }

// post records an event and answers its id. It happened at a time that opal.ParseWhen reads.
func (w *world) post(party, lot, at string, body any, findings ...opal.Finding) string {
	w.t.Helper()
	ev := opal.Event{Lot: lot, Party: party, OccurredAt: at}
	ev.RequestID[15], ev.RequestID[14], ev.RequestID[0] = byte(w.next), byte(w.next>>8), 1
	switch b := body.(type) {
	case *opal.Mined:
		ev.Mined = b
	case *opal.Acquired:
		ev.Acquired = b
	case *opal.Split:
		ev.Split = b
	case *opal.Combined:
		ev.Combined = b
	case *opal.Cut:
		ev.Cut = b
	case *opal.Tested:
		ev.Tested, ev.Moisture = b, opal.Dry
	case *opal.Treated:
		ev.Treated = b
	case *opal.Described:
		ev.Described = b
	case *opal.HandedOver:
		ev.HandedOver = b
	case *opal.Sold:
		ev.Sold = b
	case *opal.Received:
		ev.Received = b
	case *opal.Refused:
		ev.Refused = b
	case *opal.Returned:
		ev.Returned = b
	case *opal.NothingDone:
		ev.NothingDone = b
	case *opal.Counted:
		ev.Counted = b
	case *opal.Closed:
		ev.Closed = b
	case *opal.Reopened:
		ev.Reopened = b
	case *opal.Corrected:
		ev.Corrected = b
	case *opal.Withdrawn:
		ev.Withdrawn = b
	default:
		w.t.Fatalf("post: %T", body)
	}
	return w.record(ev, findings...)
}

func (w *world) record(ev opal.Event, findings ...opal.Finding) string {
	w.t.Helper()
	when, err := opal.ParseWhen(ev.OccurredAt, 0)
	if err != nil {
		w.t.Fatal(err)
	}
	rec := opal.Recorded{Event: ev, Position: w.next, When: when, Findings: findings}
	w.next++
	w.events = append(w.events, rec)
	changed, err := Fold(w.get, &rec)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, s := range changed {
		w.summaries[s.Lot] = s
	}
	return ev.ID()
}

func instant(t testing.TB, s string) opal.Instant {
	t.Helper()
	when, err := opal.ParseWhen(s, 0)
	if err != nil {
		t.Fatal(err)
	}
	return when.To
}

func (w *world) query(lot string) Query {
	return Query{Lot: lot, Get: w.get, AsOf: instant(w.t, "2030-01-01"), KnownAt: w.next}
}

func (w *world) status(lot string) *Status {
	w.t.Helper()
	return w.ask(w.query(lot))
}

func (w *world) ask(q Query) *Status {
	w.t.Helper()
	s, err := Evaluate(q)
	if err != nil {
		w.t.Fatal(err)
	}
	return s
}

func (s *Status) of(t opal.Treatment) *TreatmentStatus {
	for i := range s.Treatments {
		if s.Treatments[i].Treatment == t {
			return &s.Treatments[i]
		}
	}
	panic("no treatment " + t)
}

// want checks the verdict of one treatment.
func (w *world) want(lot string, t opal.Treatment, want Verdict) *TreatmentStatus {
	w.t.Helper()
	return wantVerdict(w.t, w.status(lot), t, want)
}

func wantVerdict(t testing.TB, s *Status, treatment opal.Treatment, want Verdict) *TreatmentStatus {
	t.Helper()
	got := s.of(treatment)
	if got.Verdict != want {
		t.Errorf("%s of %s is %s, want %s; %s", treatment, s.Lot, got.Verdict, want, got.Statement)
		for _, x := range got.Evidence {
			t.Logf("  %s %s counts=%v aside=%q: %s", x.Kind, x.Stance, x.Counts, x.SetAside, x.Text)
		}
	}
	return got
}

func (w *world) claim(lot string, c opal.ClaimKind, want ClaimVerdict) ClaimResult {
	w.t.Helper()
	return w.claimOf(w.query(lot), opal.Claim{Claim: c}, want)
}

func (w *world) claimOf(q Query, c opal.Claim, want ClaimVerdict) ClaimResult {
	w.t.Helper()
	r, err := CheckClaims(q, []opal.Claim{c})
	if err != nil {
		w.t.Fatal(err)
	}
	if r[0].Verdict != want {
		w.t.Errorf("%v of %s is %s, want %s: %s", c, q.Lot, r[0].Verdict, want, r[0].Because)
	}
	return r[0]
}

// What most tests post.

func pieces(n int64) *int64 { return &n }

func mined(n int64) *opal.Mined {
	return &opal.Mined{
		Origin: opal.Origin{Country: "ET"}, Material: opal.Material{Kind: opal.Hydrophane}, Pieces: pieces(n), Mass: grams(n),
	}
}

func minedOf(kind opal.MaterialKind, n int64) *opal.Mined {
	m := mined(n)
	m.Material.Kind = kind
	return m
}

func acquired(n int64) *opal.Acquired {
	return &opal.Acquired{Material: opal.Material{Kind: opal.Hydrophane}, Pieces: pieces(n), Mass: grams(n)}
}

func grams(n int64) opal.Mass { return opal.Mass(fmt.Sprintf("%d.000 g", n)) }

func parts(lotsAndPieces ...any) []opal.Part {
	var out []opal.Part
	for i := 0; i < len(lotsAndPieces); i += 2 {
		n := int64(lotsAndPieces[i+1].(int))
		out = append(out, opal.Part{Lot: lotsAndPieces[i].(string), Pieces: &n, Mass: grams(n)})
	}
	return out
}

func split(manner opal.SplitManner, children []opal.Part) *opal.Split {
	return &opal.Split{Manner: manner, Children: children}
}

func splitRest(manner opal.SplitManner, rest int64, children []opal.Part) *opal.Split {
	return &opal.Split{Manner: manner, Children: children, Rest: &opal.Rest{Pieces: &rest, Mass: grams(rest)}}
}

func cutInto(lots ...string) *opal.Cut {
	c := &opal.Cut{}
	for _, lot := range lots {
		c.Stones = append(c.Stones, opal.Stone{Lot: lot, Pieces: pieces(1), Mass: "0.300 g"})
	}
	return c
}

// tested is a test of the whole lot; looked are the treatments looked for.
func tested(m opal.Method, o opal.Outcome, looked ...opal.Treatment) *opal.Tested {
	return &opal.Tested{
		Method: m, Outcome: o, LookedFor: looked, Sample: opal.Sample{Kind: opal.Whole},
		Conditions: map[string]string{"cleaned": "yes", "wholeGirdle": "yes", "magnification": "40", "spots": "5", "solvent": "acetone"},
	}
}

// sampled is a test of n of many stones, of which k showed the outcome.
func sampled(m opal.Method, o opal.Outcome, n, of, k int64, looked ...opal.Treatment) *opal.Tested {
	t := tested(m, o, looked...)
	t.Sample = opal.Sample{Kind: opal.Random, Tested: &n, Of: &of, Positive: &k}
	return t
}

func treated(t opal.Treatment) *opal.Treated { return &opal.Treated{Treatment: t} }
