package browser

import (
	"io"
	"net"
	"sync"
	"testing"
)

// line is the way from a browser to the node, which can be cut: connections end, and new ones are ended at once, as with a phone that is carried out of reach.
type line struct {
	to       string
	listener net.Listener

	mu   sync.Mutex
	cut  bool              // guarded by mu
	open map[net.Conn]bool // guarded by mu
}

// newLine leads to an address.
func newLine(t *testing.T, to string) *line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	x := &line{to: to, listener: l, open: map[net.Conn]bool{}}
	var carrying sync.WaitGroup
	carrying.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			carrying.Go(func() { x.carry(c) })
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		x.setCut(true)
		carrying.Wait()
	})
	return x
}

func (x *line) carry(from net.Conn) {
	defer from.Close()
	to, err := net.Dial("tcp", x.to)
	if err != nil || !x.add(from, to) {
		return
	}
	defer to.Close()
	done := make(chan struct{}, 2)
	for _, pair := range [...][2]net.Conn{{from, to}, {to, from}} {
		go func() {
			_, _ = io.Copy(pair[0], pair[1])
			done <- struct{}{}
		}()
	}
	<-done
	_, _ = from.Close(), to.Close()
	<-done
	x.mu.Lock()
	defer x.mu.Unlock()
	delete(x.open, from)
	delete(x.open, to)
}

func (x *line) add(conns ...net.Conn) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, c := range conns {
		if x.cut {
			_ = c.Close()
		}
		x.open[c] = true
	}
	return !x.cut
}

// setCut cuts the line, or joins it again.
func (x *line) setCut(cut bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.cut = cut
	if !cut {
		return
	}
	for c := range x.open {
		_ = c.Close()
		delete(x.open, c)
	}
}
