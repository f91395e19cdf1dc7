package intake

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// underWay is a batch of a stream that was taken and not answered yet.
type underWay struct {
	post    *post
	refused *fault.Error
}

// AppendStream posts batches one after the other. A fixed number of them may be under way: the stream is read no faster than the log
// takes its batches, and what one stream can make the node hold is bounded.
func (s *Service) AppendStream(stream grpc.BidiStreamingServer[pb.AppendStreamRequest, pb.AppendStreamResponse]) error {
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	who, f := caller(ctx)
	if f != nil {
		return f
	}
	pending := make(chan underWay, s.cfg.StreamWindow)
	answered := make(chan error, 1)
	go func() {
		err := s.answerStream(ctx, stream, pending)
		if err != nil {
			cancel()
		}
		answered <- err
	}()
	err := s.readStream(ctx, stream, who.Party, pending)
	close(pending)
	if err != nil {
		cancel()
	}
	return errors.Join(err, <-answered)
}

// readStream reads batches until the caller has sent its last.
func (s *Service) readStream(
	ctx context.Context, stream grpc.BidiStreamingServer[pb.AppendStreamRequest, pb.AppendStreamResponse], party string, pending chan<- underWay,
) error {
	for {
		req, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		select {
		case pending <- s.take(ctx, party, req.GetEvents()):
		case <-ctx.Done():
			return nil // the answering side has failed and says why
		}
	}
}

// take seals a batch and queues it, waiting for room.
func (s *Service) take(ctx context.Context, party string, list []*pb.Event) underWay {
	events, f := readBatch(party, opal.RequestID{}, list)
	if f != nil {
		return underWay{refused: f}
	}
	if refused := knownTables(events); refused != nil {
		return underWay{refused: refused.inBatch()}
	}
	p, refused := s.seal(ctx, party, events)
	if refused != nil {
		return underWay{refused: refused.inBatch()}
	}
	return underWay{p, s.queue.post(ctx, p, true)}
}

// answerStream answers batches in their order.
func (s *Service) answerStream(
	ctx context.Context, stream grpc.BidiStreamingServer[pb.AppendStreamRequest, pb.AppendStreamResponse], pending <-chan underWay,
) error {
	for n := int64(0); ; n++ {
		u, ok := <-pending
		if !ok {
			return nil
		}
		res := &pb.AppendStreamResponse{Batch: n}
		f := u.refused
		if f == nil {
			results, refused := s.await(ctx, u.post)
			if f = refused.inBatch(); f == nil {
				res.Results = s.answer(results)
			}
		}
		if f != nil {
			if f.Kind == fault.Internal {
				s.cfg.Logger.ErrorContext(ctx, "batch failed", "request", rpc.RequestID(ctx), "batch", n, "error", f)
			}
			res.Refusal = rpc.Refusal(f)
		}
		if err := stream.Send(res); err != nil {
			return err
		}
	}
}
