package gateway

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// entityTag gives an account its ETag: the position of the lot's latest event, so that a write can name the revision it knew.
func entityTag(_ context.Context, w http.ResponseWriter, m proto.Message) error {
	if lot, ok := m.(*pb.GetLotResponse); ok {
		w.Header().Set("ETag", `"`+strconv.FormatInt(lot.GetRevision(), 10)+`"`)
	}
	return nil
}

// conditional turns an answer whose tag the caller has already into 304 (RFC 9110, section 13.1.2).
type conditional struct {
	http.ResponseWriter
	known       string // the If-None-Match header
	wrote       bool
	notModified bool
}

func (c *conditional) WriteHeader(code int) {
	if c.wrote {
		return
	}
	c.wrote = true
	if code == http.StatusOK && tagIn(c.known, c.Header().Get("ETag")) {
		c.notModified, code = true, http.StatusNotModified
		c.Header().Del("Content-Type")
	}
	c.ResponseWriter.WriteHeader(code)
}

func (c *conditional) Write(p []byte) (int, error) {
	c.WriteHeader(http.StatusOK)
	if c.notModified {
		return len(p), nil
	}
	return c.ResponseWriter.Write(p)
}

// Unwrap lets http.ResponseController reach the writer within.
func (c *conditional) Unwrap() http.ResponseWriter { return c.ResponseWriter }

// tagIn tells whether a list of entity tags has one, by the weak comparison.
func tagIn(list, tag string) bool {
	if tag == "" {
		return false
	}
	for t := range strings.SplitSeq(list, ",") {
		t = strings.TrimSpace(t)
		if t == "*" || strings.TrimPrefix(t, "W/") == tag {
			return true
		}
	}
	return false
}
