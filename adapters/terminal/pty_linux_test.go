package terminal

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// pty opens a real terminal of the system, width columns wide (pty(7)).
func pty(t *testing.T, width uint16) (terminal *os.File, resize func(uint16)) {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	fd := int(master.Fd())
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	terminal, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		for _, f := range []*os.File{terminal, master} {
			if err := f.Close(); err != nil {
				t.Error(err)
			}
		}
	})
	resize = func(width uint16) {
		if err := unix.IoctlSetWinsize(fd, unix.TIOCSWINSZ, &unix.Winsize{Row: 30, Col: width}); err != nil {
			t.Fatal(err)
		}
	}
	resize(width)
	return terminal, resize
}

func TestALookFollowsTheTerminalAndTheEnvironment(t *testing.T) {
	tests := []struct {
		env                     string
		framed, colored, marked bool
	}{
		{"TERM=xterm", true, true, true},
		{"TERM=xterm NO_COLOR=1", true, false, true},
		{"TERM=dumb", true, false, true},
		{"", true, false, true},
		{"TERM=xterm TURNSTONE_PLAIN=1", false, false, false},
	}
	file, _ := pty(t, 80)
	for _, tt := range tests {
		env := map[string]string{}
		for _, set := range strings.Fields(tt.env) {
			name, value, _ := strings.Cut(set, "=")
			env[name] = value
		}
		l := newLook(file, file, func(name string) string { return env[name] })
		if l.framed != tt.framed || l.colored != tt.colored || l.marked != tt.marked || !l.echoed {
			t.Errorf("%s: got %+v", tt.env, l)
		}
	}
	if l := newLook(strings.NewReader(""), file, terminalEnv); l.echoed || l.marked || !l.framed || !l.colored {
		t.Errorf("with a pipe for keys: got %+v", l)
	}
}

func TestWidthIsReadAnewForEachMessage(t *testing.T) {
	file, resize := pty(t, 80)
	l := newLook(file, file, terminalEnv)
	for _, tt := range []struct{ window, want int }{{80, 76}, {77, 76}, {60, 59}, {40, 39}, {0, 76}, {5, 20}, {300, 76}} {
		resize(uint16(tt.window))
		if got := l.width(); got != tt.want {
			t.Errorf("a window of %d: lines of %d, want %d", tt.window, got, tt.want)
		}
	}
}
