package drill

import (
	"io"
	"net"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestAProxyPassesOnAndCuts(t *testing.T) {
	server, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	echoed := make(chan struct{})
	go func() {
		defer close(echoed)
		for range 2 {
			c, err := server.Accept()
			if err != nil {
				t.Error(err)
				return
			}
			_, _ = io.Copy(c, c) // until it is cut
			_ = c.Close()
		}
	}()
	p, err := NewProxy(server.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		c, err := net.Dial("tcp", p.At())
		if err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 4)
		if _, err := c.Write([]byte("ping")); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(c, got); err != nil || string(got) != "ping" {
			t.Fatalf("through the proxy came %q, %v", got, err)
		}
		p.Cut()
		if n, err := c.Read(got); err == nil {
			t.Errorf("after the cut came %d bytes", n)
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	<-echoed
	if err := server.Close(); err != nil {
		t.Error(err)
	}
}
