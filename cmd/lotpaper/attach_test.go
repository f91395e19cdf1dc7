package main

import (
	"context"
	"crypto/sha256"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/eventfile"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// What is no regular file is refused at once, and not waited for or read without an end; a link to a regular file is one.
func TestOnlyRegularFilesAreAttached(t *testing.T) {
	dir := t.TempDir()
	pipe, link, file := filepath.Join(dir, "pipe"), filepath.Join(dir, "link"), filepath.Join(dir, "readings.csv")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte("minutes,mass\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(file, link); err != nil {
		t.Fatal(err)
	}
	for name, says := range map[string]string{
		pipe: "found a pipe, accepted is a regular file", "/dev/zero": "found a device, accepted is a regular file", dir: "found a folder, accepted is a regular file",
		filepath.Join(dir, "none"): "no such file", file: "", link: "",
	} {
		done := make(chan error, 2)
		go func() {
			_, err := readForStoring(name, attachment.Plain)
			done <- err
			_, err = beside(filepath.Join(dir, "events.yaml"))(name)
			done <- err
		}()
		for range cap(done) {
			select {
			case err := <-done:
				if (err == nil) != (says == "") || err != nil && !strings.Contains(err.Error(), says) {
					t.Errorf("%s: %v, want %q", name, err, says)
				}
			case <-time.After(10 * time.Second):
				t.Fatalf("%s is waited for", name)
			}
		}
	}
}

// uploads keeps what it is given.
type uploads []string

func (u *uploads) PutAttachment(_ context.Context, _ string, data []byte) (*pb.PutAttachmentResponse, error) {
	*u = append(*u, string(data))
	return &pb.PutAttachmentResponse{}, nil
}

// A file that changed after the event took its hash is not sent: the event would name another.
func TestAFileThatChangesBeforeItIsSent(t *testing.T) {
	batch := []*eventfile.Entry{{File: "events.yaml", Number: 2, Files: []eventfile.File{{Path: "a.jdx", Hash: sha256.Sum256([]byte("as read")), MediaType: attachment.Plain}}}}
	for content, says := range map[string]string{
		"as read": "", "as changed": "a.jdx changed after its hash was taken for events.yaml, event 2; it was not uploaded",
	} {
		var sent uploads
		err := upload(t.Context(), &sent, batch, map[attachment.Hash]bool{}, func(*eventfile.Entry, string) ([]byte, error) { return []byte(content), nil })
		if says == "" && (err != nil || len(sent) != 1) || says != "" && (err == nil || !strings.Contains(err.Error(), says) || len(sent) != 0) {
			t.Errorf("%s: sent %q, %v", content, sent, err)
		}
	}
}
