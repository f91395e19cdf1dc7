package account

import (
	"encoding/binary"
	"fmt"
	"reflect"
	"strings"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// book is a log in memory: what is posted is checked, judged, applied and stored as the sequencer does it.
type book struct {
	t    failer
	m    *Memory
	recs []*opal.Recorded
	now  opal.Instant
	next uint64
	// seen holds every account that was ever stored, with its text at that time: none may change afterwards.
	seen []seen
	// excess is what each line had gained when it was looked at last.
	excess map[string]int64
}

type seen struct {
	account any
	text    string
}

// failer is what both *testing.T and *rapid.T are.
type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

// newBook opens a log with parties of every role.
func newBook(t failer) *book {
	t.Helper()
	return newBookWith(t, opal.DefaultPolicy())
}

func newBookWith(t failer, p opal.Policy) *book {
	t.Helper()
	b := &book{t: t, m: NewMemory(), now: instant("2026-01-01T00:00:00Z")}
	p.RuleTable[0] = 1
	b.ok(opal.Event{Party: opal.Admin, OccurredAt: "2026-01-01", LogOpened: &opal.LogOpened{
		LogName: "opal.example/test", Epoch: [16]byte{1}, AdminKey: [32]byte{1}, IntakeKey: [32]byte{2}, CheckpointKey: [32]byte{3},
		Policy: p, AdminTokenHash: [32]byte{4}, HandleKeyHash: [32]byte{5},
	}})
	for i, n := range []struct {
		id    string
		roles []opal.Role
	}{
		{"mine", []opal.Role{opal.Miner}}, {"dealer", []opal.Role{opal.Dealer}}, {"cutter", []opal.Role{opal.Cutter}},
		{"treater", []opal.Role{opal.Treater}}, {"lab", []opal.Role{opal.Laboratory}}, {"shop", []opal.Role{opal.Retailer}},
	} {
		b.ok(opal.Event{Party: opal.Admin, OccurredAt: "2026-01-01", Enrolled: &opal.Enrolled{Party: n.id, Roles: n.roles, TokenHash: [32]byte{byte(10 + i)}}})
	}
	return b
}

func instant(s string) opal.Instant {
	w, err := opal.ParseWhen(s, 0)
	if err != nil {
		panic(err)
	}
	return w.To
}

// clock sets the log's clock, which never goes back.
func (b *book) clock(s string) { b.now = max(b.now, instant(s)) }

// record gives an event its id, place and time. The clock follows the events' own times.
func (b *book) record(e opal.Event) *opal.Recorded {
	b.t.Helper()
	if e.RequestID.IsZero() {
		b.next++
		binary.BigEndian.PutUint64(e.RequestID[8:], b.next)
	}
	w, err := opal.ParseWhen(e.OccurredAt, 0)
	if err != nil {
		b.t.Fatalf("occurredAt: %v", err)
	}
	return &opal.Recorded{Event: e, Position: uint64(len(b.recs)), RecordedAt: b.now, When: w}
}

// try posts an event and answers the refusal, after checking that a refusal left everything as it was.
func (b *book) try(e opal.Event) (*opal.Recorded, *fault.Error) {
	b.t.Helper()
	rec := b.record(e)
	if f := opal.Check(&rec.Event, 0); f != nil {
		b.t.Fatalf("the test's event is not well formed: %v", f)
	}
	posted := opal.Clone(&rec.Event)
	rec.Findings = []opal.Finding{{Code: "TO_BE_IGNORED", Lot: e.Lot}, {Code: opal.FindReportedLate, Note: lateKept}}
	found, f, err := Decide(b.m, rec)
	if err != nil {
		b.t.Fatalf("decide %s: %v", e.Kind(), err)
	}
	if !reflect.DeepEqual(posted, &rec.Event) {
		b.t.Fatalf("judging changed the event")
	}
	if f != nil {
		if !strings.Contains(f.Message, "accepted") {
			b.t.Fatalf("a refusal that does not say what is accepted: %v", f)
		}
		return nil, f
	}
	rec.Findings = found
	c, err := Apply(b.m, rec)
	if err != nil {
		b.t.Fatalf("apply %s: %v", e.Kind(), err)
	}
	if !reflect.DeepEqual(posted, &rec.Event) {
		b.t.Fatalf("applying changed the event")
	}
	for _, l := range c.Lots {
		b.seen = append(b.seen, seen{l, dump(l)})
	}
	for _, p := range c.Parties {
		b.seen = append(b.seen, seen{p, dump(p)})
	}
	for _, l := range c.Lines {
		b.seen = append(b.seen, seen{l, dump(l)})
	}
	b.m.Put(c, rec)
	b.recs = append(b.recs, rec)
	return rec, nil
}

// ok posts an event that must be accepted. The log's clock is never behind it.
func (b *book) ok(e opal.Event) *opal.Recorded {
	b.t.Helper()
	b.clock(e.OccurredAt)
	rec, f := b.try(e)
	if f != nil {
		b.t.Fatalf("%s by %s on %s refused: %v", e.Kind(), e.Party, e.Lot, f)
	}
	return rec
}

// refused posts an event that must be refused with the reason and field.
func (b *book) refused(e opal.Event, reason fault.Reason, field string) *fault.Error {
	b.t.Helper()
	b.clock(e.OccurredAt)
	before := b.m.fingerprint()
	_, f := b.try(e)
	if f == nil {
		b.t.Fatalf("%s by %s on %s was accepted, want %s", e.Kind(), e.Party, e.Lot, reason)
	}
	if f.Reason != reason || f.Field != field {
		b.t.Fatalf("%s by %s on %s: got %s at %q, want %s at %q: %s", e.Kind(), e.Party, e.Lot, f.Reason, f.Field, reason, field, f.Message)
	}
	if before != b.m.fingerprint() {
		b.t.Fatalf("%s: a refusal changed the accounts", e.Kind())
	}
	return f
}

// fingerprint writes all accounts out: equal texts, equal accounts.
func (m *Memory) fingerprint() string {
	var s strings.Builder
	for _, id := range m.LotIDs() {
		fmt.Fprintf(&s, "%s\n", dump(m.lots[id]))
	}
	for _, id := range m.LineRoots() {
		fmt.Fprintf(&s, "%+v\n", *m.lines[id])
	}
	for _, id := range m.PartyIDs() {
		fmt.Fprintf(&s, "%s\n", dump(m.parties[id]))
	}
	fmt.Fprintf(&s, "%s\n", dump(m.log))
	return s.String()
}

// dump writes a value with what its pointers point to.
func dump(v any) string {
	var s strings.Builder
	dumpTo(&s, reflect.ValueOf(v))
	return s.String()
}

func dumpTo(s *strings.Builder, v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			s.WriteString("nil")
			return
		}
		dumpTo(s, v.Elem())
	case reflect.Struct:
		s.WriteString("{")
		for i := range v.NumField() {
			if v.Field(i).IsZero() {
				continue
			}
			fmt.Fprintf(s, " %s:", v.Type().Field(i).Name)
			dumpTo(s, v.Field(i))
		}
		s.WriteString("}")
	case reflect.Slice:
		s.WriteString("[")
		for i := range v.Len() {
			s.WriteString(" ")
			dumpTo(s, v.Index(i))
		}
		s.WriteString("]")
	default:
		fmt.Fprintf(s, "%v", v)
	}
}

func (b *book) lot(id string) *Lot {
	b.t.Helper()
	l := b.m.lots[id]
	if l == nil {
		b.t.Fatalf("no lot %s", id)
	}
	return l
}

func (b *book) line(root string) *Line {
	b.t.Helper()
	l := b.m.lines[root]
	if l == nil {
		b.t.Fatalf("no line %s", root)
	}
	return l
}

// codes lists the findings' codes of an event.
func codes(r *opal.Recorded) string {
	var s []string
	for _, f := range r.Findings {
		s = append(s, f.Code)
	}
	return strings.Join(s, " ")
}

func (b *book) codes(r *opal.Recorded, want string) {
	b.t.Helper()
	if got := codes(r); got != want {
		b.t.Fatalf("%s: findings %q, want %q", r.Event.Kind(), got, want)
	}
}

// finding gives the event's finding of a code.
func (b *book) finding(r *opal.Recorded, code string) opal.Finding {
	b.t.Helper()
	for _, f := range r.Findings {
		if f.Code == code {
			return f
		}
	}
	b.t.Fatalf("%s: no finding %s among %q", r.Event.Kind(), code, codes(r))
	return opal.Finding{}
}

func (b *book) has(id string, pieces int64, mass string) {
	b.t.Helper()
	l := b.lot(id)
	if l.Pieces == nil && pieces >= 0 || l.Pieces != nil && *l.Pieces != pieces {
		b.t.Fatalf("lot %s has pieces %s, want %d", id, dump(l.Pieces), pieces)
	}
	if want := opal.Mass(mass).Weight().Micrograms; l.Micrograms != want {
		b.t.Fatalf("lot %s has %s, want %s", id, opal.FormatCarats(l.Micrograms), mass)
	}
}

func (b *book) held(id string, state State, owner, holder string) {
	b.t.Helper()
	l := b.lot(id)
	if l.State != state || l.Owner != owner || l.Holder != holder {
		b.t.Fatalf("lot %s is %s, owner %s, holder %s; want %s, %s, %s", id, l.State, l.Owner, l.Holder, state, owner, holder)
	}
}

// consistent checks what must hold after every event: a replay by Apply alone gives the same accounts, telling each lot's history again
// does too, and the general rules of accounts stand.
func (b *book) consistent() {
	b.t.Helper()
	for _, s := range b.seen {
		if now := dump(s.account); now != s.text {
			b.t.Fatalf("an account was changed in place:\n%s\nwas:\n%s", now, s.text)
		}
	}
	again := NewMemory()
	for _, r := range b.recs {
		c, err := Apply(again, r)
		if err != nil {
			b.t.Fatalf("replay: %v", err)
		}
		again.Put(c, r)
	}
	if got, want := again.fingerprint(), b.m.fingerprint(); got != want {
		b.t.Fatalf("replay differs:\n%s\nlive:\n%s", got, want)
	}
	for _, id := range b.m.LotIDs() {
		b.retold(id)
		b.sound(id)
	}
	for _, root := range b.m.LineRoots() {
		b.lineHolds(root)
	}
}

func (b *book) retold(id string) {
	b.t.Helper()
	l := b.lot(id)
	if l.State == Void {
		return
	}
	r, err := retold(b.m, l, Keep)
	if err != nil {
		b.t.Fatalf("retell %s: %v", id, err)
	}
	if got, want := dump(r), dump(l); got != want {
		b.t.Fatalf("lot %s told again:\n%s\naccount:\n%s", id, got, want)
	}
}

// sound checks one account against the rules that hold for all.
func (b *book) sound(id string) {
	b.t.Helper()
	l := b.lot(id)
	for _, p := range []string{l.Owner, l.Holder} {
		if p != opal.Outside && (b.m.parties[p] == nil || p == opal.Admin) {
			b.t.Fatalf("lot %s: %q is no party", id, p)
		}
	}
	openSpans := 0
	for i, s := range l.Custody {
		if s.To == nil {
			openSpans++
		}
		if i > 0 && int64(len(l.Custody)) == l.CustodyCount && l.Custody[i-1].To == nil {
			b.t.Fatalf("lot %s: two holders at a time: %s", id, dump(l.Custody))
		}
	}
	last := l.Custody[len(l.Custody)-1]
	if l.State == Open && (openSpans != 1 || last.To != nil || last.Holder != l.Holder || last.Owner != l.Owner) || l.State != Open && openSpans != 0 {
		b.t.Fatalf("lot %s (%s): custody %s", id, l.State, dump(l.Custody))
	}
	if w := l.Weighings[len(l.Weighings)-1]; w.Micrograms != l.Micrograms || !samePieces(w.Pieces, l.Pieces) {
		b.t.Fatalf("lot %s: the last weighing is not the account: %s", id, dump(l))
	}
	if l.Pending != nil && (l.State != Open || l.Pending.To == opal.Outside) {
		b.t.Fatalf("lot %s: pending %s while %s", id, dump(l.Pending), l.State)
	}
	if l.Micrograms < 0 || l.Lost < 0 || l.Pieces != nil && *l.Pieces < 0 || l.Variance < 0 {
		b.t.Fatalf("lot %s: below zero: %s", id, dump(l))
	}
	if l.Root == l.ID && b.m.lines[id] == nil {
		b.t.Fatalf("lot %s has no line", id)
	}
}

// lineHolds: no gain brings all stones of a line past its base by more than twice the allowance and 3u; and the line's total is the sum
// of its lots, open or closed otherwise than into others, and of what was lost.
func (b *book) lineHolds(root string) {
	b.t.Helper()
	line, l := b.line(root), b.lot(root)
	var stones int64
	for _, id := range b.m.LotIDs() {
		c := b.lot(id)
		if c.Root == root && (c.State == Open || c.State == Closed || c.State == Combined) {
			stones += c.Micrograms
		}
	}
	if stones > line.Total {
		b.t.Fatalf("line %s: its stones weigh %d, its total is %d", root, stones, line.Total)
	}
	if b.excess == nil {
		b.excess = map[string]int64{}
	}
	was := b.excess[root]
	b.excess[root] = line.Total - line.Base
	if line.Total-line.Base <= was || len(b.recs) > 0 && b.recs[len(b.recs)-1].Event.Withdrawn != nil {
		return // nothing was gained, or something came back
	}
	bal := balance{in: line.Base, out: line.Total, variance: line.Variance, allowance: 2 * allowance(&b.m.log.Policy, l.Material.Kind, line.Earned, line.Base)}
	if bal.verdict() == made {
		b.t.Fatalf("line %s: total %d over base %d", root, line.Total, line.Base)
	}
}

// Short forms.

func n(i int64) *int64 { return &i }

func hydrophane() opal.Material { return opal.Material{Kind: opal.Hydrophane} }

func mined(lot, at, mass string, pieces *int64, w opal.Moisture, kind opal.MaterialKind) opal.Event {
	return opal.Event{Party: opal.PartyOfLot(lot), Lot: lot, OccurredAt: at, Moisture: w, Mined: &opal.Mined{
		Origin: opal.Origin{Country: "ET"}, Material: opal.Material{Kind: kind}, Pieces: pieces, Mass: opal.Mass(mass),
	}}
}

// child is "lot pieces mass [moisture]", the pieces "?" where not counted.
func child(s string) opal.Part {
	f := strings.Fields(s)
	p := opal.Part{Lot: f[0], Mass: opal.Mass(f[2] + " ct")}
	if f[1] != "?" {
		var i int64
		fmt.Sscan(f[1], &i)
		p.Pieces = &i
	}
	if len(f) > 3 {
		p.Moisture = opal.Moisture(f[3])
	}
	return p
}

func children(list ...string) []opal.Part {
	var c []opal.Part
	for _, s := range list {
		c = append(c, child(s))
	}
	return c
}

func split(party, lot, at string, rest *opal.Rest, list ...string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Split: &opal.Split{Children: children(list...), Rest: rest}}
}

func rest(s string) *opal.Rest {
	p := child("x " + s)
	return &opal.Rest{Pieces: p.Pieces, Mass: p.Mass, Moisture: p.Moisture}
}

func handOver(party, lot, at, to string, p opal.Purpose) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, HandedOver: &opal.HandedOver{To: to, Purpose: p}}
}

func sold(party, lot, at, to string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Sold: &opal.Sold{To: to}}
}

func received(party, lot, at string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Received: &opal.Received{}}
}

func withdrawn(r *opal.Recorded, at string) opal.Event {
	return opal.Event{Party: r.Event.Party, Lot: r.Event.Lot, OccurredAt: at, Withdrawn: &opal.Withdrawn{Event: r.Event.ID(), Because: "typed wrongly"}}
}

func corrected(r *opal.Recorded, at string, to opal.Replacement) opal.Event {
	return opal.Event{Party: r.Event.Party, Lot: r.Event.Lot, OccurredAt: at, Corrected: &opal.Corrected{Event: r.Event.ID(), Because: "typed wrongly", Replacement: &to}}
}

func tested(party, lot, at string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Tested: &opal.Tested{
		Method: opal.Microscope, Sample: opal.Sample{Kind: opal.Whole}, Outcome: opal.NothingSeen, LookedFor: []opal.Treatment{opal.Smoke},
	}}
}

func treated(party, lot, at string) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Treated: &opal.Treated{Treatment: opal.Dye}}
}

func described(party, lot, at, mass string, w opal.Moisture) opal.Event {
	return opal.Event{Party: party, Lot: lot, OccurredAt: at, Moisture: w, Described: &opal.Described{MeasuredMass: opal.Mass(mass)}}
}

// day gives a moment n days into 2026.
func day(n int) string { return time.Date(2026, 1, 1+n, 12, 0, 0, 0, time.UTC).Format(time.RFC3339) }
