package intake

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// AppendEnvelopes posts events that a party signed itself, all of them or none. Their request ids stand in what was signed. What a party's own key signed may be
// brought by anybody with a token: the signature says whose it is, and the token only who brought it.
func (s *Service) AppendEnvelopes(ctx context.Context, req *pb.AppendEnvelopesRequest) (*pb.AppendEnvelopesResponse, error) {
	who, f := caller(ctx)
	if f != nil {
		return nil, f
	}
	if f := unconditional(ctx); f != nil {
		return nil, f
	}
	if _, f := keyOf(ctx); f != nil {
		return nil, f
	}
	p, err := s.readEnvelopes(ctx, who.Party, req.GetEnvelopes())
	if err != nil {
		return nil, err
	}
	if f := s.queue.post(ctx, p, false); f != nil {
		return nil, f
	}
	results, refused := s.await(ctx, p)
	if refused != nil {
		return nil, inEnvelope(refused)
	}
	return &pb.AppendEnvelopesResponse{Results: s.answer(results)}, nil
}

// inEnvelope puts the statement's place in front of a refusal's field.
func inEnvelope(r *refusal) *fault.Error {
	if r.event == bus.WholeGroup {
		return r.Error
	}
	return under(statementAt(r.event), r.Error)
}

const envelopeAt = "envelopes[0]"

func statementAt(i int) string { return fmt.Sprintf("%s.statements[%d]", envelopeAt, i) }

// readEnvelopes checks what a party signed and makes a post of it. A batch is one group of one envelope for all that comes after, so
// it is one envelope here. An error that is no fault is the directory's.
func (s *Service) readEnvelopes(ctx context.Context, party string, list []*pb.SignedEnvelope) (*post, error) {
	if len(list) != 1 {
		return nil, fault.New(fault.InvalidField, "envelopes", "found %d, accepted is one at a time: it lists up to %d statements, which are in the log all or not at all", len(list), MaxBatchEvents)
	}
	m := list[0]
	if f := checkCount(envelopeAt+".statements", len(m.GetStatements())); f != nil {
		return nil, f
	}
	size := 0
	for _, b := range m.GetStatements() {
		size += len(b)
	}
	if f := checkBytes(envelopeAt+".statements", size); f != nil {
		return nil, f
	}
	p := newPost(ctx, party, len(m.GetStatements()))
	return p, s.readEnvelope(ctx, p, m)
}

// readEnvelope checks an envelope and adds its statements to the post. The checks come cheapest first.
func (s *Service) readEnvelope(ctx context.Context, p *post, m *pb.SignedEnvelope) error {
	const at = envelopeAt
	e, err := envelope.Decode(m.GetEnvelope())
	if err != nil {
		return under(at+".envelope", asFault(err))
	}
	switch {
	case e.Payload.LogName != s.cfg.LogName:
		return fault.New(fault.InvalidField, at+".envelope.payload.logName", "found %q, accepted is the name of this log, %s", clip(e.Payload.LogName), s.cfg.LogName)
	case len(m.GetStatements()) != len(e.Payload.Statements):
		return fault.New(fault.InvalidField, at+".statements", "found %d, accepted are as many as the envelope lists, %d", len(m.GetStatements()), len(e.Payload.Statements))
	}
	for j, b := range m.GetStatements() {
		if h := sha256.Sum256(b); h != e.Payload.Statements[j] {
			return fault.New(fault.InvalidField, statementAt(j), "found bytes with the SHA-256 %x, the envelope lists %x", h, e.Payload.Statements[j])
		}
	}
	brought := p.party
	p.party = e.Payload.Party
	if err := s.checkSignatures(p.party, e, brought); err != nil {
		return err
	}
	opened, f := sortOpenings(at+".openings", m)
	if f != nil {
		return f
	}
	for j, b := range m.GetStatements() {
		ev, openings, f := readStatement(p.party, b, opened[j])
		if f == nil {
			f = knownTable(ev)
		}
		if f != nil {
			return under(statementAt(j), f)
		}
		p.add(ev, b, e.Payload.Statements[j], openings)
		if f := s.measure(ctx, p, ev); f != nil {
			return under(statementAt(j), f)
		}
	}
	p.signed = m.GetEnvelope()
	p.size += len(m.GetEnvelope())
	return nil
}

// checkSignatures asks for good signatures by known keys in force, one of which must speak for the party: its own, or that of an intake
// that took the events by its token, if it is the party that brings them. Signatures of others may stand beside, as on a hand-over.
func (s *Service) checkSignatures(party string, e *envelope.Envelope, brought string) error {
	const at = envelopeAt + ".envelope"
	keys := make(map[string]*account.Key, len(e.Signatures))
	speaks := false
	for i := range e.Signatures {
		id := e.Signatures[i].KeyID
		field := fmt.Sprintf("%s.signatures[%d].keyId", at, i)
		holder, k, err := s.findKey(id)
		switch {
		case err != nil:
			return fmt.Errorf("look up the key %s: %w", id, err)
		case k == nil:
			return fault.New(fault.UnknownKey, field, "found %s, accepted is a key that the log knows", id)
		case k.RevokedAt != nil:
			return fault.New(fault.KeyRevoked, field, "found %s, a key of %s that was revoked at position %d; accepted is a key in force", id, holder, *k.RevokedAt)
		case k.Use == opal.UseSign:
			speaks = speaks || holder == party
		case k.Use == opal.UseIntake:
			speaks = speaks || holder == opal.Admin && brought == party
		default:
			return fault.New(fault.UnknownKey, field, "found %s, a key for %s; accepted is one for %s", id, k.Use, opal.UseSign)
		}
		keys[id] = k
	}
	if !speaks && brought != party {
		return fault.New(fault.NotAllowed, at+".payload.party", "found %q without a signature by a key of its own, and the token is of %s; accepted are events of one's own, or such as their party signed", clip(party), brought)
	}
	if !speaks {
		return fault.New(fault.UnknownKey, at+".signatures", "found no signature by a key of %s, accepted is at least one", party)
	}
	if _, err := e.Check(func(id string) (ed25519.PublicKey, bool) { return keys[id].Public[:], true }); err != nil {
		return under(at, asFault(err))
	}
	return nil
}

// findKey looks a key up in the directory; nil: nobody has it.
func (s *Service) findKey(id string) (holder string, k *account.Key, err error) {
	if holder, err = s.cfg.Directory.KeyHolder(id); err != nil || holder == "" {
		return "", nil, err
	}
	p, err := s.cfg.Directory.Party(holder)
	if err != nil || p == nil {
		return "", nil, err
	}
	for i := range p.Keys {
		if p.Keys[i].ID == id {
			return holder, &p.Keys[i], nil
		}
	}
	return "", nil, nil
}

// sortOpenings gives each statement its openings by path.
func sortOpenings(at string, m *pb.SignedEnvelope) ([]map[string]envelope.Opening, *fault.Error) {
	out := make([]map[string]envelope.Opening, len(m.GetStatements()))
	for k, o := range m.GetOpenings() {
		field := fmt.Sprintf("%s[%d]", at, k)
		j := int(o.GetStatement())
		switch {
		case j < 0 || j >= len(out):
			return nil, fault.New(fault.InvalidField, field+".statement", "found %d, accepted is 0 to %d", j, len(out)-1)
		case len(o.GetSalt()) != 16:
			return nil, fault.New(fault.InvalidField, field+".salt", "found %d bytes, accepted are 16", len(o.GetSalt()))
		}
		if out[j] == nil {
			out[j] = map[string]envelope.Opening{}
		}
		if _, twice := out[j][o.GetPath()]; twice {
			return nil, fault.New(fault.InvalidField, field+".path", "found %q twice for statement %d, accepted is once", clip(o.GetPath()), j)
		}
		out[j][o.GetPath()] = envelope.Opening{Path: o.GetPath(), Salt: [16]byte(o.GetSalt()), Value: o.GetValue()}
	}
	return out, nil
}

// readStatement reads what a party signed, with its private values, by the rules for events that come in any other way. All private
// values must come along: what the log acknowledges, it can show to whoever may see it.
func readStatement(party string, b []byte, opened map[string]envelope.Opening) (*opal.Event, []envelope.Opening, *fault.Error) {
	st, err := envelope.DecodeStatement(b)
	if err != nil {
		return nil, nil, asFault(err)
	}
	openings := make([]envelope.Opening, 0, len(st.Commitments))
	for _, c := range st.Commitments {
		o, ok := opened[c.Path]
		if !ok {
			return nil, nil, fault.New(fault.InvalidField, c.Path, "found a commitment and no opening, accepted is a commitment with the opening of its value beside it")
		}
		openings = append(openings, o)
		delete(opened, c.Path)
	}
	for path := range opened {
		return nil, nil, fault.New(fault.InvalidField, clip(path), "found an opening and no commitment, accepted are openings of what the statement commits to")
	}
	if err := st.Reveal(openings); err != nil {
		return nil, nil, asFault(err)
	}
	ev := &st.Event
	ev.Party = party
	if ev.LogOpened != nil {
		return nil, nil, fault.New(fault.InvalidField, "logOpened", "found a logOpened event, which only the log itself writes")
	}
	if f := check(ev); f != nil {
		return nil, nil, f
	}
	return ev, openings, nil
}

// check checks an event that did not come as a message.
func check(ev *opal.Event) *fault.Error {
	if f := wire.Normal(ev); f != nil {
		return f
	}
	if f := opal.Check(ev, 0); f != nil {
		return wire.Spelled(f)
	}
	return nil
}
