package account

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The directory: parties, their tokens and keys, and the policy. All but methodValidated are the admin's.

func (p *Party) hasRole(r opal.Role) bool { return slices.Contains(p.Roles, r) }

// KeyID names a public key: the first 16 hexadecimal digits of its SHA-256.
func KeyID(public [32]byte) string { return short(sha256.Sum256(public[:])) }

// TokenID names a token: the first 16 hexadecimal digits of its hash.
func (t *Token) TokenID() string { return short(t.Hash) }

func short(hash [32]byte) string { return hex.EncodeToString(hash[:8]) }

func (p *Party) key(id string) *Key {
	for i := range p.Keys {
		if p.Keys[i].ID == id {
			return &p.Keys[i]
		}
	}
	return nil
}

func (p *Party) token(id string) *Token {
	for i := range p.Tokens {
		if p.Tokens[i].TokenID() == id {
			return &p.Tokens[i]
		}
	}
	return nil
}

// logOpened stands at position 0 and nowhere else.
func (c *court) logOpened(log *Log) *fault.Error {
	if log != nil || c.rec.Position != 0 {
		return fault.New(fault.NotAllowed, "logOpened", "found logOpened at position %d; accepted is exactly one, at position 0", c.rec.Position)
	}
	return c.byAdmin()
}

func (c *court) byAdmin() *fault.Error {
	if e := &c.rec.Event; e.Party != opal.Admin {
		return fault.New(fault.NotAllowed, string(e.Kind()), "found %s by %s; accepted from the admin only", e.Kind(), e.Party)
	}
	return nil
}

// directory judges the events without a lot.
func (c *court) directory(log *Log) *fault.Error {
	e := &c.rec.Event
	if e.MethodValidated != nil {
		return c.methodValidated()
	}
	if f := cmp.Or(c.byAdmin(), c.notAhead(c.rec.When, "occurredAt")); f != nil {
		return f
	}
	switch {
	case e.Enrolled != nil:
		return c.enrol(e.Enrolled)
	case e.PolicySet != nil:
		return policySet(log, &e.PolicySet.Policy)
	case e.TokenIssued != nil:
		return c.tokenIssued(e.TokenIssued)
	case e.TokenRevoked != nil:
		p, f := c.partyOf("tokenRevoked.party", e.TokenRevoked.Party)
		if f == nil && p.token(e.TokenRevoked.Token) == nil {
			f = fault.New(fault.InvalidField, "tokenRevoked.token", "found %q, which is no token of %s; accepted are the first 16 digits of the hash of one of its tokens", e.TokenRevoked.Token, p.ID)
		}
		return f
	case e.KeyAdded != nil:
		return c.keyAdded(e.KeyAdded)
	case e.KeyRevoked != nil:
		return c.keyRevoked(e.KeyRevoked)
	}
	return c.broken(fmt.Errorf("no rule for a %s", e.Kind()))
}

// methodValidated needs the role LABORATORY.
func (c *court) methodValidated() *fault.Error {
	e := &c.rec.Event
	for i, id := range e.MethodValidated.Lots {
		if _, f := c.known(index("methodValidated.lots", i), id); f != nil {
			return f
		}
	}
	p, err := c.v.Party(e.Party)
	if err != nil {
		return c.broken(err)
	}
	if p == nil || !p.hasRole(opal.Laboratory) {
		return fault.New(fault.NotAllowed, "methodValidated", "%s has no role LABORATORY; accepted from a party with that role", e.Party)
	}
	return c.notAhead(c.rec.When, "occurredAt")
}

// partyOf finds the party that a directory event is about; the admin has an entry, too.
func (c *court) partyOf(field, id string) (*Party, *fault.Error) {
	p, err := c.v.Party(id)
	if err != nil {
		return nil, c.broken(err)
	}
	if p == nil {
		return nil, unknownParty(field, id)
	}
	return p, nil
}

func (c *court) enrol(n *opal.Enrolled) *fault.Error {
	if err := opal.CheckParty(n.Party); err != nil {
		return fault.New(fault.InvalidField, "enrolled.party", "%s", err.Error())
	}
	p, err := c.v.Party(n.Party)
	if err != nil {
		return c.broken(err)
	}
	if p != nil {
		return fault.New(fault.PartyExists, "enrolled.party", "found %q, which was enrolled before; accepted is an id that was never used", n.Party)
	}
	return nil
}

func policySet(log *Log, p *opal.Policy) *fault.Error {
	if want := log.Policy.Version + 1; p.Version != want {
		return fault.New(fault.InvalidField, "policySet.policy.version", "found %d, the policy in force is version %d; accepted is %d", p.Version, log.Policy.Version, want)
	}
	if p.Level < log.Policy.Level {
		return fault.New(fault.InvalidField, "policySet.policy.level", "found %d, in force is level %d; accepted is that level or a higher one", p.Level, log.Policy.Level)
	}
	return nil
}

func (c *court) tokenIssued(t *opal.TokenIssued) *fault.Error {
	p, f := c.partyOf("tokenIssued.party", t.Party)
	if f != nil {
		return f
	}
	if p.token(short(t.TokenHash)) != nil {
		return fault.New(fault.InvalidField, "tokenIssued.tokenHash", "found the hash of a token that %s has had before; accepted is a new token", p.ID)
	}
	if slices.Contains(t.Scopes, opal.ScopeAdmin) && p.ID != opal.Admin {
		return fault.New(fault.InvalidField, "tokenIssued.scopes", "found ADMIN for %s; accepted are READ and POST, and ADMIN for the admin only", p.ID)
	}
	if t.Expires != "" {
		if at, err := opal.ParseWhen(t.Expires, 0); err != nil || at.IsDay() {
			return fault.New(fault.InvalidField, "tokenIssued.expires", "found %q; accepted is a moment such as 2027-03-04T10:20:00Z", t.Expires)
		}
	}
	return nil
}

func (c *court) keyAdded(k *opal.KeyAdded) *fault.Error {
	p, f := c.partyOf("keyAdded.party", k.Party)
	if f != nil {
		return f
	}
	if p.key(KeyID(k.PublicKey)) != nil {
		return fault.New(fault.InvalidField, "keyAdded.publicKey", "found a key that %s has had before; accepted is a new key", p.ID)
	}
	if k.Use != opal.UseSign && p.ID != opal.Admin {
		return fault.New(fault.InvalidField, "keyAdded.use", "found %s for %s; accepted is SIGN, and INTAKE or CHECKPOINT for the admin only", k.Use, p.ID)
	}
	return nil
}

// keyRevoked: a key is revoked once; that it was compromised from an earlier position on may turn out later.
func (c *court) keyRevoked(k *opal.KeyRevoked) *fault.Error {
	p, f := c.partyOf("keyRevoked.party", k.Party)
	if f != nil {
		return f
	}
	key := p.key(k.KeyID)
	if key == nil {
		return fault.New(fault.UnknownKey, "keyRevoked.keyId", "found %q, which is no key of %s; accepted is the id of one of its keys", k.KeyID, p.ID)
	}
	since := k.CompromisedSince
	if since != nil && *since > c.rec.Position {
		return fault.New(fault.InvalidField, "keyRevoked.compromisedSince", "found position %d, which the log has not reached; accepted is at most %d", *since, c.rec.Position)
	}
	if key.RevokedAt != nil && (since == nil || key.CompromisedSince != nil && *since >= *key.CompromisedSince) {
		return fault.New(fault.KeyRevoked, "keyRevoked.keyId", "found %q, which was revoked at position %d; accepted is a key in force, or an earlier compromisedSince", k.KeyID, *key.RevokedAt)
	}
	return nil
}

// applyDirectory makes what follows from an event without a lot.
func applyDirectory(v View, rec *opal.Recorded) (*Changes, error) {
	e := &rec.Event
	switch {
	case e.LogOpened != nil:
		return openLog(rec), nil
	case e.PolicySet != nil:
		log, err := v.Log()
		if err != nil || log == nil {
			return nil, cmp.Or(err, errMissing)
		}
		l := *log
		l.Policy, l.PolicyAt = e.PolicySet.Policy, rec.Position
		return &Changes{Log: &l}, nil
	case e.MethodValidated != nil, e.Corrected != nil, e.Withdrawn != nil:
		return &Changes{}, nil
	case e.Enrolled != nil:
		n := e.Enrolled
		return &Changes{Parties: []*Party{{
			ID: n.Party, Roles: n.Roles, EnrolledBy: e.ID(), EnrolledAt: rec.Position, Revision: rec.Position, Tokens: []Token{{Hash: n.TokenHash}},
		}}}, nil
	}
	p, err := v.Party(partyNamed(e))
	if err != nil || p == nil {
		return nil, cmp.Or(err, errMissing)
	}
	c := *p
	c.Revision = rec.Position
	c.Tokens, c.Keys = slices.Clone(p.Tokens), slices.Clone(p.Keys)
	at := rec.Position
	switch {
	case e.TokenIssued != nil:
		t := Token{Hash: e.TokenIssued.TokenHash, Scopes: e.TokenIssued.Scopes}
		if e.TokenIssued.Expires != "" {
			expires, err := opal.ParseWhen(e.TokenIssued.Expires, 0)
			if err != nil {
				return nil, err
			}
			t.Expires = expires.To
		}
		c.Tokens = append(c.Tokens, t)
	case e.TokenRevoked != nil:
		if t := c.token(e.TokenRevoked.Token); t != nil && t.RevokedAt == nil {
			t.RevokedAt = &at
		}
	case e.KeyAdded != nil:
		c.Keys = append(c.Keys, keyOf(e.KeyAdded.PublicKey, e.KeyAdded.Use, at))
	case e.KeyRevoked != nil:
		k := c.key(e.KeyRevoked.KeyID)
		if k == nil {
			return nil, errMissing
		}
		if k.RevokedAt == nil {
			k.RevokedAt = &at
		}
		if since := e.KeyRevoked.CompromisedSince; since != nil {
			earliest := *since
			k.CompromisedSince = &earliest
		}
	default:
		return nil, fmt.Errorf("no rule for a %s", e.Kind())
	}
	return &Changes{Parties: []*Party{&c}}, nil
}

func partyNamed(e *opal.Event) string {
	switch {
	case e.TokenIssued != nil:
		return e.TokenIssued.Party
	case e.TokenRevoked != nil:
		return e.TokenRevoked.Party
	case e.KeyAdded != nil:
		return e.KeyAdded.Party
	case e.KeyRevoked != nil:
		return e.KeyRevoked.Party
	}
	return ""
}

func keyOf(public [32]byte, use opal.KeyUse, at uint64) Key {
	return Key{ID: KeyID(public), Public: public, Use: use, AddedAt: at}
}

// openLog makes the log and its admin.
func openLog(rec *opal.Recorded) *Changes {
	e := &rec.Event
	o := e.LogOpened
	return &Changes{
		Log: &Log{Name: o.LogName, Epoch: o.Epoch, Policy: o.Policy, PolicyAt: rec.Position, HandleKeyHash: o.HandleKeyHash},
		Parties: []*Party{{
			ID: opal.Admin, EnrolledBy: e.ID(), EnrolledAt: rec.Position, Revision: rec.Position,
			Tokens: []Token{{Hash: o.AdminTokenHash, Scopes: []opal.Scope{opal.ScopeAdmin}}},
			Keys: []Key{
				keyOf(o.AdminKey, opal.UseSign, rec.Position),
				keyOf(o.IntakeKey, opal.UseIntake, rec.Position),
				keyOf(o.CheckpointKey, opal.UseCheckpoint, rec.Position),
			},
		}},
	}
}
