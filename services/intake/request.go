package intake

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io"
	"strconv"
	"strings"

	"google.golang.org/grpc/metadata"

	"github.com/lotpaper/lotpaper/internal/bus"
	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
	"github.com/lotpaper/lotpaper/internal/wire"
)

// The names under which the metadata of a call is spoken of: those of the HTTP headers that it comes from.
const (
	idempotencyKey = "Idempotency-Key"
	ifMatch        = "If-Match"
)

// caller gives who calls. The edge lets nobody through to a method of ours without a token.
func caller(ctx context.Context) (rpc.Caller, *fault.Error) {
	c, ok := rpc.CallerFrom(ctx)
	if !ok {
		return rpc.Caller{}, fault.New(fault.NoToken, "", "found no token; accepted is the token of an enrolled party")
	}
	return c, nil
}

// header gives the one value of a metadata field; "" if it is not there.
func header(ctx context.Context, name string) (string, *fault.Error) {
	values := metadata.ValueFromIncomingContext(ctx, strings.ToLower(name))
	switch len(values) {
	case 0:
		return "", nil
	case 1:
		return values[0], nil
	}
	return "", fault.New(fault.InvalidField, name, "found it %d times, accepted is once", len(values))
}

// keyOf reads the Idempotency-Key of a call: a UUID; all zeros if there is none.
func keyOf(ctx context.Context) (opal.RequestID, *fault.Error) {
	s, f := header(ctx, idempotencyKey)
	if f != nil || s == "" {
		return opal.RequestID{}, f
	}
	id, err := opal.ParseRequestID(s)
	if err != nil {
		return opal.RequestID{}, fault.New(fault.InvalidField, idempotencyKey, "%s", err.Error())
	}
	if id.IsZero() {
		return opal.RequestID{}, fault.New(fault.InvalidField, idempotencyKey, "found all zeros, accepted is any other UUID")
	}
	return id, nil
}

// identify gives a message of one event its request id: its own or the call's. Both may be given if they are the same.
func identify(ctx context.Context, field *string) (*string, *fault.Error) {
	key, f := keyOf(ctx)
	if f != nil || key.IsZero() {
		return field, f
	}
	if field != nil && *field != "" {
		if own, err := opal.ParseRequestID(*field); err == nil && own != key {
			return field, fault.New(fault.InvalidField, "requestId", "found %s beside the %s %s, accepted is one of them, or both the same", own, idempotencyKey, key)
		}
		return field, nil
	}
	s := key.String()
	return &s, nil
}

// derived gives the request id of an event in a batch that has one Idempotency-Key for all: it follows from the key and the event's
// place, so that the same batch, sent again, has the same ids.
func derived(key opal.RequestID, place int) opal.RequestID {
	return made("lotpaper/batch/v1", key[:], binary.BigEndian.AppendUint32(nil, uint32(place)))
}

// made makes a version 8 UUID (RFC 9562) of what is given.
func made(purpose string, parts ...[]byte) opal.RequestID {
	h := sha256.New()
	h.Write([]byte(purpose))
	for _, p := range parts {
		h.Write(p)
	}
	id := opal.RequestID(h.Sum(nil)[:16])
	id[6] = id[6]&0x0f | 0x80
	id[8] = id[8]&0x3f | 0x80
	return id
}

// fresh makes a request id (a version 4 UUID) for a call that brought none and may do without.
func (s *Service) fresh() (opal.RequestID, error) {
	var id opal.RequestID
	if _, err := io.ReadFull(s.cfg.Rand, id[:]); err != nil {
		return id, fmt.Errorf("make a request id: %w", err)
	}
	id[6] = id[6]&0x0f | 0x40
	id[8] = id[8]&0x3f | 0x80
	return id, nil
}

// unconditional refuses an If-Match header where there is no one account that it could mean: it would be ignored, and the poster would think it held.
func unconditional(ctx context.Context) *fault.Error {
	tag, f := header(ctx, ifMatch)
	if f == nil && tag != "" {
		f = fault.New(fault.InvalidField, ifMatch, "found %q, accepted is the header with one event about a lot; in a batch each event has its expectedRevision", clip(tag))
	}
	return f
}

// expect takes an If-Match header, the entity tag of an account, for the revision that the poster knew.
func expect(ctx context.Context, m *pb.Event) *fault.Error {
	tag, f := header(ctx, ifMatch)
	if f != nil || tag == "" {
		return f
	}
	bare, ok := strings.CutPrefix(tag, `"`)
	bare, closed := strings.CutSuffix(bare, `"`)
	revision, err := strconv.ParseUint(bare, 10, 63)
	if !ok || !closed || err != nil {
		return fault.New(fault.InvalidField, ifMatch, "found %q, accepted is the entity tag of an account, such as \"812\"", clip(tag))
	}
	known := wire.Position(revision)
	if m.ExpectedRevision != nil && *m.ExpectedRevision != known {
		return fault.New(fault.InvalidField, "expectedRevision", "found %d beside the %s %s, accepted is one of them, or both the same", *m.ExpectedRevision, ifMatch, tag)
	}
	m.ExpectedRevision = &known
	return nil
}

// read turns a posted message into an event of the party.
func read(party *string, m *pb.Event) (*opal.Event, *fault.Error) {
	if m.GetParty() != "" && m.GetParty() != *party {
		return nil, fault.New(fault.NotAllowed, "party", "found %q, and the token is of %s; accepted are events of one's own", clip(m.GetParty()), *party)
	}
	if m != nil {
		m.Party = party
	}
	return wire.EventToDomain(m)
}

// aboutLot refuses an event without a lot: those go another way.
func aboutLot(ev *opal.Event) *fault.Error {
	if ev.Kind().HasLot() && ev.Lot != "" {
		return nil
	}
	return fault.New(fault.InvalidField, string(ev.Kind()), "found an event without a lot, accepted here are events about a lot; those without one are posted to the log's own events")
}

// aboutLog refuses an event about a lot.
func aboutLog(ev *opal.Event) *fault.Error {
	if ev.Lot == "" {
		return nil
	}
	return fault.New(fault.InvalidField, "lot", "found an event about the lot %s, accepted here are events without a lot; those about one are posted to the lot's events", ev.Lot)
}

// fromSequencer unpacks a refusal, its field spelled as callers spell it.
func fromSequencer(r *bus.Refusal) *fault.Error { return wire.Spelled(r.Fault()) }

// clip shortens found text for a message.
func clip(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
