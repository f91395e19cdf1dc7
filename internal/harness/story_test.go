package harness_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
)

// teller posts a story's events and keeps their ids.
type teller struct {
	*node
	t *testing.T
}

// told posts an event and wants it taken; findings are the codes that judging is to notice, no more and no fewer.
func (s *teller) told(as, lot, body string, findings ...string) answer {
	s.t.Helper()
	a := s.post(s.t, as, lot, body)
	if a.code != 200 {
		s.t.Fatalf("%s on %s: %d %s", as, lot, a.code, a.raw)
	}
	var codes []string
	for i := range a.list(s.t, "findings") {
		codes = append(codes, a.text(s.t, "findings", i, "code"))
	}
	if !slices.Equal(codes, findings) {
		s.t.Errorf("%s on %s: findings %q, want %q: %s", as, lot, codes, findings, a.raw)
	}
	return a
}

func (s *teller) lot(as, lot string) answer {
	s.t.Helper()
	return s.get(s.t, as, "/v1/lots/"+lot).ok(s.t)
}

// texts gives one field of every entry of a list.
func texts(t *testing.T, a answer, list, field string) (out []string) {
	t.Helper()
	for i := range a.list(t, list) {
		out = append(out, a.text(t, list, i, field))
	}
	return out
}

func strs(list []any) (out []string) {
	for _, v := range list {
		out = append(out, asText(v))
	}
	return out
}

// is compares fields of an account: name, want, name, want.
func (s *teller) is(a answer, fields ...string) {
	s.t.Helper()
	for i := 0; i+1 < len(fields); i += 2 {
		if got := a.text(s.t, fields[i]); got != fields[i+1] {
			s.t.Errorf("%s is %q, want %q: %s", fields[i], got, fields[i+1], a.raw)
		}
	}
}

// TestStory follows one parcel from the mine to the shop, by six parties over REST alone, with a restart in the middle.
func TestStory(t *testing.T) {
	s := &teller{start(t, t.TempDir(), nil), t}
	for party, role := range map[string]string{
		"harrow-gully": "MINER", "brook-export": "EXPORTER", "ash-works": "TREATER", "north-bench": "LABORATORY", "lane-cutters": "CUTTER", "moor-shop": "RETAILER",
	} {
		s.enrol(t, party, role)
	}

	// The mine sells a parcel of rough; the exporter weighs a gram less.
	mined := s.told("harrow-gully", "harrow-gully.r7", `{"occurredAt":"2025-03-04T09:00:00Z","moisture":"DRY","remark":"from the second bench","mined":{
		"origin":{"country":"ET","region":"the high ground","deposit":"second bench","licence":"L-17"},"material":{"kind":"HYDROPHANE"},"pieces":400,"mass":"1.250 kg"}}`)
	s.is(s.lot("harrow-gully", "harrow-gully.r7"), "state", "OPEN", "owner", "harrow-gully", "holder", "harrow-gully", "pieces", "400", "mass", "1.250 kg", "massMicrograms", "1250000000",
		"revision", mined.text(t, "position"))
	sale := s.told("harrow-gully", "harrow-gully.r7", `{"occurredAt":"2025-03-10T09:00:00Z","sold":{"to":"brook-export","price":"ETB 900,000","claims":["NATURAL","ORIGIN:ET"]}}`)
	pending := s.lot("harrow-gully", "harrow-gully.r7")
	if pending.text(t, "pending", "to") != "brook-export" || pending.text(t, "pending", "event") != sale.text(t, "event") {
		t.Errorf("pending: %s", pending.raw)
	}
	s.told("brook-export", "harrow-gully.r7", `{"occurredAt":"2025-03-12T09:00:00Z","moisture":"DRY","received":{"pieces":400,"mass":"1.249 kg"}}`)
	s.is(s.lot("moor-shop", "harrow-gully.r7"), "owner", "brook-export", "holder", "brook-export", "mass", "1.249 kg", "massMicrograms", "1249000000")

	// The exporter parts it: some to be smoked, some to be tested, the rest stays.
	s.told("brook-export", "harrow-gully.r7", `{"occurredAt":"2025-03-14T09:00:00Z","moisture":"DRY","split":{"manner":"UNSORTED","rest":{"pieces":200,"mass":"624 g"},"children":[
		{"lot":"brook-export.dark","pieces":150,"mass":"468 g"},{"lot":"brook-export.pale","pieces":50,"mass":"157 g"}]}}`)
	parent := s.lot("brook-export", "harrow-gully.r7")
	s.is(parent, "state", "OPEN", "pieces", "200", "mass", "624 g", "childCount", "2")
	if got := strs(parent.list(t, "children")); !slices.Equal(got, []string{"brook-export.dark", "brook-export.pale"}) {
		t.Errorf("children %q", got)
	}
	s.told("brook-export", "brook-export.dark", `{"occurredAt":"2025-03-15T09:00:00Z","handedOver":{"to":"ash-works","purpose":"TREATMENT"}}`)
	s.told("ash-works", "brook-export.dark", `{"occurredAt":"2025-03-17T09:00:00Z","moisture":"DRY","received":{"pieces":150,"mass":"468 g"}}`)
	s.is(s.lot("brook-export", "brook-export.dark"), "owner", "brook-export", "holder", "ash-works", "purpose", "TREATMENT")
	s.told("ash-works", "brook-export.dark", `{"occurredAt":"2025-03-20T09:00:00Z","moisture":"DRY","treated":{"treatment":"SMOKE","medium":"paper","extent":"FULL","massBefore":"468 g","massAfter":"469 g"}}`)
	s.told("ash-works", "brook-export.dark", `{"occurredAt":"2025-03-22T09:00:00Z","handedOver":{"to":"brook-export","purpose":"RETURN"}}`)
	s.told("brook-export", "brook-export.dark", `{"occurredAt":"2025-03-24T09:00:00Z","moisture":"DRY","received":{"pieces":150,"mass":"469 g"}}`)
	s.told("brook-export", "brook-export.pale", `{"occurredAt":"2025-03-15T09:00:00Z","handedOver":{"to":"north-bench","purpose":"TESTING"}}`)
	s.told("north-bench", "brook-export.pale", `{"occurredAt":"2025-03-18T09:00:00Z","moisture":"DRY","received":{"pieces":50,"mass":"157 g"}}`)
	s.told("north-bench", "brook-export.pale", `{"occurredAt":"2025-03-19T09:00:00Z","tested":{"method":"MICROSCOPE","sample":{"kind":"WHOLE","tested":50,"of":50},"outcome":"NOTHING_SEEN","lookedFor":["DYE","SMOKE"],"identity":"NATURAL_OPAL","conditions":{"magnification":"40"}}}`)
	s.told("north-bench", "brook-export.pale", `{"occurredAt":"2025-03-21T09:00:00Z","handedOver":{"to":"brook-export","purpose":"RETURN"}}`)
	s.told("brook-export", "brook-export.pale", `{"occurredAt":"2025-03-25T09:00:00Z","moisture":"DRY","received":{"pieces":50,"mass":"157 g"}}`)

	// A node that was stopped and started answers as before.
	var asked []string
	for _, lot := range []string{"harrow-gully.r7", "brook-export.dark", "brook-export.pale"} {
		for _, of := range []string{"", "/history", "/lineage?descendants=100", "/status?asOf=2025-06-01", "/status?asOf=2025-03-16&knownAt=" + sale.text(t, "position")} {
			if lot == "harrow-gully.r7" || !strings.Contains(of, "knownAt") {
				asked = append(asked, "/v1/lots/"+lot+of)
			}
		}
	}
	asked = append(asked, "/v1/lots?holder=me", "/v1/stones/"+s.lot("brook-export", "brook-export.dark").text(t, "handle")+"?asOf=2025-06-01", "/v1/log")
	before := s.answers(asked)
	s.down(t)
	s.up(t)
	if after := s.answers(asked); !maps.Equal(after, before) {
		for path, was := range before {
			if after[path] != was {
				t.Errorf("after the restart %s answers\n%s\nbefore:\n%s", path, after[path], was)
			}
		}
	}

	// The cutter buys the smoked part and cuts it.
	unsupported := s.told("brook-export", "brook-export.dark", `{"occurredAt":"2025-04-01T09:00:00Z","sold":{"to":"lane-cutters","claims":["NATURAL","NO_DYE"]}}`)
	s.told("lane-cutters", "brook-export.dark", `{"occurredAt":"2025-04-03T09:00:00Z","moisture":"DRY","received":{"pieces":150,"mass":"469 g"}}`)
	s.told("lane-cutters", "brook-export.dark", `{"occurredAt":"2025-04-20T09:00:00Z","moisture":"DRY","cut":{"manner":"ROUGH_CUT","stones":[
		{"lot":"lane-cutters.s1","pieces":1,"mass":"3.42 ct","form":"CABOCHON","shape":"oval","dimensionsMm":[11.0,9.0,5.5]},
		{"lot":"lane-cutters.melee","pieces":120,"mass":"410.00 ct"}],"offcuts":[{"lot":"lane-cutters.off","mass":"60 g"}]}}`)
	s.is(s.lot("lane-cutters", "brook-export.dark"), "state", "CUT")
	stone := s.lot("lane-cutters", "lane-cutters.s1")
	s.is(stone, "state", "OPEN", "pieces", "1", "mass", "3.42 ct", "massMicrograms", "684000", "form", "CABOCHON", "owner", "lane-cutters") // 1 ct is 0.2 g

	// The shop buys a stone as untreated, which the record contradicts.
	contradicted := s.told("lane-cutters", "lane-cutters.s1", `{"occurredAt":"2025-05-01T09:00:00Z","sold":{"to":"moor-shop","price":"USD 380","claims":["UNTREATED"]}}`)
	s.told("moor-shop", "lane-cutters.s1", `{"occurredAt":"2025-05-04T09:00:00Z","moisture":"DRY","received":{"pieces":1,"mass":"3.42 ct"}}`)
	s.is(s.lot("harrow-gully", "lane-cutters.s1"), "owner", "moor-shop", "holder", "moor-shop")

	s.asksLikeAShop(stone.text(t, "handle"))
	s.privacy(mined, sale)

	// The sales' claims are judged once the log has them, and never refused.
	history := s.get(t, "moor-shop", "/v1/lots/lane-cutters.s1/history").ok(t)
	for event, code := range map[string]string{unsupported.text(t, "event"): "CLAIM_UNSUPPORTED", contradicted.text(t, "event"): "CLAIM_CONTRADICTED"} {
		found := false
		for i := range history.list(t, "events") {
			found = found || history.text(t, "events", i, "event") == event && history.text(t, "events", i, "findings", 0, "code") == code
		}
		if !found {
			t.Errorf("no %s at %s in %s", code, event, history.raw)
		}
	}
	for _, lot := range []string{"harrow-gully.r7", "brook-export.dark", "brook-export.pale", "lane-cutters.s1"} {
		s.recordHolds(t, "moor-shop", lot)
	}
}

// answers asks and gives the answers as text. What a party may see differs, so each is asked by the exporter.
func (s *teller) answers(paths []string) map[string]string {
	s.t.Helper()
	out := map[string]string{}
	for _, p := range paths {
		out[p] = fmt.Sprint(s.get(s.t, "brook-export", p).ok(s.t).value(s.t))
	}
	return out
}

// asksLikeAShop asks what the buyer of a stone wants to know.
func (s *teller) asksLikeAShop(handle string) {
	t := s.t
	t.Helper()
	status := s.get(t, "moor-shop", "/v1/lots/lane-cutters.s1/status").ok(t)
	for treatment, want := range map[string]string{"SMOKE": "DECLARED", "DYE": "NOT_TESTED", "HEAT": "UNDETERMINABLE"} {
		if v := verdict(t, status, treatment); v != want {
			t.Errorf("%s is %s, want %s", treatment, v, want)
		}
	}
	s.is(status, "overall", "DECLARED")
	if got := s.get(t, "moor-shop", "/v1/lots/brook-export.pale/status").ok(t); verdict(t, got, "SMOKE") != "OPEN" || verdict(t, got, "RESIN") != "NOT_TESTED" {
		t.Errorf("the tested part: %s", got.raw)
	}
	// Before the smoking nothing was declared, and the log knew of nothing.
	if got := s.get(t, "moor-shop", "/v1/lots/brook-export.dark/status?asOf=2025-03-19").ok(t); verdict(t, got, "SMOKE") != "NOT_TESTED" {
		t.Errorf("before the smoking: %s", got.raw)
	}
	// The sale's claim stands with what the record said then.
	if claim := []string{status.text(t, "sales", 0, "claims", 0, "claim"), status.text(t, "sales", 0, "party")}; len(status.list(t, "sales")) == 0 || claim[1] == "" {
		t.Errorf("no sales in %s", status.raw)
	}
	claims := s.do(t, call{method: "POST", path: "/v1/lots/lane-cutters.s1:checkClaims", as: "moor-shop", body: `{"claims":["UNTREATED","NO_DYE","ORIGIN:ET"]}`}).ok(t)
	if got := texts(t, claims, "results", "verdict"); !slices.Equal(got, []string{"CONTRADICTED", "UNSUPPORTED", "SUPPORTED"}) {
		t.Errorf("claims: %q in %s", got, claims.raw)
	}
	lineage := s.get(t, "moor-shop", "/v1/lots/lane-cutters.s1/lineage").ok(t)
	lots := texts(t, lineage, "lots", "lot")
	slices.Sort(lots)
	if want := []string{"brook-export.dark", "harrow-gully.r7", "lane-cutters.s1"}; !slices.Equal(lots, want) { // siblings never
		t.Errorf("lineage: %q, want %q", lots, want)
	}
	if edges := lineage.list(t, "edges"); len(edges) != 2 {
		t.Errorf("edges: %s", lineage.raw)
	}
	below := s.get(t, "moor-shop", "/v1/lots/harrow-gully.r7/lineage?descendants=3").ok(t)
	if len(below.list(t, "lots")) != 4 || below.text(t, "truncated") != "true" {
		t.Errorf("three descendants of more: %s", below.raw)
	}

	// By the handle, without a token and without private fields.
	public := s.get(t, "", "/v1/stones/"+handle).ok(t)
	s.is(public, "lot", "lane-cutters.s1", "mass", "3.42 ct", "originCountry", "ET", "overall", "DECLARED", "handle", handle)
	for _, private := range []string{"high ground", "second bench", "L-17", "900,000", "USD 380"} {
		if strings.Contains(string(public.raw), private) {
			t.Errorf("the public record has %q: %s", private, public.raw)
		}
	}
	further := s.do(t, call{method: "POST", path: "/v1/lots/lane-cutters.s1/handles", as: "moor-shop", body: `{}`}).ok(t).text(t, "handle")
	s.get(t, "", "/v1/stones/"+further).ok(t)
	s.do(t, call{method: "DELETE", path: "/v1/stones/" + further, as: "moor-shop"}).ok(t)
	if r := s.get(t, "", "/v1/stones/"+further).refusal(t); r.http != 404 || r.reason != "UNKNOWN_HANDLE" {
		t.Errorf("a revoked handle: %+v", r)
	}
}

// privacy compares what two parties see of the same history.
func (s *teller) privacy(mined, sale answer) {
	t := s.t
	t.Helper()
	history := func(as string) map[string]answer {
		a := s.get(t, as, "/v1/lots/lane-cutters.s1/history?pageSize=1000").ok(t)
		out := map[string]answer{}
		last := int64(-1)
		for i, e := range a.list(t, "events") {
			raw, err := json.Marshal(e)
			if err != nil {
				t.Fatal(err)
			}
			one := answer{code: 200, raw: raw}
			if at := one.number(t, "position"); at <= last {
				t.Errorf("event %d of the history is at %d, the one before at %d", i, at, last)
			} else {
				last = at
			}
			out[one.text(t, "event")] = one
		}
		return out
	}
	poster, other := history("harrow-gully"), history("moor-shop")
	if len(poster) != len(other) || len(poster) < 10 {
		t.Errorf("histories of %d and %d events", len(poster), len(other))
	}
	id := mined.text(t, "event")
	if p := poster[id]; p.text(t, "remark") != "from the second bench" || p.text(t, "mined", "origin", "region") != "the high ground" || len(p.list(t, "withheld")) != 0 {
		t.Errorf("the miner sees %s", p.raw)
	}
	o := other[id]
	withheld := strs(o.list(t, "withheld"))
	slices.Sort(withheld)
	if want := []string{"mined.origin.deposit", "mined.origin.licence", "mined.origin.region", "remark"}; !slices.Equal(withheld, want) {
		t.Errorf("withheld from the shop: %q, want %q", withheld, want)
	}
	if o.value(t, "remark") != nil || o.value(t, "mined", "origin", "region") != nil || o.text(t, "mined", "origin", "country") != "ET" || o.text(t, "mined", "mass") != "1.250 kg" {
		t.Errorf("the shop sees %s", o.raw)
	}
	id = sale.text(t, "event")
	if poster[id].text(t, "sold", "price") != "ETB 900,000" || other[id].value(t, "sold", "price") != nil || !slices.Contains(strs(other[id].list(t, "withheld")), "sold.price") {
		t.Errorf("the sale: the seller sees %s, the shop %s", poster[id].raw, other[id].raw)
	}
	// What happened to the parcel before the stone's part was taken off bears on it; what happened to other parts does not.
	for id, e := range other {
		if lot := e.text(t, "lot"); lot == "brook-export.pale" || lot == "lane-cutters.melee" {
			t.Errorf("event %s of %s stands in the stone's history", id, lot)
		}
	}
}

// TestSendingAgain: a request that is sent twice is one event, and an id is for one content.
func TestSendingAgain(t *testing.T) {
	n := minerNode(t, nil)
	path := "/v1/lots/harrow-gully.r1/events"
	for name, c := range map[string]call{
		"by request id":      {method: "POST", path: path, as: "harrow-gully", body: event(`{"occurredAt":"2025-04-01","remark":"twice","described":{"bodyColour":"milky"}}`)},
		"by Idempotency-Key": {method: "POST", path: path, as: "harrow-gully", body: `{"occurredAt":"2025-04-01","remark":"twice","described":{"bodyColour":"milky"}}`, header: map[string]string{"Idempotency-Key": newID()}},
	} {
		t.Run(name, func(t *testing.T) {
			first := n.do(t, c).ok(t)
			next := n.next()
			again := n.do(t, c).ok(t)
			if fmt.Sprint(again.value(t)) != fmt.Sprint(first.value(t)) || n.next() != next {
				t.Errorf("again: %s at %d, first: %s at %d", again.raw, n.next(), first.raw, next)
			}
			// JSON that is written otherwise is the same request.
			spaced := c
			spaced.body = strings.ReplaceAll(c.body, `":`, `" : `)
			if again := n.do(t, spaced).ok(t); again.text(t, "position") != first.text(t, "position") || n.next() != next {
				t.Errorf("spaced: %s", again.raw)
			}
			other := c
			other.body = strings.Replace(c.body, "milky", "grey", 1)
			if r := n.do(t, other).refusal(t); r.http != 409 || r.reason != "REQUEST_ID_REUSED" || n.next() != next {
				t.Errorf("other content: %+v at %d", r, n.next())
			}
			// A private value is content, too.
			other.body = strings.Replace(c.body, "twice", "thrice", 1)
			if r := n.do(t, other).refusal(t); r.http != 409 || r.reason != "REQUEST_ID_REUSED" || n.next() != next {
				t.Errorf("another remark: %+v at %d", r, n.next())
			}
		})
	}
	// After a restart as before.
	c := call{method: "POST", path: path, as: "harrow-gully", body: event(described)}
	first := n.do(t, c).ok(t)
	n.down(t)
	n.up(t)
	if again := n.do(t, c).ok(t); again.text(t, "position") != first.text(t, "position") {
		t.Errorf("after a restart: %s, first %s", again.raw, first.raw)
	}
	// A party that is enrolled twice is told so, even by the same request: the token is shown once.
	enrol := call{method: "POST", path: "/v1/parties", as: "admin", body: `{"party":"moor-shop","roles":["RETAILER"],"requestId":"` + newID() + `"}`}
	n.do(t, enrol).ok(t)
	if r := n.do(t, enrol).refusal(t); r.http != 409 || r.reason != "PARTY_EXISTS" {
		t.Errorf("enrolled twice: %+v", r)
	}
}

// TestRevisions: who acts on what it has read is told if that has changed.
func TestRevisions(t *testing.T) {
	n := minerNode(t, nil)
	account := func() answer { return n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t) }
	a := account()
	tag := a.header.Get("ETag")
	if tag != `"`+a.text(t, "revision")+`"` {
		t.Fatalf("ETag %s, revision %s", tag, a.text(t, "revision"))
	}
	if r := n.do(t, call{method: "GET", path: "/v1/lots/harrow-gully.r1", as: "harrow-gully", header: map[string]string{"If-None-Match": tag}}); r.code != 304 || len(r.raw) != 0 {
		t.Errorf("nothing new: %d %s", r.code, r.raw)
	}
	path := "/v1/lots/harrow-gully.r1/events"
	ifMatch := func(tag string) answer {
		return n.do(t, call{method: "POST", path: path, as: "harrow-gully", body: event(described), header: map[string]string{"If-Match": tag}})
	}
	posted := ifMatch(tag).ok(t)
	if now := account(); now.text(t, "revision") != posted.text(t, "position") || now.header.Get("ETag") == tag {
		t.Errorf("after the event: revision %s, ETag %s", now.text(t, "revision"), now.header.Get("ETag"))
	}
	if r := ifMatch(tag).refusal(t); r.http != 412 || r.reason != "ETAG_MISMATCH" {
		t.Errorf("an older tag: %+v", r)
	}
	revision := a.text(t, "revision")
	if r := n.post(t, "harrow-gully", "harrow-gully.r1", `{"expectedRevision":`+revision+`,"occurredAt":"2025-04-01","described":{"bodyColour":"grey"}}`).refusal(t); r.http != 409 || r.reason != "ETAG_MISMATCH" {
		t.Errorf("an older revision: %+v", r)
	}
	n.post(t, "harrow-gully", "harrow-gully.r1", `{"expectedRevision":"`+posted.text(t, "position")+`","occurredAt":"2025-04-01","described":{"bodyColour":"grey"}}`).ok(t)
	for _, bad := range []string{"7", `W/"7"`, "*", `"7", "8"`, `"x"`, `"-1"`} {
		if r := ifMatch(bad).refusal(t); r.http != 400 || r.reason != "INVALID_FIELD" || r.field != "If-Match" {
			t.Errorf("If-Match %s: %+v", bad, r)
		}
	}
}

// TestLists: pages of lots are pinned to the position of the first.
func TestLists(t *testing.T) {
	n := minerNode(t, nil)
	for i := range 9 {
		n.post(t, "harrow-gully", fmt.Sprintf("harrow-gully.l%d", i), minedMore).ok(t)
	}
	n.enrol(t, "moor-shop", "RETAILER")
	var got []string
	for token, pages := "", 0; ; pages++ {
		path := "/v1/lots?holder=me&pageSize=4"
		if token != "" {
			path += "&pageToken=" + token
		}
		a := n.get(t, "harrow-gully", path).ok(t)
		got = append(got, texts(t, a, "lots", "lot")...)
		if len(a.list(t, "lots")) > 4 {
			t.Errorf("a page of %d", len(a.list(t, "lots")))
		}
		if pages == 0 { // lots that are opened meanwhile are left out, wherever in the order they would stand
			n.post(t, "harrow-gully", "harrow-gully.a0", minedMore).ok(t)
			n.post(t, "harrow-gully", "harrow-gully.z9", minedMore).ok(t)
			if r := n.get(t, "moor-shop", path+"&pageToken="+a.text(t, "nextPageToken")).refusal(t); r.reason != "INVALID_FIELD" || r.field != "pageToken" {
				t.Errorf("another's page token: %+v", r)
			}
		}
		if token = a.text(t, "nextPageToken"); token == "" {
			break
		}
	}
	want := []string{"harrow-gully.r1"}
	for i := range 9 {
		want = append(want, fmt.Sprintf("harrow-gully.l%d", i))
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("pages list %q, want %q", got, want)
	}
	// Who has nothing to do with a lot does not see it in a list.
	if a := n.get(t, "moor-shop", "/v1/lots").ok(t); len(a.list(t, "lots")) != 0 {
		t.Errorf("the shop lists %s", a.raw)
	}
	n.post(t, "harrow-gully", "harrow-gully.l0", `{"occurredAt":"2025-04-01","treated":{"treatment":"DYE"}}`).ok(t)
	a := n.get(t, "harrow-gully", "/v1/lots?holder=me&verdict=DYE:DECLARED").ok(t)
	if got := texts(t, a, "lots", "lot"); !slices.Equal(got, []string{"harrow-gully.l0"}) {
		t.Errorf("dyed: %q", got)
	}
}
