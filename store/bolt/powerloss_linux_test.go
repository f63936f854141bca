package bolt

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Power is lost: what had been synced is on the disk, and of what had not any
// part may be, torn at its sectors. All system calls of a writing process are
// recorded, and at each of many moments disks are made as they may then be,
// opened, checked whole, and compared with what had been acknowledged.
//
// The method is that of T. S. Pillai and others, "All File Systems Are Not
// Created Equal", OSDI 2014, for the calls that bbolt makes on one file. It
// needs strace and minutes, so it runs with TURNSTONE_LONG=1 (make proofs).
func TestWhatWasAcknowledgedOutlivesAPowerCut(t *testing.T) {
	if os.Getenv("TURNSTONE_LONG") == "" {
		t.Log("runs with TURNSTONE_LONG=1 (make proofs)")
		return
	}
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Fatal("strace is missing; install it: apt-get install strace")
	}
	images, acks := 0, 0
	for range 3 {
		n, acked := onePowerCut(t, strace)
		images, acks = images+n, acks+acked
	}
	t.Logf("%d images of the disk, %d commits acknowledged, none lost", images, acks)
	if images < 500 || acks < 200 {
		t.Errorf("%d images and %d commits are too few to mean anything", images, acks)
	}
}

const sector = 512

func onePowerCut(t *testing.T, strace string) (images, acks int) {
	dir := t.TempDir()
	closeStore(t, openWith(t, dir, nil)) // the file in the making is a matter of its own: open_test.go
	before, err := os.ReadFile(filepath.Join(dir, dataFile))
	if err != nil {
		t.Fatal(err)
	}
	trace := filepath.Join(t.TempDir(), "trace")
	record(t, strace, trace, dir, 100)
	d := &disk{synced: before, dice: rand.New(rand.NewPCG(rand.Uint64(), 1))}
	acked := make([]int, killWriters+1)
	data := filepath.Join(dir, dataFile)
	events := 0
	replay(t, trace, func(c systemCall) {
		switch {
		case c.name == "pwrite64" && c.path == data:
			d.unsynced = append(d.unsynced, c.extent)
		case (c.name == "fdatasync" || c.name == "fsync") && c.path == data:
			d.sync()
		case c.name == "write" && strings.Contains(c.path, "pipe:"):
			var writer, step int
			for line := range strings.Lines(string(c.extent.bytes)) {
				if _, err := fmt.Sscanf(line, "%d %d.", &writer, &step); err != nil {
					t.Fatalf("the writing process said %q", line)
				}
				acked[writer] = step
				acks++
			}
		default:
			return
		}
		if events++; c.name == "pwrite64" && events%3 != 0 {
			return
		}
		images++
		after := t.TempDir()
		if err := os.WriteFile(filepath.Join(after, dataFile), d.lost(), 0o600); err != nil {
			t.Fatal(err)
		}
		lookAfterKill(t, after, acked)
		if t.Failed() {
			t.Fatalf("the disk of event %d is bad", events)
		}
		if err := os.RemoveAll(after); err != nil {
			t.Error(err)
		}
	})
	return images, acks
}

// record runs the writing process under strace until it has acknowledged enough.
func record(t *testing.T, strace, trace, dir string, enough int) {
	t.Helper()
	writer, stderr := child(t, "commit", dir)
	cmd := exec.CommandContext(t.Context(), strace, "-f", "-qq", "-y", "-xx", "-s", "33554432",
		"-e", "trace=pwrite64,write,fdatasync,fsync", "-e", "signal=none", "-o", trace, writer.Path)
	cmd.Env, cmd.Stderr = writer.Env, stderr
	out, err := cmd.StdoutPipe()
	if err := errors.Join(err, cmd.Start()); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for n := 0; n < enough && lines.Scan(); {
		n++
	}
	if err := out.Close(); err != nil { // the next acknowledgement ends the writing process
		t.Error(err)
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the writing process ended by itself")
	}
}

// A disk is what has been synced for certain, and what may be there beside it.
type disk struct {
	synced   []byte
	unsynced []extent
	dice     *rand.Rand
}

type extent struct {
	at    int64
	bytes []byte
}

func (e extent) on(b []byte) []byte {
	if end := e.at + int64(len(e.bytes)); end > int64(len(b)) {
		b = append(b, make([]byte, end-int64(len(b)))...)
	}
	copy(b[e.at:], e.bytes)
	return b
}

func (d *disk) sync() {
	for _, e := range d.unsynced {
		d.synced = e.on(d.synced)
	}
	d.unsynced = nil
}

// lost is the disk after a power cut: of what was not synced some is there, in
// any order, and some of that in part.
func (d *disk) lost() []byte {
	b := bytes.Clone(d.synced)
	for _, i := range d.dice.Perm(len(d.unsynced)) {
		e := d.unsynced[i]
		switch d.dice.IntN(3) {
		case 0:
			b = e.on(b)
		case 1:
			for from := 0; from < len(e.bytes); from += sector {
				if d.dice.IntN(2) == 0 {
					to := min(from+sector, len(e.bytes))
					b = extent{e.at + int64(from), e.bytes[from:to]}.on(b)
				}
			}
		}
	}
	return b
}

// A systemCall is one that has come back without an error.
type systemCall struct {
	name, path string
	extent     extent
}

var (
	callStart = regexp.MustCompile(`^(\d+)\s+(\w+)\(\d+<([^>]*)>(?:, "([^"]*)"(?:, \d+)?(?:, (\d+))?)?`)
	resumed   = regexp.MustCompile(`^(\d+)\s+<\.\.\. (\w+) resumed>.*= (-?\d+|\?)`)
	returned  = regexp.MustCompile(`\)\s+= (-?\d+)[^"]*$`)
)

// replay reads a recording. A call that another thread's came in between is in
// two lines; it counts where it ends.
func replay(t *testing.T, trace string, do func(systemCall)) {
	t.Helper()
	f, err := os.Open(trace)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}()
	open := map[string]systemCall{} // by thread
	for lines := bufio.NewReader(f); ; {
		line, err := lines.ReadString('\n')
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if m := resumed.FindStringSubmatch(line); m != nil {
			if c, ok := open[m[1]]; ok && !strings.HasPrefix(m[3], "-") && m[3] != "?" { // ?: the process ended in it
				do(c)
			}
			delete(open, m[1])
			continue
		}
		m := callStart.FindStringSubmatch(line)
		if m == nil {
			if strings.Contains(line, "+++") || strings.Contains(line, "exit") {
				continue
			}
			t.Fatalf("the recording has a line that is not understood: %.200q", line)
		}
		c := systemCall{name: m[2], path: unhex(t, m[3])}
		c.extent.bytes = []byte(unhex(t, m[4]))
		if m[5] != "" {
			if _, err := fmt.Sscan(m[5], &c.extent.at); err != nil {
				t.Fatal(err)
			}
		}
		switch r := returned.FindStringSubmatch(line); {
		case strings.Contains(line, "<unfinished ...>"):
			open[m[1]] = c
		case r != nil && !strings.HasPrefix(r[1], "-"):
			do(c)
		}
	}
}

// unhex reads a text that may have \x in it.
func unhex(t *testing.T, text string) string {
	t.Helper()
	if !strings.HasPrefix(text, `\x`) {
		return text
	}
	b, err := hex.DecodeString(strings.ReplaceAll(text, `\x`, ""))
	if err != nil {
		t.Fatalf("%.100q: %v", text, err)
	}
	return string(b)
}
