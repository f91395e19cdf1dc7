package harness_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/bundle"
)

// Whoever has a stone's handle reads its events, what must be told of it, its pictures and its whole record, without a token and without a private value.
func TestStoneByHandle(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	n.enrol(t, "harrow-gully", "MINER", "DEALER")
	n.post(t, "harrow-gully", "harrow-gully.r1", `{"occurredAt":"2025-03-04","remark":"planted in the remark","mined":{"origin":{"country":"AU","region":"planted in the region"},"material":{"kind":"HYDROPHANE"},"pieces":1,"mass":"12.0 g"}}`).ok(t)
	picture := func(seed string) string {
		return n.upload(t, "harrow-gully", "image/png", "\x89PNG\r\n\x1a\n"+seed).ok(t).text(t, "sha256")
	}
	withPicture := func(body, hash string) string {
		return n.post(t, "harrow-gully", "harrow-gully.r1", strings.Replace(body, "{", `{"attachments":[{"sha256":"`+hash+`","mediaType":"image/png"}],`, 1)).ok(t).text(t, "event")
	}
	ofRough, taken, ofTest := picture("rough"), picture("taken back"), picture("through the microscope")
	withPicture(described, ofRough)
	back := withPicture(described, taken)
	withPicture(`{"occurredAt":"2025-04-02","tested":{"method":"MICROSCOPE","outcome":"NOTHING_SEEN","lookedFor":["SMOKE"],"sample":{"kind":"WHOLE"}}}`, ofTest)
	n.post(t, "harrow-gully", "harrow-gully.r1", `{"occurredAt":"2025-04-03","withdrawn":{"event":"`+back+`","because":"another stone"}}`).ok(t)
	account := n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t)
	at := "/v1/stones/" + account.text(t, "handle")

	stone := n.get(t, "", at).ok(t)
	if got := fmt.Sprint(stone.list(t, "pictures")); got != fmt.Sprintf("[map[mediaType:image/png sha256:%s]]", ofRough) {
		t.Errorf("pictures are %s", got)
	}
	a := n.get(t, "", at+"/pictures/"+ofRough).ok(t)
	if string(a.raw) != "\x89PNG\r\n\x1a\nrough" || a.header.Get("Content-Type") != "image/png" || !strings.HasPrefix(a.header.Get("Content-Disposition"), "inline") ||
		a.header.Get("Content-Security-Policy") != "default-src 'none'; sandbox" {
		t.Errorf("%q, %v", a.raw, a.header)
	}
	for name, hash := range map[string]string{"of a withdrawn event": taken, "of a test": ofTest, "unknown": strings.Repeat("0", 64)} {
		if f := n.get(t, "", at+"/pictures/"+hash).refusal(t); f.http != 404 || f.reason != "UNKNOWN_ATTACHMENT" {
			t.Errorf("a picture %s: %+v", name, f)
		}
	}
	history := n.get(t, "", at+"/history?pageSize=3").ok(t)
	if events := history.list(t, "events"); len(events) != 3 || history.text(t, "events", 0, "mined", "mass") != "12.0 g" || history.text(t, "nextPageToken") == "" {
		t.Errorf("%s", history.raw)
	}
	rest := n.get(t, "", at+"/history?pageSize=3&pageToken="+history.text(t, "nextPageToken")).ok(t)
	if events := rest.list(t, "events"); len(events) != 2 || rest.text(t, "nextPageToken") != "" {
		t.Errorf("%s", rest.raw)
	}
	if got := fmt.Sprint(history.list(t, "events", 0, "withheld")); got != "[remark mined.origin.region]" {
		t.Errorf("withheld is %s", got)
	}
	told := n.get(t, "", at+"/disclosure?market=AU").ok(t)
	if told.text(t, "lot") != "harrow-gully.r1" || len(told.list(t, "care")) == 0 || len(told.list(t, "notes")) != 2 {
		t.Errorf("%s", told.raw)
	}
	if f := n.get(t, "", at+"/disclosure").refusal(t); f.http != 400 || f.field != "market" {
		t.Errorf("no market: %+v", f)
	}
	record := n.get(t, "", at+"/proof").ok(t)
	c, err := bundle.Check(record.raw, "")
	if err != nil || c.Lot != "harrow-gully.r1" {
		t.Errorf("the record: %v, %v", c, err)
	}
	for name, a := range map[string]answer{"stone": stone, "history": history, "disclosure": told, "record": record} {
		if strings.Contains(string(a.raw), "planted") {
			t.Errorf("the %s has a private value in it", name)
		}
	}

	n.do(t, call{method: "DELETE", path: at, as: "harrow-gully"}).ok(t)
	for _, path := range []string{"", "/history", "/disclosure?market=AU", "/proof", "/pictures/" + ofRough} {
		for what, handle := range map[string]string{"revoked": at, "made up": "/v1/stones/aaaaaaaaaaaaaaaaaaaaaaaaaa", "no handle": "/v1/stones/x"} {
			if f := n.get(t, "", handle+path).refusal(t); f.http != 404 || f.reason != "UNKNOWN_HANDLE" {
				t.Errorf("%s%s: %+v", what, path, f)
			}
		}
	}
}
