package wire

import (
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The bodies that move stones or title from hand to hand, and those that amend or end.

func handedOverIn(m *pb.HandedOver) (opal.HandedOver, *fault.Error) {
	p, f := part("part", m.Part, m.Part != nil, partOfIn)
	return opal.HandedOver{To: m.GetTo(), Purpose: word[opal.Purpose](m.Purpose), Part: p}, f
}

func handedOverOut(b *opal.HandedOver) *pb.HandedOver {
	return &pb.HandedOver{To: wordOf(b.To), Purpose: wordOf(b.Purpose), Part: partOfOut(b.Part)}
}

func partOfIn(m *pb.PartOf) (opal.PartOf, *fault.Error) {
	return opal.PartOf{
		Lot: m.GetLot(), Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass), Manner: word[opal.SplitManner](m.Manner),
		Moisture: word[opal.Moisture](m.Moisture),
	}, nil
}

func partOfOut(p *opal.PartOf) *pb.PartOf {
	if p == nil {
		return nil
	}
	return &pb.PartOf{
		Lot: wordOf(p.Lot), Pieces: Count(p.Pieces), Mass: wordOf(p.Mass), Manner: wordOf(p.Manner), Moisture: wordOf(p.Moisture),
	}
}

func soldIn(m *pb.Sold) (opal.Sold, *fault.Error) {
	claims, f := claimsIn(m.Claims)
	if f != nil {
		return opal.Sold{}, f
	}
	p, f := part("part", m.Part, m.Part != nil, partOfIn)
	return opal.Sold{To: m.GetTo(), Claims: claims, Price: m.GetPrice(), Part: p, OnBehalfOf: m.GetOnBehalfOf()}, f
}

func soldOut(b *opal.Sold) *pb.Sold {
	return &pb.Sold{
		To: wordOf(b.To), Claims: ClaimsFromDomain(b.Claims), Price: wordOf(b.Price), Part: partOfOut(b.Part), OnBehalfOf: wordOf(b.OnBehalfOf),
	}
}

// ClaimsToDomain reads claims as they are written, "UNTREATED" or "ORIGIN:ET", and checks them; the fields of a fault are "claims[i]".
func ClaimsToDomain(src []string) ([]opal.Claim, *fault.Error) {
	claims, f := claimsIn(src)
	if f != nil {
		return nil, f
	}
	if f := opal.CheckClaims(claims); f != nil {
		return nil, Spelled(f)
	}
	return claims, nil
}

func claimsIn(src []string) ([]opal.Claim, *fault.Error) {
	if len(src) == 0 {
		return nil, nil
	}
	out := make([]opal.Claim, len(src))
	for i, s := range src {
		kind, country, colon := strings.Cut(s, ":")
		if colon && kind != string(opal.ClaimOrigin) {
			return nil, at("claims", i, invalid("", "found %q, accepted is a country after ORIGIN only, such as ORIGIN:ET", clip(s)))
		}
		out[i] = opal.Claim{Claim: opal.ClaimKind(kind), Country: country}
	}
	return out, nil
}

// ClaimsFromDomain writes claims.
func ClaimsFromDomain(src []opal.Claim) []string {
	return listOf(src, func(c *opal.Claim) string { return ClaimFromDomain(*c) })
}

// ClaimFromDomain writes one claim.
func ClaimFromDomain(c opal.Claim) string {
	if c.Country == "" {
		return string(c.Claim)
	}
	return string(c.Claim) + ":" + c.Country
}

func receivedIn(m *pb.Received) (opal.Received, *fault.Error) {
	return opal.Received{Pieces: wide(m.Pieces), Mass: word[opal.Mass](m.Mass), CameBack: flag(m.CameBack)}, nil
}

func receivedOut(b *opal.Received) *pb.Received {
	return &pb.Received{Pieces: Count(b.Pieces), Mass: wordOf(b.Mass), CameBack: flagOf(b.CameBack)}
}

func refusedIn(m *pb.Refused) (opal.Refused, *fault.Error) {
	return opal.Refused{Because: m.GetBecause()}, nil
}

func returnedIn(m *pb.Returned) (opal.Returned, *fault.Error) {
	return opal.Returned{Sale: m.GetSale(), Because: m.GetBecause()}, nil
}

func nothingDoneIn(m *pb.NothingDone) (opal.NothingDone, *fault.Error) {
	return opal.NothingDone{From: m.GetFrom(), To: m.GetTo()}, nil
}

func nothingDoneOut(b *opal.NothingDone) *pb.NothingDone {
	return &pb.NothingDone{From: wordOf(b.From), To: wordOf(b.To)}
}

func setIn(m *pb.Set) (opal.Set, *fault.Error) { return opal.Set{Piece: m.GetPiece()}, nil }

func unsetIn(m *pb.Unset) (opal.Unset, *fault.Error) { return opal.Unset{Piece: m.GetPiece()}, nil }

func closedIn(m *pb.Closed) (opal.Closed, *fault.Error) {
	claims, f := claimsIn(m.Claims)
	return opal.Closed{Reason: word[opal.CloseReason](m.Reason), Claims: claims}, f
}

func closedOut(b *opal.Closed) *pb.Closed {
	return &pb.Closed{Reason: wordOf(b.Reason), Claims: ClaimsFromDomain(b.Claims)}
}

func reopenedIn(m *pb.Reopened) (opal.Reopened, *fault.Error) {
	return opal.Reopened{Why: word[opal.ReopenWhy](m.Why)}, nil
}

func withdrawnIn(m *pb.Withdrawn) (opal.Withdrawn, *fault.Error) {
	return opal.Withdrawn{Event: m.GetEvent(), Because: m.GetBecause()}, nil
}

func correctedIn(m *pb.Corrected) (opal.Corrected, *fault.Error) {
	r, f := part("replacement", m.Replacement, m.Replacement != nil, replacementIn)
	return opal.Corrected{Event: m.GetEvent(), Because: m.GetBecause(), Replacement: r}, f
}

func correctedOut(b *opal.Corrected) *pb.Corrected {
	return &pb.Corrected{Event: wordOf(b.Event), Because: wordOf(b.Because), Replacement: replacementOut(b.Replacement)}
}

func replacementIn(m *pb.Replacement) (r opal.Replacement, f *fault.Error) {
	r.OccurredAt, r.Moisture = m.GetOccurredAt(), word[opal.Moisture](m.Moisture)
	switch b := m.Body.(type) {
	case *pb.Replacement_Mined:
		r.Mined, f = part("mined", b.Mined, b.Mined != nil, minedIn)
	case *pb.Replacement_Acquired:
		r.Acquired, f = part("acquired", b.Acquired, b.Acquired != nil, acquiredIn)
	case *pb.Replacement_Split:
		r.Split, f = part("split", b.Split, b.Split != nil, splitIn)
	case *pb.Replacement_Combined:
		r.Combined, f = part("combined", b.Combined, b.Combined != nil, combinedIn)
	case *pb.Replacement_Cut:
		r.Cut, f = part("cut", b.Cut, b.Cut != nil, cutIn)
	case *pb.Replacement_Tested:
		r.Tested, f = part("tested", b.Tested, b.Tested != nil, testedIn)
	case *pb.Replacement_Treated:
		r.Treated, f = part("treated", b.Treated, b.Treated != nil, treatedIn)
	case *pb.Replacement_Described:
		r.Described, f = part("described", b.Described, b.Described != nil, describedIn)
	case *pb.Replacement_HandedOver:
		r.HandedOver, f = part("handedOver", b.HandedOver, b.HandedOver != nil, handedOverIn)
	case *pb.Replacement_Sold:
		r.Sold, f = part("sold", b.Sold, b.Sold != nil, soldIn)
	case *pb.Replacement_Received:
		r.Received, f = part("received", b.Received, b.Received != nil, receivedIn)
	case *pb.Replacement_NothingDone:
		r.NothingDone, f = part("nothingDone", b.NothingDone, b.NothingDone != nil, nothingDoneIn)
	case *pb.Replacement_Counted:
		r.Counted, f = part("counted", b.Counted, b.Counted != nil, countedIn)
	case *pb.Replacement_Closed:
		r.Closed, f = part("closed", b.Closed, b.Closed != nil, closedIn)
	case *pb.Replacement_MethodValidated:
		r.MethodValidated, f = part("methodValidated", b.MethodValidated, b.MethodValidated != nil, methodValidatedIn)
	}
	return r, f
}

func replacementOut(r *opal.Replacement) *pb.Replacement {
	if r == nil {
		return nil
	}
	m := &pb.Replacement{OccurredAt: wordOf(r.OccurredAt), Moisture: wordOf(r.Moisture)}
	switch {
	case r.Mined != nil:
		m.Body = &pb.Replacement_Mined{Mined: minedOut(r.Mined)}
	case r.Acquired != nil:
		m.Body = &pb.Replacement_Acquired{Acquired: acquiredOut(r.Acquired)}
	case r.Split != nil:
		m.Body = &pb.Replacement_Split{Split: splitOut(r.Split)}
	case r.Combined != nil:
		m.Body = &pb.Replacement_Combined{Combined: combinedOut(r.Combined)}
	case r.Cut != nil:
		m.Body = &pb.Replacement_Cut{Cut: cutOut(r.Cut)}
	case r.Tested != nil:
		m.Body = &pb.Replacement_Tested{Tested: testedOut(r.Tested)}
	case r.Treated != nil:
		m.Body = &pb.Replacement_Treated{Treated: treatedOut(r.Treated)}
	case r.Described != nil:
		m.Body = &pb.Replacement_Described{Described: describedOut(r.Described)}
	case r.HandedOver != nil:
		m.Body = &pb.Replacement_HandedOver{HandedOver: handedOverOut(r.HandedOver)}
	case r.Sold != nil:
		m.Body = &pb.Replacement_Sold{Sold: soldOut(r.Sold)}
	case r.Received != nil:
		m.Body = &pb.Replacement_Received{Received: receivedOut(r.Received)}
	case r.NothingDone != nil:
		m.Body = &pb.Replacement_NothingDone{NothingDone: nothingDoneOut(r.NothingDone)}
	case r.Counted != nil:
		m.Body = &pb.Replacement_Counted{Counted: countedOut(r.Counted)}
	case r.Closed != nil:
		m.Body = &pb.Replacement_Closed{Closed: closedOut(r.Closed)}
	case r.MethodValidated != nil:
		m.Body = &pb.Replacement_MethodValidated{MethodValidated: methodValidatedOut(r.MethodValidated)}
	}
	return m
}
