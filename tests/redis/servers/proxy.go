package servers

import (
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// A Proxy stands between a program and a server and does what a network does.
type Proxy struct {
	listener net.Listener
	server   string
	next     atomic.Int32 // what happens to the next script
	met      atomic.Int32
	requests atomic.Int64
	parted   atomic.Bool
	delay    atomic.Int64
	wg       sync.WaitGroup

	mu    sync.Mutex
	conns map[net.Conn]bool
	ended bool
	whole *sync.Cond // no longer parted
}

// What happens to the next script that is sent to the server.
const (
	Pass    int32 = iota
	Cut           // the connection is closed once it has passed
	Swallow       // it passes, and nothing comes back on its connection any more
)

// StartProxy starts a proxy before a server, until the test ends.
func StartProxy(t testing.TB, server string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{listener: l, server: server, conns: map[net.Conn]bool{}}
	p.whole = sync.NewCond(&p.mu)
	p.wg.Go(p.accept)
	t.Cleanup(func() {
		_ = l.Close() // ends accept
		p.mu.Lock()
		p.ended = true
		p.mu.Unlock()
		p.Part(false)
		p.CutAll()
		p.wg.Wait()
	})
	return p
}

// Addr is where the proxy listens.
func (p *Proxy) Addr() string { return p.listener.Addr().String() }

// Next says what happens to the next script.
func (p *Proxy) Next(fault int32) { p.next.Store(fault) }

// Met is how often a fault of Next has happened.
func (p *Proxy) Met() int { return int(p.met.Load()) }

// Requests are the pieces that went to the server: round trips, while nobody
// else talks.
func (p *Proxy) Requests() int { return int(p.requests.Load()) }

// Delay holds each piece up, both ways.
func (p *Proxy) Delay(d time.Duration) { p.delay.Store(int64(d)) }

// Part lets nothing through any more, without a word: what is sent waits, as
// behind a broken switch. Part(false) lets it go on.
func (p *Proxy) Part(parted bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.parted.Store(parted)
	p.whole.Broadcast()
}

// CutAll closes every connection.
func (p *Proxy) CutAll() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		_ = c.Close() // ends the copying
	}
	clear(p.conns)
}

func (p *Proxy) accept() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial("tcp", p.server)
		if err != nil {
			_ = client.Close() // the client sees it
			continue
		}
		p.mu.Lock()
		if p.ended {
			_, _ = client.Close(), server.Close() // nobody is there any more
		}
		p.conns[client], p.conns[server] = true, true
		p.mu.Unlock()
		var swallow atomic.Bool
		p.wg.Go(func() { p.forward(client, server, &swallow) })
		p.wg.Go(func() { p.back(client, server, &swallow) })
	}
}

// pass waits as long as the network takes.
func (p *Proxy) pass() {
	time.Sleep(time.Duration(p.delay.Load()))
	p.mu.Lock()
	defer p.mu.Unlock()
	for p.parted.Load() {
		p.whole.Wait()
	}
}

func (p *Proxy) drop(conns ...net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		_ = c.Close() // the other side sees it
		delete(p.conns, c)
	}
}

func (p *Proxy) forward(client, server net.Conn, swallow *atomic.Bool) {
	buf := make([]byte, 1<<16)
	for {
		n, err := client.Read(buf)
		if err != nil {
			p.drop(server)
			return
		}
		p.pass()
		p.requests.Add(1)
		fault := Pass
		if strings.Contains(strings.ToLower(string(buf[:n])), "evalsha") {
			if fault = p.next.Swap(Pass); fault != Pass {
				p.met.Add(1)
				swallow.Store(true) // before the server can answer
			}
		}
		if _, err := server.Write(buf[:n]); err != nil {
			p.drop(client)
			return
		}
		if fault == Cut {
			p.drop(client) // the request has passed
		}
	}
}

func (p *Proxy) back(client, server net.Conn, swallow *atomic.Bool) {
	buf := make([]byte, 1<<16)
	for {
		n, err := server.Read(buf)
		if err != nil {
			p.drop(client)
			return
		}
		p.pass()
		if swallow.Load() {
			continue
		}
		if _, err := client.Write(buf[:n]); err != nil {
			p.drop(server)
			return
		}
	}
}
