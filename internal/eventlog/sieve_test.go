package eventlog

import (
	"encoding/binary"
	"testing"
)

func TestSieve(t *testing.T) {
	s := newSieve()
	key := func(n int) []byte { return binary.BigEndian.AppendUint64([]byte("party\x00"), uint64(n)) }
	if !s.mayHold(key(1)) {
		t.Error("it holds back before it is filled")
	}
	s.ready.Store(true)
	const n = 500_000
	for i := range n {
		if i < 1000 && s.mayHold(key(i)) {
			t.Errorf("key %d is held back before it was added", i)
		}
		s.add(key(i))
	}
	passed := 0
	for i := range n {
		if !s.mayHold(key(i)) {
			t.Fatalf("key %d was added and is held back", i)
		}
		if s.mayHold(key(n + i)) {
			passed++
		}
	}
	// Eight bits of sixteen a key, in lines of 512, let through about one in a thousand for each part; there are three here.
	if share := float64(passed) / n; share > 0.01 {
		t.Errorf("%.4f of the questions are passed on in vain", share)
	}
	words := 0
	for _, p := range *s.parts.Load() {
		words += len(p.words)
	}
	if words*8 > 4*n {
		t.Errorf("%d bytes for %d keys", words*8, n)
	}
}
