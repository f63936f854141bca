// Package servers starts real Redis servers for tests, each in a folder and on
// a port of its own, and ends them by their process. It can freeze, kill and
// bring back each of them.
package servers

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
)

// Install is the command that brings the servers.
const Install = "apt-get install redis-server redis-sentinel"

// A Server is one process. Its data stay in Dir when it is killed.
type Server struct {
	Port     int
	Dir      string
	busPort  int
	sentinel bool
	settings []string

	mu     sync.Mutex
	cmd    *exec.Cmd
	ended  chan struct{}
	out    bytes.Buffer
	admin  *redis.Client
	frozen bool
}

// New prepares a server in dir; each setting is a line of its configuration.
func New(dir string, settings ...string) (*Server, error) {
	ports, err := freePorts(2)
	if err != nil {
		return nil, err
	}
	base := []string{
		fmt.Sprint("port ", ports[0]), "bind 127.0.0.1", "dir " + dir, "daemonize no", "protected-mode no",
		`save ""`, fmt.Sprint("cluster-port ", ports[1]),
	}
	s := &Server{Port: ports[0], busPort: ports[1], Dir: dir, settings: append(base, settings...)}
	s.admin = redis.NewClient(&redis.Options{Addr: s.Addr(), DialTimeout: time.Second, MaxRetries: -1, DialerRetries: 1, PoolSize: 4})
	return s, nil
}

// Start starts a server that ends with the test.
func Start(t testing.TB, settings ...string) *Server {
	t.Helper()
	s, err := New(t.TempDir(), settings...)
	if err == nil {
		err = s.Launch()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.End)
	return s
}

func freePorts(n int) (ports []int, err error) {
	var held []net.Listener
	defer func() {
		for _, l := range held {
			err = errors.Join(err, l.Close())
		}
	}()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		held = append(held, l)
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports, nil
}

// Addr is where the server listens.
func (s *Server) Addr() string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(s.Port)) }

// Launch starts the process and waits until it answers.
func (s *Server) Launch() error {
	path, err := exec.LookPath("redis-server")
	if err != nil {
		return fmt.Errorf("the test needs a real Redis server, and redis-server is not here: %s", Install)
	}
	args := []string{filepath.Join(s.Dir, "server.conf")}
	if s.sentinel {
		args = append(args, "--sentinel")
	} else if err := os.WriteFile(args[0], []byte(strings.Join(s.settings, "\n")+"\n"), 0o600); err != nil {
		return err
	}
	s.mu.Lock()
	s.cmd, s.ended, s.frozen = exec.Command(path, args...), make(chan struct{}), false
	s.cmd.Stdout, s.cmd.Stderr = &s.out, &s.out
	endWithTest(s.cmd)
	cmd, ended := s.cmd, s.ended
	s.mu.Unlock()
	started := make(chan error)
	go func() {
		runtime.LockOSThread() // the process ends with the thread that started it
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // it is killed, mostly
		}
		close(ended)
	}()
	if err := <-started; err != nil {
		return err
	}
	return s.Answers(10 * time.Second)
}

// Answers waits until the server answers.
func (s *Server) Answers(within time.Duration) error {
	var err error
	for begun := time.Now(); time.Since(begun) < within; time.Sleep(5 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		err = s.admin.Ping(ctx).Err()
		cancel()
		if err == nil {
			return nil
		}
		select {
		case <-s.ended:
			return fmt.Errorf("redis-server has ended: %s", s.out.String())
		default:
		}
	}
	return fmt.Errorf("redis-server on port %d does not answer: %w", s.Port, err)
}

// Do sends the server a command as its administrator.
func (s *Server) Do(t testing.TB, args ...any) *redis.Cmd {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	cmd := s.admin.Do(ctx, args...)
	if err := cmd.Err(); err != nil && !errors.Is(err, redis.Nil) {
		t.Fatalf("%v on port %d: %v", args, s.Port, err)
	}
	return cmd
}

// Eval runs a script that may never end, until ctx does or somebody kills it.
func (s *Server) Eval(ctx context.Context, script string) {
	c := redis.NewClient(&redis.Options{Addr: s.Addr(), MaxRetries: -1, ReadTimeout: -1})
	_ = c.Eval(ctx, script, nil).Err() // it ends by being killed
	_ = c.Close()                      // nothing is left to be written
}

// Info is one field of what the server says about itself.
func (s *Server) Info(t testing.TB, section, field string) string {
	t.Helper()
	for line := range strings.Lines(s.Do(t, "INFO", section).String()) {
		if value, ok := strings.CutPrefix(strings.TrimSpace(line), field+":"); ok {
			return value
		}
	}
	return ""
}

// Pid is the process.
func (s *Server) Pid() int { return s.cmd.Process.Pid }

func (s *Server) signal(sig syscall.Signal) error { return syscall.Kill(s.Pid(), sig) }

// Kill ends the process as kill -9 does, and waits for its end.
func (s *Server) Kill() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cmd == nil {
		return
	}
	_ = s.signal(syscall.SIGKILL) // it may have ended
	<-s.ended
	s.cmd = nil
}

// Freeze stops the process where it is; Thaw lets it go on.
func (s *Server) Freeze() error { return s.signal(syscall.SIGSTOP) }

// Thaw lets a frozen process go on.
func (s *Server) Thaw() error { return s.signal(syscall.SIGCONT) }

// End kills the process and closes the administrator's connection.
func (s *Server) End() {
	s.Kill()
	_ = s.admin.Close() // nothing is left to be written
}

// Output is what the process has said.
func (s *Server) Output() string { return s.out.String() }
