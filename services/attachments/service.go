// Package attachments is the gRPC service that takes files in and gives them out, by their SHA-256.
//
// It promises that an answered upload is on disk, and that an upload which was cut off, is too large or is not what it is said to be leaves nothing. Who may
// call is the edge's matter, the keeping internal/attachment's.
package attachments

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/attachment"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// MaxChunk is the largest piece of an upload.
const MaxChunk = 256 << 10

// piece is how much one answer carries.
const piece = 64 << 10

// Store keeps the files. It is safe for many callers at once.
type Store interface {
	// Put stores what it reads; it is on disk when Put returns. A refusal is a *fault.Error. After an error nothing is stored.
	Put(ctx context.Context, r io.Reader, mediaType string, want *attachment.Hash) (attachment.Stored, error)
	// Get opens a file whose content was compared with its name, or answers attachment.ErrMissing or attachment.ErrDamaged.
	Get(attachment.Hash) (*attachment.File, error)
}

var _ Store = (*attachment.Store)(nil)

// Service answers the calls.
type Service struct {
	pb.UnimplementedAttachmentServiceServer
	store Store
	may   Readers
	shown Shown
	log   *slog.Logger
}

// Readers tells whether a party may read a file; lot, if it is not empty, is the one because of which it wants to.
type Readers func(ctx context.Context, party string, hash attachment.Hash, lot string) (bool, error)

// Shown tells whether a file is a picture on the public record of a handle's stone. An unknown handle is a fault.
type Shown func(ctx context.Context, handle string, hash attachment.Hash) (bool, error)

var _ pb.AttachmentServiceServer = (*Service)(nil)

// New makes a service.
func New(store Store, may Readers, shown Shown, log *slog.Logger) *Service {
	return &Service{store: store, may: may, shown: shown, log: log}
}

// PutAttachment stores a file.
func (s *Service) PutAttachment(stream grpc.ClientStreamingServer[pb.PutAttachmentRequest, pb.PutAttachmentResponse]) error {
	first, err := stream.Recv()
	if errors.Is(err, io.EOF) {
		return fault.New(fault.InvalidField, "mediaType", "found no message, accepted is one with the media type, and then the content")
	}
	if err != nil {
		return err
	}
	if first.MediaType == nil {
		return fault.New(fault.InvalidField, "mediaType", "found nothing in the first message, accepted is the file's media type")
	}
	var want *attachment.Hash
	if first.Sha256 != nil {
		h, f := hash(first.GetSha256())
		if f != nil {
			return f
		}
		want = &h
	}
	in := &upload{stream: stream, rest: first.GetChunk()}
	if len(in.rest) > MaxChunk {
		return tooLong(len(in.rest))
	}
	out, err := s.store.Put(stream.Context(), in, first.GetMediaType(), want)
	if in.failed != nil { // the caller's own fault, or its going away
		return in.failed
	}
	if err != nil {
		return err
	}
	return stream.SendAndClose(&pb.PutAttachmentResponse{
		Sha256: hex.EncodeToString(out.Hash[:]), MediaType: out.MediaType, Size: int32(out.Size), Known: out.Known,
	})
}

func tooLong(n int) *fault.Error {
	return fault.New(fault.TooLarge, "chunk", "found %d bytes in one message, accepted are at most %d", n, MaxChunk)
}

// upload reads the pieces of a stream as one file.
type upload struct {
	stream grpc.ClientStreamingServer[pb.PutAttachmentRequest, pb.PutAttachmentResponse]
	rest   []byte
	failed error
}

func (u *upload) Read(p []byte) (int, error) {
	for len(u.rest) == 0 {
		m, err := u.stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return 0, io.EOF
		case err != nil:
			u.failed = err
		case m.MediaType != nil || m.Sha256 != nil:
			u.failed = fault.New(fault.InvalidField, "mediaType", "found a media type or a hash in a later message, accepted are they in the first alone")
		case len(m.GetChunk()) > MaxChunk:
			u.failed = tooLong(len(m.GetChunk()))
		}
		if u.failed != nil {
			return 0, u.failed
		}
		u.rest = m.GetChunk()
	}
	n := copy(p, u.rest)
	u.rest = u.rest[n:]
	return n, nil
}

// GetAttachment gives a file out.
func (s *Service) GetAttachment(in *pb.GetAttachmentRequest, stream grpc.ServerStreamingServer[pb.GetAttachmentResponse]) error {
	h, f := hash(in.GetSha256())
	if f != nil {
		return f
	}
	c, _ := rpc.CallerFrom(stream.Context())
	ok, err := s.may(stream.Context(), c.Party, h, in.GetLot())
	if err != nil {
		return err
	}
	if !ok { // as if it were not here: nobody learns which files there are
		return unknown(h)
	}
	return s.open(stream, h)
}

// GetStonePicture gives a picture out to anybody who has the handle of its stone.
func (s *Service) GetStonePicture(in *pb.GetStonePictureRequest, stream grpc.ServerStreamingServer[pb.GetAttachmentResponse]) error {
	h, f := hash(in.GetSha256())
	if f != nil {
		return f
	}
	ok, err := s.shown(stream.Context(), in.GetHandle(), h)
	if err != nil {
		return err
	}
	if !ok {
		return fault.New(fault.UnknownAttachment, "sha256", "found %x, which is no picture on the record of this stone", h)
	}
	return s.open(stream, h)
}

// open gives out a file that the caller may read.
func (s *Service) open(stream grpc.ServerStreamingServer[pb.GetAttachmentResponse], h attachment.Hash) error {
	file, err := s.store.Get(h)
	switch {
	case errors.Is(err, attachment.ErrMissing):
		return unknown(h)
	case errors.Is(err, attachment.ErrDamaged):
		return s.damaged(stream.Context(), h)
	case err != nil:
		return err
	}
	defer file.Close()
	return s.give(stream, file, h)
}

// give sends a file. A slow reader takes minutes, and what was compared when the file was opened may be read from the disk again meanwhile: so it is compared
// once more on its way, and the last piece is sent only when the whole agreed.
func (s *Service) give(stream grpc.ServerStreamingServer[pb.GetAttachmentResponse], file *attachment.File, h attachment.Hash) error {
	out := &pb.GetAttachmentResponse{MediaType: proto.String(file.MediaType), Size: proto.Int32(int32(file.Size))}
	sum := sha256.New()
	buf := make([]byte, piece)
	for left := file.Size; ; {
		out.Chunk = buf[:min(left, piece)]
		_, err := io.ReadFull(file, out.Chunk)
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return fmt.Errorf("read an attachment: %w", err)
		}
		sum.Write(out.Chunk)
		left -= int64(len(out.Chunk))
		if err != nil || left == 0 && attachment.Hash(sum.Sum(nil)) != h {
			return s.damaged(stream.Context(), h)
		}
		if err := stream.Send(out); err != nil || left == 0 {
			return err
		}
		out = &pb.GetAttachmentResponse{}
	}
}

func (s *Service) damaged(ctx context.Context, h attachment.Hash) error {
	s.log.ErrorContext(ctx, "attachment is damaged", "sha256", hex.EncodeToString(h[:]))
	return fault.New(fault.UnknownAttachment, "sha256", "found %x, whose file is damaged on this node and is not given out; it may be uploaded again", h)
}

func unknown(h attachment.Hash) *fault.Error {
	return fault.New(fault.UnknownAttachment, "sha256", "found %x, and no file of that hash on this node that you may read: a file is for the parties of the lots that its events are about, and of what was made of them; with lot=LOT it is looked for in that lot's past alone", h)
}

func hash(text string) (h attachment.Hash, f *fault.Error) {
	if b, err := hex.DecodeString(text); err == nil && len(b) == len(h) {
		return attachment.Hash(b), nil
	}
	return h, fault.New(fault.InvalidField, "sha256", "found %q, accepted are 64 hexadecimal digits", text[:min(len(text), 80)])
}
