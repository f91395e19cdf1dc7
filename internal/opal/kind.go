package opal

// bodies counts the set bodies and names the first two.
func (e *Event) bodies() (n int, first, second Kind) {
	for _, b := range [...]struct {
		set  bool
		kind Kind
	}{
		{e.Mined != nil, KindMined}, {e.Acquired != nil, KindAcquired}, {e.Split != nil, KindSplit}, {e.Combined != nil, KindCombined},
		{e.Cut != nil, KindCut}, {e.Tested != nil, KindTested}, {e.Treated != nil, KindTreated}, {e.Described != nil, KindDescribed},
		{e.HandedOver != nil, KindHandedOver}, {e.Sold != nil, KindSold}, {e.Received != nil, KindReceived},
		{e.Refused != nil, KindRefused}, {e.Returned != nil, KindReturned}, {e.NothingDone != nil, KindNothingDone},
		{e.Counted != nil, KindCounted}, {e.Set != nil, KindSet}, {e.Unset != nil, KindUnset},
		{e.ReferenceSet != nil, KindReferenceSet}, {e.Closed != nil, KindClosed}, {e.Reopened != nil, KindReopened},
		{e.Corrected != nil, KindCorrected}, {e.Withdrawn != nil, KindWithdrawn}, {e.Enrolled != nil, KindEnrolled},
		{e.TokenIssued != nil, KindTokenIssued}, {e.TokenRevoked != nil, KindTokenRevoked}, {e.KeyAdded != nil, KindKeyAdded},
		{e.KeyRevoked != nil, KindKeyRevoked}, {e.MethodValidated != nil, KindMethodValidated}, {e.PolicySet != nil, KindPolicySet},
		{e.LogOpened != nil, KindLogOpened}, {e.HandleIssued != nil, KindHandleIssued}, {e.HandleRevoked != nil, KindHandleRevoked},
	} {
		if !b.set {
			continue
		}
		switch n {
		case 0:
			first = b.kind
		case 1:
			second = b.kind
		}
		n++
	}
	return n, first, second
}

// HasLot tells whether an event of this kind is about a lot. A correction or withdrawal is about the lot of the event it amends: for
// those the answer is true, and an event without a lot can be amended all the same.
func (k Kind) HasLot() bool {
	switch k {
	case "", KindEnrolled, KindTokenIssued, KindTokenRevoked, KindKeyAdded, KindKeyRevoked, KindMethodValidated, KindPolicySet, KindLogOpened:
		return false
	}
	return true
}

// OpensLot tells whether Event.Lot of this kind is a new lot.
func (k Kind) OpensLot() bool { return k == KindMined || k == KindAcquired || k == KindCombined }

// NewLots lists the ids that the event opens, in the order in which it names them. A correction opens none: it only says better what an
// earlier event opened.
func NewLots(e *Event) []string {
	var lots []string
	switch {
	case e.Mined != nil, e.Acquired != nil, e.Combined != nil:
		lots = append(lots, e.Lot)
	case e.Split != nil:
		for i := range e.Split.Children {
			lots = append(lots, e.Split.Children[i].Lot)
		}
	case e.Cut != nil:
		for i := range e.Cut.Stones {
			lots = append(lots, e.Cut.Stones[i].Lot)
		}
		for i := range e.Cut.Offcuts {
			lots = append(lots, e.Cut.Offcuts[i].Lot)
		}
	case e.HandedOver != nil && e.HandedOver.Part != nil:
		lots = append(lots, e.HandedOver.Part.Lot)
	case e.Sold != nil && e.Sold.Part != nil:
		lots = append(lots, e.Sold.Part.Lot)
	}
	return lots
}

// Kind names the replacement's body; "" if none is set.
func (r *Replacement) Kind() Kind {
	v := r.in(&Event{})
	return v.Kind()
}

// in gives the replacement as the body of an event by the same party about the same lot, so that events and replacements are checked,
// listed and copied by the same code. The bodies are shared.
func (r *Replacement) in(e *Event) Event {
	return Event{
		RequestID: e.RequestID, Lot: e.Lot, Party: e.Party, OccurredAt: r.OccurredAt, Moisture: r.Moisture,
		Mined: r.Mined, Acquired: r.Acquired, Split: r.Split, Combined: r.Combined, Cut: r.Cut, Tested: r.Tested, Treated: r.Treated,
		Described: r.Described, HandedOver: r.HandedOver, Sold: r.Sold, Received: r.Received, NothingDone: r.NothingDone,
		Counted: r.Counted, Closed: r.Closed, MethodValidated: r.MethodValidated,
	}
}
