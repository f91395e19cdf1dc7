package bench

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"os"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/envelope"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/harness"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// node is a node with its posters enrolled.
type node struct {
	*harness.Node
	dir    string
	tokens map[string]string
}

func startNode(ctx context.Context, dir string, cfg harness.Config) (_ *node, err error) {
	cfg.DataDir = dir
	cfg.EventsPerSecond, cfg.Burst = 1e9, 1e9 // the rate limit is not what is measured
	h, err := harness.Start(ctx, cfg)
	if err != nil {
		return nil, err
	}
	n := &node{Node: h, dir: dir, tokens: map[string]string{}}
	defer func() {
		if err != nil {
			n.stop()
		}
	}()
	admin := pb.NewIntakeServiceClient(h.Conn())
	for i, p := range benchParties {
		id := opal.RequestID{15: byte(i + 1)}
		res, err := admin.CreateParty(bearer(ctx, h.AdminToken()), &pb.CreatePartyRequest{Party: p, DisplayName: p, Roles: []string{string(opal.Miner)}, RequestId: id.String()})
		if err != nil {
			return nil, fmt.Errorf("enrol %s: %w", p, err)
		}
		n.tokens[p] = res.GetToken()
	}
	return n, nil
}

// stop ends the node and removes its folder.
func (n *node) stop() {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	_ = n.Stop(ctx) // the folder goes anyway
	_ = os.RemoveAll(n.dir)
}

func bearer(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// inProcess posts to the intake without gRPC.
func inProcess(n *node) (poster, func() error, error) {
	return func(ctx context.Context, party string, events []*opal.Event) error {
		if _, f := n.Intake.Submit(ctx, party, events); f != nil {
			return f
		}
		return nil
	}, func() error { return nil }, nil
}

// overGRPC posts over the loopback, with one connection for each party.
func overGRPC(n *node) (poster, func() error, error) {
	var conns []*grpc.ClientConn
	clients := map[string]pb.IntakeServiceClient{}
	closeAll := func() error {
		for _, c := range conns {
			_ = c.Close()
		}
		return nil
	}
	for _, p := range benchParties {
		c, err := grpc.NewClient(n.GRPCAddr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			_ = closeAll()
			return nil, nil, err
		}
		conns = append(conns, c)
		clients[p] = pb.NewIntakeServiceClient(c)
	}
	return func(ctx context.Context, party string, events []*opal.Event) error {
		ctx = bearer(ctx, n.tokens[party])
		if len(events) == 1 {
			_, err := clients[party].Append(ctx, &pb.AppendRequest{Lot: events[0].Lot, Event: wire.EventFromDomain(events[0])})
			return err
		}
		req := &pb.AppendBatchRequest{Events: make([]*pb.Event, len(events))}
		for i, e := range events {
			req.Events[i] = wire.EventFromDomain(e)
		}
		_, err := clients[party].AppendBatch(ctx, req)
		return err
	}, closeAll, nil
}

// signedOverGRPC is overGRPC with envelopes that the poster signs itself, one signature a call. Signing them is part of what is measured.
func signedOverGRPC(n *node) (poster, func() error, error) {
	var conns []*grpc.ClientConn
	closeAll := func() error {
		for _, c := range conns {
			_ = c.Close()
		}
		return nil
	}
	clients, keys := map[string]pb.IntakeServiceClient{}, map[string]ed25519.PrivateKey{}
	admin := pb.NewIntakeServiceClient(n.Conn())
	for i, p := range benchParties {
		seed := sha256.Sum256([]byte(p))
		keys[p] = ed25519.NewKeyFromSeed(seed[:])
		public := base64.StdEncoding.EncodeToString(keys[p].Public().(ed25519.PublicKey))
		id := opal.RequestID{14: 1, 15: byte(i + 1)}
		_, err := admin.AppendLogEvent(bearer(context.Background(), n.AdminToken()), &pb.AppendLogEventRequest{Event: &pb.Event{
			RequestId: proto.String(id.String()), OccurredAt: proto.String(time.Now().UTC().Format(time.RFC3339)),
			Body: &pb.Event_KeyAdded{KeyAdded: &pb.KeyAdded{Party: &p, PublicKey: &public, Use: proto.String(string(opal.UseSign))}},
		}})
		if err != nil {
			return nil, nil, fmt.Errorf("add the key of %s: %w", p, err)
		}
		c, err := grpc.NewClient(n.GRPCAddr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			_ = closeAll()
			return nil, nil, err
		}
		conns = append(conns, c)
		clients[p] = pb.NewIntakeServiceClient(c)
	}
	return func(ctx context.Context, party string, events []*opal.Event) error {
		batch, err := envelope.Sign(n.Log.Head().LogName, party, keys[party], events)
		if err != nil {
			return err
		}
		m := &pb.SignedEnvelope{Envelope: batch.Envelope, Statements: batch.Statements}
		for i, list := range batch.Openings {
			for j := range list {
				o := &list[j]
				m.Openings = append(m.Openings, &pb.Opening{Statement: int32(i), Path: o.Path, Salt: o.Salt[:], Value: o.Value})
			}
		}
		_, err = clients[party].AppendEnvelopes(bearer(ctx, n.tokens[party]), &pb.AppendEnvelopesRequest{Envelopes: []*pb.SignedEnvelope{m}})
		return err
	}, closeAll, nil
}

// asParty is the context of a call in process.
func asParty(ctx context.Context, party string) context.Context {
	return rpc.WithCaller(ctx, rpc.Caller{Party: party, Scopes: []opal.Scope{opal.ScopeRead}})
}
