package client

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// answer is the body of every answer that is not 200. It is read by hand and not as a Status message: a detail of a type that this
// client does not know must not hide the others.
type answer struct {
	Code    int    `json:"code"`
	Message string `json:"message"`
	Details []struct {
		Type            string            `json:"@type"`
		Reason          string            `json:"reason"`
		Domain          string            `json:"domain"`
		Metadata        map[string]string `json:"metadata"`
		FieldViolations []struct {
			Field string `json:"field"`
		} `json:"fieldViolations"`
		RetryDelay string `json:"retryDelay"`
	} `json:"details"`
}

// invalidArgument is the number of gRPC's code.
const invalidArgument = 3

// refusal turns an answer into the fault that the service made. What is no answer of lotpaper (that of a proxy, say) is an error with
// its status and the start of its text.
func refusal(resp *http.Response, data []byte) error {
	var a answer
	f := (*fault.Error)(nil)
	if json.Unmarshal(data, &a) == nil {
		for _, d := range a.Details {
			switch {
			case strings.HasSuffix(d.Type, "/google.rpc.ErrorInfo") && d.Domain == "lotpaper":
				f = fault.New(fault.Reason(d.Reason), d.Metadata["field"], "%s", a.Message)
			case f != nil && f.Field == "" && len(d.FieldViolations) > 0:
				f.Field = d.FieldViolations[0].Field
			case f != nil && strings.HasSuffix(d.Type, "/google.rpc.RetryInfo"):
				if after, err := time.ParseDuration(d.RetryDelay); err == nil {
					f.RetryAfter = after
				}
			}
		}
	}
	if f == nil {
		text := strings.Join(strings.Fields(string(data[:min(len(data), 200)])), " ")
		return fmt.Errorf("the answer of %s is %s and not one of lotpaper: %q", resp.Request.URL.Host, resp.Status, text)
	}
	if a.Code == invalidArgument {
		f = fault.InBody(f)
	}
	f.BodyTooLarge = resp.StatusCode == http.StatusRequestEntityTooLarge
	if seconds, err := strconv.Atoi(resp.Header.Get("Retry-After")); err == nil && f.RetryAfter == 0 {
		f.RetryAfter = time.Duration(seconds) * time.Second
	}
	return f
}
