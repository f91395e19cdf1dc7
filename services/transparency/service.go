package transparency

import (
	"context"
	"crypto/ed25519"
	"encoding/binary"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"github.com/lotpaper/lotpaper/internal/block"
	"github.com/lotpaper/lotpaper/internal/bundle"
	"github.com/lotpaper/lotpaper/internal/eventlog"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/receipt"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// tileWidth is how many hashes a full tile has, and tileBits its logarithm.
const (
	tileWidth = 256
	tileBits  = 8
)

// Log is a node's copy of the log. It is safe for many readers at once, and what it answers never changes.
type Log interface {
	// Head says where the log stands: what is before it was acknowledged and stays.
	Head() eventlog.Head
	// Hashes gives the first hashes of a tile; nil: they are not there yet.
	Hashes(level uint8, n uint64, width int) ([][32]byte, error)
	// Leaves gives the leaves of events that the log holds.
	Leaves(from, to uint64) ([]block.Leaf, error)
	// Recorded finds an event by its id; nil: there is none.
	Recorded(id string) (*opal.Recorded, error)
	// Entry gives an event's leaf and the envelope in which it came.
	Entry(e *eventlog.Event) (leaf block.Leaf, signed []byte, err error)
	bundle.Log
}

var _ Log = (*eventlog.Log)(nil)

// Service answers the calls.
type Service struct {
	pb.UnimplementedTransparencyServiceServer
	log     Log
	private ed25519.PrivateKey
	records Records
	stones  Stones
}

var _ pb.TransparencyServiceServer = (*Service)(nil)

// New makes a service that signs with the log's checkpoint key. records and stones may be nil: then no record of a lot is given out, or none by handle.
func New(log Log, private ed25519.PrivateKey, records Records, stones Stones) *Service {
	return &Service{log: log, private: private, records: records, stones: stones}
}

// head is where the log stands, which must have begun.
func (s *Service) head() (eventlog.Head, *fault.Error) {
	h := s.log.Head()
	if h.Next == 0 {
		return h, fault.New(fault.NotCaughtUp, "", "the log has not begun on this node")
	}
	return h, nil
}

// GetCheckpoint answers a signed checkpoint of the log as it stands.
func (s *Service) GetCheckpoint(context.Context, *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	h, f := s.head()
	if f != nil {
		return nil, f
	}
	text, err := checkpoint(&h, s.private)
	if err != nil {
		return nil, err
	}
	key, err := VerifierKey(Origin(h.LogName, h.Epoch), s.private.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	return &pb.GetCheckpointResponse{Checkpoint: text, VerifierKey: key, Size: wire.Position(h.Next)}, nil
}

func checkWidth(width int32) *fault.Error {
	if width < 1 || width > tileWidth {
		return fault.New(fault.InvalidField, "width", "found %d, accepted is 1 to %d", width, tileWidth)
	}
	return nil
}

// GetTile answers hashes of the tree.
func (s *Service) GetTile(_ context.Context, in *pb.GetTileRequest) (*pb.GetTileResponse, error) {
	if f := checkWidth(in.GetWidth()); f != nil {
		return nil, f
	}
	if in.GetLevel() < 0 || in.GetLevel() > 63/tileBits {
		return nil, fault.New(fault.InvalidField, "level", "found %d, accepted is 0 to %d", in.GetLevel(), 63/tileBits)
	}
	if in.GetNumber() < 0 {
		return nil, fault.New(fault.InvalidField, "number", "found %d, accepted is 0 or more", in.GetNumber())
	}
	hashes, err := s.log.Hashes(uint8(in.GetLevel()), uint64(in.GetNumber()), int(in.GetWidth()))
	if err != nil {
		return nil, err
	}
	if hashes == nil {
		return nil, fault.New(fault.UnknownTile, "number", "found tile %d of level %d with %d hashes, which the log of %d events does not have", in.GetNumber(), in.GetLevel(), in.GetWidth(), s.log.Head().Next)
	}
	out := make([]byte, 0, 32*len(hashes))
	for i := range hashes {
		out = append(out, hashes[i][:]...)
	}
	return &pb.GetTileResponse{Hashes: out}, nil
}

// GetEntries answers entries of the log.
func (s *Service) GetEntries(_ context.Context, in *pb.GetEntriesRequest) (*pb.GetEntriesResponse, error) {
	if f := checkWidth(in.GetWidth()); f != nil {
		return nil, f
	}
	next := s.log.Head().Next
	if in.GetNumber() < 0 || uint64(in.GetNumber()) > next/tileWidth || uint64(in.GetNumber())*tileWidth+uint64(in.GetWidth()) > next {
		return nil, fault.New(fault.UnknownTile, "number", "found the entries of tile %d up to %d, which the log of %d events does not have", in.GetNumber(), in.GetWidth(), next)
	}
	from := uint64(in.GetNumber()) * tileWidth
	leaves, err := s.log.Leaves(from, from+uint64(in.GetWidth()))
	if err != nil {
		return nil, err
	}
	var out []byte
	for _, l := range leaves {
		out = binary.BigEndian.AppendUint16(out, block.LeafSize)
		out = l.Append(out)
	}
	return &pb.GetEntriesResponse{Bundle: out}, nil
}

// stored reads hashes of the tree for the proofs of the library: those within a tile are made of the tile's own.
type stored struct{ log Log }

var _ tlog.HashReader = stored{}

// ReadHashes answers hashes by their index in the library's numbering.
func (r stored) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		level, n := tlog.SplitStoredHashIndex(index)
		first := uint64(n) << (level % tileBits)
		count := 1 << (level % tileBits)
		at := int(first % tileWidth)
		hashes, err := r.log.Hashes(uint8(level/tileBits), first/tileWidth, at+count)
		if err != nil {
			return nil, err
		}
		if hashes == nil {
			return nil, fmt.Errorf("the hash %d of level %d is not there", n, level)
		}
		t := block.NewTree()
		for _, h := range hashes[at:] {
			t.AppendHash(h)
		}
		out[i] = t.Root()
	}
	return out, nil
}

// ProveInclusion answers the proof that an event is in the log.
func (s *Service) ProveInclusion(_ context.Context, in *pb.ProveInclusionRequest) (*pb.ProveInclusionResponse, error) {
	h, f := s.head()
	if f != nil {
		return nil, f
	}
	rec, err := s.find(in)
	if err != nil {
		return nil, err
	}
	if rec.Position >= h.Next {
		return nil, fault.New(fault.NotCaughtUp, "", "the event is at position %d, and this node has the log before %d", rec.Position, h.Next)
	}
	hashes, err := tlog.ProveRecord(int64(h.Next), int64(rec.Position), stored{s.log})
	if err != nil {
		return nil, fmt.Errorf("prove that %d is in the log: %w", rec.Position, err)
	}
	leaves, err := s.log.Leaves(rec.Position, rec.Position+1)
	if err != nil {
		return nil, err
	}
	text, err := checkpoint(&h, s.private)
	if err != nil {
		return nil, err
	}
	key, err := VerifierKey(Origin(h.LogName, h.Epoch), s.private.Public().(ed25519.PublicKey))
	if err != nil {
		return nil, err
	}
	out := &pb.ProveInclusionResponse{
		Event: rec.Event.ID(), Position: wire.Position(rec.Position), Entry: leaves[0].Append(nil), Hashes: bytesOf(hashes), Checkpoint: text, VerifierKey: key,
	}
	file, err := receipt.Marshal(rec.Position, out.Entry, out.Hashes, text)
	out.Proof = string(file)
	return out, err
}

// find finds the event asked for.
func (s *Service) find(in *pb.ProveInclusionRequest) (*opal.Recorded, error) {
	switch {
	case (in.Event == nil) == (in.Position == nil):
		return nil, fault.New(fault.InvalidField, "event", "found an event and a position, or neither; accepted is one of them")
	case in.Event != nil:
		rec, err := s.log.Recorded(in.GetEvent())
		if err == nil && rec == nil {
			err = fault.New(fault.UnknownEvent, "event", "found %q, which is no event of this log", clip(in.GetEvent()))
		}
		return rec, err
	}
	p, f := wire.PositionToDomain("position", in.GetPosition())
	if f != nil {
		return nil, f
	}
	e, err := s.log.At(p)
	if err != nil {
		return nil, err
	}
	if e == nil {
		return nil, fault.New(fault.UnknownEvent, "position", "found %d, and the log has no event there yet", p)
	}
	return e.Recorded, nil
}

// ProveConsistency answers the proof that the log of a size is the beginning of that of a larger one.
func (s *Service) ProveConsistency(_ context.Context, in *pb.ProveConsistencyRequest) (*pb.ProveConsistencyResponse, error) {
	h, f := s.head()
	if f != nil {
		return nil, f
	}
	to := wire.Position(h.Next)
	if in.To != nil {
		to = in.GetTo()
	}
	if to < 1 || uint64(to) > h.Next {
		return nil, fault.New(fault.InvalidField, "to", "found %d, accepted is 1 to %d, the size of the log", to, h.Next)
	}
	if in.From == nil || in.GetFrom() < 1 || in.GetFrom() > to {
		return nil, fault.New(fault.InvalidField, "from", "found %d, accepted is 1 to %d", in.GetFrom(), to)
	}
	hashes, err := tlog.ProveTree(to, in.GetFrom(), stored{s.log})
	if err != nil {
		return nil, fmt.Errorf("prove that the log of %d is the beginning of that of %d: %w", in.GetFrom(), to, err)
	}
	text, err := checkpoint(&h, s.private)
	if err != nil {
		return nil, err
	}
	return &pb.ProveConsistencyResponse{From: in.GetFrom(), To: to, Hashes: bytesOf(hashes), Checkpoint: text}, nil
}

func bytesOf(hashes []tlog.Hash) [][]byte {
	out := make([][]byte, len(hashes))
	for i := range hashes {
		out[i] = hashes[i][:]
	}
	return out
}

func clip(s string) string { return s[:min(len(s), 80)] }
