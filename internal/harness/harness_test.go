package harness_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"testing"

	"github.com/lotpaper/lotpaper/internal/harness"
)

func start(t *testing.T, dir string) *harness.Node {
	t.Helper()
	n, err := harness.Start(t.Context(), harness.Config{DataDir: dir, Listen: "127.0.0.1:0", GRPCListen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := n.Stop(context.Background()); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	return n
}

func call(t *testing.T, n *harness.Node, method, path, token, body string) (int, map[string]any) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, "http://"+n.HTTPAddr()+path, bytes.NewBufferString(body))
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	var out map[string]any
	if err := json.Unmarshal(data, &out); err != nil {
		t.Fatalf("%s %s: %d %q: %v", method, path, res.StatusCode, data, err)
	}
	t.Logf("%s %s: %d %s", method, path, res.StatusCode, data)
	return res.StatusCode, out
}

func TestSmoke(t *testing.T) {
	n := start(t, t.TempDir())
	code, p := call(t, n, "POST", "/v1/parties", n.AdminToken(), `{"party":"harrow-gully","displayName":"Harrow","roles":["MINER"]}`)
	if code != 200 {
		t.Fatal(code, p)
	}
	token := p["token"].(string)
	call(t, n, "POST", "/v1/lots/harrow-gully.r7/events", token, `{"requestId":"2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11","occurredAt":"2025-03-04","moisture":"DRY","mined":{"origin":{"country":"ET","region":"somewhere"},"material":{"kind":"HYDROPHANE"},"pieces":400,"mass":"1.250 kg"}}`)
	call(t, n, "POST", "/v1/lots/harrow-gully.r7/events", token, `{"requestId":"2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b12","occurredAt":"2025-03-05","treated":{"treatment":"SMOKE"}}`)
	call(t, n, "GET", "/v1/lots/harrow-gully.r7", token, ``)
	call(t, n, "GET", "/v1/lots/harrow-gully.r7/status", token, ``)
	call(t, n, "GET", "/v1/lots/harrow-gully.r7/history", token, ``)
}
