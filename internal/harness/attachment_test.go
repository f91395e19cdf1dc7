package harness_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/spectrum/synth"
)

func hexSum(s string) string {
	h := sha256.Sum256([]byte(s))
	return hex.EncodeToString(h[:])
}

func (n *node) upload(t *testing.T, as, media, content string) answer {
	t.Helper()
	return n.do(t, call{method: "POST", path: "/v1/attachments", as: as, body: content, header: map[string]string{"Content-Type": media}})
}

// stored lists the files of a node's store.
func (n *node) stored(t *testing.T) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(n.cfg.DataDir, "attachments", "*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestAttachmentsOverREST(t *testing.T) {
	n := minerNode(t, nil)
	content := "##TITLE=made\n" + strings.Repeat("$$ a remark\n", 200_000) // 2.4 MB: more than any other body may have
	hash := hexSum(content)
	a := n.upload(t, "harrow-gully", "chemical/x-jcamp-dx", content).ok(t)
	if want := fmt.Sprintf(`{"sha256":"%s","mediaType":"chemical/x-jcamp-dx","size":%d,"known":false}`, hash, len(content)); strings.TrimSpace(string(a.raw)) != want {
		t.Errorf("%s, want %s", a.raw, want)
	}
	if a := n.upload(t, "harrow-gully", "chemical/x-jcamp-dx", content).ok(t); !strings.Contains(string(a.raw), `"known":true`) {
		t.Errorf("again: %s", a.raw)
	}
	a = n.get(t, "harrow-gully", "/v1/attachments/"+hash).ok(t)
	if string(a.raw) != content {
		t.Errorf("%d bytes came back", len(a.raw))
	}
	for name, want := range map[string]string{
		"Content-Type": "chemical/x-jcamp-dx", "Content-Disposition": `attachment; filename="` + hash + `.jdx"`, "X-Content-Type-Options": "nosniff",
		"Content-Security-Policy": "default-src 'none'; sandbox", "Cache-Control": "private, max-age=31536000, immutable", "Content-Length": fmt.Sprint(len(content)),
		"ETag": `"` + hash + `"`, "Accept-Ranges": "none", "Cross-Origin-Resource-Policy": "same-origin",
	} {
		if got := a.header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if a := n.do(t, call{method: "HEAD", path: "/v1/attachments/" + hash, as: "harrow-gully"}); a.code != 200 || len(a.raw) != 0 || a.header.Get("Content-Length") != fmt.Sprint(len(content)) {
		t.Errorf("HEAD: %d, %d bytes", a.code, len(a.raw))
	}
	digest := func(of string) string {
		h := sha256.Sum256([]byte(of))
		return "sha-256=:" + base64.StdEncoding.EncodeToString(h[:]) + ":"
	}
	for name, c := range map[string]struct {
		digest string
		code   int
		field  string
		says   string
	}{
		"the digest":          {digest: digest(content), code: 200},
		"beside another kind": {digest: "sha-512=:AAAA:, " + digest(content), code: 200},
		"of another file":     {digest: digest("other"), code: 400, field: "sha256", says: "found " + hexSum("other") + ", and what arrived is a file whose SHA-256 is " + hash},
		"of another kind":     {digest: "md5=:AAAA:", code: 400, field: "Content-Digest", says: `found "md5=:AAAA:", accepted is sha-256=:the hash in base64:`},
		"too short":           {digest: "sha-256=:AAAA:", code: 400, field: "Content-Digest", says: "accepted is"},
		"no bytes":            {digest: "sha-256=" + hash, code: 400, field: "Content-Digest", says: "accepted is"},
		"a colon":             {digest: "sha-256=:", code: 400, field: "Content-Digest", says: "accepted is"},
		"empty":               {digest: "", code: 400, field: "Content-Digest", says: `found ""`},
	} {
		a := n.do(t, call{method: "POST", path: "/v1/attachments", as: "harrow-gully", body: content, header: map[string]string{"Content-Type": "chemical/x-jcamp-dx", "Content-Digest": c.digest}})
		if c.code == 200 {
			a.ok(t)
		} else if f := a.refusal(t); a.code != c.code || f.field != c.field || !strings.Contains(f.message, c.says) {
			t.Errorf("%s: %d %+v, want %q %q", name, a.code, f, c.field, c.says)
		}
	}
	tag := `"` + hash + `"`
	for name, c := range map[string]struct {
		method, path, known string
		code                int
	}{
		"the tag":           {"GET", hash, tag, 304},
		"for HEAD":          {"HEAD", hash, tag, 304},
		"weak, in a list":   {"GET", hash, `"other", W/` + tag, 304},
		"any":               {"GET", hash, "*", 304},
		"in large letters":  {"GET", strings.ToUpper(hash), tag, 304},
		"another tag":       {"GET", hash, `"` + strings.Repeat("0", 64) + `"`, 200},
		"of what is absent": {"GET", strings.Repeat("0", 64), `"` + strings.Repeat("0", 64) + `"`, 404},
	} {
		a := n.do(t, call{method: c.method, path: "/v1/attachments/" + c.path, as: "harrow-gully", header: map[string]string{"If-None-Match": c.known}})
		if a.code != c.code || c.code == 304 && (len(a.raw) != 0 || a.header.Get("ETag") != tag || a.header.Get("Cache-Control") == "" || a.header.Get("Content-Type") != "") || c.code == 200 && string(a.raw) != content {
			t.Errorf("%s: %d, %d bytes, %v", name, a.code, len(a.raw), a.header)
		}
	}
	if a := n.do(t, call{method: "GET", path: "/v1/attachments/" + hash, header: map[string]string{"If-None-Match": tag}}); a.code != 401 {
		t.Errorf("the tag without a token: %d", a.code)
	}
	for name, c := range map[string]struct {
		call   call
		code   int
		reason string
		field  string
		says   string
	}{
		"without a token":      {call{method: "POST", path: "/v1/attachments", body: "x", header: map[string]string{"Content-Type": "text/plain"}}, 401, "NO_TOKEN", "", "no token"},
		"to read without one":  {call{method: "GET", path: "/v1/attachments/" + hash}, 401, "NO_TOKEN", "", "no token"},
		"too large":            {call{method: "POST", path: "/v1/attachments", as: "harrow-gully", body: strings.Repeat("a", attachment.MaxBytes+1), header: map[string]string{"Content-Type": "text/plain"}}, 413, "TOO_LARGE", "", "found a file of 16777217 bytes, accepted are at most 16777216"},
		"no type":              {call{method: "POST", path: "/v1/attachments", as: "harrow-gully", body: "x"}, 400, "INVALID_FIELD", "Content-Type", "found nothing, accepted is the file's media type"},
		"a page":               {call{method: "POST", path: "/v1/attachments", as: "harrow-gully", body: "<html>", header: map[string]string{"Content-Type": "text/html"}}, 400, "INVALID_FIELD", "mediaType", "text/html"},
		"of another type":      {call{method: "POST", path: "/v1/attachments", as: "harrow-gully", body: strings.Repeat("x", 500_000), header: map[string]string{"Content-Type": "image/png"}}, 400, "INVALID_FIELD", "mediaType", "by its beginning is text/plain"},
		"empty":                {call{method: "POST", path: "/v1/attachments", as: "harrow-gully", header: map[string]string{"Content-Type": "text/plain"}}, 400, "INVALID_FIELD", "", "an empty file"},
		"a query":              {call{method: "POST", path: "/v1/attachments?name=x", as: "harrow-gully", body: "x", header: map[string]string{"Content-Type": "text/plain"}}, 400, "INVALID_FIELD", "name", "accepted are none with POST"},
		"another method":       {call{method: "PUT", path: "/v1/attachments", as: "harrow-gully"}, 405, "METHOD_NOT_ALLOWED", "", "POST"},
		"another method there": {call{method: "DELETE", path: "/v1/attachments/" + hash, as: "harrow-gully"}, 405, "METHOD_NOT_ALLOWED", "", "GET, HEAD"},
		"no hash":              {call{method: "GET", path: "/v1/attachments/abc", as: "harrow-gully"}, 400, "INVALID_FIELD", "sha256", "64 hexadecimal digits"},
		"unknown":              {call{method: "GET", path: "/v1/attachments/" + strings.Repeat("0", 64), as: "harrow-gully"}, 404, "UNKNOWN_ATTACHMENT", "sha256", "no file of that hash"},
		"a way out":            {call{method: "GET", path: "/v1/attachments/..%2f..%2fadmin-token", as: "harrow-gully"}, 400, "INVALID_FIELD", "sha256", "64 hexadecimal digits"},
	} {
		a := n.do(t, c.call)
		f := a.refusal(t)
		if a.code != c.code || string(f.reason) != c.reason || f.field != c.field || !strings.Contains(f.message, c.says) {
			t.Errorf("%s: %d %+v, want %d %s %q %q", name, a.code, f, c.code, c.reason, c.field, c.says)
		}
	}
	if list := n.stored(t); len(list) != 1 {
		t.Errorf("stored: %q", list)
	}
}

// An upload that breaks off in the middle stores nothing.
func TestAnUploadThatBreaksOff(t *testing.T) {
	n := minerNode(t, nil)
	conn, err := net.Dial("tcp", n.HTTPAddr())
	if err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(conn, "POST /v1/attachments HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Type: text/plain\r\nContent-Length: 1000000\r\n\r\n%s", n.tokens["harrow-gully"], strings.Repeat("a", 300_000))
	if err := conn.Close(); err != nil {
		t.Fatal(err)
	}
	stream, err := n.attachments().PutAttachment(n.with(t.Context(), "harrow-gully"))
	if err != nil {
		t.Fatal(err)
	}
	err = errors.Join(stream.Send(&pb.PutAttachmentRequest{MediaType: proto.String("text/plain"), Chunk: []byte("half")}), stream.Send(&pb.PutAttachmentRequest{MediaType: proto.String("text/csv")}))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.CloseAndRecv(); err == nil || !strings.Contains(err.Error(), "in the first alone") {
		t.Errorf("a second beginning: %v", err)
	}
	deadline := time.Now().Add(10 * time.Second)
	for {
		left, err := os.ReadDir(filepath.Join(n.cfg.DataDir, "attachments", "incoming"))
		if err != nil {
			t.Fatal(err)
		}
		if len(left) == 0 && len(n.stored(t)) == 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("left %v, stored %q", left, n.stored(t))
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// Over gRPC in pieces, with the hash that it must have; a damaged file is not given out, and is mended by being put again.
func TestAttachmentsOverGRPC(t *testing.T) {
	n := minerNode(t, nil)
	ctx := n.with(t.Context(), "harrow-gully")
	put := func(first *pb.PutAttachmentRequest, chunks ...string) (*pb.PutAttachmentResponse, error) {
		stream, err := n.attachments().PutAttachment(ctx)
		if err != nil {
			return nil, err
		}
		if err := stream.Send(first); err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		for _, c := range chunks {
			if err := stream.Send(&pb.PutAttachmentRequest{Chunk: []byte(c)}); err != nil {
				break
			}
		}
		return stream.CloseAndRecv()
	}
	want := hexSum("minutes,mass\n10,3.42\n")
	out, err := put(&pb.PutAttachmentRequest{MediaType: proto.String("text/csv"), Sha256: &want}, "minutes,", "mass\n10,", "3.42\n")
	if err != nil || out.GetSha256() != want || out.GetSize() != 21 {
		t.Fatalf("%v, %v", out, err)
	}
	for name, c := range map[string]struct {
		first *pb.PutAttachmentRequest
		field string
	}{
		"no type":      {&pb.PutAttachmentRequest{Chunk: []byte("x")}, "mediaType"},
		"another hash": {&pb.PutAttachmentRequest{MediaType: proto.String("text/csv"), Sha256: &want}, "sha256"},
		"no hash":      {&pb.PutAttachmentRequest{MediaType: proto.String("text/csv"), Sha256: proto.String("xyz")}, "sha256"},
	} {
		_, err := put(c.first, "other")
		if f := rpc.FaultOf(err); f == nil || f.Reason != fault.InvalidField || f.Field != c.field {
			t.Errorf("%s: %v", name, err)
		}
	}
	files := n.stored(t)
	if err := os.WriteFile(files[0], []byte("other"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, known := range []string{"", `"` + want + `"`} {
		a := n.do(t, call{method: "GET", path: "/v1/attachments/" + want, as: "harrow-gully", header: map[string]string{"If-None-Match": known}})
		if a.code != 404 || !strings.Contains(string(a.raw), "damaged") || a.header.Get("ETag") != "" || a.header.Get("Cache-Control") != "no-store" {
			t.Errorf("damaged, asked with %q: %d %s %v", known, a.code, a.raw, a.header)
		}
	}
	if out, err := put(&pb.PutAttachmentRequest{MediaType: proto.String("text/csv")}, "minutes,mass\n10,3.42\n"); err != nil || out.GetKnown() {
		t.Errorf("put again: %v, %v", out, err)
	}
	n.get(t, "harrow-gully", "/v1/attachments/"+want).ok(t)
}

// A test whose spectrum was uploaded is read by the service; what it says stays when the file is gone, and an event may name a file that nobody has.
func TestASpectrumOfATest(t *testing.T) {
	n := minerNode(t, nil)
	n.post(t, "harrow-gully", "harrow-gully.s", `{"occurredAt":"2025-03-02","mined":{"origin":{"country":"ET"},"material":{"kind":"HYDROPHANE","look":"TRANSLUCENT"},"form":"CABOCHON","pieces":1,"mass":"6.123 ct"},"moisture":"DRY"}`).ok(t)
	text := synth.Infrared(synth.Recipe{Title: "made, not measured", First: 4000, Last: 600, Step: -2, Seed: 3, Noise: 0.0004, Organics: 2}).JCAMP(synth.DIFDUP, 1e-5)
	hash := hexSum(text)
	test := func(requestID string) string {
		return fmt.Sprintf(`{"requestId":"%s","occurredAt":"2025-04-02","tested":{"method":"INFRARED","sample":{"kind":"WHOLE"},"outcome":"NONE","lookedFor":["RESIN"],"conditions":{"cleaned":"soap"},
			"measurement":{"spectrum":{"sha256":"%s"}}},"attachments":[{"sha256":"%s","mediaType":"chemical/x-jcamp-dx"}]}`, requestID, hash, hash)
	}
	const id = "11111111-2222-4333-8444-555555555555"
	a := n.do(t, call{method: "POST", path: "/v1/lots/harrow-gully.s/events", as: "harrow-gully", body: test(id)})
	if f := a.refusal(t); a.code != 400 || f.field != "tested.measurement.spectrum.sha256" || !strings.Contains(f.message, "whose file is not here") {
		t.Fatalf("before the upload: %d %+v", a.code, f)
	}
	n.upload(t, "harrow-gully", "chemical/x-jcamp-dx", text).ok(t)
	n.do(t, call{method: "POST", path: "/v1/lots/harrow-gully.s/events", as: "harrow-gully", body: test(id)}).ok(t)
	history := n.get(t, "harrow-gully", "/v1/lots/harrow-gully.s/history").ok(t)
	for _, want := range []string{`"computed":{"algorithm":"spectrum/1","outcome":"ORGANICS_PRESENT"`, `"outcome":"NONE"`, `"name":"chStretchingToSilica800"`, `"prominence":`} {
		if !strings.Contains(string(history.raw), want) {
			t.Errorf("no %s in %s", want, history.raw)
		}
	}
	status := func() []byte {
		var all map[string]json.RawMessage
		if err := json.Unmarshal(n.get(t, "harrow-gully", "/v1/lots/harrow-gully.s/status?asOf=2025-05-01&knownAt=4").ok(t).raw, &all); err != nil {
			t.Fatal(err)
		}
		return all["treatments"]
	}
	before := status()
	if !bytes.Contains(before, []byte("computed from its readings; the tester's word was none")) {
		t.Errorf("%s", before)
	}
	// A file that nobody has, named by an event that needs none.
	n.post(t, "harrow-gully", "harrow-gully.s", `{"occurredAt":"2025-04-03","described":{"bodyColour":"white"},"attachments":[{"sha256":"`+strings.Repeat("ab", 32)+`","mediaType":"image/png"}]}`).ok(t)
	for _, name := range n.stored(t) {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	if a := n.get(t, "harrow-gully", "/v1/attachments/"+hash); a.code != 404 {
		t.Errorf("the file is there: %d", a.code)
	}
	if after := status(); !bytes.Equal(before, after) {
		t.Errorf("the status changed with the file\n%s\n%s", before, after)
	}
	// The same request again has its first answer, though the file is gone.
	n.do(t, call{method: "POST", path: "/v1/lots/harrow-gully.s/events", as: "harrow-gully", body: test(id)}).ok(t)
}

// A spectrum over REST, for anybody.
func TestSpectrumOverREST(t *testing.T) {
	n := start(t, t.TempDir(), nil)
	text := synth.Infrared(synth.Recipe{Title: "made", First: 4000, Last: 600, Step: -2, Seed: 3, Noise: 0.0004, Organics: 1}).JCAMP(synth.DIFDUP, 1e-5)
	body, err := json.Marshal(map[string]string{"kind": "INFRARED", "jcamp": text, "material": "HYDROPHANE"})
	if err != nil {
		t.Fatal(err)
	}
	a := n.do(t, call{method: "POST", path: "/v1/assays:spectrum", body: string(body)}).ok(t)
	for _, want := range []string{`"outcome":"ORGANICS_PRESENT"`, `"peaks":[{"position":`, `"bands":[{"name":"silica800"`, `"reasons":["`, `"svg":"<svg xmlns=`} {
		if !strings.Contains(string(a.raw), want) {
			t.Errorf("no %s in %.600s", want, a.raw)
		}
	}
	if f := n.do(t, call{method: "POST", path: "/v1/assays:spectrum", body: `{"kind":"INFRARED","jcamp":"##TITLE=x"}`}).refusal(t); f.field != "jcamp" || !strings.Contains(f.message, "XYDATA") {
		t.Errorf("%+v", f)
	}
}

// A file is for the parties of the lots that its events are about, before and after, and of what was made of them; to anybody else it is not there.
func TestWhoMayReadAFile(t *testing.T) {
	n := minerNode(t, nil)
	for _, party := range []string{"plain-lab", "third-drawer", "corner-lantern", "tall-ladder"} {
		n.enrol(t, party, "DEALER", "LABORATORY")
	}
	hash := n.upload(t, "harrow-gully", "text/plain", "what the microscope showed\n").ok(t).text(t, "sha256")
	read := func(as, query string) int {
		t.Helper()
		return n.get(t, as, "/v1/attachments/"+hash+query).code
	}
	if read("tall-ladder", "") != 200 {
		t.Error("a file that no event names is for every party that knows its hash")
	}
	n.post(t, "harrow-gully", "harrow-gully.r1", `{"occurredAt":"2025-03-10","handedOver":{"to":"plain-lab","purpose":"TESTING"}}`).ok(t)
	n.post(t, "plain-lab", "harrow-gully.r1", `{"occurredAt":"2025-03-11","received":{"pieces":400}}`).ok(t)
	n.post(t, "plain-lab", "harrow-gully.r1", `{"occurredAt":"2025-03-12","tested":{"method":"MICROSCOPE","sample":{"kind":"WHOLE"},"outcome":"NOTHING_SEEN","lookedFor":["DYE"],"conditions":{"magnification":"40x"}},"attachments":[{"sha256":"`+hash+`","mediaType":"text/plain"}]}`).ok(t)
	n.post(t, "plain-lab", "harrow-gully.r1", `{"occurredAt":"2025-03-13","handedOver":{"to":"harrow-gully","purpose":"RETURN"}}`).ok(t)
	n.post(t, "harrow-gully", "harrow-gully.r1", `{"occurredAt":"2025-03-14","received":{"pieces":400}}`).ok(t)
	want := func(when string, codes map[string]int) {
		t.Helper()
		for party, code := range codes {
			if got := read(party, ""); got != code {
				t.Errorf("%s, %s: %d, want %d", when, party, got, code)
			}
		}
	}
	want("tested", map[string]int{"harrow-gully": 200, "plain-lab": 200, "admin": 200, "third-drawer": 404, "corner-lantern": 404})
	// What is made of it takes its past along, at any depth.
	n.post(t, "harrow-gully", "harrow-gully.r1", `{"occurredAt":"2025-03-15","split":{"manner":"UNSORTED","rest":{"pieces":396,"mass":"1.238 kg"},"children":[{"lot":"harrow-gully.c","pieces":4,"mass":"12 g"}]}}`).ok(t)
	n.post(t, "harrow-gully", "harrow-gully.c", `{"occurredAt":"2025-03-16","split":{"manner":"UNSORTED","children":[{"lot":"harrow-gully.d","pieces":2,"mass":"6 g"},{"lot":"harrow-gully.e","pieces":2,"mass":"6 g"}]}}`).ok(t)
	n.post(t, "harrow-gully", "harrow-gully.d", `{"occurredAt":"2025-03-17","sold":{"to":"third-drawer"}}`).ok(t)
	want("offered", map[string]int{"third-drawer": 404})
	n.post(t, "third-drawer", "harrow-gully.d", `{"occurredAt":"2025-03-18","received":{"pieces":2}}`).ok(t)
	want("sold", map[string]int{"third-drawer": 200, "corner-lantern": 404})
	for query, code := range map[string]int{"?lot=harrow-gully.d": 200, "?lot=harrow-gully.e": 404, "?lot=no.such": 404, "?lots=x": 400, "?sha256=x": 400} {
		if got := read("third-drawer", query); got != code {
			t.Errorf("%s: %d, want %d", query, got, code)
		}
	}
	if a := n.get(t, "corner-lantern", "/v1/attachments/"+hash); a.refusal(t).reason != "UNKNOWN_ATTACHMENT" {
		t.Errorf("%s", a.raw)
	}
	n.down(t)
	n.up(t)
	want("after a new start", map[string]int{"third-drawer": 200, "corner-lantern": 404})
}
