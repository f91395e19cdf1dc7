package account

import (
	"encoding/hex"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

func byAdmin(e opal.Event) opal.Event {
	e.Party, e.OccurredAt = opal.Admin, day(1)
	return e
}

// TestKeyID: the SHA-256 of 32 zero bytes is 66687aadf862bd77…, a value found in many a published test (from memory; recomputed here by
// the standard library).
func TestKeyID(t *testing.T) {
	if got := KeyID([32]byte{}); got != "66687aadf862bd77" {
		t.Errorf("got %s", got)
	}
}

func TestLogOpened(t *testing.T) {
	b := newBook(t)
	admin := b.m.parties[opal.Admin]
	if len(admin.Roles) != 0 || len(admin.Tokens) != 1 || admin.Tokens[0].Hash != [32]byte{4} || len(admin.Tokens[0].Scopes) != 1 || admin.Tokens[0].Scopes[0] != opal.ScopeAdmin {
		t.Errorf("%s", dump(admin))
	}
	for i, use := range []opal.KeyUse{opal.UseSign, opal.UseIntake, opal.UseCheckpoint} {
		if k := admin.Keys[i]; k.Use != use || k.Public != [32]byte{byte(i + 1)} || k.ID != KeyID(k.Public) || k.AddedAt != 0 {
			t.Errorf("key %d: %+v", i, k)
		}
	}
	if b.m.log.Name != "opal.example/test" || b.m.log.HandleKeyHash != [32]byte{5} || b.m.log.PolicyAt != 0 {
		t.Errorf("%+v", *b.m.log)
	}
	again := b.recs[0].Event
	again.RequestID = opal.RequestID{}
	b.refused(again, fault.NotAllowed, "logOpened")

	// Nothing can be judged before.
	if _, _, err := Decide(NewMemory(), &opal.Recorded{Event: mined("mine.r", day(1), "1.000 g", nil, "", opal.Fire)}); err == nil {
		t.Error("an event was judged without a log")
	}
}

func TestRoles(t *testing.T) {
	b := newBook(t)
	b.refused(mined("dealer.r", day(1), "1.000 g", nil, "", opal.Fire), fault.NotAllowed, "mined")
	b.refused(mined("ghost.r", day(1), "1.000 g", nil, "", opal.Fire), fault.NotAllowed, "party")
	acquired := func(party string) opal.Event {
		return opal.Event{Party: party, Lot: party + ".x", OccurredAt: day(1), Acquired: &opal.Acquired{Material: hydrophane(), Mass: "1.000 g"}}
	}
	b.ok(acquired("dealer"))
	if l := b.lot("dealer.x"); l.OpenedKind != opal.KindAcquired || l.Form != opal.Rough {
		t.Errorf("%s", dump(l))
	}
	b.refused(acquired("ghost"), fault.NotAllowed, "party")
	valid := func(party string) opal.Event {
		return opal.Event{Party: party, OccurredAt: day(2), MethodValidated: &opal.MethodValidated{
			Method: opal.Microscope, Protocol: "p1", Lots: []string{"dealer.x"},
			Rows: []opal.ValidationRow{{Outcome: "CARBON_SPECKS", Treatment: opal.Smoke, TreatedWith: 5, TreatedAll: 6, UntreatedAll: 6}},
		}}
	}
	b.refused(valid("dealer"), fault.NotAllowed, "methodValidated")
	r := b.ok(valid("lab"))
	e := valid("lab")
	e.MethodValidated.Lots[0] = "dealer.y"
	b.refused(e, fault.UnknownLot, "methodValidated.lots[0]")
	b.refused(opal.Event{Party: "dealer", OccurredAt: day(3), Withdrawn: &opal.Withdrawn{Event: r.Event.ID(), Because: "x"}}, fault.NotYourEvent, "withdrawn.event")
	b.ok(opal.Event{Party: "lab", OccurredAt: day(3), Corrected: &opal.Corrected{Event: r.Event.ID(), Because: "a stone was counted twice", Replacement: &opal.Replacement{MethodValidated: r.Event.MethodValidated}}})
	b.ok(withdrawn(r, day(3)))
	// All else is custody: a miner may treat, a dealer may test.
	rough(b)
	b.ok(treated("mine", "mine.r", day(3)))
	b.ok(tested("dealer", "dealer.x", day(3)))
	b.consistent()
}

func TestDirectory(t *testing.T) {
	b := newBook(t)
	for _, e := range []opal.Event{
		{Enrolled: &opal.Enrolled{Party: "other", Roles: []opal.Role{opal.Dealer}, TokenHash: [32]byte{9}}},
		{TokenIssued: &opal.TokenIssued{Party: "mine", TokenHash: [32]byte{9}}},
		{TokenRevoked: &opal.TokenRevoked{Party: "mine", Token: "0a00000000000000"}},
		{KeyAdded: &opal.KeyAdded{Party: "mine", PublicKey: [32]byte{9}, Use: opal.UseSign}},
		{KeyRevoked: &opal.KeyRevoked{Party: "mine", KeyID: "0a00000000000000", Because: "lost"}},
		{PolicySet: &opal.PolicySet{Policy: opal.DefaultPolicy()}},
	} {
		e.Party, e.OccurredAt = "mine", day(1)
		b.refused(e, fault.NotAllowed, string(e.Kind()))
	}

	enrol := func(id string) opal.Event {
		return byAdmin(opal.Event{Enrolled: &opal.Enrolled{Party: id, Roles: []opal.Role{opal.Dealer}, TokenHash: [32]byte{9}}})
	}
	b.refused(enrol("mine"), fault.PartyExists, "enrolled.party")
	r := b.ok(enrol("other"))
	if p := b.m.parties["other"]; p.EnrolledBy != r.Event.ID() || p.EnrolledAt != r.Position || p.Tokens[0].Hash != [32]byte{9} || !p.hasRole(opal.Dealer) {
		t.Errorf("%s", dump(p))
	}

	issue := func(party string, hash byte, expires string, scopes ...opal.Scope) opal.Event {
		return byAdmin(opal.Event{TokenIssued: &opal.TokenIssued{Party: party, TokenHash: [32]byte{hash}, Expires: expires, Scopes: scopes}})
	}
	b.refused(issue("ghost", 20, ""), fault.UnknownParty, "tokenIssued.party")
	b.refused(issue("mine", 10, ""), fault.InvalidField, "tokenIssued.tokenHash")
	b.refused(issue("mine", 20, "", opal.ScopeAdmin), fault.InvalidField, "tokenIssued.scopes")
	b.refused(issue("mine", 20, "2027-01-01"), fault.InvalidField, "tokenIssued.expires")
	b.ok(issue("mine", 20, "2027-01-01T00:00:00Z", opal.ScopeRead))
	b.ok(issue(opal.Admin, 21, "", opal.ScopeAdmin))
	if p := b.m.parties["mine"]; len(p.Tokens) != 2 || p.Tokens[1].Expires != instant("2027-01-01T00:00:00Z") || p.Tokens[1].RevokedAt != nil {
		t.Errorf("%s", dump(p))
	}
	revoke := func(hash byte) opal.Event {
		return byAdmin(opal.Event{TokenRevoked: &opal.TokenRevoked{Party: "mine", Token: hex.EncodeToString([]byte{hash, 0, 0, 0, 0, 0, 0, 0})}})
	}
	b.refused(revoke(99), fault.InvalidField, "tokenRevoked.token")
	r = b.ok(revoke(20))
	b.ok(revoke(20)) // a second time changes nothing
	if p := b.m.parties["mine"]; *p.Tokens[1].RevokedAt != r.Position || p.Tokens[0].RevokedAt != nil {
		t.Errorf("%s", dump(p))
	}

	add := func(party string, key byte, use opal.KeyUse) opal.Event {
		return byAdmin(opal.Event{KeyAdded: &opal.KeyAdded{Party: party, PublicKey: [32]byte{key}, Use: use}})
	}
	b.refused(add("mine", 30, opal.UseIntake), fault.InvalidField, "keyAdded.use")
	b.ok(add("mine", 30, opal.UseSign))
	b.refused(add("mine", 30, opal.UseSign), fault.InvalidField, "keyAdded.publicKey")
	b.ok(add(opal.Admin, 31, opal.UseIntake))
	gone := func(id string, since *uint64) opal.Event {
		return byAdmin(opal.Event{KeyRevoked: &opal.KeyRevoked{Party: "mine", KeyID: id, CompromisedSince: since, Because: "stolen"}})
	}
	id := KeyID([32]byte{30})
	u := func(i uint64) *uint64 { return &i }
	b.refused(gone("0000000000000000", nil), fault.UnknownKey, "keyRevoked.keyId")
	b.refused(gone(id, u(1_000)), fault.InvalidField, "keyRevoked.compromisedSince")
	r = b.ok(gone(id, nil))
	b.refused(gone(id, nil), fault.KeyRevoked, "keyRevoked.keyId")
	b.ok(gone(id, u(7)))
	b.refused(gone(id, u(8)), fault.KeyRevoked, "keyRevoked.keyId")
	b.ok(gone(id, u(5)))
	if k := b.m.parties["mine"].Keys[0]; *k.RevokedAt != r.Position || *k.CompromisedSince != 5 {
		t.Errorf("%s", dump(k))
	}
	b.consistent()
}

func TestPolicySet(t *testing.T) {
	b := newBook(t)
	rough(b)
	p := opal.DefaultPolicy()
	set := func() opal.Event { return byAdmin(opal.Event{PolicySet: &opal.PolicySet{Policy: p}}) }
	b.refused(set(), fault.InvalidField, "policySet.policy.version")
	p.Version, p.Level = 2, 1
	p.HydrophaneUnclearMoisture = 300_000
	b.refused(split("mine", "mine.r", day(2), nil, "mine.a 10 120.00"), fault.MassGain, "split.children")
	r := b.ok(set())
	if b.m.log.PolicyAt != r.Position {
		t.Errorf("%+v", *b.m.log)
	}
	b.codes(b.ok(split("mine", "mine.r", day(2), nil, "mine.a 10 120.00")), "MOISTURE_SIZED_GAIN")
	b.consistent()
}

func TestHandles(t *testing.T) {
	h1, h2 := opal.Handle([16]byte{1}), opal.Handle([16]byte{2})
	issue := func(party, h string) opal.Event {
		return opal.Event{Party: party, Lot: "mine.r", OccurredAt: day(2), HandleIssued: &opal.HandleIssued{Handle: h}}
	}
	revoke := func(party, h string) opal.Event {
		return opal.Event{Party: party, Lot: "mine.r", OccurredAt: day(2), HandleRevoked: &opal.HandleRevoked{Handle: h}}
	}
	b := newBook(t)
	rough(b)
	b.refused(issue("dealer", h1), fault.NotHolder, "lot")
	b.ok(issue("mine", h1))
	b.refused(issue("mine", h1), fault.InvalidField, "handleIssued.handle")
	b.ok(revoke("mine", h1))
	b.refused(revoke("mine", h1), fault.UnknownHandle, "handleRevoked.handle")
	b.refused(issue("mine", h1), fault.InvalidField, "handleIssued.handle")
	// The first handle is derived elsewhere; the admin may revoke, too; a lot that ended keeps its handles.
	b.ok(split("mine", "mine.r", day(2), nil, "mine.a 10 100.00"))
	b.ok(revoke(opal.Admin, h2))
	if l := b.lot("mine.r"); len(l.Handles) != 1 || len(l.RevokedHandles) != 2 {
		t.Errorf("%s", dump(l))
	}
	b.consistent()
}

func TestReferenceSet(t *testing.T) {
	known := func(party string) opal.Event {
		return opal.Event{Party: party, Lot: "mine.r", OccurredAt: day(5), ReferenceSet: &opal.ReferenceSet{Known: opal.KnownUntreated, How: "dug by ourselves"}}
	}
	b := newBook(t)
	rough(b)
	given(b, "lab", opal.ForTesting)
	b.ok(known("lab"))
	b.ok(known("mine"))
	b.refused(known("dealer"), fault.NotHolder, "lot")
	b.consistent()
}
