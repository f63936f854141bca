package drill

import (
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
)

// A Proxy stands before a server and passes everything on, until it cuts all
// that is open.
type Proxy struct {
	to     string
	listen net.Listener
	mu     sync.Mutex
	open   map[net.Conn]bool
	copies sync.WaitGroup
}

// NewProxy listens on a port of this machine, before the server at to
// (host:port).
func NewProxy(to string) (*Proxy, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("a proxy before %s: %w", to, err)
	}
	p := &Proxy{to: to, listen: l, open: map[net.Conn]bool{}}
	p.copies.Go(p.accept)
	return p, nil
}

// At is where it listens, as host:port.
func (p *Proxy) At() string { return p.listen.Addr().String() }

func (p *Proxy) accept() {
	for {
		in, err := p.listen.Accept()
		if err != nil {
			return // closed
		}
		out, err := net.Dial("tcp", p.to)
		if err != nil {
			_ = in.Close() // as a server that is not there
			continue
		}
		p.mu.Lock()
		p.open[in], p.open[out] = true, true
		p.mu.Unlock()
		p.copies.Go(func() { p.copy(in, out) })
		p.copies.Go(func() { p.copy(out, in) })
	}
}

// copy passes one direction on, and closes both when it ends.
func (p *Proxy) copy(from, to net.Conn) {
	_, _ = io.Copy(to, from) // however it ends, both sides see it
	_, _ = from.Close(), to.Close()
	p.mu.Lock()
	delete(p.open, from)
	delete(p.open, to)
	p.mu.Unlock()
}

// Cut cuts every connection; new ones are taken.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.open {
		_ = c.Close()
	}
}

// Close cuts everything and listens no more.
func (p *Proxy) Close() error {
	err := p.listen.Close()
	p.Cut()
	p.copies.Wait()
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}
