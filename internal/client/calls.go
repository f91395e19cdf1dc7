package client

import (
	"context"
	"crypto/sha256"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
)

// AppendBatch posts up to 1,000 events of the caller: all of them, or none.
func (c *Client) AppendBatch(ctx context.Context, req *pb.AppendBatchRequest) (*pb.AppendBatchResponse, error) {
	out := &pb.AppendBatchResponse{}
	return out, c.call(ctx, http.MethodPost, "/v1/events:batch", nil, req, out)
}

// AppendEnvelopes posts what a party signed.
func (c *Client) AppendEnvelopes(ctx context.Context, req *pb.AppendEnvelopesRequest) (*pb.AppendEnvelopesResponse, error) {
	out := &pb.AppendEnvelopesResponse{}
	return out, c.call(ctx, http.MethodPost, "/v1/events:append", nil, req, out)
}

// ProveInclusion answers the proof that an event is in the log; it takes no token.
func (c *Client) ProveInclusion(ctx context.Context, req *pb.ProveInclusionRequest) (*pb.ProveInclusionResponse, error) {
	out := &pb.ProveInclusionResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/log/inclusion", query(req), nil, out)
}

// ProveConsistency answers the proof that an older log is the beginning of a newer one; it takes no token.
func (c *Client) ProveConsistency(ctx context.Context, req *pb.ProveConsistencyRequest) (*pb.ProveConsistencyResponse, error) {
	out := &pb.ProveConsistencyResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/log/consistency", query(req), nil, out)
}

// Checkpoint answers the log's checkpoint, a signed note; it takes no token.
func (c *Client) Checkpoint(ctx context.Context) (string, error) {
	out := &pb.ProveConsistencyResponse{}
	// The log's first event is the beginning of every log, so that this asks for the checkpoint alone.
	err := c.call(ctx, http.MethodGet, "/v1/log/consistency", query(&pb.ProveConsistencyRequest{From: proto.Int64(1)}), nil, out)
	return out.GetCheckpoint(), err
}

// LotProof answers the record of a lot as one file, to be checked without a network.
func (c *Client) LotProof(ctx context.Context, req *pb.GetLotProofRequest) ([]byte, error) {
	return c.raw(ctx, http.MethodGet, "/v1/lots/"+url.PathEscape(req.GetLot())+"/proof", query(req, "lot"), "", nil)
}

// RevealField shows one private value of the caller's own event to another party.
func (c *Client) RevealField(ctx context.Context, req *pb.RevealFieldRequest) (*pb.RevealFieldResponse, error) {
	out := &pb.RevealFieldResponse{}
	return out, c.call(ctx, http.MethodPost, "/v1/events/"+req.GetEvent()+":reveal", nil, &pb.RevealFieldRequest{Path: req.GetPath(), To: req.GetTo()}, out)
}

// EraseFields destroys the keys of private values.
func (c *Client) EraseFields(ctx context.Context, req *pb.EraseFieldsRequest) (*pb.EraseFieldsResponse, error) {
	out := &pb.EraseFieldsResponse{}
	return out, c.call(ctx, http.MethodPost, "/v1/events/"+req.GetEvent()+":erase", nil, &pb.EraseFieldsRequest{Paths: req.GetPaths(), All: req.GetAll()}, out)
}

// PutAttachment stores a file, and answers its SHA-256.
// The hash goes along, and what was stored must have it.
func (c *Client) PutAttachment(ctx context.Context, mediaType string, data []byte) (*pb.PutAttachmentResponse, error) {
	out := &pb.PutAttachmentResponse{}
	if err := c.send(ctx, http.MethodPost, "/v1/attachments", nil, mediaType, data, out); err != nil {
		return out, err
	}
	if want := fmt.Sprintf("%x", sha256.Sum256(data)); out.GetSha256() != want {
		return out, fmt.Errorf("%s stored a file whose SHA-256 is %.64q, and %s was sent; send it again", c.base, out.GetSha256(), want)
	}
	return out, nil
}

// Append posts one event about a lot.
func (c *Client) Append(ctx context.Context, req *pb.AppendRequest) (*pb.AppendResponse, error) {
	out := &pb.AppendResponse{}
	return out, c.call(ctx, http.MethodPost, "/v1/lots/"+url.PathEscape(req.GetLot())+"/events", nil, req.GetEvent(), out)
}

// AppendLogEvent posts one event that has no lot.
func (c *Client) AppendLogEvent(ctx context.Context, req *pb.AppendLogEventRequest) (*pb.AppendLogEventResponse, error) {
	out := &pb.AppendLogEventResponse{}
	return out, c.call(ctx, http.MethodPost, "/v1/events", nil, req.GetEvent(), out)
}

// CreateParty enrols a party; it takes the admin's token.
func (c *Client) CreateParty(ctx context.Context, req *pb.CreatePartyRequest) (*pb.CreatePartyResponse, error) {
	out := &pb.CreatePartyResponse{}
	return out, c.call(ctx, http.MethodPost, "/v1/parties", nil, req, out)
}

// GetLog tells the log's name, epoch, next position and policy.
func (c *Client) GetLog(ctx context.Context, req *pb.GetLogRequest) (*pb.GetLogResponse, error) {
	out := &pb.GetLogResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/log", query(req), nil, out)
}

// ListLots lists the lots that the caller holds, owns, held or sold.
func (c *Client) ListLots(ctx context.Context, req *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
	out := &pb.ListLotsResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/lots", query(req), nil, out)
}

// GetLot answers a lot's account.
func (c *Client) GetLot(ctx context.Context, req *pb.GetLotRequest) (*pb.GetLotResponse, error) {
	out := &pb.GetLotResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/lots/"+url.PathEscape(req.GetLot()), query(req, "lot"), nil, out)
}

// GetHistory lists one page of the events that bear on a lot.
func (c *Client) GetHistory(ctx context.Context, req *pb.GetHistoryRequest) (*pb.GetHistoryResponse, error) {
	out := &pb.GetHistoryResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/lots/"+url.PathEscape(req.GetLot())+"/history", query(req, "lot"), nil, out)
}

// GetLineage answers a lot's ancestors and, if asked, descendants.
func (c *Client) GetLineage(ctx context.Context, req *pb.GetLineageRequest) (*pb.GetLineageResponse, error) {
	out := &pb.GetLineageResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/lots/"+url.PathEscape(req.GetLot())+"/lineage", query(req, "lot"), nil, out)
}

// GetStatus answers a lot's treatment status.
func (c *Client) GetStatus(ctx context.Context, req *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	out := &pb.GetStatusResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/lots/"+url.PathEscape(req.GetLot())+"/status", query(req, "lot"), nil, out)
}

// GetNextTests says which tests would tell more of a lot.
func (c *Client) GetNextTests(ctx context.Context, req *pb.GetNextTestsRequest) (*pb.GetNextTestsResponse, error) {
	out := &pb.GetNextTestsResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/lots/"+url.PathEscape(req.GetLot())+"/nextTests", query(req, "lot"), nil, out)
}

// GetDisclosure says what a seller has to tell of a lot.
func (c *Client) GetDisclosure(ctx context.Context, req *pb.GetDisclosureRequest) (*pb.GetDisclosureResponse, error) {
	out := &pb.GetDisclosureResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/lots/"+url.PathEscape(req.GetLot())+"/disclosure", query(req, "lot"), nil, out)
}

// CheckClaims tells whether the record supports claims about a lot.
func (c *Client) CheckClaims(ctx context.Context, req *pb.CheckClaimsRequest) (*pb.CheckClaimsResponse, error) {
	out := &pb.CheckClaimsResponse{}
	body := proto.CloneOf(req)
	body.Lot = ""
	return out, c.call(ctx, http.MethodPost, "/v1/lots/"+url.PathEscape(req.GetLot())+":checkClaims", nil, body, out)
}

// GetStone answers a stone's public record by its handle.
func (c *Client) GetStone(ctx context.Context, req *pb.GetStoneRequest) (*pb.GetStoneResponse, error) {
	out := &pb.GetStoneResponse{}
	return out, c.call(ctx, http.MethodGet, "/v1/stones/"+url.PathEscape(req.GetHandle()), query(req, "handle"), nil, out)
}

// Ready asks whether the service has caught up.
func (c *Client) Ready(ctx context.Context) error {
	return c.call(ctx, http.MethodGet, "/healthz", nil, nil, nil)
}

// query writes the fields of a request that are set, other than those of its path, as parameters.
func query(m proto.Message, inPath ...string) url.Values {
	values := url.Values{}
	m.ProtoReflect().Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if !slices.Contains(inPath, string(fd.Name())) {
			values.Set(fd.JSONName(), v.String())
		}
		return true
	})
	return values
}
