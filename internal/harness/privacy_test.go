package harness_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/cockroachdb/pebble/v2"

	"github.com/lotpaper/lotpaper/internal/harness"
)

// A private value is its poster's alone, until the poster shows it to somebody, and nobody's once it was erased.
func TestPrivateValuesOverREST(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	n.enrol(t, "harrow-gully", "MINER", "DEALER")
	n.enrol(t, "third-drawer", "DEALER")
	n.enrol(t, "corner-lantern", "RETAILER")
	body := `{"occurredAt":"2025-03-04","remark":"from the wet corner","mined":{"origin":{"country":"AU","region":"far north","deposit":"lower level"},"material":{"kind":"HYDROPHANE"},"pieces":4,"mass":"12.0 g"}}`
	event := n.post(t, "harrow-gully", "harrow-gully.r1", body).ok(t).text(t, "event")
	type sight struct{ remark, region, withheld, erased string }
	see := func(as string) sight {
		t.Helper()
		a := n.get(t, as, "/v1/lots/harrow-gully.r1/history").ok(t)
		text := func(v any) string { return strings.Trim(fmt.Sprint(v), "[]") }
		return sight{a.text(t, "events", 0, "remark"), a.text(t, "events", 0, "mined", "origin", "region"), text(a.list(t, "events", 0, "withheld")), text(a.list(t, "events", 0, "erased"))}
	}
	want := func(as string, w sight) {
		t.Helper()
		if got := see(as); got != w {
			t.Errorf("%s sees %+v, want %+v", as, got, w)
		}
	}
	all := "remark mined.origin.region mined.origin.deposit"
	want("harrow-gully", sight{"from the wet corner", "far north", "", ""})
	want("third-drawer", sight{"", "", all, ""})
	reveal := func(as, body string) answer {
		t.Helper()
		return n.do(t, call{method: "POST", path: "/v1/events/" + event + ":reveal", as: as, body: body})
	}
	erase := func(as, body string) answer {
		t.Helper()
		return n.do(t, call{method: "POST", path: "/v1/events/" + event + ":erase", as: as, body: body})
	}
	region := `{"path":"mined.origin.region","to":"third-drawer"}`
	if a := reveal("harrow-gully", region).ok(t); a.text(t, "path") != "mined.origin.region" || a.text(t, "to") != "third-drawer" || a.text(t, "event") != event {
		t.Errorf("%s", a.raw)
	}
	want("third-drawer", sight{"", "far north", "remark mined.origin.deposit", ""})
	want("corner-lantern", sight{"", "", all, ""})

	unknown := strings.Replace(event, event[len(event)-6:], "abcdef", 1)
	for name, c := range map[string]struct {
		answer        answer
		code          int
		reason, field string
	}{
		"another's event shown":     {reveal("third-drawer", region), 403, "NOT_YOUR_EVENT", "event"},
		"by the admin":              {reveal("admin", region), 403, "NOT_YOUR_EVENT", "event"},
		"without a token":           {reveal("", region), 401, "NO_TOKEN", ""},
		"to nobody":                 {reveal("harrow-gully", `{"path":"remark","to":"no-such"}`), 400, "UNKNOWN_PARTY", "to"},
		"to the admin":              {reveal("harrow-gully", `{"path":"remark","to":"admin"}`), 400, "UNKNOWN_PARTY", "to"},
		"no private value":          {reveal("harrow-gully", `{"path":"mined.mass","to":"third-drawer"}`), 400, "INVALID_FIELD", "path"},
		"an unknown field":          {reveal("harrow-gully", `{"field":"remark","to":"third-drawer"}`), 400, "INVALID_FIELD", "field"},
		"an unknown event":          {n.do(t, call{method: "POST", path: "/v1/events/" + unknown + ":reveal", as: "harrow-gully", body: region}), 404, "UNKNOWN_EVENT", "event"},
		"no event's id":             {n.do(t, call{method: "POST", path: "/v1/events/harrow-gully/x:reveal", as: "harrow-gully", body: region}), 404, "UNKNOWN_EVENT", "event"},
		"another's event erased":    {erase("third-drawer", `{"all":true}`), 403, "NOT_YOUR_EVENT", "event"},
		"what is erased, not named": {erase("harrow-gully", `{}`), 400, "INVALID_FIELD", "paths"},
		"named and all":             {erase("harrow-gully", `{"all":true,"paths":["remark"]}`), 400, "INVALID_FIELD", "paths"},
		"no private value erased":   {erase("harrow-gully", `{"paths":["remark","price"]}`), 400, "INVALID_FIELD", "paths[1]"},
		"another method":            {n.do(t, call{method: "GET", path: "/v1/events/" + event + ":erase", as: "harrow-gully"}), 405, "METHOD_NOT_ALLOWED", ""},
	} {
		if f := c.answer.refusal(t); c.answer.code != c.code || f.reason != c.reason || c.field != "" && f.field != c.field || strings.Contains(f.message, "wet corner") {
			t.Errorf("%s: %d %+v, want %d %s in %s", name, c.answer.code, f, c.code, c.reason, c.field)
		}
	}
	want("harrow-gully", sight{"from the wet corner", "far north", "", ""})

	erase("harrow-gully", `{"paths":["mined.origin.region"]}`).ok(t)
	want("third-drawer", sight{"", "", "remark mined.origin.deposit", "mined.origin.region"})
	want("harrow-gully", sight{"from the wet corner", "", "", "mined.origin.region"})
	if a := reveal("harrow-gully", region); a.code != 400 || !strings.Contains(string(a.raw), "was erased") {
		t.Errorf("%d %s", a.code, a.raw)
	}
	// The same event, posted again, is the same event, and nothing comes back.
	id := event[strings.Index(event, "/")+1:]
	n.post(t, "harrow-gully", "harrow-gully.r1", strings.Replace(body, "{", `{"requestId":"`+id+`",`, 1)).ok(t)
	want("harrow-gully", sight{"from the wet corner", "", "", "mined.origin.region"})
	if a := erase("admin", `{"all":true}`).ok(t); len(a.list(t, "erased")) != 3 {
		t.Errorf("%s", a.raw)
	}
	n.down(t)
	n.up(t)
	want("harrow-gully", sight{"", "", "", all})
	// The stone's record goes on as if nothing had been.
	n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1/status").ok(t)
	n.down(t)
	if at := fsck(t, n.cfg.DataDir); at == 0 {
		t.Error("fsck found nothing")
	}
}

// Handles cannot be tried out: one address gets so many answers and no more without a token, whatever it says of where it comes from. Who has a token is not held up.
func TestHandlesCannotBeTriedOut(t *testing.T) {
	n := minerNode(t, nil)
	handle := n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1").ok(t).text(t, "handle")
	n.do(t, call{method: "GET", path: "/v1/stones/" + handle}).ok(t)
	refused := answer{}
	for i := range 400 {
		a := n.do(t, call{method: "GET", path: "/v1/stones/aaaaaaaaaaaaaaaaaaaaaaaaaa", header: map[string]string{"X-Forwarded-For": fmt.Sprintf("192.0.2.%d", i%250)}})
		if a.code == 429 {
			refused = a
			break
		}
		if a.code != 404 {
			t.Fatalf("%d %s", a.code, a.raw)
		}
	}
	if refused.code != 429 || refused.header.Get("Retry-After") == "" || refused.refusal(t).reason != "RATE_LIMITED" {
		t.Fatalf("%d %v", refused.code, refused.header)
	}
	if a := n.do(t, call{method: "GET", path: "/v1/stones/" + handle}); a.code != 429 {
		t.Errorf("a good handle from the same address: %d", a.code)
	}
	for range 50 {
		n.get(t, "harrow-gully", "/v1/stones/"+handle).ok(t)
	}
}

// logged collects what a node logs.
type logged struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

// Planted private values are found nowhere: not in the answers that others get, not in the record of a lot, not in log lines, not in the journal, and in no record of any store as
// it is read, nor in any file as it lies on the disk.
func TestPlantedValuesStayHidden(t *testing.T) {
	log := &logged{}
	n := start(t, t.TempDir(), func(c *harness.Config) {
		c.Logger = slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	var planted []string
	plant := func(what string) string {
		v := fmt.Sprintf("planted-%s-%d", what, len(planted))
		planted = append(planted, v)
		return v
	}
	n.tokens["harrow-gully"] = n.do(t, call{method: "POST", path: "/v1/parties", as: "admin",
		body: `{"party":"harrow-gully","roles":["MINER","DEALER"],"displayName":"` + plant("name") + `","contact":"` + plant("contact") + `"}`}).ok(t).text(t, "token")
	n.enrol(t, "third-drawer", "DEALER")
	n.enrol(t, "corner-lantern", "RETAILER")
	for i := range 40 {
		lot := fmt.Sprintf("harrow-gully.r%d", i)
		n.post(t, "harrow-gully", lot, fmt.Sprintf(
			`{"occurredAt":"2025-03-04","remark":%q,"mined":{"origin":{"country":"AU","region":%q,"deposit":%q,"licence":%q},"material":{"kind":"HYDROPHANE"},"pieces":4,"mass":"12.0 g"}}`,
			plant("remark"), plant("region"), plant("deposit"), plant("licence"))).ok(t)
		n.post(t, "third-drawer", fmt.Sprintf("third-drawer.a%d", i), fmt.Sprintf(
			`{"occurredAt":"2025-03-04","acquired":{"from":%q,"material":{"kind":"HYDROPHANE"},"pieces":4,"mass":"12.0 g"}}`, plant("from"))).ok(t)
		n.post(t, "harrow-gully", lot, fmt.Sprintf(`{"occurredAt":"2025-03-05","sold":{"to":"third-drawer","price":%q}}`, plant("price"))).ok(t)
		// What is refused leaves nothing in sight either.
		n.do(t, call{method: "POST", path: "/v1/lots/" + lot + "/events", as: "harrow-gully",
			body: fmt.Sprintf(`{"occurredAt":"2025-03-05","remark":%q,"treated":{"treatment":"PAINT"}}`, plant("refused"))})
	}
	// A value that was shown to one party is hidden from the others.
	first := n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r0/history").ok(t).text(t, "events", 0, "event")
	n.do(t, call{method: "POST", path: "/v1/events/" + first + ":reveal", as: "harrow-gully", body: `{"path":"remark","to":"third-drawer"}`}).ok(t)

	look := func(where string, data []byte) {
		t.Helper()
		for _, v := range planted {
			if bytes.Contains(data, []byte(v)) {
				t.Errorf("%s holds %q", where, v)
				return
			}
		}
	}
	handle := n.get(t, "corner-lantern", "/v1/lots/harrow-gully.r0").ok(t).text(t, "handle")
	for i := range 3 {
		for _, path := range []string{"", "/history", "/status", "/lineage", "/nextTests", "/disclosure?market=US", "/proof"} {
			look(path, n.get(t, "corner-lantern", fmt.Sprintf("/v1/lots/harrow-gully.r%d%s", i, path)).ok(t).raw)
		}
	}
	for _, path := range []string{"/v1/stones/" + handle, "/log/checkpoint", "/log/tile/entries/000.p/100", "/log/tile/0/000.p/100", "/v1/log"} {
		look(path, n.do(t, call{method: "GET", path: path}).ok(t).raw)
	}
	if own := n.get(t, "harrow-gully", "/v1/lots/harrow-gully.r1/history").ok(t); !bytes.Contains(own.raw, []byte("planted-remark")) {
		t.Error("the poster does not see its own")
	}
	n.down(t)
	look("the node's log", log.buf.Bytes())
	files := 0
	err := filepath.WalkDir(n.cfg.DataDir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		data, err := os.ReadFile(path)
		files++
		look(path, data)
		return err
	})
	if err != nil || files < 10 {
		t.Errorf("%d files, %v", files, err)
	}
	stores := 0
	list, err := os.ReadDir(n.cfg.DataDir)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range list {
		if name := d.Name(); name == "log" || name == "openings" || strings.HasPrefix(name, "status-") {
			stores++
			records := 0
			eachRecord(t, filepath.Join(n.cfg.DataDir, name), func(key, value []byte) {
				records++
				look("a record of "+name, slices.Concat(key, value))
			})
			if records == 0 {
				t.Errorf("%s is empty", name)
			}
		}
	}
	if stores != 3 {
		t.Errorf("%d stores", stores)
	}
}

// eachRecord reads a store that nobody has open.
func eachRecord(t *testing.T, dir string, f func(key, value []byte)) {
	t.Helper()
	db, err := pebble.Open(dir, &pebble.Options{ReadOnly: true, Logger: quiet{}})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	it, err := db.NewIter(nil)
	if err != nil {
		t.Fatal(err)
	}
	for ok := it.First(); ok; ok = it.Next() {
		f(it.Key(), it.Value())
	}
	if err := it.Close(); err != nil {
		t.Fatal(err)
	}
}

type quiet struct{}

func (quiet) Infof(string, ...any)  {}
func (quiet) Errorf(string, ...any) {}
func (quiet) Fatalf(format string, args ...any) {
	panic(fmt.Sprintf(format, args...))
}
