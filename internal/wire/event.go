package wire

import (
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// EventToDomain reads an event that somebody posts. It refuses what only answers carry, a body that only the log itself writes, and
// whatever opal.Check finds; bare dates are taken as days of UTC for that. The message is not changed and no memory is shared.
func EventToDomain(m *pb.Event) (*opal.Event, *fault.Error) {
	if f := notInRequests(m); f != nil {
		return nil, f
	}
	ev, f := eventIn(m)
	if f != nil {
		return nil, f
	}
	if f := Normal(ev); f != nil {
		return nil, f
	}
	if f := opal.Check(ev, 0); f != nil {
		return nil, Spelled(f)
	}
	return ev, nil
}

// EventFromDomain writes an event as it was posted. The fields that answers add are RecordedFromDomain's.
func EventFromDomain(ev *opal.Event) *pb.Event {
	m := &pb.Event{
		Lot:              wordOf(ev.Lot),
		Party:            wordOf(ev.Party),
		OccurredAt:       wordOf(ev.OccurredAt),
		ExpectedRevision: unsignedOf(ev.ExpectedRevision),
		Moisture:         wordOf(ev.Moisture),
		Attachments:      listOf(ev.Attachments, attachmentOut),
		Remark:           wordOf(ev.Remark),
	}
	if !ev.RequestID.IsZero() {
		m.RequestId = proto.String(ev.RequestID.String())
	}
	bodyOut(m, ev)
	return m
}

// RecordedFromDomain writes an event with its place in the log.
func RecordedFromDomain(rec *opal.Recorded) *pb.Event {
	m := EventFromDomain(&rec.Event)
	id := rec.Event.ID()
	m.Event = &id
	m.Position = proto.Int64(Position(rec.Position))
	m.RecordedAt = proto.String(rec.RecordedAt.String())
	m.Findings = FindingsFromDomain(id, rec.Findings)
	m.Computed = ComputedFromDomain(rec.Computed)
	return m
}

// notInRequests refuses the fields that only answers carry.
func notInRequests(m *pb.Event) *fault.Error {
	name := ""
	switch {
	case m == nil:
		return invalid("", "found nothing, accepted is an event")
	case m.Event != nil:
		name = "event"
	case m.Position != nil:
		name = "position"
	case m.RecordedAt != nil:
		name = "recordedAt"
	case len(m.Findings) > 0:
		name = "findings"
	case m.Doubtful != nil:
		name = "doubtful"
	case m.Computed != nil:
		name = "computed"
	case len(m.Withheld) > 0:
		name = "withheld"
	case len(m.Erased) > 0:
		name = "erased"
	case len(m.SignedBy) > 0:
		name = "signedBy"
	case m.WithdrawnBy != nil:
		name = "withdrawnBy"
	case m.CorrectedBy != nil:
		name = "correctedBy"
	case m.GetLogOpened() != nil:
		return invalid("logOpened", "found a logOpened event, which only the log itself writes")
	default:
		return nil
	}
	return invalid(name, "found in a request, accepted in answers only: the service sets it")
}

// Spelled gives a fault of the domain the path that the field has on the wire, where the two differ: a claim is one string here, and
// a policy's shares state their unit.
func Spelled(f *fault.Error) *fault.Error {
	for _, end := range [...]string{".claim", ".country"} {
		if s, ok := strings.CutSuffix(f.Field, end); ok && strings.HasSuffix(s, "]") && strings.Contains(s, "claims[") {
			c := *f
			c.Field = s
			return &c
		}
	}
	if strings.HasPrefix(f.Field, "policySet.policy.") {
		return under("policySet", under("policy", policySpelled(f)))
	}
	return f
}

func eventIn(m *pb.Event) (*opal.Event, *fault.Error) {
	if f := known(m); f != nil {
		return nil, f
	}
	ev := &opal.Event{
		Lot:        m.GetLot(),
		Party:      m.GetParty(),
		OccurredAt: m.GetOccurredAt(),
		Moisture:   word[opal.Moisture](m.Moisture),
		Remark:     m.GetRemark(),
	}
	var f *fault.Error
	if m.GetRequestId() != "" {
		id, err := opal.ParseRequestID(m.GetRequestId())
		if err != nil {
			return nil, invalid("requestId", "%s", err.Error())
		}
		ev.RequestID = id
	}
	if ev.ExpectedRevision, f = unsigned("expectedRevision", m.ExpectedRevision); f != nil {
		return nil, f
	}
	if ev.Attachments, f = list("attachments", m.Attachments, attachmentIn); f != nil {
		return nil, f
	}
	if f := bodyIn(ev, m); f != nil {
		return nil, f
	}
	return ev, nil
}

func attachmentIn(m *pb.Attachment) (opal.Attachment, *fault.Error) {
	h, f := hash("sha256", m.Sha256)
	return opal.Attachment{SHA256: h, MediaType: m.GetMediaType(), Name: m.GetName()}, f
}

func attachmentOut(a *opal.Attachment) *pb.Attachment {
	return &pb.Attachment{Sha256: hashOf(a.SHA256), MediaType: wordOf(a.MediaType), Name: wordOf(a.Name)}
}

// bodyIn reads the one body. A message can hold one only; that there is one is checked by opal.Check.
func bodyIn(ev *opal.Event, m *pb.Event) (f *fault.Error) {
	switch b := m.Body.(type) {
	case *pb.Event_Mined:
		ev.Mined, f = part("mined", b.Mined, b.Mined != nil, minedIn)
	case *pb.Event_Acquired:
		ev.Acquired, f = part("acquired", b.Acquired, b.Acquired != nil, acquiredIn)
	case *pb.Event_Split:
		ev.Split, f = part("split", b.Split, b.Split != nil, splitIn)
	case *pb.Event_Combined:
		ev.Combined, f = part("combined", b.Combined, b.Combined != nil, combinedIn)
	case *pb.Event_Cut:
		ev.Cut, f = part("cut", b.Cut, b.Cut != nil, cutIn)
	case *pb.Event_Tested:
		ev.Tested, f = part("tested", b.Tested, b.Tested != nil, testedIn)
	case *pb.Event_Treated:
		ev.Treated, f = part("treated", b.Treated, b.Treated != nil, treatedIn)
	case *pb.Event_Described:
		ev.Described, f = part("described", b.Described, b.Described != nil, describedIn)
	case *pb.Event_HandedOver:
		ev.HandedOver, f = part("handedOver", b.HandedOver, b.HandedOver != nil, handedOverIn)
	case *pb.Event_Sold:
		ev.Sold, f = part("sold", b.Sold, b.Sold != nil, soldIn)
	case *pb.Event_Received:
		ev.Received, f = part("received", b.Received, b.Received != nil, receivedIn)
	case *pb.Event_Refused:
		ev.Refused, f = part("refused", b.Refused, b.Refused != nil, refusedIn)
	case *pb.Event_Returned:
		ev.Returned, f = part("returned", b.Returned, b.Returned != nil, returnedIn)
	case *pb.Event_NothingDone:
		ev.NothingDone, f = part("nothingDone", b.NothingDone, b.NothingDone != nil, nothingDoneIn)
	case *pb.Event_Counted:
		ev.Counted, f = part("counted", b.Counted, b.Counted != nil, countedIn)
	case *pb.Event_Set:
		ev.Set, f = part("set", b.Set, b.Set != nil, setIn)
	case *pb.Event_Unset:
		ev.Unset, f = part("unset", b.Unset, b.Unset != nil, unsetIn)
	case *pb.Event_ReferenceSet:
		ev.ReferenceSet, f = part("referenceSet", b.ReferenceSet, b.ReferenceSet != nil, referenceSetIn)
	case *pb.Event_Closed:
		ev.Closed, f = part("closed", b.Closed, b.Closed != nil, closedIn)
	case *pb.Event_Reopened:
		ev.Reopened, f = part("reopened", b.Reopened, b.Reopened != nil, reopenedIn)
	case *pb.Event_Corrected:
		ev.Corrected, f = part("corrected", b.Corrected, b.Corrected != nil, correctedIn)
	case *pb.Event_Withdrawn:
		ev.Withdrawn, f = part("withdrawn", b.Withdrawn, b.Withdrawn != nil, withdrawnIn)
	case *pb.Event_Enrolled:
		ev.Enrolled, f = part("enrolled", b.Enrolled, b.Enrolled != nil, enrolledIn)
	case *pb.Event_TokenIssued:
		ev.TokenIssued, f = part("tokenIssued", b.TokenIssued, b.TokenIssued != nil, tokenIssuedIn)
	case *pb.Event_TokenRevoked:
		ev.TokenRevoked, f = part("tokenRevoked", b.TokenRevoked, b.TokenRevoked != nil, tokenRevokedIn)
	case *pb.Event_KeyAdded:
		ev.KeyAdded, f = part("keyAdded", b.KeyAdded, b.KeyAdded != nil, keyAddedIn)
	case *pb.Event_KeyRevoked:
		ev.KeyRevoked, f = part("keyRevoked", b.KeyRevoked, b.KeyRevoked != nil, keyRevokedIn)
	case *pb.Event_MethodValidated:
		ev.MethodValidated, f = part("methodValidated", b.MethodValidated, b.MethodValidated != nil, methodValidatedIn)
	case *pb.Event_PolicySet:
		ev.PolicySet, f = part("policySet", b.PolicySet, b.PolicySet != nil, policySetIn)
	case *pb.Event_LogOpened:
		ev.LogOpened, f = part("logOpened", b.LogOpened, b.LogOpened != nil, logOpenedIn)
	case *pb.Event_HandleIssued:
		ev.HandleIssued, f = part("handleIssued", b.HandleIssued, b.HandleIssued != nil, handleIssuedIn)
	case *pb.Event_HandleRevoked:
		ev.HandleRevoked, f = part("handleRevoked", b.HandleRevoked, b.HandleRevoked != nil, handleRevokedIn)
	}
	return f
}

func bodyOut(m *pb.Event, ev *opal.Event) {
	switch {
	case ev.Mined != nil:
		m.Body = &pb.Event_Mined{Mined: minedOut(ev.Mined)}
	case ev.Acquired != nil:
		m.Body = &pb.Event_Acquired{Acquired: acquiredOut(ev.Acquired)}
	case ev.Split != nil:
		m.Body = &pb.Event_Split{Split: splitOut(ev.Split)}
	case ev.Combined != nil:
		m.Body = &pb.Event_Combined{Combined: combinedOut(ev.Combined)}
	case ev.Cut != nil:
		m.Body = &pb.Event_Cut{Cut: cutOut(ev.Cut)}
	case ev.Tested != nil:
		m.Body = &pb.Event_Tested{Tested: testedOut(ev.Tested)}
	case ev.Treated != nil:
		m.Body = &pb.Event_Treated{Treated: treatedOut(ev.Treated)}
	case ev.Described != nil:
		m.Body = &pb.Event_Described{Described: describedOut(ev.Described)}
	case ev.HandedOver != nil:
		m.Body = &pb.Event_HandedOver{HandedOver: handedOverOut(ev.HandedOver)}
	case ev.Sold != nil:
		m.Body = &pb.Event_Sold{Sold: soldOut(ev.Sold)}
	case ev.Received != nil:
		m.Body = &pb.Event_Received{Received: receivedOut(ev.Received)}
	case ev.Refused != nil:
		m.Body = &pb.Event_Refused{Refused: &pb.Refused{Because: wordOf(ev.Refused.Because)}}
	case ev.Returned != nil:
		m.Body = &pb.Event_Returned{Returned: &pb.Returned{Sale: wordOf(ev.Returned.Sale), Because: wordOf(ev.Returned.Because)}}
	case ev.NothingDone != nil:
		m.Body = &pb.Event_NothingDone{NothingDone: nothingDoneOut(ev.NothingDone)}
	case ev.Counted != nil:
		m.Body = &pb.Event_Counted{Counted: countedOut(ev.Counted)}
	case ev.Set != nil:
		m.Body = &pb.Event_Set{Set: &pb.Set{Piece: wordOf(ev.Set.Piece)}}
	case ev.Unset != nil:
		m.Body = &pb.Event_Unset{Unset: &pb.Unset{Piece: wordOf(ev.Unset.Piece)}}
	case ev.ReferenceSet != nil:
		m.Body = &pb.Event_ReferenceSet{ReferenceSet: referenceSetOut(ev.ReferenceSet)}
	case ev.Closed != nil:
		m.Body = &pb.Event_Closed{Closed: closedOut(ev.Closed)}
	case ev.Reopened != nil:
		m.Body = &pb.Event_Reopened{Reopened: &pb.Reopened{Why: wordOf(ev.Reopened.Why)}}
	case ev.Corrected != nil:
		m.Body = &pb.Event_Corrected{Corrected: correctedOut(ev.Corrected)}
	case ev.Withdrawn != nil:
		m.Body = &pb.Event_Withdrawn{Withdrawn: &pb.Withdrawn{Event: wordOf(ev.Withdrawn.Event), Because: wordOf(ev.Withdrawn.Because)}}
	case ev.Enrolled != nil:
		m.Body = &pb.Event_Enrolled{Enrolled: enrolledOut(ev.Enrolled)}
	case ev.TokenIssued != nil:
		m.Body = &pb.Event_TokenIssued{TokenIssued: tokenIssuedOut(ev.TokenIssued)}
	case ev.TokenRevoked != nil:
		m.Body = &pb.Event_TokenRevoked{TokenRevoked: &pb.TokenRevoked{Party: wordOf(ev.TokenRevoked.Party), Token: wordOf(ev.TokenRevoked.Token)}}
	case ev.KeyAdded != nil:
		m.Body = &pb.Event_KeyAdded{KeyAdded: keyAddedOut(ev.KeyAdded)}
	case ev.KeyRevoked != nil:
		m.Body = &pb.Event_KeyRevoked{KeyRevoked: keyRevokedOut(ev.KeyRevoked)}
	case ev.MethodValidated != nil:
		m.Body = &pb.Event_MethodValidated{MethodValidated: methodValidatedOut(ev.MethodValidated)}
	case ev.PolicySet != nil:
		m.Body = &pb.Event_PolicySet{PolicySet: &pb.PolicySet{Policy: PolicyFromDomain(&ev.PolicySet.Policy)}}
	case ev.LogOpened != nil:
		m.Body = &pb.Event_LogOpened{LogOpened: logOpenedOut(ev.LogOpened)}
	case ev.HandleIssued != nil:
		m.Body = &pb.Event_HandleIssued{HandleIssued: &pb.HandleIssued{Handle: wordOf(ev.HandleIssued.Handle)}}
	case ev.HandleRevoked != nil:
		m.Body = &pb.Event_HandleRevoked{HandleRevoked: &pb.HandleRevoked{Handle: wordOf(ev.HandleRevoked.Handle)}}
	}
}
