//go:build !js

package eventlog

import (
	"context"
	"errors"
	"hash/maphash"
	"math/bits"
	"sync"
	"sync/atomic"

	"github.com/cockroachdb/pebble/v2"
)

// sieve answers "certainly not there" for most keys that are not: each event brings an id, and many a lot, that must be new, and
// asking the store for a key that it does not have costs more than judging the event.
//
// It is a Bloom filter in blocks of one cache line, 16 bits a key, in parts that each take twice as many keys as the one before.
// Some 2 MB hold a million keys, and about one question in a thousand is passed on to the store in vain. It lives in memory only: at start
// it is filled from the store in the background, and passes everything on until that is done.
//
// It is safe for use by many.
type sieve struct {
	seed  maphash.Seed
	mu    sync.Mutex // held to add
	parts atomic.Pointer[[]*sievePart]
	ready atomic.Bool
}

// sievePart holds up to its room of keys.
type sievePart struct {
	words []atomic.Uint64
	room  int64
	taken int64 // guarded by the sieve's mu
}

const (
	sieveBits  = 16      // per key
	sieveLine  = 8       // words in a block
	sieveFirst = 1 << 17 // keys in the first part
	sieveProbe = 8       // bits set per key
)

func newSieve() *sieve {
	s := &sieve{seed: maphash.MakeSeed()}
	s.parts.Store(&[]*sievePart{newSievePart(sieveFirst)})
	return s
}

func newSievePart(room int64) *sievePart {
	return &sievePart{words: make([]atomic.Uint64, room*sieveBits/64), room: room}
}

// block gives the block of a hash and the hash that its bits are drawn from.
func (p *sievePart) block(h uint64) (words []atomic.Uint64, draw uint64) {
	n := uint64(len(p.words) / sieveLine)
	at, _ := bits.Mul64(h, n)
	return p.words[at*sieveLine : (at+1)*sieveLine], h * 0x9e3779b97f4a7c15
}

// add puts a key in. It is called before the key can be found in the store.
func (s *sieve) add(key []byte) {
	h := maphash.Bytes(s.seed, key)
	s.mu.Lock()
	defer s.mu.Unlock()
	parts := *s.parts.Load()
	for _, p := range parts {
		if p.holds(h) {
			return
		}
	}
	p := parts[len(parts)-1]
	if p.taken >= p.room {
		p = newSievePart(2 * p.room)
		grown := append(append([]*sievePart(nil), parts...), p)
		s.parts.Store(&grown)
	}
	words, draw := p.block(h)
	for range sieveProbe {
		words[draw>>61].Or(1 << (draw >> 55 & 63))
		draw = draw*0xd1342543de82ef95 + 1
	}
	p.taken++
}

// mayHold is false only for a key that was never added.
func (s *sieve) mayHold(key []byte) bool {
	if !s.ready.Load() {
		return true
	}
	h := maphash.Bytes(s.seed, key)
	for _, p := range *s.parts.Load() {
		if p.holds(h) {
			return true
		}
	}
	return false
}

func (p *sievePart) holds(h uint64) bool {
	words, draw := p.block(h)
	for range sieveProbe {
		if words[draw>>61].Load()&(1<<(draw>>55&63)) == 0 {
			return false
		}
		draw = draw*0xd1342543de82ef95 + 1
	}
	return true
}

// fillSieve adds the keys that are in the store already. Until it is done the sieve holds nothing back, and if it cannot be done it
// never does.
func (l *Log) fillSieve(ctx context.Context) {
	for _, kind := range []byte{kindPosted, kindLot, kindLine} {
		it, err := l.db.NewIter(&pebble.IterOptions{LowerBound: []byte{kind}, UpperBound: after([]byte{kind})})
		if err != nil {
			return
		}
		for ok := it.First(); ok && ctx.Err() == nil; ok = it.Next() {
			l.known.add(it.Key())
		}
		if err := errors.Join(it.Error(), it.Close(), ctx.Err()); err != nil {
			return
		}
	}
	l.known.ready.Store(true)
}
