package transparency

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"fmt"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/lotpaper/lotpaper/internal/bundle"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// Bearing is a lot's status with what it rests on.
type Bearing struct {
	Status *pb.GetStatusResponse
	// Lots and Positions name what was read for it, Size how many events were known, and Rules is the rule table that judged.
	Lots      []string
	Positions []uint64
	Size      uint64
	Rules     []byte
}

// Records answers a lot's status with what it rests on.
type Records func(ctx context.Context, in *pb.GetStatusRequest) (*Bearing, error)

// Stones gives the lot that a public handle leads to; an unknown handle is a fault.
type Stones func(ctx context.Context, handle string) (lot string, err error)

// GetStoneProof answers the record of the stone of a handle, as GetLotProof does.
func (s *Service) GetStoneProof(in *pb.GetStoneProofRequest, stream grpc.ServerStreamingServer[pb.GetLotProofResponse]) error {
	if s.stones == nil {
		return fault.New(fault.NotAllowed, "", "this node gives out no records")
	}
	lot, err := s.stones(stream.Context(), in.GetHandle())
	if err != nil {
		return err
	}
	return s.GetLotProof(&pb.GetLotProofRequest{Lot: lot, Since: in.Since, MinPosition: in.MinPosition, Epoch: in.Epoch}, stream)
}

// pieceSize is how much of a file goes into one message.
const pieceSize = 256 << 10

// GetLotProof answers the record of a lot as one file. All of it is of one moment: the status, and a checkpoint of the log as it stood then.
func (s *Service) GetLotProof(in *pb.GetLotProofRequest, stream grpc.ServerStreamingServer[pb.GetLotProofResponse]) error {
	if s.records == nil {
		return fault.New(fault.NotAllowed, "", "this node gives out no records")
	}
	b, err := s.records(stream.Context(), &pb.GetStatusRequest{Lot: in.GetLot(), AsOf: in.AsOf, MinPosition: in.MinPosition, Epoch: in.Epoch})
	if err != nil {
		return err
	}
	file, err := s.bundle(in, b)
	if err != nil {
		return err
	}
	for len(file) > 0 {
		n := min(len(file), pieceSize)
		if err := stream.Send(&pb.GetLotProofResponse{Chunk: file[:n]}); err != nil {
			return err
		}
		file = file[n:]
	}
	return nil
}

func (s *Service) bundle(in *pb.GetLotProofRequest, b *Bearing) ([]byte, error) {
	h, f := s.head()
	if f != nil {
		return nil, f
	}
	if h.Next < b.Size {
		return nil, fault.New(fault.NotCaughtUp, "", "the status is of %d events, and this node has %d", b.Size, h.Next)
	}
	if since := in.GetSince(); in.Since != nil && (since < 1 || uint64(since) > b.Size) {
		return nil, fault.New(fault.InvalidField, "since", "found %d, accepted is 1 to %d, the size of the log", since, b.Size)
	}
	events, err := bundle.Gather(s.log, b.Lots, b.Positions, b.Size)
	if err != nil {
		return nil, err
	}
	origin := Origin(h.LogName, h.Epoch)
	root, err := tlog.TreeHash(int64(b.Size), stored{s.log})
	if err != nil {
		return nil, fmt.Errorf("find the root of %d events: %w", b.Size, err)
	}
	c := &bundle.Contents{Origin: origin, Size: b.Size, Lot: in.GetLot(), AsOf: b.Status.GetAsOf(), Rules: b.Rules, Since: uint64(in.GetSince())}
	sign := func(text string) (string, error) { return signNote(origin, text, s.private) }
	if c.Checkpoint, err = sign(checkpointText(origin, b.Size, root)); err != nil {
		return nil, err
	}
	if c.Since > 0 && c.Since < b.Size {
		hashes, err := tlog.ProveTree(int64(b.Size), int64(c.Since), stored{s.log})
		if err != nil {
			return nil, fmt.Errorf("prove that the log of %d is the beginning of that of %d: %w", c.Since, b.Size, err)
		}
		for _, hash := range hashes {
			c.Consistency = append(c.Consistency, hash)
		}
	}
	text, err := protojson.Marshal(b.Status)
	if err != nil {
		return nil, fmt.Errorf("write the status: %w", err)
	}
	var compact bytes.Buffer // the library puts blanks in at will
	if err := json.Compact(&compact, text); err != nil {
		return nil, fmt.Errorf("write the status: %w", err)
	}
	c.Status = compact.Bytes()
	for _, e := range events {
		x, err := s.prove(e, b.Size)
		if err != nil {
			return nil, err
		}
		c.Events = append(c.Events, *x)
	}
	return bundle.Make(c, sign)
}

// prove makes an event's part.
func (s *Service) prove(e *eventlog.Event, size uint64) (*bundle.Stored, error) {
	position := e.Recorded.Position
	leaf, signed, err := s.log.Entry(e)
	if err != nil {
		return nil, err
	}
	hashes, err := tlog.ProveRecord(int64(size), int64(position), stored{s.log})
	if err != nil {
		return nil, fmt.Errorf("prove that %d is in the log: %w", position, err)
	}
	x := &bundle.Stored{Leaf: leaf, Envelope: signed, Statement: e.Statement, Findings: e.Recorded.Findings, Outcome: e.Outcome}
	for _, hash := range hashes {
		x.Proof = append(x.Proof, hash)
	}
	return x, nil
}

// checkpointText is the body of a checkpoint (C2SP tlog-checkpoint).
func checkpointText(origin string, size uint64, root [32]byte) string {
	return fmt.Sprintf("%s\n%d\n%s\n", origin, wire.Position(size), base64.StdEncoding.EncodeToString(root[:]))
}

// signNote signs a text (C2SP signed-note).
func signNote(origin, text string, private ed25519.PrivateKey) (string, error) {
	s, err := signer(origin, private)
	if err != nil {
		return "", err
	}
	signed, err := note.Sign(&note.Note{Text: text}, s)
	if err != nil {
		return "", fmt.Errorf("sign a note: %w", err)
	}
	return string(signed), nil
}
