package status

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/evidence"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// How many lots one page looks at, at most, whatever it finds: a page may be short, or empty, before the list ends.
const (
	maxLooked = 10_000
	maxJudged = 2_000 // where each costs a status
)

// filter says which of a party's lots a list is about.
type filter struct {
	holder, owner string
	state         account.State
	material      opal.MaterialKind
	treatment     opal.Treatment // "": overall
	verdict       evidence.Verdict
	pending       string // "me", "others" or ""
}

// ListLots lists the lots that the caller holds or owns, or once held, owned or sold, in the order of their ids. Pages are pinned: lots that the caller
// came to after the first page are left out, and of the others none is listed twice or passed over. The lots are shown as they are.
func (s *Service) ListLots(ctx context.Context, in *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
	party, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	size, err := pageSize(in.PageSize)
	if err != nil {
		return nil, err
	}
	in, err = spellOut(in)
	if err != nil {
		return nil, err
	}
	want, err := parseFilter(in, party)
	if err != nil {
		return nil, err
	}
	m, done, err := s.begin(ctx, in.MinPosition, in.Epoch, nil)
	if err != nil {
		return nil, err
	}
	defer done()
	question := query(m.epoch, "lots", party, want.holder, want.owner, string(want.state), string(want.material), string(want.treatment), string(want.verdict), want.pending)
	from, err := parseToken(in.GetPageToken(), question)
	if err != nil {
		return nil, err
	}
	if from == nil {
		from = &cursor{next: m.next}
	}
	p := &lotPage{service: s, moment: m, party: party, filter: want, pinned: from.next, size: size, now: opal.InstantOf(s.cfg.Now())}
	more, err := p.read(party, from.last)
	if err != nil {
		return nil, err
	}
	out := &pb.ListLotsResponse{Lots: p.lots, Position: int64(from.next) - 1, Epoch: m.epoch}
	if more {
		out.NextPageToken = cursor{from.next, p.last}.token(question)
	}
	return out, nil
}

// spellOut puts the terms of a filter into the fields that they name.
func spellOut(in *pb.ListLotsRequest) (*pb.ListLotsRequest, error) {
	if in.GetFilter() == "" {
		return in, nil
	}
	refuse := func(found string) error {
		return fault.New(fault.InvalidField, "filter", "found %s; accepted are terms joined by AND, each holder=, owner=, state=, material=, verdict= or pending= with a value, such as holder=me AND state=OPEN", found)
	}
	out := proto.CloneOf(in)
	fields := map[string]**string{"holder": &out.Holder, "owner": &out.Owner, "state": &out.State, "material": &out.Material, "verdict": &out.Verdict, "pending": &out.Pending}
	for i, term := range strings.Split(in.GetFilter(), " AND ") {
		name, value, ok := strings.Cut(strings.TrimSpace(term), "=")
		name, value = strings.TrimSpace(name), strings.Trim(strings.TrimSpace(value), `"`)
		to := fields[name]
		switch {
		case !ok || to == nil:
			return nil, refuse(fmt.Sprintf("%q as term %d", clip(term), i+1))
		case value == "" || strings.ContainsAny(value, " ="):
			return nil, refuse(fmt.Sprintf("%q as the value of %s", clip(value), name))
		case *to != nil:
			return nil, refuse(name + " twice")
		}
		*to = &value
	}
	return out, nil
}

// clip shortens what a caller sent, for a message.
func clip(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

func parseFilter(in *pb.ListLotsRequest, party string) (f filter, err error) {
	if f.holder, err = partyOrMe("holder", in.GetHolder(), party); err != nil {
		return f, err
	}
	if f.owner, err = partyOrMe("owner", in.GetOwner(), party); err != nil {
		return f, err
	}
	states := []account.State{account.Open, account.Split, account.Cut, account.Combined, account.Closed, account.Void}
	if f.state, err = oneOf("state", in.GetState(), states); err != nil {
		return f, err
	}
	if f.material, err = oneOf("material", in.GetMaterial(), opal.AllMaterialKinds()); err != nil {
		return f, err
	}
	if f.pending, err = oneOf("pending", in.GetPending(), []string{"me", "others"}); err != nil {
		return f, err
	}
	verdict := in.GetVerdict()
	if verdict == "" {
		return f, nil
	}
	if f.holder != party {
		return f, fault.New(fault.InvalidField, "verdict", "found a verdict without holder=me, and it is told of lots in hand only; accepted is verdict with holder=me")
	}
	if treatment, rest, ok := strings.Cut(verdict, ":"); ok {
		if f.treatment, err = oneOf("verdict", treatment, opal.AllTreatments()); err != nil {
			return f, err
		}
		verdict = rest
	}
	f.verdict, err = oneOf("verdict", verdict, []evidence.Verdict{
		evidence.Declared, evidence.Found, evidence.Conflicting, evidence.Suspected, evidence.Open, evidence.NotTested,
		evidence.NotFound, evidence.Undeterminable, evidence.NotApplicable,
	})
	if err == nil && f.verdict == "" {
		return f, fault.New(fault.InvalidField, "verdict", "found %q, accepted is a verdict, or TREATMENT:VERDICT", in.GetVerdict())
	}
	return f, err
}

// partyOrMe reads a party's id, or the word for the caller.
func partyOrMe(field, given, me string) (string, error) {
	switch {
	case given == "":
		return "", nil
	case given == "me":
		return me, nil
	case given != opal.Outside && opal.CheckParty(given) != nil:
		return "", fault.New(fault.InvalidField, field, "found %q, accepted is me or a party id", given)
	}
	return given, nil
}

// oneOf reads a word of a list; "" stays.
func oneOf[T ~string](field, given string, list []T) (T, error) {
	if given == "" || slices.Contains(list, T(given)) {
		return T(given), nil
	}
	return "", fault.New(fault.InvalidField, field, "found %q, accepted is one of %s", given, joined(list))
}

func joined[T ~string](list []T) string {
	texts := make([]string, len(list))
	for i, t := range list {
		texts[i] = string(t)
	}
	return strings.Join(texts, ", ")
}

// lotPage is one page being read.
type lotPage struct {
	service *Service
	moment  *moment
	party   string
	filter  filter
	pinned  uint64
	size    int
	now     opal.Instant
	lots    []*pb.LotSummary
	last    string // the last lot that was looked at
}

// read fills the page; more tells that the list may go on.
func (p *lotPage) read(party, from string) (more bool, err error) {
	prefix := keyParty(party)
	offers := p.filter.pending == "me"
	if offers {
		prefix = keyOffers(party)
	}
	lower := append(append([]byte(nil), prefix...), from...)
	if from != "" {
		lower = append(lower, 0)
	}
	most := maxLooked
	if p.filter.verdict != "" {
		most = maxJudged
	}
	looked := 0
	p.last = from
	err = p.moment.view.store.each(lower, after(prefix), func(key, value []byte) (bool, error) {
		if looked == most || len(p.lots) == p.size {
			more = true
			return false, nil
		}
		looked++
		p.last = string(key[len(prefix):])
		if offers {
			return true, p.look(p.last)
		}
		if len(value) != 8 {
			return false, fmt.Errorf("the record %q has %d bytes", key, len(value))
		}
		if binary.BigEndian.Uint64(value) >= p.pinned {
			return true, nil
		}
		return true, p.look(p.last)
	})
	return more, err
}

// look puts a lot on the page if it passes.
func (p *lotPage) look(id string) error {
	a, err := p.service.log.Lot(id)
	if err != nil {
		return err
	}
	if a == nil {
		return fmt.Errorf("lot %s is in the projection and has no account", id)
	}
	f := &p.filter
	if f.holder != "" && a.Holder != f.holder || f.owner != "" && a.Owner != f.owner ||
		f.state != "" && a.State != f.state || f.material != "" && a.Material.Kind != f.material {
		return nil
	}
	if f.pending == "others" && (a.Pending == nil || a.Pending.From != p.party) || f.pending == "me" && (a.Pending == nil || a.Pending.To != p.party) {
		return nil
	}
	out := &pb.LotSummary{
		Lot: a.ID, State: string(a.State), Material: string(a.Material.Kind), Form: string(a.Form), Pieces: wire.Count(a.Pieces),
		Mass: massText(a), MassMicrograms: a.Micrograms, Owner: a.Owner, Holder: a.Holder,
	}
	if a.Pending != nil {
		out.PendingTo = &a.Pending.To
	}
	if f.verdict != "" {
		q := p.moment.query(id, p.now, p.moment.next)
		q.WithoutSales = true
		status, err := evidence.Evaluate(q)
		if fault.Of(err) == fault.UnknownLot {
			return nil // it was dated a little ahead of the clock, and has no status yet
		}
		if err != nil {
			return fmt.Errorf("evaluate lot %s: %w", id, err)
		}
		if f.of(status) != f.verdict {
			return nil
		}
		out.Overall = given(status.Overall)
	}
	p.lots = append(p.lots, out)
	return nil
}

// of picks the verdict that the filter is about.
func (f *filter) of(status *evidence.Status) evidence.Verdict {
	if f.treatment == "" {
		return status.Overall
	}
	for i := range status.Treatments {
		if status.Treatments[i].Treatment == f.treatment {
			return status.Treatments[i].Verdict
		}
	}
	return ""
}
