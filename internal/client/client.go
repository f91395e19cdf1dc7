package client

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"syscall"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Config is where a client goes and as whom.
type Config struct {
	// Server is the address, such as http://127.0.0.1:8080.
	Server string
	// Token is the caller's; empty for what is public.
	Token string
	// Patience is how long a request is sent again while the service says that it may help; 0: 15 seconds, below: never.
	Patience time.Duration
	// HTTP makes the connections; nil: one of its own.
	HTTP *http.Client
}

// Client calls one service. It is safe for use by several goroutines.
type Client struct {
	base     *url.URL
	token    string
	patience time.Duration
	http     *http.Client
}

const (
	defaultPatience = 15 * time.Second
	// mostAnswer bounds what is read of an answer.
	mostAnswer = 64 << 20
	jsonType   = "application/json"
)

// New makes a client. It refuses an address that is none, and one to which the token would travel in the clear.
func New(cfg Config) (*Client, error) {
	base, err := url.Parse(strings.TrimRight(cfg.Server, "/"))
	if err == nil && base.User != nil {
		return nil, errors.New("server address: found one with a name or password in it, accepted is one without: the token comes from a file or the environment")
	}
	if err != nil || base.Scheme != "http" && base.Scheme != "https" || base.Host == "" || base.RawQuery != "" || base.Fragment != "" {
		return nil, fmt.Errorf("server address: found %q, accepted is one such as http://127.0.0.1:8080 or https://paper.example", cfg.Server)
	}
	if cfg.Token != "" && base.Scheme == "http" && !loopback(base.Hostname()) {
		return nil, fmt.Errorf("server address: found %q, to which the token would travel in the clear; accepted is https, or http on this machine", cfg.Server)
	}
	if strings.ContainsFunc(cfg.Token, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return nil, errors.New("token: found spaces or characters that no token has, accepted is the token as it was shown")
	}
	c := &Client{base: base, token: cfg.Token, patience: cfg.Patience}
	if c.patience == 0 {
		c.patience = defaultPatience
	}
	transport := http.DefaultTransport
	if cfg.HTTP != nil && cfg.HTTP.Transport != nil {
		transport = cfg.HTTP.Transport
	}
	c.http = &http.Client{
		Transport: transport,
		// A redirect is told as an error: nothing that is posted should go where another machine points.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	if cfg.HTTP != nil {
		c.http.Timeout = cfg.HTTP.Timeout
	}
	return c, nil
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// Server gives the address.
func (c *Client) Server() string { return c.base.String() }

// call makes one request, again where that may help, and reads the answer into out.
func (c *Client) call(ctx context.Context, method, path string, query url.Values, in, out proto.Message) error {
	var body []byte
	if in != nil {
		var err error
		if body, err = protojson.Marshal(in); err != nil {
			return fmt.Errorf("write the request: %w", err)
		}
	}
	var waited time.Duration
	for {
		err := c.once(ctx, method, path, query, body, out)
		f, ok := fault.As(err)
		if !ok || f.RetryAfter <= 0 || waited+f.RetryAfter > c.patience {
			return err
		}
		timer := time.NewTimer(f.RetryAfter)
		select {
		case <-timer.C:
			waited += f.RetryAfter
		case <-ctx.Done():
			timer.Stop()
			return err
		}
	}
}

func (c *Client) once(ctx context.Context, method, path string, query url.Values, body []byte, out proto.Message) error {
	contentType := ""
	if body != nil {
		contentType = jsonType
	}
	return c.send(ctx, method, path, query, contentType, body, out)
}

func (c *Client) send(ctx context.Context, method, path string, query url.Values, contentType string, body []byte, out proto.Message) error {
	data, err := c.raw(ctx, method, path, query, contentType, body)
	if err != nil || out == nil {
		return err
	}
	// A newer service may tell more than this client knows.
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(data, out); err != nil {
		return fmt.Errorf("the answer of %s is not one of lotpaper: %w", c.base, err)
	}
	return nil
}

// raw makes one request and gives the answer's bytes.
func (c *Client) raw(ctx context.Context, method, path string, query url.Values, contentType string, body []byte) ([]byte, error) {
	address := c.base.String() + path
	if len(query) > 0 {
		address += "?" + query.Encode()
	}
	req, err := http.NewRequestWithContext(ctx, method, address, bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("address the service: %w", err)
	}
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	if contentType != "" && contentType != jsonType { // a file: the service refuses what is altered on the way
		sum := sha256.Sum256(body)
		req.Header.Set("Content-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":")
	}
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	req.Header.Set("Accept", "application/json")
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, c.unreached(err)
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(io.LimitReader(resp.Body, mostAnswer+1))
	if err != nil {
		return nil, fmt.Errorf("read the answer of %s: %w", c.base, err)
	}
	if len(data) > mostAnswer {
		return nil, fmt.Errorf("the answer of %s is larger than %d bytes", c.base, mostAnswer)
	}
	if resp.StatusCode != http.StatusOK {
		return nil, refusal(resp, data)
	}
	return data, nil
}

// unreached says in one sentence why there was no answer.
func (c *Client) unreached(err error) error {
	var wrapped *url.Error
	if errors.As(err, &wrapped) {
		err = wrapped.Err
	}
	if errors.Is(err, syscall.ECONNREFUSED) {
		return fmt.Errorf("no service answers at %s; start one with lotpaper serve, or name another with --server: %w", c.base, err)
	}
	return fmt.Errorf("ask the service at %s: %w", c.base, err)
}
