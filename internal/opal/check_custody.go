package opal

import (
	"cmp"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// The bodies that move stones or title from hand to hand, and that end a lot.

func checkHandedOver(h *HandedOver, e *Event) *fault.Error {
	if h.To == Outside {
		return fault.New(fault.InvalidField, "to", "found %q, accepted is the id of an enrolled party; only a sale can go outside the log", Outside)
	}
	if err := CheckParty(h.To); err != nil {
		return wrong("to", err)
	}
	return cmp.Or(
		notOneself("to", h.To, e.Party),
		needWord("purpose", h.Purpose, AllPurposes()),
		under("part", checkPartOf(h.Part, e)),
	)
}

func checkSold(s *Sold, e *Event) *fault.Error {
	if s.To != Outside {
		if err := CheckParty(s.To); err != nil {
			return fault.New(fault.InvalidField, "to", "found %s, accepted is the id of an enrolled party, or %q for a buyer outside the log", found(s.To), Outside)
		}
	}
	// A holder that sells for the owner may be the buyer.
	if s.OnBehalfOf == "" {
		if f := notOneself("to", s.To, e.Party); f != nil {
			return f
		}
	}
	if f := cmp.Or(
		checkClaims(s.Claims),
		text("price", s.Price, MaxText),
		under("part", checkPartOf(s.Part, e)),
	); f != nil {
		return f
	}
	if s.OnBehalfOf == "" {
		return nil
	}
	if err := CheckParty(s.OnBehalfOf); err != nil {
		return wrong("onBehalfOf", err)
	}
	if s.OnBehalfOf == s.To {
		return fault.New(fault.InvalidField, "onBehalfOf", "found %q, the buyer; accepted is the owner for whom it is sold", s.OnBehalfOf)
	}
	return nil
}

func notOneself(field, to, party string) *fault.Error {
	if party == "" || to != party {
		return nil
	}
	return fault.New(fault.InvalidField, field, "found %q, the poster itself; accepted is another party", to)
}

// checkClaims checks claims: ORIGIN names a country, the others do not, none is made twice.
func checkClaims(list []Claim) *fault.Error {
	for i := range list {
		c := &list[i]
		f := needWord("claim", c.Claim, AllClaimKinds())
		switch {
		case f != nil:
		case c.Claim == ClaimOrigin:
			f = country("country", c.Country)
		case c.Country != "":
			f = fault.New(fault.InvalidField, "country", "found %q beside %s, accepted is a country with ORIGIN only", clip(c.Country), c.Claim)
		}
		for j := 0; f == nil && j < i; j++ {
			if list[j] == *c {
				f = fault.New(fault.InvalidField, "claim", "found %s, which claims[%d] makes already; accepted is each claim once", c.Claim, j)
			}
		}
		if f != nil {
			return at("claims", i, f)
		}
	}
	return nil
}

// CheckClaims finds what is wrong with a list of claims; fields of the fault start with "claims".
func CheckClaims(list []Claim) *fault.Error { return checkClaims(list) }

func checkReceived(r *Received) *fault.Error {
	return cmp.Or(count("pieces", r.Pieces, 1), mayMass("mass", r.Mass))
}

func checkReturned(r *Returned) *fault.Error {
	return cmp.Or(eventID("sale", r.Sale), needText("because", r.Because, MaxText))
}

func checkClosed(c *Closed) *fault.Error {
	if f := needWord("reason", c.Reason, AllCloseReasons()); f != nil {
		return f
	}
	if len(c.Claims) > 0 && c.Reason != ClosedToAWearer {
		return fault.New(fault.InvalidField, "claims", "found claims beside %s, accepted are claims with SOLD_TO_WEARER only", c.Reason)
	}
	return checkClaims(c.Claims)
}
