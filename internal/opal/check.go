package opal

import (
	"cmp"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
)

// Limits of one event. What goes past a limit of length or number is TOO_LARGE, with both figures named.
const (
	MaxRemark      = 2_000 // characters
	MaxText        = 200   // characters of any other text
	MaxAttachments = 20
	MaxChildren    = 1_000 // of a split; of a cut, stones and offcuts together
	MaxParents     = 1_000 // of a combination
	MaxSampleLots  = 1_000
	MaxRows        = 1_000 // of a method's validation, and findings of one test
	MaxSteps       = 100   // of a treatment, and conditions of a test
	// MaxPieces is the largest count of stones; with it the sum of any event's counts stays far inside an int64.
	MaxPieces = 1_000_000_000

	maxMillimetres  = 10_000
	maxHours        = 100_000 // of a treatment: eleven years
	maxContinues    = 4_000   // bytes of a checkpoint
	maxZone         = 840     // minutes: the earth's clocks go from 12 hours west to 14 hours east
	absoluteZero    = -273.15
	hottestTreating = 2_000 // degrees Celsius; silica melts at about 1,700
)

// Check finds what is wrong with an event on its own face, in the order of its fields, and answers the first fault: which field (its
// ProtoJSON path), what was found, what is accepted. nil: nothing is wrong.
//
// It knows no accounts: whether a lot exists, who holds it and whether the figures balance is judged elsewhere. It asks for no private
// field, because a stored event may be without them, but checks those that are there. Where Party is empty, the rules that
// need it are left out. That texts are in Unicode's normal form C needs tables that this package does not carry: whoever decodes an
// event checks it over Texts. zoneMinutes is the offset in which bare dates are days.
func Check(e *Event, zoneMinutes int64) *fault.Error {
	if e.RequestID.IsZero() {
		return fault.New(fault.InvalidField, "requestId", "found nothing, accepted is a UUID such as 2b1f6c9e-7c0a-4d5e-9a57-0d6c1c5f0b11, other than all zeros")
	}
	if f := oneBody(e, AllKinds); f != nil {
		return f
	}
	return cmp.Or(
		checkPoster(e.Party), // first, because the lot's own id is held against it
		checkLotField(e),
		instant("occurredAt", e.OccurredAt, zoneMinutes),
		text("remark", e.Remark, MaxRemark),
		mayWord("moisture", e.Moisture, AllMoistures()),
		checkAttachments(e.Attachments),
		checkBody(e, zoneMinutes),
		checkAttached(e),
	)
}

// oneBody checks that exactly one body is set.
func oneBody(e *Event, accepted func() []Kind) *fault.Error {
	n, first, second := e.bodies()
	switch {
	case n == 1:
		return nil
	case n == 0:
		words := make([]string, 0, 32)
		for _, k := range accepted() {
			words = append(words, string(k))
		}
		return fault.New(fault.InvalidField, "", "found no body, accepted is exactly one of %s", strings.Join(words, ", "))
	default:
		return fault.New(fault.InvalidField, string(second), "found both %s and %s, accepted is exactly one body", first, second)
	}
}

func checkLotField(e *Event) *fault.Error {
	kind := e.Kind()
	needed := kind.HasLot()
	if kind == KindCorrected {
		// A correction has the lot of the event it amends, and counts of known stones have none.
		needed = e.Corrected.Replacement == nil || e.Corrected.Replacement.MethodValidated == nil
	}
	switch {
	case e.Lot == "" && !needed, e.Lot == "" && kind == KindWithdrawn:
		return nil
	case !needed:
		return fault.New(fault.InvalidField, "lot", "found %q, accepted is no lot in %s, which is about none", clip(e.Lot), kind)
	}
	if err := CheckLot(e.Lot); err != nil {
		return wrong("lot", err)
	}
	if kind.OpensLot() {
		return ownPrefix("lot", e.Lot, e.Party)
	}
	return nil
}

// checkPoster checks the event's party: empty while it is not known yet, a party, or the admin.
func checkPoster(party string) *fault.Error {
	if party == "" || party == Admin {
		return nil
	}
	return wrong("party", CheckParty(party))
}

func checkAttachments(list []Attachment) *fault.Error {
	if f := tooMany("attachments", len(list), MaxAttachments, "attachments"); f != nil {
		return f
	}
	for i := range list {
		a := &list[i]
		if f := cmp.Or(
			filled("sha256", a.SHA256[:], "the SHA-256 of the file"),
			mediaType("mediaType", a.MediaType),
			text("name", a.Name, MaxText),
		); f != nil {
			return at("attachments", i, f)
		}
	}
	return nil
}

// mediaType checks for the form type/subtype (RFC 6838), with or without parameters.
func mediaType(field, s string) *fault.Error {
	if f := text(field, s, MaxText); f != nil {
		return f
	}
	name, _, _ := strings.Cut(s, ";")
	typ, sub, ok := strings.Cut(strings.TrimRight(name, " "), "/")
	if !ok || !isMediaName(typ) || !isMediaName(sub) {
		return fault.New(fault.InvalidField, field, "found %s, accepted is a media type such as image/jpeg", found(s))
	}
	return nil
}

func isMediaName(s string) bool {
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && strings.IndexByte("!#$&-^_.+", c) < 0 {
			return false
		}
	}
	return s != ""
}

// checkBody checks the one body that is set.
func checkBody(e *Event, zoneMinutes int64) *fault.Error {
	switch {
	case e.Mined != nil:
		return under("mined", checkMined(e.Mined))
	case e.Acquired != nil:
		return under("acquired", checkAcquired(e.Acquired))
	case e.Split != nil:
		return under("split", checkSplit(e.Split, e))
	case e.Combined != nil:
		return under("combined", checkCombined(e.Combined, e))
	case e.Cut != nil:
		return under("cut", checkCut(e.Cut, e))
	case e.Tested != nil:
		return under("tested", checkTested(e.Tested))
	case e.Treated != nil:
		return under("treated", checkTreated(e.Treated))
	case e.Described != nil:
		return under("described", checkDescribed(e.Described))
	case e.HandedOver != nil:
		return under("handedOver", checkHandedOver(e.HandedOver, e))
	case e.Sold != nil:
		return under("sold", checkSold(e.Sold, e))
	case e.Received != nil:
		return under("received", checkReceived(e.Received))
	case e.Refused != nil:
		return under("refused", needText("because", e.Refused.Because, MaxText))
	case e.Returned != nil:
		return under("returned", checkReturned(e.Returned))
	case e.NothingDone != nil:
		return under("nothingDone", checkNothingDone(e.NothingDone, zoneMinutes))
	case e.Counted != nil:
		return under("counted", checkCounted(e.Counted))
	case e.Set != nil:
		return under("set", needText("piece", e.Set.Piece, MaxText))
	case e.Unset != nil:
		return under("unset", text("piece", e.Unset.Piece, MaxText))
	case e.ReferenceSet != nil:
		return under("referenceSet", checkReferenceSet(e.ReferenceSet))
	case e.Closed != nil:
		return under("closed", checkClosed(e.Closed))
	case e.Reopened != nil:
		return under("reopened", needWord("why", e.Reopened.Why, AllReopenWhys()))
	case e.Corrected != nil:
		return under("corrected", checkCorrected(e.Corrected, e, zoneMinutes))
	case e.Withdrawn != nil:
		return under("withdrawn", checkWithdrawn(e.Withdrawn))
	}
	return checkDirectoryBody(e, zoneMinutes)
}

// checkCorrected checks the replacement as if it were an event's own body.
func checkCorrected(c *Corrected, e *Event, zoneMinutes int64) *fault.Error {
	if f := cmp.Or(eventID("event", c.Event), needText("because", c.Because, MaxText)); f != nil {
		return f
	}
	if c.Replacement == nil {
		return fault.New(fault.InvalidField, "replacement", "found nothing, accepted is the whole corrected body")
	}
	r := c.Replacement.in(e)
	if f := oneBody(&r, ReplaceableKinds); f != nil {
		return under("replacement", f)
	}
	if r.OccurredAt != "" {
		if f := instant("occurredAt", r.OccurredAt, zoneMinutes); f != nil {
			return under("replacement", f)
		}
	}
	return under("replacement", cmp.Or(mayWord("moisture", r.Moisture, AllMoistures()), checkBody(&r, zoneMinutes)))
}

func checkWithdrawn(w *Withdrawn) *fault.Error {
	return cmp.Or(eventID("event", w.Event), needText("because", w.Because, MaxText))
}
