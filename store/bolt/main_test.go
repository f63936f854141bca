package bolt

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"testing"
	"time"

	"go.uber.org/goleak"

	"turnstone/store"
)

// What a test starts as a process of its own is this same binary with these set.
const (
	childJob    = "TURNSTONE_STORE_CHILD"
	childFolder = "TURNSTONE_STORE_FOLDER"
)

func TestMain(m *testing.M) {
	jobs := map[string]func(dir string) error{"hold": holdJob, "commit": commitJob}
	if job, ok := jobs[os.Getenv(childJob)]; ok {
		if err := job(os.Getenv(childFolder)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m)
}

// child makes the command that does a job on dir in a process of its own.
func child(t *testing.T, job, dir string) (cmd *exec.Cmd, stderr *bytes.Buffer) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd, stderr = exec.CommandContext(t.Context(), exe), &bytes.Buffer{}
	cmd.Env = append(os.Environ(), childJob+"="+job, childFolder+"="+dir)
	cmd.Stderr = stderr
	return cmd, stderr
}

// holdJob opens the folder, says so and keeps it until its input ends.
func holdJob(dir string) error {
	s, err := Open(dir, Options{Ballast: -1})
	if err != nil {
		return err
	}
	fmt.Println("held")
	_, err = io.Copy(io.Discard, os.Stdin)
	return errors.Join(err, s.Close())
}

var background = context.Background()

func nonce() (n [8]byte) {
	_, _ = rand.Read(n[:]) // never fails (crypto/rand)
	return n
}

// commit makes the next version of person with the given record.
func (s *Store) commit(person, record string, change func(*store.Write)) (store.Write, error) {
	r, err := s.Load(background, person)
	if err != nil {
		return store.Write{}, err
	}
	w := store.Write{Person: person, Read: r.Etag, Next: r.Etag.Next(nonce()), Bytes: []byte(record), Now: s.clock()}
	if change != nil {
		change(&w)
	}
	return w, s.Commit(background, w)
}

func mustCommit(t testing.TB, s *Store, person, record string, change func(*store.Write)) store.Write {
	t.Helper()
	w, err := s.commit(person, record, change)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func wantRecord(t testing.TB, s *Store, person, want string) {
	t.Helper()
	r, err := s.Load(background, person)
	if err != nil || string(r.Bytes) != want {
		t.Fatalf("%s: got the record %q, %v; want %q", person, r.Bytes, err, want)
	}
}

func due(lane store.Lane, at time.Time) func(*store.Write) {
	return func(w *store.Write) { w.Due[lane] = at }
}
