package opal

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/lotpaper/lotpaper/internal/fault"
)

func TestCheckAcceptsTheSamples(t *testing.T) {
	for name, e := range samples(t) {
		if f := Check(e, 180); f != nil {
			t.Errorf("%s: %v", name, f)
		}
		e.Party = "" // not known yet
		if f := Check(e, 180); f != nil {
			t.Errorf("%s without its party: %v", name, f)
		}
		// As it is stored: private texts are elsewhere.
		EachPrivate(e, func(_ string, v *string) { *v = "" })
		if f := Check(e, 0); f != nil {
			t.Errorf("%s without its private texts: %v", name, f)
		}
	}
}

// Each single value of each sample is spoilt in turn; the fault must name exactly that value's path, say what was found and what is
// accepted, and leave the event as it is.
func TestCheckNamesEveryField(t *testing.T) {
	for name := range samples(t) {
		t.Run(name, func(t *testing.T) {
			for i := range leaves(samples(t)[name]) {
				spoil(t, func() (*Event, leaf) {
					e := samples(t)[name]
					return e, leaves(e)[i]
				})
			}
		})
	}
}

func spoil(t *testing.T, fresh func() (*Event, leaf)) {
	t.Helper()
	_, l := fresh()
	try := func(what string, set func(v reflect.Value), reason fault.Reason, says string) {
		t.Helper()
		e, l := fresh()
		set(l.value)
		f := Check(e, 180)
		field := l.path
		if strings.HasPrefix(field, "requestId") {
			field = "requestId"
		}
		switch {
		case f == nil:
			t.Errorf("%s %s: accepted", l.path, what)
		case f.Field != field || f.Reason != reason || f.Kind != fault.Invalid:
			t.Errorf("%s %s: %v", l.path, what, f)
		case !strings.Contains(f.Message, "found") || !strings.Contains(f.Message, "accepted") || !strings.Contains(f.Message, says):
			t.Errorf("%s %s: %q does not say what was found and what is accepted (%s)", l.path, what, f.Message, says)
		}
	}
	str := func(s string) func(reflect.Value) { return func(v reflect.Value) { v.SetString(s) } }

	switch v := l.value; v.Kind() {
	case reflect.String:
		try("with a control character", str("a\x01b"), fault.InvalidField, "")
		try("with a line's end in it", str("a\u0085b"), fault.InvalidField, "")
		try("not UTF-8", str("a\xffb"), fault.InvalidField, "")
		if v.Type() == reflect.TypeFor[string]() || v.Type() == reflect.TypeFor[Mass]() {
			reason := fault.InvalidField
			if isFreeText(l.path) {
				reason = fault.TooLarge
			}
			try("too long", str(strings.Repeat("a", 5_000)), reason, "")
		} else { // a word of the vocabulary: the refusal lists the right one
			try("unknown", str("NONSENSE"), fault.InvalidField, v.String())
			try("in small letters", str(strings.ToLower(v.String())), fault.InvalidField, v.String())
		}
	case reflect.Int64:
		try("far below zero", func(v reflect.Value) { v.SetInt(math.MinInt64) }, fault.InvalidField, "-9")
		try("too large", func(v reflect.Value) { v.SetInt(math.MaxInt64) }, fault.InvalidField, "9")
		if !strings.HasSuffix(l.path, "zoneMinutes") {
			try("negative", func(v reflect.Value) { v.SetInt(-1) }, fault.InvalidField, "-1")
		}
	case reflect.Float64:
		for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1e6, 1e6} {
			try("out of range", func(v reflect.Value) { v.SetFloat(x) }, fault.InvalidField, "")
		}
	case reflect.Array:
		if strings.HasSuffix(l.path, "ruleTable") { // a log may have none yet
			return
		}
		try("all zero", func(v reflect.Value) { v.SetZero() }, fault.InvalidField, "found nothing")
	case reflect.Uint64:
		if strings.HasSuffix(l.path, "version") || strings.HasSuffix(l.path, "level") {
			try("zero", func(v reflect.Value) { v.SetZero() }, fault.InvalidField, "1 or more")
		}
	case reflect.Bool:
	default:
		t.Errorf("%s: a %v, for which no test is written", l.path, v.Kind())
	}
}

// A lot can be one piece, wherever its pieces are counted.
func TestCheckAcceptsOnePiece(t *testing.T) {
	for name := range samples(t) {
		for i, l := range leaves(samples(t)[name]) {
			if !strings.HasSuffix(l.path, ".pieces") {
				continue
			}
			e := samples(t)[name]
			leaves(e)[i].value.SetInt(1)
			if f := Check(e, 0); f != nil {
				t.Errorf("%s: one piece at %s: %v", name, l.path, f)
			}
		}
	}
}

// isFreeText tells a text from the strings that have a form of their own: ids, countries, times, masses.
func isFreeText(path string) bool {
	field := path[strings.LastIndexByte(path, '.')+1:]
	switch field {
	case "lot", "party", "occurredAt", "country", "to", "from", "onBehalfOf", "event", "sale", "expires", "token", "keyId", "handle", "selectedBy", "mass",
		"massBefore", "massAfter", "measuredMass":
		// acquired.from is a text, nothingDone.from a time.
		return strings.HasSuffix(path, "acquired.from")
	}
	return !strings.HasPrefix(field, "lots[") && !strings.HasPrefix(field, "parents[")
}

// What may be left out and what may not.
func TestCheckRequires(t *testing.T) {
	required := []string{
		"occurredAt", "requestId", "lot", "attachments[].mediaType", "attachments[].sha256",
		"mined.origin.country", "mined.material.kind", "mined.mass", "acquired.material.kind", "acquired.mass",
		"split.rest.mass", "split.children[].lot", "split.children[].mass", "combined.parents[]", "combined.mass",
		"cut.stones[].lot", "cut.stones[].mass", "cut.stones[].dimensionsMm[]", "cut.offcuts[].lot", "cut.offcuts[].mass",
		"tested.method", "tested.sample.kind", "tested.sample.lots[]", "tested.findings[].outcome", "tested.lookedFor[]",
		"treated.treatment", "treated.process.steps[]", "acquired.statedTreatments[]", "described.dimensionsMm[]",
		"handedOver.to", "handedOver.purpose", "handedOver.part.lot", "handedOver.part.mass",
		"sold.to", "sold.part.lot", "sold.part.mass", "sold.claims[].claim", "closed.claims[].claim", "sold.claims[].country", "closed.claims[].country",
		"refused.because", "returned.sale", "returned.because", "nothingDone.from", "nothingDone.to", "counted.why", "set.piece",
		"referenceSet.known", "referenceSet.treatment", "referenceSet.how", "closed.reason", "reopened.why",
		"corrected.event", "corrected.because", "withdrawn.event", "withdrawn.because",
		"enrolled.party", "enrolled.roles[]", "enrolled.tokenHash", "tokenIssued.party", "tokenIssued.tokenHash", "tokenIssued.scopes[]",
		"tokenRevoked.party", "tokenRevoked.token", "keyAdded.party", "keyAdded.publicKey", "keyAdded.use",
		"keyRevoked.party", "keyRevoked.keyId", "keyRevoked.because",
		"methodValidated.method", "methodValidated.protocol", "methodValidated.rows[].outcome", "methodValidated.rows[].treatment",
		"methodValidated.lots[]", "policySet.policy.version", "policySet.policy.level", "policySet.policy.maxDepth", "policySet.policy.maxAncestors",
		"logOpened.logName", "logOpened.epoch", "logOpened.adminKey", "logOpened.intakeKey", "logOpened.checkpointKey",
		"logOpened.policy.version", "logOpened.policy.level", "logOpened.policy.maxDepth", "logOpened.policy.maxAncestors",
		"logOpened.adminTokenHash", "logOpened.handleKeyHash", "handleIssued.handle", "handleRevoked.handle",
		// Zero is a number here, and outside the range.
		"mined.pieces", "acquired.pieces", "split.rest.pieces", "split.children[].pieces", "combined.pieces", "cut.stones[].pieces", "cut.offcuts[].pieces",
		"tested.sample.tested", "tested.sample.of", "handedOver.part.pieces", "sold.part.pieces", "received.pieces", "counted.pieces",
		// Smaller than the count of those with the outcome.
		"methodValidated.rows[].treatedAll", "methodValidated.rows[].untreatedAll",
	}
	var got []string
	for name := range samples(t) {
		for i, l := range leaves(samples(t)[name]) {
			e := samples(t)[name]
			leaves(e)[i].value.SetZero()
			f := Check(e, 0)
			if f == nil {
				continue
			}
			path := indexless(strings.TrimPrefix(l.path, "corrected.replacement."))
			switch {
			case f.Field == l.path:
			case path == "methodValidated.rows[].treatedAll" && indexless(f.Field) == indexless(strings.Replace(l.path, "treatedAll", "treatedWith", 1)):
			case path == "methodValidated.rows[].untreatedAll" && indexless(f.Field) == indexless(strings.Replace(l.path, "untreatedAll", "untreatedWith", 1)):
			default:
				t.Errorf("%s: without %s: %v", name, l.path, f)
			}
			got = append(got, path)
		}
	}
	slices.Sort(got)
	got = slices.Compact(got)
	slices.Sort(required)
	for _, path := range got {
		if !slices.Contains(required, path) {
			t.Errorf("%s is required", path)
		}
	}
	for _, path := range required {
		if !slices.Contains(got, path) {
			t.Errorf("%s is not required", path)
		}
	}
}

func indexless(path string) string {
	var b strings.Builder
	for _, c := range path {
		if c < '0' || c > '9' {
			b.WriteRune(c)
		}
	}
	return strings.ReplaceAll(b.String(), "sha", "sha256")
}
