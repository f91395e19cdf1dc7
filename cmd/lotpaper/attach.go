package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/client"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

func (a *app) attachCommand() *cobra.Command {
	media := ""
	cmd := &cobra.Command{
		Use:   "attach FILE…",
		Short: "Store files that events can name: spectra, photographs, reports",
		Long: `Store files, up to 16 MiB each, and print the lines by which an event names them. A file is known by the SHA-256 of its content; storing it again
stores nothing twice. ` + "`lotpaper post`" + ` does the same by itself where an event file says "file: path".`,
		Example: "  lotpaper attach stone.jdx report.pdf\n  lotpaper attach --type text/csv readings.txt",
		Args:    takes(1, -1, "one or more files"),
		RunE: func(cmd *cobra.Command, args []string) error {
			token, err := a.token(envToken)
			if err != nil {
				return err
			}
			c, err := client.New(client.Config{Server: a.server, Token: token})
			if err != nil {
				return err
			}
			// All are read before anything is sent, so that a slip stores none.
			files := make([]fileToStore, len(args))
			var wrong []error
			for i, name := range args {
				if files[i], err = readForStoring(name, media); err != nil {
					wrong = append(wrong, err)
				}
			}
			if len(wrong) > 0 {
				return errors.Join(wrong...)
			}
			for i := range files {
				if files[i].stored, err = c.PutAttachment(cmd.Context(), files[i].media, files[i].data); err != nil {
					return fmt.Errorf("%s: %w", files[i].name, err)
				}
			}
			return a.tellStored(files)
		},
	}
	cmd.Flags().StringVar(&media, "type", "", "media type, in place of the one that the file's beginning tells")
	return cmd
}

type fileToStore struct {
	name, media string
	data        []byte
	stored      *pb.PutAttachmentResponse
}

func readForStoring(name, media string) (fileToStore, error) {
	data, err := readAttachment(name)
	if err != nil {
		return fileToStore{}, fmt.Errorf("read %s: %w", name, err)
	}
	if len(data) == 0 {
		return fileToStore{}, fmt.Errorf("%s: found 0 bytes, which is an empty file; accepted are 1 byte to %d MiB", name, attachment.MaxBytes>>20)
	}
	if len(data) > attachment.MaxBytes {
		return fileToStore{}, fmt.Errorf("%s: found more than %d MiB, accepted are at most as many", name, attachment.MaxBytes>>20)
	}
	if media == "" {
		if media = attachment.TypeOf(name, data); media == "" {
			return fileToStore{}, fmt.Errorf("%s: found none of the accepted types, which are %s", name, strings.Join(attachment.MediaTypes(), ", "))
		}
	}
	return fileToStore{name: name, media: media, data: data}, nil
}

// readAttachment reads a file up to one byte past what is accepted, so that the refusal is the caller's. What is no regular file is refused before it is
// opened: a named pipe that nobody writes to would never open, and a device never ends.
func readAttachment(name string) ([]byte, error) {
	info, err := os.Stat(name)
	if err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("found %s, accepted is a regular file", kindOfFile(info.Mode()))
	}
	f, err := os.Open(name) // also if it is not there: the error is the plainer one
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, attachment.MaxBytes+1))
}

func kindOfFile(m os.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&os.ModeNamedPipe != 0:
		return "a pipe"
	case m&os.ModeSocket != 0:
		return "a socket"
	case m&os.ModeDevice != 0:
		return "a device"
	}
	return "what is no file"
}

func (a *app) tellStored(files []fileToStore) error {
	if a.asJSON() {
		type line struct {
			File      string `json:"file"`
			SHA256    string `json:"sha256"`
			MediaType string `json:"mediaType"`
			Size      int32  `json:"size"`
			Known     bool   `json:"known"`
		}
		out := []line{}
		for _, f := range files {
			out = append(out, line{f.name, f.stored.GetSha256(), f.stored.GetMediaType(), f.stored.GetSize(), f.stored.GetKnown()})
		}
		data, err := json.Marshal(out)
		if err != nil {
			return fmt.Errorf("write the answer: %w", err)
		}
		return a.printIndented(data)
	}
	for _, f := range files {
		note := ""
		if f.stored.GetKnown() {
			note = " # was here already"
		}
		if _, err := fmt.Fprintf(a.stdout, "- sha256: %s%s\n  mediaType: %s\n  name: %q\n", f.stored.GetSha256(), note, f.stored.GetMediaType(), filepath.Base(f.name)); err != nil {
			return err
		}
	}
	return nil
}
