package redis

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/store"
	"turnstone/tests/redis/servers"
)

// worker is the variable with the address that makes this test's program a
// bot's second process: it claims what is due in both lanes for a second and
// says whom, and then commits for each line that it is given.
const worker = "TURNSTONE_TEST_WORKER"

const workerLease = 2 * time.Second

func work(address string) error {
	a, err := ParseAddress(address)
	if err != nil {
		return err
	}
	s, err := Open(background, a, Options{})
	if err != nil {
		return err
	}
	for lane := range store.Routine + 1 {
		people, err := s.Claim(background, time.Now(), lane, 100, workerLease)
		if err != nil {
			return err
		}
		fmt.Println("claimed", lane, strings.Join(people, " "))
	}
	r, err := s.Load(background, "both")
	if err != nil {
		return err
	}
	w := store.Write{Person: "both", Read: r.Etag, Next: r.Etag.Next([8]byte{77}), Bytes: []byte("of the worker"), Now: time.Now()}
	fmt.Println("ready")
	for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
		fmt.Println("commit", s.Commit(background, w))
	}
	return s.Close()
}

type process struct {
	cmd   *exec.Cmd
	lines *bufio.Scanner
	in    interface{ Write([]byte) (int, error) }
}

// startWorker starts the second process and waits until it has claimed.
func startWorker(t *testing.T, address string) (p *process, claimed [2][]string) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), worker+"="+address)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	in, ierr := cmd.StdinPipe()
	if err := errors.Join(err, ierr, cmd.Start()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()         // it was killed
	})
	p = &process{cmd: cmd, lines: bufio.NewScanner(out), in: in}
	for lane := range claimed {
		words := strings.Fields(p.line(t))
		if len(words) < 2 || words[0] != "claimed" {
			t.Fatalf("the worker said %q", words)
		}
		claimed[lane] = words[2:]
	}
	if got := p.line(t); got != "ready" {
		t.Fatalf("the worker said %q", got)
	}
	return p, claimed
}

func (p *process) line(t *testing.T) string {
	t.Helper()
	if !p.lines.Scan() {
		t.Fatalf("the worker said nothing more: %v", p.lines.Err())
	}
	return p.lines.Text()
}

// dueIn makes people with something due in the lanes that their names tell.
func dueIn(t *testing.T, s *Store) {
	t.Helper()
	for name, lanes := range map[string][]store.Lane{"urgent": {store.Urgent}, "routine": {store.Routine}, "both": {store.Urgent, store.Routine}} {
		w := write(t, s, name, "x")
		for _, lane := range lanes {
			w.Due[lane] = time.Now().Add(-time.Minute)
		}
		if err := s.Commit(background, w); err != nil {
			t.Fatal(err)
		}
	}
}

func claimAll(t *testing.T, s *Store) (got [2][]string) {
	t.Helper()
	for lane := range got {
		people, err := s.Claim(background, time.Now(), store.Lane(lane), 100, time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(people)
		got[lane] = people
	}
	return got
}

var everybody = [2][]string{{"both", "urgent"}, {"both", "routine"}}

// Fault 2: the process that claimed is killed before it has done anything.
// Another is handed nobody while the leases last, and everybody after.
func TestAProcessThatIsKilledWithItsLeases(t *testing.T) {
	server := servers.Start(t)
	address := "redis://" + server.Addr()
	s := openAt(t, address)
	dueIn(t, s)
	p, claimed := startWorker(t, address)
	begun := time.Now()
	for lane := range claimed {
		slices.Sort(claimed[lane])
	}
	if fmt.Sprint(claimed) != fmt.Sprint(everybody) {
		t.Fatalf("the worker claimed %v", claimed)
	}
	early := claimAll(t, s)
	if took := time.Since(begun); took < workerLease/2 && len(early[0])+len(early[1]) > 0 {
		t.Errorf("handed out within the other's lease: %v", early)
	}
	if err := p.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	servers.Until(t, "the leases are over", 10*time.Second, func() bool {
		at, ok, err := s.NextDue(background, store.Routine)
		return err == nil && ok && at.Before(time.Now())
	})
	if got := claimAll(t, s); fmt.Sprint(got) != fmt.Sprint(everybody) {
		t.Errorf("after the lease claimed %v, want %v", got, everybody)
	}
}

// Fault 16: the process that claimed is frozen past its lease. Another takes
// over and commits; what the first one commits when it wakes is stale.
func TestAProcessThatIsFrozenPastItsLease(t *testing.T) {
	server := servers.Start(t)
	address := "redis://" + server.Addr()
	s := openAt(t, address)
	dueIn(t, s)
	p, _ := startWorker(t, address)
	if err := p.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	time.Sleep(2 * workerLease) // two leases, as the fault says
	if got := claimAll(t, s); fmt.Sprint(got) != fmt.Sprint(everybody) {
		t.Errorf("after the lease claimed %v, want %v", got, everybody)
	}
	if err := s.Commit(background, write(t, s, "both", "of the other")); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	if _, err := p.in.Write([]byte("go\n")); err != nil {
		t.Fatal(err)
	}
	if got := p.line(t); !strings.Contains(got, store.ErrStale.Error()) {
		t.Errorf("the woken process was answered %q, want that it is stale", got)
	}
	wantStored(t, s, "both", 2, "of the other")
}

// Two stores on one server count one counter, and no count is lost.
func TestTwoStoresCountOneCounter(t *testing.T) {
	server := servers.Start(t)
	stores := []*Store{openAt(t, "redis://"+server.Addr()), openAt(t, "redis://"+server.Addr())}
	const each = 100
	errs := make(chan error)
	for _, s := range stores {
		go func() {
			for done := 0; done < each; {
				value, etag, _, err := s.Get(background, "count")
				if err == nil {
					err = s.Put(background, "count", append(value, '|'), etag, time.Time{})
				}
				if err == nil {
					done++
				} else if !errors.Is(err, store.ErrStale) {
					errs <- err
					return
				}
			}
			errs <- nil
		}()
	}
	if err := errors.Join(<-errs, <-errs); err != nil {
		t.Fatal(err)
	}
	if value, _, _, err := stores[0].Get(background, "count"); err != nil || len(value) != 2*each {
		t.Errorf("counted %d of %d, %v", len(value), 2*each, err)
	}
}
