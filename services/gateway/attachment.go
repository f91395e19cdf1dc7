package gateway

import (
	"encoding/base64"
	"encoding/hex"
	"errors"
	"io"
	"net/http"
	"os"
	"path"
	"strconv"
	"strings"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// The files of attachments go by as they are, in pieces, and are never held whole: that is why they have handlers of their own.
const (
	attachmentsPath = "/v1/attachments"
	uploadPiece     = 64 << 10
)

// maxBody is the largest body of a request.
func (c *Config) maxBody(r *http.Request) int64 {
	if n, ok := c.LargeBodies[r.URL.Path]; ok {
		return n
	}
	if r.URL.Path == attachmentsPath {
		return attachment.MaxBytes
	}
	return MaxBody
}

// upload serves POST /v1/attachments: the body is the file, its Content-Type what it is said to be, and its Content-Digest, if there is one, what its SHA-256
// must be.
func upload(files pb.AttachmentServiceClient, cfg Config) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		out, err := send(files, r, &arriving{body: r.Body, control: http.NewResponseController(w), pause: cfg.UploadPause, within: cfg.UploadWithin, began: time.Now()})
		if err != nil {
			writeError(w, r, err)
			return
		}
		body, err := compacted(protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(out))
		if err != nil {
			writeError(w, r, err)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Location", attachmentsPath+"/"+out.GetSha256())
		_, _ = w.Write(body)
	}
}

// arriving reads a body that may come over a slow line: as long as bytes arrive it is not cut off, up to a bound for the whole. Who stands still is.
type arriving struct {
	body          io.Reader
	control       *http.ResponseController
	pause, within time.Duration
	began         time.Time
	size          int64
}

// Read gives what has arrived. A time that is over is a refusal.
func (a *arriving) Read(p []byte) (int, error) {
	now, end := time.Now(), a.began.Add(a.within)
	until := now.Add(a.pause)
	if until.After(end) {
		until = end
	}
	if err := a.control.SetReadDeadline(until); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	n, err := a.body.Read(p)
	a.size += int64(n)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded) && until.Equal(end):
		err = fault.New(fault.InvalidField, "", "found %d bytes and no end of the file within %v, accepted is one that is whole by then", a.size, a.within)
	case errors.Is(err, os.ErrDeadlineExceeded):
		err = fault.New(fault.InvalidField, "", "found %d bytes and then none for %v, accepted is a file that keeps coming", a.size, a.pause)
	}
	return n, err
}

// send passes the body on.
func send(files pb.AttachmentServiceClient, r *http.Request, body io.Reader) (*pb.PutAttachmentResponse, error) {
	if r.Header.Get("Content-Type") == "" {
		return nil, fault.New(fault.InvalidField, "Content-Type", "found nothing, accepted is the file's media type")
	}
	want, f := contentDigest(r.Header.Values("Content-Digest"))
	if f != nil {
		return nil, f
	}
	stream, err := files.PutAttachment(callMetadata(r))
	if err != nil {
		return nil, err
	}
	// A refusal while there is more to send ends the stream: Send answers io.EOF, and the reason comes with the answer.
	err = stream.Send(&pb.PutAttachmentRequest{MediaType: proto.String(r.Header.Get("Content-Type")), Sha256: want})
	buf := make([]byte, uploadPiece)
	for err == nil {
		var n int
		var rerr error
		if n, rerr = body.Read(buf); n > 0 {
			err = stream.Send(&pb.PutAttachmentRequest{Chunk: buf[:n]})
		}
		var tooLarge *http.MaxBytesError
		switch {
		case rerr == io.EOF && err == nil:
			return stream.CloseAndRecv()
		case errors.As(rerr, &tooLarge):
			return nil, fileTooLarge(-1, tooLarge.Limit)
		case rerr != nil && rerr != io.EOF:
			if f, ok := fault.As(rerr); ok {
				return nil, f
			}
			return nil, fault.New(fault.InvalidField, "", "the body ended before it was whole: %v", rerr)
		}
	}
	if errors.Is(err, io.EOF) {
		_, err = stream.CloseAndRecv()
	}
	return nil, err
}

// contentDigest reads a Content-Digest header (RFC 9530): the SHA-256 that a body must have, nil if there is no header. Digests of other kinds may stand beside
// it, and alone are refused: who sends one counts on its being compared.
func contentDigest(values []string) (*string, *fault.Error) {
	if len(values) == 0 {
		return nil, nil
	}
	text := strings.Join(values, ",")
	for member := range strings.SplitSeq(text, ",") {
		kind, value, _ := strings.Cut(strings.TrimSpace(member), "=")
		if kind != "sha-256" || len(value) < 2 || value[0] != ':' || value[len(value)-1] != ':' {
			continue
		}
		if sum, err := base64.StdEncoding.DecodeString(value[1 : len(value)-1]); err == nil && len(sum) == len(attachment.Hash{}) {
			return proto.String(hex.EncodeToString(sum)), nil
		}
	}
	return nil, fault.New(fault.InvalidField, "Content-Digest", "found %q, accepted is sha-256=:the hash in base64:", clip(text))
}

// download serves GET /v1/attachments/{sha256}. A file is given out to be saved, in a sandbox, as what it was found to be when it was taken in. Its tag is its
// hash, so that who has it need not get it again; also that is answered only for a file that is here and whole.
func download(files pb.AttachmentServiceClient) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		hash := strings.ToLower(path.Base(r.URL.Path))
		in := &pb.GetAttachmentRequest{Sha256: hash}
		if f := (strictQuery{}).parse(in, r.URL.Query(), utilities.NewDoubleArray([][]string{{"sha256"}})); f != nil {
			writeError(w, r, f)
			return
		}
		stream, err := files.GetAttachment(callMetadata(r), in)
		giveFile(w, r, hash, "attachment", stream, err)
	}
}

// picture serves GET /v1/stones/{handle}/pictures/{sha256}: an image that stands on a stone's public record, to be shown in a page.
func picture(files pb.AttachmentServiceClient) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		hash := strings.ToLower(r.PathValue("sha256"))
		in := &pb.GetStonePictureRequest{Handle: r.PathValue("handle"), Sha256: hash}
		if f := (strictQuery{}).parse(in, r.URL.Query(), utilities.NewDoubleArray([][]string{{"handle"}, {"sha256"}})); f != nil {
			writeError(w, r, f)
			return
		}
		stream, err := files.GetStonePicture(callMetadata(r), in)
		giveFile(w, r, hash, "inline", stream, err)
	}
}

// giveFile writes a file as it comes, to be saved or to be shown.
func giveFile(w http.ResponseWriter, r *http.Request, hash, disposition string, stream grpc.ServerStreamingClient[pb.GetAttachmentResponse], err error) {
	if err != nil {
		writeError(w, r, err)
		return
	}
	m, err := stream.Recv()
	if err != nil {
		writeError(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "private, max-age=31536000, immutable")
	h.Set("ETag", `"`+hash+`"`)
	if tagIn(strings.Join(r.Header.Values("If-None-Match"), ","), h.Get("ETag")) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Accept-Ranges", "none")
	h.Set("Content-Type", m.GetMediaType())
	h.Set("Content-Length", strconv.Itoa(int(m.GetSize())))
	h.Set("Content-Disposition", disposition+`; filename="`+hash[:min(len(hash), 64)]+ending(m.GetMediaType())+`"`)
	if r.Method == http.MethodHead {
		return
	}
	for {
		if _, err := w.Write(m.GetChunk()); err != nil {
			return
		}
		if m, err = stream.Recv(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			panic(http.ErrAbortHandler) // the answer has begun: a reader must see that it is not whole
		}
	}
}

func ending(media string) string {
	switch media {
	case attachment.JCAMP:
		return ".jdx"
	case attachment.JPEG:
		return ".jpg"
	case attachment.PNG:
		return ".png"
	case attachment.TIFF:
		return ".tif"
	case attachment.PDF:
		return ".pdf"
	}
	return ".txt"
}
