package harness_test

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/envelope"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// partyKey makes a party's key of a seed, and admits it.
func (n *node) partyKey(t *testing.T, party string, seed byte) ed25519.PrivateKey {
	t.Helper()
	private := ed25519.NewKeyFromSeed([]byte(strings.Repeat(string(rune(seed)), 32)))
	public := base64.StdEncoding.EncodeToString(private.Public().(ed25519.PublicKey))
	n.log(t, "admin", fmt.Sprintf(`{"occurredAt":"2025-01-01","keyAdded":{"party":"%s","publicKey":"%s","use":"SIGN"}}`, party, public)).ok(t)
	return private
}

// signedBy posts events that a party signed, brought by somebody.
func (n *node) signedBy(t *testing.T, brings, party string, private ed25519.PrivateKey, bodies ...string) answer {
	t.Helper()
	var events []*opal.Event
	for _, body := range bodies {
		m := &pb.Event{}
		if err := protojson.Unmarshal([]byte(event(body)), m); err != nil {
			t.Fatal(err)
		}
		ev, f := wire.EventToDomain(m)
		if f != nil {
			t.Fatal(f)
		}
		events = append(events, ev)
	}
	b, err := envelope.Sign("lotpaper", party, private, events)
	if err != nil {
		t.Fatal(err)
	}
	m := &pb.SignedEnvelope{Envelope: b.Envelope, Statements: b.Statements}
	for i, list := range b.Openings {
		for _, o := range list {
			m.Openings = append(m.Openings, &pb.Opening{Statement: int32(i), Path: o.Path, Salt: o.Salt[:], Value: o.Value})
		}
	}
	body, err := protojson.Marshal(&pb.AppendEnvelopesRequest{Envelopes: []*pb.SignedEnvelope{m}})
	if err != nil {
		t.Fatal(err)
	}
	return n.do(t, call{method: "POST", path: "/v1/events:append", as: brings, body: string(body)})
}

// A laboratory's key turns out to have been in other hands: what it signed from then on is set aside in every status that knows it, and marked in the history; what was
// signed before, what came by token, and what the log knew earlier stay as they were.
func TestACompromisedKey(t *testing.T) {
	n := minerNode(t, nil)
	n.enrol(t, "plain-lab", "LABORATORY")
	key := n.partyKey(t, "plain-lab", 7)
	n.post(t, "harrow-gully", "harrow-gully.s", `{"occurredAt":"2025-03-02","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE"},"form":"CABOCHON","pieces":1,"mass":"6.123 ct"},"moisture":"DRY"}`).ok(t)
	n.post(t, "harrow-gully", "harrow-gully.s", `{"occurredAt":"2025-03-03","handedOver":{"to":"plain-lab","purpose":"TESTING"}}`).ok(t)
	n.signedBy(t, "harrow-gully", "plain-lab", key, `{"lot":"harrow-gully.s","occurredAt":"2025-03-05","received":{"pieces":1}}`).ok(t)
	test := `{"lot":"harrow-gully.s","occurredAt":"%s","tested":{"method":"MICROSCOPE","sample":{"kind":"WHOLE"},"outcome":"%s","findings":[{"outcome":"%s","where":"CRACK"}],"conditions":{"magnification":"40x"}}}`
	first := n.signedBy(t, "plain-lab", "plain-lab", key, fmt.Sprintf(test, "2025-03-06", "COLOUR_IN_CRACKS", "COLOUR_IN_CRACKS")).ok(t)
	second := n.signedBy(t, "plain-lab", "plain-lab", key, fmt.Sprintf(test, "2025-03-07", "CARBON_IN_SCRATCHES", "CARBON_IN_SCRATCHES")).ok(t)
	at := func(a answer) string { return a.text(t, "results", 0, "position") }
	verdicts := func(query string) (dye, smoke string) {
		t.Helper()
		a := n.get(t, "plain-lab", "/v1/lots/harrow-gully.s/status?asOf=2025-05-01"+query).ok(t)
		return verdict(t, a, "DYE"), verdict(t, a, "SMOKE")
	}
	if dye, smoke := verdicts(""); dye != "FOUND" || smoke != "FOUND" {
		t.Fatalf("dye %s, smoke %s", dye, smoke)
	}
	revoked := n.log(t, "admin", fmt.Sprintf(`{"occurredAt":"2025-04-01","keyRevoked":{"party":"plain-lab","keyId":"%s","compromisedSince":"%s","because":"the notebook was stolen"}}`, envelope.KeyID(key.Public().(ed25519.PublicKey)), at(second))).ok(t)
	if dye, smoke := verdicts(""); dye != "FOUND" || smoke != "NOT_TESTED" {
		t.Errorf("after the revocation: dye %s, smoke %s", dye, smoke)
	}
	if dye, smoke := verdicts("&knownAt=" + at(second)); dye != "FOUND" || smoke != "FOUND" {
		t.Errorf("known before it: dye %s, smoke %s", dye, smoke)
	}
	history := n.get(t, "plain-lab", "/v1/lots/harrow-gully.s/history").ok(t)
	marks := map[string]bool{}
	for _, x := range history.list(t, "events") {
		e := x.(map[string]any)
		marks[asText(e["position"])] = e["doubtful"] != nil
	}
	if marks[at(first)] || !marks[at(second)] || len(marks) != 5 {
		t.Errorf("marks %v of %s", marks, history.raw)
	}
	// By token it may test again, and that counts: nobody had the token.
	n.post(t, "plain-lab", "harrow-gully.s", fmt.Sprintf(test, "2025-04-02", "CARBON_IN_SCRATCHES", "CARBON_IN_SCRATCHES")).ok(t)
	if _, smoke := verdicts(""); smoke != "FOUND" {
		t.Errorf("tested again: smoke %s", smoke)
	}
	// The key signs nothing more, and an earlier beginning may become known.
	if f := n.signedBy(t, "plain-lab", "plain-lab", key, fmt.Sprintf(test, "2025-04-03", "COLOUR_IN_CRACKS", "COLOUR_IN_CRACKS")).refusal(t); f.reason != "KEY_REVOKED" {
		t.Errorf("signed after it: %+v", f)
	}
	n.log(t, "admin", fmt.Sprintf(`{"occurredAt":"2025-04-04","keyRevoked":{"party":"plain-lab","keyId":"%s","compromisedSince":"%s","because":"earlier than was thought"}}`, envelope.KeyID(key.Public().(ed25519.PublicKey)), at(first))).ok(t)
	if dye, _ := verdicts(""); dye != "NOT_TESTED" {
		t.Errorf("from an earlier position on: dye %s", dye)
	}
	if dye, _ := verdicts("&knownAt=" + revoked.text(t, "position")); dye != "FOUND" {
		t.Errorf("as the first revocation said: dye %s", dye)
	}
	n.recordHolds(t, "plain-lab", "harrow-gully.s")
}

// Attempts to have something taken in another's name, or twice, or elsewhere; each ends with its reason and leaves the log as it was.
func TestForgedAndReplayed(t *testing.T) {
	n := minerNode(t, nil)
	n.enrol(t, "moor-shop", "RETAILER")
	miner, shop := n.partyKey(t, "harrow-gully", 3), n.partyKey(t, "moor-shop", 4)
	stranger := ed25519.NewKeyFromSeed([]byte(strings.Repeat("x", 32)))
	mined := `{"requestId":"11111111-2222-4333-8444-555555555501","lot":"harrow-gully.s","occurredAt":"2025-03-02","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE"},"pieces":10,"mass":"6.123 g"}}`
	n.signedBy(t, "moor-shop", "harrow-gully", miner, mined).ok(t)
	described := `{"lot":"harrow-gully.s","occurredAt":"2025-03-03","described":{"bodyColour":"white"}}`
	next := n.next()
	for name, c := range map[string]struct {
		brings, party string
		key           ed25519.PrivateKey
		body          string
		reason        string
	}{
		"a stranger's key":               {"harrow-gully", "harrow-gully", stranger, described, "UNKNOWN_KEY"},
		"another party's key":            {"harrow-gully", "harrow-gully", shop, described, "UNKNOWN_KEY"},
		"for another, by one's own key":  {"moor-shop", "harrow-gully", shop, described, "NOT_ALLOWED"},
		"another's lot, in one's name":   {"moor-shop", "moor-shop", shop, described, "NOT_HOLDER"},
		"a role that it does not have":   {"moor-shop", "moor-shop", shop, `{"lot":"moor-shop.s","occurredAt":"2025-03-02","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE"},"pieces":10,"mass":"6.123 g"}}`, "NOT_ALLOWED"},
		"an event of the directory":      {"moor-shop", "moor-shop", shop, `{"occurredAt":"2025-03-02","keyRevoked":{"party":"harrow-gully","keyId":"` + envelope.KeyID(miner.Public().(ed25519.PublicKey)) + `","because":"spite"}}`, "NOT_ALLOWED"},
		"an older revision":              {"harrow-gully", "harrow-gully", miner, `{"expectedRevision":1,"lot":"harrow-gully.s","occurredAt":"2025-03-03","described":{"bodyColour":"white"}}`, "ETAG_MISMATCH"},
		"the same id with other content": {"harrow-gully", "harrow-gully", miner, strings.Replace(mined, "6.123 g", "7.123 g", 1), "REQUEST_ID_REUSED"},
	} {
		if f := n.signedBy(t, c.brings, c.party, c.key, c.body).refusal(t); f.reason != c.reason {
			t.Errorf("%s: %+v, want %s", name, f, c.reason)
		}
	}
	if got := n.next(); got != next {
		t.Errorf("%d events were taken", got-next)
	}
	// The same again is the same event, whoever brings it.
	a := n.signedBy(t, "harrow-gully", "harrow-gully", miner, mined).ok(t)
	if got := n.next(); got != next || a.number(t, "results", 0, "position") >= int64(next) {
		t.Errorf("a repeat made %d events, at %s", got-next, a.raw)
	}
}

// History says whose keys signed for an event: the service's for one that came by token, the party's own, and a second party's that countersigned.
func TestWhoSigned(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	n.enrol(t, "harrow-gully", "MINER", "DEALER")
	key := n.partyKey(t, "harrow-gully", 'm')
	n.signedBy(t, "harrow-gully", "harrow-gully", key, strings.Replace(minedBody, "{", `{"lot":"harrow-gully.r1",`, 1)).ok(t)
	n.post(t, "harrow-gully", "harrow-gully.r1", described).ok(t)
	a := n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1/history?signers=true").ok(t)
	if by, id := a.text(t, "events", 0, "signedBy", 0, "party"), a.text(t, "events", 0, "signedBy", 0, "keyId"); by != "harrow-gully" || id != envelope.KeyID(key.Public().(ed25519.PublicKey)) {
		t.Errorf("%s %s", by, id)
	}
	if by := a.text(t, "events", 1, "signedBy", 0, "party"); by != "admin" || len(a.list(t, "events", 1, "signedBy")) != 1 {
		t.Errorf("%s", a.raw)
	}
}
