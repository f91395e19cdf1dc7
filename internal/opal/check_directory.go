package opal

import (
	"cmp"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// The bodies that are about parties, keys, handles, or the log itself.

func checkDirectoryBody(e *Event, zoneMinutes int64) *fault.Error {
	switch {
	case e.Enrolled != nil:
		return under("enrolled", checkEnrolled(e.Enrolled))
	case e.TokenIssued != nil:
		return under("tokenIssued", checkTokenIssued(e.TokenIssued, zoneMinutes))
	case e.TokenRevoked != nil:
		return under("tokenRevoked", cmp.Or(
			partyOrAdmin("party", e.TokenRevoked.Party),
			wrong("token", checkShortHash(e.TokenRevoked.Token)),
		))
	case e.KeyAdded != nil:
		return under("keyAdded", cmp.Or(
			partyOrAdmin("party", e.KeyAdded.Party),
			filled("publicKey", e.KeyAdded.PublicKey[:], "an Ed25519 public key of 32 bytes"),
			needWord("use", e.KeyAdded.Use, AllKeyUses()),
		))
	case e.KeyRevoked != nil:
		return under("keyRevoked", cmp.Or(
			partyOrAdmin("party", e.KeyRevoked.Party),
			wrong("keyId", checkShortHash(e.KeyRevoked.KeyID)),
			needText("because", e.KeyRevoked.Because, MaxText),
		))
	case e.MethodValidated != nil:
		return under("methodValidated", checkMethodValidated(e.MethodValidated))
	case e.PolicySet != nil:
		return under("policySet", under("policy", checkPolicy(&e.PolicySet.Policy)))
	case e.LogOpened != nil:
		return under("logOpened", checkLogOpened(e.LogOpened))
	case e.HandleIssued != nil:
		return under("handleIssued", wrong("handle", CheckHandle(e.HandleIssued.Handle)))
	case e.HandleRevoked != nil:
		return under("handleRevoked", wrong("handle", CheckHandle(e.HandleRevoked.Handle)))
	}
	return nil
}

// partyOrAdmin checks whose token or key it is: the admin has some too.
func partyOrAdmin(field, s string) *fault.Error {
	if s == Admin {
		return nil
	}
	return wrong(field, CheckParty(s))
}

func checkEnrolled(n *Enrolled) *fault.Error {
	if err := CheckParty(n.Party); err != nil {
		return wrong("party", err)
	}
	if len(n.Roles) == 0 {
		return wrongWord("roles", "", AllRoles())
	}
	return cmp.Or(
		wordList("roles", n.Roles, AllRoles()),
		text("displayName", n.DisplayName, MaxText),
		text("contact", n.Contact, MaxText),
		filled("tokenHash", n.TokenHash[:], "the SHA-256 of the party's first token"),
	)
}

func checkTokenIssued(t *TokenIssued, zoneMinutes int64) *fault.Error {
	if f := cmp.Or(
		partyOrAdmin("party", t.Party),
		filled("tokenHash", t.TokenHash[:], "the SHA-256 of the token"),
		wordList("scopes", t.Scopes, AllScopes()),
	); f != nil || t.Expires == "" {
		return f
	}
	return instant("expires", t.Expires, zoneMinutes)
}

func checkPolicy(p *Policy) *fault.Error {
	const whole = 1_000_000 // shares are parts per million
	return cmp.Or(
		atLeastOne("version", p.Version),
		atLeastOne("level", p.Level),
		number("hydrophaneSameMoisture", p.HydrophaneSameMoisture, 0, whole),
		number("hydrophaneUnclearMoisture", p.HydrophaneUnclearMoisture, 0, whole),
		number("hydrophaneSoakedAfterDry", p.HydrophaneSoakedAfterDry, 0, whole),
		number("otherMaterial", p.OtherMaterial, 0, whole),
		number("coarseWeighing", p.CoarseWeighing, 0, whole),
		number("unusualYield", p.UnusualYield, 0, whole),
		number("sampleBound", p.SampleBound, 0, whole),
		number("transitDays", p.TransitDays, 0, 3_650),
		number("futureSeconds", p.FutureSeconds, 0, 86_400),
		number("maxDepth", p.MaxDepth, 1, 100_000),
		number("maxAncestors", p.MaxAncestors, 1, 1_000_000),
		number("zoneMinutes", p.ZoneMinutes, -maxZone, maxZone),
	)
}

func atLeastOne(field string, n uint64) *fault.Error {
	if n > 0 {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found 0, accepted is 1 or more")
}

func checkLogOpened(l *LogOpened) *fault.Error {
	if f := cmp.Or(
		tooMany("logName", len(l.LogName), maxLogName, "bytes"),
		wrong("logName", CheckLogName(l.LogName)),
		filled("epoch", l.Epoch[:], "16 random bytes"),
		filled("adminKey", l.AdminKey[:], "an Ed25519 public key of 32 bytes"),
		filled("intakeKey", l.IntakeKey[:], "an Ed25519 public key of 32 bytes"),
		filled("checkpointKey", l.CheckpointKey[:], "an Ed25519 public key of 32 bytes"),
		under("policy", checkPolicy(&l.Policy)),
		filled("adminTokenHash", l.AdminTokenHash[:], "the SHA-256 of the admin's first token"),
		filled("handleKeyHash", l.HandleKeyHash[:], "the SHA-256 of the key of public handles"),
		tooMany("continues", len(l.Continues), maxContinues, "bytes"),
	); f != nil {
		return f
	}
	// A checkpoint is text in lines: the one text with line breaks.
	for line := range strings.SplitSeq(l.Continues, "\n") {
		if f := plain("continues", line); f != nil {
			return f
		}
	}
	return nil
}
