package talk

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"turnstone/care"
)

// Settings are those of one conversation; what is empty is left out.
type Settings struct {
	At, Locale, Zone, Region, Data, Person, Protocol, Hours string

	// Quiet switches off the question after each line whether the open
	// question is the one that was seen last. It costs one more line each.
	Quiet bool

	// Repeats allows a message to come again under its ID in the same run, as it
	// does where it was sent and that could not be kept.
	Repeats bool

	// Narrow gives the program a pipe of one page, which Room can fill.
	Narrow bool
}

// Folder is an empty folder for a store. A file without blocks stands in it for
// the store's ballast: writing 16 MB is what the tests would spend their time on.
func Folder(t testing.TB) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "store")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	f, err := os.Create(filepath.Join(dir, "ballast"))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.Truncate(16<<20), f.Close()); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Monday is where the clock starts when a test does not care.
const Monday = "2026-03-02T10:00:00Z"

// Home is somebody in Portugal on a Monday morning.
func Home() Settings {
	return Settings{At: Monday, Locale: "en", Zone: "Europe/Lisbon", Region: "PT"}
}

func (s Settings) args() []string {
	args := []string{"talk", "--json"}
	for _, f := range [][2]string{
		{"--at", s.At},
		{"--locale", s.Locale},
		{"--zone", s.Zone},
		{"--region", s.Region},
		{"--data", s.Data},
		{"--person", s.Person},
		{"--protocol", s.Protocol},
		{"--hours", s.Hours},
	} {
		if f[1] != "" {
			args = append(args, f[0], f[1])
		}
	}
	return args
}

// A Session is one run of the program, and what was seen of it.
type Session struct {
	Lines []Line    // everything that came, in order
	Now   time.Time // what the program's clock showed last
	Ask   *Ask      // the question of the last message, nil where it had none

	t      testing.TB
	set    Settings
	cmd    *exec.Cmd
	in     *os.File
	out    *bufio.Reader
	hold   *os.File // the other end of a narrow pipe
	errs   lockedBuffer
	over   bool
	watch  *time.Timer
	checks checks
	paper  []entry

	left    *Line // a question that was left out
	bulk    bool  // a script answers many questions: only the answers go on paper
	decided bool  // this line brought a disposition, or word to staff
}

// A lockedBuffer can be read while the program still writes.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// patience is how long a test waits for a line before it calls the program
// stuck; the machine may be busy.
const patience = 60 * time.Second

// Start starts a conversation and reads its opening.
func Start(t testing.TB, set Settings) *Session {
	t.Helper()
	s := Open(t, set)
	s.Read()
	return s
}

// Again starts the next run of the same person at a moment, and reads its
// opening. What was known before is known still.
func (s *Session) Again(at time.Time) *Session {
	s.t.Helper()
	set := s.set
	set.At = at.UTC().Format(time.RFC3339Nano)
	next := open(s.t, set, s.checks.again())
	next.paper, next.Now = s.paper, at
	next.Read()
	return next
}

// Open starts a conversation and reads nothing.
func Open(t testing.TB, set Settings) *Session {
	t.Helper()
	return open(t, set, newChecks(t))
}

func open(t testing.TB, set Settings, c checks) *Session {
	t.Helper()
	s := &Session{t: t, set: set, cmd: exec.Command(Bot, set.args()...), checks: c}
	s.cmd.Stderr = &s.errs
	s.cmd.Env = append(os.Environ(), "TURNSTONE_DATA=", "LANG=", "TMPDIR="+t.TempDir())
	s.begin()
	s.watch = time.AfterFunc(patience, func() { _ = s.cmd.Process.Kill() }) // the read that waits says what was missing
	t.Cleanup(s.stop)
	return s
}

// begin starts the program with a pipe at either end.
func (s *Session) begin() {
	s.t.Helper()
	pipe := os.Pipe
	if s.set.Narrow {
		pipe = narrowPipe
	}
	stdin, in, err1 := os.Pipe()
	out, stdout, err2 := pipe()
	if err := errors.Join(err1, err2); err != nil {
		s.t.Fatal(err)
	}
	s.cmd.Stdin, s.cmd.Stdout = stdin, stdout
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.in, s.out, s.hold = in, bufio.NewReaderSize(out, 1<<16), stdout
	if err := stdin.Close(); err != nil {
		s.t.Fatal(err)
	}
	if !s.set.Narrow {
		s.letGo()
	}
}

// letGo closes our copy of the program's output, so that its end is seen.
func (s *Session) letGo() {
	s.t.Helper()
	if s.hold == nil {
		return
	}
	if err := s.hold.Close(); err != nil {
		s.t.Fatal(err)
	}
	s.hold = nil
}

// stop ends a conversation that a test left open.
func (s *Session) stop() {
	s.watch.Stop()
	s.letGo()
	if s.over {
		return
	}
	s.over = true
	_ = s.cmd.Process.Kill() // what it said so far was checked; a failed test leaves it running
	_ = s.cmd.Wait()
}

// next reads one line; io.EOF where the program has ended.
func (s *Session) next() (Line, error) {
	s.watch.Reset(patience)
	raw, err := s.out.ReadString('\n')
	if err != nil {
		if raw != "" {
			s.t.Fatalf("the program ended inside a line: %q", raw)
		}
		return Line{}, io.EOF
	}
	l, err := parse(strings.TrimSuffix(raw, "\n"))
	if err != nil {
		s.t.Fatalf("a line out is not to the letter: %v\n%s", err, raw)
	}
	return l, nil
}

// Read reads up to and with ready, and returns what came before it.
func (s *Session) Read() []Line {
	s.t.Helper()
	from := len(s.Lines)
	for {
		l, err := s.next()
		if err != nil {
			s.t.Fatalf("the program ended before ready; it said:\n%s", s.errs.String())
		}
		s.take(l)
		if l.Type == "ready" {
			return s.Lines[from:]
		}
	}
}

func (s *Session) take(l Line) {
	s.t.Helper()
	s.checks.line(s, l)
	if l.Type == "ready" {
		s.Now = l.At
		s.checks.acknowledged()
		return
	}
	s.Lines = append(s.Lines, l)
	s.record(l)
	if l.Type == "message" {
		s.Ask = l.Ask
	}
}

// Write writes one line as it is and reads nothing.
func (s *Session) Write(line string) {
	s.t.Helper()
	if _, err := io.WriteString(s.in, line+"\n"); err != nil {
		s.t.Fatalf("write %q: %v; the program said:\n%s", line, err, s.errs.String())
	}
}

// Next reads one line out; false where the program has ended.
func (s *Session) Next() (Line, bool) {
	s.t.Helper()
	l, err := s.next()
	if err == nil {
		s.take(l)
	}
	return l, err == nil
}

// Raw writes one line as it is and returns what it brought.
func (s *Session) Raw(line string) []Line {
	s.t.Helper()
	s.Write(line)
	s.decided = false
	got := s.Read()
	if !s.set.Quiet {
		s.probe()
	}
	return got
}

// probe asks whether a question is open, by choosing what no question offers:
// that changes nothing, and the error tells.
func (s *Session) probe() {
	s.t.Helper()
	if _, err := io.WriteString(s.in, `{"choose":["no such choice"]}`+"\n"); err != nil {
		s.t.Fatalf("write: %v; the program said:\n%s", err, s.errs.String())
	}
	l, err := s.next()
	if err != nil || l.Type != "error" {
		s.t.Fatalf("a choice that nobody offers is answered with %s, %v", l.Raw, err)
	}
	if ready, err := s.next(); err != nil || ready.Type != "ready" {
		s.t.Fatalf("after an error comes %s, %v; want ready", ready.Raw, err)
	}
	s.compare(l.Error)
}

// compare holds the question that is open against the one that was seen last.
// One that was seen may have lapsed since: then nothing is open.
func (s *Session) compare(refusal string) {
	s.t.Helper()
	switch {
	case refusal == "no question is open":
		s.Ask = nil
	case s.checks.two:
		// An account that tells of two people: what one of them reads carries
		// no question of the other's.
	case s.Ask == nil:
		s.t.Errorf("a question is open, and the last message before ready does not carry it (%s)\nlast: %s", refusal, s.last())
	case len(s.Ask.Choices) == 0:
		if !strings.Contains(refusal, "in words") {
			s.t.Errorf("the last message asks for words, and open is another question (%s)\nlast: %s", refusal, s.last())
		}
	default:
		var values []string
		for _, c := range s.Ask.Choices {
			values = append(values, c.Value)
		}
		if !strings.HasSuffix(refusal, "choose from "+strings.Join(values, ", ")) {
			s.t.Errorf("the question that is open is not the last message's (%s)\nlast: %s", refusal, s.last())
		}
	}
}

// last is the last message.
func (s *Session) last() string {
	for _, l := range slices.Backward(s.Lines) {
		if l.Type == "message" {
			return l.Raw
		}
	}
	return "(no message)"
}

// End closes the input; the program must end by itself with status 0.
func (s *Session) End() {
	s.t.Helper()
	s.letGo()
	if err := s.in.Close(); err != nil {
		s.t.Error(err)
	}
	for {
		l, err := s.next()
		if err != nil {
			break
		}
		s.t.Errorf("after the end of the input came %s", l.Raw)
	}
	s.wait(0)
}

// wait waits for the end and compares the exit status.
func (s *Session) wait(want int) {
	s.t.Helper()
	s.over = true
	s.watch.Stop()
	err := s.cmd.Wait()
	got := 0
	if exit, ok := errors.AsType[*exec.ExitError](err); ok {
		got = exit.ExitCode()
	} else if err != nil {
		s.t.Errorf("wait: %v", err)
	}
	if got != want {
		s.t.Errorf("the program ended with status %d, want %d; it said:\n%s", got, want, s.errs.String())
	}
}

// Kill ends the program as a power cut does, and returns what it had written
// until then.
func (s *Session) Kill() []Line {
	s.t.Helper()
	from := len(s.Lines)
	if err := s.cmd.Process.Kill(); err != nil {
		s.t.Fatal(err)
	}
	s.letGo()
	for {
		raw, err := s.out.ReadString('\n')
		if err != nil {
			break // a line that was cut short was never said
		}
		if strings.TrimSpace(raw) == "" {
			continue // what filled the pipe
		}
		l, err := parse(strings.TrimSuffix(raw, "\n"))
		if err != nil {
			s.t.Errorf("a line out is not to the letter: %v\n%s", err, raw)
		}
		s.take(l)
	}
	s.over = true
	s.watch.Stop()
	_ = s.cmd.Wait() // it was killed: that is its status
	return s.Lines[from:]
}

// Crash makes the program end with a report of all that it was doing, as Go
// does on a fault, and returns what it said to the operator.
func (s *Session) Crash() string {
	s.t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGQUIT); err != nil {
		s.t.Fatal(err)
	}
	s.letGo()
	for {
		if _, err := s.out.ReadString('\n'); err != nil {
			break
		}
	}
	s.wait(2)
	return s.errs.String()
}

// Pid is the program's process.
func (s *Session) Pid() int { return s.cmd.Process.Pid }

// Knows tells the next run what was kept of this one, where it was killed
// before it could say so.
func (s *Session) Knows(episode care.EpisodeID, d care.Disposition) {
	s.checks.now[string(episode)] = max(s.checks.now[string(episode)], d)
}

// Errors is what the program wrote for the operator.
func (s *Session) Errors() string { return s.errs.String() }
