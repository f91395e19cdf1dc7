package gateway

import (
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// publication serves the log as C2SP's tlog-tiles lays down: checkpoint, tiles and entries, for anybody, as they are.
type publication struct {
	log pb.TransparencyServiceClient
}

func (p *publication) checkpoint(w http.ResponseWriter, r *http.Request) {
	out, err := p.log.GetCheckpoint(callMetadata(r), &pb.GetCheckpointRequest{})
	if err != nil {
		writeError(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = w.Write([]byte(out.GetCheckpoint()))
}

// tile serves /log/tile/<L>/<N>[.p/<W>] and /log/tile/entries/<N>[.p/<W>].
func (p *publication) tile(w http.ResponseWriter, r *http.Request) {
	level, number, width, ok := tilePath(strings.TrimPrefix(r.URL.Path, "/log/tile/"))
	if !ok {
		writeError(w, r, fault.New(fault.NoRoute, "", "found no tile %s; accepted are /log/tile/<L>/<N>[.p/<W>] and /log/tile/entries/<N>[.p/<W>], N in groups of three digits, all but the last with an x before it",
			clip(r.URL.Path)))
		return
	}
	var data []byte
	if level < 0 {
		out, err := p.log.GetEntries(callMetadata(r), &pb.GetEntriesRequest{Number: number, Width: width})
		if err != nil {
			writeError(w, r, err)
			return
		}
		data = out.GetBundle()
	} else {
		out, err := p.log.GetTile(callMetadata(r), &pb.GetTileRequest{Level: level, Number: number, Width: width})
		if err != nil {
			writeError(w, r, err)
			return
		}
		data = out.GetHashes()
	}
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Cache-Control", "public, max-age=31536000, immutable") // what a tile holds never changes
	_, _ = w.Write(data)
}

// tilePath reads the path of a tile behind /log/tile/; level -1: entries.
func tilePath(path string) (level int32, number int64, width int32, ok bool) {
	width = 256
	if whole, partial, cut := strings.Cut(path, ".p/"); cut {
		n, err := strconv.ParseUint(partial, 10, 8)
		if err != nil || n == 0 || strconv.FormatUint(n, 10) != partial {
			return 0, 0, 0, false
		}
		path, width = whole, int32(n)
	}
	kind, rest, cut := strings.Cut(path, "/")
	if !cut {
		return 0, 0, 0, false
	}
	if kind == "entries" {
		level = -1
	} else {
		n, err := strconv.ParseUint(kind, 10, 8)
		if err != nil || n > 63 || strconv.FormatUint(n, 10) != kind {
			return 0, 0, 0, false
		}
		level = int32(n)
	}
	groups := strings.Split(rest, "/")
	for i, g := range groups {
		digits := g
		if last := i == len(groups)-1; !last {
			if digits, cut = strings.CutPrefix(g, "x"); !cut {
				return 0, 0, 0, false
			}
		}
		n, err := strconv.ParseUint(digits, 10, 16)
		if err != nil || len(digits) != 3 || i == 0 && len(groups) > 1 && n == 0 || number > 1<<53 {
			return 0, 0, 0, false
		}
		number = number*1000 + int64(n)
	}
	return level, number, width, true
}

// proof serves GET /v1/lots/{lot}/proof: the record of a lot as a file to be kept.
func (p *publication) proof(w http.ResponseWriter, r *http.Request) {
	in := &pb.GetLotProofRequest{Lot: r.PathValue("lot")}
	if f := (strictQuery{}).parse(in, r.URL.Query(), utilities.NewDoubleArray([][]string{{"lot"}})); f != nil {
		writeError(w, r, f)
		return
	}
	stream, err := p.log.GetLotProof(callMetadata(r), in)
	giveRecord(w, r, in.GetLot(), stream, err)
}

// stoneProof serves GET /v1/stones/{handle}/proof, the same by a public handle.
func (p *publication) stoneProof(w http.ResponseWriter, r *http.Request) {
	in := &pb.GetStoneProofRequest{Handle: r.PathValue("handle")}
	if f := (strictQuery{}).parse(in, r.URL.Query(), utilities.NewDoubleArray([][]string{{"handle"}})); f != nil {
		writeError(w, r, f)
		return
	}
	stream, err := p.log.GetStoneProof(callMetadata(r), in)
	giveRecord(w, r, in.GetHandle(), stream, err)
}

// giveRecord writes a record as it comes. What was found under a name has no character in it that needs care.
func giveRecord(w http.ResponseWriter, r *http.Request, name string, stream grpc.ServerStreamingClient[pb.GetLotProofResponse], err error) {
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
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Disposition", `attachment; filename="`+name+`.bundle"`)
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
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
