// Package session keeps the sessions of browsers, in memory.
//
// A session is known by a random id that its browser alone has; the store keeps the id's SHA-256. It promises that a session allows no more
// and lasts no longer than what it was begun with, which is asked for again on each use: a session begun with a token ends when the token is
// revoked. How many sessions a party has is bounded. Sessions end with the process.
//
// Cookies, and who may send what from where, are left to services/gateway.
package session

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"slices"
	"sync"
	"time"

	"github.com/lotpaper/lotpaper/internal/envelope"
	"github.com/lotpaper/lotpaper/internal/fault"
	"github.com/lotpaper/lotpaper/internal/opal"
	"github.com/lotpaper/lotpaper/internal/rpc"
)

// Lifetime is the longest that a session lasts.
const Lifetime = 12 * time.Hour

// PerParty is how many sessions one party may have; one more ends the oldest.
const PerParty = 100

// Callers knows whether what a session was begun with still holds. What does not is refused with a fault.
type Callers interface {
	TokenCaller(hash [32]byte) (rpc.Caller, error)
	Enrolled(party string) error
}

var _ Callers = (*rpc.Authenticator)(nil)

// Store keeps sessions. It is safe for concurrent use.
type Store struct {
	callers Callers
	now     func() time.Time

	mu sync.Mutex
	// Guarded by mu.
	records map[key]*record
	parties map[string][]key // oldest first
}

// key is the SHA-256 of a session's id: who reads the memory cannot take a session over.
type key [sha256.Size]byte

// record is not changed once it is made.
type record struct {
	party   string
	token   *[32]byte // its hash; nil: begun by a login
	expires opal.Instant
}

// New makes an empty store; now is the clock.
func New(c Callers, now func() time.Time) *Store {
	return &Store{callers: c, now: now, records: map[key]*record{}, parties: map[string][]key{}}
}

// Session is a session in force.
type Session struct {
	rpc.Caller
	// CSRF is what a page of one's own sends beside the cookie: another site's page can have the cookie sent, and cannot read this. It follows
	// from the id, so that it is kept nowhere, and does not tell it.
	CSRF string
}

// Begin begins a session with a token.
func (s *Store) Begin(token string) (id string, _ Session, err error) {
	hash := envelope.TokenHash(token)
	who, err := s.callers.TokenCaller(hash)
	if err != nil {
		return "", Session{}, err
	}
	r := &record{party: who.Party, token: &hash, expires: s.end(who.Expires)}
	id = s.add(r)
	return id, r.session(id, who), nil
}

// BeginFor begins a session for a person whom somebody trusted says to work for a party. It may read and post: nobody becomes the admin by
// what somebody else says.
func (s *Store) BeginFor(party string) (id string, _ Session, err error) {
	r := &record{party: party, expires: s.end(0)}
	who, err := s.caller(r)
	if err != nil {
		return "", Session{}, err
	}
	id = s.add(r)
	return id, r.session(id, who), nil
}

// end is when a session ends that is begun now with something that ends then; 0: never.
func (s *Store) end(then opal.Instant) opal.Instant {
	end := opal.InstantOf(s.now().Add(Lifetime))
	if then != 0 && then < end {
		return then
	}
	return end
}

func (s *Store) add(r *record) (id string) {
	var b [32]byte
	rand.Read(b[:])
	id = base64.RawURLEncoding.EncodeToString(b[:])
	k, now := keyOf(id), opal.InstantOf(s.now())
	s.mu.Lock()
	defer s.mu.Unlock()
	var ended []key
	kept := slices.DeleteFunc(slices.Clone(s.parties[r.party]), func(k key) bool {
		if s.records[k].expires > now {
			return false
		}
		ended = append(ended, k)
		return true
	})
	if over := len(kept) + 1 - PerParty; over > 0 {
		ended, kept = append(ended, kept[:over]...), kept[over:]
	}
	for _, k := range ended {
		delete(s.records, k)
	}
	s.records[k], s.parties[r.party] = r, append(kept, k)
	return id
}

func keyOf(id string) key { return sha256.Sum256([]byte(id)) }

// Find finds a session by its id. One that is not in force is BAD_TOKEN in the same words whatever became of it, and is forgotten.
func (s *Store) Find(id string) (Session, error) {
	k := keyOf(id)
	s.mu.Lock()
	r := s.records[k]
	s.mu.Unlock()
	if r == nil || opal.InstantOf(s.now()) >= r.expires {
		s.forget(k)
		return Session{}, over()
	}
	who, err := s.caller(r)
	if err != nil {
		if _, ok := fault.As(err); !ok {
			return Session{}, err
		}
		s.forget(k)
		return Session{}, over()
	}
	return r.session(id, who), nil
}

// session is the record's, whose caller may do now what who may.
func (r *record) session(id string, who rpc.Caller) Session {
	who.Expires, who.Means = r.expires, rpc.BySession
	return Session{who, csrf(id)}
}

// caller asks whether what the session was begun with still holds.
func (s *Store) caller(r *record) (rpc.Caller, error) {
	if r.token != nil {
		return s.callers.TokenCaller(*r.token)
	}
	return rpc.Caller{Party: r.party, Scopes: rpc.ReadAndPost()}, s.callers.Enrolled(r.party)
}

func over() error {
	return fault.New(fault.BadToken, "", "found a session that is not in force: it is unknown, has expired, or what it was begun with has ended; accepted is one that POST /session or a login begins")
}

// csrf derives the second value from a session's id.
func csrf(id string) string {
	m := hmac.New(sha256.New, []byte(id))
	m.Write([]byte("lotpaper/csrf/v1"))
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil))
}

// End ends a session. One that there is not is ended already.
func (s *Store) End(id string) { s.forget(keyOf(id)) }

func (s *Store) forget(k key) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.records[k]
	if r == nil {
		return
	}
	delete(s.records, k)
	list := slices.DeleteFunc(s.parties[r.party], func(other key) bool { return other == k })
	if s.parties[r.party] = list; len(list) == 0 {
		delete(s.parties, r.party)
	}
}
