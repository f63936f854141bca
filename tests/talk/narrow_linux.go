package talk

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// page is the least that a pipe holds (pipe(7)).
const page = 4096

// narrowPipe is a pipe of one page.
func narrowPipe() (r, w *os.File, err error) {
	if r, w, err = os.Pipe(); err != nil {
		return nil, nil, err
	}
	if size, err := unix.FcntlInt(w.Fd(), unix.F_SETPIPE_SZ, page); err != nil || size != page {
		return nil, nil, fmt.Errorf("a pipe of %d bytes: got %d, %w", page, size, err)
	}
	return r, w, nil
}

// Room leaves the program room for so many bytes of output: it comes to a
// stand in the middle of what it has to say, just before the first line that
// does not fit. Only for a session with Narrow set, when nothing is unread.
func (s *Session) Room(size int) {
	s.t.Helper()
	filler := append(bytes.Repeat([]byte(" "), page-size-1), '\n')
	if _, err := s.hold.Write(filler); err != nil {
		s.t.Fatal(err)
	}
}

// Stand waits until the program can't go on: it waits for room, or has said
// everything and waits for the next line.
func (s *Session) Stand() {
	s.t.Helper()
	again := time.NewTicker(time.Millisecond)
	defer again.Stop()
	end := time.NewTimer(patience)
	defer end.Stop()
	for !s.stands() {
		select {
		case <-again.C:
		case <-end.C:
			s.t.Fatalf("the program neither waits for room nor for a line; it said:\n%s", s.errs.String())
		}
	}
}

// stands looks at the system call that each thread is in: writing to standard
// output, or reading standard input (proc(5), "syscall").
func (s *Session) stands() bool {
	s.t.Helper()
	calls, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/syscall", s.cmd.Process.Pid))
	if err != nil {
		s.t.Fatal(err)
	}
	for _, c := range calls {
		text, err := os.ReadFile(c)
		if err != nil {
			continue // a thread that has just ended
		}
		f := strings.Fields(string(text))
		if len(f) < 2 {
			continue
		}
		call, err := strconv.Atoi(f[0])
		if err != nil {
			continue // "running"
		}
		if call == unix.SYS_WRITE && f[1] == "0x1" || call == unix.SYS_READ && f[1] == "0x0" && s.heard() {
			return true
		}
	}
	return false
}

// heard reports whether the program has read every line that was written.
func (s *Session) heard() bool {
	s.t.Helper()
	left, err := unix.IoctlGetInt(int(s.in.Fd()), unix.TIOCINQ)
	if err != nil {
		s.t.Fatal(err)
	}
	return left == 0
}
