package bus

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// Config says which bus to use.
type Config struct {
	// Dir is where the embedded server keeps its streams. Used without URL.
	Dir string
	// URL is that of an external server or cluster; empty: the embedded one.
	URL string
	// Credentials is a file of NATS credentials for URL, or empty.
	Credentials string
	// Replicas of the journal's stream: 1 embedded, 3 (or 5) on a cluster. 0 chooses 1 or 3.
	Replicas int
	// Logger gets the server's own words; its warnings are the only sign of some troubles. nil: none.
	Logger *slog.Logger
}

// Bus is a connection, and with the embedded server the server itself.
type Bus struct {
	Codec  *Codec
	conn   *nats.Conn
	server *server.Server
	cfg    Config
}

// startWithin is how long the embedded server may take to recover its streams.
const startWithin = 5 * time.Minute

// Open starts the embedded server or connects to the external one.
func Open(ctx context.Context, cfg Config) (*Bus, error) {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	b := &Bus{Codec: NewCodec(), cfg: cfg}
	if cfg.URL != "" {
		if b.cfg.Replicas == 0 {
			b.cfg.Replicas = 3
		}
		return b, b.connectExternal(ctx)
	}
	if b.cfg.Replicas == 0 {
		b.cfg.Replicas = 1
	}
	if b.cfg.Replicas != 1 {
		return nil, fmt.Errorf("bus: found %d replicas, the embedded server keeps 1", b.cfg.Replicas)
	}
	return b, b.startEmbedded(ctx)
}

func (b *Bus) connectExternal(ctx context.Context) error {
	opts := []nats.Option{
		nats.Name("lotpaper"), nats.MaxReconnects(-1), nats.ReconnectWait(250 * time.Millisecond),
		nats.ErrorHandler(b.asyncError), nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			b.cfg.Logger.WarnContext(ctx, "bus disconnected", "error", err)
		}),
	}
	if b.cfg.Credentials != "" {
		opts = append(opts, nats.UserCredentials(b.cfg.Credentials))
	}
	conn, err := nats.Connect(b.cfg.URL, opts...)
	if err != nil {
		return fmt.Errorf("connect to the bus: %w", err)
	}
	if conn.MaxPayload() < maxPayload {
		most := conn.MaxPayload()
		conn.Close()
		return fmt.Errorf("connect to the bus: the server accepts messages of %d bytes, needed are %d (max_payload)", most, maxPayload)
	}
	b.conn = conn
	return nil
}

func (b *Bus) startEmbedded(ctx context.Context) error {
	if b.cfg.Dir == "" {
		return fmt.Errorf("bus: no folder for the embedded server")
	}
	if err := os.MkdirAll(b.cfg.Dir, 0o700); err != nil {
		return fmt.Errorf("make the journal's folder: %w", err)
	}
	if err := checkBlockFiles(b.cfg.Dir); err != nil {
		return err
	}
	srv, err := server.NewServer(&server.Options{
		ServerName: "lotpaper", DontListen: true, NoSigs: true, NoLog: false,
		JetStream: true, StoreDir: b.cfg.Dir, SyncAlways: true,
		// Not a limit but the absence of one: the default is a share of the free space at start, and reaching it would refuse
		// appends that still fit. Free space is guarded by the ledger, with a reserve.
		JetStreamMaxStore:  1 << 50,
		JetStreamMaxMemory: 64 << 20,
		MaxPayload:         maxPayload,
		// A slow reader in this process must not be cut off: it has its own limits.
		MaxPending:    256 << 20,
		WriteDeadline: time.Minute,
	})
	if err != nil {
		return fmt.Errorf("set up the embedded bus: %w", err)
	}
	log := &serverLog{log: b.cfg.Logger, ctx: ctx}
	srv.SetLogger(log, false, false)
	srv.Start()
	if !srv.ReadyForConnections(startWithin) {
		srv.Shutdown()
		srv.WaitForShutdown()
		return fmt.Errorf("start the embedded bus: not ready within %s%s", startWithin, log.lastFatal())
	}
	if !srv.JetStreamEnabled() {
		srv.Shutdown()
		srv.WaitForShutdown()
		return fmt.Errorf("start the embedded bus: its store in %s cannot be used%s", b.cfg.Dir, log.lastFatal())
	}
	conn, err := nats.Connect("", nats.InProcessServer(srv), nats.Name("lotpaper"), nats.MaxReconnects(-1),
		nats.ReconnectWait(10*time.Millisecond), nats.ErrorHandler(b.asyncError))
	if err != nil {
		srv.Shutdown()
		srv.WaitForShutdown()
		return fmt.Errorf("connect to the embedded bus: %w", err)
	}
	b.server, b.conn = srv, conn
	return nil
}

func (b *Bus) asyncError(_ *nats.Conn, sub *nats.Subscription, err error) {
	subject := ""
	if sub != nil {
		subject = sub.Subject
	}
	b.cfg.Logger.Error("bus error", "subject", subject, "error", err)
}

// Conn is the connection: in process, or to the external server.
func (b *Bus) Conn() *nats.Conn { return b.conn }

// Embedded tells whether the server runs in this process.
func (b *Bus) Embedded() bool { return b.server != nil }

// Close ends the connection and the embedded server, and waits for both.
func (b *Bus) Close() {
	b.conn.Close()
	if b.server != nil {
		b.server.Shutdown()
		b.server.WaitForShutdown()
	}
}

// streamFolder is where the embedded server keeps a stream.
func (b *Bus) streamFolder(name string) string {
	return filepath.Join(b.cfg.Dir, "jetstream", "$G", "streams", name)
}

// syncFolders makes the entries of all folders of the embedded server's store durable. The server syncs its files, and a file that is synced
// in a folder whose own entry is not may be gone after a power cut, with the folder.
func (b *Bus) syncFolders() error {
	sync := func(path string) error {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	}
	err := filepath.WalkDir(b.cfg.Dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		return sync(path)
	})
	if err = errors.Join(err, sync(filepath.Dir(b.cfg.Dir))); err != nil {
		return fmt.Errorf("sync the journal's folders: %w", err)
	}
	return nil
}

// serverLog passes the server's words to slog. Fatalf ends nothing: the server then shuts itself down, and Open or the next publish
// says so.
type serverLog struct {
	log   *slog.Logger
	ctx   context.Context
	fatal atomic.Pointer[string]
}

func (l *serverLog) lastFatal() string {
	if s := l.fatal.Load(); s != nil {
		return ": " + *s
	}
	return ""
}

func (l *serverLog) say(level slog.Level, format string, v []any) {
	if !l.log.Enabled(l.ctx, level) {
		return
	}
	l.log.Log(l.ctx, level, "bus server", "says", strings.TrimSpace(fmt.Sprintf(format, v...)))
}

func (l *serverLog) Noticef(format string, v ...any) { l.say(slog.LevelDebug, format, v) }
func (l *serverLog) Warnf(format string, v ...any)   { l.say(slog.LevelWarn, format, v) }
func (l *serverLog) Errorf(format string, v ...any)  { l.say(slog.LevelError, format, v) }
func (l *serverLog) Debugf(format string, v ...any)  { l.say(slog.LevelDebug, format, v) }
func (l *serverLog) Tracef(format string, v ...any)  {}
func (l *serverLog) Fatalf(format string, v ...any) {
	s := fmt.Sprintf(format, v...)
	l.fatal.Store(&s)
	l.say(slog.LevelError, format, v)
}
