package bolt

import (
	"bufio"
	"errors"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"turnstone/store"
)

// killWriters write versions of one person each; one more comes and is erased in turn.
const killWriters = 8

// killRounds is how often the writing process is killed; many with TURNSTONE_LONG set.
func killRounds() int {
	if os.Getenv("TURNSTONE_LONG") != "" {
		return 60
	}
	return 12
}

// The protocol is common practice for stores, no source: a process that prints
// what it was promised is killed, and another one looks.
func TestWhatWasAcknowledgedOutlivesAKill(t *testing.T) {
	dir := t.TempDir()
	known := make([]int, killWriters+1) // the steps of each writer that must be there
	total, rounds := 0, killRounds()
	for range rounds {
		acked := killOnce(t, dir, known)
		for i := range acked {
			total += max(acked[i]-known[i], 0)
			known[i] = max(known[i], acked[i])
		}
		known = lookAfterKill(t, dir, known)
	}
	t.Logf("%d kills, %d commits acknowledged, none lost", rounds, total)
	if total < rounds*killWriters {
		t.Fatalf("only %d commits in %d rounds: too few to mean anything", total, rounds)
	}
}

// killOnce starts a writing process, kills it at a random moment and returns
// the last step that it acknowledged of each writer.
func killOnce(t *testing.T, dir string, known []int) []int {
	t.Helper()
	cmd, stderr := child(t, "commit", dir)
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	var kill *time.Timer
	acked, lines := make([]int, len(known)), bufio.NewScanner(out)
	for lines.Scan() {
		var writer, step int
		if _, err := fmt.Sscanf(lines.Text(), "%d %d.", &writer, &step); err != nil {
			t.Fatalf("the writing process said %q: %v", lines.Text(), err)
		}
		acked[writer] = step
		if kill == nil {
			kill = time.AfterFunc(time.Duration(rand.IntN(int(300*time.Millisecond))), func() {
				if err := cmd.Process.Kill(); err != nil {
					t.Error(err)
				}
			})
		}
	}
	if err := cmd.Wait(); err == nil || stderr.Len() > 0 {
		t.Fatalf("the writing process was not killed but ended: %v, %s", err, stderr)
	}
	return acked
}

// lookAfterKill opens what is left, compares each writer's person with what was
// acknowledged and returns the steps found. One step more may have been on its way.
func lookAfterKill(t *testing.T, dir string, acked []int) []int {
	t.Helper()
	s, err := Open(dir, Options{Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer closeStore(t, s) // closeStore looks at pages and indexes too
	found := make([]int, len(acked))
	for i := range killWriters {
		found[i] = lookAtWriter(t, s, i)
	}
	found[killWriters] = lookAtComer(t, s)
	for i, steps := range found {
		if steps < acked[i] || steps > acked[i]+1 {
			t.Fatalf("writer %d: %d steps are there and %d were acknowledged", i, steps, acked[i])
		}
	}
	return found
}

func lookAtWriter(t *testing.T, s *Store, writer int) (steps int) {
	t.Helper()
	person := fmt.Sprint("writer-", writer)
	r, err := s.Load(background, person)
	lines, lerr := s.Log(background, person)
	kept, kerr := s.Kept(background, person)
	value, _, _, gerr := s.Get(background, person)
	if err := errors.Join(err, lerr, kerr, gerr); err != nil {
		t.Fatal(err)
	}
	steps = int(r.Etag.Version())
	if steps == 0 {
		return 0
	}
	if want := killRecord(writer, steps); string(r.Bytes) != want || string(value) != want {
		t.Fatalf("%s: got the record %.30q and the named value %.30q at version %d", person, r.Bytes, value, steps)
	}
	if len(lines) != steps || len(kept) != 1 || string(kept[0].Bytes) != fmt.Sprint(steps) {
		t.Fatalf("%s: %d log lines and the kept episode %v at version %d", person, len(lines), kept, steps)
	}
	at := []time.Time{killDue(steps), {}}
	if steps%2 == 0 {
		at[0], at[1] = at[1], at[0]
	}
	var p stored
	err = s.view(background, func(t *tables) (err error) { p, _, err = t.person(person); return err })
	if err != nil || p.due != [2]uint64{moment(at[0]), moment(at[1])} {
		t.Fatalf("%s: due %v at version %d, want %v (%v)", person, p.due, steps, at, err)
	}
	return steps
}

// lookAtComer counts the steps of who comes and is erased: a step is either.
func lookAtComer(t *testing.T, s *Store) (steps int) {
	t.Helper()
	value, _, _, gerr := s.Get(background, "comer-steps")
	r, err := s.Load(background, "comer")
	lines, lerr := s.Log(background, "comer")
	kept, kerr := s.Kept(background, "comer")
	if err := errors.Join(err, gerr, lerr, kerr); err != nil {
		t.Fatal(err)
	}
	if len(value) > 0 {
		if _, err := fmt.Sscan(string(value), &steps); err != nil {
			t.Fatal(err)
		}
	}
	there := steps % 2
	if int(r.Etag.Version()) != there || len(lines) != there || len(kept) != there {
		t.Fatalf("after step %d of coming and going: version %d, %d log lines, %d kept", steps, r.Etag.Version(), len(lines), len(kept))
	}
	return steps
}

// killRecord is a record of changing length that tells whose it is and carries its checksum.
func killRecord(writer, version int) string {
	body := fmt.Sprintf("writer %d version %d %s", writer, version, strings.Repeat("x", version%3000))
	return fmt.Sprintf("%08x %s", crc32.ChecksumIEEE([]byte(body)), body)
}

func killDue(version int) time.Time { return time.Unix(int64(version), 0) }

// commitJob commits for ever and prints each acknowledgement with one write.
func commitJob(dir string) error {
	s, err := Open(dir, Options{Ballast: -1})
	if err != nil {
		return err
	}
	errs := make([]error, killWriters+1)
	var wg sync.WaitGroup
	for i := range killWriters {
		wg.Go(func() { errs[i] = writerJob(s, i) })
	}
	wg.Go(func() { errs[killWriters] = comerJob(s) })
	wg.Wait()
	return errors.Join(errs...)
}

func acknowledge(writer, step int) error {
	_, err := os.Stdout.Write(fmt.Appendf(nil, "%d %d.\n", writer, step))
	return err
}

func writerJob(s *Store, writer int) error {
	person := fmt.Sprint("writer-", writer)
	r, err := s.Load(background, person)
	if err != nil {
		return err
	}
	for version := int(r.Etag.Version()) + 1; ; version++ {
		record := killRecord(writer, version)
		_, err := s.commit(person, record, func(w *store.Write) {
			w.Due[(version+1)%2] = killDue(version)
			w.Log = [][]byte{fmt.Append(nil, version)}
			w.Keep = []store.Kept{{ID: "e", Until: time.Now().Add(time.Hour), Bytes: fmt.Append(nil, version)}}
			w.Named = []store.NamedWrite{{Key: person, Bytes: []byte(record)}}
		})
		if err := errors.Join(err, acknowledge(writer, version)); err != nil {
			return err
		}
	}
}

func comerJob(s *Store) error {
	value, _, _, err := s.Get(background, "comer-steps")
	steps := 0
	if err == nil && len(value) > 0 {
		_, err = fmt.Sscan(string(value), &steps)
	}
	if err != nil {
		return err
	}
	for step := steps + 1; ; step++ {
		_, err := s.commit("comer", "here", func(w *store.Write) {
			w.Named = []store.NamedWrite{{Key: "comer-steps", Bytes: fmt.Append(nil, step)}}
			if step%2 == 0 {
				w.Bytes = nil
				return
			}
			w.Due = [2]time.Time{killDue(step), killDue(step + 1)}
			w.Log = [][]byte{fmt.Append(nil, step)}
			w.Keep = []store.Kept{{ID: "e", Until: time.Now().Add(time.Hour)}}
		})
		if err := errors.Join(err, acknowledge(killWriters, step)); err != nil {
			return err
		}
	}
}
