package wire

import (
	"cmp"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The bodies that are about parties, keys, handles, the policy, or the log itself.

func enrolledIn(m *pb.Enrolled) (opal.Enrolled, *fault.Error) {
	h, f := hash("tokenHash", m.TokenHash)
	return opal.Enrolled{
		Party: m.GetParty(), Roles: words[opal.Role](m.Roles), TokenHash: h, DisplayName: m.GetDisplayName(), Contact: m.GetContact(),
	}, f
}

func enrolledOut(b *opal.Enrolled) *pb.Enrolled {
	return &pb.Enrolled{
		Party: wordOf(b.Party), Roles: wordsOf(b.Roles), TokenHash: hashOf(b.TokenHash), DisplayName: wordOf(b.DisplayName), Contact: wordOf(b.Contact),
	}
}

func tokenIssuedIn(m *pb.TokenIssued) (opal.TokenIssued, *fault.Error) {
	h, f := hash("tokenHash", m.TokenHash)
	return opal.TokenIssued{Party: m.GetParty(), TokenHash: h, Scopes: words[opal.Scope](m.Scopes), Expires: m.GetExpires()}, f
}

func tokenIssuedOut(b *opal.TokenIssued) *pb.TokenIssued {
	return &pb.TokenIssued{
		Party: wordOf(b.Party), TokenHash: hashOf(b.TokenHash), Scopes: wordsOf(b.Scopes), Expires: wordOf(b.Expires),
	}
}

func tokenRevokedIn(m *pb.TokenRevoked) (opal.TokenRevoked, *fault.Error) {
	return opal.TokenRevoked{Party: m.GetParty(), Token: m.GetToken()}, nil
}

func keyAddedIn(m *pb.KeyAdded) (opal.KeyAdded, *fault.Error) {
	k, f := key("publicKey", m.PublicKey)
	return opal.KeyAdded{Party: m.GetParty(), PublicKey: k, Use: word[opal.KeyUse](m.Use)}, f
}

func keyAddedOut(b *opal.KeyAdded) *pb.KeyAdded {
	return &pb.KeyAdded{Party: wordOf(b.Party), PublicKey: keyOf(b.PublicKey), Use: wordOf(b.Use)}
}

func keyRevokedIn(m *pb.KeyRevoked) (opal.KeyRevoked, *fault.Error) {
	since, f := unsigned("compromisedSince", m.CompromisedSince)
	return opal.KeyRevoked{Party: m.GetParty(), KeyID: m.GetKeyId(), CompromisedSince: since, Because: m.GetBecause()}, f
}

func keyRevokedOut(b *opal.KeyRevoked) *pb.KeyRevoked {
	return &pb.KeyRevoked{
		Party: wordOf(b.Party), KeyId: wordOf(b.KeyID), CompromisedSince: unsignedOf(b.CompromisedSince), Because: wordOf(b.Because),
	}
}

func handleIssuedIn(m *pb.HandleIssued) (opal.HandleIssued, *fault.Error) {
	return opal.HandleIssued{Handle: m.GetHandle()}, nil
}

func handleRevokedIn(m *pb.HandleRevoked) (opal.HandleRevoked, *fault.Error) {
	return opal.HandleRevoked{Handle: m.GetHandle()}, nil
}

func policySetIn(m *pb.PolicySet) (opal.PolicySet, *fault.Error) {
	p, f := neededPolicy(m.Policy)
	return opal.PolicySet{Policy: p}, f
}

func neededPolicy(m *pb.Policy) (opal.Policy, *fault.Error) {
	if m == nil {
		return opal.Policy{}, invalid("policy", "found nothing, accepted is a whole policy")
	}
	if f := known(m); f != nil {
		return opal.Policy{}, under("policy", f)
	}
	p, f := PolicyToDomain(m)
	return p, under("policy", f)
}

// PolicyToDomain reads a policy. Every number must be given: one left out would be a number that judges and that nobody set.
func PolicyToDomain(m *pb.Policy) (opal.Policy, *fault.Error) {
	var p opal.Policy
	table, f := hash("ruleTable", m.RuleTable)
	p.RuleTable = table
	for _, n := range [...]struct {
		field string
		src   *int64
		dst   *uint64
	}{{"version", m.Version, &p.Version}, {"level", m.Level, &p.Level}} {
		given, f1 := needed(n.field, n.src)
		u, f2 := PositionToDomain(n.field, given)
		*n.dst, f = u, cmp.Or(f, f1, f2)
	}
	for _, n := range policyNumbers(m, &p) {
		given, f1 := needed(n.wire, *n.src)
		*n.dst, f = given, cmp.Or(f, f1)
	}
	if f != nil {
		return opal.Policy{}, f
	}
	return p, nil
}

// PolicyFromDomain writes a policy.
func PolicyFromDomain(p *opal.Policy) *pb.Policy {
	m := &pb.Policy{
		Version: proto.Int64(Position(p.Version)), Level: proto.Int64(Position(p.Level)), RuleTable: hashOf(p.RuleTable),
	}
	c := *p
	for _, n := range policyNumbers(m, &c) {
		*n.src = copied(n.dst)
	}
	return m
}

// policyNumber pairs a number of a policy on the wire with its place in the domain, by both names.
type policyNumber struct {
	wire, domain string
	src          **int64
	dst          *int64
}

func policyNumbers(m *pb.Policy, p *opal.Policy) []policyNumber {
	return []policyNumber{
		{"hydrophaneSameMoisturePpm", "hydrophaneSameMoisture", &m.HydrophaneSameMoisturePpm, &p.HydrophaneSameMoisture},
		{"hydrophaneUnclearMoisturePpm", "hydrophaneUnclearMoisture", &m.HydrophaneUnclearMoisturePpm, &p.HydrophaneUnclearMoisture},
		{"hydrophaneSoakedAfterDryPpm", "hydrophaneSoakedAfterDry", &m.HydrophaneSoakedAfterDryPpm, &p.HydrophaneSoakedAfterDry},
		{"otherMaterialPpm", "otherMaterial", &m.OtherMaterialPpm, &p.OtherMaterial},
		{"coarseWeighingPpm", "coarseWeighing", &m.CoarseWeighingPpm, &p.CoarseWeighing},
		{"unusualYieldPpm", "unusualYield", &m.UnusualYieldPpm, &p.UnusualYield},
		{"sampleBoundPpm", "sampleBound", &m.SampleBoundPpm, &p.SampleBound},
		{"transitDays", "transitDays", &m.TransitDays, &p.TransitDays},
		{"futureSeconds", "futureSeconds", &m.FutureSeconds, &p.FutureSeconds},
		{"maxDepth", "maxDepth", &m.MaxDepth, &p.MaxDepth},
		{"maxAncestors", "maxAncestors", &m.MaxAncestors, &p.MaxAncestors},
		{"zoneMinutes", "zoneMinutes", &m.ZoneMinutes, &p.ZoneMinutes},
	}
}

// policySpelled gives a fault about policySet.policy the number's name on the wire, which states its unit.
func policySpelled(f *fault.Error) *fault.Error {
	c := *f
	c.Field = strings.TrimPrefix(c.Field, "policySet.policy.")
	for _, n := range policyNumbers(&pb.Policy{}, &opal.Policy{}) {
		if n.domain == c.Field {
			c.Field = n.wire
		}
	}
	return &c
}

func logOpenedIn(m *pb.LogOpened) (opal.LogOpened, *fault.Error) {
	b := opal.LogOpened{LogName: m.GetLogName(), Continues: m.GetContinues()}
	var f [7]*fault.Error
	b.Epoch, f[0] = EpochToDomain("epoch", m.GetEpoch())
	b.AdminKey, f[1] = key("adminKey", m.AdminKey)
	b.IntakeKey, f[2] = key("intakeKey", m.IntakeKey)
	b.CheckpointKey, f[3] = key("checkpointKey", m.CheckpointKey)
	b.Policy, f[4] = neededPolicy(m.Policy)
	b.AdminTokenHash, f[5] = hash("adminTokenHash", m.AdminTokenHash)
	b.HandleKeyHash, f[6] = hash("handleKeyHash", m.HandleKeyHash)
	return b, cmp.Or(f[:]...)
}

func logOpenedOut(b *opal.LogOpened) *pb.LogOpened {
	return &pb.LogOpened{
		LogName: wordOf(b.LogName), Epoch: proto.String(Epoch(b.Epoch)), AdminKey: keyOf(b.AdminKey), IntakeKey: keyOf(b.IntakeKey),
		CheckpointKey: keyOf(b.CheckpointKey), Policy: PolicyFromDomain(&b.Policy), Continues: wordOf(b.Continues),
		AdminTokenHash: hashOf(b.AdminTokenHash), HandleKeyHash: hashOf(b.HandleKeyHash),
	}
}
