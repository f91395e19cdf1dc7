package gateway

import (
	"net/http"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
)

// allowed finds the methods that an address is served with, for the Allow header of a 405 (RFC 9110, section 15.5.6). The library does
// not tell, so the same routes are asked once more with handlers that do nothing.
type allowed struct{ routes http.Handler }

// newProbe makes a mux whose routes all answer 204. Routes are registered to it like to the one that serves.
func newProbe(options ...runtime.ServeMuxOption) *runtime.ServeMux {
	served := func(runtime.HandlerFunc) runtime.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request, _ map[string]string) { w.WriteHeader(http.StatusNoContent) }
	}
	return runtime.NewServeMux(append(options, runtime.WithMiddlewares(served))...)
}

// methods lists them as an Allow header does.
func (a *allowed) methods(r *http.Request) string {
	var list []string
	for _, method := range [...]string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		ask := r.Clone(r.Context())
		ask.Method, ask.Body, ask.ContentLength = method, http.NoBody, 0
		var code statusOnly
		a.routes.ServeHTTP(&code, ask)
		if code.status != http.StatusNoContent {
			continue
		}
		list = append(list, method)
		if method == http.MethodGet {
			list = append(list, http.MethodHead)
		}
	}
	return strings.Join(list, ", ")
}

// statusOnly is a ResponseWriter that keeps the status and nothing else.
type statusOnly struct {
	status int
	header http.Header
}

func (s *statusOnly) Header() http.Header {
	if s.header == nil {
		s.header = http.Header{}
	}
	return s.header
}

func (s *statusOnly) Write(p []byte) (int, error) {
	s.WriteHeader(http.StatusOK)
	return len(p), nil
}

func (s *statusOnly) WriteHeader(code int) {
	if s.status == 0 {
		s.status = code
	}
}
