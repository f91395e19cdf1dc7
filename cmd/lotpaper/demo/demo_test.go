package demo_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/cmd/lotpaper/demo"
	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// played is the scenario after the rules have judged it.
type played struct {
	books    *account.Memory
	events   []*opal.Recorded // those of the acts
	position uint64
}

// play judges and applies an event as the log would.
func (p *played) play(t *testing.T, where string, e *opal.Event) {
	t.Helper()
	when, err := opal.ParseWhen(e.OccurredAt, 0)
	if err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	rec := &opal.Recorded{Event: *e, Position: p.position, When: when, RecordedAt: opal.InstantOf(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))}
	findings, refusal, err := account.Decide(p.books, rec)
	if err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	if refusal != nil {
		t.Errorf("%s: %v", where, refusal)
		return
	}
	rec.Findings = findings
	changes, err := account.Apply(p.books, rec)
	if err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	p.books.Put(changes, rec)
	p.position++
	if e.Party != opal.Admin {
		p.events = append(p.events, rec)
	}
}

// playAll opens a log, enrols the parties and plays the acts.
func playAll(t *testing.T) *played {
	t.Helper()
	p := &played{books: account.NewMemory()}
	id := func(n byte) opal.RequestID { return opal.RequestID{15: n} }
	p.play(t, "logOpened", &opal.Event{
		RequestID: id(1), Party: opal.Admin, OccurredAt: "2024-01-01", LogOpened: &opal.LogOpened{LogName: "demo", Policy: opal.DefaultPolicy()},
	})
	parties, err := demo.Parties()
	if err != nil {
		t.Fatal(err)
	}
	for i, party := range parties {
		e := &opal.Event{RequestID: id(byte(i + 2)), Party: opal.Admin, OccurredAt: "2024-01-02", Enrolled: &opal.Enrolled{
			Party: party.Party, DisplayName: party.DisplayName, TokenHash: [32]byte{byte(i + 1)},
		}}
		for _, role := range party.Roles {
			e.Enrolled.Roles = append(e.Enrolled.Roles, opal.Role(role))
		}
		if f := opal.Check(e, 0); f != nil {
			t.Fatalf("party %s: %v", party.Party, f)
		}
		p.play(t, party.Party, e)
	}
	acts, err := demo.Acts()
	if err != nil {
		t.Fatal(err)
	}
	for _, act := range acts {
		for _, entry := range act.Entries {
			e, f := wire.EventToDomain(entry.Event)
			if f != nil {
				t.Fatal(entry.Problem(f))
			}
			p.play(t, fmt.Sprintf("%s, event %d, line %d (%s of %s)", entry.File, entry.Number, entry.Line, e.Kind(), e.Lot), e)
		}
	}
	return p
}

// The rules accept the whole scenario, and it is as large as it should be.
func TestTheRulesAcceptTheScenario(t *testing.T) {
	p := playAll(t)
	if n := len(p.books.LotIDs()); n < 60 {
		t.Errorf("found %d lots, want at least 60", n)
	}
	if n := len(p.events); n < 150 {
		t.Errorf("found %d events, want at least 150", n)
	}
}

// What the scenario is there to show.
func TestTheScenarioShows(t *testing.T) {
	p := playAll(t)
	found := map[string][]string{}
	kinds := map[opal.Kind]int{}
	countries, roles := map[string]bool{}, map[opal.Role]bool{}
	splits, rests, offcuts := 0, 0, 0
	for _, rec := range p.events {
		e := &rec.Event
		kinds[e.Kind()]++
		for _, f := range rec.Findings {
			found[f.Code] = append(found[f.Code], e.Lot)
		}
		if e.Mined != nil {
			countries[e.Mined.Origin.Country] = true
		}
		if e.Split != nil && e.Party == "wet-wheel" {
			splits++
			if e.Split.Rest != nil {
				rests++
			}
		}
		if e.Cut != nil {
			offcuts += len(e.Cut.Offcuts)
		}
	}
	for _, id := range p.books.PartyIDs() {
		party, err := p.books.Party(id)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range party.Roles {
			roles[r] = true
		}
	}
	for _, r := range opal.AllRoles() {
		if !roles[r] {
			t.Errorf("nobody is a %s", r)
		}
	}
	if len(countries) != 2 {
		t.Errorf("the mines lie in %v, want two countries", countries)
	}
	if splits < 2 || rests < 1 || offcuts < 3 {
		t.Errorf("the cutter makes %d splits, %d with a rest, and %d lots of offcuts", splits, rests, offcuts)
	}
	for code, lots := range map[string][]string{
		opal.FindArrivalDifference: {"high-terrace.r1a"},
		opal.FindUnexplainedLoss:   {"high-terrace.r1a"},
		opal.FindReportedLate:      {"high-terrace.r1b"},
		opal.FindArrivalGain:       nil,
		opal.FindLineGain:          nil,
		opal.FindCoarseWeighing:    nil,
		opal.FindUnusualYield:      nil,
	} {
		if !slices.Equal(found[code], lots) {
			t.Errorf("%s: found at %v, want %v", code, found[code], lots)
		}
	}
	for kind, want := range map[opal.Kind]int{opal.KindWithdrawn: 1, opal.KindCorrected: 1, opal.KindRefused: 1, opal.KindReturned: 1, opal.KindCombined: 1} {
		if kinds[kind] != want {
			t.Errorf("%d events of kind %s, want %d", kinds[kind], kind, want)
		}
	}
	pending := []string{}
	for _, id := range p.books.LotIDs() {
		l, err := p.books.Lot(id)
		if err != nil {
			t.Fatal(err)
		}
		if l.Pending != nil {
			pending = append(pending, id)
		}
	}
	if !slices.Equal(pending, []string{"wet-wheel.f4"}) {
		t.Errorf("waiting for an answer: %v, want wet-wheel.f4 alone", pending)
	}
	corrected, err := p.books.Lot("harrow-gully.r2")
	if err != nil || corrected == nil || corrected.Pieces == nil || *corrected.Pieces != 58 {
		t.Errorf("the corrected lot is %+v (%v), want 58 pieces", corrected, err)
	}
}

// Each lot's events stand in the order of their times, except those that are told late on purpose; and all lie in two years.
func TestTheScenarioHappensInOrder(t *testing.T) {
	p := playAll(t)
	last := map[string]opal.When{}
	from, to := opal.InstantOf(time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)), opal.InstantOf(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	for _, rec := range p.events {
		if rec.When.From < from || rec.When.To >= to {
			t.Errorf("%s of %s is dated %s", rec.Event.Kind(), rec.Event.Lot, rec.Event.OccurredAt)
		}
		late := slices.ContainsFunc(rec.Findings, func(f opal.Finding) bool { return f.Code == opal.FindReportedLate })
		if late {
			continue
		}
		if rec.When.Before(last[rec.Event.Lot]) {
			t.Errorf("%s of %s at %s stands after one of a later time", rec.Event.Kind(), rec.Event.Lot, rec.Event.OccurredAt)
		}
		last[rec.Event.Lot] = rec.When
	}
}
