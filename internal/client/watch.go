package client

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// silence is how long a stream may give no sign of life, of which the service sends one every 15 seconds.
const silence = time.Minute

// mostNotice bounds what is read of one notice.
const mostNotice = 8 << 20

// Watch follows one stream of notices until it ends. each is called for every notice, one after the other; heard, after every sign of life, with the id after which
// the stream goes on. The error is nil when the service ended the stream: whoever goes on asks again with that id. A refusal is a *fault.Error.
func (c *Client) Watch(ctx context.Context, in *pb.WatchRequest, each func(*pb.WatchResponse) error, heard func(id string) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	address := c.base.JoinPath("/v1/watch")
	address.RawQuery = query(in, "after").Encode()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address.String(), nil)
	if err != nil {
		return err
	}
	req.Header.Set("Accept", "text/event-stream")
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	if in.GetAfter() != "" {
		req.Header.Set("Last-Event-ID", in.GetAfter())
	}
	quiet := time.AfterFunc(silence, cancel)
	defer quiet.Stop()
	resp, err := c.http.Do(req)
	if err != nil {
		return c.unreached(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		data, err := io.ReadAll(io.LimitReader(resp.Body, mostNotice))
		if err != nil {
			return c.unreached(err)
		}
		return refusal(resp, data)
	}
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, mostNotice)
	var id string
	var data bytes.Buffer
	for lines.Scan() {
		quiet.Reset(silence)
		name, value, _ := strings.Cut(lines.Text(), ":")
		value = strings.TrimPrefix(value, " ")
		switch {
		case lines.Text() == "": // the end of a notice (HTML, server-sent events)
			if data.Len() > 0 {
				n := &pb.WatchResponse{}
				if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(data.Bytes(), n); err != nil {
					return fmt.Errorf("a notice of %s is not one of lotpaper: %w", c.base, err)
				}
				data.Reset()
				if err := each(n); err != nil {
					return err
				}
			}
			if id != "" {
				if err := heard(id); err != nil {
					return err
				}
				id = ""
			}
		case name == "id":
			id = value
		case name == "data":
			data.WriteString(value)
		}
	}
	if err := lines.Err(); err != nil && ctx.Err() == nil && !errors.Is(err, io.EOF) {
		return c.unreached(err)
	}
	return nil
}
