package redis

import (
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
)

// A proxy stands between the store and a server and can do what a network
// does: cut a connection after the request has passed, or swallow the reply.
type proxy struct {
	listener net.Listener
	server   string
	fault    atomic.Int32 // what happens to the next EVALSHA
	met      atomic.Int32 // how often it has happened
	requests atomic.Int64 // pieces that went to the server: round trips, while nobody else talks
	wg       sync.WaitGroup
	mu       sync.Mutex
	conns    []net.Conn
}

const (
	pass int32 = iota
	cutAfterRequest
	swallowReply
)

func startProxy(t *testing.T, server string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{listener: l, server: server}
	p.wg.Go(p.accept)
	t.Cleanup(func() {
		_ = l.Close() // ends accept
		p.mu.Lock()
		for _, c := range p.conns {
			_ = c.Close() // ends the copying
		}
		p.mu.Unlock()
		p.wg.Wait()
	})
	return p
}

func (p *proxy) accept() {
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
		p.conns = append(p.conns, client, server)
		p.mu.Unlock()
		var swallow atomic.Bool
		p.wg.Go(func() { p.forward(client, server, &swallow) })
		p.wg.Go(func() { p.back(client, server, &swallow) })
	}
}

func (p *proxy) forward(client, server net.Conn, swallow *atomic.Bool) {
	buf := make([]byte, 1<<16)
	for {
		n, err := client.Read(buf)
		if err != nil {
			_ = server.Close() // its reader ends
			return
		}
		p.requests.Add(1)
		fault := pass
		if strings.Contains(strings.ToLower(string(buf[:n])), "evalsha") {
			if fault = p.fault.Swap(pass); fault != pass {
				p.met.Add(1)
			}
		}
		if fault != pass {
			swallow.Store(true) // before the server can answer
		}
		if _, err := server.Write(buf[:n]); err != nil {
			return
		}
		if fault == cutAfterRequest {
			_ = client.Close() // the request has passed
		}
	}
}

func (p *proxy) back(client, server net.Conn, swallow *atomic.Bool) {
	buf := make([]byte, 1<<16)
	for {
		n, err := server.Read(buf)
		if err != nil {
			if errors.Is(err, io.EOF) {
				_ = client.Close() // pass the end on
			}
			return
		}
		if swallow.Load() {
			continue
		}
		if _, err := client.Write(buf[:n]); err != nil {
			return
		}
	}
}
