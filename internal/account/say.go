package account

import (
	"math"
	"strconv"
	"strings"

	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// The words of refusals. Each is one sentence with what was found and what is accepted; masses stand in carats and in grams.

// figure writes a mass in both units.
func figure(micrograms int64) string {
	return opal.FormatCarats(micrograms) + " (" + opal.FormatGrams(micrograms) + ")"
}

// roughly writes an uncertainty, which is no whole number of micrograms.
func roughly(micrograms float64) string { return figure(int64(math.Round(micrograms))) }

func counted(n int64) string {
	if n == 1 {
		return "1 piece"
	}
	return strconv.FormatInt(n, 10) + " pieces"
}

// stamp writes a time as it was stated: a moment, a day of UTC by its date, or a day of another zone by its first and last moment.
func stamp(w When) string {
	if date, ok := strings.CutSuffix(w.From.String(), "T00:00:00Z"); ok && w.IsDay() {
		return date
	}
	if w.IsDay() {
		return w.From.String() + " to " + w.To.String()
	}
	return w.From.String()
}

// path joins the parts of a field path.
func path(parent, field string) string {
	switch {
	case parent == "":
		return field
	case field == "":
		return parent
	case field[0] == '[':
		return parent + field
	}
	return parent + "." + field
}

func index(list string, i int) string { return list + "[" + strconv.Itoa(i) + "]" }

// massMade refuses a gain beyond the allowance. what names the side that is too heavy ("the parts weigh … together").
func massMade(field, what, against string, b balance) *fault.Error {
	accepted := int64(math.Floor(float64(3*b.u()) + float64(b.allowance)))
	return fault.New(fault.MassGain, field,
		"%s %s, %s %s: %s too much; accepted is at most %s more (a moisture allowance of %s and three times the weighings' combined standard uncertainty of %s)",
		what, figure(b.out), against, figure(b.in), figure(b.gain()), figure(accepted), figure(b.allowance), roughly(b.u()))
}

// lotIs says in which state a closed lot is.
func lotIs(l *Lot) string {
	switch l.State {
	case Split:
		return "was split"
	case Cut:
		return "was cut"
	case Combined:
		return "was combined into another lot"
	case Void:
		return "was opened by an event that has been withdrawn"
	}
	return "was closed"
}

func closedFault(field string, l *Lot) *fault.Error {
	when := ""
	if l.ClosedAt != nil {
		when = " at " + stamp(*l.ClosedAt)
	}
	return fault.New(fault.LotClosed, field, "lot %s %s%s (event %s); accepted is an open lot, or a late report dated before the lot ended", l.ID, lotIs(l), when, l.ClosedBy)
}

// heldBy says who holds a lot and what for.
func heldBy(l *Lot) string {
	if l.Holder == opal.Outside {
		return "is in hands outside the log"
	}
	s := "is held by " + l.Holder
	if l.Purpose != "" {
		s += " for " + string(l.Purpose)
	}
	if l.Owner != l.Holder {
		s += ", its owner is " + l.Owner
	}
	return s
}

func notHolder(l *Lot, party string) *fault.Error {
	return fault.New(fault.NotHolder, "lot", "%s cannot do this with lot %s, which %s; accepted is its present holder", party, l.ID, heldBy(l))
}

func notFor(l *Lot, party string, kind opal.Kind) *fault.Error {
	return fault.New(fault.NotHolder, string(kind), "lot %s %s, and found is %s by %s; accepted from it are %s", l.ID, heldBy(l), kind, party, strings.Join(allowedFor(l.Purpose), ", "))
}

func underWay(l *Lot) *fault.Error {
	p := l.Pending
	what := "was handed over"
	if p.Title {
		what = "was sold"
	}
	return fault.New(fault.HandoverPending, "lot",
		"lot %s %s by %s to %s at %s (event %s) and has not been received; accepted are received or refused by %s, and received with cameBack, or withdrawn, by %s",
		l.ID, what, p.From, p.To, stamp(p.At), p.Event, p.To, p.From)
}

func unknownLot(field, id string) *fault.Error {
	return fault.New(fault.UnknownLot, field, "found lot %q, which this log does not know; accepted is the id of a lot that has been opened", id)
}

func lotExists(field, id string) *fault.Error {
	return fault.New(fault.LotExists, field, "found %q, the id of a lot that was opened before; accepted is an id that was never used", id)
}

func unknownParty(field, id string) *fault.Error {
	return fault.InBody(fault.New(fault.UnknownParty, field, "found party %q, which is not enrolled; accepted is the id of an enrolled party", id))
}
