package fault

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"strconv"
	"testing"
	"time"
)

// kindsByReason is the contract that callers rely on, written down a second time.
func kindsByReason() map[Reason]Kind {
	return map[Reason]Kind{
		"INVALID_FIELD": Invalid, "FUTURE_TIME": Invalid, "BAD_SIGNATURE": Invalid, "TOO_LARGE": Invalid,
		"UNKNOWN_ATTACHMENT": NotFound, "UNKNOWN_TILE": NotFound,
		"NO_TOKEN": Unauthenticated, "BAD_TOKEN": Unauthenticated, "BAD_CERTIFICATE": Unauthenticated,
		"NOT_HOLDER": Forbidden, "NOT_YOUR_EVENT": Forbidden, "UNKNOWN_KEY": Forbidden, "KEY_REVOKED": Forbidden, "NOT_ALLOWED": Forbidden,
		"UNKNOWN_LOT": NotFound, "UNKNOWN_EVENT": NotFound, "UNKNOWN_HANDLE": NotFound, "UNKNOWN_PARTY": NotFound, "NO_ROUTE": NotFound,
		"METHOD_NOT_ALLOWED": Unsupported,
		"LOT_EXISTS":         Exists, "PARTY_EXISTS": Exists, "REQUEST_ID_REUSED": Exists,
		"LOT_CLOSED": Precondition, "HANDOVER_PENDING": Precondition, "MASS_GAIN": Precondition, "PIECE_MISMATCH": Precondition,
		"BEFORE_LOT_OPENED": Precondition, "OUT_OF_ORDER": Precondition, "HAS_LATER_EVENTS": Precondition, "TOO_DEEP": Precondition,
		"ETAG_MISMATCH": Conflict, "EPOCH_CHANGED": Conflict,
		"RATE_LIMITED": Exhausted, "DISK_RESERVE": Exhausted,
		"LOG_READ_ONLY": Unavailable, "LOG_TOO_NEW": Unavailable, "NOT_CAUGHT_UP": Unavailable, "NO_SEQUENCER": Unavailable, "ISSUER_UNAVAILABLE": Unavailable,
		"INTERNAL": Internal,
	}
}

// declaredReasons reads the constants of type Reason from the source, so that a new one cannot stay without a kind.
func declaredReasons(t *testing.T) []Reason {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "fault.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var reasons []Reason
	ast.Inspect(file, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if typ, ok := v.Type.(*ast.Ident); ok && typ.Name == "Reason" {
			word, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			reasons = append(reasons, Reason(word))
		}
		return true
	})
	return reasons
}

func TestEveryReasonHasItsKind(t *testing.T) {
	want := kindsByReason()
	declared := declaredReasons(t)
	if len(declared) != len(want) {
		t.Errorf("%d reasons are declared, %d have a kind in this test", len(declared), len(want))
	}
	for _, r := range declared {
		kind, ok := want[r]
		if !ok {
			t.Errorf("%s is not in this test", r)
		}
		if f := New(r, "field", "found %d", 7); f.Kind != kind || f.Reason != r || f.Field != "field" || f.Message != "found 7" {
			t.Errorf("New(%s) = %+v, want kind %d", r, f, kind)
		}
	}
	if f := New("NO_SUCH_REASON", "", "x"); f.Kind != Internal {
		t.Errorf("a reason that nobody classified has kind %d", f.Kind)
	}
	if (&Error{}).Kind != Internal {
		t.Error("an error without a kind looks like the caller's mistake")
	}
}

func TestErrorText(t *testing.T) {
	if got := New(InvalidField, "mined.mass", "found %q", "x").Error(); got != `INVALID_FIELD: mined.mass: found "x"` {
		t.Error(got)
	}
	if got := New(NoSequencer, "", "try again").Error(); got != "NO_SEQUENCER: try again" {
		t.Error(got)
	}
}

func TestMatching(t *testing.T) {
	f := New(MassGain, "split.children", "found 3 ct more")
	wrapped := fmt.Errorf("append block at 812: %w", fmt.Errorf("judge: %w", f))
	if !errors.Is(wrapped, New(MassGain, "", "other words")) {
		t.Error("the same reason does not match")
	}
	if errors.Is(wrapped, New(PieceMismatch, "split.children", "found 3 ct more")) {
		t.Error("another reason matches")
	}
	if errors.Is(f, errors.New("MASS_GAIN")) {
		t.Error("an error that is no fault matches")
	}
	if got, ok := As(wrapped); !ok || got != f {
		t.Errorf("As = %v, %v", got, ok)
	}
	if got, ok := As(errors.New("disk")); ok || got != nil {
		t.Errorf("As of no fault = %v, %v", got, ok)
	}
	if _, ok := As(nil); ok {
		t.Error("As of nil")
	}
	if r := Of(wrapped); r != MassGain {
		t.Errorf("Of = %s", r)
	}
	if r := Of(errors.New("disk")); r != InternalError {
		t.Errorf("Of no fault = %s", r)
	}
	if f, ok := As(errors.Join(errors.New("disk"), f)); !ok || f.Reason != MassGain {
		t.Error("As does not look into joined errors")
	}
}

func TestInBody(t *testing.T) {
	f := New(UnknownParty, "sold.to", "found nobody")
	b := InBody(f)
	if b.Kind != Invalid || b.Reason != UnknownParty || b.Field != f.Field || b.Message != f.Message {
		t.Errorf("InBody = %+v", b)
	}
	if f.Kind != NotFound {
		t.Error("InBody changes what it was given")
	}
	lot := New(UnknownLot, "combined.parents[1]", "found no such lot")
	if InBody(lot) != lot {
		t.Error("InBody changes another fault")
	}
}

func TestRetry(t *testing.T) {
	f := New(NotCaughtUp, "", "the answer is behind")
	r := f.Retry(time.Second)
	if r.RetryAfter != time.Second || f.RetryAfter != 0 || r.Reason != f.Reason || r.Kind != f.Kind || r.Message != f.Message {
		t.Errorf("Retry = %+v of %+v", r, f)
	}
}
