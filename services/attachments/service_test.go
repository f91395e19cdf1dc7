package attachments

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// storeFake is a store whose functions are set.
type storeFake struct {
	Store
	get func(attachment.Hash) (*attachment.File, error)
}

func (s storeFake) Get(h attachment.Hash) (*attachment.File, error) { return s.get(h) }

// download keeps what it is sent.
type download struct {
	grpc.ServerStream
	ctx  context.Context
	got  []byte
	sent func()
}

func (d *download) Context() context.Context { return d.ctx }

func (d *download) Send(m *pb.GetAttachmentResponse) error {
	d.got = append(d.got, m.GetChunk()...)
	if d.sent != nil {
		d.sent()
	}
	return nil
}

// A file that changes on the disk after it was compared is cut off before its last piece, and told as damaged.
func TestDamageOnTheWay(t *testing.T) {
	content := strings.Repeat("a piece of a file\n", 20_000)
	h := sha256.Sum256([]byte(content))
	for name, c := range map[string]struct {
		change func(name string) error // behind the first piece
		whole  bool
	}{
		"as it was":    {change: func(string) error { return nil }, whole: true},
		"another byte": {change: func(name string) error { return os.WriteFile(name, []byte(content[:len(content)-1]+"x"), 0o600) }},
		"shorter":      {change: func(name string) error { return os.Truncate(name, piece+10) }},
		"cut between":  {change: func(name string) error { return os.Truncate(name, piece) }},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "file")
			if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
				t.Fatal(err)
			}
			var told bytes.Buffer
			s := New(storeFake{get: func(attachment.Hash) (*attachment.File, error) {
				f, err := os.Open(file)
				return &attachment.File{File: f, Size: int64(len(content)), MediaType: attachment.Plain}, err
			}}, anybody, nil, slog.New(slog.NewTextHandler(&told, nil)))
			changed := false
			d := &download{ctx: t.Context()}
			d.sent = func() {
				if !changed {
					changed = true
					if err := c.change(file); err != nil {
						t.Error(err)
					}
				}
			}
			err := s.GetAttachment(&pb.GetAttachmentRequest{Sha256: hex.EncodeToString(h[:])}, d)
			if c.whole {
				if err != nil || string(d.got) != content {
					t.Errorf("%d bytes, %v", len(d.got), err)
				}
				return
			}
			if fault.Of(err) != fault.UnknownAttachment || !strings.Contains(err.Error(), "damaged on this node") || len(d.got) >= len(content) {
				t.Errorf("%d of %d bytes, %v", len(d.got), len(content), err)
			}
			if !strings.Contains(told.String(), "attachment is damaged") {
				t.Errorf("the log says %q", told.String())
			}
		})
	}
}

// anybody may read everything.
func anybody(context.Context, string, attachment.Hash, string) (bool, error) { return true, nil }
