package crash

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"turnstone/store/keyfile"
	"turnstone/tests/talk"
)

// refused runs the program on a folder that it can't have, and returns what it
// says and how long that took.
func refused(t *testing.T, dir string) (string, time.Duration) {
	t.Helper()
	cmd := exec.Command(talk.Bot, "talk", "--json", "--data", dir, "--region", "PT")
	cmd.Stdin = strings.NewReader(`{"say":"hi"}` + "\n")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	began := time.Now()
	out, err := cmd.Output()
	took := time.Since(began)
	if err == nil || len(out) > 0 {
		t.Errorf("got %q and %v, want a refusal", out, err)
	}
	return errs.String(), took
}

// A second program on the folder of a running one is refused within two
// seconds beside what any start takes, and says whose the folder is.
func TestHAZ22_TwoCopiesOneOwner(t *testing.T) {
	set := settings(t)
	began := time.Now()
	s := talk.Start(t, set)
	start := time.Since(began)
	text, took := refused(t, set.Data)
	for _, want := range []string{set.Data, strconv.Itoa(s.Pid())} {
		if !strings.Contains(text, want) {
			t.Errorf("the refusal %q does not name %s", text, want)
		}
	}
	t.Logf("a start took %v, the refusal %v", start, took)
	if took > start+2*time.Second {
		t.Errorf("the refusal took %v where a start takes %v; want at most 2 s more", took, start)
	}
	s.Choose("none") // the first one was not disturbed
	if s.Ask.Fact() != "foot_numb" {
		t.Errorf("the first program goes on with %s", s.Ask.Fact())
	}
	s.Kill()
	s = s.Again(s.Now) // the lock of a killed program holds nobody up
	if s.Ask.Fact() != "foot_numb" {
		t.Errorf("after the kill the talk goes on with %s", s.Ask.Fact())
	}
	s.End()
}

// A damaged file is refused with one sentence that names it, and left as it is.
func TestADamagedFileIsNamedAndLeft(t *testing.T) {
	set := settings(t)
	s := talk.Start(t, set)
	talk.Person{}.DayZero(s)
	s.End()
	whole, path := readAll(t, set.Data)
	for name, damage := range map[string]func([]byte) []byte{
		"cut short":          func(b []byte) []byte { return b[:3*4096] },
		"empty":              func([]byte) []byte { return nil },
		"another file":       func([]byte) []byte { return bytes.Repeat([]byte("this is no store. "), 5000) },
		"a head of zeros":    func(b []byte) []byte { return append(make([]byte, 8192), b[8192:]...) },
		"zeros all the way":  func(b []byte) []byte { return make([]byte, len(b)) },
		"written over later": func(b []byte) []byte { return append(b[:0:0], scribble(b)...) },
	} {
		t.Run(name, func(t *testing.T) {
			damaged := damage(bytes.Clone(whole))
			if err := os.WriteFile(path, damaged, 0o600); err != nil {
				t.Fatal(err)
			}
			if name == "written over later" {
				survives(t, set)
				return
			}
			text, _ := refused(t, set.Data)
			if !strings.Contains(text, path) || !strings.Contains(text, "backup") {
				t.Errorf("the refusal %q does not name %s and what to do", text, path)
			}
			if strings.Contains(text, "goroutine") {
				t.Errorf("the program fell over:\n%s", text)
			}
			if after, err := os.ReadFile(path); err != nil || !bytes.Equal(after, damaged) {
				t.Errorf("the file was changed (%v)", err)
			}
		})
	}
}

// readAll reads the one large file of a store's folder that is no ballast.
func readAll(t *testing.T, dir string) (data []byte, path string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.Name() == "ballast" || e.Name() == keyfile.FileName || strings.Contains(e.Name(), "lock") {
			continue
		}
		if path != "" {
			t.Fatalf("%s and %s: which one is the store?", path, e.Name())
		}
		path = filepath.Join(dir, e.Name())
	}
	if data, err = os.ReadFile(path); err != nil {
		t.Fatal(err)
	}
	return data, path
}

// scribble writes over every page but the first four.
func scribble(b []byte) []byte {
	for i := 4 * 4096; i < len(b); i++ {
		b[i] = 0xA5
	}
	return b
}

// survives: where the damage lies deeper, the program may start; then it says
// what is wrong line by line, and an emergency still brings the card.
func survives(t *testing.T, set talk.Settings) {
	t.Helper()
	s := talk.Open(t, set)
	for {
		l, ok := s.Next()
		if !ok {
			if !strings.Contains(s.Errors(), set.Data) {
				t.Errorf("the refusal %q does not name %s", s.Errors(), set.Data)
			}
			return
		}
		if l.Type == "ready" {
			break
		}
	}
	got := s.Say("i can't breathe")
	if !talk.Says(got, "112") || len(talk.Of(got, "error")) == 0 {
		t.Errorf("on a damaged store an emergency brings %+v, want the card and an error", got)
	}
}
