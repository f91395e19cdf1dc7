package pages

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed assets
var assetFiles embed.FS

// assets are the files that pages link to. An address has the hash of its content in it, so that a browser may keep it for ever.
type assets struct {
	content map[string][]byte // by address
	gzipped map[string]bool   // addresses whose content is compressed
	byName  map[string]string // name → address
}

func loadAssets() (*assets, error) {
	a := &assets{map[string][]byte{}, map[string]bool{}, map[string]string{}}
	err := fs.WalkDir(assetFiles, "assets", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		raw, err := assetFiles.ReadFile(name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(raw)
		short := strings.TrimSuffix(strings.TrimPrefix(name, "assets/"), ".gz")
		address := "/assets/" + hex.EncodeToString(sum[:6]) + "/" + short
		a.content[address], a.byName[short], a.gzipped[address] = raw, address, strings.HasSuffix(name, ".gz")
		return nil
	})
	return a, err
}

// address gives where a file is found.
func (a *assets) address(name string) (string, error) {
	if at, ok := a.byName[name]; ok {
		return at, nil
	}
	return "", fmt.Errorf("there is no file %s", name)
}

func (a *assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	raw, ok := a.content[r.URL.Path]
	if !ok || r.Method != http.MethodGet && r.Method != http.MethodHead {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", mediaType(r.URL.Path))
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; connect-src 'self'") // of the worker's script, which is a page to itself
	if a.gzipped[r.URL.Path] {
		h.Set("Content-Encoding", "gzip") // every browser that runs WebAssembly takes it
	}
	if r.Method == http.MethodGet {
		_, _ = w.Write(raw)
	}
}

func mediaType(name string) string {
	switch path.Ext(name) {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".wasm":
		return "application/wasm"
	case ".txt", ".version":
		return "text/plain; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	}
	return "application/octet-stream"
}
