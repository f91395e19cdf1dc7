package session

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/lotpaper/lotpaper/internal/account"
	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// world is a store before a directory whose tokens the test changes.
type world struct {
	*Store
	mu     sync.Mutex
	tokens map[[32]byte]*account.Token // guarded by mu
	err    error                       // guarded by mu
	clock  time.Time
}

func (w *world) TokenParty(hash [32]byte) (*account.Party, *account.Token, bool, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	t := w.tokens[hash]
	return &account.Party{ID: "harrow-gully"}, t, t != nil, w.err
}

func (w *world) Party(id string) (*account.Party, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if id != "harrow-gully" {
		return nil, w.err
	}
	return &account.Party{ID: id}, w.err
}

func newWorld() *world {
	w := &world{tokens: map[[32]byte]*account.Token{}, clock: time.Date(2026, 1, 2, 8, 0, 0, 0, time.UTC)}
	now := func() time.Time { return w.clock }
	w.Store = New(rpc.NewAuthenticator(w, nil, now), now)
	return w
}

func (w *world) token(text string, t account.Token) string {
	w.tokens[envelope.TokenHash(text)] = &t
	return text
}

func (w *world) begin(t *testing.T, token string) (string, Session) {
	t.Helper()
	id, s, err := w.Begin(token)
	if err != nil {
		t.Fatal(err)
	}
	return id, s
}

func (w *world) over(t *testing.T, id string) {
	t.Helper()
	if s, err := w.Find(id); fault.Of(err) != fault.BadToken || !strings.Contains(err.Error(), "a session that is not in force") || s.Party != "" {
		t.Errorf("%+v, %v; want BAD_TOKEN", s, err)
	}
}

func TestSessions(t *testing.T) {
	w := newWorld()
	id, s := w.begin(t, w.token("both", account.Token{}))
	if s.Party != "harrow-gully" || !s.Has(opal.ScopeRead) || !s.Has(opal.ScopePost) || s.Has(opal.ScopeAdmin) || s.Means != rpc.BySession ||
		s.Expires != opal.InstantOf(w.clock.Add(Lifetime)) || len(id) != 43 {
		t.Errorf("%q %+v", id, s)
	}
	again, err := w.Find(id)
	if err != nil || again.CSRF != s.CSRF || len(s.CSRF) != 43 || strings.Contains(s.CSRF, id) {
		t.Errorf("%+v, %v; want the value %q again", again, err, s.CSRF)
	}
	other, o := w.begin(t, "both")
	if other == id || o.CSRF == s.CSRF {
		t.Error("two sessions have one id or value")
	}
	_, reads := w.begin(t, w.token("reads", account.Token{Scopes: []opal.Scope{opal.ScopeRead}}))
	if reads.Has(opal.ScopePost) {
		t.Errorf("a token to read began %+v", reads)
	}
	w.End(other)
	w.over(t, other)
	w.End(other) // nothing more happens
	for _, unknown := range []string{"", "x", id + "x", id[:42], s.CSRF, strings.Repeat("a", 1<<16)} {
		w.over(t, unknown)
	}
	if _, err := w.Find(id); err != nil {
		t.Error(err)
	}
	// Nothing in the store is the id.
	for k := range w.records {
		if strings.Contains(id, string(k[:])) {
			t.Error("the store has the id")
		}
	}
	if _, ok := w.records[key([]byte(id)[:32])]; ok {
		t.Error("the store has the id")
	}
}

// A session lasts no longer than its token, whatever ends that, and never for more than half a day.
func TestSessionsEnd(t *testing.T) {
	w := newWorld()
	end := opal.InstantOf(w.clock.Add(time.Hour))
	long, _ := w.begin(t, w.token("long", account.Token{}))
	short, s := w.begin(t, w.token("short", account.Token{Expires: end}))
	if s.Expires != end {
		t.Errorf("it lasts to %v, its token to %v", s.Expires, end)
	}
	taken, _ := w.begin(t, w.token("taken", account.Token{}))
	w.tokens[envelope.TokenHash("taken")].RevokedAt = new(uint64)
	w.over(t, taken)
	w.tokens[envelope.TokenHash("taken")].RevokedAt = nil
	w.over(t, taken) // it is gone for good
	w.clock = w.clock.Add(time.Hour)
	w.over(t, short)
	if _, err := w.Find(long); err != nil {
		t.Error(err)
	}
	w.clock = w.clock.Add(Lifetime - time.Hour - time.Microsecond)
	if _, err := w.Find(long); err != nil {
		t.Error(err)
	}
	w.clock = w.clock.Add(time.Microsecond)
	w.over(t, long)
	if len(w.records) != 0 || len(w.parties) != 0 {
		t.Errorf("%d sessions of %d parties are kept that are over", len(w.records), len(w.parties))
	}
	for _, token := range []string{"nobody", "", "short"} {
		if id, _, err := w.Begin(token); fault.Of(err) != fault.BadToken || id != "" {
			t.Errorf("%q began a session: %v", token, err)
		}
	}
}

// A directory that fails ends no session.
func TestDirectoryFails(t *testing.T) {
	w := newWorld()
	id, _ := w.begin(t, w.token("both", account.Token{}))
	w.err = errors.New("read the token record")
	if _, err := w.Find(id); err == nil || fault.Of(err) != fault.InternalError {
		t.Errorf("%v", err)
	}
	if _, _, err := w.Begin("both"); err == nil || fault.Of(err) != fault.InternalError {
		t.Errorf("%v", err)
	}
	w.err = nil
	if _, err := w.Find(id); err != nil {
		t.Error(err)
	}
}

// One party's sessions are bounded: those that are over go first, then the oldest.
func TestSessionsAreBounded(t *testing.T) {
	w := newWorld()
	w.token("both", account.Token{})
	over, _ := w.begin(t, w.token("short", account.Token{Expires: opal.InstantOf(w.clock.Add(time.Minute))}))
	first, _ := w.begin(t, "both")
	second, _ := w.begin(t, "both")
	for range PerParty - 3 {
		w.begin(t, "both")
	}
	w.clock = w.clock.Add(time.Minute)
	w.begin(t, "both") // in place of the one that is over
	w.over(t, over)
	if _, err := w.Find(first); err != nil {
		t.Error(err)
	}
	w.begin(t, "both")
	w.over(t, first)
	if _, err := w.Find(second); err != nil {
		t.Error(err)
	}
	if len(w.records) != PerParty || len(w.parties["harrow-gully"]) != PerParty {
		t.Errorf("%d sessions, %d listed, at most %d", len(w.records), len(w.parties["harrow-gully"]), PerParty)
	}
}

// Under many callers at once the list and the records stay one.
func TestManyAtOnce(t *testing.T) {
	w := newWorld()
	for i := range 8 {
		w.token(fmt.Sprint("token-", i), account.Token{})
	}
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			for range 60 {
				id, _, err := w.Begin(fmt.Sprint("token-", i))
				if err != nil {
					t.Error(err)
					return
				}
				if i%2 == 0 {
					w.End(id)
				}
			}
		})
	}
	all.Wait()
	listed := w.parties["harrow-gully"]
	if len(w.records) != len(listed) || len(listed) > PerParty {
		t.Fatalf("%d records, %d listed", len(w.records), len(listed))
	}
	for _, k := range listed {
		if w.records[k] == nil {
			t.Error("a session is listed that there is not")
		}
	}
}

// A person who logged in reads and posts for the party, as long as there is one, and is never the admin.
func TestSessionsForAParty(t *testing.T) {
	w := newWorld()
	id, s, err := w.BeginFor("harrow-gully")
	if err != nil || s.Party != "harrow-gully" || !s.Has(opal.ScopeRead) || !s.Has(opal.ScopePost) || s.Has(opal.ScopeAdmin) || s.Expires != opal.InstantOf(w.clock.Add(Lifetime)) {
		t.Errorf("%+v, %v", s, err)
	}
	again, err := w.Find(id)
	if err != nil || again.CSRF != s.CSRF || again.Party != s.Party || again.Means != rpc.BySession {
		t.Errorf("%+v, %v", again, err)
	}
	for _, party := range []string{"moor-shop", opal.Admin, opal.Outside, "", "Harrow-Gully"} {
		if id, _, err := w.BeginFor(party); fault.Of(err) != fault.UnknownParty || id != "" {
			t.Errorf("%q began a session: %v", party, err)
		}
	}
	w.clock = w.clock.Add(Lifetime)
	w.over(t, id)
}
