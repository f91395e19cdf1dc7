package bus

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"

	"github.com/lotpaper/lotpaper/internal/opal"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m)
}

func openBus(t *testing.T, dir string) *Bus {
	t.Helper()
	b, err := Open(context.Background(), Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func openJournal(t *testing.T, b *Bus, create bool) *Journal {
	t.Helper()
	j, err := b.Journal(context.Background(), "testlog", create)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func TestJournalKeepsWhatItAcknowledged(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	b := openBus(t, dir)
	j := openJournal(t, b, true)
	if first, last, count, err := j.Span(ctx); err != nil || first != 1 || last != 0 || count != 0 {
		t.Fatalf("empty journal: found %d, %d, %d, %v", first, last, count, err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var want [][]byte
	for i, size := range []int{1, 100, 4096, 512 << 10, 7} {
		data := make([]byte, size)
		for k := range data {
			data[k] = byte(rng.Uint32())
		}
		seq, err := j.Publish(ctx, uint64(i), data)
		if err != nil || seq != uint64(i)+1 {
			t.Fatalf("publish %d: found sequence %d, error %v", i, seq, err)
		}
		want = append(want, data)
	}
	b.Close()
	b = openBus(t, dir)
	defer b.Close()
	j = openJournal(t, b, false)
	if first, last, count, err := j.Span(ctx); err != nil || first != 1 || last != 5 || count != 5 {
		t.Fatalf("found span %d, %d, %d, %v", first, last, count, err)
	}
	for i, w := range want {
		got, found, err := j.Read(ctx, uint64(i)+1)
		if err != nil || !found || !bytes.Equal(got, w) {
			t.Errorf("message %d: found %v, %d bytes, error %v", i+1, found, len(got), err)
		}
	}
	if _, found, err := j.Read(ctx, 6); found || err != nil {
		t.Errorf("behind the end: found %v, error %v", found, err)
	}
}

func TestFence(t *testing.T) {
	ctx := context.Background()
	b := openBus(t, t.TempDir())
	defer b.Close()
	j := openJournal(t, b, true)
	if _, err := j.Publish(ctx, 0, []byte("first")); err != nil {
		t.Fatal(err)
	}
	for _, expected := range []uint64{0, 2, 99} {
		if _, err := j.Publish(ctx, expected, []byte("late")); !errors.Is(err, ErrFenced) {
			t.Errorf("expected last %d, is 1: found error %v", expected, err)
		}
	}
	// Ten writers at one place: one writes, nine are fenced.
	var wg sync.WaitGroup
	var mu sync.Mutex
	var won, lost int
	for i := range 10 {
		wg.Go(func() {
			_, err := j.Publish(ctx, 1, fmt.Appendf(nil, "writer %d", i))
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err == nil:
				won++
			case errors.Is(err, ErrFenced):
				lost++
			default:
				t.Errorf("writer %d: %v", i, err)
			}
		})
	}
	wg.Wait()
	if won != 1 || lost != 9 {
		t.Errorf("found %d written and %d fenced, want 1 and 9", won, lost)
	}
}

// Both error codes are a lost race: one server answers the first, a replicated stream may answer the second.
func TestClassify(t *testing.T) {
	api := func(code jetstream.ErrorCode) error {
		return fmt.Errorf("nats: %w", &jetstream.APIError{Code: 400, ErrorCode: code})
	}
	tests := map[string]struct {
		err  error
		want error // nil: neither
	}{
		"10071":                        {api(10071), ErrFenced},
		"10164":                        {api(10164), ErrFenced},
		"stream store failed":          {api(10077), ErrAmbiguous},
		"insufficient resources":       {api(10023), ErrAmbiguous},
		"time-out":                     {context.DeadlineExceeded, ErrAmbiguous},
		"cancelled":                    {context.Canceled, ErrAmbiguous},
		"no answer from a stream":      {jetstream.ErrNoStreamResponse, ErrAmbiguous},
		"connection gone":              {nats.ErrConnectionClosed, ErrAmbiguous},
		"unreadable acknowledgement":   {jetstream.ErrInvalidJSAck, ErrAmbiguous},
		"too large for the connection": {nats.ErrMaxPayload, nil},
		"too large for the stream":     {api(10054), nil},
		"no such stream":               {api(10059), nil},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			got := classify(test.err)
			if fenced := errors.Is(got, ErrFenced); fenced != (test.want == ErrFenced) {
				t.Errorf("found fenced %v: %v", fenced, got)
			}
			if ambiguous := errors.Is(got, ErrAmbiguous); ambiguous != (test.want == ErrAmbiguous) {
				t.Errorf("found ambiguous %v: %v", ambiguous, got)
			}
		})
	}
}

func TestPublishWithoutAServerIsAmbiguous(t *testing.T) {
	b := openBus(t, t.TempDir())
	j := openJournal(t, b, true)
	b.server.Shutdown()
	b.server.WaitForShutdown()
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	if _, err := j.Publish(ctx, 0, []byte("x")); !errors.Is(err, ErrAmbiguous) {
		t.Errorf("found %v", err)
	}
	b.Close()
}

func TestJournalIsNotMadeTwice(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	b := openBus(t, dir)
	if _, err := b.Journal(ctx, "testlog", false); !errors.Is(err, ErrNoJournal) {
		t.Errorf("no journal and none to be made: found %v", err)
	}
	j := openJournal(t, b, true)
	if _, err := j.Publish(ctx, 0, []byte("x")); err != nil {
		t.Fatal(err)
	}
	b.Close()
	// A stream whose description is unreadable must not be replaced by an empty one.
	meta := filepath.Join(b.streamFolder(StreamName("testlog")), "meta.inf")
	content, err := os.ReadFile(meta)
	if err != nil {
		t.Fatal(err)
	}
	content[len(content)/2] ^= 0xff
	if err := os.WriteFile(meta, content, 0o600); err != nil {
		t.Fatal(err)
	}
	b = openBus(t, dir)
	defer b.Close()
	_, err = b.Journal(ctx, "testlog", true)
	if err == nil || !strings.Contains(err.Error(), "cannot read the stream") {
		t.Errorf("damaged stream: found %v", err)
	}
}

// A server that was killed while it made the stream leaves a folder that it cannot read. Nothing was acknowledged from there.
func TestAHalfMadeJournalIsMadeAnew(t *testing.T) {
	for name, left := range map[string]map[string]string{
		"an empty folder":                {},
		"a description cut short":        {"meta.inf": `{"name":`},
		"a description without its sum":  {"meta.inf": `{"name":"TESTLOG"}`, "msgs/1.blk": ""},
		"a description with a wrong sum": {"meta.inf": `{"name":"TESTLOG"}`, "meta.sum": "0000000000000000", "msgs/1.blk": ""},
	} {
		t.Run(name, func(t *testing.T) {
			ctx, dir := context.Background(), t.TempDir()
			folder := (&Bus{cfg: Config{Dir: dir}}).streamFolder(StreamName("testlog"))
			if err := os.MkdirAll(filepath.Join(folder, "msgs"), 0o700); err != nil {
				t.Fatal(err)
			}
			for file, content := range left {
				if err := os.WriteFile(filepath.Join(folder, file), []byte(content), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			b := openBus(t, dir)
			defer b.Close()
			if _, err := b.Journal(ctx, "testlog", false); err == nil {
				t.Error("a journal that is not there was opened")
			}
			if _, err := openJournal(t, b, true).Publish(ctx, 0, []byte("x")); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestStreamsThatMayLoseAreRefused(t *testing.T) {
	ctx := context.Background()
	tests := map[string]struct {
		change func(*jetstream.StreamConfig)
		want   string
	}{
		"acknowledges early":   {func(c *jetstream.StreamConfig) { c.PersistMode = jetstream.AsyncPersistMode }, "persist_mode"},
		"may delete":           {func(c *jetstream.StreamConfig) { c.DenyDelete = false }, "deny_delete"},
		"may purge":            {func(c *jetstream.StreamConfig) { c.DenyPurge = false }, "deny_purge"},
		"keeps the newest":     {func(c *jetstream.StreamConfig) { c.MaxMsgs = 10 }, "max_msgs"},
		"keeps an hour":        {func(c *jetstream.StreamConfig) { c.MaxAge = time.Hour }, "max_age"},
		"limits bytes":         {func(c *jetstream.StreamConfig) { c.MaxBytes = 1 << 20 }, "max_bytes"},
		"in memory":            {func(c *jetstream.StreamConfig) { c.Storage = jetstream.MemoryStorage }, "storage"},
		"discards old":         {func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld }, "discard"},
		"a queue":              {func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy }, "retention"},
		"small messages":       {func(c *jetstream.StreamConfig) { c.MaxMsgSize = 1000 }, "max_msg_size"},
		"no acknowledgement":   {func(c *jetstream.StreamConfig) { c.NoAck = true }, "no_ack"},
		"messages that expire": {func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true }, "allow_msg_ttl"},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			b := openBus(t, t.TempDir())
			defer b.Close()
			js, err := jetstream.New(b.Conn())
			if err != nil {
				t.Fatal(err)
			}
			cfg := b.streamConfig("testlog")
			test.change(&cfg)
			if _, err := js.CreateStream(ctx, cfg); err != nil {
				t.Fatal(err)
			}
			_, err = b.Journal(ctx, "testlog", true)
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("found %v, want a refusal that names %s", err, test.want)
			}
		})
	}
}

func TestTheServersWordsReachTheLog(t *testing.T) {
	var buf bytes.Buffer
	logger := slog.New(slog.NewTextHandler(&buf, &slog.HandlerOptions{Level: slog.LevelDebug}))
	b, err := Open(context.Background(), Config{Dir: t.TempDir(), Logger: logger})
	if err != nil {
		t.Fatal(err)
	}
	b.Close()
	if !strings.Contains(buf.String(), "JetStream") {
		t.Errorf("the server said nothing: %q", buf.String())
	}
}

// A subject token may hold no point, space or wildcard, a stream's name no separator of paths, and a file system may not tell upper
// from lower case.
func TestLogNames(t *testing.T) {
	seen := map[string]string{}
	long := strings.Repeat("A", 127)
	for _, name := range []string{
		"a", "A", "opal.example.org", "opal-example-org", "opal_example_org", "opal.example/org", "*", ">", "_2a", long + "a", long + "b",
	} {
		if err := opal.CheckLogName(name); err != nil {
			t.Errorf("%q: %v", name, err)
		}
		for _, s := range []string{SubjectAppend(name), strings.ToLower(StreamName(name))} {
			if before, ok := seen[s]; ok {
				t.Errorf("%q and %q share %q", name, before, s)
			}
			seen[s] = name
		}
		if tok := token(name); strings.ContainsAny(tok, ". */\\>") || len(tok) > 200 {
			t.Errorf("%q gives the token %q", name, tok)
		}
	}
	b := openBus(t, t.TempDir())
	defer b.Close()
	if _, err := b.Journal(context.Background(), "lotpaper.example/opal", true); err != nil {
		t.Error(err)
	}
	if _, err := b.Journal(context.Background(), "a b", true); err == nil {
		t.Error("a name with a space is accepted")
	}
}
